package store

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"filippo.io/age"

	"lintel/store/seal"
)

// Errors of [Restore] that callers test for with errors.Is, beside those of
// [Archive.Backup].
var (
	// ErrNotEmpty says that the folder to restore into holds something.
	ErrNotEmpty = errors.New("the folder to restore into is not empty")
	// ErrNoSnapshot says that there is no snapshot, or none of that name.
	ErrNoSnapshot = errors.New("there is no such snapshot")
	// ErrBackupDamaged says that a file of the backup is missing, cut or changed.
	ErrBackupDamaged = errors.New("the backup is damaged")
	// ErrIdentity says that the backup is encrypted to others than the
	// identities that were given, or that none was given.
	ErrIdentity = errors.New("no age identity given opens the backup")
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
	// Household, if not "", must be the archive's ([Archive.Household]).
	Household string
	// RespectErasures erases in the restored archive what was erased since.
	RespectErasures bool
	// Former, if not nil, is an archive of the same household whose erasures
	// are respected besides those that the folder of backups knows.
	Former *Archive
	// SkipDamaged leaves out stills whose copies are damaged or missing,
	// instead of restoring nothing. [Archive.Verify] then names them.
	SkipDamaged bool
	// Now is the clock of what RespectErasures writes to the audit trail; nil
	// is time.Now.
	Now func() time.Time
	// Progress, if not nil, is told after each still.
	Progress func(done, total int)
}

// A RestoreReport says what was restored.
type RestoreReport struct {
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
// exist, of a snapshot in dir, a folder that [Archive.Backup] made. Every
// file is compared with the manifest's SHA-256, and the database comes to its
// place last: if anything is wrong, into is left as it was. What a crash leaves
// there is cleared by the next Restore.
//
// The archive is, byte for byte, the one that was backed up: even the audit
// trail has no entry of it. It has again what was revoked since: secrets of
// bells, sessions, tablets. Visits that are past their time go at the first
// sweep.
//
// With RespectErasures what was erased since the snapshot is erased from the
// restored archive too: visits, persons and stills, held or not, as far as
// the last backup to dir knows, or Former. That, and the restoring, is noted in
// the audit trail. Without it, a snapshot that names erased stills is not
// restored, since those are gone: the error is ErrErasedSince.
//
// The other errors are ErrNotEmpty, ErrNoSnapshot, ErrBackupDamaged,
// ErrIdentity, ErrWrongKey, ErrNotBackup, ErrOtherHousehold, ErrNewerBackup,
// ErrNewerArchive, ErrBackupInUse, and those of Key.
func Restore(ctx context.Context, dir, into string, o RestoreOptions) (RestoreReport, error) {
	r := &restore{o: o, into: into, work: filepath.Join(into, restoringDir)}
	if err := r.run(ctx, dir); err != nil {
		return r.report, fmt.Errorf("restoring from %s: %w", dir, err)
	}
	return r.report, nil
}

// A restore is under way.
type restore struct {
	o        RestoreOptions
	folder   *backupFolder
	snapshot snapshot
	into     string
	work     string             // where the archive is put together
	suffix   string             // of stills' names in the backup
	erasures map[string]Erasure // by what and id, those that the restore knows of
	opened   bool               // the manifest, so that an identity opens all else
	key      seal.Key
	moved    []string // from work to their place
	report   RestoreReport
}

func (r *restore) run(ctx context.Context, dir string) (err error) {
	if r.folder, err = openBackupFolder(dir); errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("%w: it has no file %s", ErrNotBackup, markFile)
	} else if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, r.folder.close()) }()
	if err := r.choose(); err != nil {
		return err
	}
	if err := r.folder.checkOwnFiles(r.snapshot); err != nil {
		if errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("%w: %s of snapshot %s is missing", ErrBackupDamaged, sumsFile, r.snapshot.name)
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
	r.report.Snapshot, r.report.Household = r.snapshot.name, r.folder.household
	if r.o.Household != "" && r.o.Household != r.folder.household {
		return fmt.Errorf("%w: they are of %s", ErrOtherHousehold, r.folder.household)
	}
	return nil
}

