package store

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
)

// asideAt makes a file that is kept aside, as of that time.
func asideAt(t *testing.T, a *Archive, at time.Time) {
	t.Helper()
	path := a.asidePath(newID())
	must(t, errors.Join(os.MkdirAll(filepath.Dir(path), 0o700), os.WriteFile(path, []byte("sealed"), 0o600),
		os.Chtimes(path, at, at)))
}

// A log that loses its frames loses visits that were answered for. Their files are taken in
// again by their labels; those of before there were labels are kept aside, and come back
// with their rows. What was erased meanwhile does not.
// The log is cut by hand, as a broken disk would: SQLite takes frames up to the
// first whose checksum is wrong (https://www.sqlite.org/fileformat2.html, 4.1).
func TestLogLosesVisits(t *testing.T) {
	t.Run("with labels", func(t *testing.T) { logLosesVisits(t, 3) })
	t.Run("without labels", func(t *testing.T) { logLosesVisits(t, 0) })
}

func logLosesVisits(t *testing.T, back int) {
	dir, c := t.TempDir(), newClock()
	a := openArchive(t, dir, c)
	ctx := t.Context()
	if _, err := a.AddBell(ctx, "gate"); err != nil {
		t.Fatal(err)
	}
	safe, erased := keep(t, a, stillOf("safe", 0)), keep(t, a, stillOf("erased", 0))
	gone := filesOf(t, a, erased)[0]
	must(t, a.EraseVisit(ctx, erased))
	log := filepath.Join(dir, "archive.db-wal")
	before, err := os.Stat(log)
	must(t, err)
	var visits []string
	for _, ring := range []string{"r1", "r2", "r3"} {
		visits = append(visits, keep(t, a, stillOf(ring, 0)))
		if back == 0 {
			unlabel(t, a, visits[len(visits)-1])
		}
	}
	whole := make(map[string][]byte) // as they are, with the log
	for _, name := range []string{"archive.db", "archive.db-wal"} {
		whole[name], err = os.ReadFile(filepath.Join(dir, name))
		must(t, err)
	}
	must(t, a.Close())
	restart := func(files map[string][]byte) Recovered {
		t.Helper()
		for name, data := range files {
			must(t, os.WriteFile(filepath.Join(dir, name), data, 0o600))
		}
		os.Remove(filepath.Join(dir, "archive.db-shm"))
		a = openArchive(t, dir, c)
		must(t, a.Lock())
		r, err := a.Recover(ctx)
		must(t, err)
		return r
	}
	broken := map[string][]byte{"archive.db": whole["archive.db"], "archive.db-wal": slices.Clone(whole["archive.db-wal"])}
	broken["archive.db-wal"][before.Size()+100] ^= 1
	restart(broken)
	for _, visit := range visits {
		_, err := a.Visit(ctx, visit)
		wantError(t, err, house.ErrNotFound)
	}
	if n, err := a.SetStraysAside(ctx); err != nil || n != 3 {
		t.Errorf("%d set aside, %v", n, err)
	}
	if aside, err := a.Aside(); err != nil || aside.Files != 3-back {
		t.Errorf("aside: %+v, %v", aside, err)
	}
	for i, visit := range visits[:back] {
		v, err := a.Visit(ctx, visit)
		if err != nil || v.Ring != fmt.Sprintf("r%d", i+1) || v.Bell != "gate" || !v.Pending() || v.ClockDoubted ||
			!v.ReceivedAt.Equal(stillOf("r1", 0).ReceivedAt) || len(v.Stills) != 1 || v.Stills[0].Width != 640 {
			t.Errorf("taken in: %+v, %v", v, err)
		}
		if _, added, err := a.Keep(ctx, stillOf(v.Ring, 0)); added || err != nil {
			t.Errorf("its bell sends it again: added %v, %v", added, err)
		}
		if picture, err := a.ReadStill(ctx, visit, 0); err != nil || !bytes.Equal(picture, stillOf(v.Ring, 0).JPEG) {
			t.Errorf("%q, %v", picture, err)
		}
	}
	if exists(a.asidePath(gone)) || exists(a.stillPath(gone)) {
		t.Error("what was erased is kept aside")
	}
	wantSound(t, a)
	must(t, a.Close())
	if r := restart(whole); r.Back != 3-back {
		t.Errorf("with the log as it was: %+v", r)
	}
	for _, visit := range append(visits, safe) {
		if _, err := a.ReadStill(ctx, visit, 0); err != nil {
			t.Error(err)
		}
	}
	_, err = a.Visit(ctx, erased)
	wantError(t, err, house.ErrNotFound)
}

