package store

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// ErrOtherBytes says that the archive has this frame of this ring already,
// with other bytes.
var ErrOtherBytes = errors.New("this frame is here already with other bytes")

// ErrNoSpace says that the disk is full or may not be written.
var ErrNoSpace = errors.New("no space to keep a still")

// A Still is one picture of a visit, as the archive keeps it.
type Still struct {
	ID         string
	Visit      string
	Frame      int
	Width      int // pixels
	Height     int // pixels
	Damaged    bool
	ReceivedAt time.Time // by the server's clock
	TakenAt    time.Time // by the bell's clock, zero if it did not say
	State      StillState
	Faces      []Face   // from left to right
	Attempts   int      // how often an examination began
	SHA256     [32]byte // of the file
	Size       int      // of the file, in bytes
	sentMAC    []byte   // keyed hash of what the bell sent
}

// A StillState says how far the examination of a still has come.
type StillState string

const (
	Pending StillState = "pending" // not examined yet
	Done    StillState = "done"    // examined; no faces means that none was found
	Failed  StillState = "failed"  // could not be examined
)

// A NewStill is a still to keep. JPEG is what the file will hold.
type NewStill struct {
	Bell, Ring    string
	Frame         int      // 0 to 15
	SentSHA256    [32]byte // of the bytes as the bell sent them
	JPEG          []byte
	Width, Height int
	Damaged       bool
	ReceivedAt    time.Time
	TakenAt       time.Time // zero if the bell did not say
}

// Find returns the still of this frame of this ring, if the archive has it.
// The error is ErrOtherBytes if it was sent with other bytes.
func (a *Archive) Find(ctx context.Context, bell, ring string, frame int, sent [32]byte) (s Still, found bool, err error) {
	return a.findFrame(ctx, a.read, bell, ring, frame, sent)
}

func (a *Archive) findFrame(ctx context.Context, q querier, bell, ring string, frame int, sent [32]byte) (s Still, found bool, err error) {
	row := q.QueryRowContext(ctx, `SELECT `+stillColumns+` FROM stills WHERE visit = ? AND frame = ?`, a.visitID(bell, ring), frame)
	err = scanStill(row, &s)
	switch {
	case errors.Is(err, sql.ErrNoRows):
		return Still{}, false, nil
	case err != nil:
		return Still{}, false, fmt.Errorf("looking for frame %d of ring %s: %w", frame, ring, err)
	case !bytes.Equal(s.sentMAC, a.seals.Index(string(sent[:]))):
		return s, true, ErrOtherBytes
	}
	return s, true, nil
}

// querier is what a pool and a transaction have in common.
type querier interface {
	QueryContext(context.Context, string, ...any) (*sql.Rows, error)
	QueryRowContext(context.Context, string, ...any) *sql.Row
}

// Keep makes the still durable and returns the id of its visit. When it
// returns without an error, the still is safe. It reports added false if the
// frame was here already, with the same bytes; the error is ErrOtherBytes if
// it was here with others, and ErrNoSpace if the disk can't take it. Once begun
// it goes on to the end, even if ctx is done.
func (a *Archive) Keep(ctx context.Context, n NewStill) (visit string, added bool, err error) {
	id := newID()
	sealed, wrappedKey, err := a.seals.File(n.JPEG, stillPlace(a.visitID(n.Bell, n.Ring), n.Frame)...)
	if err != nil {
		return "", false, fmt.Errorf("sealing a still: %w", err)
	}
	if err := a.writeStill(id, sealed); err != nil {
		return "", false, fmt.Errorf("writing a still: %w", spaceError(err))
	}
	// A transaction cut short, since the bell hung up, would leave the file
	// of a visitor behind.
	ctx = context.WithoutCancel(ctx)
	err = a.update(ctx, func(tx *sql.Tx) error {
		s, found, err := a.findFrame(ctx, tx, n.Bell, n.Ring, n.Frame, n.SentSHA256)
		if visit = s.Visit; err != nil || found {
			return err
		}
		visit, err = a.insertStill(ctx, tx, id, n, wrappedKey, sealed)
		added = err == nil
		return err
	})
	err = spaceError(err)
	if !added || errors.Is(err, ErrNoSpace) {
		// No row will ever name this file. Where it is not that sure,
		// since the commit itself failed, Recover finds out.
		os.Remove(a.stillPath(id))
	}
	if err != nil || !added {
		return visit, false, err
	}
	a.signal()
	return visit, true, nil
}

