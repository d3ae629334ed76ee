// Package backup copies an archive to a folder of backups, and makes an archive
// of what is there:
//
//	report, err := backup.Write(ctx, archive, "/mnt/disk/backups", backup.Options{})
//	restored, err := backup.Restore(ctx, "/mnt/disk/backups", "/var/lib/lintel", backup.RestoreOptions{Key: key})
//
// What comes in is an open [store.Archive], which a server may go on using.
// What goes out are a snapshot in the folder and a [Report]. Copies can be
// encrypted to public keys of age's.
//
// # The folder
//
//	household                         names the archive by its random id, and the format
//	erasures                          ids of what was erased, see below
//	stills/QK/QK….still               one file a still, or with recipients
//	stills/QK/QK….9f0c….age           one encrypted to them; the name tells them apart
//	snapshots/000017.20310504T183000Z/
//	    archive.db[.age]              the database, by VACUUM INTO
//	    keys                          of what can be erased, wrapped: those that the database names
//	    passphrase.salt[.age]         where the archive has one
//	    SHA256SUMS                    of all files that it needs but keys, for sha256sum(1)
//	incoming/                         what is being written; the next backup empties it
//
// Both lists, SHA256SUMS and erasures, end with a comment that has the SHA-256
// of all lines above it, so that a cut or changed one is known. That of erasures
// has one more, a keyed hash by the archive's master key of its lines and of the
// snapshot that it was written with: one that somebody forged or shortened, or an
// earlier one put back, is found by [Restore]. Which stills a
// snapshot has its database says, with the SHA-256 of each; SHA256SUMS names
// those of which there is a good copy, in the order of their files. Folders of
// the first format had a third list beside, manifest.json: it is not read.
//
// Stills are sealed in the archive and stay so; with recipients everything is
// encrypted once more but household and the lists, which hold ids and hashes.
// The master key is in no backup: without a copy of it, kept elsewhere, no
// backup can be read.
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
// stills are removed, whichever snapshot names them, and the keys of what was erased
// are overwritten in all snapshots of the folder; the ids of all that was erased are
// written there, so that [Restore] can respect them. Until then, and in every other
// folder and copy of one, a snapshot made before an erasure opens, with the master
// key, what was erased since. What the databases of older snapshots hold else of an
// erased visit or person (times, ids, and all that was sealed under the master key by
// versions before keys had slots) and copies of stills that a rule let go stay until
// those snapshots are gone: until as many newer ones are there as are kept. A backup
// with Keep 1 removes them now.
//
// So that keys can be overwritten without what opens an encrypted backup, the file
// keys is not encrypted to recipients. It holds nothing but keys under the archive's
// master key, for what is encrypted to them; each is authenticated by itself, so
// SHA256SUMS does without it.
package backup

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"filippo.io/age"

	"lintel/store"
	"lintel/store/internal/durable"
	"lintel/store/internal/keyfile"
)

// Errors of backing up and of restoring that callers test for with errors.Is.
var (
	// ErrNotBackup says that the folder holds something else than backups.
	ErrNotBackup = errors.New("this is no folder of backups")
	// ErrOtherHousehold says that the backups are of another archive.
	ErrOtherHousehold = errors.New("the backups are another household's")
	// ErrNewer says that a newer Lintel wrote the backup.
	ErrNewer = errors.New("the backup was written by a newer Lintel")
	// ErrInUse says that another backup, or a restore, is using the folder.
	ErrInUse = errors.New("another backup or restore is using the folder")
	// ErrBadRecipient says that something is no public key of age's.
	ErrBadRecipient = errors.New("this is no age recipient")
)

