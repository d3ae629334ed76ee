package backup

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"

	"lintel/store/internal/keyfile"
)

// The copies of the keys are cut into runs of slots. A run that did not change since the
// snapshot before has no second copy: the file keys/RUN.NUMBER holds a run as it was when the
// snapshot of that number was made, and is of all later ones up to the next file of that run.
// So no list names them, and what is erased is overwritten in each.

// runName is what names of those files look like.
var runName = regexp.MustCompile(`^([0-9]{6})\.([0-9]{6,9})$`)

// A runFile is one of them.
type runFile struct {
	path        string
	run, number int
}

// runFiles lists the files of all runs, by run and then oldest first.
func (f *folder) runFiles() (all map[int][]runFile, err error) {
	entries, err := os.ReadDir(filepath.Join(f.dir, keysFile))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	all = make(map[int][]runFile)
	for _, e := range entries {
		if m := runName.FindStringSubmatch(e.Name()); m != nil {
			run, _ := strconv.Atoi(m[1]) // at most nine digits, both
			number, _ := strconv.Atoi(m[2])
			all[run] = append(all[run], runFile{filepath.Join(f.dir, keysFile, e.Name()), run, number})
		}
	}
	for _, files := range all {
		slices.SortFunc(files, func(a, b runFile) int { return a.number - b.number })
	}
	return all, nil
}

// at returns the file that a snapshot of that number has of a run.
func at(files []runFile, number int) (of runFile, found bool) {
	for _, f := range files {
		if f.number <= number {
			of, found = f, true
		}
	}
	return of, found
}

// writeKeys brings those runs of the keys to their place that changed since the newest
// snapshot, and lists how many bytes all have: what they hold changes when something is erased.
func (b *backup) writeKeys() error {
	have, err := b.folder.runFiles()
	if err != nil {
		return err
	}
	keys, err := os.Open(filepath.Join(b.work, keysFile))
	if err != nil {
		return err
	}
	defer keys.Close()
	size := int64(0)
	for run := 0; ; run++ {
		data := make([]byte, keyfile.RunSize)
		n, err := io.ReadFull(keys, data)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil && !errors.Is(err, io.ErrUnexpectedEOF) {
			return err
		}
		size += int64(n)
		if latest, found := at(have[run], b.number); found {
			if there, err := os.ReadFile(latest.path); err == nil && keyfile.SameRun(there, data[:n]) {
				continue
			}
		}
		name := path.Join(keysFile, fmt.Sprintf("%06d.%06d", run, b.number))
		if _, err := b.folder.write(name, data[:n], nil); err != nil {
			return err
		}
	}
	return errors.Join(b.round.sums.line(keysMark+strconv.FormatInt(size, 10)), b.folder.syncFolders(),
		b.pass(keysFile+" written"))
}

// dropErased overwrites the keys of what was erased in all copies, and returns how many.
func (f *folder) dropErased(numbers []keyfile.Number) (dropped int, err error) {
	all, err := f.runFiles()
	if err != nil {
		return 0, err
	}
	byRun := make(map[int][]keyfile.Number)
	for _, n := range numbers {
		run := int(n.Position() / keyfile.RunSlots)
		byRun[run] = append(byRun[run], n)
	}
	for run, numbers := range byRun {
		for _, file := range all[run] {
			n, err := keyfile.DropInRun(file.path, numbers)
			dropped += n
			if err != nil {
				return dropped, fmt.Errorf("overwriting keys in %s: %w", filepath.Base(file.path), err)
			}
		}
	}
	return dropped, nil
}

// removeKeys removes the runs of keys that none of the snapshots has.
func (f *folder) removeKeys(stay []snapshot) error {
	all, err := f.runFiles()
	if err != nil {
		return err
	}
	for _, files := range all {
		needed := make(map[int]bool)
		for _, s := range stay {
			if file, found := at(files, s.number); found {
				needed[file.number] = true
			}
		}
		for _, file := range files {
			if needed[file.number] {
				continue
			}
			if err := os.Remove(file.path); err != nil {
				return fmt.Errorf("removing keys: %w", err)
			}
		}
	}
	return nil
}
