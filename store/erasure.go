package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"time"

	"lintel/internal/house"
	"lintel/store/internal/durable"
)

// An Erased says what an erasure took.
type Erased struct {
	Visits  int `json:"visits"`  // gone whole
	Unnamed int `json:"unnamed"` // findings that named a person and do no more
	Held    int `json:"held"`    // visits left for their hold
}

// batch is how many visits one transaction changes at most. Intake waits for
// one batch, not for all of them.
const batch = 25

// EraseVisit erases a visit: its rows, its stills and their keys. The error is
// ErrNotFound or ErrHeld. Its id is remembered, so that neither a backup nor
// the bell brings it back.
func (a *Archive) EraseVisit(ctx context.Context, id string) error {
	ctx = context.WithoutCancel(ctx)
	err := a.update(ctx, func(tx *sql.Tx) error {
		var held sql.NullInt64
		err := tx.QueryRowContext(ctx, `SELECT h.ends_at FROM visits v LEFT JOIN holds h ON h.visit = v.id WHERE v.id = ?`,
			id).Scan(&held)
		if errors.Is(err, sql.ErrNoRows) {
			return fmt.Errorf("visit %s: %w", id, house.ErrNotFound)
		}
		if err != nil {
			return err
		}
		if held.Valid && timeOf(held).After(a.now()) {
			return house.ErrHeld
		}
		return a.eraseVisits(ctx, tx, []string{id})
	})
	if err != nil {
		return fmt.Errorf("erasing a visit: %w", spaceError(err))
	}
	a.signal()
	return a.finishRemovals(ctx)
}

// WouldErasePerson counts the visits that name a person: those that ErasePerson
// would erase with visits, and those that it would leave for their hold.
func (a *Archive) WouldErasePerson(ctx context.Context, id string) (e Erased, err error) {
	err = a.read.QueryRowContext(ctx, `
		SELECT coalesce((SELECT visits FROM named WHERE person = ?1), 0),
			(SELECT count(*) FROM holds h CROSS JOIN appearances p ON p.visit = h.visit
				WHERE h.ends_at > ?2 AND p.person = ?1)`,
		id, micros(a.now())).Scan(&e.Visits, &e.Held)
	if err != nil {
		return e, fmt.Errorf("counting the visits of person %s: %w", id, err)
	}
	e.Visits -= e.Held
	return e, nil
}

// eraseWhile erases the visits that the query finds, batch by batch, until it
// finds none.
func (a *Archive) eraseWhile(ctx context.Context, query string, args ...any) (erased int, err error) {
	for {
		var ids []string
		err := a.update(ctx, func(tx *sql.Tx) (err error) {
			ids, err = texts(tx.QueryContext(ctx, query, args...))
			if err != nil || len(ids) == 0 {
				return err
			}
			return a.eraseVisits(ctx, tx, ids)
		})
		if err != nil || len(ids) == 0 {
			return erased, err
		}
		erased += len(ids)
		a.signal()
		if err := a.finishRemovals(ctx); err != nil {
			return erased, err
		}
	}
}

// eraseVisits removes visits by somebody's will, and remembers that.
func (a *Archive) eraseVisits(ctx context.Context, tx *sql.Tx, ids []string) error {
	for _, statement := range []string{
		`INSERT INTO erasures (what, id, at) SELECT 'visit', value, ?2 FROM json_each(?1) WHERE true ` +
			`ON CONFLICT DO NOTHING`,
		`INSERT INTO erasures (what, id, at) SELECT 'still', file, ?2 FROM stills
			WHERE visit IN (SELECT value FROM json_each(?1)) AND file IS NOT NULL ON CONFLICT DO NOTHING`,
	} {
		if _, err := tx.ExecContext(ctx, statement, jsonList(ids), micros(a.now())); err != nil {
			return fmt.Errorf("remembering an erasure: %w", err)
		}
	}
	const theirs = `visit IN (SELECT value FROM json_each(?))`
	if err := eraseRows(ctx, tx, "advice", theirs, jsonList(ids)); err != nil {
		return err
	}
	for table, where := range map[string]string{
		"stills": theirs, "holds": theirs, "messages": theirs, "trial_rings": theirs,
		"visits": `id IN (SELECT value FROM json_each(?))`,
		"faces":  `still IN (SELECT id FROM stills WHERE ` + theirs + `)`} {
		if err := eraseSlots(ctx, tx, table, where, jsonList(ids)); err != nil {
			return err
		}
	}
	for _, id := range ids {
		if err := a.note(ctx, tx, "erased", "visit "+id); err != nil {
			return err
		}
	}
	return a.removeVisits(ctx, tx, ids)
}

