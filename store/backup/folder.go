package backup

import (
	"cmp"
	"context"
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
	oldFormat  = "1 "
	format     = "2 "
)

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
	unsynced  map[string]bool // folders of stills
}

// openFolder opens a folder of backups to read it.
func openFolder(dir string) (*folder, error) {
	household, err := readMark(dir)
	if err != nil {
		return nil, err
	}
	f := &folder{dir: dir, household: household}
	return f, f.flock(syscall.LOCK_SH)
}

// makeFolder opens a household's folder of backups to write to it, and
// makes it where there is none. What a backup left in incoming is removed.
func makeFolder(dir, household string) (*folder, error) {
	f := &folder{dir: dir, household: household, unsynced: make(map[string]bool)}
	if err := f.mayBeOurs(); err != nil {
		return nil, err
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, err
	}
	if err := f.flock(syscall.LOCK_EX); err != nil {
		return nil, err
	}
	err := f.mayBeOurs() // another may have been quicker
	if err == nil {
		err = f.lay()
	}
	if err != nil {
		return nil, errors.Join(err, f.unlock())
	}
	return f, nil
}

// mayBeOurs looks whether the folder is this household's, or free.
func (f *folder) mayBeOurs() error {
	household, err := readMark(f.dir)
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
	for _, d := range []string{stillsDir, snapshotsDir} {
		if err := os.MkdirAll(filepath.Join(f.dir, d), 0o700); err != nil {
			return err
		}
	}
	return durable.SyncFolder(f.dir)
}

// writeMark writes whose backups these are, and in which format, if it is not
// there yet.
func (f *folder) writeMark() error {
	to, mark := filepath.Join(f.dir, markFile), backupMark+format+f.household+"\n"
	if is, err := os.ReadFile(to); err == nil && string(is) == mark {
		return nil
	}
	return errors.Join(durable.Write(f.incoming(markFile), []byte(mark)), os.Rename(f.incoming(markFile), to))
}

// readMark returns the household whose backups a folder holds.
func readMark(dir string) (household string, err error) {
	data, err := os.ReadFile(filepath.Join(dir, markFile))
	if err != nil {
		return "", err
	}
	text, ours := strings.CutPrefix(strings.TrimSuffix(string(data), "\n"), backupMark)
	for _, known := range []string{oldFormat, format} {
		if household, ok := strings.CutPrefix(text, known); ours && ok && fileName.MatchString(household) {
			return household, nil
		}
	}
	if ours && !strings.HasPrefix(text, oldFormat) && !strings.HasPrefix(text, format) {
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

// snapshots lists the snapshots, oldest first.
func (f *folder) snapshots() (all []snapshot, err error) {
	entries, err := os.ReadDir(filepath.Join(f.dir, snapshotsDir))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	for _, e := range entries {
		if m := snapshotName.FindStringSubmatch(e.Name()); m != nil {
			number, _ := strconv.Atoi(m[1]) // at most nine digits
			at, _ := time.Parse(snapshotTime, m[2])
			all = append(all, snapshot{filepath.Join(f.dir, snapshotsDir, e.Name()), e.Name(), number, at})
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

// state returns the state that the snapshot holds.
func (s snapshot) state() (state string, err error) {
	err = readList(filepath.Join(s.dir, sumsFile), func(line string) error {
		if text, ok := strings.CutPrefix(line, stateMark); ok {
			state = text
		}
		return nil
	})
	return state, err
}

// stateMark begins the line of SHA256SUMS, a comment to sha256sum(1), with the
// snapshot's state.
const stateMark = "# state "

// keysMark begins another, with how many bytes the snapshot's file of keys has.
const keysMark = "# keys "

// checkOwnFiles compares the snapshot's own files with their SHA-256, and
// returns their names and what the names of its stills end in.
func (f *folder) checkOwnFiles(s snapshot) (names []string, suffix string, err error) {
	suffix = stillSuffix
	err = readList(filepath.Join(s.dir, sumsFile), func(line string) error {
		if size, ok := strings.CutPrefix(line, keysMark); ok {
			return checkKeysSize(filepath.Join(s.dir, keysFile), size)
		}
		sum, name, ok := strings.Cut(line, "  ")
		if !ok {
			return nil
		}
		if dir, base := path.Split(name); strings.HasPrefix(dir, stillsDir+"/") {
			if len(names) > 0 || !stillName.MatchString(base) {
				return errBadLine
			}
			suffix = base[strings.IndexByte(base, '.'):]
			return nil
		}
		if path.Dir(name) != snapshotsDir+"/"+s.name {
			return errBadLine
		}
		names = append(names, path.Base(name))
		got, err := hashFile(filepath.Join(f.dir, name))
		if errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("%w: %s is missing", ErrDamaged, name)
		}
		if err == nil && got != sum {
			return fmt.Errorf("%w: %s has been changed", ErrDamaged, name)
		}
		return err
	})
	if err == nil && !slices.Contains(names, databaseFile) && !slices.Contains(names, databaseFile+ageSuffix) {
		err = fmt.Errorf("%w: %s is not complete", ErrDamaged, path.Join(snapshotsDir, s.name, sumsFile))
	}
	return names, suffix, err
}

func checkKeysSize(path, size string) error {
	info, err := os.Stat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("%w: the file %s is missing", ErrDamaged, keysFile)
	}
	if err == nil && strconv.FormatInt(info.Size(), 10) != size {
		err = fmt.Errorf("%w: the file %s has been changed", ErrDamaged, keysFile)
	}
	return err
}

// writeStill writes a still's copy and returns its SHA-256. Its name is
// durable after syncStills.
func (f *folder) writeStill(name string, data []byte, recipients []age.Recipient) (sum string, err error) {
	s, err := createStored(f.incoming("still"), recipients)
	if err != nil {
		return "", err
	}
	if _, err := s.Write(data); err != nil {
		return "", errors.Join(err, s.close())
	}
	if sum, err = s.finish(); err != nil {
		return "", err
	}
	to := filepath.Join(f.dir, name)
	if err := os.Mkdir(filepath.Dir(to), 0o700); err != nil && !errors.Is(err, fs.ErrExist) {
		return "", err
	}
	f.unsynced[filepath.Dir(to)] = true
	return sum, os.Rename(s.f.Name(), to)
}

func (f *folder) syncStills() error {
	f.unsynced[filepath.Join(f.dir, stillsDir)] = true
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
