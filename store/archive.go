// Package store keeps the archive: an SQLite database of visits, faces,
// persons and accounts, and beside it one file for each still.
//
//	archive, err := store.Open(ctx, "/var/lib/lintel", masterKey, time.Now)
//	visit, added, err := archive.Keep(ctx, still) // durable when it returns
//	jpeg, err := archive.ReadStill(ctx, visit, 0)
//
// What comes in are stills that are fit to keep (package intake has seen to
// that), findings from the pipeline, and what residents decide. What goes out
// are visits with everything known of them, and a signal that something
// changed ([Archive.Watch]). A server holds the archive's lock ([Archive.Lock])
// and makes good what a crash left ([Archive.Recover]) before it accepts
// anything; from then on it calls [Archive.Sweep] now and then, so that what is past its
// time goes without a trace. The package knows
// nothing of HTTP, of image formats or of faces.
//
// # What is promised
//
// When [Archive.Keep] returns without an error, the still survives a crash of
// the process, of the kernel, and a loss of power, as far as the disk keeps
// its own promises. The order is: the still's file is written under incoming
// and synced, and its folder too, and beside that its key is written into a slot and
// synced; then the row that names both is committed, with SQLite in WAL mode and
// synchronous=FULL, which syncs the log at each commit; then the file moves to its
// place. A crash in between leaves a file in incoming, which
// [Archive.Recover] moves or keeps aside at the next start. Removing goes the other
// way: the rows go, and the file's name and the slots are written down, in one
// transaction; then the slots are overwritten and synced, the file goes, and its name
// is forgotten once that is durable. So no crash leaves a row without its file, nor a key
// that nothing names. A file that nothing names was never answered for, or its row
// was lost with a damaged log: it is taken in again by its label, or else kept aside, and
// residents are told.
//
// What is asked of SQLite: that a transaction which was committed is there
// after a crash or a loss of power, whole, and one that was not is not there at
// all (https://www.sqlite.org/atomiccommit.html and wal.html, synchronous=FULL
// in WAL mode). What it asks of the disk: that fsync means what it says.
//
// A database that is cut, empty or overwritten is not opened, and so not taken
// for a new one whose stills are strays: the error is [ErrDamaged], and nothing
// changes. Of a page that breaks somewhere within, [Archive.QuickCheck] and
// [Archive.Verify] tell. A sealed value that does not open is met and not spread: who
// reads goes on with the rest ([Archive.Damaged]), and [Archive.Mend] takes it from a
// backup. On a disk that can only be read the archive is read ([Archive.ReadOnly]).
//
// # What the folder tells whoever has it
//
// Sizes, times, how many there are of what, which rows belong together and
// what kind they are: that somebody without a name was matched, how surely, at
// a time, and was looked at, answered for, held or erased by somebody without a
// name, and which faces of strangers are as alike as one person's. No
// picture, name, ring, face, descriptor, mask, rule or reason: those are sealed
// under a master key that lies elsewhere (package seal), each bound to its row,
// so that none can be put in another's place. What tells of a visit or a person is
// sealed under a key of its row's own, which is wrapped with the master key and
// overwritten when the row goes: then nobody opens it, whatever of it is left in the
// database's unused pages, its log or the disk's free blocks. Secrets, tokens and
// passwords are kept as hashes.
//
// # What is left of what went, to whoever has the master key
//
// SQLite writes zeros over rows that are deleted (secure_delete), but not over copies
// that it left when it moved them, nor over its log or blocks that files no longer use.
// So this is what may be found there, and what keeps it from being read:
//
//   - Nothing opens, since the key was overwritten: stills and their small pictures;
//     faces and descriptors; references and their pictures; names of persons, consents
//     and to what; names of rings; reasons of holds; what was said at the door; advice;
//     rings of trials; who may be advised in and when; names and states of phones,
//     what they reported, labels of tokens, secrets of codes; names of residents and
//     tablets, and browsers of sessions.
//   - Hashes under the master key, which confirm what somebody has a copy of, and are
//     tried out where there is little to try: of the bytes that a bell sent, of what a
//     reference was made from, of tokens, of residents' names, of files in folders, and
//     of an erased face's picture four parts of 16 bits, for a still that comes twice.
//   - In clear: ids, which mean nothing once what they name is gone, and beside them
//     times, kinds, distances and answers, as above. The audit trail has ids alone.
//   - Opens with the master key: what the house calls bells, doors, receivers and
//     programs, masks, settings and with them the keys of certificates, rules for
//     parcels, how bells were and what they mostly see. None is a visitor's or a person's, unless somebody
//     typed one's name there.
//
// # What somebody can do who writes there
//
// Remove, break and put back. Not make: rows that give power count only if who
// has the master key wrote them, and [Archive.Suspicions] tells of those that were
// added, changed, removed or put back.
//
// # Layout of the folder
//
//	archive.db         the database, with its -wal and -shm while it is open
//	stills/QK/QK….still one file a still, sealed, with a label that says whose it is, named by a random id
//	stills/QK/QK….small its small pictures, where they were made: sealed with its key, and going with it
//	incoming/          stills on their way in; empty when nothing is going on
//	aside/             stills that no row names, where there ever were any
//	keys               the wrapped keys of what can be erased, in slots that are overwritten in place
//	keys.new, keys.old the same under another master key, while that is changed
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
	"os"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"lintel/internal/house"
	"lintel/store/internal/keyfile"
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
	turn  chan struct{} // whose turn to write it is: first come, first served, unlike the pool's connection
	lock  *os.File
	seals *seal.Sealer

	shared *os.File // locked as long as the archive is open, so that nobody changes its key

	keys         *keyfile.File   // of what is to go without a trace
	slotted      bool            // whether the database's rows name slots there,
	keyed        map[string]bool // and which columns, as "table.column"
	keysUnsynced bool            // for whoever has the connection that writes

	writer  *guarded    // opens the connection of write,
	reader  *guarded    // and those of read
	vouches bool        // whether the database's rows have vouchers
	booked  lastBooked  // the ledger
	zones   lastZone    // of the household
	clock   *clockWatch // nil where nobody watches it

	expected  atomic.Pointer[TrailEnd] // an entry that the audit trail must have
	immutable string                   // where the database is read from a disk that can't be written; "" for one that can

	erasing underWay // periods
	damages damages

	version string // of Lintel, "" where it gives no stills up

	fillUp bool // no room is held back, for tests

	mu       sync.Mutex
	watchers map[chan struct{}]bool

	smallMu   sync.Mutex // held while small pictures are brought to their place
	foldersMu sync.Mutex
	folders   map[string]bool // of stills/, those whose names are durable
}

