package store

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"
)

// A Report is what [Archive.Verify] looked at and found.
type Report struct {
	Visits  int   `json:"visits"`
	Stills  int   `json:"stills"`  // whose files are there to be opened
	Lost    int   `json:"lost"`    // stills known as lost, by this run or one before
	Files   int   `json:"files"`   // of stills
	Sealed  int   `json:"sealed"`  // values that open: names, faces, references …
	Entries int64 `json:"entries"` // of the audit trail
	Pages   int   `json:"pages"`   // of the database

	// Leftovers are pages whose unused parts hold something: copies of rows
	// that SQLite moved. They are a problem only once something was deleted
	// that they may be of.
	Leftovers int   `json:"leftovers"`
	Log       int64 `json:"log"` // bytes of the write-ahead log

	Problems []Problem `json:"problems"` // a thousand at most
	Unlisted int       `json:"unlisted"` // how many more there are
	Left     int       `json:"left"`     // how many of all are not mended
}

// A Problem is something in an archive that is not as it should be.
type Problem struct {
	What    string `json:"what"`    // what was looked at, one of the words below
	Subject string `json:"subject"` // an id, or the name of a file
	Words   string `json:"words"`   // what is wrong and what comes of it, for people
	Mended  bool   `json:"mended"`
}

// What a problem may be with.
const (
	WithDatabase  = "database"  // SQLite's own structure
	WithTrail     = "trail"     // the audit trail
	WithStill     = "still"     // a still's file, as its row has it
	WithFile      = "file"      // a file that no row names, or in the wrong place
	WithSealed    = "sealed"    // a value that does not open
	WithVisit     = "visit"     // what follows from a visit's rows
	WithRemoval   = "removal"   // a file or a person half erased
	WithLeftovers = "leftovers" // what may be left of what was deleted
)

const maxProblems = 1000

// someRows is how many rows are looked at at once: enough to be quick, few
// enough for little memory.
const someRows = 500

// onItsWay is how long a file may be incoming without being a problem.
const onItsWay = time.Minute

// Verify checks the archive: the database by SQLite's own means, every still's
// file against its row, hash and key and every file against a row, every sealed
// value, the audit trail, what follows from rows, and whether what was deleted
// is gone. A server may run meanwhile: whatever changes between two looks is
// looked at again. Progress, unless nil, is called after each still.
//
// With repair it mends what can be mended without inventing anything: files
// that no row names go, files on their way arrive, a row is corrected where its
// file is authentic, erasures are finished. A still whose file is gone or does
// not open is marked as lost, and such a file removed, since no key there is
// will ever open it. The audit trail is not mended, only told of such losses. A
// database that SQLite finds damaged is left as it is, and not looked at further.
func (a *Archive) Verify(ctx context.Context, repair bool, progress func(done, total int)) (Report, error) {
	v := verification{Archive: a, repair: repair, progress: progress}
	v.Problems = []Problem{}
	if err := v.run(ctx); err != nil {
		return v.Report, fmt.Errorf("verifying the archive: %w", damage(err))
	}
	return v.Report, nil
}

type verification struct {
	*Archive
	Report
	repair   bool
	progress func(done, total int)
	served   bool // whether a server uses the archive and goes on with what is half done
	intact   bool // the audit trail
}

func (v *verification) run(ctx context.Context) error {
	release, err := v.reserve()
	if err != nil {
		return err
	}
	defer release()
	if whole, err := v.checkDatabase(ctx); err != nil || !whole {
		return err
	}
	for _, check := range []func(context.Context) error{
		v.checkTrail, v.checkRemovals, v.checkIncoming, v.checkFiles, v.checkStills, v.checkSealed, v.checkVisits, v.checkLeftovers,
	} {
		if err := check(ctx); err != nil {
			return err
		}
	}
	return nil
}

