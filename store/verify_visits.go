package store

import (
	"context"
	"database/sql"
)

// checkVisits looks at what [Archive.settle] makes of each visit's rows.
func (v *verification) checkVisits(ctx context.Context) error {
	for after := ""; ; {
		last, wrong, err := v.unsettled(ctx, after)
		if err != nil {
			return err
		}
		for _, id := range wrong {
			err := v.mend(func() error {
				return v.update(ctx, func(tx *sql.Tx) error { return v.settle(ctx, tx, id) })
			})
			v.found(WithVisit, id, v.mended(err), "its kind, or who the visitor book says was named on it, does not follow "+
				"from what was found%s", failure(err))
		}
		if last == "" {
			return nil
		}
		after = last
	}
}

// unsettled looks at some visits after one, and returns the last it looked at
// and those whose rows don't agree.
func (v *verification) unsettled(ctx context.Context, after string) (last string, wrong []string, err error) {
	tx, err := v.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return "", nil, err
	}
	defer tx.Rollback()
	var n int
	err = tx.QueryRowContext(ctx,
		`SELECT coalesce(max(id), ''), count(*) FROM (SELECT id FROM visits WHERE id > ? ORDER BY id LIMIT ?)`, after,
		someRows).Scan(&last, &n)
	if err != nil || n == 0 {
		return "", nil, err
	}
	v.Visits += n
	wrong, err = texts(tx.QueryContext(ctx, `
		WITH due AS (
			SELECT DISTINCT f.person, v.bell, v.kind, v.received_at, v.id AS visit
			FROM visits v JOIN stills s ON s.visit = v.id JOIN faces f ON f.still = s.id
			WHERE v.id > ?1 AND v.id <= ?2 AND f.person IS NOT NULL),
		there AS (SELECT person, bell, kind, received_at, visit FROM appearances WHERE visit > ?1 AND visit <= ?2)
		SELECT id FROM visits WHERE id > ?1 AND id <= ?2 AND kind <> `+visitKind+`
		UNION SELECT visit FROM (SELECT * FROM due EXCEPT SELECT * FROM there)
		UNION SELECT visit FROM (SELECT * FROM there EXCEPT SELECT * FROM due)`, after, last))
	return last, wrong, err
}