// unlabel makes a still's file what it was before files had labels.
func unlabel(t *testing.T, a *Archive, visit string) {
	t.Helper()
	_, path := firstStill(t, a, visit)
	file, err := os.ReadFile(path)
	must(t, err)
	must(t, os.WriteFile(path, sealedPicture(file), 0o600))
}

// A file whose key was overwritten never comes back, whatever the database and the disk
// forgot: here the log loses the erasure, and the disk brings the file back.
func TestErasedIsNotTakenIn(t *testing.T) {
	dir, c := t.TempDir(), newClock()
	a := openArchive(t, dir, c)
	ctx := t.Context()
	must(t, second(a.AddBell(ctx, "gate")))
	log := filepath.Join(dir, "archive.db-wal")
	before, err := os.Stat(log)
	must(t, err)
	erased, stays := keep(t, a, stillOf("erased", 0)), keep(t, a, stillOf("stays", 0))
	_, path := firstStill(t, a, erased)
	file, err := os.ReadFile(path)
	must(t, err)
	must(t, a.EraseVisit(ctx, erased))
	frames, err := os.ReadFile(log)
	must(t, err)
	database, err := os.ReadFile(filepath.Join(dir, "archive.db"))
	must(t, err)
	must(t, a.Close())
	frames[before.Size()+100] ^= 1
	must(t, errors.Join(os.WriteFile(filepath.Join(dir, "archive.db"), database, 0o600), os.WriteFile(log, frames, 0o600),
		os.WriteFile(path, file, 0o600)))
	os.Remove(filepath.Join(dir, "archive.db-shm"))
	a = openArchive(t, dir, c)
	must(t, a.Lock())
	must(t, second(a.Recover(ctx)))
	if n, err := a.SetStraysAside(ctx); err != nil || n != 2 {
		t.Errorf("%d set aside, %v", n, err)
	}
	must(t, second(a.Visit(ctx, stays)))
	_, err = a.Visit(ctx, erased)
	wantError(t, err, house.ErrNotFound)
	if aside, err := a.Aside(); err != nil || aside.Files != 1 {
		t.Errorf("aside: %+v, %v", aside, err)
	}
}

// What can't be taken in stays, and a frame that came again is not taken twice.
func TestAsideStays(t *testing.T) {
	a, _ := newArchive(t)
	ctx := t.Context()
	must(t, a.Lock())
	must(t, second(a.AddBell(ctx, "yard")))
	again, other, removed := stillOf("again", 0), stillOf("other", 0), stillOf("r2", 0)
	removed.Bell = "yard"
	for _, n := range []house.NewStill{again, other, removed} {
		visit := keep(t, a, n)
		// As if the rows were lost.
		must(t, second(a.write.Exec(`INSERT INTO held_slots SELECT slot FROM stills WHERE visit = ?`, visit)))
		must(t, second(a.write.Exec(`UPDATE stills SET slot = NULL WHERE visit = ?`, visit)))
		must(t, second(a.write.Exec(`DELETE FROM freed_slots WHERE slot IN (SELECT slot FROM held_slots)`)))
		must(t, second(a.write.Exec(`DELETE FROM visits WHERE id = ?`, visit)))
	}
	must(t, second(a.write.Exec(`DELETE FROM bells WHERE id = ?`, a.bellID("yard"))))
	keep(t, a, again)
	other.SentSHA256[0] ^= 1
	keep(t, a, other)
	if n, err := a.SetStraysAside(ctx); err != nil || n != 3 {
		t.Errorf("%d set aside, %v", n, err)
	}
	if aside, err := a.Aside(); err != nil || aside.Files != 2 {
		t.Errorf("aside: %+v, %v; want that of no bell, and that of other bytes", aside, err)
	}
	must(t, second(a.AddBell(ctx, "yard")))
	if n, err := a.TakeAsideIn(ctx); err != nil || n != 1 {
		t.Errorf("%d taken in, %v", n, err)
	}
	must(t, second(a.ReadStill(ctx, a.visitID("yard", "r2"), 0)))
	wantSound(t, a)
}

