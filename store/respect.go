package store

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"
)

// RespectErasures erases what is in the list: visits, persons and stills by their file,
// held or not. All are remembered, even those that are not there. It returns
// how many of them were.
func (a *Archive) RespectErasures(ctx context.Context, erasures []Erasure) (erased int, err error) {
	slices.SortFunc(erasures, func(x, y Erasure) int {
		return cmp.Or(-strings.Compare(x.What, y.What), strings.Compare(x.ID, y.ID)) // visits, stills, persons
	})
	for chunk := range slices.Chunk(erasures, batch) {
		var persons []string
		err := a.update(ctx, func(tx *sql.Tx) (err error) {
			n := 0
			persons, n, err = a.respectSome(ctx, tx, chunk)
			erased += n
			return err
		})
		if err != nil {
			return erased, fmt.Errorf("respecting erasures: %w", spaceError(err))
		}
		for _, id := range persons {
			if _, err := a.ErasePerson(ctx, id, false); err != nil {
				return erased, err
			}
		}
	}
	return erased, a.finishRemovals(ctx)
}

// respectSome erases some visits and stills, and returns which persons are
// still to be erased.
func (a *Archive) respectSome(ctx context.Context, tx *sql.Tx,
	some []Erasure) (persons []string, erased int, err error) {
	ids := make(map[string][]string)
	for _, e := range some {
		ids[e.What] = append(ids[e.What], e.ID)
		_, err := tx.ExecContext(ctx, `INSERT INTO erasures (what, id, at) VALUES (?, ?, ?) ON CONFLICT DO NOTHING`, e.What,
			e.ID, micros(e.At))
		if err != nil {
			return nil, 0, fmt.Errorf("remembering an erasure: %w", err)
		}
	}
	visits, err := existing(ctx, tx, "visits", "id", ids["visit"])
	if err == nil && len(visits) > 0 {
		err = a.eraseVisits(ctx, tx, visits)
	}
	if err != nil {
		return nil, 0, err
	}
	files, err := existing(ctx, tx, "stills", "file", ids["still"])
	for _, file := range files {
		err = errors.Join(err, a.eraseStill(ctx, tx, file))
	}
	if err != nil {
		return nil, 0, err
	}
	persons, err = existing(ctx, tx, "persons", "id", ids["person"])
	return persons, len(visits) + len(files) + len(persons), err
}

// eraseStill removes a still's file and key, and what was found on it, and
// leaves the visit. It is a still of which another was made that showed less.
func (a *Archive) eraseStill(ctx context.Context, tx *sql.Tx, file string) error {
	var still, visit string
	if err := tx.QueryRowContext(ctx, `SELECT id, visit FROM stills WHERE file = ?`, file).Scan(&still,
		&visit); err != nil {
		return fmt.Errorf("erasing still %s: %w", file, err)
	}
	if err := errors.Join(eraseSlots(ctx, tx, "stills", `id = ?`, still), eraseSlots(ctx, tx, "faces", `still = ?`,
		still)); err != nil {
		return err
	}
	for _, statement := range []string{
		`INSERT INTO removals (file) SELECT file FROM stills WHERE id = ?`,
		`DELETE FROM faces WHERE still = ?`,
		`UPDATE stills SET file = NULL, slot = NULL, size = 0, state = iif(state = 'pending', 'failed', state)
			WHERE id = ?`,
	} {
		if _, err := tx.ExecContext(ctx, statement, still); err != nil {
			return fmt.Errorf("erasing still %s: %w", file, err)
		}
	}
	if err := a.settle(ctx, tx, visit); err != nil {
		return err
	}
	return a.note(ctx, tx, "erased", "still "+still)
}

// existing returns those of the values that a column of a table has.
func existing(ctx context.Context, tx *sql.Tx, table, column string, values []string) ([]string, error) {
	return texts(tx.QueryContext(ctx, fmt.Sprintf(`SELECT %[2]s FROM %[1]s WHERE %[2]s IN (SELECT value
		FROM json_each(?))`, table, column), jsonList(values)))
}
