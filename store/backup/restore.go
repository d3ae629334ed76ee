package backup

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"time"

	"filippo.io/age"

	"lintel/store"
	"lintel/store/internal/durable"
	"lintel/store/seal"
)

// Errors of [Restore] that callers test for with errors.Is, beside those of
// [Write].
var (
	// ErrNotEmpty says that the folder to restore into holds something.
	ErrNotEmpty = errors.New("the folder to restore into is not empty")
	// ErrNoSnapshot says that there is no snapshot, or none of that name.
	ErrNoSnapshot = errors.New("there is no such snapshot")
	// ErrDamaged says that a file of the backup is missing, cut or changed.
	ErrDamaged = errors.New("the backup is damaged")
	// ErrIdentity says that the backup is encrypted to others than the
	// identities that were given, or that none was given.
	ErrIdentity = errors.New("no age identity given opens the backup")
	// ErrForgedErasures says that the list of what was erased is not one that the
	// archive wrote with its newest snapshot.
	ErrForgedErasures = errors.New("the list of erasures is not the one that the last backup wrote")
	// ErrErasedSince says that stills of the snapshot were erased since, so
	// that it can be restored only without what was erased.
	ErrErasedSince = errors.New("stills of this snapshot were erased since")
)

// RestoreOptions say what to restore, and how.
type RestoreOptions struct {
	// Key returns the archive's master key. It is called with a folder that holds the
	// database and the passphrase's salt, if there is one; again for each snapshot tried.
	Key func(dir string) (seal.Key, error)
	// Identities open an encrypted backup.
	Identities []age.Identity
	// Snapshot is the name of the one to restore, "" for the newest that can be had. Copies of a
	// damaged archive are restored by their name only.
	Snapshot string
	// Household, if not "", must be the archive's ([store.Archive.Household]).
	Household string
	// RespectErasures erases in the restored archive what was erased since.
	RespectErasures bool
	// Former, if not nil, is an archive of the same household whose erasures
	// are respected besides those that the folder of backups knows.
	Former *store.Archive
	// Now is the clock of what RespectErasures writes to the audit trail; nil
	// is time.Now.
	Now func() time.Time
	// Progress, if not nil, is told after each still.
	Progress func(done, total int)

	sample string // the one visit whose stills are restored, "" for all
}

// A Restored says what was restored.
type Restored struct {
	Snapshot  string    `json:"snapshot"`
	MadeAt    time.Time `json:"made_at"`
	Household string    `json:"household"`
	Stills    int       `json:"stills"`
	Lost      int       `json:"lost"`    // stills that the archive had lost before; a look at them fails
	Damaged   int       `json:"damaged"` // stills left out since their copies are damaged
	Erased    int       `json:"erased"`  // visits, persons and stills in the snapshot that were erased since
	Items     []Item    `json:"items"`   // what of the backup is damaged, the first hundred
	Costs     int       `json:"costs"`   // how many items cost something, listed or not
}

// An Item is something in a folder of backups that is damaged.
type Item struct {
	What   string `json:"what"`
	File   string `json:"file"`             // in the folder
	Of     string `json:"of,omitempty"`     // the row that lost it, or why a snapshot can't be had
	Visit  string `json:"visit,omitempty"`  // of a still
	Frame  int    `json:"frame,omitempty"`  // of it
	Mended bool   `json:"mended,omitempty"` // what is in the folder besides made up for it
}

// What an item may be.
const (
	OfMark     = "household"
	OfErasures = "erasures"
	OfSnapshot = "snapshot" // which could not be had, and an older one was
	OfPiece    = "piece"
	OfSalt     = "salt"
	OfKey      = "key"
	OfStill    = "still"
)

const itemsNamed = 100

// restoringDir is what a folder that is being restored into holds until it is
// an archive.
const restoringDir = ".restoring"

// Restore makes an archive in the folder into, which must be empty or not
// exist, of a snapshot in dir, a folder that [Write] made. Every
// file is compared with its SHA-256, and the database comes to its
// place last: if nothing can be restored, into is left as it was. What a crash leaves
// there is cleared by the next Restore.
//
// The archive is, byte for byte, the one that was backed up: even the audit
// trail has no entry of it, which is for [store.Archive.Restored]. It has again what was revoked since: secrets of
// bells, API tokens, sessions, tablets. Visits that are past their time go at the first
// sweep.
//
// What is damaged in the folder costs no more than itself, and [Restored] tells of it: a still is
// left out, a key is looked for in other snapshots and else leaves its row unreadable, a piece of
// the database is made anew of the others of its group. Where two of a group are gone, the next
// older snapshot takes the place of the newest.
//
// With RespectErasures what was erased since the snapshot is erased from the
// restored archive too: visits, persons and stills, held or not, as far as
// the last backup to dir knows, or Former. That, and the restoring, is noted in
// the audit trail. Without it, a snapshot that names erased stills is not
// restored, since those are gone: the error is ErrErasedSince.
//
// The other errors are ErrNotEmpty, ErrNoSnapshot, ErrDamaged, ErrForgedErasures,
// ErrIdentity, ErrNotBackup, ErrOtherHousehold, ErrNewer, ErrInUse, those of
// [store.OpenSnapshot] and those of Key.
func Restore(ctx context.Context, dir, into string, o RestoreOptions) (Restored, error) {
	r := &restore{o: o, into: into, work: filepath.Join(into, restoringDir)}
	r.report.Items = []Item{}
	if err := r.run(ctx, dir); err != nil {
		return r.report, fmt.Errorf("restoring from %s: %w", dir, err)
	}
	return r.report, nil
}

