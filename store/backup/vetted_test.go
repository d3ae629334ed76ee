package backup

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"lintel/store"
)

// spoil is something that goes bad in an archive that is closed.
type spoil struct {
	what string // the defect is with
	do   func(t *testing.T, dir string)
}

// page returns where a table or index of a database begins, in bytes.
func page(t *testing.T, dir, name string) int {
	t.Helper()
	_, err := database(t, dir).Exec(`PRAGMA wal_checkpoint(TRUNCATE)`)
	must(t, err)
	root := rowsOf(t, database(t, dir), `SELECT rootpage FROM sqlite_schema WHERE name = ?`, name)[0][0].(int64)
	return int(root-1) * 4096
}

func spoils() map[string]spoil {
	return map[string]spoil{
		"a bit in a page of an index": {store.WithDatabase, func(t *testing.T, dir string) {
			byDD(t, filepath.Join(dir, databaseFile), page(t, dir, "visits_by_age")+4096-3)
		}},
		"the head of a page of a table": {store.WithDatabase, func(t *testing.T, dir string) {
			byDD(t, filepath.Join(dir, databaseFile), page(t, dir, "holds"))
		}},
		"a page of the list of erasures": {store.WithDatabase, func(t *testing.T, dir string) {
			byDD(t, filepath.Join(dir, databaseFile), page(t, dir, "erased_slots"))
		}},
		"a bit of a sealed value": {store.WithSealed, func(t *testing.T, dir string) {
			db := database(t, dir)
			sealed := rowsOf(t, db, `SELECT sealed FROM faces LIMIT 1`)[0][0].([]byte)
			sealed[len(sealed)/2] ^= 1
			_, err := db.Exec(`UPDATE faces SET sealed = ?`, sealed)
			must(t, err)
		}},
		"a bit of a key": {store.WithKey, func(t *testing.T, dir string) {
			slot := rowsOf(t, database(t, dir), `SELECT slot FROM persons`)[0][0].(int64)
			byDD(t, filepath.Join(dir, keysFile), int(slot&(1<<32-1))*64+20)
		}},
		"a slot full of noise": {store.WithKey, func(t *testing.T, dir string) {
			slot := rowsOf(t, database(t, dir), `SELECT slot FROM persons`)[0][0].(int64)
			f, err := os.OpenFile(filepath.Join(dir, keysFile), os.O_RDWR, 0)
			must(t, err)
			_, err = f.WriteAt(slices.Repeat([]byte{0xa5}, 64), slot&(1<<32-1)*64)
			must(t, err)
			must(t, f.Close())
		}},
	}
}

// An archive in which something went bad is backed up thirteen times, a day each: beside, never
// over. The last good snapshot is there to the end, and is what a restore takes.
func TestDamagedArchiveIsBackedUpBeside(t *testing.T) {
	t.Parallel()
	for name, s := range spoils() {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			a, c, visits := furnished(t)
			dir, data := t.TempDir(), a.Dir()
			must(t, a.EraseVisit(t.Context(), visits[2]))
			good, err := Write(t.Context(), a, dir, Options{})
			must(t, err)
			want := contents(t, filepath.Join(dir, snapshotsDir))
			must(t, a.Close())
			s.do(t, data)
			a, err = store.Open(t.Context(), data, testKey, c.Now)
			must(t, err)
			defer a.Close()
			for range 13 {
				c.Advance(24 * time.Hour)
				must(t, a.Note(t.Context(), "looked", "visit X"))
				r, err := Write(t.Context(), a, dir, Options{})
				if err != nil || !r.Damaged || r.Unchanged || len(r.Defects) == 0 || r.Defects[0].What != s.what {
					t.Fatalf("%+v, %v", r, err)
				}
			}
			if got := contents(t, filepath.Join(dir, snapshotsDir)); len(got) != len(want) {
				t.Errorf("the snapshots hold %d files, before %d", len(got), len(want))
			}
			if left := entries(t, filepath.Join(dir, damagedDir)); len(left) != keptDamaged {
				t.Errorf("copies of the damaged archive: %q", left)
			}
			into := filepath.Join(t.TempDir(), "data")
			r, err := Restore(t.Context(), dir, into, RestoreOptions{Key: keyOf(testKey)})
			if err != nil || r.Snapshot != good.Snapshot || r.Stills != 4 || len(r.Items) > 0 {
				t.Errorf("%+v, %v", r, err)
			}
			checkByPython(t, filepath.Join(into, databaseFile))
			if last, _, err := a.LastBackup(t.Context()); err != nil || last.Snapshot != good.Snapshot {
				t.Errorf("the last backup: %+v, %v", last, err)
			}
			// What there is of the damaged one can be had too.
			damaged := entries(t, filepath.Join(dir, damagedDir))
			o := RestoreOptions{Key: keyOf(testKey), Snapshot: damaged[len(damaged)-1]}
			into = filepath.Join(t.TempDir(), "data")
			if _, err := Restore(t.Context(), dir, into, o); err != nil && !strings.Contains(err.Error(), "damaged") {
				t.Error(err)
			}
		})
	}
}

