// Package store keeps the archive: an SQLite database of visits, faces,
// persons and accounts, and beside it one file for each still.
//
// What comes in are stills that are fit to keep (package intake has seen to
// that), findings from the pipeline, and what residents decide. What goes out
// are visits with everything known of them, and a signal that something
// changed. The package knows nothing of HTTP, of image formats or of faces.
//
// # What is promised
//
// When [Archive.Keep] returns without an error, the still survives a crash of
// the process, of the kernel, and a loss of power, as far as the disk keeps
// its own promises. The order is: the still's file is written under incoming
// and synced, and its folder too; then the row is committed, with SQLite in WAL
// mode and synchronous=FULL, which syncs the log at each commit; then the file
// moves to its place. A crash in between leaves a file in incoming, which
// [Archive.Recover] moves or removes at the next start. Removing goes the other
// way: the rows go and the file's name is written down in one transaction, then
// the file goes. So no crash leaves a row without its file, nor a file that
// nothing names.
//
// What is asked of SQLite: that a transaction which was committed is there
// after a crash or a loss of power, whole, and one that was not is not there at
// all (https://www.sqlite.org/atomiccommit.html and wal.html, synchronous=FULL
// in WAL mode). What it asks of the disk: that fsync means what it says.
//
// A database that is cut, empty or overwritten is not opened, and so not taken
// for a new one whose stills are strays: the error is [ErrDamaged], and nothing
// changes. Of a page that breaks somewhere within, [Archive.Verify] tells.
//
// # What the folder tells whoever has it
//
// Sizes, times, how many there are of what, which rows belong together and
// what kind they are: that somebody without a name was matched, how surely, at
// a time, and was looked at, answered for, held or erased by somebody without a
// name. No
// picture, name, ring, face, descriptor, mask, rule or reason: those are sealed
// under a master key that lies elsewhere (package seal), each bound to its row,
// so that none can be put in another's place. Secrets, tokens and passwords are
// kept as hashes.
//
// # Layout of the folder
//
//	archive.db         the database, with its -wal and -shm while it is open
//	stills/QK/QK….still one file a still, sealed, named by a random id, spread over folders
//	incoming/          stills on their way in; empty when nothing is going on
//	server.lock        held by the one server that may write here
package store

import (
	"context"
	"crypto/rand"
	"database/sql"
	"embed"
	"encoding/base32"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"syscall"
	"time"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"

	"lintel/store/seal"
)

// Errors that callers test for with errors.Is.
var (

	// ErrNoArchive says that the folder holds no archive.
	ErrNoArchive = errors.New("no archive")
	// ErrNewerArchive says that a newer Lintel wrote the archive.
	ErrNewerArchive = errors.New("the archive was written by a newer Lintel")
	// ErrForeignDatabase says that archive.db is a database of something else.
	ErrForeignDatabase = errors.New("the database is not an archive of Lintel's")
	// ErrInUse says that another server holds the archive.
	ErrInUse = errors.New("another server is using the archive")
	// ErrWrongKey says that the master key is another archive's.
	ErrWrongKey = errors.New("this master key is not the archive's")
	// ErrDamaged says that the database has been cut, overwritten or lost.
	ErrDamaged = errors.New("the archive's database is damaged; leave its folder as it is, and restore a backup into " +
		"another one")
)

// applicationID marks the database file as Lintel's ("LNTL"); see SQLite's
// PRAGMA application_id.
const applicationID = 0x4c4e544c

//go:embed migrations/*.sql
var migrations embed.FS

// An Archive is an open archive. It is safe for use by several goroutines,
// and by several processes at once, except that only one may [Archive.Lock] it.
type Archive struct {
	dir   string
	now   func() time.Time
	write *sql.DB // one connection, so that writers queue here and never meet SQLITE_BUSY among themselves
	read  *sql.DB
	lock  *os.File
	seals *seal.Sealer

	fillUp bool // no room is held back, for tests

	mu       sync.Mutex
	watchers map[chan struct{}]bool

	foldersMu sync.Mutex
	folders   map[string]bool // of stills/, those whose names are durable
}

// Exists reports whether dir holds an archive.
func Exists(dir string) bool {
	_, err := os.Stat(filepath.Join(dir, "archive.db"))
	return err == nil
}

