package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"lintel/store/internal/keyfile"
)

// leaveOutErased removes rows whose slot was overwritten. A backup overwrites in its older
// snapshots the keys of what was erased since: where one of those is restored and the
// erasures are not known, rows are back that nothing opens. A slot that holds something
// else is damaged, and stays for verify to tell of.
func (a *Archive) leaveOutErased(ctx context.Context) error {
	var gone []Erasure
	for _, of := range []struct{ what, table, id string }{
		{"visit", "visits", "id"}, {"person", "persons", "id"}, {"still", "stills", "file"},
	} {
		ids, err := a.keyless(ctx, a.read, of.table, of.id)
		if err != nil {
			return err
		}
		for _, id := range ids {
			gone = append(gone, Erasure{What: of.what, ID: id, At: a.now()})
		}
	}
	if _, err := a.RespectErasures(ctx, gone); err != nil {
		return err
	}
	err := a.update(ctx, func(tx *sql.Tx) error {
		for _, t := range keyedTables {
			if err := a.leaveOutRows(ctx, tx, t.table, t.id); err != nil {
				return fmt.Errorf("leaving out what was erased of %s: %w", t.table, err)
			}
		}
		return nil
	})
	if err == nil {
		err = a.clearSlots(ctx, true)
	}
	return spaceError(err)
}

// leaveOutRows removes the rows of a table that nothing opens. Residents stay: without
// them nobody could sign in.
func (a *Archive) leaveOutRows(ctx context.Context, tx *sql.Tx, table, id string) error {
	if table == "residents" || table == "visits" || table == "persons" {
		return nil
	}
	ids, err := a.keyless(ctx, tx, table, id)
	if err != nil || len(ids) == 0 {
		return err
	}
	var visits []string
	if table == "faces" {
		visits, err = texts(tx.QueryContext(ctx, `SELECT DISTINCT s.visit FROM faces f JOIN stills s ON s.id = f.still
			WHERE f.id IN (SELECT value FROM json_each(?))`, jsonList(ids)))
	}
	if err == nil {
		err = eraseRows(ctx, tx, table, id+` IN (SELECT value FROM json_each(?))`, jsonList(ids))
	}
	for _, visit := range visits {
		if err == nil {
			err = a.settle(ctx, tx, visit)
		}
	}
	return err
}

// keyless returns the rows of a table whose slot was overwritten, each once.
func (a *Archive) keyless(ctx context.Context, q querier, table, id string) (ids []string, err error) {
	type row struct {
		id   string
		slot keyfile.Number
	}
	rows, err := q.QueryContext(ctx, `SELECT `+id+`, slot FROM main.`+table+` WHERE slot IS NOT NULL AND `+id+` IS NOT NULL`)
	all, err := scanAll(rows, err, func(r *row) error { return rows.Scan(&r.id, &r.slot) })
	if err != nil {
		return nil, fmt.Errorf("looking for what was erased of %s: %w", table, err)
	}
	for _, r := range all {
		_, err := a.keys.Get(r.slot)
		if err == nil {
			continue
		}
		free := false
		if errors.Is(err, keyfile.ErrGone) {
			free, err = a.keys.IsFree(r.slot.Position())
		}
		if err != nil {
			return nil, err
		}
		if free {
			ids = append(ids, r.id)
		}
	}
	return ids, nil
}
