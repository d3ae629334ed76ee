package backup

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"

	"filippo.io/age"

	"lintel/store/internal/durable"
)

// Names in a folder of backups; see the package.
const (
	markFile     = "household"
	erasuresFile = "erasures"
	incomingDir  = "incoming"
	stillsDir    = "stills"
	snapshotsDir = "snapshots"
	damagedDir   = "damaged" // copies of a damaged archive
	piecesDir    = "pieces"
	databaseFile = "archive.db"
	saltFile     = "passphrase.salt" // also in the archive's folder
	keysFile     = "keys"            // and this
	sumsFile     = "SHA256SUMS"

	ageSuffix   = ".age"
	stillSuffix = ".still"
)

// The mark file has the format's number after backupMark. What the first format
// had besides is not needed.
const (
	backupMark = "lintel backup "
	format     = "3 "
)

// oldFormats have the database of each snapshot in one file.
var oldFormats = []string{"1 ", "2 "}

// snapshotTime is how a snapshot's name says when it was made, in UTC.
const snapshotTime = "20060102T150405Z"

// fileName is what names of stills' files look like. Those from a manifest are
// not trusted to lead nowhere else.
var fileName = regexp.MustCompile(`^[A-Z2-7]{26}$`)

// stillName is what names of stills in the folder look like.
var stillName = regexp.MustCompile(`^[A-Z2-7]{26}\.(still|[0-9a-f]{16}\.age)$`)

// stillIn is the path of a still in a folder of backups.
func stillIn(file, suffix string) string { return path.Join(stillsDir, file[:2], file+suffix) }

// A folder is a folder of backups that is locked.
type folder struct {
	dir       string
	household string
	lock      *os.File
	unsynced  map[string]bool // folders of stills and pieces
	written   int64           // bytes of files that are new
	markLost  error           // of a folder to be read
}

// openFolder opens a folder of backups to read it.
func openFolder(dir string) (*folder, error) {
	household, err := readMark(dir)
	if err != nil && (errors.Is(err, ErrNewer) || !exists(filepath.Join(dir, snapshotsDir))) {
		return nil, err
	}
	f := &folder{dir: dir, household: household, markLost: err} // what is lost the database says
	return f, f.flock(syscall.LOCK_SH)
}

// makeFolder opens a household's folder of backups to write to it, and
// makes it where there is none. What a backup left in incoming is removed.
func makeFolder(dir, household string, isAuthentic func(*folder, erasureList) bool) (*folder, error) {
	f := &folder{dir: dir, household: household, unsynced: make(map[string]bool)}
	if err := f.mayBeOurs(isAuthentic); err != nil {
		return nil, err
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, err
	}
	if err := f.flock(syscall.LOCK_EX); err != nil {
		return nil, err
	}
	err := f.mayBeOurs(isAuthentic) // another may have been quicker
	if err == nil {
		err = f.lay()
	}
	if err != nil {
		return nil, errors.Join(err, f.unlock())
	}
	return f, nil
}

// mayBeOurs looks whether the folder is this household's, or free. Where its mark is lost,
// a list that only this archive can have written says so.
func (f *folder) mayBeOurs(isAuthentic func(*folder, erasureList) bool) error {
	household, err := readMark(f.dir)
	if err != nil && !errors.Is(err, ErrNewer) {
		if list, lost := f.erasures(); lost == nil && isAuthentic(f, list) {
			return nil
		}
	}
	switch {
	case err == nil && household != f.household:
		return fmt.Errorf("%w; nothing was changed", ErrOtherHousehold)
	case !errors.Is(err, fs.ErrNotExist):
		return err
	}
	there, err := os.ReadDir(f.dir)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	for _, e := range there {
		if e.Name() != incomingDir { // a first backup that was broken off
			return fmt.Errorf("%w: it holds %s; name a folder that is empty or does not exist yet", ErrNotBackup, e.Name())
		}
	}
	return nil
}

func (f *folder) lay() error {
	if err := os.RemoveAll(f.incoming()); err != nil {
		return err
	}
	if err := os.Mkdir(f.incoming(), 0o700); err != nil {
		return err
	}
	if err := f.writeMark(); err != nil {
		return err
	}
	for _, d := range []string{stillsDir, piecesDir, keysFile, snapshotsDir} {
		if err := os.MkdirAll(filepath.Join(f.dir, d), 0o700); err != nil {
			return err
		}
	}
	return durable.SyncFolder(f.dir)
}

// writeMark writes whose backups these are, and in which format, if it is not
// there yet.
func (f *folder) writeMark() error {
	to, mark := filepath.Join(f.dir, markFile), summed(backupMark+format+f.household)+"\n"
	if is, err := os.ReadFile(to); err == nil && string(is) == mark {
		return nil
	}
	return errors.Join(durable.Write(f.incoming(markFile), []byte(mark)), os.Rename(f.incoming(markFile), to))
}

// summed adds to a line what tells that it is whole.
func summed(line string) string {
	sum := sha256.Sum256([]byte(line))
	return line + " " + hex.EncodeToString(sum[:8])
}

// readMark returns the household whose backups a folder holds.
func readMark(dir string) (household string, err error) {
	data, err := os.ReadFile(filepath.Join(dir, markFile))
	if err != nil {
		return "", err
	}
	line := strings.TrimSuffix(string(data), "\n")
	text, ours := strings.CutPrefix(line, backupMark)
	for _, known := range oldFormats {
		if household, ok := strings.CutPrefix(text, known); ours && ok && fileName.MatchString(household) {
			return household, nil
		}
	}
	if end := strings.LastIndexByte(line, ' '); end > 0 && ours && summed(line[:end]) == line {
		household, ok := strings.CutPrefix(line[:end], backupMark+format)
		if ok && fileName.MatchString(household) {
			return household, nil
		}
		return "", ErrNewer
	}
	return "", fmt.Errorf("%w: its file %s is not what a backup writes", ErrNotBackup, markFile)
}

