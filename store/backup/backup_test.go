package backup

import (
	"bytes"
	"errors"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/store"
	"lintel/store/seal"
)

// A copyStep is what changes in an archive, and what the next backup does.
type copyStep struct {
	name                  string
	change                func() error
	copied, there         int
	unchanged             bool
	snapshots, stillFiles int
}

// copySteps follow each other, for an archive that is backed up to dir.
func copySteps(t *testing.T, a *store.Archive, dir string, visits []string) []copyStep {
	looked := func() error { return a.Note(t.Context(), "looked", "visit "+visits[0]) }
	return []copyStep{
		{"first", nil, 6, 0, false, 1, 6},
		{"nothing changed", nil, 0, 6, true, 1, 6},
		{"nor now", nil, 0, 6, true, 1, 6},
		{"somebody rang", func() error { keep(t, a, stillOf("r9", 0)); return nil }, 1, 6, false, 2, 7},
		{"somebody looked", looked, 0, 7, false, 3, 7},
		{"a copy went bad", func() error { return flip(stillCopy(t, a, dir, visits[1], 0)) }, 1, 6, false, 3, 7},
		{"a copy is gone", func() error { return os.Remove(stillCopy(t, a, dir, visits[1], 1)) }, 1, 6, false, 3, 7},
		{"nothing changed again", nil, 0, 7, true, 3, 7},
		{"the newest database went bad", func() error {
			pieces, _ := databasePieces(t, dir)
			return flip(pieces[1])
		}, 0, 7, false, 3, 7},
		{"a visit went by a rule", func() error { return removeByRule(t, a, visits[1]) }, 0, 5, false, 3, 7},
		{"another entry", looked, 0, 5, false, 3, 7},
		{"no snapshot names it", looked, 0, 5, false, 3, 5},
	}
}

func TestBackupCopiesWhatIsNew(t *testing.T) {
	t.Parallel()
	me := identity(t)
	for name, recipients := range map[string][]string{"clear": nil, "encrypted": {me.Recipient().String()}} {
		t.Run(name, func(t *testing.T) {
			a, c, visits := furnished(t)
			dir, o := filepath.Join(t.TempDir(), "backups"), Options{Recipients: recipients}
			if _, found, err := a.LastBackup(t.Context()); found || err != nil {
				t.Errorf("a last backup before the first: %v, %v", found, err)
			}
			for _, step := range copySteps(t, a, dir, visits) {
				c.Advance(time.Hour)
				if step.change != nil {
					must(t, step.change())
				}
				step.check(t, a, c, dir, mustBackup(t, a, dir, o))
			}
			trail, err := a.Trail(t.Context(), 0, 100)
			must(t, err)
			noted := 0
			for _, e := range trail {
				if e.Action == "backed-up" {
					noted++
				}
			}
			if noted != 9 { // one for each new snapshot above
				t.Errorf("%d entries of backups", noted)
			}
		})
	}
}

// check compares what a backup says it did, what is in its folder, and what the
// archive knows of it.
func (s copyStep) check(t *testing.T, a *store.Archive, c *clock, dir string, r Report) {
	t.Helper()
	if r.Copied != s.copied || r.AlreadyThere != s.there || r.Stills != s.copied+s.there || r.Lost != 0 ||
		r.Unchanged != s.unchanged {
		t.Errorf("%s: %+v", s.name, r)
	}
	snapshots, files := entries(t, filepath.Join(dir, snapshotsDir)), filesIn(t, dir, stillsDir)
	if len(snapshots) != s.snapshots || len(files) != s.stillFiles || snapshots[len(snapshots)-1] != r.Snapshot {
		t.Errorf("%s: snapshots %q, %d stills", s.name, snapshots, len(files))
	}
	checkSums(t, dir, r.Snapshot)
	last, found, err := a.LastBackup(t.Context())
	if !found || err != nil || !last.At.Equal(c.Now()) || last.Snapshot != r.Snapshot || last.Copied != s.copied {
		t.Errorf("%s: last backup %+v, %v", s.name, last, err)
	}
}

