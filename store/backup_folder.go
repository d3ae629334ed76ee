package store

import (
	"bufio"
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
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
)

// Names in a folder of backups; see [Archive.Backup].
const (
	markFile     = "household"
	erasuresFile = "erasures"
	incomingDir  = "incoming"
	stillsDir    = "stills"
	snapshotsDir = "snapshots"
	databaseFile = "archive.db"
	saltFile     = "passphrase.salt" // also in the archive's folder
	manifestFile = "manifest.json"
	sumsFile     = "SHA256SUMS"

	ageSuffix   = ".age"
	stillSuffix = ".still"
)

// backupMark begins the mark file, with the format's number.
const backupMark = "lintel backup 1 "

// fileName is what names of stills' files look like. Those from a manifest are
// not trusted to lead nowhere else.
var fileName = regexp.MustCompile(`^[A-Z2-7]{26}$`)

// suffixes are what names of stills in the folder end in.
var suffixes = regexp.MustCompile(`^\.(still|[0-9a-f]{16}\.age)$`)

// stillIn is the path of a still in a folder of backups.
func stillIn(file, suffix string) string { return path.Join(stillsDir, file[:2], file+suffix) }

// A backupFolder is a folder of backups that is locked.
type backupFolder struct {
	dir       string
	household string
	lock      *os.File
	unsynced  map[string]bool // folders of stills
}

// openBackupFolder opens a folder of backups to read it.
func openBackupFolder(dir string) (*backupFolder, error) {
	household, err := readMark(dir)
	if err != nil {
		return nil, err
	}
	f := &backupFolder{dir: dir, household: household}
	return f, f.flock(syscall.LOCK_SH)
}

