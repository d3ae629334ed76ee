package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"lintel/internal/house"
)

// Which faces are one stranger's is said by package cluster; here it is kept. The
// triggers of migration 34 put a face into the table strangers as soon as it is
// nobody's, and take it out when it goes, is named or is answered for. A row of
// strangers is worth no more than the face it names: what is read of it goes by faces,
// which nobody without the master key can make.

// StrangersFrom returns faces that are nobody's, by rising place after one.
func (a *Archive) StrangersFrom(ctx context.Context, after int64, limit int) ([]house.StrangersFace, error) {
	return a.strangersFaces(ctx, `p.place > ? ORDER BY p.place LIMIT ?`, after, limit)
}

// StrangersAt returns the faces at places, as far as they are there and known.
func (a *Archive) StrangersAt(ctx context.Context, places []int64) ([]house.StrangersFace, error) {
	return a.strangersFaces(ctx, `p.place IN (SELECT value FROM json_each(?)) ORDER BY p.place`, numberList(places))
}

// FacesOfStranger returns all faces of a stranger.
func (a *Archive) FacesOfStranger(ctx context.Context, stranger int64) ([]house.StrangersFace, error) {
	return a.strangersFaces(ctx, `p.stranger = ? ORDER BY p.place`, stranger)
}

func (a *Archive) strangersFaces(ctx context.Context, clause string, args ...any) ([]house.StrangersFace, error) {
	rows, err := a.read.QueryContext(ctx, `SELECT p.place, p.stranger, p.within, f.id, f.sealed
		FROM strangers p CROSS JOIN faces f ON f.id = p.face WHERE `+clause, args...)
	all, err := scanAll(rows, err, func(s *house.StrangersFace) error {
		var sealed []byte
		if err := rows.Scan(&s.Place, &s.Stranger, &s.Within, &s.Face.ID, &sealed); err != nil {
			return err
		}
		return a.openFace(&s.Face, sealed, s.Face.ID)
	})
	if err != nil {
		return nil, fmt.Errorf("reading strangers' faces: %w", damage(err))
	}
	return all, nil
}

// numberList writes numbers for json_each.
func numberList(all []int64) string {
	b, _ := json.Marshal(all) // numbers always can be
	return string(b)
}

// StrangersToCompare returns places of faces that are still to be compared within so
// many hundredths, the latest first.
func (a *Archive) StrangersToCompare(ctx context.Context, within, limit int) ([]int64, error) {
	rows, err := a.read.QueryContext(ctx, `SELECT * FROM (
			SELECT place FROM (SELECT place FROM strangers WHERE within = 0 ORDER BY place DESC LIMIT ?2)
			UNION ALL SELECT place FROM (SELECT place FROM strangers WHERE within > 0 AND within < ?1 LIMIT ?2)
			UNION ALL SELECT place FROM (SELECT place FROM strangers WHERE within > ?1 LIMIT ?2))
		LIMIT ?2`, within, limit)
	places, err := scanAll(rows, err, func(place *int64) error { return rows.Scan(place) })
	if err != nil {
		return nil, fmt.Errorf("looking for strangers' faces to compare: %w", damage(err))
	}
	return places, nil
}

// CountStrangers returns how many faces are nobody's, and how many of them are still to
// be compared within so many hundredths.
func (a *Archive) CountStrangers(ctx context.Context, within int) (all, waiting int, err error) {
	err = a.read.QueryRowContext(ctx, `SELECT (SELECT count(*) FROM strangers),
		(SELECT count(*) FROM strangers WHERE within < ?1) + (SELECT count(*) FROM strangers WHERE within > ?1)`,
		within).Scan(&all, &waiting)
	if err != nil {
		return 0, 0, fmt.Errorf("counting strangers' faces: %w", damage(err))
	}
	return all, waiting, nil
}

