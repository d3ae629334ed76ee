package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strconv"
	"time"

	"lintel/internal/house"
)

// FolderSince returns since when a folder is watched for a bell: from now on, if
// it was not watched before. The path tells one folder of a bell from another.
func (a *Archive) FolderSince(ctx context.Context, bell, path string) (began time.Time, err error) {
	var at sql.NullInt64
	err = a.update(ctx, func(tx *sql.Tx) error {
		place := a.seals.Index("folder\x00" + bell + "\x00" + path)
		if _, err := tx.ExecContext(ctx, `INSERT INTO folders (place, began_at) VALUES (?, ?) ON CONFLICT DO NOTHING`,
			place, micros(a.now())); err != nil {
			return err
		}
		return tx.QueryRowContext(ctx, `SELECT began_at FROM folders WHERE place = ?`, place).Scan(&at)
	})
	if err != nil {
		return began, fmt.Errorf("looking since when a folder is watched: %w", spaceError(err))
	}
	return timeOf(at), nil
}

// KnowsFile reports whether a file of that name, size and date is done with, so
// that it need not be read again.
func (a *Archive) KnowsFile(ctx context.Context, f house.FolderFile) (known bool, err error) {
	err = a.read.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM folder_files WHERE file = ? AND state <> 'begun')`,
		a.fileMAC(f)).Scan(&known)
	if err != nil {
		return false, fmt.Errorf("looking up a file: %w", damage(err))
	}
	return known, nil
}

// FileOf returns what is known of the bytes of a file: its ring, its frame and its
// state. It is not found where they never came to this bell from a folder.
func (a *Archive) FileOf(ctx context.Context, bell string,
	content [32]byte) (f house.FolderFile, found bool, err error) {
	f = house.FolderFile{Bell: bell, Content: content}
	err = a.read.QueryRowContext(ctx, `SELECT ring, frame, state FROM folder_files WHERE content = ?`,
		a.contentMAC(f)).Scan(&f.Ring, &f.Frame, &f.State)
	if errors.Is(err, sql.ErrNoRows) {
		return f, false, nil
	}
	if err != nil {
		return f, false, fmt.Errorf("looking up a file: %w", damage(err))
	}
	return f, true, nil
}

// KeepFile remembers what becomes of a file. One that is remembered already
// changes its state, its name and its ring. A crash between what is begun and what
// is taken is made good by taking the same file as the same frame again.
func (a *Archive) KeepFile(ctx context.Context, f house.FolderFile) error {
	_, err := a.write.ExecContext(ctx, `
		INSERT INTO folder_files (content, file, ring, frame, state, at) VALUES (?, ?, ?, ?, ?, ?)
		ON CONFLICT (content) DO UPDATE SET file = excluded.file, ring = excluded.ring, frame = excluded.frame,
			state = excluded.state`,
		a.contentMAC(f), a.fileMAC(f), f.Ring, f.Frame, f.State, micros(a.now()))
	if err != nil {
		return fmt.Errorf("remembering a file: %w", spaceError(damage(err)))
	}
	return nil
}

func (a *Archive) contentMAC(f house.FolderFile) []byte {
	return a.seals.Index("file content\x00" + f.Bell + "\x00" + string(f.Content[:]))
}

func (a *Archive) fileMAC(f house.FolderFile) []byte {
	return a.seals.Index("file name\x00" + f.Bell + "\x00" + strconv.FormatInt(f.Size, 10) + "\x00" +
		strconv.FormatInt(f.Modified.UnixNano(), 10) + "\x00" + f.Name)
}