func TestBackupOfLostStills(t *testing.T) {
	t.Parallel()
	for name, recipients := range map[string][]string{"clear": nil, "encrypted": {identity(t).Recipient().String()}} {
		t.Run(name, func(t *testing.T) {
			a, _, visits := furnished(t)
			dir, o := t.TempDir(), Options{Recipients: recipients}
			path := func(visit string, frame int) string {
				v, err := a.Visit(t.Context(), visit)
				if err != nil {
					t.Fatal(err)
				}
				return stillPath(a, v.Stills[frame].File)
			}
			before := path(visits[0], 0)
			good, err := os.ReadFile(before)
			if err != nil {
				t.Fatal(err)
			}
			must(t, os.Remove(before))
			r := mustBackup(t, a, dir, o)
			want := LostStill{visits[0], 0, filepath.Base(strings.TrimSuffix(before, ".still")), "missing", false}
			if r.Lost != 1 || r.Stills != 5 || len(r.LostStills) != 1 || r.LostStills[0] != want {
				t.Errorf("a still missing from the first on: %+v", r)
			}
			if err := os.WriteFile(before, good, 0o600); err != nil { // it was found again
				t.Fatal(err)
			}
			if r = mustBackup(t, a, dir, o); r.Copied != 1 || r.Lost != 0 {
				t.Errorf("found again: %+v", r)
			}
			missing, changed := path(visits[1], 0), path(visits[1], 1)
			wasMissing, _ := os.ReadFile(missing)
			wasChanged, _ := os.ReadFile(changed)
			must(t, errors.Join(os.Remove(missing), flip(changed)))
			r = mustBackup(t, a, dir, o)
			if r.Lost != 2 || r.Copied != 0 || r.Stills != 6 || !r.LostStills[0].Kept || !r.LostStills[1].Kept ||
				r.LostStills[0].Reason == r.LostStills[1].Reason {
				t.Errorf("lost since: %+v", r)
			}
			checkSums(t, dir, r.Snapshot)
			// Now the copy goes bad as well: a new snapshot does without it.
			must(t, flip(stillCopy(t, a, dir, visits[1], 0)))
			if r = mustBackup(t, a, dir, o); r.Unchanged || r.Lost != 2 || r.Stills != 5 {
				t.Errorf("lost in both: %+v", r)
			}
			checkSums(t, dir, r.Snapshot)
			// For CheckSound, when the test ends.
			if err := errors.Join(os.WriteFile(missing, wasMissing, 0o600),
				os.WriteFile(changed, wasChanged, 0o600)); err != nil {
				t.Fatal(err)
			}
		})
	}
}

func TestBackupRefuses(t *testing.T) {
	t.Parallel()
	a, _, _ := furnished(t)
	other, _ := newArchive(t)
	theirs := t.TempDir()
	mustBackup(t, other, theirs, Options{})
	holding := func(name, content string) string {
		dir := t.TempDir()
		must(t, os.WriteFile(filepath.Join(dir, name), []byte(content), 0o600))
		return dir
	}
	locked := t.TempDir()
	mustBackup(t, a, locked, Options{})
	f, err := openFolder(locked)
	if err != nil {
		t.Fatal(err)
	}
	defer f.close()
	for name, test := range map[string]struct {
		dir  string
		o    Options
		want error // nil for any
	}{
		"another household's":      {theirs, Options{}, ErrOtherHousehold},
		"something else's":         {holding("letter.txt", "hello"), Options{}, ErrNotBackup},
		"a mark that is none":      {holding(markFile, "hello"), Options{}, ErrNotBackup},
		"a newer format":           {holding(markFile, summed("lintel backup 9 x")+"\n"), Options{}, ErrNewer},
		"the archive's own folder": {a.Dir(), Options{}, ErrNotBackup},
		"inside the archive":       {filepath.Join(a.Dir(), "stills", "backups"), Options{}, ErrNotBackup},
		"around the archive":       {filepath.Dir(a.Dir()), Options{}, ErrNotBackup},
		"in use":                   {locked, Options{}, ErrInUse},
		"a recipient that is none": {filepath.Join(t.TempDir(), "new"), Options{Recipients: []string{"age1nobody"}},
			ErrBadRecipient},
		"keeping less than none": {filepath.Join(t.TempDir(), "new"), Options{Keep: -1}, nil},
	} {
		t.Run(name, func(t *testing.T) {
			var before map[string]string
			if exists(test.dir) {
				before = contents(t, test.dir)
			}
			_, err := Write(t.Context(), a, test.dir, test.o)
			if err == nil || test.want != nil && !errors.Is(err, test.want) {
				t.Errorf("error %v, want %v", err, test.want)
			}
			if before == nil {
				if exists(test.dir) {
					t.Error("the folder was made")
				}
			} else if after := contents(t, test.dir); !maps.Equal(after, before) {
				t.Error("the folder was changed")
			}
		})
	}
}

