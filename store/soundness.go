package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"

	"lintel/internal/house"
)

// QuickCheck has SQLite look through the whole database for what it can't read (PRAGMA
// quick_check, https://www.sqlite.org/pragma.html). The error is ErrDamaged, with the
// first that it says, and residents are told. Files and sealed values are the business
// of [Archive.Verify].
func (a *Archive) QuickCheck(ctx context.Context) error {
	said, err := texts(a.read.QueryContext(ctx, `SELECT quick_check FROM pragma_quick_check LIMIT 3`))
	if err == nil && (len(said) != 1 || said[0] != "ok") {
		err = fmt.Errorf("%w (%s)", ErrDamaged, strings.Join(said, "; "))
	}
	if err = damage(err); errors.Is(err, ErrDamaged) {
		a.damages.meet([]string{house.DamagedDatabase}, a.now())
	}
	if err != nil {
		return fmt.Errorf("looking through the database: %w", err)
	}
	return nil
}

// verifiedSetting has what the last Verify found.
const verifiedSetting = "verified"

// KeepSoundness keeps what [Archive.Verify] found, for residents; of a database that is
// damaged itself only as long as the archive is open, since nothing is written there.
func (a *Archive) KeepSoundness(ctx context.Context, r Report) error {
	if slices.ContainsFunc(r.Problems, func(p Problem) bool { return p.What == WithDatabase && !p.Mended }) {
		a.damages.meet([]string{house.DamagedDatabase}, a.now())
		return nil
	}
	err := a.update(ctx, func(tx *sql.Tx) error {
		return a.set(ctx, tx, verifiedSetting, house.Soundness{At: a.now(), Left: r.Left})
	})
	if err != nil {
		return fmt.Errorf("keeping what the verification found: %w", spaceError(err))
	}
	return nil
}

// Soundness returns what the last Verify found, and what was met since then, or since
// the archive was opened, that does not open.
func (a *Archive) Soundness(ctx context.Context) (s house.Soundness, err error) {
	if _, err = a.settingOrNone(ctx, a.read, verifiedSetting, &s); err != nil {
		return s, fmt.Errorf("reading what the last verification found: %w", damage(err))
	}
	s.Met = a.Damaged()
	if s.Left == 0 {
		s.Met = a.damages.after(s.At)
	}
	return s, nil
}
