package backup

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path"
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
	// Key returns the archive's master key. It is called once, with a folder
	// that holds the database and the passphrase's salt, if there is one.
	Key func(dir string) (seal.Key, error)
	// Identities open an encrypted backup.
	Identities []age.Identity
	// Snapshot is the name of the one to restore, "" for the newest.
	Snapshot string
	// Household, if not "", must be the archive's ([store.Archive.Household]).
	Household string
	// RespectErasures erases in the restored archive what was erased since.
	RespectErasures bool
	// Former, if not nil, is an archive of the same household whose erasures
	// are respected besides those that the folder of backups knows.
	Former *store.Archive
	// SkipDamaged leaves out stills whose copies are damaged or missing,
	// instead of restoring nothing. [store.Archive.Verify] then names them.
	SkipDamaged bool
	// Now is the clock of what RespectErasures writes to the audit trail; nil
	// is time.Now.
	Now func() time.Time
	// Progress, if not nil, is told after each still.
	Progress func(done, total int)
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
}

// restoringDir is what a folder that is being restored into holds until it is
// an archive.
const restoringDir = ".restoring"

// Restore makes an archive in the folder into, which must be empty or not
// exist, of a snapshot in dir, a folder that [Write] made. Every
// file is compared with its SHA-256, and the database comes to its
// place last: if anything is wrong, into is left as it was. What a crash leaves
// there is cleared by the next Restore.
//
// The archive is, byte for byte, the one that was backed up: even the audit
// trail has no entry of it, which is for [store.Archive.Restored]. It has again what was revoked since: secrets of
// bells, API tokens, sessions, tablets. Visits that are past their time go at the first
// sweep.
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
	into     string
	work     string                   // where the archive is put together
	own      []string                 // the snapshot's own files
	suffix   string                   // of stills' names in the backup
	listed   erasureList              // in the folder
	erasures map[string]store.Erasure // by what and id, those that the restore knows of
	opened   bool                     // the database, so that an identity opens all else
	key      seal.Key
	moved    []string // from work to their place
	report   Restored
}

func (r *restore) run(ctx context.Context, dir string) (err error) {
	if r.folder, err = openFolder(dir); errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("%w: it has no file %s", ErrNotBackup, markFile)
	} else if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, r.folder.close()) }()
	if err := r.choose(); err != nil {
		return err
	}
	if r.own, r.suffix, err = r.folder.checkOwnFiles(r.snapshot); err != nil {
		if errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("%w: %s of snapshot %s is missing", ErrDamaged, sumsFile, r.snapshot.name)
		}
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
	if err := r.fill(ctx); err != nil {
		return err
	}
	if r.o.RespectErasures {
		if err := r.respectErasures(ctx); err != nil {
			return err
		}
	}
	return r.moveIn()
}

// choose finds the snapshot.
func (r *restore) choose() error {
	all, err := r.folder.snapshots()
	if err != nil {
		return err
	}
	if r.o.Snapshot != "" {
		all = slices.DeleteFunc(all, func(s snapshot) bool { return s.name != r.o.Snapshot })
	}
	if len(all) == 0 {
		return fmt.Errorf("%w; %s lists them", ErrNoSnapshot, filepath.Join(r.folder.dir, snapshotsDir))
	}
	r.snapshot = all[len(all)-1]
	r.report.Snapshot, r.report.MadeAt, r.report.Household = r.snapshot.name, r.snapshot.madeAt, r.folder.household
	if r.o.Household != "" && r.o.Household != r.folder.household {
		return fmt.Errorf("%w: they are of %s", ErrOtherHousehold, r.folder.household)
	}
	return nil
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
	for _, name := range []string{databaseFile, saltFile} {
		stored := storedName(name, slices.Contains(r.own, name+ageSuffix))
		if !slices.Contains(r.own, stored) {
			continue // an archive without a passphrase
		}
		_, err := r.copyFile(path.Join(snapshotsDir, r.snapshot.name, stored), filepath.Join(r.work, name), math.MaxInt64)
		if err != nil {
			return err
		}
		r.opened = true
	}
	keys := path.Join(snapshotsDir, r.snapshot.name, keysFile)
	if exists(filepath.Join(r.folder.dir, keys)) { // earlier versions had them in the database
		if _, err := r.copyFile(keys, filepath.Join(r.work, keysFile), math.MaxInt64); err != nil {
			return err
		}
	}
	database, err := r.openDatabase(ctx)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, database.Close()) }()
	if err := r.checkErasures(database); err != nil {
		return err
	}
	if err := database.CheckKeys(ctx); err != nil && !r.o.SkipDamaged {
		return fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	return r.restoreStills(ctx, database)
}