// Close closes the archive and gives up its lock.
func (a *Archive) Close() error {
	err := errors.Join(a.read.Close(), a.write.Close(), a.dropCopy())
	if a.keys != nil {
		err = errors.Join(err, a.keys.Close())
	}
	if a.shared != nil {
		err = errors.Join(err, syscall.Flock(int(a.shared.Fd()), syscall.LOCK_UN), a.shared.Close())
		a.shared = nil // it may be closed twice
	}
	if a.lock != nil {
		// Unlocked before it is closed: a process that is being started at
		// this moment has the file open as well, until it runs.
		err = errors.Join(err, syscall.Flock(int(a.lock.Fd()), syscall.LOCK_UN), a.lock.Close())
	}
	return err
}

// update runs f in a writing transaction, which is committed if f returns nil. The
// keys of what went with it are overwritten then; who says that it is gone calls
// clearSlots, which waits and tells of an error.
func (a *Archive) update(ctx context.Context, f func(*sql.Tx) error) error {
	freed, err := a.transact(ctx, f)
	if err == nil && freed > 0 {
		_ = a.clearSlots(ctx, false)
	}
	return err
}

// transact is update without what comes after, and returns how many slots are to be
// overwritten.
func (a *Archive) transact(ctx context.Context, f func(*sql.Tx) error) (freed int, err error) {
	if a.ReadOnly() {
		return 0, errReadOnly
	}
	select {
	case a.turn <- struct{}{}:
		defer func() { <-a.turn }()
	case <-ctx.Done():
		return 0, fmt.Errorf("beginning a transaction: %w", ctx.Err())
	}
	tx, err := a.write.BeginTx(ctx, nil)
	if err != nil {
		return 0, fmt.Errorf("beginning a transaction: %w", damage(err))
	}
	defer tx.Rollback()
	if err := f(tx); err != nil {
		return 0, damage(err)
	}
	if a.slotted {
		if freed, err = freedSlots(ctx, tx); err == nil {
			err = a.syncKeys()
		}
		if err != nil {
			return 0, damage(err)
		}
	}
	if err := tx.Commit(); err != nil {
		return 0, fmt.Errorf("committing: %w", damage(err))
	}
	return freed, nil
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
// table and column, and the row's id. A text that does not open is house.Unreadable.
func (a *Archive) seal(text string, place ...string) []byte {
	return a.seals.Value([]byte(text), place...)
}

func (a *Archive) unseal(text *string, sealed []byte, place ...string) error {
	b, err := a.open(sealed, place...)
	if errors.Is(err, seal.ErrOpen) {
		*text = house.Unreadable
		return nil
	}
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

// sealKeyedJSON is sealJSON under a key of the row's own.
func (a *Archive) sealKeyedJSON(ctx context.Context, tx *sql.Tx, v any, place ...string) (sealed []byte, slot int64,
	err error) {
	raw, err := json.Marshal(v)
	if err != nil {
		return nil, 0, fmt.Errorf("sealing %s: %w", place[0], err)
	}
	return a.sealKeyed(ctx, tx, raw, place...)
}

func (a *Archive) openJSON(v any, sealed []byte, place ...string) error {
	raw, err := a.open(sealed, place...)
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