// A restore is under way.
type restore struct {
	o        RestoreOptions
	folder   *folder
	snapshot snapshot
	manifest manifest // of it
	into     string
	work     string                   // where the archive is put together
	listed   erasureList              // in the folder
	unlisted bool                     // that is damaged, and Former knows
	erasures map[string]store.Erasure // by what and id, those that the restore knows of
	opened   bool                     // something, so that an identity opens all else
	key      seal.Key
	moved    []string // from work to their place
	report   Restored
}

// item tells of something that is damaged.
func (r *restore) item(i Item) {
	if !i.Mended {
		r.report.Costs++
	}
	if len(r.report.Items) < itemsNamed {
		r.report.Items = append(r.report.Items, i)
	}
}

func (r *restore) run(ctx context.Context, dir string) (err error) {
	if r.folder, err = openFolder(dir); errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("%w: it has no file %s", ErrNotBackup, markFile)
	} else if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, r.folder.close()) }()
	if r.folder.markLost != nil {
		r.item(Item{What: OfMark, File: markFile, Mended: true})
	}
	candidates, err := r.choose()
	if err != nil {
		return err
	}
	if err := r.knowErasures(ctx); err != nil {
		return err
	}
	made, err := claim(r.into)
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			if left := release(r.into, r.moved, made); left != nil {
				err = fmt.Errorf("%w; clearing %s: %w", err, r.into, left)
			} else {
				err = fmt.Errorf("%w; nothing was changed in %s", err, r.into)
			}
		}
	}()
	if err := r.fillFirst(ctx, candidates); err != nil {
		return err
	}
	if r.o.RespectErasures {
		if err := r.respectErasures(ctx); err != nil {
			return err
		}
	}
	return r.moveIn()
}

// choose finds the snapshots to be tried, in their order.
func (r *restore) choose() (candidates []snapshot, err error) {
	all, err := r.folder.snapshots()
	if err != nil {
		return nil, err
	}
	if r.o.Snapshot != "" {
		damaged, err := r.folder.damaged()
		if err != nil {
			return nil, err
		}
		all = slices.DeleteFunc(append(all, damaged...), func(s snapshot) bool { return s.name != r.o.Snapshot })
	}
	if len(all) == 0 {
		return nil, fmt.Errorf("%w; %s lists them", ErrNoSnapshot, filepath.Join(r.folder.dir, snapshotsDir))
	}
	slices.Reverse(all)
	return all, r.checkHousehold()
}

// checkHousehold compares whose backups these are with whose are asked for, once that is known.
func (r *restore) checkHousehold() error {
	r.report.Household = r.folder.household
	if r.o.Household != "" && r.folder.household != "" && r.o.Household != r.folder.household {
		return fmt.Errorf("%w: they are of %s", ErrOtherHousehold, r.folder.household)
	}
	return nil
}

// fillFirst puts an archive together of the first of the snapshots that is whole enough.
func (r *restore) fillFirst(ctx context.Context, candidates []snapshot) error {
	var first error
	for _, s := range candidates {
		before := r.report
		r.snapshot = s
		r.report.Snapshot, r.report.MadeAt = s.name, s.madeAt
		err := r.fill(ctx)
		if first == nil {
			first = err
		}
		if !errors.Is(err, ErrDamaged) && !errors.Is(err, store.ErrDamaged) {
			return err
		}
		r.report = before
		r.item(Item{What: OfSnapshot, File: s.here(), Of: err.Error()})
		if err := empty(r.work); err != nil {
			return err
		}
	}
	return first
}

// claim makes the folder to restore into, if it is not there, and reports
// whether it did.
func claim(into string) (made bool, err error) {
	there, err := os.ReadDir(into)
	if errors.Is(err, fs.ErrNotExist) {
		if err := os.MkdirAll(into, 0o700); err != nil {
			return false, err
		}
		made = true
	} else if err != nil {
		return false, err
	}
	begun := func(e fs.DirEntry) bool { return e.Name() == restoringDir }
	switch {
	case len(there) == 0:
	case slices.ContainsFunc(there, begun) && !store.Exists(into):
		if err := release(into, movedIn, false); err != nil { // what a restore that was killed left
			return false, err
		}
		if there, err = os.ReadDir(into); err != nil || len(there) > 0 {
			return false, errors.Join(err, ErrNotEmpty)
		}
	default:
		return false, fmt.Errorf("%w: %s holds %s; nothing was changed", ErrNotEmpty, into, there[0].Name())
	}
	return made, os.Mkdir(filepath.Join(into, restoringDir), 0o700)
}

// movedIn are the parts of an archive, in the order in which they move to their
// place: what lacks the last is no archive.
var movedIn = []string{stillsDir, incomingDir, keysFile, saltFile, databaseFile}

