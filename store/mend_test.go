package store

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"

	"lintel/internal/house"
	"lintel/store/internal/storetest"
)

// wantWholeByPython asks another SQLite than ours, that of Python's standard library.
func wantWholeByPython(t *testing.T, dir string) {
	t.Helper()
	const ask = `import sqlite3, sys
db = sqlite3.connect(sys.argv[1])
print([row[0] for row in db.execute("PRAGMA integrity_check")], list(db.execute("PRAGMA foreign_key_check")))`
	said, err := exec.Command("python3", "-c", ask, filepath.Join(dir, "archive.db")).CombinedOutput()
	if errors.Is(err, exec.ErrNotFound) {
		t.Skip("SKIPPED, python3 is not here")
	}
	if err != nil || strings.TrimSpace(string(said)) != "['ok'] []" {
		t.Errorf("Python's SQLite finds %s, %v", said, err)
	}
}

// Each sealed value that is damaged, by itself or by its key, and each still, comes back
// from a copy of before; the archive is sound then, and nobody suspects anything.
//
// Outside: SQLite's integrity_check by Python's sqlite3 module.
func TestMendFromCopy(t *testing.T) {
	a, c, visits := newHousehold(t)
	furnishSealed(t, a, c)
	values := sealedValues(t, a)
	v, err := a.Visit(t.Context(), visits[0])
	must(t, err)
	must(t, a.Close())
	files := copyFolder(t, a.dir)
	from := openArchive(t, a.dir, c)
	for _, value := range values {
		if slices.Contains(words("audit_head ledger master trail_checked"), value.table) {
			continue // one for all rows, and of its own time
		}
		for _, how := range damagings {
			if how.vouched && how.name == "and vouched for" {
				continue // somebody wrote it on purpose
			}
			t.Run(value.String()+" "+how.name, func(t *testing.T) {
				dir := t.TempDir()
				writeFolder(t, dir, files)
				if how.spoil(t, dir, value) {
					mendFrom(t, dir, from, c)
				}
			})
		}
	}
	t.Run("a still", func(t *testing.T) {
		dir := t.TempDir()
		writeFolder(t, dir, files)
		file := v.Stills[0].File
		flipBit(t, filepath.Join(dir, "stills", file[:2], file+stillSuffix), 99)
		b := mendFrom(t, dir, from, c)
		if _, err := b.ReadStill(t.Context(), visits[0], 0); err != nil {
			t.Error(err)
		}
	})
}

// mendFrom mends the archive in dir, and wants all of it to be sound then.
func mendFrom(t *testing.T, dir string, from *Archive, c *clock) *Archive {
	t.Helper()
	b := openArchive(t, dir, c)
	r, err := b.Mend(t.Context(), from, nil)
	if err != nil || r.Left > 0 || len(r.Problems) == 0 {
		t.Errorf("mended: %+v, %v", r, err)
	}
	wantSound(t, b)
	wantWholeByPython(t, dir)
	return b
}

// What changed since the copy is not put back to what it was.
func TestMendLeavesWhatChanged(t *testing.T) {
	a, c, _ := newHousehold(t)
	must(t, a.Close())
	files := copyFolder(t, a.dir)
	from := openArchive(t, a.dir, c)
	dir := t.TempDir()
	writeFolder(t, dir, files)
	b := openArchive(t, dir, c)
	rules := house.DefaultRules()
	rules.Zone = "Asia/Kathmandu"
	must(t, b.SetRules(t.Context(), rules))
	must(t, b.Close())
	var row int64
	db := storetest.Database(t, dir)
	must(t, db.QueryRow(`SELECT rowid FROM settings WHERE name = 'rules'`).Scan(&row))
	must(t, db.Close())
	flipValue(t, dir, sealedValue{table: "settings", column: "value", row: row}, false)
	b, err := Open(t.Context(), dir, testKey, c.Now)
	must(t, err)
	defer b.Close()
	r, err := b.Mend(t.Context(), from, nil)
	if err != nil || r.Left == 0 {
		t.Errorf("%+v, %v", r, err)
	}
	_, err = b.Rules(t.Context())
	wantError(t, err, house.ErrUnvouched)
}

