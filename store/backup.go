package store

import (
	"bufio"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"filippo.io/age"
)

// Errors of backing up and of restoring that callers test for with errors.Is.
var (
	// ErrNotBackup says that the folder holds something else than backups.
	ErrNotBackup = errors.New("this is no folder of backups")
	// ErrOtherHousehold says that the backups are of another archive.
	ErrOtherHousehold = errors.New("the backups are another household's")
	// ErrNewerBackup says that a newer Lintel wrote the backup.
	ErrNewerBackup = errors.New("the backup was written by a newer Lintel")
	// ErrBackupInUse says that another backup, or a restore, is using the folder.
	ErrBackupInUse = errors.New("another backup or restore is using the folder")
	// ErrBadRecipient says that something is no public key of age's.
	ErrBadRecipient = errors.New("this is no age recipient")
)

// BackupOptions say how to back up.
type BackupOptions struct {
	// Recipients are public keys of age's ("age1…"); with any, all that the
	// archive holds is encrypted to them.
	Recipients []string
	// Keep is how many snapshots stay, at least 1; 0 is [DefaultKeep].
	Keep int
	// Progress, if not nil, is told after each still. A backup may go over
	// all stills again, when some went meanwhile.
	Progress func(done, total int)

	step func(name string) error // for tests: called between steps
}

// DefaultKeep is how many snapshots a folder of backups keeps.
const DefaultKeep = 3

// A BackupReport says what a backup did.
type BackupReport struct {
	Snapshot       string      `json:"snapshot"`        // the newest there is now
	Unchanged      bool        `json:"unchanged"`       // whether it was there already, since nothing changed
	Encrypted      bool        `json:"encrypted"`       // to the recipients
	Stills         int         `json:"stills"`          // in the snapshot
	Copied         int         `json:"copied"`          // of them, those that were not there yet
	AlreadyThere   int         `json:"already_there"`   // of them, those that were
	Lost           int         `json:"lost"`            // stills whose file is missing or changed in the archive
	LostStills     []LostStill `json:"lost_stills"`     // the first of them
	SnapshotsGone  []string    `json:"snapshots_gone"`  // older ones that were removed
	StillsRemoved  int         `json:"stills_removed"`  // copies that were erased or that no snapshot names any more
	DamagedIndexes []string    `json:"damaged_indexes"` // older snapshots whose SHA256SUMS is damaged; stills stay until they are gone
}

// A LostStill is a still whose file is not as its row says.
type LostStill struct {
	Visit  string `json:"visit"`
	Frame  int    `json:"frame"`
	File   string `json:"file"`
	Reason string `json:"reason"` // missing or changed
	Kept   bool   `json:"kept"`   // whether an older backup's good copy is in the snapshot
}

// lostNamed is how many lost stills a report names.
const lostNamed = 20

// A Backup is the last one that succeeded.
type Backup struct {
	At       time.Time `json:"at"`
	Snapshot string    `json:"snapshot"`
	Stills   int       `json:"stills"`
	Copied   int       `json:"copied"`
	Lost     int       `json:"lost"`
}

// LastBackup returns the last backup of the archive that succeeded, to any
// folder, and whether there was one. One that found nothing changed counts.
func (a *Archive) LastBackup(ctx context.Context) (b Backup, found bool, err error) {
	found, err = a.setting(ctx, a.read, backupSetting, &b)
	return b, found, err
}

const (
	backupSetting = "backup"    // of the settings
	backedUp      = "backed-up" // in the audit trail
)

