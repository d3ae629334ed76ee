package store

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"lintel/internal/house"
)

// described picks faces whose descriptor is kept, by what they weigh: 512
// bytes are 684 in base64. The indexes of migration 3 say it in the same words.
const described = `length(f.sealed) > 684`

// sightings reads the faces that the clause picks.
func (a *Archive) sightings(ctx context.Context, q querier, from, clause string,
	args ...any) ([]house.Sighting, error) {
	rows, err := q.QueryContext(ctx, `
		SELECT f.id, f.still, f.sealed, f.person, p.name, f.distance, f.fpir, f.band,
			coalesce(f.probability, 0), coalesce(f.frames, 0),
			coalesce(s.file, ''), s.frame, v.id, v.received_at, b.id, b.name,
			c.answer, coalesce(c.asked, ''), coalesce(c.asked_distance, 0), coalesce(c.person, ''),
			coalesce(c.person_distance, 0), c.by, c.at
		FROM `+from+` JOIN stills s ON s.id = f.still JOIN visits v ON v.id = s.visit JOIN main.bells b ON b.id = v.bell
		LEFT JOIN main.persons p ON p.id = f.person `+withSaid+` `+clause, args...)
	all, err := scanAll(rows, err, func(s *house.Sighting) error { return a.scanSighting(rows, s) })
	if err != nil {
		return nil, fmt.Errorf("reading faces: %w", err)
	}
	return all, nil
}

func (a *Archive) scanSighting(rows *sql.Rows, s *house.Sighting) error {
	var sealed, name, bellName []byte
	var bell string
	var person, band, answer, asked, answerPerson, by sql.NullString
	var distance, fpir, askedDistance, ownDistance sql.NullFloat64
	var received, at sql.NullInt64
	var m house.Match
	err := rows.Scan(&s.ID, &s.Still, &sealed, &person, &name, &distance, &fpir, &band, &m.Probability, &m.Frames,
		&s.File, &s.Frame, &s.Visit, &received, &bell, &bellName,
		&answer, &asked, &askedDistance, &answerPerson, &ownDistance, &by, &at)
	if err != nil {
		return err
	}
	s.Face.ID, s.Face.Still, s.ReceivedAt = s.ID, s.Still, timeOf(received)
	if person.Valid {
		m.Person, m.Distance, m.FPIR, m.Band = person.String, distance.Float64, fpir.Float64, band.String
		s.Face.Match = &m
		if err := a.unseal(&s.Face.Match.Name, name, "persons.name", person.String); err != nil {
			return err
		}
	}
	if answer.Valid {
		s.Check = &house.Check{Face: s.ID, Answer: house.Answer(answer.String), Asked: asked.String,
			AskedDistance: askedDistance.Float64,
			Person:        answerPerson.String, PersonDistance: ownDistance.Float64, By: by.String, At: timeOf(at)}
		s.Face.Said = &house.Said{Answer: s.Check.Answer, Person: s.Check.Person, By: s.Check.By, At: s.Check.At}
	}
	return errors.Join(a.bellAddress(&s.Bell, bellName, bell), a.openFace(&s.Face, sealed, s.ID))
}

// Sighting returns the face of that id, or ErrNotFound.
func (a *Archive) Sighting(ctx context.Context, face string) (house.Sighting, error) {
	return a.sighting(ctx, a.read, face)
}

func (a *Archive) sighting(ctx context.Context, q querier, face string) (house.Sighting, error) {
	found, err := a.sightings(ctx, q, `faces f`, `WHERE f.id = ?`, face)
	if err == nil && len(found) == 0 {
		err = fmt.Errorf("face %s: %w", face, house.ErrNotFound)
	}
	if err != nil {
		return house.Sighting{}, err
	}
	return found[0], nil
}

// Doubtful returns faces that were named with a band weak or fair and that
// nobody answered for, the highest FPIR first, limit at most: of each visit
// and person only the surest, since that is what the visit is called by. They
// come after the place (fpir, face) in that order; begin with 1 and "~".
func (a *Archive) Doubtful(ctx context.Context, fpir float64, face string, limit int) ([]house.Sighting, error) {
	return a.sightings(ctx, a.read, `main.faces f INDEXED BY faces_in_doubt`, `
		WHERE `+vouchedFor("faces", "f.")+`
			AND f.band IN ('fair', 'weak') AND `+described+` AND s.file IS NOT NULL AND c.face IS NULL
			AND (f.fpir, f.id) < (?, ?)
			AND NOT EXISTS (SELECT 1 FROM stills s2 CROSS JOIN main.faces g INDEXED BY faces_by_still ON g.still = s2.id
				WHERE s2.visit = s.visit AND `+vouchedFor("faces", "g.")+` AND g.person = f.person
					AND (g.fpir, g.id) < (f.fpir, f.id))
		ORDER BY f.fpir DESC, f.id DESC LIMIT ?`, fpir, face, limit)
}

