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
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"

	"lintel/internal/house"
	"lintel/store/internal/durable"
	"lintel/store/seal"
)

// Find returns the still of this frame of this ring, if the archive has it.
// The error is ErrOtherBytes if it was sent with other bytes.
func (a *Archive) Find(ctx context.Context, bell, ring string, frame int,
	sent [32]byte) (s house.Still, found bool, err error) {
	return a.findFrame(ctx, a.read, bell, ring, frame, sent)
}

func (a *Archive) findFrame(ctx context.Context, q querier, bell, ring string, frame int,
	sent [32]byte) (s house.Still, found bool, err error) {
	row := q.QueryRowContext(ctx, `SELECT `+stillColumns+`, sent_mac FROM stills WHERE visit = ? AND frame = ?`,
		a.visitID(bell, ring), frame)
	var sentMAC []byte
	err = scanStill(row, &s, &sentMAC)
	switch {
	case errors.Is(err, sql.ErrNoRows):
		return house.Still{}, false, nil
	case err != nil:
		return house.Still{}, false, fmt.Errorf("looking for frame %d of ring %s: %w", frame, ring, spaceError(err))
	case !bytes.Equal(sentMAC, a.seals.Index(string(sent[:]))):
		return s, true, house.ErrOtherBytes
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
// it was here with others, ErrErased if the household erased its visit, and
// ErrNoSpace if the disk can't take it. Once begun it goes on to the end, even
// if ctx is done.
func (a *Archive) Keep(ctx context.Context, n house.NewStill) (visit string, added bool, err error) {
	release, err := a.holdIncoming(syscall.LOCK_SH)
	if err != nil {
		return "", false, err
	}
	defer release()
	// A transaction cut short, since the bell hung up, would leave the file
	// of a visitor behind.
	ctx = context.WithoutCancel(ctx)
	mark, step, err := a.clockMark(ctx)
	if err != nil {
		return "", false, spaceError(err)
	}
	n.ReceivedAt = a.sinceSet(n.ReceivedAt, step)
	id, key, l := newID(), seal.NewKey(), a.labelOf(n, mark.Valid)
	defer clear(key[:])
	sealed, err := a.sealStill(key, l, n.JPEG)
	if err != nil {
		return "", false, err
	}
	if err := a.checkDiskSpace(len(sealed)); err != nil {
		return "", false, fmt.Errorf("writing a still: %w", spaceError(err))
	}
	written := a.writeBeside(id, sealed)
	err = a.update(ctx, func(tx *sql.Tx) error {
		s, found, err := a.findFrame(ctx, tx, n.Bell, n.Ring, n.Frame, n.SentSHA256)
		if visit = s.Visit; err != nil || found {
			return err
		}
		slot := func() (int64, error) { return a.putKey(ctx, tx, key) }
		if visit, err = a.insertStill(ctx, tx, id, l, mark, slot, sealed); err == nil && !n.Imported {
			err = a.heard(ctx, tx, n, visit)
		}
		if err == nil {
			err = a.settle(ctx, tx, visit)
		}
		if err == nil { // the file and the keys are synced at once, both before the row is committed
			err = errors.Join(a.syncKeys(), written())
		}
		added = err == nil
		return err
	})
	_ = written() // before anybody removes it
	err = spaceError(err)
	if !added || errors.Is(err, house.ErrNoSpace) {
		// No row will ever name this file. Where it is not that sure,
		// since the commit itself failed, Recover finds out.
		os.Remove(a.incomingPath(id))
	}
	if err != nil || !added {
		return visit, false, err
	}
	a.shelve(id)
	a.signal()
	return visit, true, nil
}

// insertStill adds the rows of a still whose key is in a slot, for the caller to settle
// its visit.
func (a *Archive) insertStill(ctx context.Context, tx *sql.Tx, id string, n label, mark sql.NullString,
	slotOf func() (int64, error), sealed []byte) (visit string, err error) {
	bell, visit := a.bellID(n.Bell), a.visitID(n.Bell, n.Ring)
	if erased, err := isErased(ctx, tx, "visit", visit); err != nil {
		return "", err
	} else if erased {
		return "", house.ErrErased
	}
	ring, ringSlot, err := a.sealRing(ctx, tx, n.Ring, visit)
	if err != nil {
		return "", err
	}
	// settle gives the visit this same revision. A frame that comes late, when
	// the visit's others are smaller or gone, begins at the first stage.
	_, err = tx.ExecContext(ctx, `
		INSERT INTO visits (id, bell, ring, received_at, revision, counted_from, imported_at, doubt, slot)
		SELECT ?1, ?2, ?3, ?4, value + 1, ?4, ?5, iif(?5 IS NULL, ?6, NULL), ?7 FROM counters WHERE name = 'revision'
		ON CONFLICT (id) DO UPDATE SET stage = 0`,
		visit, bell, ring, micros(n.ReceivedAt), micros(n.ImportedAt), mark, ringSlot)
	if err != nil {
		return "", fmt.Errorf("adding the visit: %w", err)
	}
	slot, err := slotOf()
	if err != nil {
		return "", err
	}
	hash := sha256.Sum256(sealed)
	_, err = tx.ExecContext(ctx, `
		INSERT INTO stills (id, visit, frame, slot, sent_mac, sha256, size, width, height, damaged, received_at,
			taken_at, file, masked)
		VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?1, ?13)`,
		id, visit, n.Frame, slot, n.Sent, hash[:], len(sealed), n.Width, n.Height, n.Damaged,
		micros(n.ReceivedAt), micros(n.TakenAt), n.Masked)
	if err != nil {
		return "", fmt.Errorf("adding the still: %w", err)
	}
	return visit, nil
}

// heard notes that a bell rang now.
func (a *Archive) heard(ctx context.Context, tx *sql.Tx, n house.NewStill, visit string) error {
	_, err := tx.ExecContext(ctx, `UPDATE bells SET heard_at = ? WHERE id = ?`, micros(n.ReceivedAt), a.bellID(n.Bell))
	if err != nil {
		return fmt.Errorf("noting that the bell was heard: %w", err)
	}
	return a.takeForTrial(ctx, tx, visit)
}

// sealRing seals the name of a visit's ring, under a new key if the visit is new.
func (a *Archive) sealRing(ctx context.Context, tx *sql.Tx, ring, visit string) (sealed []byte, slot int64, err error) {
	err = tx.QueryRowContext(ctx, `SELECT ring FROM visits WHERE id = ?`, visit).Scan(&sealed)
	if errors.Is(err, sql.ErrNoRows) {
		return a.sealKeyed(ctx, tx, []byte(ring), "visits.ring", visit)
	}
	return sealed, 0, err // which stays, with its slot
}

// visitID is the id of the visit that a ring makes.
func (a *Archive) visitID(bell, ring string) string { return a.derivedID("ring", bell, ring) }

// stillPlace is what a still is sealed for.
func stillPlace(visit string, frame int) []string {
	return []string{"still", visit, strconv.Itoa(frame)}
}

// stillPath is where a still's file is in the end. Their names spread evenly
// over their first two characters, so no folder grows large.
func (a *Archive) stillPath(file string) string {
	return filepath.Join(a.dir, "stills", file[:2], file+stillSuffix)
}

// incomingPath is where a still's file is until its row is committed. What a
// crash leaves there, the next start moves on or keeps aside: so a start need not
// go through all the stills there are.
func (a *Archive) incomingPath(file string) string { return filepath.Join(a.dir, "incoming", file) }

// writeBeside writes a still's file while its caller goes on. Written waits for that, each
// time.
func (a *Archive) writeBeside(file string, data []byte) (written func() error) {
	failed := make(chan error, 1)
	go func() { failed <- a.writeIncoming(file, data) }()
	return sync.OnceValue(func() error {
		if err := <-failed; err != nil {
			return fmt.Errorf("writing a still: %w", err)
		}
		return nil
	})
}

// writeIncoming writes a still's file, whole and durable when it returns.
func (a *Archive) writeIncoming(file string, data []byte) error {
	path := a.incomingPath(file)
	if err := errors.Join(durable.Write(path, data), durable.SyncFolder(filepath.Dir(path))); err != nil {
		os.Remove(path)
		return err
	}
	return nil
}

// holdIncoming locks the folder incoming: shared, while a file is there that no row
// names yet, and alone, by a start that removes such files. So a command may bring
// stills in while a server starts.
func (a *Archive) holdIncoming(how int) (release func(), err error) {
	f, err := os.Open(filepath.Join(a.dir, "incoming"))
	if err != nil {
		return nil, fmt.Errorf("locking incoming: %w", spaceError(err))
	}
	if err := syscall.Flock(int(f.Fd()), how); err != nil {
		f.Close()
		return nil, fmt.Errorf("locking incoming: %w", err)
	}
	return func() { f.Close() }, nil
}

// shelve moves a still's file from incoming to its place, once its row is
// committed. If that fails the file stays where it is, where openStill finds
// it and the next start moves it.
func (a *Archive) shelve(file string) error {
	path := a.stillPath(file)
	if err := a.stillFolder(filepath.Dir(path)); err != nil {
		return err
	}
	return os.Rename(a.incomingPath(file), path)
}

// openStill reads a still's file, wherever it is by now.
func (a *Archive) openStill(file string) ([]byte, error) {
	data, err := os.ReadFile(a.stillPath(file))
	if !errors.Is(err, fs.ErrNotExist) {
		return data, err
	}
	if data, err := os.ReadFile(a.incomingPath(file)); err == nil {
		return data, nil
	}
	// Between the two looks it may have moved.
	return os.ReadFile(a.stillPath(file))
}

// removeFile removes a still's file, and its small pictures. It looks in incoming
// first, since files move from there to their place and never back.
func (a *Archive) removeFile(file string) error {
	for _, path := range []string{a.smallPath(file), a.incomingPath(file), a.stillPath(file)} {
		if err := removed(path); err != nil {
			return err
		}
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
	if err := durable.SyncFolder(filepath.Dir(path)); err != nil {
		return err
	}
	a.folders[path] = true
	return nil
}

// diskErrors are those of a disk that takes nothing more: it is full, may not be written,
// or is dead.
var diskErrors = []error{syscall.ENOSPC, syscall.EDQUOT, syscall.EROFS, syscall.EIO, syscall.ENXIO, syscall.ENODEV}

// spaceError adds ErrNoSpace to the errors of a disk that takes nothing more.
func spaceError(err error) error {
	refuses := slices.ContainsFunc(diskErrors, func(e error) bool { return errors.Is(err, e) })
	var e *sqlite.Error
	if errors.As(err, &e) {
		code := e.Code() & 0xff // without what SQLite's extended codes add
		refuses = refuses || code == sqlite3.SQLITE_FULL || code == sqlite3.SQLITE_READONLY || code == sqlite3.SQLITE_IOERR
	}
	if refuses {
		return fmt.Errorf("%w: %w", house.ErrNoSpace, err)
	}
	return err
}

// ReadStill returns the JPEG picture of a visit's frame. The error is
// ErrNotFound if there is no such frame or its still is gone, and seal.ErrOpen
// if its file is not as it was written.
func (a *Archive) ReadStill(ctx context.Context, visit string, frame int) ([]byte, error) {
	data, err := a.readStill(ctx, visit, frame)
	if err != nil {
		// It may have been replaced or erased between its row and its file.
		data, err = a.readStill(ctx, visit, frame)
	}
	return data, err
}

func (a *Archive) readStill(ctx context.Context, visit string, frame int) ([]byte, error) {
	var file string
	var slot int64
	err := a.read.QueryRowContext(ctx,
		`SELECT file, coalesce(slot, 0) FROM stills WHERE visit = ? AND frame = ? AND file IS NOT NULL`, visit,
		frame).Scan(&file, &slot)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, fmt.Errorf("frame %d of visit %s: %w", frame, visit, house.ErrNotFound)
	}
	if err != nil {
		return nil, fmt.Errorf("looking up frame %d of visit %s: %w", frame, visit, err)
	}
	sealed, err := a.openStill(file)
	if err != nil {
		return nil, fmt.Errorf("reading frame %d of visit %s: %w", frame, visit, err)
	}
	data, err := a.openPicture(sealed, slot, visit, frame)
	if err != nil {
		return nil, fmt.Errorf("opening frame %d of visit %s: %w", frame, visit, err)
	}
	return data, nil
}

// openFile opens what was sealed with the key in a slot.
func (a *Archive) openFile(sealed []byte, slot int64, place ...string) ([]byte, error) {
	key, err := a.keyIn(slot)
	if err != nil {
		return nil, err
	}
	defer clear(key[:])
	return key.Open(sealed, place...)
}

// Lock makes this the one server of the archive, until Close. The error is
// ErrInUse while another process is.
func (a *Archive) Lock() error {
	path, flags := filepath.Join(a.dir, "server.lock"), os.O_CREATE|os.O_RDWR
	if a.ReadOnly() {
		path, flags = a.dir, os.O_RDONLY
	}
	f, err := os.OpenFile(path, flags, 0o600)
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

// Recovered says what [Archive.Recover] did with files.
type Recovered struct {
	Removed int // of no use any more
	Aside   int // that no row names, kept aside
	Back    int // that were aside, and that a row names again or that say whose they are
}

// Recover makes good what a crash left half done: stills on their way in are
// moved to their place if a row names them, and kept aside if none does; stills
// that were to be removed are. Only the holder of the lock may call it, before it
// accepts anything.
func (a *Archive) Recover(ctx context.Context) (r Recovered, err error) {
	if a.lock == nil {
		return r, errors.New("recovering the archive: it is not locked")
	}
	if a.ReadOnly() {
		return r, nil
	}
	if err := a.recoverIncoming(ctx, &r); err != nil {
		return r, fmt.Errorf("recovering the archive: %w", damage(err))
	}
	if r.Back, err = a.returnNamed(ctx); err == nil {
		err = errors.Join(a.finishRemovals(ctx), a.holdUnnamed(ctx))
	}
	if err == nil {
		var adopted int
		adopted, err = a.adoptAside(ctx)
		r.Back += adopted
	}
	if err != nil {
		return r, fmt.Errorf("recovering the archive: %w", err)
	}
	var due int
	if err := a.read.QueryRowContext(ctx, `SELECT value FROM counters WHERE name = 'stray_walk'`).Scan(&due); err != nil {
		return r, fmt.Errorf("recovering the archive: %w", err)
	}
	if due == 0 {
		return r, nil
	}
	// The first Lintel did not list the files of what it erased: those are strays.
	strays, err := a.strays(ctx, func(_, path string) (bool, error) { return true, removed(path) })
	if r.Removed += strays; err != nil {
		return r, err
	}
	_, err = a.write.ExecContext(ctx, `UPDATE counters SET value = 0 WHERE name = 'stray_walk'`)
	return r, err
}

func (a *Archive) recoverIncoming(ctx context.Context, r *Recovered) error {
	release, err := a.holdIncoming(syscall.LOCK_EX)
	if err != nil {
		return err
	}
	defer release()
	waiting, err := os.ReadDir(filepath.Join(a.dir, "incoming"))
	if err != nil {
		return err
	}
	for _, f := range waiting {
		if strings.HasSuffix(f.Name(), smallSuffix) {
			r.Removed++
			err = a.recoverSmall(ctx, f.Name())
		} else {
			err = a.recoverStill(ctx, f.Name(), r)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// recoverStill makes good what a crash left of a still on its way in.
func (a *Archive) recoverStill(ctx context.Context, file string, r *Recovered) error {
	named, err := a.isNamed(ctx, file)
	if err != nil {
		return err
	}
	lost, err := a.isLost(ctx, file)
	switch {
	case err != nil:
		return err
	case named && !exists(a.stillPath(file)):
		return a.shelve(file)
	case named: // it is in its place
		r.Removed++
		return os.Remove(a.incomingPath(file))
	case !lost: // it is listed for removal
		r.Removed++
		return nil
	}
	kept, err := a.setAside(ctx, a.incomingPath(file), file)
	if kept {
		r.Aside++
	} else {
		r.Removed++
	}
	return err
}

func exists(path string) bool {
	_, err := os.Lstat(path)
	return err == nil
}

// isNamed reports whether a row names the file.
func (a *Archive) isNamed(ctx context.Context, file string) (named bool, err error) {
	err = a.read.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM stills WHERE file = ?)`, file).Scan(&named)
	return named, err
}

// walkStills calls f with every file among the stills that is called like one, or like
// the small pictures of one.
func (a *Archive) walkStills(ctx context.Context, f func(file, path string) error) error {
	return filepath.WalkDir(filepath.Join(a.dir, "stills"), func(path string, d fs.DirEntry, err error) error {
		if err == nil {
			err = ctx.Err()
		}
		file, ours := fileOf(path)
		if err != nil || d.IsDir() || !ours {
			return err
		}
		return f(file, path)
	})
}

// fileOf returns the still's file that a path is of, or whose small pictures it is of.
func fileOf(path string) (file string, ours bool) {
	name := filepath.Base(path)
	if file, ours = strings.CutSuffix(name, stillSuffix); !ours {
		file, ours = strings.CutSuffix(name, smallSuffix)
	}
	return file, ours && len(file) >= 2
}