// Backup writes a snapshot of the archive into a folder of backups, which it
// makes where there is none. It may run while a server uses the archive, and
// needs memory for one still at a time.
//
// # The folder
//
//	household                         names the archive by its random id
//	erasures                          ids of what was erased, see below
//	stills/QK/QK….still               one file a still, or with recipients
//	stills/QK/QK….9f0c….age           one encrypted to them; the name tells them apart
//	snapshots/000017.20310504T183000Z/
//	    archive.db[.age]              the database, by VACUUM INTO
//	    passphrase.salt[.age]         where the archive has one
//	    manifest.json[.age]           what the snapshot is: see manifest
//	    SHA256SUMS                    of all files that it needs, for sha256sum(1)
//	incoming/                         what is being written; the next backup empties it
//
// Stills are sealed in the archive and stay so; with recipients everything is
// encrypted once more but household, erasures and SHA256SUMS, which hold ids
// and hashes. The master key is in no backup: without a copy of it, kept
// elsewhere, no backup can be read.
//
// A still's file never changes, so snapshots share them, and only those that
// are not there yet are copied. Every still is read, here and there, and
// compared with its SHA-256: a copy that has gone bad is made anew. One that is
// missing or changed in the archive doesn't fail the backup; it is reported,
// and a good copy of it that is there stays in the snapshot. If neither the
// database nor a file has changed since the last snapshot, none is written.
//
// # What a crash leaves
//
// Everything is written below incoming, synced, and moved to its place; a
// snapshot's folder moves there last and whole. So a crash or a loss of power
// leaves the earlier snapshots as they were and at most files in incoming. One
// of those is the copy of the database, which until it is encrypted tells what
// the archive's own folder does.
//
// # Erasure
//
// What the archive erased since, or erases or lets go during the backup, is in
// no part of the new snapshot. Once that is in its place, the copies of erased
// stills are removed, whichever snapshot names them; the ids of all that was
// erased are written to the folder, so that [Restore] can respect them. What the
// databases of older snapshots hold of an erased visit (times, and sealed under
// the master key what was found on it) and copies of stills that a rule let
// go stay until those snapshots are gone: until as many newer ones are there as
// are kept. A backup with Keep 1 removes them now.
//
// # Errors
//
// ErrOtherHousehold, ErrNotBackup, ErrNewerBackup, ErrBackupInUse and
// ErrBadRecipient are found before anything is written.
func (a *Archive) Backup(ctx context.Context, dir string, o BackupOptions) (BackupReport, error) {
	b := &backup{a: a, o: o}
	if err := b.run(ctx, dir); err != nil {
		return b.report, fmt.Errorf("backing up to %s: %w", dir, err)
	}
	return b.report, nil
}

// A backup is under way.
type backup struct {
	a          *Archive
	o          BackupOptions
	folder     *backupFolder
	recipients []age.Recipient
	suffix     string     // of a still's file name
	snapshots  []snapshot // oldest first
	copy       *Archive   // the copy of the database, without stills
	round      *round     // the present one, or the last
	erasures   []Erasure  // none of them is in the copy
	report     BackupReport
}

func (b *backup) run(ctx context.Context, dir string) (err error) {
	if err := b.prepare(ctx, dir); err != nil {
		return err
	}
	defer func() { err = errors.Join(err, b.close()) }()
	for _, step := range []func(context.Context) error{
		b.write, b.forgetErased, b.prune, b.remember,
	} {
		if err := errors.Join(ctx.Err(), step(ctx)); err != nil {
			if b.report.Snapshot == "" && len(b.snapshots) > 0 {
				err = fmt.Errorf("%w; earlier snapshots are as they were", err)
			}
			return err
		}
	}
	return nil
}

// close gives up what is open, and removes what was not moved to its place.
func (b *backup) close() (err error) {
	if b.round != nil {
		err = b.round.close()
	}
	if b.copy != nil {
		err = errors.Join(err, b.copy.Close())
	}
	return errors.Join(err, b.folder.close())
}

// pass tells tests that a step is done.
func (b *backup) pass(step string) error {
	if b.o.step == nil {
		return nil
	}
	return b.o.step(step)
}

// prepare checks what can be checked and locks the folder.
func (b *backup) prepare(ctx context.Context, dir string) (err error) {
	if b.o.Keep == 0 {
		b.o.Keep = DefaultKeep
	}
	if b.o.Keep < 0 {
		return errors.New("at least 1 snapshot has to be kept")
	}
	if b.recipients, b.suffix, err = parseRecipients(b.o.Recipients); err != nil {
		return err
	}
	if overlap(dir, b.a.dir) {
		return fmt.Errorf("%w: it and the archive's folder %s lie in one another", ErrNotBackup, b.a.dir)
	}
	household, err := b.a.Household(ctx)
	if err != nil {
		return err
	}
	if b.folder, err = makeBackupFolder(dir, household); err != nil {
		return err
	}
	if b.snapshots, err = b.folder.snapshots(); err != nil {
		return errors.Join(err, b.folder.close())
	}
	b.report.Encrypted = len(b.recipients) > 0
	b.report.LostStills, b.report.SnapshotsGone, b.report.DamagedIndexes = []LostStill{}, []string{}, []string{}
	return nil
}