// Options say how to back up.
type Options struct {
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

// A Report says what a backup did.
type Report struct {
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
	KeysRemoved    int         `json:"keys_removed"`    // of what was erased, in all snapshots
	DamagedIndexes []string    `json:"damaged_indexes"` // snapshots with a damaged SHA256SUMS; stills stay until they go
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

// Write writes a snapshot of the archive into a folder of backups, which it
// makes where there is none. It may run while a server uses the archive, and
// needs memory for one still at a time. ErrOtherHousehold, ErrNotBackup,
// ErrNewer, ErrInUse and ErrBadRecipient are found before anything is written.
func Write(ctx context.Context, a *store.Archive, dir string, o Options) (Report, error) {
	b := &backup{a: a, o: o}
	if err := b.run(ctx, dir); err != nil {
		return b.report, fmt.Errorf("backing up to %s: %w", dir, err)
	}
	return b.report, nil
}

// A backup is under way.
type backup struct {
	name       string // of the new snapshot
	a          *store.Archive
	o          Options
	folder     *folder
	recipients []age.Recipient
	suffix     string          // of a still's file name
	snapshots  []snapshot      // oldest first
	copy       *store.Snapshot // the copy of the database, without stills
	round      *round          // the present one, or the last
	erasures   []store.Erasure // none of them is in the copy
	erasedKeys []keyfile.Number
	report     Report
}

func (b *backup) run(ctx context.Context, dir string) (err error) {
	if err := b.prepare(ctx, dir); err != nil {
		return err
	}
	defer func() { err = errors.Join(err, b.close()) }()
	for _, step := range []func(context.Context) error{
		b.write, b.forgetErased, b.dropKeys, b.prune, b.remember,
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
	if overlap(dir, b.a.Dir()) {
		return fmt.Errorf("%w: it and the archive's folder %s lie in one another", ErrNotBackup, b.a.Dir())
	}
	household, err := b.a.Household(ctx)
	if err != nil {
		return err
	}
	if b.folder, err = makeFolder(dir, household); err != nil {
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
		return err
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
	if err != nil || had != state {
		return false
	}
	_, _, err = b.folder.checkOwnFiles(newest)
	list, lost := b.folder.erasures()
	return err == nil && lost == nil && b.isAuthentic(list) && list.newest == newest.name
}

// copyAll copies the database, and then the stills it names. If the archive
// lets go or erases something meanwhile, it begins again, with less to copy
// and so in less time each; after rounds it takes out of the copy what is gone.
func (b *backup) copyAll(ctx context.Context) error {
	const rounds = 3
	var gone []string // visits whose stills went during the last round
	var erased []store.Erasure
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
				return err
			}
		}
	}
}

// copyDatabase makes a copy of the database as it is now.
func (b *backup) copyDatabase(ctx context.Context) (err error) {
	dir := b.folder.incoming("copy")
	if err := errors.Join(os.RemoveAll(dir), os.Mkdir(dir, 0o700)); err != nil {
		return fmt.Errorf("copying the database: %w", err)
	}
	number := 1
	if n := len(b.snapshots); n > 0 {
		number = b.snapshots[n-1].number + 1
	}
	b.name = fmt.Sprintf("%06d.%s", number, b.a.Now().UTC().Format(snapshotTime))
	if b.copy, err = b.a.Snapshot(ctx, dir); err != nil {
		return err
	}
	return b.pass("database copied")
}

// state returns a hash of all that is backed up.
func (b *backup) state(ctx context.Context) (string, error) {
	salt, err := os.ReadFile(filepath.Join(b.a.Dir(), saltFile))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return "", fmt.Errorf("reading the passphrase's salt: %w", err)
	}
	return b.copy.State(ctx, fmt.Sprintf("%s\n%x\n%d\n", b.suffix, salt, b.report.Stills))
}

// writeSnapshot puts the snapshot together of the database's copy, the salt, the
// list and, last, its folder's name.
func (b *backup) writeSnapshot(ctx context.Context, state string) error {
	dir, sums := b.folder.incoming("snapshot"), b.round.sums
	for _, from := range []string{b.folder.incoming("copy", databaseFile), filepath.Join(b.a.Dir(), saltFile)} {
		name := filepath.Base(from)
		if name == saltFile && !exists(from) {
			continue
		}
		put := storeFile
		if name == databaseFile && len(b.recipients) == 0 {
			put = moveFile
		}
		sum, err := put(from, filepath.Join(dir, name), b.recipients)
		if err != nil {
			return fmt.Errorf("writing %s: %w", name, err)
		}
		err = sums.sum(sum, path.Join(snapshotsDir, b.name, storedName(name, len(b.recipients) > 0)))
		if err := errors.Join(err, b.pass(name+" written")); err != nil {
			return err
		}
	}
	err := b.writeKeys(filepath.Join(dir, keysFile))
	if err == nil {
		err = sums.line(stateMark + state)
	}
	if err := errors.Join(err, sums.finish()); err != nil {
		return fmt.Errorf("writing %s: %w", sumsFile, err)
	}
	if err := errors.Join(durable.SyncFolder(dir), b.pass("snapshot written"), ctx.Err()); err != nil {
		return err
	}
	if err := b.folder.writeErasures(b.listErasures()); err != nil {
		return fmt.Errorf("writing down what was erased: %w", err)
	}
	if err := b.pass("erasures written"); err != nil {
		return err
	}
	to := filepath.Join(b.folder.dir, snapshotsDir, b.name)
	if err := errors.Join(os.Rename(dir, to), durable.SyncFolder(filepath.Dir(to))); err != nil {
		return fmt.Errorf("moving the snapshot to its place: %w", err)
	}
	b.report.Snapshot = b.name
	return b.pass("snapshot in its place")
}

// writeKeys brings the copy of the keys to its place, and lists how long it is: what
// it holds changes when something is erased.
func (b *backup) writeKeys(to string) error {
	if _, err := moveFile(b.folder.incoming("copy", keysFile), to, nil); err != nil {
		return fmt.Errorf("writing the keys: %w", err)
	}
	info, err := os.Stat(to)
	if err != nil {
		return err
	}
	return b.round.sums.line(keysMark + strconv.FormatInt(info.Size(), 10))
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

// remember writes to the archive that it was backed up.
func (b *backup) remember(ctx context.Context) error {
	last := store.Backup{
		At: b.a.Now(), Snapshot: b.report.Snapshot, Stills: b.report.Stills, Copied: b.report.Copied, Lost: b.report.Lost,
	}
	if err := b.a.BackedUp(ctx, last, !b.report.Unchanged); err != nil {
		return fmt.Errorf("the snapshot is complete, and the archive could not note it: %w", err)
	}
	return b.pass("remembered")
}