// Strangers returns faces that are nobody's of whom anything is known, whose
// descriptor is kept, newest first, limit at most: those found to be so, answered
// for or not, and those of which a resident said it.
func (a *Archive) Strangers(ctx context.Context, limit int) ([]house.Sighting, error) {
	newest, err := a.newestStrangers(ctx, limit)
	if err != nil {
		return nil, fmt.Errorf("looking for strangers: %w", err)
	}
	found, err := a.sightings(ctx, a.read, `faces f`, `WHERE f.id IN (SELECT value FROM json_each(?))
		ORDER BY v.received_at DESC, f.id DESC`, jsonList(newest))
	if err != nil {
		return nil, err
	}
	said, err := a.sightings(ctx, a.read, `checks k CROSS JOIN faces f ON f.id = k.face`, `
		WHERE k.person IS NULL AND k.answer <> 'not-a-face' AND f.person IS NOT NULL AND `+described+`
			AND s.file IS NOT NULL ORDER BY v.received_at DESC, f.id DESC LIMIT ?`, limit)
	if err != nil || len(said) == 0 {
		return found, err
	}
	all := append(found, said...)
	slices.SortStableFunc(all, func(a, b house.Sighting) int {
		return cmp.Or(b.ReceivedAt.Compare(a.ReceivedAt), strings.Compare(b.ID, a.ID))
	})
	return all[:min(limit, len(all))], nil
}

// manyStrangers is how many times as many faces of strangers there are as are asked
// for, where it takes less to look for them in the newest visits than to sort them all.
const manyStrangers = 10

// newestStrangers returns the faces found to be nobody's, newest first.
func (a *Archive) newestStrangers(ctx context.Context, limit int) ([]string, error) {
	const unnamed = `f.person IS NULL AND ` + described
	var many bool
	err := a.read.QueryRowContext(ctx, `SELECT count(*) = ?1 FROM (SELECT 1 FROM main.faces f
		INDEXED BY faces_of_strangers WHERE `+unnamed+` LIMIT ?1)`, manyStrangers*limit).Scan(&many)
	if err != nil {
		return nil, err
	}
	from := `main.faces f INDEXED BY faces_of_strangers CROSS JOIN stills s ON s.id = f.still
		CROSS JOIN visits v ON v.id = s.visit`
	if many {
		from = `visits v INDEXED BY visits_by_time CROSS JOIN stills s ON s.visit = v.id
			CROSS JOIN main.faces f INDEXED BY faces_of_strangers ON f.still = s.id`
	}
	return texts(a.read.QueryContext(ctx, `SELECT f.id FROM `+from+`
		WHERE `+unnamed+` AND s.file IS NOT NULL AND `+vouchedFor("faces", "f.")+`
		ORDER BY v.received_at DESC, f.id DESC LIMIT ?`, limit))
}

// Sightings returns faces of visits received since, whose descriptor is kept,
// newest first, limit at most, and whether there are more. Those of one visit
// follow each other, and a visit comes whole or not at all: the faces of a ring
// are judged together. Only a visit of more than limit faces is cut.
func (a *Archive) Sightings(ctx context.Context, since time.Time,
	limit int) (all []house.Sighting, more bool, err error) {
	// Left to itself, SQLite begins with the faces, all of them.
	all, err = a.sightings(ctx, a.read, `faces f`, `
		WHERE f.id IN (SELECT f.id FROM visits v INDEXED BY visits_by_time CROSS JOIN stills s ON s.visit = v.id
			CROSS JOIN faces f ON f.still = s.id
			WHERE v.received_at >= ? AND v.stage < 2 AND s.file IS NOT NULL AND `+described+`
				ORDER BY v.received_at DESC, v.id DESC, f.id DESC LIMIT ?)
		ORDER BY v.received_at DESC, v.id DESC, f.id DESC`, micros(since), limit+1)
	if err != nil || len(all) <= limit {
		return all, false, err
	}
	end := limit
	for end > 0 && all[end-1].Visit == all[limit].Visit {
		end--
	}
	if end == 0 {
		end = limit
	}
	return all[:end], true, nil
}