// overlap reports whether one folder is the other, or in it.
func overlap(a, b string) bool {
	within := func(path, folder string) bool {
		rel, err := filepath.Rel(folder, path)
		return err == nil && rel != ".." && !strings.HasPrefix(rel, ".."+string(filepath.Separator))
	}
	a, b = resolvedPath(a), resolvedPath(b)
	return within(a, b) || within(b, a)
}

// resolvedPath follows the links in a path, as far as it exists.
func resolvedPath(path string) string {
	path, err := filepath.Abs(path)
	if err != nil {
		return path
	}
	if r, err := filepath.EvalSymlinks(path); err == nil {
		return r
	}
	if parent := filepath.Dir(path); parent != path {
		return filepath.Join(resolvedPath(parent), filepath.Base(path))
	}
	return path
}

// ParseRecipients reads public keys of age's, one each. The error is
// ErrBadRecipient.
func ParseRecipients(keys []string) (all []age.Recipient, err error) {
	for _, key := range keys {
		r, err := age.ParseRecipients(strings.NewReader(key))
		if err != nil || len(r) != 1 {
			return nil, fmt.Errorf("%w: %q; one begins with age1, and age-keygen makes one", ErrBadRecipient, key)
		}
		all = append(all, r...)
	}
	return all, nil
}

// parseRecipients returns the recipients, and what the names of stills that are
// encrypted to them end in: other recipients need other copies.
func parseRecipients(keys []string) (all []age.Recipient, suffix string, err error) {
	if all, err = ParseRecipients(keys); err != nil {
		return nil, "", err
	}
	if len(all) == 0 {
		return nil, stillSuffix, nil
	}
	keys = slices.Sorted(slices.Values(keys))
	hash := sha256.Sum256([]byte(strings.Join(slices.Compact(keys), "\n")))
	return all, "." + hex.EncodeToString(hash[:8]) + ageSuffix, nil
}

// forgetErased removes copies of erased stills, those that the new snapshot
// does without.
func (b *backup) forgetErased(ctx context.Context) error {
	var files []string
	for _, e := range b.erasures {
		if e.What == "still" {
			files = append(files, e.ID)
		}
	}
	slices.Sort(files)
	erased := listOf(files)
	n, err := b.folder.removeStills(ctx, func(file, _ string) (bool, error) {
		_, found, err := erased.find(file)
		return found, err
	})
	b.report.StillsRemoved += n
	return errors.Join(err, b.pass("erased stills removed"))
}

// write writes the snapshot, unless it would be the one before.
func (b *backup) write(ctx context.Context) error {
	if err := b.copyAll(ctx); err != nil {
		return err
	}
	state, err := b.state(ctx)
	if err != nil {
		return err
	}
	if b.report.Unchanged = b.isNewest(state); b.report.Unchanged {
		b.report.Snapshot = b.snapshots[len(b.snapshots)-1].name
		return nil
	}
	if err := b.copy.Close(); err != nil {
		return fmt.Errorf("closing the database's copy: %w", err)
	}
	return b.writeSnapshot(ctx, state)
}

// isNewest reports whether the newest snapshot holds this state and is whole.
func (b *backup) isNewest(state string) bool {
	if b.report.Copied > 0 || len(b.snapshots) == 0 {
		return false
	}
	newest := b.snapshots[len(b.snapshots)-1]
	had, err := newest.state()
	if err != nil || had != state || b.folder.checkOwnFiles(newest) != nil {
		return false
	}
	_, err = b.folder.erasures()
	return err == nil
}