// reserve finds out whether a server uses the archive, and for a repair keeps
// one from starting.
func (v *verification) reserve() (release func(), err error) {
	release = func() {}
	if v.lock != nil { // this is the server
		v.served = true
		return release, nil
	}
	if v.repair {
		err := v.Lock()
		if v.served = errors.Is(err, ErrInUse); err != nil && !v.served {
			return nil, err
		}
		if !v.served {
			release = func() { v.lock.Close(); v.lock = nil }
		}
		return release, nil
	}
	f, err := os.Open(filepath.Join(v.dir, "server.lock"))
	if errors.Is(err, fs.ErrNotExist) {
		return release, nil
	}
	if err != nil {
		return nil, err
	}
	defer f.Close()
	v.served = syscall.Flock(int(f.Fd()), syscall.LOCK_SH|syscall.LOCK_NB) != nil
	return release, nil
}

func (v *verification) found(what, subject string, mended bool, words string, args ...any) {
	if !mended {
		v.Left++
	}
	if len(v.Problems) == maxProblems {
		v.Unlisted++
		return
	}
	v.Problems = append(v.Problems, Problem{what, subject, fmt.Sprintf(words, args...), mended})
}

// checkDatabase lets SQLite check its own structure; what is built on a
// damaged one can't be relied on.
func (v *verification) checkDatabase(ctx context.Context) (whole bool, err error) {
	rows, err := v.read.QueryContext(ctx, `SELECT integrity_check FROM pragma_integrity_check`)
	if err == nil {
		var said []string
		said, err = collect(rows, func(text *string) error { return rows.Scan(text) })
		if err == nil && len(said) == 1 && said[0] == "ok" {
			return v.checkReferences(ctx)
		}
		for _, text := range said {
			v.found(WithDatabase, "archive.db", false, "SQLite finds it damaged: %s", strings.TrimSpace(text))
		}
	}
	if err != nil {
		if !errors.Is(damage(err), ErrDamaged) {
			return false, err
		}
		v.found(WithDatabase, "archive.db", false, "SQLite can't read it: %v", err)
	}
	v.found(WithDatabase, "archive.db", false, "nothing was changed and nothing else was checked; leave this folder as it is, and restore a backup into another one")
	return false, nil
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

// checkRemovals looks for erasures that broke off. While there is a server they
// are its business.
func (v *verification) checkRemovals(ctx context.Context) error {
	var files, persons int
	err := v.read.QueryRowContext(ctx, `SELECT (SELECT count(*) FROM removals), (SELECT count(*) FROM erasing)`).Scan(&files, &persons)
	if err != nil || v.served || files+persons == 0 {
		return err
	}
	if v.repair {
		if err := v.FinishErasures(ctx); err != nil {
			return err
		}
	}
	if files > 0 {
		v.found(WithRemoval, "", v.repair, "%d files of stills were to be removed and are not yet", files)
	}
	if persons > 0 {
		v.found(WithRemoval, "", v.repair, "the erasure of %d persons broke off", persons)
	}
	return nil
}

// checkIncoming looks for files that came in and got no further. Those of
// the last minute may do so yet.
func (v *verification) checkIncoming(ctx context.Context) error {
	waiting, err := os.ReadDir(filepath.Join(v.dir, "incoming"))
	if err != nil {
		return err
	}
	for _, f := range waiting {
		file := f.Name()
		info, err := os.Lstat(v.incomingPath(file))
		if errors.Is(err, fs.ErrNotExist) || err == nil && v.now().Sub(info.ModTime()).Abs() < onItsWay {
			continue
		}
		if err != nil {
			return err
		}
		named, err := v.isNamed(ctx, file)
		if err != nil {
			return err
		}
		switch {
		case !info.Mode().IsRegular():
			v.found(WithFile, "incoming/"+file, false, "it is none of Lintel's files, and is left alone")
		case named && !exists(v.stillPath(file)):
			err = v.mend(func() error { return v.shelve(file) })
			v.found(WithFile, "incoming/"+file, v.mended(err), "this still's file has not come to its place%s", failure(err))
		case !exists(v.incomingPath(file)): // it moved in between
		case v.served:
			v.found(WithFile, "incoming/"+file, false, "no row names this file; the server removes it at its next start")
		default:
			err = v.mend(func() error { return os.Remove(v.incomingPath(file)) })
			v.found(WithFile, "incoming/"+file, v.mended(err), "no row names this file, and nothing opens it%s", failure(err))
		}
	}
	return nil
}

// mend runs f in a repair. Whether that went well is for mended and failure
// to say: one thing that can't be mended does not keep the others.
func (v *verification) mend(f func() error) error {
	if !v.repair {
		return nil
	}
	return f()
}

func (v *verification) mended(err error) bool { return v.repair && err == nil }

func failure(err error) string {
	if err == nil {
		return ""
	}
	return fmt.Sprintf("; mending it failed: %v", err)
}

// checkFiles looks at every file among the stills: a row names it, and it
// lies where its name says.
func (v *verification) checkFiles(ctx context.Context) error {
	return filepath.WalkDir(filepath.Join(v.dir, "stills"), func(path string, d fs.DirEntry, err error) error {
		if errors.Is(err, fs.ErrNotExist) {
			return ctx.Err() // it went since its folder was read
		}
		if err == nil {
			err = ctx.Err()
		}
		if err != nil || d.IsDir() {
			return err
		}
		name, err := filepath.Rel(v.dir, path)
		if err != nil {
			return err
		}
		file, isStill := strings.CutSuffix(filepath.Base(path), ".still")
		if !isStill || len(file) < 2 || !d.Type().IsRegular() {
			v.found(WithFile, name, false, "it is none of Lintel's files, and is left alone")
			return nil
		}
		v.Files++
		return v.checkFile(ctx, file, name, path)
	})
}

func (v *verification) checkFile(ctx context.Context, file, name, path string) error {
	var named, leaving bool
	// A file comes to its place after its row, and its row goes after its
	// name was written down: so one of the two is there as long as it is.
	err := v.read.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM stills WHERE file = ?1), EXISTS (SELECT 1 FROM removals WHERE file = ?1)`, file).Scan(&named, &leaving)
	switch {
	case err != nil || leaving || !exists(path):
		return err
	case !named:
		err := v.mend(func() error { return os.Remove(path) })
		v.found(WithFile, name, v.mended(err), "no row names this file, and nothing opens it%s", failure(err))
	case path == v.stillPath(file):
	case exists(v.stillPath(file)):
		err := v.mend(func() error { return os.Remove(path) })
		v.found(WithFile, name, v.mended(err), "this still's file lies in its place as well%s", failure(err))
	default:
		err := v.mend(func() error {
			return errors.Join(v.stillFolder(filepath.Dir(v.stillPath(file))), os.Rename(path, v.stillPath(file)))
		})
		v.found(WithFile, name, v.mended(err), "this still's file is in the wrong folder%s", failure(err))
	}
	return nil
}

// A filed still is what its row says of its file.
type filed struct {
	row         int64
	id, visit   string
	frame, size int
	file        string // "" if it is gone
	lost        bool
	key, hash   []byte
}

const filedColumns = `rowid, id, visit, frame, size, coalesce(file, ''), lost, wrapped_key, sha256`

func (f *filed) scan(row interface{ Scan(...any) error }) error {
	return row.Scan(&f.row, &f.id, &f.visit, &f.frame, &f.size, &f.file, &f.lost, &f.key, &f.hash)
}

func (f *filed) same(g filed) bool {
	return f.file == g.file && f.size == g.size && bytes.Equal(f.hash, g.hash) && bytes.Equal(f.key, g.key)
}

// checkStills looks at every still's file as its row has it.
func (v *verification) checkStills(ctx context.Context) error {
	var total int
	if err := v.read.QueryRowContext(ctx, `SELECT count(*) FROM stills`).Scan(&total); err != nil {
		return err
	}
	done := 0
	for after := int64(-1 << 62); ; {
		rows, err := v.read.QueryContext(ctx, `SELECT `+filedColumns+` FROM stills WHERE rowid > ? ORDER BY rowid LIMIT ?`, after, someRows)
		if err != nil {
			return err
		}
		stills, err := collect(rows, func(f *filed) error { return f.scan(rows) })
		if err != nil || len(stills) == 0 {
			return err
		}
		for _, f := range stills {
			if err := v.checkStill(ctx, f); err != nil {
				return err
			}
			if done++; v.progress != nil {
				v.progress(done, max(done, total)) // some may have come in since
			}
		}
		after = stills[len(stills)-1].row
	}
}

// checkStill looks at a still until its row says the same before and after.
func (v *verification) checkStill(ctx context.Context, f filed) error {
	for {
		if f.file == "" {
			if f.lost {
				v.Lost++
			}
			return ctx.Err()
		}
		data, err := v.openStill(f.file)
		authentic := false
		if err == nil {
			_, wrong := v.seals.OpenFile(data, f.key, stillPlace(f.visit, f.frame)...)
			hash := sha256.Sum256(data)
			if authentic = wrong == nil; authentic && len(data) == f.size && bytes.Equal(hash[:], f.hash) {
				v.Stills++
				return ctx.Err()
			}
		}
		var now filed
		gone := now.scan(v.read.QueryRowContext(ctx, `SELECT `+filedColumns+` FROM stills WHERE id = ?`, f.id))
		switch {
		case errors.Is(gone, sql.ErrNoRows):
			return nil
		case gone != nil:
			return gone
		case f.same(now):
			return v.wrongStill(ctx, f, data, err, authentic)
		}
		f = now
	}
}

func (v *verification) wrongStill(ctx context.Context, f filed, data []byte, err error, authentic bool) error {
	which := fmt.Sprintf("frame %d of visit %s: ", f.frame, f.visit)
	switch {
	case err != nil && !errors.Is(err, fs.ErrNotExist):
		v.found(WithStill, f.id, false, which+"its file can't be read: %v", err)
	case err != nil:
		err := v.mend(func() error { return v.markLost(ctx, f) })
		v.found(WithStill, f.id, v.mended(err), which+"its file is missing%s%s", v.ifMended(err, "; it is marked as lost, and what was found on it stays"), failure(err))
	case !authentic:
		err := v.mend(func() error { return v.markLost(ctx, f) })
		v.found(WithStill, f.id, v.mended(err), which+"its file has been changed and does not open any more%s%s",
			v.ifMended(err, "; the file is removed, the still is marked as lost, and what was found on it stays"), failure(err))
	default:
		hash := sha256.Sum256(data)
		err := v.mend(func() error {
			_, err := v.write.ExecContext(ctx, `UPDATE stills SET sha256 = ?, size = ? WHERE id = ? AND file = ?`, hash[:], len(data), f.id, f.file)
			return err
		})
		v.found(WithStill, f.id, v.mended(err), which+"its file is authentic, but its row has another size or hash%s", failure(err))
	}
	return nil
}

func (v *verification) ifMended(err error, words string) string {
	if v.mended(err) {
		return words
	}
	return ""
}

// markLost says of a still that its file is lost, and has what there is of the
// file removed.
func (v *verification) markLost(ctx context.Context, f filed) error {
	err := v.update(ctx, func(tx *sql.Tx) error {
		res, err := tx.ExecContext(ctx, `
			UPDATE stills SET lost = 1, file = NULL, wrapped_key = x'', sha256 = x'', size = 0, state = iif(state = 'pending', 'failed', state)
			WHERE id = ? AND file = ?`, f.id, f.file)
		if err != nil {
			return err
		}
		if err := oneRow(res, "still "+f.id); err != nil {
			return err
		}
		for _, statement := range []string{
			`INSERT INTO removals (file) VALUES (?)`,
			`UPDATE counters SET value = 1 WHERE name = 'scrub_due'`,
		} {
			if _, err := tx.ExecContext(ctx, statement, f.file); err != nil {
				return err
			}
		}
		if err := v.settle(ctx, tx, f.visit); err != nil || !v.intact {
			return err
		}
		return v.note(ctx, tx, "lost", "still "+f.id+" of visit "+f.visit)
	})
	if err != nil {
		return err
	}
	v.Lost++
	v.signal()
	return v.finishRemovals(ctx)
}

// sealedColumns are the columns that hold sealed values, with what each row's
// place is named by. The audit trail's head and the stills' keys are opened
// elsewhere.
var sealedColumns = []struct{ table, column, id string }{
	{"bells", "name", "id"},
	{"visits", "ring", "id"},
	{"persons", "name", "id"},
	{"consents", "given_by", "id"},
	{"consents", "scope", "id"},
	{"gallery", "descriptor", "id"},
	{"faces", "sealed", "id"},
	{"residents", "name", "id"},
	{"tablets", "name", "id"},
	{"holds", "reason", "visit"},
	{"masks", "polygons", "bell"},
	{"settings", "value", "name"},
	{"doors", "sealed", "id"},
	{"door_rules", "sealed", "id"},
	{"parcel_rules", "sealed", "id"},
	{"sources", "name", "id"},
	{"sources", "state", "id"},
	{"tokens", "label", "id"},
	{"onetime", "secret", "person"},
	{"receivers", "name", "id"},
	{"receivers", "key", "id"},
	{"advice", "sealed", "id"},
	{"trial_rings", "sealed", "id"},
}

func (v *verification) checkSealed(ctx context.Context) error {
	for _, c := range sealedColumns {
		type value struct {
			row    int64
			id     string
			sealed []byte
		}
		query := fmt.Sprintf(`SELECT rowid, %s, %s FROM %s WHERE rowid > ? AND %[2]s IS NOT NULL ORDER BY rowid LIMIT ?`, c.id, c.column, c.table)
		for after := int64(-1 << 62); ; {
			rows, err := v.read.QueryContext(ctx, query, after, someRows)
			if err != nil {
				return err
			}
			values, err := collect(rows, func(x *value) error { return rows.Scan(&x.row, &x.id, &x.sealed) })
			if err != nil {
				return err
			}
			for _, x := range values {
				if _, err := v.seals.OpenValue(x.sealed, c.table+"."+c.column, x.id); err != nil {
					v.found(WithSealed, x.id, false, "its %s in %s does not open any more: %v; a backup may have it", c.column, c.table, err)
					continue
				}
				v.Sealed++
			}
			if len(values) < someRows {
				break
			}
			after = values[len(values)-1].row
		}
	}
	return nil
}

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
			v.found(WithVisit, id, v.mended(err), "its kind, or who the visitor book says was named on it, does not follow from what was found%s", failure(err))
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
	err = tx.QueryRowContext(ctx, `SELECT coalesce(max(id), ''), count(*) FROM (SELECT id FROM visits WHERE id > ? ORDER BY id LIMIT ?)`, after, someRows).Scan(&last, &n)
	if err != nil || n == 0 {
		return "", nil, err
	}
	v.Visits += n
	rows, err := tx.QueryContext(ctx, `
		WITH due AS (
			SELECT DISTINCT f.person, v.bell, v.kind, v.received_at, v.id AS visit
			FROM visits v JOIN stills s ON s.visit = v.id JOIN faces f ON f.still = s.id
			WHERE v.id > ?1 AND v.id <= ?2 AND f.person IS NOT NULL),
		there AS (SELECT person, bell, kind, received_at, visit FROM appearances WHERE visit > ?1 AND visit <= ?2)
		SELECT id FROM visits WHERE id > ?1 AND id <= ?2 AND kind <> `+visitKind+`
		UNION SELECT visit FROM (SELECT * FROM due EXCEPT SELECT * FROM there)
		UNION SELECT visit FROM (SELECT * FROM there EXCEPT SELECT * FROM due)`, after, last)
	if err != nil {
		return "", nil, err
	}
	wrong, err = collect(rows, func(id *string) error { return rows.Scan(id) })
	return last, wrong, err
}

// checkLeftovers looks for what may be left of what was deleted. While there is
// a server it is its business to remove that.
func (v *verification) checkLeftovers(ctx context.Context) error {
	if err := v.countLeftovers(ctx); err != nil {
		return err
	}
	due, err := v.scrubDue(ctx)
	if err != nil {
		return err
	}
	pages, log := v.Leftovers, v.Log
	if v.repair && (due || pages+int(log) > 0) {
		// Also what nobody asked to be gone: it is no trouble.
		if _, err := v.write.ExecContext(ctx, `UPDATE counters SET value = 1 WHERE name = 'scrub_due'`); err != nil {
			return err
		}
		if err := v.Scrub(ctx); err != nil {
			return err
		}
		if err := v.countLeftovers(ctx); err != nil {
			return err
		}
	}
	if due && !v.served {
		v.found(WithLeftovers, "archive.db", v.repair,
			"traces of what was deleted may be left: %d pages with something in their unused parts, and a log of %d bytes", pages, log)
	}
	return nil
}

func (v *verification) countLeftovers(ctx context.Context) error {
	v.Pages, v.Leftovers, v.Log = 0, 0, 0
	for first := 1; ; first += pagesAtOnce {
		rows, err := v.read.QueryContext(ctx, pagesBetween, first, first+pagesAtOnce-1)
		if err != nil {
			return err
		}
		n, dirty, err := countPages(rows)
		if err != nil {
			return err
		}
		v.Pages += n
		v.Leftovers += dirty
		if n < pagesAtOnce {
			break
		}
	}
	free, err := v.freeLeftovers(ctx)
	if err != nil {
		return err
	}
	v.Leftovers += free
	if log, err := os.Stat(v.databasePath() + "-wal"); err == nil {
		v.Log = log.Size()
	}
	return nil
}

func countPages(rows *sql.Rows) (n, dirty int, err error) {
	defer rows.Close()
	for rows.Next() {
		var number int
		var raw sql.RawBytes
		if err := rows.Scan(&number, &raw); err != nil {
			return n, dirty, err
		}
		n++
		if hasLeftovers(raw, number == 1) {
			dirty++
		}
	}
	return n, dirty, rows.Err()
}

// freeLeftovers counts free pages that hold more than what the list of free
// pages keeps there: see section 1.5 of https://www.sqlite.org/fileformat2.html.
func (v *verification) freeLeftovers(ctx context.Context) (dirty int, err error) {
	tx, err := v.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return 0, err
	}
	defer tx.Rollback()
	var left int
	if err := tx.QueryRowContext(ctx, `SELECT freelist_count FROM pragma_freelist_count`).Scan(&left); err != nil {
		return 0, err
	}
	page := func(number uint32) (data []byte, err error) {
		err = tx.QueryRowContext(ctx, `SELECT data FROM sqlite_dbpage WHERE pgno = ?`, number).Scan(&data)
		return data, err
	}
	first, err := page(1)
	if err != nil {
		return 0, err
	}
	for trunk := binary.BigEndian.Uint32(first[32:]); trunk != 0 && left > 0; left-- {
		data, err := page(trunk)
		if err != nil {
			return dirty, err
		}
		next, leaves := binary.BigEndian.Uint32(data), binary.BigEndian.Uint32(data[4:])
		for i := range min(leaves, uint32(len(data)/4-2)) {
			leaf, err := page(binary.BigEndian.Uint32(data[8+4*i:]))
			if err != nil {
				return dirty, err
			}
			if len(bytes.Trim(leaf, "\x00")) > 0 {
				dirty++
			}
			left--
		}
		trunk = next
	}
	return dirty, nil
}

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
// after it was deleted a whole [Archive.Scrub] left nothing deleted in the
// database's files. The error is ErrNotErased or ErrTraces, and says more;
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
	p.Checked = append(p.Checked, fmt.Sprintf("the erasure of %s %s is remembered, of %s", p.What, id, p.At.Format(time.RFC3339)))
	for _, check := range []func(context.Context, Proof) (string, error){a.noRow, a.noFile, a.nothingDeleted, a.noMention} {
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

// noRow looks through every column of every table.
func (a *Archive) noRow(ctx context.Context, p Proof) (words string, err error) {
	tx, err := a.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return "", err
	}
	defer tx.Rollback()
	rows, err := tx.QueryContext(ctx, `
		SELECT m.name, group_concat('instr("' || c.name || '", ?1) > 0', ' OR '), count(*)
		FROM sqlite_schema m JOIN pragma_table_info(m.name) c WHERE m.type = 'table' GROUP BY m.name ORDER BY m.name`)
	if err != nil {
		return "", err
	}
	type table struct {
		name, has string
		columns   int
	}
	tables, err := collect(rows, func(t *table) error { return rows.Scan(&t.name, &t.has, &t.columns) })
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
		if err := tx.QueryRowContext(ctx, fmt.Sprintf(`SELECT EXISTS (SELECT 1 FROM "%s" WHERE %s)`, t.name, t.has), p.ID).Scan(&there); err != nil {
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
		SELECT EXISTS (SELECT 1 FROM erasing WHERE person = ?1) OR EXISTS (SELECT 1 FROM removals WHERE file = ?1)`, p.ID).Scan(&begun)
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
		rows, err := a.read.QueryContext(ctx, `SELECT id FROM erasures WHERE what = 'still' AND id > ? ORDER BY id LIMIT ?`, after, someRows)
		if err != nil {
			return "", err
		}
		files, err := collect(rows, func(file *string) error { return rows.Scan(file) })
		if err != nil {
			return "", err
		}
		for _, file := range files {
			if len(file) < 2 {
				continue // none of ours
			}
			if exists(a.incomingPath(file)) || exists(a.stillPath(file)) {
				return "", fmt.Errorf("%w: the file of the erased still %s is still there; run the server or `lintel verify --repair`", ErrTraces, file)
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
	var files, persons int
	err = a.read.QueryRowContext(ctx, `SELECT (SELECT count(*) FROM removals), (SELECT count(*) FROM erasing)`).Scan(&files, &persons)
	if err != nil {
		return "", err
	}
	due, err := a.scrubDue(ctx)
	if err != nil {
		return "", err
	}
	if files+persons > 0 || due {
		return "", fmt.Errorf("%w: what was deleted is not scrubbed from the database's files yet; run the server or `lintel verify --repair`", ErrTraces)
	}
	v := verification{Archive: a}
	if err := v.countLeftovers(ctx); err != nil {
		return "", err
	}
	words = fmt.Sprintf("the database's %d pages and its log were scrubbed after the last deletion, and no file waits to be removed", v.Pages)
	if v.Leftovers > 0 || v.Log > 0 {
		return words + fmt.Sprintf("; since then rows that are there came to be in the unused parts of %d pages too, and in %d bytes of log", v.Leftovers, v.Log), nil
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
			return "", fmt.Errorf("%w: byte %d of %s has its id where it is not remembered; run `lintel verify --repair`", ErrTraces, at, filepath.Base(file))
		}
		read += n
	}
	return fmt.Sprintf("in %d raw bytes of the database and its log the id stands nowhere but in what remembers the erasure", read), nil
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
	if bytes.HasSuffix(before, []byte(e.What)) || bytes.HasSuffix(before, []byte(e.What+" ")) {
		return true
	}
	departure := []byte{4, 0, byte(13 + 2*len(e.ID))}
	return e.What == "visit" && len(before) >= 4 && bytes.HasSuffix(before[:len(before)-1], departure)
}