// removeVisits removes visits with all their rows, and notes their files for
// removal.
func (a *Archive) removeVisits(ctx context.Context, tx *sql.Tx, ids []string) error {
	for _, id := range ids {
		revision, err := nextRevision(ctx, tx)
		if err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, `INSERT INTO departures (revision, visit, at) VALUES (?, ?, ?)`, revision, id,
			micros(a.now())); err != nil {
			return fmt.Errorf("noting a departure: %w", err)
		}
	}
	for _, statement := range []string{
		`INSERT INTO removals (file) SELECT file FROM stills WHERE visit IN (SELECT value
			FROM json_each(?)) AND file IS NOT NULL`,
		`DELETE FROM visits WHERE id IN (SELECT value FROM json_each(?))`,
	} {
		if _, err := tx.ExecContext(ctx, statement, jsonList(ids)); err != nil {
			return fmt.Errorf("removing visits: %w", err)
		}
	}
	return nil
}

// finishRemovals overwrites the keys of what went, and removes the files that were
// noted for it.
func (a *Archive) finishRemovals(ctx context.Context) error {
	if err := a.clearSlots(ctx, true); err != nil {
		return err
	}
	for {
		files, err := texts(a.read.QueryContext(ctx, `SELECT file FROM removals LIMIT 500`))
		if err != nil || len(files) == 0 {
			return err
		}
		if err := a.removeFiles(files); err != nil {
			return fmt.Errorf("removing stills: %w", spaceError(err))
		}
		// Only now is each file's name forgotten, so that a crash before
		// leaves it to the next start.
		if _, err := a.write.ExecContext(ctx, `DELETE FROM removals WHERE file IN (SELECT value FROM json_each(?))`,
			jsonList(files)); err != nil {
			return fmt.Errorf("removing stills: %w", spaceError(err))
		}
	}
}

// removeFiles removes stills' files for good: one that a loss of power brings back
// would be taken for one whose row was lost.
func (a *Archive) removeFiles(files []string) error {
	folders := map[string]bool{filepath.Join(a.dir, "incoming"): true}
	for _, file := range files {
		if err := a.removeFile(file); err != nil {
			return err
		}
		folders[filepath.Dir(a.stillPath(file))] = true
	}
	for folder := range folders {
		if err := durable.SyncFolder(folder); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
	return nil
}

// ErasePerson erases a person: consents, references, and in every finding that
// names them the name and the face's descriptor. With visits, the visits that
// name them go whole, except those held; else their stills stay and show a
// stranger. If it breaks off, [Archive.FinishErasures] goes on.
func (a *Archive) ErasePerson(ctx context.Context, id string, visits bool) (e Erased, err error) {
	err = a.update(ctx, func(tx *sql.Tx) error {
		res, err := tx.ExecContext(ctx, `
			INSERT INTO erasing (person, visits) SELECT id, ? FROM persons WHERE id = ?
			ON CONFLICT (person) DO UPDATE SET visits = max(visits, excluded.visits)`, visits, id)
		if err != nil {
			return err
		}
		if err := oneRow(res, "person "+id); err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, `INSERT INTO erasures (what, id, at) VALUES ('person', ?, ?) ON CONFLICT DO NOTHING`,
			id, micros(a.now())); err != nil {
			return err
		}
		if err := eraseOfPerson(ctx, tx, id); err != nil {
			return err
		}
		return a.note(ctx, tx, "erased", "person "+id)
	})
	if err == nil {
		e, err = a.finishErasure(ctx, id, visits)
	}
	if err != nil {
		return e, fmt.Errorf("erasing a person: %w", spaceError(err))
	}
	return e, nil
}

