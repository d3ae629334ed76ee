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

// checkDays compares the counts of visits by day with the visits.
func (v *verification) checkDays(ctx context.Context) error {
	sealed, err := sealedRules(ctx, v.read)
	if err != nil {
		return err
	}
	var wrong int
	err = v.read.QueryRowContext(ctx, `
		WITH due AS (`+counted+`), there AS (SELECT person, day, bell, kind, picture, visits FROM days)
		SELECT count(DISTINCT day) FROM (SELECT * FROM (SELECT * FROM due EXCEPT SELECT * FROM there)
			UNION ALL SELECT * FROM (SELECT * FROM there EXCEPT SELECT * FROM due))`, sealed).Scan(&wrong)
	if err != nil || wrong == 0 {
		return err
	}
	err = v.mend(func() error {
		return v.update(ctx, func(tx *sql.Tx) error {
			return v.recountDays(ctx, tx, sealed, v.beginnings(v.zones.of(v.Archive, sealed)))
		})
	})
	v.found(WithVisit, "", v.mended(err), "how many visits there were on %d days is counted wrongly%s", wrong, failure(err))
	return nil
}

// checkAges compares the counts of visits by age, and of stills, with the rows.
func (v *verification) checkAges(ctx context.Context) error {
	var wrong int
	err := v.read.QueryRowContext(ctx, `
		WITH due AS (`+aged+`), there AS (SELECT stage, kind, imported, span, visits FROM ages)
		SELECT count(*) FROM (SELECT * FROM (SELECT * FROM due EXCEPT SELECT * FROM there)
			UNION ALL SELECT * FROM (SELECT * FROM there EXCEPT SELECT * FROM due)
			UNION ALL SELECT 0, person, 0, 0, visits FROM (`+namedOn+` EXCEPT SELECT person, visits FROM named)
			UNION ALL SELECT 0, person, 0, 0, visits FROM (SELECT person, visits FROM named EXCEPT `+namedOn+`)
			UNION ALL SELECT * FROM (SELECT 0, name, 0, 0, value FROM counters WHERE name IN ('stills', 'still_bytes')
				EXCEPT SELECT 0, name, 0, 0, value FROM (`+stillsHeld+`)))`).Scan(&wrong)
	if err != nil || wrong == 0 {
		return err
	}
	err = v.mend(func() error { return v.update(ctx, func(tx *sql.Tx) error { return recountAges(ctx, tx) }) })
	v.found(WithVisit, "", v.mended(err), "how many visits and stills there are is counted wrongly%s", failure(err))
	return nil
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
			SELECT DISTINCT `+whose+` AS person, v.bell, v.kind, v.received_at, v.id AS visit, v.picture
			FROM visits v JOIN stills s ON s.visit = v.id JOIN faces f ON f.still = s.id `+withSaid+`
			WHERE v.id > ?1 AND v.id <= ?2 AND `+whose+` IS NOT NULL),
		there AS (SELECT person, bell, kind, received_at, visit, picture FROM appearances WHERE visit > ?1 AND visit <= ?2)
		SELECT id FROM visits WHERE id > ?1 AND id <= ?2 AND (kind <> `+visitKind+` OR picture <> `+visitPicture+`)
		UNION SELECT visit FROM (SELECT * FROM due EXCEPT SELECT * FROM there)
		UNION SELECT visit FROM (SELECT * FROM there EXCEPT SELECT * FROM due)`, after, last))
	return last, wrong, err
}