// filesOf returns the names of a visit's files.
func filesOf(t *testing.T, a *Archive, visit string) (files []string) {
	t.Helper()
	v, err := a.Visit(t.Context(), visit)
	must(t, err)
	for _, s := range v.Stills {
		files = append(files, s.File)
	}
	return files
}

// A file that is listed for removal is never kept aside, wherever a crash left it.
func TestAsideTakesNothingErased(t *testing.T) {
	a, _ := newArchive(t)
	for _, place := range []func(string) string{a.incomingPath, a.stillPath} {
		visit := keep(t, a, stillOf("r"+newID(), 0))
		file := filesOf(t, a, visit)[0]
		data, err := a.ReadSealed(file)
		must(t, err)
		must(t, a.EraseVisit(t.Context(), visit))
		// As if the process had been killed before the file went.
		_, err = a.write.ExecContext(t.Context(), `INSERT INTO removals (file) VALUES (?)`, file)
		must(t, errors.Join(err, os.WriteFile(place(file), data, 0o600)))
		if n, err := a.SetStraysAside(t.Context()); err != nil || n != 0 {
			t.Errorf("%d set aside, %v", n, err)
		}
		if a.lock == nil {
			must(t, a.Lock())
		}
		if r, err := a.Recover(t.Context()); err != nil || r.Aside > 0 {
			t.Errorf("%+v, %v", r, err)
		}
		if _, err := os.Lstat(place(file)); !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("the file is there: %v", err)
		}
	}
	// Nor is one that a disk brings back, once its removal is forgotten.
	visit := keep(t, a, stillOf("back", 0))
	file := filesOf(t, a, visit)[0]
	data, err := a.ReadSealed(file)
	must(t, err)
	must(t, errors.Join(a.EraseVisit(t.Context(), visit), os.WriteFile(a.stillPath(file), data, 0o600)))
	if n, err := a.SetStraysAside(t.Context()); err != nil || n != 0 || exists(a.stillPath(file)) {
		t.Errorf("%d set aside, %v", n, err)
	}
	if aside, err := a.Aside(); err != nil || aside != (Aside{}) {
		t.Errorf("aside: %+v, %v", aside, err)
	}
}

// What is kept aside goes with the longest period of the rules, with a period that
// is erased, and when a resident says so.
func TestAsideEnds(t *testing.T) {
	a, c := newArchive(t)
	count := func(want int) {
		t.Helper()
		if aside, err := a.Aside(); err != nil || aside.Files != want {
			t.Errorf("aside: %+v, want %d files; %v", aside, want, err)
		}
	}
	sweep := func() {
		t.Helper()
		_, err := a.Sweep(t.Context(), nil)
		must(t, err)
	}
	asideAt(t, a, c.Ago(31*24*time.Hour)) // known persons' visits have 30 days
	asideAt(t, a, c.Ago(29*24*time.Hour))
	asideAt(t, a, c.Now().Add(400*24*time.Hour)) // of a clock that was wrong
	sweep()
	count(2)
	c.Advance(2 * 24 * time.Hour)
	sweep()
	count(1)
	asideAt(t, a, c.Ago(time.Hour))
	_, err := a.ErasePeriod(t.Context(), c.Ago(2*time.Hour), c.Now())
	must(t, err)
	count(1)
	if n, err := a.DropAside(t.Context()); err != nil || n != 1 {
		t.Errorf("%d dropped, %v", n, err)
	}
	count(0)
	trail, err := a.Trail(t.Context(), 0, 1)
	if err != nil || trail[0].Action != "erased" || !strings.Contains(trail[0].Subject, "aside") {
		t.Errorf("%+v, %v", trail, err)
	}
}
