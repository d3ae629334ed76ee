package store

import (
	"context"
	"database/sql"
	"fmt"
)

// How many visits there are of each stage and kind by their age, how many name each
// person, and how many stills are kept, is counted as they come and go, so that neither the
// rules' preview nor Upkeep nor People reads them. Triggers of the database itself keep
// that; see the migrations 32 and 33.

const (
	// aged is what the table ages is to hold.
	aged = `SELECT stage, kind, imported_at IS NOT NULL AS imported, counted_from >> 36 AS span, count(*) AS visits
		FROM visits GROUP BY 1, 2, 3, 4`
	// namedOn is what the table named is to hold.
	namedOn = `SELECT person, count(*) AS visits FROM appearances GROUP BY person`
	// stillsHeld is what two of the counters are to hold.
	stillsHeld = `SELECT 'stills' AS name, count(*) AS value FROM stills WHERE file IS NOT NULL
		UNION ALL SELECT 'still_bytes', coalesce(sum(size), 0) FROM stills WHERE file IS NOT NULL`
)

// recountAges counts all of that anew.
func recountAges(ctx context.Context, tx *sql.Tx) error {
	for _, statement := range []string{
		`DELETE FROM ages`,
		`INSERT INTO ages (stage, kind, imported, span, visits) ` + aged,
		`DELETE FROM named`,
		`INSERT INTO named (person, visits) ` + namedOn,
		`INSERT INTO counters (name, value) SELECT name, value FROM (` + stillsHeld + `) WHERE true
			ON CONFLICT (name) DO UPDATE SET value = excluded.value`,
	} {
		if _, err := tx.ExecContext(ctx, statement); err != nil {
			return fmt.Errorf("counting visits and stills: %w", err)
		}
	}
	return nil
}
