package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"
)

// Errors of proofs that something was erased.
var (
	// ErrNotErased says that nobody erased what has the id.
	ErrNotErased = errors.New("nobody erased this")
	// ErrTraces says that something of it is, or may be, left.
	ErrTraces = errors.New("traces of it are left")
)

// A Proof is what [Archive.VerifyErased] checked of one erasure.
type Proof struct {
	Erasure
	Checked []string `json:"checked"` // for people, in the order it was done
}

// VerifyErased proves that a visit, a person or a still, by the name of its
// file, was erased and that the archive's folder has nothing of it any more. It
// is remembered by its id alone: in the list of erasures, in the audit trail
// and, for a visit, for 30 days among the visits that went. What was sealed of
// it can't be looked for, since nobody knows it any more; so the proof is that
// its keys were overwritten: what of it stands in unused parts of the database or its log
// opens no more. Whether a raw disk has such a key yet, [Archive.SearchDisk] says. The error is ErrNotErased or ErrTraces, and says more;
// the proof then says what was in order up to there.
func (a *Archive) VerifyErased(ctx context.Context, id string) (p Proof, err error) {
	p.ID, p.Checked = id, []string{}
	var at sql.NullInt64
	err = a.read.QueryRowContext(ctx, `SELECT what, at FROM erasures WHERE id = ?`, id).Scan(&p.What, &at)
	if errors.Is(err, sql.ErrNoRows) {
		return p, a.whyNotErased(ctx, id)
	}
	if err != nil {
		return p, fmt.Errorf("looking up erasures: %w", damage(err))
	}
	p.At = timeOf(at)
	p.Checked = append(p.Checked, fmt.Sprintf("the erasure of %s %s is remembered, of %s", p.What, id,
		p.At.Format(time.RFC3339)))
	for _, check := range []func(context.Context, Proof) (string, error){a.noRow, a.noFile, a.nothingWaits} {
		words, err := check(ctx, p)
		if err != nil {
			return p, fmt.Errorf("proving the erasure of %s: %w", id, damage(err))
		}
		p.Checked = append(p.Checked, words)
	}
	return p, nil
}

func (a *Archive) whyNotErased(ctx context.Context, id string) error {
	var here, went bool
	err := a.read.QueryRowContext(ctx, `
		SELECT EXISTS (SELECT 1 FROM visits WHERE id = ?1) OR EXISTS (SELECT 1 FROM persons WHERE id = ?1)
			OR EXISTS (SELECT 1 FROM stills WHERE file = ?1 OR id = ?1),
			EXISTS (SELECT 1 FROM departures WHERE visit = ?1)`, id).Scan(&here, &went)
	switch {
	case err != nil:
		return fmt.Errorf("looking for %s: %w", id, damage(err))
	case here:
		return fmt.Errorf("%w: %s is in the archive", ErrNotErased, id)
	case went:
		return fmt.Errorf("%w: visit %s went when its time was over, by the rules", ErrNotErased, id)
	}
	return fmt.Errorf("%w: the archive knows no visit, person or file %s, and of no erasure of one", ErrNotErased, id)
}

// remembering are the tables that may name what was erased.
var remembering = map[string]bool{"erasures": true, "audit": true, "departures": true}

// noRow looks through every column of every table. A still's first file is named as its
// row is, which stays where another file took that one's place: of such a file, no row
// has it for its file.
func (a *Archive) noRow(ctx context.Context, p Proof) (words string, err error) {
	tx, err := a.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return "", err
	}
	defer tx.Rollback()
	rows, err := tx.QueryContext(ctx, `
		SELECT m.name, group_concat('instr("' || c.name || '", ?1) > 0', ' OR '), count(*)
		FROM sqlite_schema m JOIN pragma_table_info(m.name) c WHERE m.type = 'table'
			AND NOT (?1 = 'still' AND (m.name = 'stills' AND c.name = 'id' OR c.name = 'still'))
		GROUP BY m.name ORDER BY m.name`, p.What)
	type table struct {
		name, has string
		columns   int
	}
	tables, err := scanAll(rows, err, func(t *table) error { return rows.Scan(&t.name, &t.has, &t.columns) })
	if err != nil {
		return "", err
	}
	columns := 0
	for _, t := range tables {
		if remembering[t.name] && !(t.name == "departures" && p.What != "visit") {
			continue
		}
		columns += t.columns
		var there bool
		if err := tx.QueryRowContext(ctx, fmt.Sprintf(`SELECT EXISTS (SELECT 1 FROM main."%s" WHERE %s)`, t.name, t.has),
			p.ID).Scan(&there); err != nil {
			return "", err
		}
		if there {
			return "", fmt.Errorf("%w: a row of the table %s names it still%s", ErrTraces, t.name, a.unfinished(ctx, p))
		}
	}
	return fmt.Sprintf("no row names it, in %d columns of %d tables", columns, len(tables)), nil
}

// unfinished says so of an erasure that is under way.
func (a *Archive) unfinished(ctx context.Context, p Proof) string {
	var begun bool
	err := a.read.QueryRowContext(ctx, `
		SELECT EXISTS (SELECT 1 FROM erasing WHERE person = ?1) OR EXISTS (SELECT 1 FROM removals WHERE file = ?1)`,
		p.ID).Scan(&begun)
	if err != nil || !begun {
		return ""
	}
	return "; the erasure is not finished: run the server or `lintel verify --repair`"
}

// noFile looks for files of stills that were erased: which were a visit's
// nobody knows any more.
func (a *Archive) noFile(ctx context.Context, _ Proof) (words string, err error) {
	n := 0
	for after := ""; ; {
		files, err := texts(a.read.QueryContext(ctx, `SELECT id FROM erasures WHERE what = 'still' AND id > ? `+
			`ORDER BY id LIMIT ?`,
			after, someRows))
		if err != nil {
			return "", err
		}
		for _, file := range files {
			if len(file) < 2 {
				continue // none of ours
			}
			if exists(a.incomingPath(file)) || exists(a.stillPath(file)) || exists(a.smallPath(file)) {
				return "", fmt.Errorf("%w: the file of the erased still %s is still there; run the server or `lintel verify "+
					"--repair`", ErrTraces, file)
			}
		}
		if n += len(files); len(files) < someRows {
			break
		}
		after = files[len(files)-1]
	}
	return fmt.Sprintf("none of the files of %d erased stills is there", n), nil
}

// nothingWaits asks whether something that was deleted opens yet: keys that are to be
// overwritten, and files that are to be removed.
func (a *Archive) nothingWaits(ctx context.Context, _ Proof) (words string, err error) {
	var files, persons, keys int
	err = a.read.QueryRowContext(ctx, `SELECT (SELECT count(*) FROM removals), (SELECT count(*)
		FROM erasing), (SELECT count(*) FROM freed_slots)`).Scan(&files, &persons, &keys)
	if err != nil {
		return "", err
	}
	if keys > 0 {
		return "", fmt.Errorf("%w: %d keys of what went are not overwritten yet; run the server or `lintel verify --repair`",
			ErrTraces, keys)
	}
	if files+persons > 0 {
		return "", fmt.Errorf("%w: something waits to be removed yet; run the server or `lintel verify --repair`", ErrTraces)
	}
	unclean, err := counts(ctx, a.read, "uncleaned")
	if err != nil {
		return "", err
	}
	if unclean {
		return "", fmt.Errorf("%w: keys and names that lay among rows before may be left in unused parts of the database; "+
			"restart the server or run `lintel verify --repair`", ErrTraces)
	}
	return "the keys of all that went are overwritten, and no file waits to be removed", nil
}
