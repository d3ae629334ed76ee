package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"

	"lintel/internal/house"
	"lintel/store/seal"
)

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
	a := &Archive{dir: dir, now: now, seals: seals, watchers: make(map[chan struct{}]bool),
		folders: make(map[string]bool)}
	if is, err := a.openReadOnly(ctx); is || err != nil {
		if err != nil {
			return nil, fmt.Errorf("opening the archive in %s: %w", dir, err)
		}
		return a, nil
	}
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
	if err := a.share(); err != nil {
		return nil, err
	}
	if err := a.openPools(); err != nil {
		a.shared.Close()
		return nil, fmt.Errorf("opening the archive in %s: %w", dir, err)
	}
	if err := a.migrate(ctx); err != nil {
		a.Close()
		return nil, fmt.Errorf("opening the archive in %s: %w", dir, unchanged(err))
	}
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
	_, version, err := schemaOf(ctx, db)
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
	for _, folder := range []string{"incoming", "stills", "aside"} {
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
	case sqlite3.SQLITE_ERROR: // tests run each statement: what one lacks is lost
		for _, says := range []string{"no such table", "no such column", "unsupported file format"} {
			if strings.Contains(err.Error(), says) {
				return fmt.Errorf("%w (%w)", ErrDamaged, err)
			}
		}
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

// openPool opens a pool to read ("ro") or to write ("rw") what must be there,
// without guards; txlock says which lock a transaction of that pool takes when it
// begins.
func openPool(dir, mode, txlock string) (*sql.DB, error) {
	name, err := sourceName(dir, mode, txlock)
	if err != nil {
		return nil, err
	}
	db, err := sql.Open("sqlite", name)
	if err != nil {
		return nil, fmt.Errorf("opening the archive's database: %w", err)
	}
	return db, nil
}

// sourceName is how SQLite is told to open the archive's database.
func sourceName(dir, mode, txlock string) (string, error) {
	path, err := filepath.Abs(filepath.Join(dir, "archive.db"))
	if err != nil {
		return "", fmt.Errorf("finding the archive: %w", err)
	}
	unchanging := mode == immutableMode
	if unchanging {
		mode = "ro"
	}
	q := url.Values{"mode": {mode}, "_txlock": {txlock}, "_pragma": {
		"busy_timeout(10000)",
		"synchronous(FULL)",
		"foreign_keys(ON)",
		"secure_delete(ON)",
		"temp_store(MEMORY)", // what SQLite sorts or rebuilds stays out of /tmp
	}}
	if unchanging {
		q.Set("immutable", "1")
	}
	return (&url.URL{Scheme: "file", Path: path, RawQuery: q.Encode()}).String(), nil
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

// migrate runs the numbered migrations that the database has not seen. Nothing is
// written to a database that is not Lintel's, or is a newer one's.
func (a *Archive) migrate(ctx context.Context) error {
	names, version, err := a.guard(ctx)
	if err != nil {
		return err
	}
	if version > 0 {
		if err := errors.Join(a.checkKey(ctx), a.remark(ctx)); err != nil {
			return err
		}
		if err := a.carry(ctx); err != nil {
			return err
		}
	}
	if version == 0 { // before there is a table, or never
		if _, err := a.write.ExecContext(ctx, `PRAGMA auto_vacuum = 2`); err != nil {
			return fmt.Errorf("having the database give pages back: %w", err)
		}
	}
	// The mode is kept in the file, so connections need not ask for it.
	if _, err := a.write.ExecContext(ctx, `PRAGMA journal_mode = WAL`); err != nil {
		return fmt.Errorf("turning the write-ahead log on: %w", err)
	}
	if err := a.runScripts(ctx, names, version); err != nil {
		return err
	}
	if err := a.finishMigration(ctx, version < len(names)); err != nil {
		return a.leaves(err)
	}
	return a.dropBefore()
}

// finishMigration brings rows up to date, in batches, once the schema is.
func (a *Archive) finishMigration(ctx context.Context, migrated bool) error {
	if err := a.vouchForAll(ctx); err != nil {
		return err
	}
	if err := a.mark(ctx); err != nil {
		return err
	}
	if migrated { // else the connection has its guards already
		if _, _, err := a.guard(ctx); err != nil {
			return err
		}
	}
	if err := a.moveKeys(ctx); err != nil {
		return fmt.Errorf("moving keys out of the database: %w", spaceError(err))
	}
	return a.update(ctx, func(tx *sql.Tx) error { return a.countDays(ctx, tx) })
}

// mark marks a new archive with its master key.
func (a *Archive) mark(ctx context.Context) error {
	_, err := a.write.ExecContext(ctx, `INSERT INTO master (id, mark) VALUES (1, ?) ON CONFLICT DO NOTHING`, a.newMark())
	if err != nil {
		return fmt.Errorf("marking the archive with its master key: %w", err)
	}
	return a.checkKey(ctx) // another process may have marked it first
}

// markPlace is what the mark is sealed for, earlierPlace what it was sealed for while
// rows had no vouchers.
var markPlace, earlierPlace = []string{"master.mark", "vouched"}, []string{"master.mark"}

func (a *Archive) newMark() []byte { return a.seals.Value([]byte("lintel"), markPlace...) }

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
	if _, err := a.seals.OpenValue(mark, earlierPlace...); err == nil || a.vouchingMark(mark) {
		return nil
	}
	if _, _, err := a.auditHead(ctx, q); err != nil {
		return ErrWrongKey
	}
	a.damages.meet(markPlace, a.now()) // since the key opens something else
	return nil
}

// remark marks an archive anew whose mark is damaged, as one whose rows have vouchers:
// whoever damaged it gains none by that.
func (a *Archive) remark(ctx context.Context) error {
	if !slices.ContainsFunc(a.Damaged(), func(d house.Damage) bool { return d.What == markPlace[0] }) {
		return nil
	}
	if _, err := a.write.ExecContext(ctx, `UPDATE master SET mark = ?`, a.newMark()); err != nil {
		return fmt.Errorf("marking the archive anew: %w", err)
	}
	return nil
}

// schemaOf returns the migrations that this Lintel knows, and how many of them the
// database has seen.
func schemaOf(ctx context.Context, q querier) (names []string, version int, err error) {
	if names, err = fs.Glob(migrations, "migrations/*.sql"); err != nil {
		return nil, 0, fmt.Errorf("listing migrations: %w", err)
	}
	version, err = schemaVersion(ctx, q, len(names))
	return names, version, err
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
