package backup

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
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
	// Keep is how many snapshots stay; 0 keeps the newest of each of the last 7 days, 4 weeks
	// and 12 months that have any.
	Keep int
	// Progress, if not nil, is told after each still. A backup may go over
	// all stills again, when some went meanwhile.
	Progress func(done, total int)

	step func(name string) error // for tests: called between steps
}

// A Report says what a backup did.
type Report struct {
	Snapshot       string         `json:"snapshot"`        // the newest there is now
	Unchanged      bool           `json:"unchanged"`       // whether it was there already, since nothing changed
	Damaged        bool           `json:"damaged"`         // the archive is, and its copy lies beside the snapshots
	Defects        []store.Defect `json:"defects"`         // the first of what is wrong with it
	Pieces         int            `json:"pieces"`          // of the database
	PiecesCopied   int            `json:"pieces_copied"`   // of them, those that were not there yet
	Written        int64          `json:"written"`         // bytes of new files in the folder
	Encrypted      bool           `json:"encrypted"`       // to the recipients
	Stills         int            `json:"stills"`          // in the snapshot
	Copied         int            `json:"copied"`          // of them, those that were not there yet
	AlreadyThere   int            `json:"already_there"`   // of them, those that were
	Lost           int            `json:"lost"`            // stills whose file is missing or changed in the archive
	LostStills     []LostStill    `json:"lost_stills"`     // the first of them
	SnapshotsGone  []string       `json:"snapshots_gone"`  // older ones that were removed
	StillsRemoved  int            `json:"stills_removed"`  // copies that were erased or that no snapshot names any more
	KeysRemoved    int            `json:"keys_removed"`    // of what was erased, in all snapshots
	DamagedIndexes []string       `json:"damaged_indexes"` // with a damaged SHA256SUMS; stills stay until they go
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
	name       string   // of the new snapshot
	number     int      // of it
	work       string   // the folder that the copy of the database is in
	working    *os.File // its lock
	a          *store.Archive
	o          Options
	folder     *folder
	recipients []age.Recipient
	suffix     string          // of a still's file name
	snapshots  []snapshot      // oldest first; of damaged archives none
	defects    []store.Defect  // of the copy
	blind      bool            // what was erased can't be told from it
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
	return errors.Join(err, b.leaveWork(), b.folder.close())
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
	if b.o.Keep < 0 {
		return errors.New("at least 1 snapshot has to be kept")
	}
	if b.recipients, b.suffix, err = parseRecipients(b.o.Recipients); err != nil {
		return err
	}
	if Overlap(dir, b.a.Dir()) {
		return fmt.Errorf("%w: it and the archive's folder %s lie in one another", ErrNotBackup, b.a.Dir())
	}
	household, err := b.a.Household(ctx)
	if err != nil {
		return err
	}
	if b.folder, err = makeFolder(dir, household, b.isAuthentic); err != nil {
		return err
	}
	if b.snapshots, err = b.folder.snapshots(); err != nil {
		return errors.Join(err, b.folder.close())
	}
	b.report.Encrypted = len(b.recipients) > 0
	b.report.LostStills, b.report.SnapshotsGone, b.report.DamagedIndexes = []LostStill{}, []string{}, []string{}
	b.report.Defects = []store.Defect{}
	return nil
}

// Overlap reports whether one folder is the other, or in it.
func Overlap(a, b string) bool {
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

// write writes the snapshot, unless it would be the one before.
func (b *backup) write(ctx context.Context) error {
	if err := b.copyAll(ctx); err != nil {
		return err
	}
	b.report.Damaged, b.report.Defects = len(b.defects) > 0, append(b.report.Defects, b.defects...)
	state, err := b.state(ctx)
	if err != nil && !b.forgives(err) {
		return err
	}
	same, err := b.isNewest(state)
	if err != nil {
		return err
	}
	if b.report.Unchanged = same != ""; b.report.Unchanged {
		b.report.Snapshot = same
		return nil
	}
	return b.writeSnapshot(ctx, state)
}

// forgives reports whether an error is only what is to be expected of a damaged archive.
func (b *backup) forgives(err error) bool {
	return len(b.defects) > 0 && errors.Is(err, store.ErrDamaged)
}

// isNewest returns the name of the newest snapshot, if it holds this state and is whole.
func (b *backup) isNewest(state string) (name string, err error) {
	all := b.snapshots
	if len(b.defects) > 0 {
		if all, err = b.folder.damaged(); err != nil {
			return "", err
		}
	}
	if b.report.Copied > 0 || len(all) == 0 || state == "" {
		return "", nil
	}
	newest := all[len(all)-1]
	if c, err := b.folder.checkOwnFiles(newest); err != nil || c.state != state || c.size == 0 {
		return "", nil
	}
	if _, err := readErasures(filepath.Join(newest.dir, erasuresFile)); err != nil {
		return "", nil
	}
	list, lost := b.folder.erasures()
	if len(b.defects) == 0 && (lost != nil || !b.isAuthentic(b.folder, list) || list.newest != newest.name) {
		return "", nil
	}
	return newest.name, nil
}

// copyAll copies the database, and then the stills it names. If the archive
// lets go or erases something meanwhile, it begins again, with less to copy
// and so in less time each; after rounds it takes out of the copy what is gone.
// Of a damaged archive it copies once what it can.
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
		if err != nil && !b.forgives(err) {
			return err
		}
		if len(b.defects) > 0 || len(gone) == 0 && len(erased) == 0 {
			return nil
		}
	}
}

