package store

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"lintel/internal/house"
	"lintel/store/internal/durable"
)

// A still's file that no row names is either one that came half in, or what is left
// of a visit whose row was lost with a damaged log. What was erased or swept is
// neither: its file is listed for removal in the transaction that takes the row. So
// such a file is kept aside, told of, and goes when the longest period of the rules
// is over, or when a resident says so. It is taken in again once a row names it, as after
// the database was put back, or by its label ([Archive.TakeAsideIn]). Slots that no row
// names are held until nothing is aside.

// Aside is what is kept aside.
type Aside struct {
	Files       int
	Bytes       int64
	First, Last time.Time // when the oldest and the newest came in, by their files
}

// asidePath is where a still's file is that no row names.
func (a *Archive) asidePath(file string) string {
	return filepath.Join(a.dir, "aside", file+stillSuffix)
}

// setAside keeps a file aside, and reports whether it does. One that is empty holds
// nothing of anybody, and goes; so does one that was erased, should a disk bring it
// back.
func (a *Archive) setAside(ctx context.Context, path, file string) (kept bool, err error) {
	info, err := os.Lstat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil // an erasure was quicker
	}
	var erased bool
	if err == nil {
		erased, err = isErased(ctx, a.read, "still", file)
	}
	if err == nil && (erased || info.Size() == 0) {
		return false, removed(path)
	}
	if err == nil {
		err = os.MkdirAll(filepath.Dir(a.asidePath(file)), 0o700)
	}
	if err == nil {
		err = os.Rename(path, a.asidePath(file))
	}
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	return err == nil, err
}

// SetStraysAside looks at every file among the stills, and keeps those aside that no
// row names. It returns how many. What says whose it is is taken in again.
func (a *Archive) SetStraysAside(ctx context.Context) (set int, err error) {
	set, err = a.strays(ctx, func(file, path string) (bool, error) {
		if strings.HasSuffix(path, smallSuffix) { // made of a still that is aside or gone
			return false, removed(path)
		}
		return a.setAside(ctx, path, file)
	})
	if err == nil {
		_, err = a.TakeAsideIn(ctx)
	}
	return set, err
}

// strays deals with every file among the stills that no row names and that is not
// about to be removed, and returns with how many.
func (a *Archive) strays(ctx context.Context, deal func(file, path string) (bool, error)) (dealt int, err error) {
	err = a.walkStills(ctx, func(file, path string) error {
		if lost, err := a.isLost(ctx, file); err != nil || !lost {
			return err
		}
		done, err := deal(file, path)
		if done {
			dealt++
		}
		return err
	})
	if err != nil {
		return dealt, fmt.Errorf("looking for files that nothing names: %w", spaceError(err))
	}
	return dealt, nil
}

// isLost reports whether neither a row names a file nor the list of what is to be
// removed.
func (a *Archive) isLost(ctx context.Context, file string) (lost bool, err error) {
	err = a.read.QueryRowContext(ctx, `SELECT NOT EXISTS (SELECT 1 FROM stills WHERE file = ?1)
		AND NOT EXISTS (SELECT 1 FROM removals WHERE file = ?1)`, file).Scan(&lost)
	return lost, err
}

// Aside returns what is kept aside.
func (a *Archive) Aside() (all Aside, err error) {
	err = a.eachAside(func(_ string, info fs.FileInfo) error {
		at := info.ModTime()
		if all.Files++; all.First.IsZero() || at.Before(all.First) {
			all.First = at
		}
		if at.After(all.Last) {
			all.Last = at
		}
		all.Bytes += info.Size()
		return nil
	})
	return all, err
}

// eachAside calls f with each file that is kept aside.
func (a *Archive) eachAside(f func(file string, info fs.FileInfo) error) error {
	all, err := os.ReadDir(filepath.Join(a.dir, "aside"))
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	for _, entry := range all {
		file, ours := strings.CutSuffix(entry.Name(), stillSuffix)
		info, err := entry.Info()
		if !ours || errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err == nil {
			err = f(file, info)
		}
		if err != nil {
			return fmt.Errorf("looking at what is kept aside: %w", spaceError(err))
		}
	}
	return err
}

// returnNamed brings files back that a row names again, and returns how many.
func (a *Archive) returnNamed(ctx context.Context) (taken int, err error) {
	err = a.eachAside(func(file string, _ fs.FileInfo) error {
		named, err := a.isNamed(ctx, file)
		if err != nil || !named || exists(a.stillPath(file)) {
			return err
		}
		path := a.stillPath(file)
		if err := a.stillFolder(filepath.Dir(path)); err != nil {
			return err
		}
		taken++
		return os.Rename(a.asidePath(file), path)
	})
	return taken, err
}

// DropAside deletes what is kept aside, by a resident's will, and returns how many
// files that was.
func (a *Archive) DropAside(ctx context.Context) (dropped int, err error) {
	if dropped, err = a.dropAside(ctx, func(time.Time) bool { return true }); err == nil && dropped > 0 {
		err = a.Note(ctx, "erased", fmt.Sprintf("aside %d", dropped))
	}
	return dropped, err
}

// dropAside deletes what came in at such a time, for good.
func (a *Archive) dropAside(ctx context.Context, such func(time.Time) bool) (dropped int, err error) {
	err = a.eachAside(func(file string, info fs.FileInfo) error {
		if !such(info.ModTime()) {
			return nil
		}
		dropped++
		return removed(a.asidePath(file))
	})
	if err == nil && dropped > 0 {
		err = errors.Join(durable.SyncFolder(filepath.Join(a.dir, "aside")), a.clearHeld(ctx))
	}
	return dropped, err
}

// sweepAside lets go what was kept aside for as long as the rules keep anything. What
// is of a time to come is counted from now.
func (a *Archive) sweepAside(ctx context.Context, rules house.Rules) error {
	var longest house.Period
	for _, rule := range rules.Keep {
		if rule.Findings.AtLeastHours() > longest.AtLeastHours() {
			longest = rule.Findings
		}
	}
	now := a.now()
	err := a.eachAside(func(file string, info fs.FileInfo) error {
		if info.ModTime().After(now) {
			return os.Chtimes(a.asidePath(file), now, now)
		}
		return nil
	})
	if err == nil {
		_, err = a.dropAside(ctx, func(at time.Time) bool { return !longest.After(at, rules.Location()).After(now) })
	}
	return err
}