func (a *Archive) insertStill(ctx context.Context, tx *sql.Tx, id string, n NewStill, wrappedKey, sealed []byte) (visit string, err error) {
	bell, visit := a.bellID(n.Bell), a.visitID(n.Bell, n.Ring)
	revision, err := nextRevision(ctx, tx)
	if err != nil {
		return "", err
	}
	_, err = tx.ExecContext(ctx, `
		INSERT INTO visits (id, bell, ring, received_at, revision) VALUES (?, ?, ?, ?, ?)
		ON CONFLICT (id) DO UPDATE SET revision = excluded.revision`,
		visit, bell, a.seal(n.Ring, "visits.ring", visit), micros(n.ReceivedAt), revision)
	if err != nil {
		return "", fmt.Errorf("adding the visit: %w", err)
	}
	hash := sha256.Sum256(sealed)
	_, err = tx.ExecContext(ctx, `
		INSERT INTO stills (id, visit, frame, wrapped_key, sent_mac, sha256, size, width, height, damaged, received_at, taken_at)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
		id, visit, n.Frame, wrappedKey, a.seals.Index(string(n.SentSHA256[:])), hash[:], len(sealed), n.Width, n.Height, n.Damaged, micros(n.ReceivedAt), micros(n.TakenAt))
	if err != nil {
		return "", fmt.Errorf("adding the still: %w", err)
	}
	_, err = tx.ExecContext(ctx, `UPDATE bells SET heard_at = ? WHERE id = ?`, micros(n.ReceivedAt), bell)
	if err != nil {
		return "", fmt.Errorf("noting that the bell was heard: %w", err)
	}
	return visit, nil
}

// visitID is the id of the visit that a ring makes.
func (a *Archive) visitID(bell, ring string) string { return a.derivedID("ring", bell, ring) }

// stillPlace is what a still is sealed for.
func stillPlace(visit string, frame int) []string {
	return []string{"still", visit, strconv.Itoa(frame)}
}

// stillPath is where the still of that id is. Ids spread evenly over their
// first two characters, so no folder grows large.
func (a *Archive) stillPath(id string) string {
	return filepath.Join(a.dir, "stills", id[:2], id+".still")
}

// writeStill puts the bytes into the file of that id so that they are there
// whole after a crash, or not at all.
func (a *Archive) writeStill(id string, data []byte) error {
	temp, path := filepath.Join(a.dir, "incoming", id), a.stillPath(id)
	defer os.Remove(temp) // it is gone already if all went well
	if err := writeSynced(temp, data); err != nil {
		return err
	}
	if err := a.stillFolder(filepath.Dir(path)); err != nil {
		return err
	}
	if err := os.Rename(temp, path); err != nil {
		return err
	}
	if err := syncFolder(filepath.Dir(path)); err != nil {
		os.Remove(path)
		return err
	}
	return nil
}

// stillFolder makes a folder of stills, and its name durable. A folder that is
// there already may be one that another goroutine, or a process that was
// killed, has not synced yet.
func (a *Archive) stillFolder(path string) error {
	a.foldersMu.Lock()
	defer a.foldersMu.Unlock()
	err := os.Mkdir(path, 0o700)
	if err != nil && !errors.Is(err, fs.ErrExist) {
		return err
	}
	if err != nil && a.folders[path] {
		return nil
	}
	if err := syncFolder(filepath.Dir(path)); err != nil {
		return err
	}
	a.folders[path] = true
	return nil
}

func writeSynced(path string, data []byte) error {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	_, err = f.Write(data)
	if err == nil {
		err = f.Sync()
	}
	return errors.Join(err, f.Close())
}

// syncFolder makes the names in a folder durable, as fsync(2) asks.
func syncFolder(path string) error {
	d, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// spaceError adds ErrNoSpace to the errors of a disk that takes nothing more.
func spaceError(err error) error {
	refuses := errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT) || errors.Is(err, syscall.EROFS)
	var e *sqlite.Error
	if errors.As(err, &e) {
		code := e.Code() & 0xff // without what SQLite's extended codes add
		refuses = refuses || code == sqlite3.SQLITE_FULL || code == sqlite3.SQLITE_READONLY
	}
	if refuses {
		return fmt.Errorf("%w: %w", ErrNoSpace, err)
	}
	return err
}

// ReadStill returns the JPEG picture of a visit's frame. The error is
// ErrNotFound if there is no such frame, and seal.ErrOpen if its file is not
// as it was written.
func (a *Archive) ReadStill(ctx context.Context, visit string, frame int) ([]byte, error) {
	var id string
	var wrappedKey []byte
	err := a.read.QueryRowContext(ctx, `SELECT id, wrapped_key FROM stills WHERE visit = ? AND frame = ?`, visit, frame).Scan(&id, &wrappedKey)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, fmt.Errorf("frame %d of visit %s: %w", frame, visit, ErrNotFound)
	}
	if err != nil {
		return nil, fmt.Errorf("looking up frame %d of visit %s: %w", frame, visit, err)
	}
	sealed, err := os.ReadFile(a.stillPath(id))
	if err != nil {
		return nil, fmt.Errorf("reading frame %d of visit %s: %w", frame, visit, err)
	}
	data, err := a.seals.OpenFile(sealed, wrappedKey, stillPlace(visit, frame)...)
	if err != nil {
		return nil, fmt.Errorf("opening frame %d of visit %s: %w", frame, visit, err)
	}
	return data, nil
}

// Lock makes this the one server of the archive, until Close. The error is
// ErrInUse while another process is.
func (a *Archive) Lock() error {
	f, err := os.OpenFile(filepath.Join(a.dir, "server.lock"), os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return fmt.Errorf("locking the archive: %w", err)
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		f.Close()
		return fmt.Errorf("locking the archive in %s: %w", a.dir, ErrInUse)
	}
	a.lock = f
	return nil
}

// Recover removes what a crash left half done: files on their way in, and
// stills that no row names. Only the holder of the lock may call it, before
// it accepts anything. It returns how many files it removed.
func (a *Archive) Recover(ctx context.Context) (removed int, err error) {
	if a.lock == nil {
		return 0, errors.New("recovering the archive: it is not locked")
	}
	known, err := a.stillIDs(ctx)
	if err != nil {
		return 0, fmt.Errorf("recovering the archive: %w", err)
	}
	err = filepath.WalkDir(a.dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		folder, err := filepath.Rel(a.dir, filepath.Dir(path))
		if err != nil {
			return err
		}
		id, isStill := strings.CutSuffix(d.Name(), ".still")
		half := folder == "incoming" || strings.HasPrefix(folder, "stills"+string(filepath.Separator)) && isStill && !known[id]
		if !half {
			return nil
		}
		removed++
		return os.Remove(path)
	})
	if err != nil {
		return removed, fmt.Errorf("recovering the archive: %w", err)
	}
	return removed, nil
}

func (a *Archive) stillIDs(ctx context.Context) (map[string]bool, error) {
	rows, err := a.read.QueryContext(ctx, `SELECT id FROM stills`)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	ids := make(map[string]bool)
	for rows.Next() {
		var id string
		if err := rows.Scan(&id); err != nil {
			return nil, err
		}
		ids[id] = true
	}
	return ids, rows.Err()
}