// makeBackupFolder opens a household's folder of backups to write to it, and
// makes it where there is none. What a backup left in incoming is removed.
func makeBackupFolder(dir, household string) (*backupFolder, error) {
	f := &backupFolder{dir: dir, household: household, unsynced: make(map[string]bool)}
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
func (f *backupFolder) mayBeOurs() error {
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

func (f *backupFolder) lay() error {
	if err := os.RemoveAll(f.incoming()); err != nil {
		return err
	}
	if err := os.Mkdir(f.incoming(), 0o700); err != nil {
		return err
	}
	if !exists(filepath.Join(f.dir, markFile)) {
		if err := writeSynced(f.incoming(markFile), []byte(backupMark+f.household+"\n")); err != nil {
			return err
		}
		if err := os.Rename(f.incoming(markFile), filepath.Join(f.dir, markFile)); err != nil {
			return err
		}
	}
	for _, d := range []string{stillsDir, snapshotsDir} {
		if err := os.MkdirAll(filepath.Join(f.dir, d), 0o700); err != nil {
			return err
		}
	}
	return syncFolder(f.dir)
}

// readMark returns the household whose backups a folder holds.
func readMark(dir string) (household string, err error) {
	data, err := os.ReadFile(filepath.Join(dir, markFile))
	if err != nil {
		return "", err
	}
	text := strings.TrimSuffix(string(data), "\n")
	household, ours := strings.CutPrefix(text, backupMark)
	switch {
	case ours && fileName.MatchString(household):
		return household, nil
	case !ours && strings.HasPrefix(text, backupMark[:len("lintel backup ")]):
		return "", ErrNewerBackup
	}
	return "", fmt.Errorf("%w: its file %s is not what a backup writes", ErrNotBackup, markFile)
}

func (f *backupFolder) flock(how int) (err error) {
	if f.lock, err = os.Open(f.dir); err != nil {
		return err
	}
	err = syscall.Flock(int(f.lock.Fd()), how|syscall.LOCK_NB)
	if errors.Is(err, syscall.EWOULDBLOCK) {
		err = ErrBackupInUse
	}
	if err != nil {
		f.lock.Close()
	}
	return err
}

// close removes what is in incoming, if the folder was written to, and unlocks it.
func (f *backupFolder) close() (err error) {
	if f.unsynced != nil {
		err = os.RemoveAll(f.incoming())
	}
	return errors.Join(err, f.unlock())
}

// unlock says so before it closes: a process that is being started meanwhile
// has the lock's file open for a moment, too.
func (f *backupFolder) unlock() error {
	return errors.Join(syscall.Flock(int(f.lock.Fd()), syscall.LOCK_UN), f.lock.Close())
}

func (f *backupFolder) incoming(name ...string) string {
	return filepath.Join(f.dir, incomingDir, filepath.Join(name...))
}

// writeErasures writes what was erased in the place of what was known before.
func (f *backupFolder) writeErasures(all []Erasure) error {
	c, err := createChecked(f.incoming(erasuresFile))
	if err != nil {
		return err
	}
	for _, e := range all {
		c.line(e.What + " " + e.ID + " " + e.At.UTC().Format(time.RFC3339Nano))
	}
	if _, err := c.finish(); err != nil {
		return err
	}
	if err := os.Rename(f.incoming(erasuresFile), filepath.Join(f.dir, erasuresFile)); err != nil {
		return err
	}
	return syncFolder(f.dir)
}

// erasures returns what was erased as far as the last backup knew.
func (f *backupFolder) erasures() (all []Erasure, err error) {
	err = checkLines(filepath.Join(f.dir, erasuresFile), func(line string) error {
		words := strings.Split(line, " ")
		if len(words) != 3 {
			return errBadLine
		}
		at, err := time.Parse(time.RFC3339Nano, words[2])
		if err != nil {
			return errBadLine
		}
		all = append(all, Erasure{words[0], words[1], at})
		return nil
	})
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("%w: the list of erasures is missing", ErrBackupDamaged)
	}
	return all, err
}

// A snapshot is named by its number, which grows by one whatever the clock
// does, and the time it was made.
type snapshot struct {
	dir    string
	name   string
	number int
}

var snapshotName = regexp.MustCompile(`^([0-9]{6,9})\.[0-9]{8}T[0-9]{6}Z$`)

// snapshots lists the snapshots, oldest first.
func (f *backupFolder) snapshots() (all []snapshot, err error) {
	entries, err := os.ReadDir(filepath.Join(f.dir, snapshotsDir))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	for _, e := range entries {
		if m := snapshotName.FindStringSubmatch(e.Name()); m != nil {
			number, _ := strconv.Atoi(m[1]) // at most nine digits
			all = append(all, snapshot{filepath.Join(f.dir, snapshotsDir, e.Name()), e.Name(), number})
		}
	}
	slices.SortFunc(all, func(a, b snapshot) int { return cmp.Compare(a.number, b.number) })
	return all, nil
}

// removeSnapshot removes a snapshot, whole or not at all even if this breaks off.
func (f *backupFolder) removeSnapshot(s snapshot) error {
	if err := os.Rename(s.dir, f.incoming(s.name)); err != nil {
		return err
	}
	return errors.Join(syncFolder(filepath.Dir(s.dir)), os.RemoveAll(f.incoming(s.name)))
}

// state returns the state that the snapshot holds.
func (s snapshot) state() (state string, err error) {
	err = checkLines(filepath.Join(s.dir, sumsFile), func(line string) error {
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

// checkOwnFiles compares the snapshot's own files, not those of stills, with
// their SHA-256.
func (f *backupFolder) checkOwnFiles(s snapshot) error {
	found := 0
	err := checkLines(filepath.Join(s.dir, sumsFile), func(line string) error {
		sum, name, ok := strings.Cut(line, "  ")
		if !ok || !strings.HasPrefix(name, snapshotsDir+"/") {
			return nil
		}
		if path.Dir(name) != snapshotsDir+"/"+s.name {
			return errBadLine
		}
		found++
		got, err := hashFile(filepath.Join(f.dir, name))
		if errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("%w: %s is missing", ErrBackupDamaged, name)
		}
		if err == nil && got != sum {
			return fmt.Errorf("%w: %s has been changed", ErrBackupDamaged, name)
		}
		return err
	})
	if err == nil && found < 2 { // the database and the manifest
		return fmt.Errorf("%w: %s is not complete", ErrBackupDamaged, path.Join(snapshotsDir, s.name, sumsFile))
	}
	return err
}

// writeStill writes a still's copy and returns its SHA-256. Its name is
// durable after syncStills.
func (f *backupFolder) writeStill(name string, data []byte, recipients []age.Recipient) (sum string, err error) {
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

func (f *backupFolder) syncStills() error {
	f.unsynced[filepath.Join(f.dir, stillsDir)] = true
	for dir := range f.unsynced {
		if err := syncFolder(dir); err != nil {
			return err
		}
	}
	clear(f.unsynced)
	return nil
}

// removeStills removes the copies of stills that condemned names; it is asked
// in the order of their paths, which is also that of their files.
func (f *backupFolder) removeStills(ctx context.Context, condemned func(file, path string) (bool, error)) (removed int, err error) {
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

// A storedFile is written to a folder of backups, encrypted if there are
// recipients.
type storedFile struct {
	io.Writer
	f         *os.File
	hash      hash.Hash // of what is stored
	encrypted io.Closer
	buffered  *bufio.Writer
}

func createStored(path string, recipients []age.Recipient) (*storedFile, error) {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600)
	if err != nil {
		return nil, err
	}
	s := &storedFile{f: f, hash: sha256.New()}
	s.buffered = bufio.NewWriterSize(io.MultiWriter(f, s.hash), 1<<16)
	s.Writer = s.buffered
	if len(recipients) > 0 {
		w, err := age.Encrypt(s.buffered, recipients...)
		if err != nil {
			return nil, errors.Join(fmt.Errorf("encrypting: %w", err), f.Close())
		}
		s.Writer, s.encrypted = w, w
	}
	return s, nil
}

// finish makes the file durable and returns its SHA-256.
func (s *storedFile) finish() (sum string, err error) {
	if s.encrypted != nil {
		err = s.encrypted.Close()
	}
	err = errors.Join(err, s.buffered.Flush(), s.f.Sync(), s.f.Close())
	return hex.EncodeToString(s.hash.Sum(nil)), err
}

// close gives up a file that was not finished; after finish it does nothing.
func (s *storedFile) close() error {
	if err := s.f.Close(); !errors.Is(err, fs.ErrClosed) {
		return err
	}
	return nil
}

// hashFile returns the SHA-256 of a file, in hexadecimal.
func hashFile(name string) (sum string, err error) {
	f, err := os.Open(name)
	if err != nil {
		return "", err
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return "", err
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}