// Open opens the archive in dir, making it first where there is none, and
// brings its schema up to date. The clock now is asked for every time that
// the archive records. A new archive takes the master key for its own; the
// error is ErrWrongKey if an archive has another, and ErrDamaged if its
// database can't be read, and then nothing is changed.
func Open(ctx context.Context, dir string, master seal.Key, now func() time.Time) (*Archive, error) {
	seals, err := seal.NewSealer(master)
	if err != nil {
		return nil, fmt.Errorf("opening the archive in %s: %w", dir, err)
	}
	a := &Archive{dir: dir, now: now, seals: seals, watchers: make(map[chan struct{}]bool), folders: make(map[string]bool)}
	if err := a.inspect(ctx); err != nil {
		return nil, fmt.Errorf("opening the archive in %s: %w", dir, unchanged(err))
	}
	for _, d := range []string{dir, filepath.Join(dir, "stills"), filepath.Join(dir, "incoming")} {
		if err := os.MkdirAll(d, 0o700); err != nil {
			return nil, fmt.Errorf("making the archive's folders: %w", err)
		}
	}
	if err := privateFile(a.databasePath()); err != nil {
		return nil, fmt.Errorf("making the archive's database: %w", err)
	}
	if a.write, err = openDatabase(dir, "immediate"); err != nil {
		return nil, err
	}
	a.write.SetMaxOpenConns(1)
	if err := a.migrate(ctx); err != nil {
		a.write.Close()
		return nil, fmt.Errorf("opening the archive in %s: %w", dir, unchanged(err))
	}
	if a.read, err = openDatabase(dir, "deferred"); err != nil {
		a.write.Close()
		return nil, err
	}
	a.read.SetMaxOpenConns(max(4, runtime.NumCPU()))
	return a, nil
}

func (a *Archive) databasePath() string { return filepath.Join(a.dir, "archive.db") }

// inspect looks at what is in the folder before anything is written there. SQLite
// takes a database without a single byte for a new one, and then throws its log
// away; so may stills whose rows are lost be taken for strays.
func (a *Archive) inspect(ctx context.Context) error {
	// The database comes first and never gets shorter, so this order leaves
	// another process time to make it.
	left := remains(a.dir)
	info, err := os.Stat(a.databasePath())
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	if err != nil || info.Size() <= 1 { // SQLite counts a single byte as none
		if left != "" {
			return fmt.Errorf("%w (archive.db is missing or empty, and yet there is %s)", ErrDamaged, left)
		}
		return nil
	}
	if log, err := os.Stat(a.databasePath() + "-wal"); err != nil || log.Size() == 0 {
		if info.Size()%pageSize != 0 {
			return fmt.Errorf("%w (archive.db is cut within a page)", ErrDamaged)
		}
		return nil // migrate looks at the rest before it writes
	}
	return a.tryKey(ctx, "ro")
}

// tryKey tries the master key on the database. Whoever may write ("rw") and is
// the last to close moves the log into the database; whoever may only read
// ("ro") leaves an empty log behind where there was none.
func (a *Archive) tryKey(ctx context.Context, mode string) error {
	db, err := openPool(a.dir, mode, "deferred")
	if err != nil {
		return err
	}
	defer db.Close()
	names, err := fs.Glob(migrations, "migrations/*.sql")
	if err != nil {
		return fmt.Errorf("listing migrations: %w", err)
	}
	version, err := schemaVersion(ctx, db, len(names))
	if err == nil && version > 0 {
		err = a.checkMark(ctx, db)
	}
	var e *sqlite.Error
	if errors.As(err, &e) && e.Code()&0xff == sqlite3.SQLITE_READONLY {
		return nil // its making broke off, which only a writer can make good
	}
	return err
}

// pageSize is the size of the database's pages in bytes, SQLite's usual one.
const pageSize = 4096

// remains names something in the folder that there is only beside a database.
func remains(dir string) (what string) {
	if log, err := os.Stat(filepath.Join(dir, "archive.db-wal")); err == nil && log.Size() > 0 {
		return "archive.db-wal"
	}
	for _, folder := range []string{"incoming", "stills"} {
		filepath.WalkDir(filepath.Join(dir, folder), func(path string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() {
				return nil
			}
			what = path
			return fs.SkipAll
		})
	}
	return what
}

// damage adds ErrDamaged to what SQLite says of a database that is no longer,
// or never was, as it writes them.
func damage(err error) error {
	var e *sqlite.Error
	if !errors.As(err, &e) || errors.Is(err, ErrDamaged) {
		return err
	}
	switch e.Code() & 0xff { // without what SQLite's extended codes add
	case sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB:
		return fmt.Errorf("%w (%w)", ErrDamaged, err)
	}
	return err
}

// unchanged is damage that was found before anything was written.
func unchanged(err error) error {
	if err = damage(err); errors.Is(err, ErrDamaged) {
		return fmt.Errorf("%w; nothing was changed", err)
	}
	return err
}

// openDatabase opens a pool on the archive's database; txlock says which lock
// a transaction of that pool takes when it begins.
func openDatabase(dir, txlock string) (*sql.DB, error) { return openPool(dir, "rw", txlock) }