// LastStranger returns the highest number of a stranger.
func (a *Archive) LastStranger(ctx context.Context) (last int64, err error) {
	err = a.read.QueryRowContext(ctx, `SELECT coalesce(max(stranger), 0) FROM strangers`).Scan(&last)
	if err != nil {
		return 0, fmt.Errorf("looking for the last stranger: %w", damage(err))
	}
	return last, nil
}

// StrangerSizes returns how many faces strangers have.
func (a *Archive) StrangerSizes(ctx context.Context, strangers []int64) (map[int64]int, error) {
	type size struct {
		of int64
		n  int
	}
	rows, err := a.read.QueryContext(ctx, `SELECT stranger, count(*) FROM strangers
		WHERE stranger IN (SELECT value FROM json_each(?)) GROUP BY stranger`, numberList(strangers))
	all, err := scanAll(rows, err, func(s *size) error { return rows.Scan(&s.of, &s.n) })
	if err != nil {
		return nil, fmt.Errorf("counting faces of strangers: %w", damage(err))
	}
	sizes := make(map[int64]int, len(all))
	for _, s := range all {
		sizes[s.of] = s.n
	}
	return sizes, nil
}

// PlaceStrangers keeps whose faces are, compared within so many hundredths. A face is
// placed only where the stranger still has as many faces as it says.
func (a *Archive) PlaceStrangers(ctx context.Context, within int, all []house.Placing) (placed []bool, err error) {
	placed = make([]bool, len(all))
	err = a.update(ctx, func(tx *sql.Tx) error {
		for i, p := range all {
			res, err := tx.ExecContext(ctx, `UPDATE strangers SET stranger = ?2, within = ?3 WHERE place = ?1
				AND (?2 = 0 OR (SELECT count(*) FROM strangers WHERE stranger = ?2 AND place <> ?1) = ?4)`,
				p.Place, p.Stranger, within, p.Size)
			if err != nil {
				return err
			}
			n, err := res.RowsAffected()
			if err != nil {
				return err
			}
			placed[i] = n > 0
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("keeping whose strangers' faces are: %w", spaceError(err))
	}
	return placed, nil
}

// JoinStrangers makes one stranger of two, unless either has other faces by now than
// so many.
func (a *Archive) JoinStrangers(ctx context.Context, into, from int64, size, sizeFrom int) (joined bool, err error) {
	err = a.update(ctx, func(tx *sql.Tx) error {
		res, err := tx.ExecContext(ctx, `UPDATE strangers SET stranger = ?1 WHERE stranger = ?2
			AND (SELECT count(*) FROM strangers WHERE stranger = ?1) = ?3
			AND (SELECT count(*) FROM strangers WHERE stranger = ?2) = ?4`, into, from, size, sizeFrom)
		if err != nil {
			return err
		}
		n, err := res.RowsAffected()
		joined = n == int64(sizeFrom)
		if err == nil && n > 0 && !joined {
			err = errors.New("a stranger was joined in part")
		}
		return err
	})
	if err != nil {
		return false, fmt.Errorf("making one stranger of two: %w", spaceError(err))
	}
	return joined, nil
}

// StrangersGone returns faces that were strangers' and are no more, after the number
// last, in the order of their going, and the last one's number.
func (a *Archive) StrangersGone(ctx context.Context, after int64, limit int) (gone []house.Placing, last int64,
	err error) {
	rows, err := a.read.QueryContext(ctx, `SELECT n, place, stranger FROM strangers_gone WHERE n > ? ORDER BY n LIMIT ?`,
		after, limit)
	last = after
	gone, err = scanAll(rows, err, func(p *house.Placing) error { return rows.Scan(&last, &p.Place, &p.Stranger) })
	if err != nil {
		return nil, after, fmt.Errorf("reading which strangers' faces went: %w", damage(err))
	}
	return gone, last, nil
}

// ForgetGone forgets what StrangersGone told, up to a number.
func (a *Archive) ForgetGone(ctx context.Context, last int64) error {
	err := a.update(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `DELETE FROM strangers_gone WHERE n <= ?`, last)
		return err
	})
	if err != nil {
		return fmt.Errorf("forgetting which strangers' faces went: %w", spaceError(err))
	}
	return nil
}