// openDatabase asks for the master key and opens the database with it, which
// must be of the same household as the folder.
func (r *restore) openDatabase(ctx context.Context) (*store.Snapshot, error) {
	var err error
	if r.key, err = r.o.Key(r.work); err != nil {
		return nil, err
	}
	database, err := store.OpenSnapshot(ctx, r.work, r.key)
	if err != nil {
		return nil, err
	}
	household, err := database.Household(ctx)
	if err == nil && household != r.folder.household {
		err = fmt.Errorf("%w: the folder says %s, the snapshot %s", ErrOtherHousehold, r.folder.household, household)
	}
	if err != nil {
		return nil, errors.Join(err, database.Close())
	}
	return database, nil
}

// restoreStills restores the files of the stills that the database names.
func (r *restore) restoreStills(ctx context.Context, database *store.Snapshot) error {
	total, err := database.CountStills(ctx)
	if err != nil {
		return err
	}
	kept, err := openLists(filepath.Join(r.snapshot.dir, sumsFile))
	if err != nil {
		return err
	}
	defer kept.close()
	folders := make(map[string]bool) // of stills, to be synced
	done := 0
	err = database.SealedFiles(ctx, func(s store.SealedFile) error {
		if !fileName.MatchString(s.File) {
			return fmt.Errorf("%w: it names a still that can't be one", ErrDamaged)
		}
		_, known, err := kept.find(stillIn(s.File, r.suffix))
		if err != nil {
			return err
		}
		if !known {
			r.report.Lost++
		} else if err := r.restoreStill(database, s, folders); err != nil {
			return err
		}
		if done++; r.o.Progress != nil {
			r.o.Progress(done, total)
		}
		return ctx.Err()
	})
	for folder := range folders {
		err = errors.Join(err, durable.SyncFolder(folder))
	}
	return errors.Join(err, durable.SyncFolder(filepath.Join(r.work, stillsDir)), durable.SyncFolder(r.work))
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

// restoreStill restores a still's file, unless it was erased since.
func (r *restore) restoreStill(database *store.Snapshot, s store.SealedFile, folders map[string]bool) error {
	stored := stillIn(s.File, r.suffix)
	if _, erased := r.erasures["still "+s.File]; erased {
		if r.o.RespectErasures {
			return nil
		}
		if !exists(filepath.Join(r.folder.dir, stored)) {
			return fmt.Errorf("%w, and are gone; it can be restored without what was erased, by respecting the erasures",
				ErrErasedSince)
		}
	}
	to := filepath.Join(r.work, stillIn(s.File, stillSuffix))
	if err := os.Mkdir(filepath.Dir(to), 0o700); err != nil && !errors.Is(err, fs.ErrExist) {
		return err
	}
	folders[filepath.Dir(to)] = true
	sum, err := r.copyFile(stored, to, s.Size+1)
	if err == nil && sum != hex.EncodeToString(s.SHA256) {
		err = fmt.Errorf("%w: %s is not what the database says", ErrDamaged, stored)
	}
	if err == nil && !database.HasKey(s) {
		err = fmt.Errorf("%w: the key of %s is lost", ErrDamaged, stored)
	}
	if r.o.SkipDamaged && errors.Is(err, ErrDamaged) {
		r.report.Damaged++
		if err := os.Remove(to); !errors.Is(err, fs.ErrNotExist) {
			return err
		}
		return nil
	}
	r.report.Stills++
	return err
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