func TestBackupKeepsTheNewest(t *testing.T) {
	t.Parallel()
	a, c, visits := furnished(t)
	dir := t.TempDir()
	var names []string
	for i := range 4 {
		c.Advance(-time.Hour) // a clock set back does not make the newest the oldest
		must(t, a.Note(t.Context(), "looked", "visit "+visits[0]))
		if i == 2 {
			must(t, a.EraseVisit(t.Context(), visits[1]))
		}
		r := mustBackup(t, a, dir, Options{Keep: 2})
		names = append(names, r.Snapshot)
		if want := names[max(0, i-1):]; !slices.Equal(entries(t, filepath.Join(dir, snapshotsDir)), want) {
			t.Errorf("backup %d: snapshots %q, want %q", i, entries(t, filepath.Join(dir, snapshotsDir)), want)
		}
		// The erased visit's copies go at once, though an older snapshot names them.
		if want := []int{6, 6, 4, 4}[i]; len(filesIn(t, dir, stillsDir)) != want {
			t.Errorf("backup %d: stills %q, want %d", i, filesIn(t, dir, stillsDir), want)
		}
	}
	r := mustBackup(t, a, dir, Options{Keep: 1})
	if !r.Unchanged || len(r.SnapshotsGone) != 1 || r.SnapshotsGone[0] != names[2] {
		t.Errorf("keeping one: %+v", r)
	}
}

// A list that is damaged must not take with it what other snapshots need, nor
// what it may itself.
func TestBackupKeepsStillsOfADamagedList(t *testing.T) {
	t.Parallel()
	a, c, visits := furnished(t)
	dir := t.TempDir()
	first := mustBackup(t, a, dir, Options{Keep: 2})
	path := filepath.Join(dir, snapshotsDir, first.Snapshot, sumsFile)
	lines, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	must(t, errors.Join(os.WriteFile(path, lines[:len(lines)/3], 0o600), removeByRule(t, a, visits[1])))
	c.Advance(time.Hour)
	r := mustBackup(t, a, dir, Options{Keep: 2})
	if len(r.DamagedIndexes) != 1 || r.StillsRemoved > 0 || len(filesIn(t, dir, stillsDir)) != 6 {
		t.Errorf("%+v", r)
	}
	if r := mustBackup(t, a, dir, Options{Keep: 1}); r.StillsRemoved != 2 || len(r.DamagedIndexes) > 0 {
		t.Errorf("without the damaged one: %+v", r)
	}
}

// New recipients need copies of their own.
func TestBackupToOtherRecipients(t *testing.T) {
	t.Parallel()
	a, c, _ := furnished(t)
	dir := t.TempDir()
	one, two := identity(t), identity(t)
	for i, test := range []struct {
		to     []string
		copied int
	}{
		{[]string{one.Recipient().String()}, 6},
		{[]string{one.Recipient().String(), two.Recipient().String()}, 6},
		{[]string{two.Recipient().String(), one.Recipient().String()}, 0}, // the order says nothing
		{nil, 6},
	} {
		c.Advance(time.Hour)
		if r := mustBackup(t, a, dir, Options{Recipients: test.to}); r.Copied != test.copied ||
			r.Unchanged != (test.copied == 0) {
			t.Errorf("backup %d: %+v", i, r)
		}
	}
}