// SeenAgain returns strangers who rang on several visits, the one seen last first: those
// after a time and number, limit at most.
func (a *Archive) SeenAgain(ctx context.Context, before time.Time, after int64, limit int) ([]house.SeenStranger,
	error) {
	return a.seenStrangers(ctx, `n.visits > 1 AND (n.last_at, n.stranger) < (?, ?)
		ORDER BY n.last_at DESC, n.stranger DESC LIMIT ?`, micros(before), after, limit)
}

// SeenOn returns the strangers of a visit who rang on others too.
func (a *Archive) SeenOn(ctx context.Context, visit string) ([]house.SeenStranger, error) {
	return a.seenStrangers(ctx, `n.visits > 1 AND n.stranger IN (SELECT stranger FROM strangers WHERE visit = ?)
		ORDER BY n.last_at DESC, n.stranger DESC`, visit)
}

// SeenStranger returns one stranger. The error is house.ErrNotFound.
func (a *Archive) SeenStranger(ctx context.Context, stranger int64) (house.SeenStranger, error) {
	all, err := a.seenStrangers(ctx, `n.stranger = ?`, stranger)
	if err == nil && len(all) == 0 {
		err = fmt.Errorf("stranger %d: %w", stranger, house.ErrNotFound)
	}
	if err != nil {
		return house.SeenStranger{}, err
	}
	return all[0], nil
}

func (a *Archive) seenStrangers(ctx context.Context, clause string, args ...any) ([]house.SeenStranger, error) {
	rows, err := a.read.QueryContext(ctx, `SELECT n.stranger, n.visits, n.last_at,
		(SELECT min(at) FROM strangers WHERE stranger = n.stranger) FROM seen_again n WHERE `+clause, args...)
	all, err := scanAll(rows, err, func(s *house.SeenStranger) error {
		var last, first sql.NullInt64
		err := rows.Scan(&s.Stranger, &s.Visits, &last, &first)
		s.First, s.Last = timeOf(first), timeOf(last)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("reading strangers: %w", damage(err))
	}
	return all, nil
}

// SightingsOf returns faces of a stranger, the latest first, limit at most.
func (a *Archive) SightingsOf(ctx context.Context, stranger int64, limit int) ([]house.Sighting, error) {
	return a.sightings(ctx, a.read, `strangers n CROSS JOIN faces f ON f.id = n.face`, `
		WHERE n.place IN (SELECT place FROM strangers WHERE stranger = ? ORDER BY at DESC, face DESC LIMIT ?)
			AND s.file IS NOT NULL AND `+described+` ORDER BY n.at DESC, f.id DESC`, stranger, limit)
}

// StrangerOf returns the number of whose a face is and how it was compared. The error is
// house.ErrNotFound unless the face is nobody's.
func (a *Archive) StrangerOf(ctx context.Context, face string) (s house.StrangersFace, err error) {
	err = a.read.QueryRowContext(ctx, `SELECT place, stranger, within FROM strangers WHERE face = ?`, face).
		Scan(&s.Place, &s.Stranger, &s.Within)
	if errors.Is(err, sql.ErrNoRows) {
		err = house.ErrNotFound
	}
	if err != nil {
		return s, fmt.Errorf("a stranger's face %s: %w", face, damage(err))
	}
	return s, nil
}

// WaitingOn reports whether a visit has a stranger's face that is still to be compared
// within so many hundredths.
func (a *Archive) WaitingOn(ctx context.Context, visit string, within int) (waits bool, err error) {
	err = a.read.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM strangers WHERE visit = ? AND within <> ?)`, visit,
		within).Scan(&waits)
	if err != nil {
		return false, fmt.Errorf("looking for strangers' faces to compare: %w", damage(err))
	}
	return waits, nil
}
