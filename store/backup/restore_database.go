package backup

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path"
	"path/filepath"
	"strings"

	"lintel/store"
	"lintel/store/internal/keyfile"
)

// restoreDatabase puts the database together of its pieces. Those that can't be read, or are
// not what they should be, leave zeros, for [restore.mendDatabase].
func (r *restore) restoreDatabase() error {
	to := filepath.Join(r.work, databaseFile)
	if r.manifest.size == 0 {
		return r.restoreWhole(to)
	}
	f, err := os.OpenFile(to, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	defer f.Close()
	var wrong error // the identity, as far as the pieces that were tried say
	for i, l := range r.manifest.pieces() {
		run, err := r.readPiece(l)
		switch {
		case errors.Is(err, ErrIdentity) && len(r.o.Identities) > 0:
			wrong = err // or this piece alone is damaged
		case err != nil && !errors.Is(err, ErrDamaged):
			return err
		}
		if size := r.manifest.runSize(i); int64(len(run)) > size {
			run = run[:size]
		}
		if _, err := f.WriteAt(run, int64(i)*runSize); err != nil {
			return err
		}
	}
	if wrong != nil && !r.opened {
		return wrong
	}
	return errors.Join(f.Truncate(r.manifest.size), f.Sync())
}

// restoreWhole copies a database that is in one file, as earlier versions wrote it.
func (r *restore) restoreWhole(to string) error {
	l, _ := r.manifest.find(databaseFile)
	if err := r.folder.checkFile(l); err != nil {
		return err
	}
	_, err := r.copyFile(l.path, to, math.MaxInt64)
	return err
}

// readPiece reads a piece, of which nobody has looked yet whether it is the right one.
func (r *restore) readPiece(l sumLine) ([]byte, error) {
	source, err := r.open(filepath.Join(r.folder.dir, l.path))
	if err != nil {
		return nil, err
	}
	defer source.Close()
	run, err := io.ReadAll(io.LimitReader(source, runSize))
	if err != nil {
		return nil, fmt.Errorf("%w: reading %s: %w", ErrDamaged, l.path, err)
	}
	return run, nil
}

// pieces are those of all groups, in their order.
func (c manifest) pieces() (all []sumLine) {
	for _, g := range c.groups {
		all = append(all, g.pieces...)
	}
	return all
}

// runSize is how long a run is: all are alike but the last.
func (c manifest) runSize(i int) int64 { return min(runSize, c.size-int64(i)*runSize) }

// mendDatabase compares each run with the name of its piece, now that the master key is known,
// and makes the one of a group that is wrong anew. In the end the database is, byte for byte,
// the one that was backed up.
func (r *restore) mendDatabase(ctx context.Context) error {
	if r.manifest.size == 0 {
		return nil
	}
	want, err := store.AuthenticBy(r.key, sumsFile, r.manifest.above)
	if err != nil {
		return err
	}
	if want != r.manifest.authentic {
		forged := fmt.Errorf("%w: %s is not what the archive wrote", ErrDamaged, sumsFile)
		database, err := store.OpenSnapshot(ctx, r.work, r.key)
		if errors.Is(err, store.ErrWrongKey) { // by which nothing here is authentic
			return err
		}
		if err == nil {
			return errors.Join(forged, database.Close())
		}
		return forged
	}
	path := filepath.Join(r.work, databaseFile)
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	defer f.Close()
	first := 0
	for _, g := range r.manifest.groups {
		if err := errors.Join(ctx.Err(), r.mendGroup(f, g, first)); err != nil {
			return err
		}
		first += len(g.pieces)
	}
	if err := f.Sync(); err != nil {
		return err
	}
	if sum, err := hashFile(path); err != nil || sum != r.manifest.sum {
		return errors.Join(err, fmt.Errorf("%w: the database is not the one that was backed up", ErrDamaged))
	}
	return nil
}

// mendGroup looks at the runs of a group, the first of which is given.
func (r *restore) mendGroup(f *os.File, g group, first int) error {
	wrong := make(map[string][]int) // runs by the piece they should be
	sum, seen := make([]byte, runSize), make(map[string]bool)
	for i, l := range g.pieces {
		run := make([]byte, r.manifest.runSize(first+i))
		if _, err := f.ReadAt(run, int64(first+i)*runSize); err != nil {
			return err
		}
		is, err := r.isPiece(l, run)
		if err != nil {
			return err
		}
		if !is {
			wrong[l.path] = append(wrong[l.path], first+i)
			continue
		}
		if !seen[l.path] {
			exclusiveOr(sum, run)
		}
		seen[l.path] = true
	}
	spare, err := r.readPiece(g.spare)
	if err != nil && !errors.Is(err, ErrDamaged) {
		return err
	}
	whole, err := r.isPiece(g.spare, spare)
	if err != nil {
		return err
	}
	if !whole {
		r.item(Item{What: OfPiece, File: g.spare.path, Mended: len(wrong) == 0})
	}
	if len(wrong) == 0 {
		return nil
	}
	if len(wrong) > 1 || !whole {
		for l := range wrong {
			return fmt.Errorf("%w: %s and another piece of its group are gone", ErrDamaged, l)
		}
	}
	exclusiveOr(sum, spare)
	for l, runs := range wrong {
		for _, i := range runs {
			if _, err := f.WriteAt(sum[:r.manifest.runSize(i)], int64(i)*runSize); err != nil {
				return err
			}
		}
		r.item(Item{What: OfPiece, File: l, Mended: true})
	}
	return nil
}

// isPiece reports whether a run is what its piece is named by.
func (r *restore) isPiece(l sumLine, run []byte) (bool, error) {
	var err error
	name := runHash(func(what, text string) (mac string) {
		mac, err = store.AuthenticBy(r.key, what, text)
		return mac
	}, run)
	return strings.HasPrefix(path.Base(l.path), name+"."), err
}

// restoreSalt brings the passphrase's salt back, if there is one; a damaged one from another
// snapshot.
func (r *restore) restoreSalt() error {
	l, found := r.manifest.find(saltFile)
	if !found {
		return nil // an archive without a passphrase
	}
	to := filepath.Join(r.work, saltFile)
	err := r.copyWhole(l, to)
	if !errors.Is(err, ErrDamaged) {
		return err
	}
	all, listErr := r.folder.snapshots()
	if listErr != nil {
		return listErr
	}
	for _, s := range all {
		c, otherErr := r.folder.manifest(s)
		other, found := c.find(saltFile)
		if otherErr != nil || !found || s.name == r.snapshot.name {
			continue
		}
		if otherErr = r.copyWhole(other, to); otherErr == nil {
			r.item(Item{What: OfSalt, File: l.path, Mended: true})
			return nil
		}
	}
	return err
}

// copyWhole copies a file whose SHA-256 is right.
func (r *restore) copyWhole(l sumLine, to string) error {
	err := r.folder.checkFile(l)
	if err == nil {
		_, err = r.copyFile(l.path, to, math.MaxInt64)
	}
	return err
}

// restoreKeys puts the keys together as they were. Whether they open is known later.
func (r *restore) restoreKeys() error {
	to := filepath.Join(r.work, keysFile)
	if r.manifest.size == 0 {
		keys := path.Join(r.snapshot.here(), keysFile)
		if r.manifest.keysSize < 0 && !exists(filepath.Join(r.folder.dir, keys)) {
			return nil // the version before had them in the database
		}
		_, err := r.copyFile(keys, to, math.MaxInt64)
		if errors.Is(err, ErrDamaged) || err == nil {
			err = r.fillKeys(to)
		}
		return err
	}
	files, err := r.folder.runFiles()
	if err != nil {
		return err
	}
	f, err := os.OpenFile(to, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	defer f.Close()
	for run := 0; int64(run)*keyfile.RunSize < r.manifest.keysSize; run++ {
		file, found := at(files[run], r.snapshot.number)
		data, err := os.ReadFile(file.path)
		if !found || err != nil {
			if found && !errors.Is(err, fs.ErrNotExist) {
				return err
			}
			continue // fillKeys has it hold nothing
		}
		if _, err := f.WriteAt(data[:min(len(data), keyfile.RunSize)], int64(run)*keyfile.RunSize); err != nil {
			return err
		}
	}
	return errors.Join(f.Sync(), r.fillKeys(to))
}

// fillKeys gives the file of keys the length that it had. What is missing is zeros, which are
// no key.
func (r *restore) fillKeys(path string) error {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return err
	}
	defer f.Close()
	if r.manifest.keysSize >= 0 {
		err = f.Truncate(r.manifest.keysSize)
	}
	return errors.Join(err, f.Sync())
}

// mendKeys looks for keys that do not open in the other snapshots.
func (r *restore) mendKeys(ctx context.Context, database *store.Snapshot) error {
	files, err := r.folder.runFiles()
	if err != nil {
		return err
	}
	whole, err := filepath.Glob(filepath.Join(r.folder.dir, snapshotsDir, "*", keysFile))
	if err != nil {
		return err
	}
	mended, lost, err := database.MendKeys(ctx, func(n keyfile.Number) (copies [][]byte, err error) {
		run := int(n.Position() / keyfile.RunSlots)
		for _, file := range files[run] {
			if wrapped, found := inFile(file.path, n, 0); found {
				copies = append(copies, wrapped)
			}
		}
		for _, file := range whole {
			if wrapped, found := inFile(file, n, int64(run)*keyfile.RunSize); found {
				copies = append(copies, wrapped)
			}
		}
		return copies, nil
	})
	for _, position := range mended {
		r.item(Item{What: OfKey, File: keysFile, Of: fmt.Sprintf("slot %d", position), Mended: true})
	}
	for _, row := range lost {
		r.item(Item{What: OfKey, File: keysFile, Of: row})
	}
	if err != nil || len(mended)+len(lost) == 0 {
		return err
	}
	return keyfile.FreeZeros(filepath.Join(r.work, keysFile))
}

// inFile looks a key up in a file that has its run at an offset.
func inFile(path string, n keyfile.Number, offset int64) (wrapped []byte, found bool) {
	f, err := os.Open(path)
	if err != nil {
		return nil, false
	}
	defer f.Close()
	run := make([]byte, keyfile.RunSize)
	read, _ := f.ReadAt(run, offset) // what can't be read is not found
	return keyfile.InRun(run[:read], n)
}