// eraseOfPerson erases the rows that are a person's. What lets somebody be advised in
// ends here, before all else of them has gone.
func eraseOfPerson(ctx context.Context, tx *sql.Tx, person string) error {
	for _, rows := range [][2]string{
		{"portraits", `reference IN (SELECT id FROM gallery WHERE person = ?)`},
		{"gallery", `person = ?`}, {"consents", `person = ?`}, {"door_rules", `person = ?`},
		{"reports", `source IN (SELECT id FROM sources WHERE person = ?)`}, {"sources", `person = ?`},
		{"tokens", `person = ?`}, {"onetime", `person = ?`}, {"factors", `person = ?`}, {"misses", `whom = ?`},
		{"advice", `id IN (SELECT advice FROM advice_persons WHERE person = ?)`}, {"messages", `person = ?`},
	} {
		if err := eraseRows(ctx, tx, rows[0], rows[1], person); err != nil {
			return err
		}
	}
	return nil
}

// FinishErasures goes on with erasures of periods and persons and withdrawals of
// consents that were broken off, and with the removal of files.
func (a *Archive) FinishErasures(ctx context.Context) error {
	if a.ReadOnly() {
		return errReadOnly
	}
	type begun struct {
		person string
		visits bool
	}
	rows, err := a.read.QueryContext(ctx, `SELECT person, visits FROM erasing`)
	all, err := scanAll(rows, err, func(b *begun) error { return rows.Scan(&b.person, &b.visits) })
	if err != nil {
		return fmt.Errorf("finishing erasures: %w", err)
	}
	if err := a.finishPeriods(ctx); err != nil {
		return fmt.Errorf("finishing erasures: %w", err)
	}
	for _, b := range all {
		if _, err := a.finishErasure(ctx, b.person, b.visits); err != nil {
			return fmt.Errorf("finishing the erasure of person %s: %w", b.person, err)
		}
	}
	if err := a.finishWithdrawals(ctx); err != nil {
		return fmt.Errorf("finishing the withdrawal of consents: %w", err)
	}
	return a.finishRemovals(ctx)
}

// finishWithdrawals takes persons out of visits who are named on some although
// they withdrew their consent.
func (a *Archive) finishWithdrawals(ctx context.Context) error {
	persons, err := texts(a.read.QueryContext(ctx, `SELECT w.person FROM (`+withdrawn+`) w
		WHERE EXISTS (SELECT 1 FROM appearances p WHERE p.person = w.person)
			OR EXISTS (SELECT 1 FROM faces f WHERE f.person = w.person)`))
	for _, person := range persons {
		if err == nil {
			_, err = a.unnameAll(ctx, person)
		}
	}
	return err
}

func (a *Archive) finishErasure(ctx context.Context, person string, visits bool) (e Erased, err error) {
	if visits {
		e.Visits, err = a.eraseWhile(ctx, `
			SELECT p.visit FROM (`+visitsOf+`) p
				WHERE NOT EXISTS (SELECT 1 FROM holds h WHERE h.visit = p.visit AND h.ends_at > ?2) LIMIT ?3`,
			person, micros(a.now()), batch)
		if err != nil {
			return e, err
		}
	}
	if e.Unnamed, err = a.unnameAll(ctx, person); err != nil {
		return e, err
	}
	if visits {
		e.Held = e.Unnamed
	}
	err = a.update(ctx, func(tx *sql.Tx) error {
		if err := eraseSlots(ctx, tx, "persons", `id = ?`, person); err != nil {
			return err
		}
		for _, statement := range []string{
			// What was said of somebody else's face stands, and tells of this one no more.
			`UPDATE checks SET asked = NULL, asked_distance = NULL WHERE asked = ? AND answer IN ('else', 'not-a-face')`,
			`DELETE FROM persons WHERE id = ?`,
		} {
			if _, err := tx.ExecContext(ctx, statement, person); err != nil {
				return err
			}
		}
		return nil
	})
	if err == nil {
		err = a.clearSlots(ctx, true)
	}
	return e, err
}

