package store

import (
	"context"
	"errors"
	"strings"
)

// checkDatabase lets SQLite check its own structure; what is built on a
// damaged one can't be relied on.
func (v *verification) checkDatabase(ctx context.Context) (whole bool, err error) {
	said, err := integrity(ctx, v.read)
	if err == nil && said == nil {
		return v.checkReferences(ctx)
	}
	if v.repair && v.reindex(ctx) == nil {
		for _, text := range said {
			v.found(WithDatabase, "archive.db", true, "SQLite found: %s; its indexes were made anew", strings.TrimSpace(text))
		}
		return v.checkReferences(ctx)
	}
	for _, text := range said {
		v.found(WithDatabase, "archive.db", false, "SQLite finds it damaged: %s", strings.TrimSpace(text))
	}
	if err != nil {
		if !errors.Is(damage(err), ErrDamaged) {
			return false, err
		}
		v.found(WithDatabase, "archive.db", false, "SQLite can't read it: %v", err)
	}
	v.found(WithDatabase, "archive.db", false, "nothing was changed and nothing else was checked; leave this folder as "+
		"it is, and restore a backup into another one")
	return false, nil
}

// integrity returns what SQLite finds wrong with its own structure, nil for nothing.
func integrity(ctx context.Context, q querier) (said []string, err error) {
	said, err = texts(q.QueryContext(ctx, `SELECT integrity_check FROM pragma_integrity_check`))
	if err == nil && len(said) == 1 && said[0] == "ok" {
		return nil, nil
	}
	return said, err
}

// checkReferences looks for rows that belong to a row which is not there.
func (v *verification) checkReferences(ctx context.Context) (whole bool, err error) {
	rows, err := v.read.QueryContext(ctx, `SELECT "table", coalesce(rowid, 0), parent FROM pragma_foreign_key_check`)
	if err != nil {
		return false, err
	}
	defer rows.Close()
	for rows.Next() {
		var table, parent string
		var row int64
		if err := rows.Scan(&table, &row, &parent); err != nil {
			return false, err
		}
		v.found(WithDatabase, table, false, "row %d belongs to one of %s that is not there", row, parent)
	}
	return true, rows.Err()
}

func (v *verification) checkTrail(ctx context.Context) (err error) {
	v.Entries, err = v.CheckTrail(ctx)
	if v.intact = err == nil; errors.Is(err, ErrTampered) {
		v.found(WithTrail, "", false, "%v", err)
		return nil
	}
	return err
}