// No file of an encrypted backup holds bytes of the archive's files.
func TestBackupEncryptsAll(t *testing.T) {
	t.Parallel()
	a, _, _ := furnished(t)
	dir := t.TempDir()
	mustBackup(t, a, dir, Options{Recipients: []string{identity(t).Recipient().String()}})
	var all []byte
	for _, b := range contents(t, dir) {
		all = append(all, b...)
	}
	secrets := map[string][]byte{"SQLite's header": []byte("SQLite format 3\x00"),
		"the salt": bytes.Repeat([]byte{3}, seal.SaltSize), "the schema": []byte("sent_mac")}
	for _, f := range filesIn(t, a.Dir(), stillsDir) {
		b, err := os.ReadFile(filepath.Join(a.Dir(), f))
		if err != nil {
			t.Fatal(err)
		}
		secrets[f] = b[:16]
	}
	for name, secret := range secrets {
		if bytes.Contains(all, secret) {
			t.Errorf("the backup shows %s", name)
		}
	}
	for _, path := range append(filesIn(t, dir, stillsDir), filesIn(t, dir, snapshotsDir)...) {
		if info, err := os.Stat(filepath.Join(dir, path)); err != nil || info.Mode().Perm() != 0o600 {
			t.Errorf("%s: %v, %v", path, info.Mode(), err)
		}
	}
}

// What a bell's lens sees is in the backup, and taking it away is a change.
func TestBackupHasTheLens(t *testing.T) {
	t.Parallel()
	a, _ := newArchive(t)
	ctx, dir, into := t.Context(), t.TempDir(), filepath.Join(t.TempDir(), "restored")
	lens := house.Lens{Angle: 60, Projection: house.Straight, Height: 2, Tilt: 20}
	must(t, a.SetLens(ctx, "gate", lens))
	first := mustBackup(t, a, dir, Options{})
	must(t, a.ClearLens(ctx, "gate"))
	if r := mustBackup(t, a, dir, Options{}); r.Unchanged {
		t.Error("the backup did not notice that the lens is gone")
	}
	if _, err := Restore(ctx, dir, into, RestoreOptions{Key: keyOf(testKey), Snapshot: first.Snapshot}); err != nil {
		t.Fatal(err)
	}
	got, found, err := openArchive(t, into, newClock()).Lens(ctx, "gate")
	if got != lens || !found || err != nil {
		t.Errorf("the restored lens: %+v, %v, %v", got, found, err)
	}
}

func BenchmarkBackup(b *testing.B) {
	for _, stills := range []int{100, 1000} {
		b.Run(strconv.Itoa(stills), func(b *testing.B) {
			a, err := store.Open(b.Context(), b.TempDir(), testKey, newClock().Now)
			if err != nil {
				b.Fatal(err)
			}
			defer a.Close()
			if _, err := a.AddBell(b.Context(), "gate"); err != nil {
				b.Fatal(err)
			}
			for i := range stills {
				n := stillOf(strconv.Itoa(i), 0)
				n.JPEG = bytes.Repeat([]byte{byte(i)}, 100_000)
				if _, _, err := a.Keep(b.Context(), n); err != nil {
					b.Fatal(err)
				}
			}
			for name, again := range map[string]bool{"first": false, "again": true} {
				b.Run(name, func(b *testing.B) {
					dir := b.TempDir()
					for i := 0; b.Loop(); i++ {
						if !again {
							dir = filepath.Join(b.TempDir(), strconv.Itoa(i))
						}
						if _, err := Write(b.Context(), a, dir, Options{}); err != nil {
							b.Fatal(err)
						}
					}
				})
			}
		})
	}
}