// copyAll copies the database, and then the stills it names. If the archive
// lets go or erases something meanwhile, it begins again, with less to copy
// and so in less time each; after rounds it takes out of the copy what is gone.
func (b *backup) copyAll(ctx context.Context) error {
	const rounds = 3
	var gone []string // visits whose stills went during the last round
	var erased []Erasure
	for round := 0; ; round++ {
		var err error
		if round < rounds {
			err = b.copyDatabase(ctx)
		} else {
			err = b.takeOut(ctx, gone, erased)
		}
		if err != nil {
			return err
		}
		if gone, err = b.copyStills(ctx); err == nil {
			erased, err = b.erasedSince(ctx)
		}
		if err != nil {
			return err
		}
		if len(gone) == 0 && len(erased) == 0 {
			return nil
		}
		if round < rounds-1 {
			if err := b.copy.Close(); err != nil {
				return fmt.Errorf("closing the database's copy: %w", err)
			}
		}
	}
}

// copyDatabase makes a copy of the database as it is now.
func (b *backup) copyDatabase(ctx context.Context) error {
	dir := b.folder.incoming("copy")
	if err := errors.Join(os.RemoveAll(dir), os.Mkdir(dir, 0o700)); err != nil {
		return fmt.Errorf("copying the database: %w", err)
	}
	path := filepath.Join(dir, "archive.db")
	if err := privateFile(path); err != nil { // SQLite takes an empty file
		return fmt.Errorf("copying the database: %w", err)
	}
	if _, err := b.a.read.ExecContext(ctx, `VACUUM INTO ?`, path); err != nil {
		return fmt.Errorf("copying the database: %w", err)
	}
	var err error
	if b.copy, err = b.a.another(dir); err != nil {
		return fmt.Errorf("opening the database's copy: %w", err)
	}
	return b.pass("database copied")
}

// another opens the archive in dir with this one's keys and clock. Its database
// is taken as it is, and not turned to a write-ahead log.
func (a *Archive) another(dir string) (*Archive, error) {
	b := &Archive{dir: dir, now: a.now, seals: a.seals, watchers: make(map[chan struct{}]bool), folders: make(map[string]bool)}
	var err error
	if b.write, err = openDatabase(dir, "immediate"); err != nil {
		return nil, err
	}
	b.write.SetMaxOpenConns(1)
	if b.read, err = openDatabase(dir, "deferred"); err != nil {
		return nil, errors.Join(err, b.write.Close())
	}
	return b, nil
}

// erasedSince returns what of the database's copy the archive erased since.
func (b *backup) erasedSince(ctx context.Context) (since []Erasure, err error) {
	if b.erasures, err = b.a.Erasures(ctx); err != nil {
		return nil, err
	}
	for _, e := range b.erasures {
		known, err := isErased(ctx, b.copy.read, e.What, e.ID)
		if err != nil {
			return nil, err
		}
		if known {
			continue
		}
		var there bool
		err = b.copy.read.QueryRowContext(ctx, `
			SELECT EXISTS (SELECT 1 FROM visits WHERE id = ?1) OR EXISTS (SELECT 1 FROM persons WHERE id = ?1)
				OR EXISTS (SELECT 1 FROM stills WHERE file = ?1)`, e.ID).Scan(&there)
		if err != nil {
			return nil, fmt.Errorf("looking up erasures: %w", err)
		}
		if there {
			since = append(since, e)
		}
	}
	return since, nil
}

// takeOut removes from the database's copy, without a trace, visits that the
// archive let go and all that it erased.
func (b *backup) takeOut(ctx context.Context, gone []string, erased []Erasure) error {
	_, err := b.copy.respect(ctx, erased)
	for chunk := range slices.Chunk(gone, batch) {
		err = errors.Join(err, b.copy.update(ctx, func(tx *sql.Tx) error {
			there, err := existing(ctx, tx, "visits", "id", chunk)
			if err != nil {
				return err
			}
			return b.copy.removeVisits(ctx, tx, there)
		}))
	}
	if err = errors.Join(err, b.copy.finishRemovals(ctx), b.copy.Scrub(ctx)); err != nil {
		return fmt.Errorf("taking out of the copy what is gone: %w", err)
	}
	return b.pass("taken out")
}