// openPool opens a pool to read ("ro") or to write ("rw") what must be there.
func openPool(dir, mode, txlock string) (*sql.DB, error) {
	path, err := filepath.Abs(filepath.Join(dir, "archive.db"))
	if err != nil {
		return nil, fmt.Errorf("finding the archive: %w", err)
	}
	q := url.Values{"mode": {mode}, "_txlock": {txlock}, "_pragma": {
		"busy_timeout(10000)",
		"synchronous(FULL)",
		"foreign_keys(ON)",
		"secure_delete(ON)",
		"temp_store(MEMORY)", // what SQLite sorts or rebuilds stays out of /tmp
	}}
	db, err := sql.Open("sqlite", (&url.URL{Scheme: "file", Path: path, RawQuery: q.Encode()}).String())
	if err != nil {
		return nil, fmt.Errorf("opening the archive's database: %w", err)
	}
	return db, nil
}

// privateFile makes an empty file that only its owner may read: SQLite gives
// its log files the same mode as the database.
func privateFile(path string) error {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return err
	}
	return f.Close()
}

// migrate runs the numbered migrations that the database has not seen, each
// in a transaction of its own. Nothing is written to a database that is not
// Lintel's, or is a newer one's.
func (a *Archive) migrate(ctx context.Context) error {
	names, err := fs.Glob(migrations, "migrations/*.sql")
	if err != nil {
		return fmt.Errorf("listing migrations: %w", err)
	}
	version, err := schemaVersion(ctx, a.write, len(names))
	if err != nil {
		return err
	}
	if version > 0 {
		if err := a.checkKey(ctx); err != nil {
			return err
		}
	}
	// The mode is kept in the file, so connections need not ask for it.
	if _, err := a.write.ExecContext(ctx, `PRAGMA journal_mode = WAL`); err != nil {
		return fmt.Errorf("turning the write-ahead log on: %w", err)
	}
	for ; version < len(names); version++ {
		script, err := migrations.ReadFile(names[version])
		if err != nil {
			return fmt.Errorf("reading %s: %w", names[version], err)
		}
		err = a.update(ctx, func(tx *sql.Tx) error {
			// Asked again, since another process may have been quicker.
			if now, err := schemaVersion(ctx, tx, len(names)); err != nil || now > version {
				return err
			}
			_, err := tx.ExecContext(ctx, fmt.Sprintf("%s;\nPRAGMA application_id = %d;\nPRAGMA user_version = %d;",
				script, applicationID, version+1))
			if err == nil && version+1 == trailSince {
				err = a.setAuditHead(ctx, tx, 0, [32]byte{})
			}
			return err
		})
		if err != nil {
			return fmt.Errorf("migrating to schema %d: %w", version+1, err)
		}
	}
	_, err = a.write.ExecContext(ctx, `INSERT INTO master (id, mark) VALUES (1, ?) ON CONFLICT DO NOTHING`,
		a.seals.Value([]byte("lintel"), "master.mark"))
	if err != nil {
		return fmt.Errorf("marking the archive with its master key: %w", err)
	}
	return a.checkKey(ctx) // another process may have marked it first
}

// checkKey compares the master key with the one the archive was made with.
func (a *Archive) checkKey(ctx context.Context) error { return a.checkMark(ctx, a.write) }

func (a *Archive) checkMark(ctx context.Context, q querier) error {
	var mark []byte
	err := q.QueryRowContext(ctx, `SELECT mark FROM master`).Scan(&mark)
	if errors.Is(err, sql.ErrNoRows) {
		return nil // its first start broke off
	}
	if err != nil {
		return fmt.Errorf("reading the archive's mark: %w", err)
	}
	if _, err := a.seals.OpenValue(mark, "master.mark"); err != nil {
		return ErrWrongKey
	}
	return nil
}

// schemaVersion returns how many migrations the database has seen, of those
// that this Lintel knows.
func schemaVersion(ctx context.Context, q querier, known int) (version int, err error) {
	var id, tables int
	row := q.QueryRowContext(ctx, `SELECT
		(SELECT user_version FROM pragma_user_version),
		(SELECT application_id FROM pragma_application_id),
		(SELECT count(*) FROM sqlite_schema)`)
	if err := row.Scan(&version, &id, &tables); err != nil {
		return 0, fmt.Errorf("reading the schema's version: %w", err)
	}
	if id != applicationID && tables > 0 {
		return 0, ErrForeignDatabase
	}
	if version > known {
		return 0, fmt.Errorf("%w: it has schema %d, this one knows %d; start the newer Lintel, nothing was changed",
			ErrNewerArchive, version, known)
	}
	return version, nil
}