// An index whose pages are overwritten on the raw file is made anew by a repair; without
// one nothing changes.
//
// Outside: which pages are whose says dbstat (sqlite.org/dbstat.html), of Python's
// sqlite3 where that has it; the verdict is Python's integrity_check.
func TestMendIndexes(t *testing.T) {
	a, c, _ := newHousehold(t)
	var roots []int64
	rows, err := a.write.QueryContext(t.Context(),
		`SELECT rootpage FROM sqlite_schema WHERE type = 'index' AND sql IS NOT NULL ORDER BY rootpage`)
	roots, err = scanAll(rows, err, func(n *int64) error { return rows.Scan(n) })
	must(t, err)
	must(t, a.Close())
	files := copyFolder(t, a.dir)
	for _, root := range roots[:6] {
		t.Run(fmt.Sprint("page ", root), func(t *testing.T) {
			dir := t.TempDir()
			writeFolder(t, dir, files)
			// An empty leaf of an index: entries are missing.
			page := files["archive.db"][(root-1)*pageSize : root*pageSize]
			empty := append([]byte{10, 0, 0, 0, 0, pageSize >> 8, 0, 0}, make([]byte, pageSize-8)...)
			if bytes.Equal(page[:5], empty[:5]) {
				return // there are none
			}
			f, err := os.OpenFile(filepath.Join(dir, "archive.db"), os.O_RDWR, 0)
			must(t, err)
			_, err = f.WriteAt(empty, (root-1)*pageSize)
			must(t, errors.Join(err, f.Close()))
			b := openArchive(t, dir, c)
			wantError(t, b.QuickCheckAll(t), ErrDamaged)
			r, err := b.Verify(t.Context(), true, nil)
			if err != nil || r.Left > 0 || len(r.Problems) == 0 || !r.Problems[0].Mended {
				t.Errorf("%+v, %v", r, err)
			}
			must(t, b.QuickCheck(t.Context()))
			wantSound(t, b)
			wantWholeByPython(t, dir)
		})
	}
}

// QuickCheckAll is what integrity_check says, as an error: quick_check does not compare
// indexes with their tables.
func (a *Archive) QuickCheckAll(t *testing.T) error {
	t.Helper()
	said, err := integrity(t.Context(), a.read)
	if err == nil && said != nil {
		err = ErrDamaged
	}
	return damage(err)
}

// readOnlyDisk mounts what a folder holds as a disk that can only be read.
func readOnlyDisk(t *testing.T, dir string) {
	t.Helper()
	err := syscall.Mount(dir, dir, "", syscall.MS_BIND, "")
	if err == nil {
		err = syscall.Mount("", dir, "", syscall.MS_BIND|syscall.MS_REMOUNT|syscall.MS_RDONLY, "")
	}
	if err != nil {
		t.Skipf("SKIPPED, a folder can't be made read-only here: %v", err)
	}
	t.Cleanup(func() { syscall.Unmount(dir, syscall.MNT_DETACH) })
}

// On a disk that can only be read, with a log left there or none, the archive is read,
// verified and copied; whatever changes it is refused by house.ErrNoSpace, and nothing
// in the folder changes.
func TestReadOnly(t *testing.T) {
	a, c, visits := newHousehold(t)
	withLog := copyFolder(t, a.dir)
	must(t, a.Close())
	for name, files := range map[string]map[string][]byte{"closed": copyFolder(t, a.dir), "with a log": withLog} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			writeFolder(t, dir, files)
			must(t, os.MkdirAll(filepath.Join(dir, "incoming"), 0o700))
			before := copyFolder(t, dir)
			readOnlyDisk(t, dir)
			b, err := Open(t.Context(), dir, testKey, c.Now)
			must(t, err)
			defer func() {
				must(t, b.Close())
				for file, data := range copyFolder(t, dir) {
					if !bytes.Equal(before[file], data) {
						t.Errorf("%s changed", file)
					}
				}
				if b.immutable != b.dir && exists(b.immutable) {
					t.Error("the copy is there yet")
				}
			}()
			checkReadOnly(t, b, visits)
		})
	}
}

func checkReadOnly(t *testing.T, b *Archive, visits []string) {
	t.Helper()
	ctx := t.Context()
	if !b.ReadOnly() {
		t.Error("it can be written")
	}
	must(t, b.Lock())
	_, err := b.Recover(ctx)
	_, tryErr := b.TryGivenUp(ctx, "2")
	all, visitErr := b.LatestVisits(ctx, 10)
	must(t, errors.Join(err, tryErr, visitErr, b.QuickCheck(ctx)))
	if len(all) != len(visits) {
		t.Errorf("%d visits", len(all))
	}
	for _, v := range visits {
		_, err := b.ReadStill(ctx, v, 0)
		must(t, err)
	}
	r, err := b.Verify(ctx, false, nil)
	if err != nil || r.Left > 0 || r.Stills != len(visits) {
		t.Errorf("verify: %+v, %v", r, err)
	}
	s, err := b.Snapshot(ctx, t.TempDir())
	must(t, err)
	n, err := s.CountStills(ctx)
	if err != nil || n != len(visits) {
		t.Errorf("the copy has %d stills, %v", n, err)
	}
	must(t, errors.Join(s.Close(), b.BackedUp(ctx, Backup{}, true)))
	_, _, err = b.Keep(ctx, stillOf("new", 0))
	wantError(t, err, house.ErrNoSpace)
	wantError(t, b.EraseVisit(ctx, visits[0]), house.ErrNoSpace)
	_, err = b.Sweep(ctx, nil)
	wantError(t, err, house.ErrNoSpace)
	_, err = b.AddPerson(ctx, "Perrin Holt")
	wantError(t, err, house.ErrNoSpace)
}