// state returns a hash of all that is backed up but for what a backup itself
// writes to the archive: equal states need no second snapshot. It is keyed, so
// that it says nothing in the folder.
func (b *backup) state(ctx context.Context) (string, error) {
	hash := sha256.New()
	salt, err := os.ReadFile(filepath.Join(b.a.dir, saltFile))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return "", fmt.Errorf("reading the passphrase's salt: %w", err)
	}
	fmt.Fprintf(hash, "%s\n%x\n%d\n", b.suffix, salt, b.report.Stills)
	if err := hashDatabase(ctx, b.copy.read, hash); err != nil {
		return "", fmt.Errorf("comparing the database with the last backup: %w", err)
	}
	return hex.EncodeToString(b.a.seals.Index("backup state " + string(hash.Sum(nil)))), nil
}

// hashDatabase writes all rows of all tables, one a line, to w.
func hashDatabase(ctx context.Context, db *sql.DB, w io.Writer) error {
	rows, err := db.QueryContext(ctx, `
		SELECT s.sql, 'SELECT ' || (SELECT group_concat('quote("' || name || '")', ' || '','' || ') FROM pragma_table_info(s.name)) || ' FROM "' || s.name || '"'
			|| CASE s.name
				WHEN 'settings' THEN ' WHERE name <> '''||?1||''''
				WHEN 'audit' THEN ' WHERE action <> '''||?2||''''
				WHEN 'audit_head' THEN ' WHERE false' -- it follows from audit
				WHEN 'counters' THEN ' WHERE name <> ''scrub_due''' -- a copy has no traces to remove
				ELSE '' END
		FROM sqlite_schema s WHERE s.type = 'table' ORDER BY s.name`, backupSetting, backedUp)
	if err != nil {
		return err
	}
	type table struct{ schema, query string }
	tables, err := collect(rows, func(t *table) error { return rows.Scan(&t.schema, &t.query) })
	if err != nil {
		return err
	}
	buffered := bufio.NewWriter(w)
	for _, t := range tables {
		fmt.Fprintln(buffered, t.schema)
		if err := writeRows(ctx, db, t.query, buffered); err != nil {
			return err
		}
	}
	return buffered.Flush()
}

func writeRows(ctx context.Context, db *sql.DB, query string, w *bufio.Writer) error {
	rows, err := db.QueryContext(ctx, query)
	if err != nil {
		return err
	}
	defer rows.Close()
	var row sql.RawBytes
	for rows.Next() {
		if err := rows.Scan(&row); err != nil {
			return err
		}
		w.Write(row)
		w.WriteByte('\n')
	}
	return rows.Err()
}

// prune removes the snapshots that are too many, and then the stills that none
// of the others names.
func (b *backup) prune(ctx context.Context) error {
	all, err := b.folder.snapshots()
	if err != nil {
		return err
	}
	stay := all[max(0, len(all)-b.o.Keep):]
	for _, s := range all[:len(all)-len(stay)] {
		if err := b.folder.removeSnapshot(s); err != nil {
			return fmt.Errorf("removing snapshot %s: %w", s.name, err)
		}
		b.report.SnapshotsGone = append(b.report.SnapshotsGone, s.name)
		if err := b.pass("snapshot removed"); err != nil {
			return err
		}
	}
	lists, damaged := b.folder.lists(stay)
	defer lists.close()
	if b.report.DamagedIndexes = append(b.report.DamagedIndexes, damaged...); len(damaged) > 0 {
		return nil // what they name is not known
	}
	n, err := b.folder.removeStills(ctx, func(_, path string) (bool, error) {
		_, named, err := lists.find(path)
		return !named, err
	})
	b.report.StillsRemoved += n
	return errors.Join(err, b.pass("stills removed"))
}

// remember writes to the archive that it was backed up, and to the audit trail
// if there is a new snapshot.
func (b *backup) remember(ctx context.Context) error {
	last := Backup{At: b.a.now(), Snapshot: b.report.Snapshot, Stills: b.report.Stills, Copied: b.report.Copied, Lost: b.report.Lost}
	err := b.a.update(ctx, func(tx *sql.Tx) error {
		if err := b.a.set(ctx, tx, backupSetting, last); err != nil || b.report.Unchanged {
			return err
		}
		return b.a.note(ctx, tx, backedUp, "snapshot "+b.report.Snapshot)
	})
	if err != nil {
		return fmt.Errorf("the snapshot is complete, and the archive could not note it: %w", spaceError(err))
	}
	return b.pass("remembered")
}