// Close closes the archive and gives up its lock.
func (a *Archive) Close() error {
	err := errors.Join(a.read.Close(), a.write.Close())
	if a.lock != nil {
		// Unlocked before it is closed: a process that is being started at
		// this moment has the file open as well, until it runs.
		err = errors.Join(err, syscall.Flock(int(a.lock.Fd()), syscall.LOCK_UN), a.lock.Close())
	}
	return err
}

// update runs f in a writing transaction, which is committed if f returns nil.
func (a *Archive) update(ctx context.Context, f func(*sql.Tx) error) error {
	tx, err := a.write.BeginTx(ctx, nil)
	if err != nil {
		return fmt.Errorf("beginning a transaction: %w", damage(err))
	}
	defer tx.Rollback()
	if err := f(tx); err != nil {
		return damage(err)
	}
	if err := tx.Commit(); err != nil {
		return fmt.Errorf("committing: %w", damage(err))
	}
	return nil
}

// change runs a statement and adds it to the audit trail. The error is none if
// the statement touched no row; then nothing is added.
func (a *Archive) change(ctx context.Context, action, subject string, none error, statement string, args ...any) error {
	err := a.update(ctx, func(tx *sql.Tx) error { return a.changeIn(ctx, tx, action, subject, none, statement, args...) })
	return spaceError(err)
}

// changeIn is change within a transaction.
func (a *Archive) changeIn(ctx context.Context, tx *sql.Tx, action, subject string, none error, statement string,
	args ...any) error {
	res, err := tx.ExecContext(ctx, statement, args...)
	if err != nil {
		return err
	}
	if n, err := res.RowsAffected(); err != nil || n == 0 {
		return errors.Join(err, none)
	}
	return a.note(ctx, tx, action, subject)
}

// Watch returns a channel that receives after visits changed, and a function
// that ends the watch. Signals that nobody took fold into one: whoever wakes
// asks for everything since the revision they know ([Archive.VisitsSince]).
func (a *Archive) Watch() (changed <-chan struct{}, stop func()) {
	ch := make(chan struct{}, 1)
	a.mu.Lock()
	a.watchers[ch] = true
	a.mu.Unlock()
	return ch, func() {
		a.mu.Lock()
		delete(a.watchers, ch)
		a.mu.Unlock()
	}
}

// signal wakes everybody who watches.
func (a *Archive) signal() {
	a.mu.Lock()
	defer a.mu.Unlock()
	for ch := range a.watchers {
		select {
		case ch <- struct{}{}:
		default:
		}
	}
}

// nextRevision counts one change of a visit.
func nextRevision(ctx context.Context, tx *sql.Tx) (n int64, err error) {
	row := tx.QueryRowContext(ctx, `UPDATE counters SET value = value + 1 WHERE name = 'revision' RETURNING value`)
	if err := row.Scan(&n); err != nil {
		return 0, fmt.Errorf("counting a change: %w", err)
	}
	return n, nil
}

// derivedID returns the id of what these parts name: always the same, and
// nothing to whoever lacks the master key.
func (a *Archive) derivedID(parts ...string) string {
	return base32.StdEncoding.EncodeToString(a.seals.Index(strings.Join(parts, "\x00")))[:26]
}

// seal and unseal are for the text columns of the database. A place is the
// table and column, and the row's id.
func (a *Archive) seal(text string, place ...string) []byte {
	return a.seals.Value([]byte(text), place...)
}

func (a *Archive) unseal(text *string, sealed []byte, place ...string) error {
	b, err := a.seals.OpenValue(sealed, place...)
	if err != nil {
		return fmt.Errorf("opening %s: %w", strings.Join(place, " "), err)
	}
	*text = string(b)
	return nil
}

// sealJSON and openJSON are for columns that hold a value as sealed JSON.
func (a *Archive) sealJSON(v any, place ...string) ([]byte, error) {
	raw, err := json.Marshal(v)
	if err != nil {
		return nil, fmt.Errorf("sealing %s: %w", place[0], err)
	}
	return a.seals.Value(raw, place...), nil
}

func (a *Archive) openJSON(v any, sealed []byte, place ...string) error {
	raw, err := a.seals.OpenValue(sealed, place...)
	if err != nil {
		return fmt.Errorf("opening %s: %w", place[0], err)
	}
	if err := json.Unmarshal(raw, v); err != nil {
		return fmt.Errorf("reading %s: %w", place[0], err)
	}
	return nil
}

// newID returns an id that nobody can guess: 26 characters, 130 random bits.
func newID() string { return rand.Text() }

// micros and timeOf turn times into the database's form and back; the zero
// time is NULL.
func micros(t time.Time) sql.NullInt64 {
	return sql.NullInt64{Int64: t.UnixMicro(), Valid: !t.IsZero()}
}

func timeOf(n sql.NullInt64) time.Time {
	if !n.Valid {
		return time.Time{}
	}
	return time.UnixMicro(n.Int64).UTC()
}