// release leaves the folder as it was before claim, of which parts moved to
// their place.
func release(into string, moved []string, made bool) error {
	var err error
	for _, name := range moved {
		err = errors.Join(err, os.RemoveAll(filepath.Join(into, name)))
	}
	err = errors.Join(err, os.RemoveAll(filepath.Join(into, restoringDir)))
	if made {
		err = errors.Join(err, os.Remove(into))
	}
	return err
}

// fill puts the archive together in its working folder.
func (r *restore) fill(ctx context.Context) (err error) {
	for _, d := range []string{stillsDir, incomingDir} {
		if err := os.Mkdir(filepath.Join(r.work, d), 0o700); err != nil {
			return err
		}
	}
	if r.manifest, err = r.folder.manifest(r.snapshot); err != nil {
		return err
	}
	for _, part := range []func() error{r.restoreDatabase, r.restoreSalt, r.restoreKeys} {
		if err := errors.Join(ctx.Err(), part()); err != nil {
			return err
		}
	}
	if r.key, err = r.o.Key(r.work); err != nil {
		return err
	}
	if err := r.mendDatabase(ctx); err != nil {
		return err
	}
	database, err := r.openDatabase(ctx)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, database.Close()) }()
	if err := r.checkErasures(database); err != nil {
		return err
	}
	if err := r.mendKeys(ctx, database); err != nil {
		return err
	}
	return r.restoreStills(ctx, database)
}

// openDatabase opens the database, which must be of the same household as the folder.
func (r *restore) openDatabase(ctx context.Context) (*store.Snapshot, error) {
	database, err := store.OpenSnapshot(ctx, r.work, r.key)
	if err != nil {
		return nil, err
	}
	household, err := database.Household(ctx)
	if err == nil && r.folder.household == "" {
		r.folder.household = household
		err = r.checkHousehold()
	}
	if err == nil && household != r.folder.household {
		err = fmt.Errorf("%w: the folder says %s, the snapshot %s", ErrOtherHousehold, r.folder.household, household)
	}
	if err != nil {
		return nil, errors.Join(err, database.Close())
	}
	return database, nil
}

// open opens a file of the backup, decrypted if its name says that it is
// encrypted.
func (r *restore) open(name string) (*storedReader, error) {
	f, err := os.Open(name)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("%w: %s is missing", ErrDamaged, filepath.Base(name))
	}
	if err != nil {
		return nil, err
	}
	if filepath.Ext(name) != ageSuffix {
		return &storedReader{f, f}, nil
	}
	if len(r.o.Identities) == 0 {
		return nil, errors.Join(fmt.Errorf("%w: it is encrypted, and none was given", ErrIdentity), f.Close())
	}
	plain, err := age.Decrypt(f, r.o.Identities...)
	var noMatch *age.NoIdentityMatchError
	switch {
	case errors.As(err, &noMatch) && !r.opened:
		return nil, errors.Join(ErrIdentity, f.Close())
	case err != nil:
		return nil, errors.Join(fmt.Errorf("%w: decrypting %s: %w", ErrDamaged, filepath.Base(name), err), f.Close())
	}
	r.opened = true
	return &storedReader{plain, f}, nil
}

// A storedReader reads a file of a backup.
type storedReader struct {
	io.Reader
	io.Closer
}

// copyFile copies a file of the backup, of less than limit bytes, and returns
// the copy's SHA-256. Its content is durable, not yet its name.
func (r *restore) copyFile(stored, to string, limit int64) (sum string, err error) {
	source, err := r.open(filepath.Join(r.folder.dir, stored))
	if err != nil {
		return "", err
	}
	defer source.Close()
	s, err := createStored(to, nil)
	if err != nil {
		return "", err
	}
	failed := &readError{Reader: io.LimitReader(source, limit)}
	if _, err := io.Copy(s, failed); err != nil {
		if failed.err != nil {
			err = fmt.Errorf("%w: reading %s: %w", ErrDamaged, stored, err)
		}
		return "", errors.Join(err, s.close())
	}
	return s.finish()
}

// A readError tells errors of reading from those of writing.
type readError struct {
	io.Reader
	err error
}

func (r *readError) Read(p []byte) (n int, err error) {
	n, err = r.Reader.Read(p)
	if err != nil && err != io.EOF {
		r.err = err
	}
	return n, err
}

// moveIn moves the archive to its place.
func (r *restore) moveIn() error {
	for _, name := range movedIn {
		from, to := filepath.Join(r.work, name), filepath.Join(r.into, name)
		if !exists(from) {
			continue // an archive without a passphrase, or of an earlier version
		}
		if exists(to) {
			return fmt.Errorf("%w any more: %s came meanwhile", ErrNotEmpty, to)
		}
		if err := errors.Join(os.Rename(from, to), durable.SyncFolder(r.into)); err != nil {
			return err
		}
		r.moved = append(r.moved, name)
	}
	return errors.Join(os.RemoveAll(r.work), durable.SyncFolder(r.into), durable.SyncFolder(filepath.Dir(r.into)))
}