// SightingsOn returns the faces of visits whose descriptor is kept, in the order of
// [Archive.Sightings].
func (a *Archive) SightingsOn(ctx context.Context, visits []string) ([]house.Sighting, error) {
	return a.sightings(ctx, a.read, `faces f`, `
		WHERE f.id IN (SELECT f.id FROM stills s CROSS JOIN faces f ON f.still = s.id
			WHERE s.visit IN (SELECT value FROM json_each(?)) AND s.file IS NOT NULL AND `+described+`)
		ORDER BY v.received_at DESC, v.id DESC, f.id DESC`, jsonList(visits))
}

// ChangedSince returns the ids of visits that changed or went after the revision, limit
// at most of each.
func (a *Archive) ChangedSince(ctx context.Context, revision int64, limit int) (visits []string, err error) {
	visits, err = texts(a.read.QueryContext(ctx, `SELECT * FROM (SELECT id FROM visits WHERE revision > ?1
			ORDER BY revision LIMIT ?2)
		UNION SELECT * FROM (SELECT visit FROM departures WHERE revision > ?1 ORDER BY revision LIMIT ?2)`,
		revision, limit))
	if err != nil {
		return nil, fmt.Errorf("looking for changed visits: %w", damage(err))
	}
	return visits, nil
}

// SurelyOf returns faces that are the person's by an answer or by a strong
// match that nobody denied, whose stills are kept: those answered for and the
// surest others, limit of each at most.
func (a *Archive) SurelyOf(ctx context.Context, person string, limit int) ([]house.Sighting, error) {
	return a.sightings(ctx, a.read, `faces f`, `
		WHERE f.id IN (
			SELECT * FROM (SELECT f.id FROM faces f LEFT JOIN checks c ON c.face = f.id
				WHERE f.person = ?1 AND f.band = 'strong' AND `+described+` AND (c.face IS NULL OR c.person = ?1)
					ORDER BY f.fpir LIMIT ?2)
			UNION SELECT * FROM (SELECT face FROM checks WHERE person = ?1 ORDER BY at DESC LIMIT ?2))
			AND `+described+` AND s.file IS NOT NULL`, person, limit)
}

// Answered returns the faces that were answered for, the latest answer first,
// limit at most.
func (a *Archive) Answered(ctx context.Context, limit int) ([]house.Sighting, error) {
	return a.sightings(ctx, a.read, `checks k JOIN faces f ON f.id = k.face`, `
		WHERE k.face IN (SELECT face FROM checks ORDER BY at DESC, face LIMIT ?) ORDER BY k.at DESC, k.face`, limit)
}

// NamedOn returns who is named on visits.
func (a *Archive) NamedOn(ctx context.Context, visits []string) (map[house.Naming]bool, error) {
	rows, err := a.read.QueryContext(ctx,
		`SELECT visit, person FROM appearances WHERE visit IN (SELECT value FROM json_each(?))`, jsonList(visits))
	all, err := scanAll(rows, err, func(n *house.Naming) error { return rows.Scan(&n.Visit, &n.Person) })
	if err != nil {
		return nil, fmt.Errorf("reading who is named: %w", err)
	}
	named := make(map[house.Naming]bool, len(all))
	for _, n := range all {
		named[n] = true
	}
	return named, nil
}

