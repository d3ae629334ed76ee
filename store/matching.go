package store

import (
	"context"
	"database/sql"
	"fmt"

	"lintel/internal/house"
)

// The names of the settings.
const (
	priorSetting     = "prior"
	strangersSetting = "strangers"
)

// Prior returns how often a ring is somebody enrolled, as the household said,
// from 0.01 to 0.99; 0 where it said nothing.
func (a *Archive) Prior(ctx context.Context) (prior float64, err error) {
	_, err = a.settingOrNone(ctx, a.read, priorSetting, &prior)
	return prior, err
}

// SetPrior keeps how often a ring is somebody enrolled, from 0.01 to 0.99. The
// error is ErrBadPrior. What was found before stays as it was.
func (a *Archive) SetPrior(ctx context.Context, prior float64) error {
	if !(prior >= 0.01 && prior <= 0.99) {
		return fmt.Errorf("%w, not %v", house.ErrBadPrior, prior)
	}
	err := a.update(ctx, func(tx *sql.Tx) error {
		if err := a.set(ctx, tx, priorSetting, prior); err != nil {
			return err
		}
		return a.note(ctx, tx, "changed", "prior")
	})
	if err != nil {
		return spaceError(err)
	}
	a.signal()
	return nil
}

// StrangerDistances returns the counts.
func (a *Archive) StrangerDistances(ctx context.Context) (s house.StrangerDistances, err error) {
	_, err = a.settingOrNone(ctx, a.read, strangersSetting, &s)
	return s, err
}

// countStranger counts how far a face was from each person, once a resident has
// said that it is a stranger's. Whom nobody vouched for must not be counted:
// somebody enrolled whom no reference fits would spoil the rates at the very
// distances where he or she is missed.
func (a *Archive) countStranger(ctx context.Context, tx *sql.Tx, distances []float64) error {
	var s house.StrangerDistances
	if _, err := a.settingOrNone(ctx, tx, strangersSetting, &s); err != nil {
		return err
	}
	return a.set(ctx, tx, strangersSetting, s.With(distances))
}

// GalleryRevision returns a number that grows with every change of the gallery,
// of a consent, of the prior and of the counted strangers, whichever process made
// it: the database counts by itself.
func (a *Archive) GalleryRevision(ctx context.Context) (n int64, err error) {
	err = a.read.QueryRowContext(ctx, `SELECT value FROM counters WHERE name = 'gallery'`).Scan(&n)
	if err != nil {
		return 0, fmt.Errorf("reading the gallery's revision: %w", err)
	}
	return n, nil
}

// Rematch keeps the matches and liveness of faces of a visit as they are now
// judged, in place of those found when each was examined. Faces that are gone stay gone,
// one that somebody answered for keeps the match that was found when they did,
// and a person erased meanwhile makes a stranger.
func (a *Archive) Rematch(ctx context.Context, visit string, faces []house.Face) error {
	if len(faces) == 0 {
		return nil
	}
	err := a.update(ctx, func(tx *sql.Tx) error {
		for _, f := range faces {
			var m house.Match
			if f.Match != nil {
				m = *f.Match
			}
			_, err := tx.ExecContext(ctx, `
				UPDATE faces SET (person, distance, fpir, band, probability, frames) = (
					SELECT p.id, iif(p.id IS NULL, NULL, ?2), iif(p.id IS NULL, NULL, ?3), iif(p.id IS NULL, NULL, ?4),
						iif(p.id IS NULL, NULL, nullif(?5, 0)), iif(p.id IS NULL, NULL, nullif(?6, 0))
					FROM (SELECT 1) LEFT JOIN persons p ON p.id = ?7 AND p.id NOT IN (SELECT person
						FROM erasing) AND p.id NOT IN (`+withdrawn+`))
				WHERE id = ?1 AND still IN (SELECT id FROM stills WHERE visit = ?8) AND id NOT IN (SELECT face FROM checks)`,
				f.ID, m.Distance, m.FPIR, m.Band, m.Probability, m.Frames, m.Person, visit)
			if err == nil {
				err = a.keepLiveness(ctx, tx, f, visit)
			}
			if err != nil {
				return err
			}
		}
		var there int
		err := tx.QueryRowContext(ctx, `SELECT count(*) FROM visits WHERE id = ?`, visit).Scan(&there)
		if err != nil || there == 0 {
			return err
		}
		return a.settle(ctx, tx, visit)
	})
	if err != nil {
		return fmt.Errorf("keeping how a ring was judged: %w", spaceError(err))
	}
	a.signal()
	return nil
}