// What was erased is overwritten in all snapshots though the archive is damaged, unless it is the
// list of that itself.
func TestDamagedArchiveErases(t *testing.T) {
	t.Parallel()
	for name, want := range map[string]bool{"a bit of a sealed value": true, "a page of the list of erasures": false} {
		a, c, visits := furnished(t)
		dir, data := t.TempDir(), a.Dir()
		mustBackup(t, a, dir, Options{})
		erased := sealedStill(t, a, visits[1])
		must(t, a.EraseVisit(t.Context(), visits[1]))
		must(t, a.Close())
		spoils()[name].do(t, data)
		a, err := store.Open(t.Context(), data, testKey, c.Now)
		must(t, err)
		c.Advance(time.Hour)
		r := mustBackup(t, a, dir, Options{})
		must(t, a.Close())
		if gone := !erased.opensWith(t, filepath.Join(dir, keysFile, "000000.000001")); gone != want || !r.Damaged {
			t.Errorf("%s: gone %v, %+v", name, gone, r)
		}
	}
}

// The database that is restored has the SHA-256, by sha256sum(1) and by the list, of the copy
// that was made of the archive's.
func TestDatabaseByteForByte(t *testing.T) {
	t.Parallel()
	a, c, _ := furnished(t)
	dir := t.TempDir()
	for i := range 3 {
		var want string
		c.Advance(time.Hour)
		keep(t, a, stillOf("more", i))
		mustBackup(t, a, dir, Options{step: func(step string) (err error) {
			if step == "stills copied" {
				want, err = hashFile(filepath.Join(a.Dir(), copyingDir, databaseFile))
			}
			return err
		}})
		into := filepath.Join(t.TempDir(), "data")
		if _, err := Restore(t.Context(), dir, into, RestoreOptions{Key: keyOf(testKey)}); err != nil {
			t.Fatal(err)
		}
		if got := sha256sum(t, filepath.Join(into, databaseFile)); got != want {
			t.Errorf("restored %s, want %s", got, want)
		}
	}
}

// Pages that did not change have no second copy, nor have keys.
func TestBackupIsIncremental(t *testing.T) {
	t.Parallel()
	for _, recipients := range [][]string{nil, {identity(t).Recipient().String()}} {
		a, c, _ := furnished(t)
		dir := t.TempDir()
		first := mustBackup(t, a, dir, Options{Recipients: recipients})
		if first.Pieces < 10 || first.PiecesCopied < first.Pieces-5 { // pieces of zeros are alike
			t.Errorf("%+v", first)
		}
		c.Advance(time.Hour)
		if r := mustBackup(t, a, dir, Options{Recipients: recipients}); !r.Unchanged || r.Written > 0 {
			t.Errorf("unchanged: %+v", r)
		}
		must(t, a.Note(t.Context(), "looked", "visit X"))
		if r := mustBackup(t, a, dir, Options{Recipients: recipients}); r.Unchanged || r.PiecesCopied > 6 {
			t.Errorf("a look: %+v", r)
		}
		if keys := filesIn(t, dir, keysFile); len(keys) != 1 {
			t.Errorf("copies of keys: %q", keys)
		}
	}
}

// A folder whose mark went bad is known by its list of erasures, and gets another.
func TestLostMark(t *testing.T) {
	t.Parallel()
	a, c, _ := furnished(t)
	dir := t.TempDir()
	mustBackup(t, a, dir, Options{})
	mark, err := os.ReadFile(filepath.Join(dir, markFile))
	must(t, err)
	for _, damage := range []func() error{
		func() error { return os.Remove(filepath.Join(dir, markFile)) },
		func() error { return flip(filepath.Join(dir, markFile)) },
	} {
		c.Advance(time.Hour)
		must(t, damage())
		other, _ := newArchive(t)
		_, err := Write(t.Context(), other, dir, Options{})
		wantError(t, err, ErrNotBackup)
		mustBackup(t, a, dir, Options{})
		if got, err := os.ReadFile(filepath.Join(dir, markFile)); err != nil || string(got) != string(mark) {
			t.Errorf("the mark is %q, %v", got, err)
		}
	}
}