// knowErasures collects what was erased, as far as it can be known.
func (r *restore) knowErasures(ctx context.Context) error {
	all, err := r.folder.erasures()
	if err != nil {
		return err
	}
	if r.o.Former != nil {
		household, err := r.o.Former.Household(ctx)
		if err != nil {
			return err
		}
		if household != r.folder.household {
			return fmt.Errorf("%w than the archive whose erasures are to be respected", ErrOtherHousehold)
		}
		more, err := r.o.Former.Erasures(ctx)
		if err != nil {
			return err
		}
		all = append(all, more...)
	}
	r.erasures = make(map[string]Erasure, len(all))
	for _, e := range all {
		r.erasures[e.What+" "+e.ID] = e
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
	case slices.ContainsFunc(there, begun) && !Exists(into):
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
var movedIn = []string{stillsDir, incomingDir, saltFile, databaseFile}

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
func (r *restore) fill(ctx context.Context) error {
	name := filepath.Join(r.snapshot.dir, manifestFile)
	encrypted := exists(name + ageSuffix)
	source, err := r.open(storedName(name, encrypted))
	if err != nil {
		return err
	}
	defer source.Close()
	r.opened = true
	damaged := func(err error) error {
		return fmt.Errorf("%w: reading %s: %w", ErrBackupDamaged, manifestFile, err)
	}
	var m manifest
	var stepErr error // of a step, not of the manifest itself
	step := func(err error) error {
		stepErr = err
		return err
	}
	folders := make(map[string]bool) // of stills, to be synced
	done := 0
	err = readManifest(source, func(head manifest) error {
		m = head
		return step(r.begin(ctx, head, encrypted))
	}, func(s manifestStill) error {
		if !fileName.MatchString(s.File) {
			return errors.New("it names a still that can't be one")
		}
		if err := step(errors.Join(ctx.Err(), r.restoreStill(s, folders))); err != nil {
			return err
		}
		if done++; r.o.Progress != nil {
			r.o.Progress(done, m.StillsCount)
		}
		return nil
	})
	switch {
	case stepErr != nil:
		return stepErr
	case err != nil:
		return damaged(err)
	case done != m.StillsCount:
		return damaged(fmt.Errorf("it lists %d stills of %d", done, m.StillsCount))
	}
	for folder := range folders {
		if err := syncFolder(folder); err != nil {
			return err
		}
	}
	return errors.Join(syncFolder(filepath.Join(r.work, stillsDir)), syncFolder(r.work))
}

// begin restores the database and the salt, and sees to it that the master key
// opens them.
func (r *restore) begin(ctx context.Context, m manifest, encrypted bool) error {
	switch {
	case m.Format > manifestFormat:
		return ErrNewerBackup
	case m.Household != r.folder.household:
		return fmt.Errorf("%w: the folder says %s, the snapshot %s", ErrOtherHousehold, r.folder.household, m.Household)
	case m.Snapshot != r.snapshot.name:
		return fmt.Errorf("%w: the snapshot calls itself %s", ErrBackupDamaged, m.Snapshot)
	}
	if !suffixes.MatchString(m.Suffix) {
		return fmt.Errorf("%w: it names no stills that a backup writes", ErrBackupDamaged)
	}
	r.report.MadeAt, r.suffix = m.MadeAt, m.Suffix
	for _, d := range []string{stillsDir, incomingDir} {
		if err := os.Mkdir(filepath.Join(r.work, d), 0o700); err != nil {
			return err
		}
	}
	parts := map[string]manifestPart{databaseFile: m.Database}
	if m.Salt != (manifestPart{}) {
		parts[saltFile] = m.Salt
	}
	for name, part := range parts {
		stored := path.Join(snapshotsDir, r.snapshot.name, storedName(name, encrypted))
		if err := r.copyPart(stored, filepath.Join(r.work, name), part); err != nil {
			return err
		}
	}
	return r.checkKey(ctx)
}

// checkKey asks for the master key and tries it on the database, without
// changing that.
func (r *restore) checkKey(ctx context.Context) error {
	var err error
	if r.key, err = r.o.Key(r.work); err != nil {
		return err
	}
	seals, err := seal.NewSealer(r.key)
	if err != nil {
		return err
	}
	return (&Archive{dir: r.work, seals: seals}).tryKey(ctx, "rw")
}

// open opens a file of the backup, decrypted if its name says that it is
// encrypted.
func (r *restore) open(name string) (*storedReader, error) {
	f, err := os.Open(name)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("%w: %s is missing", ErrBackupDamaged, filepath.Base(name))
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
		return nil, errors.Join(fmt.Errorf("%w: decrypting %s: %w", ErrBackupDamaged, filepath.Base(name), err), f.Close())
	}
	return &storedReader{plain, f}, nil
}

// A storedReader reads a file of a backup.
type storedReader struct {
	io.Reader
	io.Closer
}

// copyPart copies a file of the backup, and sees to it that it is what the
// manifest says. The copy's content is durable, not yet its name.
func (r *restore) copyPart(stored, to string, want manifestPart) error {
	source, err := r.open(filepath.Join(r.folder.dir, stored))
	if err != nil {
		return err
	}
	defer source.Close()
	s, err := createStored(to, nil)
	if err != nil {
		return err
	}
	part := newPartWriter(s)
	failed := &readError{Reader: io.LimitReader(source, want.Size+1)}
	if _, err := io.Copy(part, failed); err != nil {
		if failed.err != nil {
			err = fmt.Errorf("%w: reading %s: %w", ErrBackupDamaged, stored, err)
		}
		return errors.Join(err, s.close())
	}
	if part.part() != want {
		return errors.Join(fmt.Errorf("%w: %s is not what the manifest says", ErrBackupDamaged, stored), s.close())
	}
	_, err = s.finish()
	return err
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

// restoreStill restores a still's file, unless it was lost before the backup or
// erased since.
func (r *restore) restoreStill(s manifestStill, folders map[string]bool) error {
	if s.Lost {
		r.report.Lost++
		return nil
	}
	stored := stillIn(s.File, r.suffix)
	if _, erased := r.erasures["still "+s.File]; erased {
		if r.o.RespectErasures {
			return nil
		}
		if !exists(filepath.Join(r.folder.dir, stored)) {
			return fmt.Errorf("%w, and are gone; it can be restored without what was erased, by respecting the erasures", ErrErasedSince)
		}
	}
	to := filepath.Join(r.work, stillIn(s.File, stillSuffix))
	if err := os.Mkdir(filepath.Dir(to), 0o700); err != nil && !errors.Is(err, fs.ErrExist) {
		return err
	}
	folders[filepath.Dir(to)] = true
	err := r.copyPart(stored, to, manifestPart{s.Size, s.SHA256})
	if r.o.SkipDamaged && errors.Is(err, ErrBackupDamaged) {
		r.report.Damaged++
		if err := os.Remove(to); !errors.Is(err, fs.ErrNotExist) {
			return err
		}
		return nil
	}
	r.report.Stills++
	return err
}

// respectErasures erases in the restored archive what was erased since.
func (r *restore) respectErasures(ctx context.Context) (err error) {
	now := r.o.Now
	if now == nil {
		now = time.Now
	}
	a, err := Open(ctx, r.work, r.key, now)
	if err != nil {
		return err
	}
	defer func() {
		if closeErr := a.Close(); closeErr != nil {
			err = errors.Join(err, fmt.Errorf("closing the restored archive: %w", closeErr))
		}
	}()
	if err := a.Note(ctx, "restored", "snapshot "+r.snapshot.name); err != nil {
		return err
	}
	if r.report.Erased, err = a.respect(ctx, slices.Collect(maps.Values(r.erasures))); err != nil {
		return err
	}
	return a.Scrub(ctx)
}

// moveIn moves the archive to its place.
func (r *restore) moveIn() error {
	for _, name := range movedIn {
		from, to := filepath.Join(r.work, name), filepath.Join(r.into, name)
		if !exists(from) {
			continue // an archive without a passphrase
		}
		if exists(to) {
			return fmt.Errorf("%w any more: %s came meanwhile", ErrNotEmpty, to)
		}
		if err := errors.Join(os.Rename(from, to), syncFolder(r.into)); err != nil {
			return err
		}
		r.moved = append(r.moved, name)
	}
	return errors.Join(os.RemoveAll(r.work), syncFolder(r.into), syncFolder(filepath.Dir(r.into)))
}

// respect erases what is in the list: visits, persons and stills by their file,
// held or not. All are remembered, even those that are not there. It returns
// how many of them were.
func (a *Archive) respect(ctx context.Context, erasures []Erasure) (erased int, err error) {
	slices.SortFunc(erasures, func(x, y Erasure) int {
		return cmp.Or(-strings.Compare(x.What, y.What), strings.Compare(x.ID, y.ID)) // visits, stills, persons
	})
	for chunk := range slices.Chunk(erasures, batch) {
		var persons []string
		err := a.update(ctx, func(tx *sql.Tx) (err error) {
			n := 0
			persons, n, err = a.respectSome(ctx, tx, chunk)
			erased += n
			return err
		})
		if err != nil {
			return erased, fmt.Errorf("respecting erasures: %w", spaceError(err))
		}
		for _, id := range persons {
			if _, err := a.ErasePerson(ctx, id, false); err != nil {
				return erased, err
			}
		}
	}
	return erased, a.finishRemovals(ctx)
}

// respectSome erases some visits and stills, and returns which persons are
// still to be erased.
func (a *Archive) respectSome(ctx context.Context, tx *sql.Tx, some []Erasure) (persons []string, erased int, err error) {
	ids := make(map[string][]string)
	for _, e := range some {
		ids[e.What] = append(ids[e.What], e.ID)
		_, err := tx.ExecContext(ctx, `INSERT INTO erasures (what, id, at) VALUES (?, ?, ?) ON CONFLICT DO NOTHING`, e.What, e.ID, micros(e.At))
		if err != nil {
			return nil, 0, fmt.Errorf("remembering an erasure: %w", err)
		}
	}
	visits, err := existing(ctx, tx, "visits", "id", ids["visit"])
	if err == nil && len(visits) > 0 {
		err = a.eraseVisits(ctx, tx, visits)
	}
	if err != nil {
		return nil, 0, err
	}
	files, err := existing(ctx, tx, "stills", "file", ids["still"])
	for _, file := range files {
		err = errors.Join(err, a.eraseStill(ctx, tx, file))
	}
	if err != nil {
		return nil, 0, err
	}
	persons, err = existing(ctx, tx, "persons", "id", ids["person"])
	return persons, len(visits) + len(files) + len(persons), err
}

// eraseStill removes a still's file and key, and what was found on it, and
// leaves the visit. It is a still of which another was made that showed less.
func (a *Archive) eraseStill(ctx context.Context, tx *sql.Tx, file string) error {
	var still, visit string
	if err := tx.QueryRowContext(ctx, `SELECT id, visit FROM stills WHERE file = ?`, file).Scan(&still, &visit); err != nil {
		return fmt.Errorf("erasing still %s: %w", file, err)
	}
	for _, statement := range []string{
		`INSERT INTO removals (file) SELECT file FROM stills WHERE id = ?`,
		`DELETE FROM faces WHERE still = ?`,
		`UPDATE stills SET file = NULL, wrapped_key = x'', size = 0, state = iif(state = 'pending', 'failed', state) WHERE id = ?`,
		`UPDATE counters SET value = 1 WHERE name = 'scrub_due'`,
	} {
		if _, err := tx.ExecContext(ctx, statement, still); err != nil {
			return fmt.Errorf("erasing still %s: %w", file, err)
		}
	}
	if err := a.settle(ctx, tx, visit); err != nil {
		return err
	}
	return a.note(ctx, tx, "erased", "still "+still)
}

// existing returns those of the values that a column of a table has.
func existing(ctx context.Context, tx *sql.Tx, table, column string, values []string) ([]string, error) {
	rows, err := tx.QueryContext(ctx, fmt.Sprintf(`SELECT %[2]s FROM %[1]s WHERE %[2]s IN (SELECT value FROM json_each(?))`, table, column), jsonList(values))
	if err != nil {
		return nil, fmt.Errorf("looking for what was erased: %w", err)
	}
	return collect(rows, func(value *string) error { return rows.Scan(value) })
}