func (f *folder) flock(how int) (err error) {
	if f.lock, err = os.Open(f.dir); err != nil {
		return err
	}
	err = syscall.Flock(int(f.lock.Fd()), how|syscall.LOCK_NB)
	if errors.Is(err, syscall.EWOULDBLOCK) {
		err = ErrInUse
	}
	if err != nil {
		f.lock.Close()
	}
	return err
}

// close removes what is in incoming, if the folder was written to, and unlocks it.
func (f *folder) close() (err error) {
	if f.unsynced != nil {
		err = os.RemoveAll(f.incoming())
	}
	return errors.Join(err, f.unlock())
}

// unlock says so before it closes: a process that is being started meanwhile
// has the lock's file open for a moment, too.
func (f *folder) unlock() error {
	return errors.Join(syscall.Flock(int(f.lock.Fd()), syscall.LOCK_UN), f.lock.Close())
}

func (f *folder) incoming(name ...string) string {
	return filepath.Join(f.dir, incomingDir, filepath.Join(name...))
}

// A snapshot is named by its number, which grows by one whatever the clock
// does, and the time it was made.
type snapshot struct {
	dir    string
	name   string
	number int
	madeAt time.Time
}

var snapshotName = regexp.MustCompile(`^([0-9]{6,9})\.([0-9]{8}T[0-9]{6}Z)$`)

// here is the snapshot's folder within that of the backups.
func (s snapshot) here() string { return path.Join(filepath.Base(filepath.Dir(s.dir)), s.name) }

// snapshots lists the snapshots, oldest first.
func (f *folder) snapshots() ([]snapshot, error) { return f.list(snapshotsDir) }

// damaged lists the copies of a damaged archive, oldest first.
func (f *folder) damaged() ([]snapshot, error) { return f.list(damagedDir) }

// nextNumber returns the number of a snapshot to come.
func (f *folder) nextNumber() (number int, err error) {
	sound, err := f.snapshots()
	if err != nil {
		return 0, err
	}
	damaged, err := f.damaged()
	for _, s := range append(sound, damaged...) {
		number = max(number, s.number)
	}
	return number + 1, err
}

func (f *folder) list(dir string) (all []snapshot, err error) {
	entries, err := os.ReadDir(filepath.Join(f.dir, dir))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	for _, e := range entries {
		if m := snapshotName.FindStringSubmatch(e.Name()); m != nil {
			number, _ := strconv.Atoi(m[1]) // at most nine digits
			at, _ := time.Parse(snapshotTime, m[2])
			all = append(all, snapshot{filepath.Join(f.dir, dir, e.Name()), e.Name(), number, at})
		}
	}
	slices.SortFunc(all, func(a, b snapshot) int { return cmp.Compare(a.number, b.number) })
	return all, nil
}

// removeSnapshot removes a snapshot, whole or not at all even if this breaks off.
func (f *folder) removeSnapshot(s snapshot) error {
	if err := os.Rename(s.dir, f.incoming(s.name)); err != nil {
		return err
	}
	return errors.Join(durable.SyncFolder(filepath.Dir(s.dir)), os.RemoveAll(f.incoming(s.name)))
}

// write writes a file that snapshots share and returns its SHA-256. Its name is durable
// after syncFolders.
func (f *folder) write(name string, data []byte, recipients []age.Recipient) (sum string, err error) {
	s, err := createStored(f.incoming("file"), recipients)
	if err != nil {
		return "", err
	}
	if _, err := s.Write(data); err != nil {
		return "", errors.Join(err, s.close())
	}
	if sum, err = s.finish(); err != nil {
		return "", err
	}
	f.written += s.size
	to := filepath.Join(f.dir, name)
	if err := os.Mkdir(filepath.Dir(to), 0o700); err != nil && !errors.Is(err, fs.ErrExist) {
		return "", err
	} else if err == nil {
		f.unsynced[filepath.Dir(filepath.Dir(to))] = true
	}
	f.unsynced[filepath.Dir(to)] = true
	return sum, os.Rename(s.f.Name(), to)
}

func (f *folder) syncFolders() error {
	for dir := range f.unsynced {
		if err := durable.SyncFolder(dir); err != nil {
			return err
		}
	}
	clear(f.unsynced)
	return nil
}

// removeStills removes the copies of stills that condemned names; it is asked
// in the order of their paths, which is also that of their files.
func (f *folder) removeStills(ctx context.Context, condemned func(file,
	path string) (bool, error)) (removed int, err error) {
	err = filepath.WalkDir(filepath.Join(f.dir, stillsDir), func(name string, d fs.DirEntry, err error) error {
		if err == nil {
			err = ctx.Err()
		}
		file, _, _ := strings.Cut(filepath.Base(name), ".")
		if err != nil || d.IsDir() || !fileName.MatchString(file) {
			return err
		}
		goes, err := condemned(file, path.Join(stillsDir, file[:2], filepath.Base(name)))
		if err != nil || !goes {
			return err
		}
		removed++
		return os.Remove(name)
	})
	if err != nil {
		return removed, fmt.Errorf("removing copies of stills: %w", err)
	}
	return removed, nil
}
