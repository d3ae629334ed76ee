package store

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"lintel/internal/house"
)

// Usage says how much the archive holds, and how much room is left.
type Usage struct {
	Visits   int64 // those of which only findings are left as well
	Stills   int64
	Bytes    int64 // of the stills' files, the keys' and the database's
	Free     int64 // bytes of the disk that the archive may still use
	DiskSize int64 // bytes
}

// Low reports whether the disk is nearly full: less than 5 % or 1 GiB is free.
func (f Usage) Low() bool { return f.Free < 1<<30 || f.Free < f.DiskSize/20 }

// Usage says what the archive holds, as it is counted with each change.
func (a *Archive) Usage(ctx context.Context) (f Usage, err error) {
	err = a.read.QueryRowContext(ctx, `
		SELECT (SELECT coalesce(sum(visits), 0) FROM ages), (SELECT value FROM counters WHERE name = 'stills'),
			(SELECT value FROM counters WHERE name = 'still_bytes')`).
		Scan(&f.Visits, &f.Stills, &f.Bytes)
	if err != nil {
		return f, fmt.Errorf("counting what the archive holds: %w", err)
	}
	for _, name := range []string{"archive.db", "archive.db-wal", "archive.db-shm", keyFile} {
		if info, err := os.Stat(filepath.Join(a.dir, name)); err == nil {
			f.Bytes += info.Size()
		}
	}
	f.Free, f.DiskSize, err = a.Disk()
	return f, err
}

// Unmasked counts a bell's stills that were kept before its masks were as they
// are now: those that [Archive.MaskEarlier] would change. There are none where
// nothing is masked.
func (a *Archive) Unmasked(ctx context.Context, bell string) (stills int, err error) {
	masks, revision, err := a.Masks(ctx, bell)
	if errors.Is(err, house.ErrUnvouched) {
		return 0, nil // there is nothing to go by until they are drawn anew
	}
	if err != nil || len(masks) == 0 {
		return 0, err
	}
	err = a.read.QueryRowContext(ctx, `
		SELECT count(*) FROM visits v JOIN stills s ON s.visit = v.id
		WHERE v.bell = ? AND v.stage < ? AND s.file IS NOT NULL AND s.masked < ?`, a.bellID(bell), house.OnlyFindings,
		revision).Scan(&stills)
	if err != nil {
		return 0, fmt.Errorf("counting stills that are not masked: %w", err)
	}
	return stills, nil
}
