package store

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
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
// its keys were overwritten, and that after it was deleted a
// whole [Archive.Scrub] left nothing deleted in the database's files. Whether a raw
// disk has such a key yet, [Archive.SearchDisk] says. The error is ErrNotErased or ErrTraces, and says more;
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
	checks := []func(context.Context, Proof) (string, error){a.noRow, a.noFile, a.nothingDeleted}
	if p.What != "still" { // whose row may stay under the name that its first file had
		checks = append(checks, a.noMention)
	}
	for _, check := range checks {
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

// nothingDeleted asks whether something that was deleted may be left in the
// database's files.
func (a *Archive) nothingDeleted(ctx context.Context, _ Proof) (words string, err error) {
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
	due, err := a.scrubDue(ctx)
	if err != nil {
		return "", err
	}
	if files+persons > 0 || due {
		return "", fmt.Errorf("%w: what was deleted is not scrubbed from the database's files yet; run the server or "+
			"`lintel verify --repair`", ErrTraces)
	}
	v := verification{Archive: a}
	if err := v.countLeftovers(ctx); err != nil {
		return "", err
	}
	words = fmt.Sprintf("the keys of all that went are overwritten, the database's %d pages and its log were scrubbed "+
		"after the last deletion, and no file waits to be removed", v.Pages)
	if v.Leftovers > 0 || v.Log > 0 {
		return words + fmt.Sprintf("; since then rows that are there came to be in the unused parts of %d pages too, and "+
			"in %d bytes of log", v.Leftovers, v.Log), nil
	}
	return words + "; free pages, the unused parts of pages and the log are empty", nil
}

// noMention looks through the raw bytes of the database and its log, free pages
// and unused parts included: the id stands only where it is remembered.
func (a *Archive) noMention(ctx context.Context, p Proof) (words string, err error) {
	var read int64
	for _, file := range []string{a.databasePath(), a.databasePath() + "-wal"} {
		f, err := os.Open(file)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return "", err
		}
		n, at, err := findMention(ctx, f, p.Erasure)
		f.Close()
		if err != nil {
			return "", err
		}
		if at >= 0 {
			return "", fmt.Errorf("%w: byte %d of %s has its id where it is not remembered; run `lintel verify --repair`",
				ErrTraces, at, filepath.Base(file))
		}
		read += n
	}
	return fmt.Sprintf("in %d raw bytes of the database and its log the id stands nowhere but in what remembers the "+
		"erasure", read), nil
}

// findMention returns where a file has the id of what was erased but for where
// that is remembered, or -1, and how much it read.
func findMention(ctx context.Context, f io.Reader, e Erasure) (read, at int64, err error) {
	const chunk = 1 << 20
	before := 8 // what is looked at before an id
	keep := before + len(e.ID) - 1
	buf := make([]byte, 0, chunk+keep)
	for {
		if err := ctx.Err(); err != nil {
			return read, -1, err
		}
		n, err := f.Read(buf[len(buf):cap(buf)])
		buf = buf[:len(buf)+n]
		begin := read - int64(len(buf)-n) // of buf, in the file
		read += int64(n)
		for from := 0; ; {
			i := bytes.Index(buf[from:], []byte(e.ID))
			if i < 0 {
				break
			}
			from += i
			// What was before the first bytes kept was looked at already.
			if (from >= before || begin == 0) && !remembers(buf[:from], e) {
				return read, begin + int64(from), nil
			}
			from++
		}
		if err != nil {
			if errors.Is(err, io.EOF) {
				err = nil
			}
			return read, -1, err
		}
		if len(buf) > keep {
			buf = buf[:copy(buf, buf[len(buf)-keep:])]
		}
	}
}

// remembers reports whether an id after these bytes is part of an entry of the
// audit trail ("visit ID"), of a row of erasures, where what it is comes right
// before it, or of one of departures, where the record's header does: four
// bytes for its length, the key, a text of that length and a whole number (see
// section 2.1 of https://www.sqlite.org/fileformat2.html).
func remembers(before []byte, e Erasure) bool {
	if bytes.HasSuffix(before, []byte(e.What)) || bytes.HasSuffix(before, []byte(e.What+" ")) ||
		e.What == "person" && bytes.HasSuffix(before, []byte("codes ")) {
		return true
	}
	departure := []byte{4, 0, byte(13 + 2*len(e.ID))}
	return e.What == "visit" && len(before) >= 4 && bytes.HasSuffix(before[:len(before)-1], departure)
}