// Answer keeps an answer, for the face and for those that show the same on the
// ring's other frames: the faces that the check names, and those that were judged
// together with it. What was found stays as it is; by whom the visit is found, and
// how long it is kept, follows the answer. The errors are ErrBadAnswer, ErrNotFound,
// ErrStillGone, ErrAnswered where somebody answered before and this answer is not to
// take the place of theirs, ErrFindingChanged if the face is no longer found to be
// whose it was when asked about, ErrPersonGone, and ErrNoConsent of a person who
// withdrew it.
func (a *Archive) Answer(ctx context.Context, c house.Check) error {
	if err := c.Complete(); err != nil {
		return err
	}
	err := a.update(ctx, func(tx *sql.Tx) error {
		s, err := a.sighting(ctx, tx, c.Face)
		switch {
		case err != nil:
			return err
		case s.Check != nil && !c.Instead:
			return house.ErrAnswered
		case s.File == "":
			return house.ErrStillGone
		case s.Face.Match != nil && s.Face.Match.Person != c.Asked:
			return house.ErrFindingChanged
		}
		if err := a.maySay(ctx, tx, c); err != nil {
			return err
		}
		if s.Check != nil {
			if err := a.forgetAnswer(ctx, tx, s); err != nil {
				return err
			}
		}
		if c.Answer == house.AnswerElse && c.Person == "" && len(c.Distances) > 0 {
			if err := a.countStranger(ctx, tx, c.Distances); err != nil {
				return err
			}
		}
		same, err := a.judgedWith(ctx, tx, s)
		if err != nil {
			return err
		}
		if err := a.insertAnswer(ctx, tx, s.Visit, append(same, c.With...), c, house.Actor(ctx), a.now()); err != nil {
			return err
		}
		if err := a.settle(ctx, tx, s.Visit); err != nil {
			return err
		}
		return a.note(ctx, tx, "checked", "visit "+s.Visit)
	})
	if err != nil {
		return fmt.Errorf("keeping an answer: %w", spaceError(err))
	}
	a.signal()
	return nil
}

// maySay reports why an answer can't be kept for whom it is about.
func (a *Archive) maySay(ctx context.Context, tx *sql.Tx, c house.Check) error {
	for _, person := range []string{c.Asked, c.Person} {
		if err := a.isThere(ctx, tx, person); err != nil {
			return err
		}
	}
	is, err := a.isWithdrawn(ctx, tx, c.Person)
	if err == nil && is {
		err = fmt.Errorf("person %s: %w", c.Person, house.ErrNoConsent)
	}
	return err
}

// insertAnswer keeps an answer for those of the faces that are on the visit and have
// none.
func (a *Archive) insertAnswer(ctx context.Context, tx *sql.Tx, visit string, faces []string, c house.Check,
	by string, at time.Time) error {
	for _, face := range faces {
		_, err := tx.ExecContext(ctx, `
			INSERT INTO checks (face, answer, asked, asked_distance, person, person_distance, by, at)
			SELECT f.id, ?2, nullif(?3, ''), iif(?3 = '', NULL, ?4), nullif(?5, ''), iif(?5 = '', NULL, ?6), ?7, ?8
			FROM faces f JOIN stills s ON s.id = f.still WHERE f.id = ?1 AND s.visit = ?9 ON CONFLICT DO NOTHING`,
			face, c.Answer, c.Asked, c.AskedDistance, c.Person, c.PersonDistance, by, micros(at), visit)
		if err != nil {
			return err
		}
	}
	return nil
}

// Spread gives the answer that was given for a face to others of its visit, which
// show the same on frames that came later. Those that have one keep theirs.
func (a *Archive) Spread(ctx context.Context, face string, with []string) error {
	err := a.update(ctx, func(tx *sql.Tx) error {
		s, err := a.sighting(ctx, tx, face)
		if errors.Is(err, house.ErrNotFound) || err == nil && s.Check == nil {
			return nil // it went, or was taken back, meanwhile
		}
		if err != nil {
			return err
		}
		if err := a.insertAnswer(ctx, tx, s.Visit, with, *s.Check, s.Check.By, s.Check.At); err != nil {
			return err
		}
		return a.settle(ctx, tx, s.Visit)
	})
	if err != nil {
		return fmt.Errorf("keeping an answer for later frames: %w", spaceError(err))
	}
	a.signal()
	return nil
}

// judgedWith returns the faces on the ring's frames that got one match by being
// judged together, or just this one.
func (a *Archive) judgedWith(ctx context.Context, tx *sql.Tx, s house.Sighting) ([]string, error) {
	if s.Face.Match == nil || s.Face.Match.Frames < 2 {
		return []string{s.ID}, nil
	}
	return texts(tx.QueryContext(ctx, `
		SELECT g.id FROM faces f CROSS JOIN stills s ON s.visit = ?2
			CROSS JOIN faces g INDEXED BY faces_by_still ON g.still = s.id
		WHERE f.id = ?1 AND g.person = f.person AND g.distance = f.distance AND g.fpir = f.fpir`, s.ID, s.Visit))
}

// isThere returns ErrPersonGone unless there is the person, or nobody is asked for.
func (a *Archive) isThere(ctx context.Context, tx *sql.Tx, person string) error {
	var there bool
	err := tx.QueryRowContext(ctx,
		`SELECT EXISTS (SELECT 1 FROM persons WHERE id = ?1 AND id NOT IN (SELECT person FROM erasing))`,
		person).Scan(&there)
	if err == nil && !there && person != "" {
		err = fmt.Errorf("person %s: %w", person, house.ErrPersonGone)
	}
	return err
}