// unnameAll takes the person out of all visits, batch by batch, and returns of
// how many.
func (a *Archive) unnameAll(ctx context.Context, person string) (visits int, err error) {
	for {
		var done int
		err := a.update(ctx, func(tx *sql.Tx) (err error) {
			done, err = a.unname(ctx, tx, person)
			return err
		})
		if err != nil {
			return visits, err
		}
		a.signal()
		if visits += done; done == 0 {
			return visits, nil
		}
	}
}

// visitsOf finds the visits that are the person's ?1, as a resident said or else as
// was found, each once. There may be very many, so it begins without finding all.
const visitsOf = `SELECT visit FROM appearances WHERE person = ?1`

// tiedTo is visitsOf with those where the person was found, and a resident said that
// it is somebody else.
const tiedTo = visitsOf + ` UNION ALL SELECT DISTINCT s.visit
	FROM faces f JOIN checks c ON c.face = f.id JOIN stills s ON s.id = f.still WHERE f.person = ?1
		AND NOT EXISTS (SELECT 1 FROM appearances p WHERE p.visit = s.visit AND p.person = ?1)`

// unname takes the person out of a batch of visits, and returns of how many.
func (a *Archive) unname(ctx context.Context, tx *sql.Tx, person string) (visits int, err error) {
	named, err := a.visitsIn(ctx, tx, `WHERE v.id IN (SELECT visit FROM (`+tiedTo+`) LIMIT ?2)`, person, batch)
	if err != nil {
		return 0, err
	}
	for _, v := range named {
		for _, s := range v.Stills {
			for _, f := range s.Faces {
				switch {
				case f.Whose() == person:
					err = a.forgetFace(ctx, tx, f)
				case f.Match != nil && f.Match.Person == person: // and it is somebody else's
					err = forgetMatch(ctx, tx, f)
				}
				if err != nil {
					return 0, err
				}
			}
		}
		if err := a.settle(ctx, tx, v.ID); err != nil {
			return 0, err
		}
	}
	return len(named), nil
}

// forgetFace leaves of a face where it was, and nothing of whose: neither what
// was found nor what was answered.
func (a *Archive) forgetFace(ctx context.Context, tx *sql.Tx, f house.Face) error {
	if err := eraseSlots(ctx, tx, "faces", `id = ?`, f.ID); err != nil {
		return err
	}
	for _, statement := range []string{`DELETE FROM checks WHERE face = ?`, `DELETE FROM looks WHERE face = ?`} {
		if _, err := tx.ExecContext(ctx, statement, f.ID); err != nil {
			return err
		}
	}
	if err := a.reduceFace(ctx, tx, f.ID, house.Face{Box: f.Box}); err != nil {
		return err
	}
	return forgetMatch(ctx, tx, f)
}

// forgetMatch leaves nothing of whom a face was found to be.
func forgetMatch(ctx context.Context, tx *sql.Tx, f house.Face) error {
	_, err := tx.ExecContext(ctx, `UPDATE faces
		SET person = NULL, distance = NULL, fpir = NULL, band = NULL, probability = NULL, frames = NULL WHERE id = ?`, f.ID)
	return err
}

// isErased reports whether the household erased what has the id.
func isErased(ctx context.Context, q querier, what, id string) (erased bool, err error) {
	err = q.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM erasures WHERE what = ? AND id = ?)`, what,
		id).Scan(&erased)
	if err != nil {
		return false, fmt.Errorf("looking up erasures: %w", err)
	}
	return erased, nil
}

// An Erasure is what somebody erased: a visit, a person or, by the name of its
// file, a still.
type Erasure struct {
	What string    `json:"what"`
	ID   string    `json:"id"`
	At   time.Time `json:"at"`
}

// Erasures lists what was erased, oldest first.
func (a *Archive) Erasures(ctx context.Context) ([]Erasure, error) {
	rows, err := a.read.QueryContext(ctx, `SELECT what, id, at FROM erasures ORDER BY at, what, id`)
	all, err := scanAll(rows, err, func(e *Erasure) error {
		var at sql.NullInt64
		err := rows.Scan(&e.What, &e.ID, &at)
		e.At = timeOf(at)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("listing erasures: %w", err)
	}
	return all, nil
}
