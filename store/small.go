package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"lintel/internal/house"
	"lintel/store/seal"
)

// Beside a still's file may lie another with its small pictures, sealed with the
// still's own data key. No row names it: it is called like the still's file, goes with
// that in the same act, and with the key. It can be made again, and so is neither
// synced nor in any backup.

// smallSuffix ends the names of files with small pictures, where stillSuffix ends
// those of stills.
const (
	stillSuffix = ".still"
	smallSuffix = ".small"
)

// smallPath is where the small pictures of a still's file are.
func (a *Archive) smallPath(file string) string {
	return strings.TrimSuffix(a.stillPath(file), stillSuffix) + smallSuffix
}

// smallPlace is what small pictures are sealed for.
func smallPlace(visit string, frame int) []string {
	return []string{"small", visit, strconv.Itoa(frame)}
}

// ReadSmall returns what [Archive.KeepSmall] kept. The error is house.ErrNotFound if
// nothing is there that opens, or the still's file is gone or another by now.
func (a *Archive) ReadSmall(ctx context.Context, of house.Still) ([]byte, error) {
	slot, err := a.slotOf(ctx, of)
	if err != nil {
		return nil, err
	}
	sealed, err := os.ReadFile(a.smallPath(of.File))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("reading small pictures: %w", err)
	}
	var content []byte
	if err == nil {
		content, err = a.openFile(sealed, slot, smallPlace(of.Visit, of.Frame)...)
	}
	if err != nil { // none, or not whole after a loss of power
		return nil, fmt.Errorf("small pictures of frame %d of visit %s: %w", of.Frame, of.Visit, house.ErrNotFound)
	}
	return content, nil
}

// KeepSmall keeps small pictures beside a still's file, in the place of those that
// are there. The error is house.ErrNotFound if the file is gone or another by now;
// then nothing is kept.
func (a *Archive) KeepSmall(ctx context.Context, of house.Still, content []byte) error {
	ctx = context.WithoutCancel(ctx)
	slot, err := a.slotOf(ctx, of)
	if err != nil {
		return err
	}
	key, err := a.keyIn(slot)
	if errors.Is(err, seal.ErrOpen) { // it went since the row was read, or is lost
		return fmt.Errorf("frame %d of visit %s: %w", of.Frame, of.Visit, house.ErrNotFound)
	}
	defer clear(key[:])
	var sealed []byte
	if err == nil {
		sealed, err = key.Seal(content, smallPlace(of.Visit, of.Frame)...)
	}
	if err == nil {
		err = a.checkDiskSpace(len(sealed))
	}
	if err == nil {
		err = a.writeSmall(ctx, of.File, sealed)
	}
	if err != nil {
		return fmt.Errorf("keeping small pictures: %w", spaceError(err))
	}
	return nil
}

// slotOf returns where the data key of a still's file is.
func (a *Archive) slotOf(ctx context.Context, of house.Still) (slot int64, err error) {
	err = a.read.QueryRowContext(ctx, `SELECT coalesce(slot, 0) FROM stills WHERE visit = ? AND frame = ? AND file = ?`,
		of.Visit, of.Frame, of.File).Scan(&slot)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, fmt.Errorf("frame %d of visit %s: %w", of.Frame, of.Visit, house.ErrNotFound)
	}
	if err != nil {
		return 0, fmt.Errorf("looking up frame %d of visit %s: %w", of.Frame, of.Visit, err)
	}
	return slot, nil
}

// writeSmall brings a file with small pictures to its place. While it does, the file
// lies in incoming too, so that a start after a crash knows of it: whoever erases the
// still meanwhile may have been there before the file was.
func (a *Archive) writeSmall(ctx context.Context, file string, sealed []byte) error {
	a.smallMu.Lock()
	defer a.smallMu.Unlock()
	path, waiting := a.smallPath(file), a.incomingPath(file)+smallSuffix
	err := os.WriteFile(waiting, sealed, 0o600)
	defer os.Remove(waiting)
	if err == nil {
		err = a.stillFolder(filepath.Dir(path))
	}
	if err != nil {
		return err
	}
	if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	if err := os.Link(waiting, path); err != nil {
		return err
	}
	return a.dropUnnamed(ctx, file)
}

// dropUnnamed removes small pictures of a still that no row names any more.
func (a *Archive) dropUnnamed(ctx context.Context, file string) error {
	named, err := a.isNamed(ctx, file)
	if err != nil || named {
		return err
	}
	return removed(a.smallPath(file))
}

// recoverSmall makes good what a crash left of small pictures on their way.
func (a *Archive) recoverSmall(ctx context.Context, waiting string) error {
	if err := a.dropUnnamed(ctx, strings.TrimSuffix(waiting, smallSuffix)); err != nil {
		return err
	}
	return removed(a.incomingPath(waiting))
}

// removed removes a file that may be gone.
func removed(path string) error {
	if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return nil
}