// rename names faces of a visit, settles it and adds that to the audit trail.
func (a *Archive) rename(ctx context.Context, tx *sql.Tx, visit string, faces []string, becomes *house.Match,
	action string) error {
	var m house.Match
	if becomes != nil {
		m = *becomes
	}
	_, err := tx.ExecContext(ctx, `
		UPDATE faces SET person = nullif(?2, ''), distance = iif(?2 = '', NULL, ?3), fpir = iif(?2 = '', NULL, ?4),
			band = iif(?2 = '', NULL, ?5),
			probability = iif(?2 = '', NULL, nullif(?6, 0)), frames = iif(?2 = '', NULL, nullif(?7, 0))
		WHERE id IN (SELECT value FROM json_each(?1))`,
		jsonList(faces), m.Person, m.Distance, m.FPIR, m.Band, m.Probability, m.Frames)
	if err != nil {
		return err
	}
	if err := a.settle(ctx, tx, visit); err != nil {
		return err
	}
	return a.note(ctx, tx, action, "visit "+visit)
}

// TakeBack forgets an answer, for all the faces it was given for at once: what was
// found holds again, and they can be asked about. The error is ErrNotFound. A
// stranger once counted stays so: counts don't tell whose they are.
func (a *Archive) TakeBack(ctx context.Context, face string) error {
	err := a.update(ctx, func(tx *sql.Tx) error {
		s, err := a.sighting(ctx, tx, face)
		if err == nil && s.Check == nil {
			err = fmt.Errorf("an answer for face %s: %w", face, house.ErrNotFound)
		}
		if err != nil {
			return err
		}
		if err := a.forgetAnswer(ctx, tx, s); err != nil {
			return err
		}
		if err := a.settle(ctx, tx, s.Visit); err != nil {
			return err
		}
		return a.note(ctx, tx, "unchecked", "visit "+s.Visit)
	})
	if err != nil {
		return fmt.Errorf("taking an answer back: %w", spaceError(err))
	}
	a.signal()
	return nil
}

// forgetAnswer forgets the answer of a face, with all the faces of its visit that it
// was given for.
func (a *Archive) forgetAnswer(ctx context.Context, tx *sql.Tx, s house.Sighting) error {
	_, err := tx.ExecContext(ctx, `
		DELETE FROM checks WHERE face = ?1 OR (at, by) = (SELECT at, by FROM checks WHERE face = ?1)
			AND (asked, person) IS (SELECT asked, person FROM checks WHERE face = ?1)
			AND face IN (SELECT f.id FROM stills s JOIN faces f ON f.still = s.id WHERE s.visit = ?2)`, s.ID, s.Visit)
	return err
}

// Rename names faces anew, and returns how many: a face that is named
// otherwise by now than it was, that somebody answered for meanwhile or that is
// gone is left as it is.
func (a *Archive) Rename(ctx context.Context, all []house.Renaming) (renamed int, err error) {
	for _, r := range all { // a transaction each, so that no bell waits for all of them
		err := a.update(ctx, func(tx *sql.Tx) error {
			s, err := a.sighting(ctx, tx, r.Face)
			switch {
			case errors.Is(err, house.ErrNotFound):
				return nil
			case err != nil:
				return err
			case s.Check != nil || !s.Kept() || !sameFinding(s.Face.Match, r.Was):
				return nil
			}
			if r.Becomes != nil {
				if err := a.isThere(ctx, tx, r.Becomes.Person); errors.Is(err, house.ErrPersonGone) {
					return nil
				} else if err != nil {
					return err
				}
				if is, err := a.isWithdrawn(ctx, tx, r.Becomes.Person); err != nil || is {
					return err
				}
			}
			renamed++
			return a.rename(ctx, tx, s.Visit, []string{s.ID}, r.Becomes, "renamed")
		})
		if err != nil {
			return renamed, fmt.Errorf("naming faces anew, after %d: %w", renamed, spaceError(err))
		}
	}
	if renamed > 0 {
		a.signal()
	}
	return renamed, nil
}

// sameFinding reports whether two matches name the same person as surely.
func sameFinding(a, b *house.Match) bool {
	if a == nil || b == nil {
		return a == b
	}
	return a.Person == b.Person && a.Band == b.Band
}