// copyDatabase makes a copy of the database as it is now, and vets it.
func (b *backup) copyDatabase(ctx context.Context) (err error) {
	if b.copy != nil {
		if err := b.copy.Close(); err != nil {
			return err
		}
		b.copy = nil
	}
	if err := b.makeWork(); err != nil {
		return fmt.Errorf("copying the database: %w", err)
	}
	if b.number, err = b.folder.nextNumber(); err != nil {
		return err
	}
	b.name = fmt.Sprintf("%06d.%s", b.number, b.a.Now().UTC().Format(snapshotTime))
	if b.copy, err = b.a.Snapshot(ctx, b.work); err != nil {
		return err
	}
	if b.defects, err = b.copy.Vet(ctx); err != nil {
		return err
	}
	b.blind = len(b.defects) > 0 && !b.copy.KnowsErasures(ctx)
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

// writeSnapshot puts the snapshot together of the database's pieces, the keys, the salt, the
// lists and, last, its folder's name.
func (b *backup) writeSnapshot(ctx context.Context, state string) error {
	dir, to := b.folder.incoming("snapshot"), filepath.Join(b.folder.dir, snapshotsDir, b.name)
	if len(b.defects) > 0 {
		to = filepath.Join(b.folder.dir, damagedDir, b.name)
	}
	here := path.Join(filepath.Base(filepath.Dir(to)), b.name)
	if err := b.writeDatabase(ctx); err != nil {
		return fmt.Errorf("writing the database: %w", err)
	}
	if err := b.writeKeys(); err != nil {
		return fmt.Errorf("writing the keys: %w", err)
	}
	if err := b.writeSalt(dir, here); err != nil {
		return fmt.Errorf("writing %s: %w", saltFile, err)
	}
	if err := b.finishSums(state); err != nil {
		return fmt.Errorf("writing %s: %w", sumsFile, err)
	}
	list := b.listErasures()
	if err := writeErasures(filepath.Join(dir, erasuresFile), list); err != nil {
		return fmt.Errorf("writing down what was erased: %w", err)
	}
	if err := errors.Join(durable.SyncFolder(dir), b.pass("snapshot written"), ctx.Err()); err != nil {
		return err
	}
	if err := b.folder.replaceErasures(list); err != nil {
		return fmt.Errorf("writing down what was erased: %w", err)
	}
	if err := b.pass("erasures written"); err != nil {
		return err
	}
	if err := errors.Join(os.MkdirAll(filepath.Dir(to), 0o700), os.Rename(dir, to),
		durable.SyncFolder(filepath.Dir(to)), durable.SyncFolder(b.folder.dir)); err != nil {
		return fmt.Errorf("moving the snapshot to its place: %w", err)
	}
	b.report.Snapshot = b.name
	lists, err := os.ReadDir(to)
	for _, e := range lists {
		if info, infoErr := e.Info(); infoErr == nil {
			b.folder.written += info.Size()
		}
	}
	return errors.Join(err, b.pass("snapshot in its place"))
}

// writeSalt copies the passphrase's salt, where the archive has one.
func (b *backup) writeSalt(dir, here string) error {
	from := filepath.Join(b.a.Dir(), saltFile)
	if !exists(from) {
		return nil
	}
	sum, err := storeFile(from, filepath.Join(dir, saltFile), b.recipients)
	if err != nil {
		return err
	}
	name := path.Join(here, storedName(saltFile, len(b.recipients) > 0))
	return errors.Join(b.round.sums.sum(sum, name), b.pass(saltFile+" written"))
}

// finishSums ends the list of the snapshot's files, with a keyed hash by which a restore
// knows that the archive wrote it.
func (b *backup) finishSums(state string) error {
	sums := b.round.sums
	dir, err := filepath.Abs(b.a.Dir())
	if err == nil {
		err = sums.line(fromMark + strconv.Quote(dir))
	}
	if err == nil && state != "" {
		err = sums.line(stateMark + state)
	}
	if err == nil {
		err = sums.buffered.Flush()
	}
	if err == nil {
		mac := b.a.Authentic(sumsFile, b.name+" "+hex.EncodeToString(sums.hash.Sum(nil)))
		err = sums.line(listMark + mac)
	}
	return errors.Join(err, sums.finish())
}

// remember writes to the archive that it was backed up.
func (b *backup) remember(ctx context.Context) error {
	if b.report.Written = b.folder.written; len(b.defects) > 0 {
		return b.pass("remembered") // to a damaged archive nothing is written
	}
	last := store.Backup{
		At: b.a.Now(), Snapshot: b.report.Snapshot, Stills: b.report.Stills, Copied: b.report.Copied, Lost: b.report.Lost,
	}
	if err := b.a.BackedUp(ctx, last, !b.report.Unchanged); err != nil {
		return fmt.Errorf("the snapshot is complete, and the archive could not note it: %w", err)
	}
	return b.pass("remembered")
}
