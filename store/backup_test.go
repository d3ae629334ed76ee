package store

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"filippo.io/age"

	"lintel/internal/house"
	"lintel/store/seal"
)

// furnished returns an archive with something in every kind of table, and its
// clock: six stills of three visits, one of which names a person.
func furnished(t *testing.T) (a *Archive, c *clock, visits []string) {
	t.Helper()
	a, c = newArchive(t)
	ctx := t.Context()
	p, err := a.AddPerson(ctx, "Tamsin Quill")
	if err == nil {
		err = a.RecordConsent(ctx, p.ID, house.Consent{GivenBy: "Tamsin Quill", GivenAt: c.now(), Scope: "the door"})
	}
	if err != nil {
		t.Fatal(err)
	}
	for i := range 3 {
		for frame := range 2 {
			n := stillOf(fmt.Sprintf("r%d", i), frame)
			n.ReceivedAt = c.now()
			visit := keep(t, a, n)
			if frame == 0 {
				visits = append(visits, visit)
			}
		}
		c.advance(time.Minute)
	}
	v, err := a.Visit(ctx, visits[0])
	if err == nil {
		err = a.Record(ctx, v.Stills[0].ID, house.Done, []house.Face{faceOf(1, &house.Match{Person: p.ID, Distance: 0.25, FPIR: 1e-5, Band: "strong"})})
	}
	if err == nil {
		err = a.PlaceHold(ctx, visits[0], "a parcel went missing", c.now().Add(time.Hour))
	}
	if err == nil {
		_, err = a.Household(ctx)
	}
	if err == nil {
		err = os.WriteFile(filepath.Join(a.dir, saltFile), bytes.Repeat([]byte{3}, seal.SaltSize), 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
	return a, c, visits
}

func mustBackup(t *testing.T, a *Archive, dir string, o BackupOptions) BackupReport {
	t.Helper()
	r, err := a.Backup(t.Context(), dir, o)
	if err != nil {
		t.Fatal(err)
	}
	if left := entries(t, dir); slices.Contains(left, incomingDir) {
		t.Errorf("the folder still has %q", left)
	}
	return r
}

// entries lists the names in a folder; none where there is none.
func entries(t *testing.T, dir string) (names []string) {
	t.Helper()
	all, err := os.ReadDir(dir)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		t.Fatal(err)
	}
	for _, e := range all {
		names = append(names, e.Name())
	}
	return names
}

// contents reads all files below a folder.
func contents(t *testing.T, dir string) map[string]string {
	t.Helper()
	all := make(map[string]string)
	for _, file := range filesIn(t, dir, ".") {
		b, err := os.ReadFile(filepath.Join(dir, file))
		if err != nil {
			t.Fatal(err)
		}
		all[file] = string(b)
	}
	return all
}

func identity(t *testing.T) *age.X25519Identity {
	t.Helper()
	i, err := age.GenerateX25519Identity()
	if err != nil {
		t.Fatal(err)
	}
	return i
}

// sha256sum(1) of the GNU coreutils checks every file a snapshot names.
func checkSums(t *testing.T, dir, snapshot string) {
	t.Helper()
	tool, err := exec.LookPath("sha256sum")
	if err != nil {
		t.Log("SKIPPED: SHA256SUMS was not checked by sha256sum(1), which is not here")
		return
	}
	cmd := exec.Command(tool, "--check", "--strict", "--quiet", filepath.Join(snapshotsDir, snapshot, sumsFile))
	cmd.Dir = dir
	if said, err := cmd.CombinedOutput(); err != nil {
		t.Errorf("sha256sum: %v\n%s", err, said)
	}
}

func TestBackupCopiesWhatIsNew(t *testing.T) {
	t.Parallel()
	me := identity(t)
	for name, recipients := range map[string][]string{"clear": nil, "encrypted": {me.Recipient().String()}} {
		t.Run(name, func(t *testing.T) {
			a, c, visits := furnished(t)
			dir, o := filepath.Join(t.TempDir(), "backups"), BackupOptions{Recipients: recipients}
			if _, found, err := a.LastBackup(t.Context()); found || err != nil {
				t.Errorf("a last backup before the first: %v, %v", found, err)
			}
			var first BackupReport
			for _, step := range []struct {
				name                  string
				change                func() error
				copied, there, lost   int
				unchanged             bool
				snapshots, stillFiles int
			}{
				{"first", nil, 6, 0, 0, false, 1, 6},
				{"nothing changed", nil, 0, 6, 0, true, 1, 6},
				{"nor now", nil, 0, 6, 0, true, 1, 6},
				{"somebody rang", func() error { keep(t, a, stillOf("r9", 0)); return nil }, 1, 6, 0, false, 2, 7},
				{"somebody looked", func() error { return a.Note(t.Context(), "looked", "visit "+visits[0]) }, 0, 7, 0, false, 3, 7},
				{"a copy went bad", func() error { return flip(stillCopy(t, a, dir, visits[1], 0)) }, 1, 6, 0, false, 3, 7},
				{"a copy is gone", func() error { return os.Remove(stillCopy(t, a, dir, visits[1], 1)) }, 1, 6, 0, false, 3, 7},
				{"nothing changed again", nil, 0, 7, 0, true, 3, 7},
				{"the newest manifest went bad", func() error { return flip(newest(t, dir, manifestFile)) }, 0, 7, 0, false, 3, 7},
				{"a visit went by a rule", func() error { return removeByRule(t, a, visits[1]) }, 0, 5, 0, false, 3, 7},
				{"another entry", func() error { return a.Note(t.Context(), "looked", "visit "+visits[0]) }, 0, 5, 0, false, 3, 7},
				{"no snapshot names it", func() error { return a.Note(t.Context(), "looked", "visit "+visits[0]) }, 0, 5, 0, false, 3, 5},
			} {
				c.advance(time.Hour)
				if step.change != nil {
					if err := step.change(); err != nil {
						t.Fatal(err)
					}
				}
				r := mustBackup(t, a, dir, o)
				if r.Copied != step.copied || r.AlreadyThere != step.there || r.Stills != step.copied+step.there || r.Lost != step.lost || r.Unchanged != step.unchanged {
					t.Errorf("%s: %+v", step.name, r)
				}
				snapshots, files := entries(t, filepath.Join(dir, snapshotsDir)), filesIn(t, dir, stillsDir)
				if len(snapshots) != step.snapshots || len(files) != step.stillFiles || snapshots[len(snapshots)-1] != r.Snapshot {
					t.Errorf("%s: snapshots %q, %d stills", step.name, snapshots, len(files))
				}
				checkSums(t, dir, r.Snapshot)
				last, found, err := a.LastBackup(t.Context())
				if !found || err != nil || !last.At.Equal(c.now()) || last.Snapshot != r.Snapshot || last.Copied != step.copied {
					t.Errorf("%s: last backup %+v, %v", step.name, last, err)
				}
				if first.Snapshot == "" {
					first = r
				}
			}
			trail, err := a.Trail(t.Context(), 0, 100)
			if err != nil {
				t.Fatal(err)
			}
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

// stillCopy is where the copy of a still is.
func stillCopy(t *testing.T, a *Archive, dir, visit string, frame int) string {
	t.Helper()
	v, err := a.Visit(t.Context(), visit)
	if err != nil {
		t.Fatal(err)
	}
	file := v.Stills[frame].File
	found, err := filepath.Glob(filepath.Join(dir, stillsDir, file[:2], file+".*"))
	if err != nil || len(found) != 1 {
		t.Fatalf("copies %q, %v", found, err)
	}
	return found[0]
}

// newest is the path of a file of the newest snapshot.
func newest(t *testing.T, dir, name string) string {
	t.Helper()
	all := entries(t, filepath.Join(dir, snapshotsDir))
	found, err := filepath.Glob(filepath.Join(dir, snapshotsDir, all[len(all)-1], name+"*"))
	if err != nil || len(found) != 1 {
		t.Fatalf("found %q, %v", found, err)
	}
	return found[0]
}

// flip changes a bit in the middle of a file.
func flip(path string) error {
	data, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	data[len(data)/2] ^= 1
	return os.WriteFile(path, data, 0o600)
}

// removeByRule lets a visit go as a sweep does, which is no erasure.
func removeByRule(t *testing.T, a *Archive, visit string) error {
	tx, err := a.write.BeginTx(t.Context(), nil)
	if err != nil {
		return err
	}
	defer tx.Rollback()
	if err := errors.Join(a.removeVisits(t.Context(), tx, []string{visit}), tx.Commit()); err != nil {
		return err
	}
	return a.finishRemovals(t.Context())
}

func TestBackupOfLostStills(t *testing.T) {
	t.Parallel()
	for name, recipients := range map[string][]string{"clear": nil, "encrypted": {identity(t).Recipient().String()}} {
		t.Run(name, func(t *testing.T) {
			a, _, visits := furnished(t)
			dir, o := t.TempDir(), BackupOptions{Recipients: recipients}
			path := func(visit string, frame int) string {
				v, err := a.Visit(t.Context(), visit)
				if err != nil {
					t.Fatal(err)
				}
				return a.stillPath(v.Stills[frame].File)
			}
			before := path(visits[0], 0)
			good, err := os.ReadFile(before)
			if err != nil {
				t.Fatal(err)
			}
			if err := os.Remove(before); err != nil {
				t.Fatal(err)
			}
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
			if err := errors.Join(os.Remove(missing), flip(changed)); err != nil {
				t.Fatal(err)
			}
			r = mustBackup(t, a, dir, o)
			if r.Lost != 2 || r.Copied != 0 || r.Stills != 6 || !r.LostStills[0].Kept || !r.LostStills[1].Kept || r.LostStills[0].Reason == r.LostStills[1].Reason {
				t.Errorf("lost since: %+v", r)
			}
			checkSums(t, dir, r.Snapshot)
			// Now the copy goes bad as well: a new snapshot does without it.
			if err := flip(stillCopy(t, a, dir, visits[1], 0)); err != nil {
				t.Fatal(err)
			}
			if r = mustBackup(t, a, dir, o); r.Unchanged || r.Lost != 2 || r.Stills != 5 {
				t.Errorf("lost in both: %+v", r)
			}
			checkSums(t, dir, r.Snapshot)
			// For checkSound, when the test ends.
			if err := errors.Join(os.WriteFile(missing, wasMissing, 0o600), os.WriteFile(changed, wasChanged, 0o600)); err != nil {
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
	mustBackup(t, other, theirs, BackupOptions{})
	holding := func(name, content string) string {
		dir := t.TempDir()
		if err := os.WriteFile(filepath.Join(dir, name), []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
		return dir
	}
	locked := t.TempDir()
	mustBackup(t, a, locked, BackupOptions{})
	f, err := openBackupFolder(locked)
	if err != nil {
		t.Fatal(err)
	}
	defer f.close()
	for name, test := range map[string]struct {
		dir  string
		o    BackupOptions
		want error // nil for any
	}{
		"another household's":      {theirs, BackupOptions{}, ErrOtherHousehold},
		"something else's":         {holding("letter.txt", "hello"), BackupOptions{}, ErrNotBackup},
		"a mark that is none":      {holding(markFile, "hello"), BackupOptions{}, ErrNotBackup},
		"a newer format":           {holding(markFile, "lintel backup 2 x\n"), BackupOptions{}, ErrNewerBackup},
		"the archive's own folder": {a.dir, BackupOptions{}, ErrNotBackup},
		"inside the archive":       {filepath.Join(a.dir, "stills", "backups"), BackupOptions{}, ErrNotBackup},
		"around the archive":       {filepath.Dir(a.dir), BackupOptions{}, ErrNotBackup},
		"in use":                   {locked, BackupOptions{}, ErrBackupInUse},
		"a recipient that is none": {filepath.Join(t.TempDir(), "new"), BackupOptions{Recipients: []string{"age1nobody"}}, ErrBadRecipient},
		"keeping less than none":   {filepath.Join(t.TempDir(), "new"), BackupOptions{Keep: -1}, nil},
	} {
		t.Run(name, func(t *testing.T) {
			var before map[string]string
			if exists(test.dir) {
				before = contents(t, test.dir)
			}
			_, err := a.Backup(t.Context(), test.dir, test.o)
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

// What goes while a backup copies is not in the snapshot, and the backup does
// not fail for it.
func TestBackupWhileVisitsGo(t *testing.T) {
	t.Parallel()
	for _, recipients := range [][]string{nil, {identity(t).Recipient().String()}} {
		for _, test := range []struct {
			name  string
			times int  // how many visits go, one each round
			copy  bool // whether they have to be taken out of the copy
			go1   func(t *testing.T, a *Archive, visit string) error
		}{
			{"erased once", 1, false, func(t *testing.T, a *Archive, v string) error { return a.EraseVisit(t.Context(), v) }},
			{"erased in every round", 5, true, func(t *testing.T, a *Archive, v string) error { return a.EraseVisit(t.Context(), v) }},
			{"swept once", 1, false, removeByRule},
			{"swept in every round", 5, true, removeByRule},
		} {
			if recipients != nil && !test.copy {
				continue // the rounds are the same
			}
			t.Run(fmt.Sprintf("%s, %d recipients", test.name, len(recipients)), func(t *testing.T) {
				a, _, _ := furnished(t)
				var visits []string
				for i := range test.times {
					visits = append(visits, keep(t, a, stillOf(fmt.Sprintf("going-%d", i), 0)))
				}
				dir, gone, takenOut := t.TempDir(), 0, false
				var files []string
				var traces [][]byte
				o := BackupOptions{Recipients: recipients, step: func(step string) error {
					takenOut = takenOut || step == "taken out"
					if (step != "database copied" && step != "taken out") || gone == len(visits) {
						return nil
					}
					v, err := a.Visit(t.Context(), visits[gone])
					if err != nil {
						return err
					}
					files = append(files, v.Stills[0].File)
					var ring, key []byte
					err = a.read.QueryRowContext(t.Context(), `SELECT v.ring, s.wrapped_key FROM visits v JOIN stills s ON s.visit = v.id WHERE v.id = ?`, v.ID).Scan(&ring, &key)
					if err != nil {
						return err
					}
					traces = append(traces, ring, key)
					gone++
					return test.go1(t, a, v.ID)
				}}
				r := mustBackup(t, a, dir, o)
				if gone != test.times || takenOut != test.copy || r.Stills != 6 || r.Copied != 6 || r.Lost > 0 {
					t.Fatalf("%d went, taken out %v: %+v", gone, takenOut, r)
				}
				checkSums(t, dir, r.Snapshot)
				for _, f := range filesIn(t, dir, stillsDir) {
					for _, file := range files {
						if strings.Contains(f, file) {
							t.Errorf("a copy of %s is there", file)
						}
					}
				}
				if len(recipients) > 0 {
					return
				}
				data, err := os.ReadFile(newest(t, dir, databaseFile))
				if err != nil {
					t.Fatal(err)
				}
				for _, trace := range traces {
					if bytes.Contains(data, trace) {
						t.Error("the copy holds a ring or a key of a visit that went")
					}
				}
				if test.copy {
					checkNoLeftovers(t, data)
				}
			})
		}
	}
}

// archiveOf opens a copy of a database by itself.
func archiveOf(t *testing.T, database []byte) *Archive {
	t.Helper()
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, databaseFile), database, 0o600); err != nil {
		t.Fatal(err)
	}
	seals, err := seal.NewSealer(testKey)
	if err != nil {
		t.Fatal(err)
	}
	a, err := (&Archive{now: newClock().now, seals: seals}).another(dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { a.Close() })
	return a
}

// checkNoLeftovers looks for bytes in unused parts of a database's pages.
func checkNoLeftovers(t *testing.T, database []byte) {
	t.Helper()
	a := archiveOf(t, database)
	for first := 1; first <= len(database)/pageSize; first += pagesAtOnce {
		dirty, err := dirtyPages(t.Context(), a.read, first)
		if err != nil || len(dirty) > 0 {
			t.Errorf("%d pages with leftovers, %v", len(dirty), err)
		}
	}
}

// A person who is erased while the stills are copied is in no part of the copy.
func TestBackupWhileAPersonGoes(t *testing.T) {
	t.Parallel()
	for name, rounds := range map[string]int{"once": 1, "in every round": 4} {
		a, _, visits := furnished(t)
		var persons []string
		for range rounds {
			p, err := a.AddPerson(t.Context(), "Orsolya Brand")
			if err != nil {
				t.Fatal(err)
			}
			persons = append(persons, p.ID)
		}
		dir, gone := t.TempDir(), 0
		mustBackup(t, a, dir, BackupOptions{step: func(step string) error {
			if step != "stills copied" || gone == rounds {
				return nil
			}
			gone++
			_, err := a.ErasePerson(t.Context(), persons[gone-1], true)
			return err
		}})
		into := filepath.Join(t.TempDir(), "data")
		if _, err := Restore(t.Context(), dir, into, RestoreOptions{Key: keyOf(testKey)}); err != nil {
			t.Fatal(err)
		}
		b := openArchive(t, into, newClock())
		for _, id := range persons {
			if _, err := b.Person(t.Context(), id); !errors.Is(err, house.ErrNotFound) {
				t.Errorf("%s: person %s is in the backup: %v", name, id, err)
			}
		}
		if v, err := b.Visit(t.Context(), visits[0]); err != nil || v.Stills[0].Faces[0].Match == nil {
			t.Errorf("%s: the others: %+v, %v", name, v, err)
		}
		if _, err := b.CheckTrail(t.Context()); err != nil {
			t.Error(err)
		}
	}
}

func TestBackupKeepsTheNewest(t *testing.T) {
	t.Parallel()
	a, c, visits := furnished(t)
	dir := t.TempDir()
	var names []string
	for i := range 4 {
		c.advance(-time.Hour) // a clock set back does not make the newest the oldest
		if err := a.Note(t.Context(), "looked", "visit "+visits[0]); err != nil {
			t.Fatal(err)
		}
		if i == 2 {
			if err := a.EraseVisit(t.Context(), visits[1]); err != nil {
				t.Fatal(err)
			}
		}
		r := mustBackup(t, a, dir, BackupOptions{Keep: 2})
		names = append(names, r.Snapshot)
		if want := names[max(0, i-1):]; !slices.Equal(entries(t, filepath.Join(dir, snapshotsDir)), want) {
			t.Errorf("backup %d: snapshots %q, want %q", i, entries(t, filepath.Join(dir, snapshotsDir)), want)
		}
		// The erased visit's copies go at once, though an older snapshot names them.
		if want := []int{6, 6, 4, 4}[i]; len(filesIn(t, dir, stillsDir)) != want {
			t.Errorf("backup %d: stills %q, want %d", i, filesIn(t, dir, stillsDir), want)
		}
	}
	r := mustBackup(t, a, dir, BackupOptions{Keep: 1})
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
	first := mustBackup(t, a, dir, BackupOptions{Keep: 2})
	path := filepath.Join(dir, snapshotsDir, first.Snapshot, sumsFile)
	lines, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(os.WriteFile(path, lines[:len(lines)/3], 0o600), removeByRule(t, a, visits[1])); err != nil {
		t.Fatal(err)
	}
	c.advance(time.Hour)
	r := mustBackup(t, a, dir, BackupOptions{Keep: 2})
	if len(r.DamagedIndexes) != 1 || r.StillsRemoved > 0 || len(filesIn(t, dir, stillsDir)) != 6 {
		t.Errorf("%+v", r)
	}
	if r := mustBackup(t, a, dir, BackupOptions{Keep: 1}); r.StillsRemoved != 2 || len(r.DamagedIndexes) > 0 {
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
		c.advance(time.Hour)
		if r := mustBackup(t, a, dir, BackupOptions{Recipients: test.to}); r.Copied != test.copied || r.Unchanged != (test.copied == 0) {
			t.Errorf("backup %d: %+v", i, r)
		}
	}
}

// No file of an encrypted backup holds bytes of the archive's files.
func TestBackupEncryptsAll(t *testing.T) {
	t.Parallel()
	a, _, _ := furnished(t)
	dir := t.TempDir()
	mustBackup(t, a, dir, BackupOptions{Recipients: []string{identity(t).Recipient().String()}})
	var all []byte
	for _, b := range contents(t, dir) {
		all = append(all, b...)
	}
	secrets := map[string][]byte{"SQLite's header": []byte("SQLite format 3\x00"), "the salt": bytes.Repeat([]byte{3}, seal.SaltSize), "the schema": []byte("wrapped_key")}
	for _, f := range filesIn(t, a.dir, stillsDir) {
		b, err := os.ReadFile(filepath.Join(a.dir, f))
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

// backupSteps are the steps of a backup between which a process may be killed.
var backupSteps = []string{
	"database copied", "still copied", "stills copied", databaseFile + " written", saltFile + " written", manifestFile + " written",
	"snapshot written", "erasures written", "snapshot in its place", "erased stills removed", "snapshot removed", "stills removed", "remembered",
}

const (
	killedBackup = "LINTEL_TEST_KILLED_BACKUP" // the archive, the folder of backups and the step, one a line
	killedKeep   = 2
)

// TestKilledBackupProcess is the process that TestKilledBackup kills.
func TestKilledBackupProcess(t *testing.T) {
	work := strings.Split(os.Getenv(killedBackup), "\n")
	if len(work) != 3 {
		return
	}
	a, err := Open(t.Context(), work[0], testKey, newClock().now)
	if err != nil {
		t.Fatal(err)
	}
	_, err = a.Backup(t.Context(), work[1], BackupOptions{Keep: killedKeep, step: func(step string) error {
		if step == work[2] {
			return syscall.Kill(os.Getpid(), syscall.SIGKILL)
		}
		return nil
	}})
	t.Fatalf("it was not killed: %v", err)
}

// At every step a process that backs up is killed with SIGKILL: the
// newest snapshot of before can be restored, and the next backup succeeds.
func TestKilledBackup(t *testing.T) {
	t.Parallel()
	a, _, _ := furnished(t)
	dir := t.TempDir()
	var made []string
	come := func() { // what is in the next snapshot, and to go from the one after
		made = nil
		for range 2 {
			made = append(made, keep(t, a, stillOf("killed-"+newID(), 0)))
		}
	}
	for range killedKeep {
		come()
		mustBackup(t, a, dir, BackupOptions{Keep: killedKeep})
	}
	for _, step := range backupSteps {
		if err := errors.Join(removeByRule(t, a, made[0]), a.EraseVisit(t.Context(), made[1])); err != nil {
			t.Fatal(err)
		}
		come()
		before := entries(t, filepath.Join(dir, snapshotsDir))
		cmd := exec.Command(os.Args[0], "-test.run=^TestKilledBackupProcess$")
		cmd.Env = append(os.Environ(), killedBackup+"="+strings.Join([]string{a.dir, dir, step}, "\n"))
		said, err := cmd.CombinedOutput()
		var exit *exec.ExitError
		if !errors.As(err, &exit) || exit.Sys().(syscall.WaitStatus).Signal() != syscall.SIGKILL {
			t.Fatalf("%s: %v\n%s", step, err, said)
		}
		after := entries(t, filepath.Join(dir, snapshotsDir))
		// Copies of what was erased are gone once a snapshot does without them.
		gone := slices.Index(backupSteps, step) >= slices.Index(backupSteps, "erased stills removed")
		into := filepath.Join(t.TempDir(), "restored")
		_, err = Restore(t.Context(), dir, into, RestoreOptions{
			Key: keyOf(testKey), Snapshot: before[len(before)-1], RespectErasures: gone, Now: newClock().now,
		})
		if err != nil {
			t.Errorf("killed at %q: %v", step, err)
		} else {
			openArchive(t, into, newClock()) // checked for soundness when the test ends
		}
		if !slices.Contains(after, before[len(before)-1]) {
			t.Errorf("killed at %q: snapshots %q became %q", step, before, after)
		}
		if r := mustBackup(t, a, dir, BackupOptions{Keep: killedKeep}); r.Lost > 0 {
			t.Errorf("after being killed at %q: %+v", step, r)
		}
	}
}

// At every step a backup that fails leaves the snapshots and no loose ends.
func TestFailedBackup(t *testing.T) {
	t.Parallel()
	a, _, visits := furnished(t)
	dir := t.TempDir()
	mustBackup(t, a, dir, BackupOptions{})
	for i, step := range backupSteps[:7] {
		keep(t, a, stillOf("failing-"+strconv.Itoa(i), 0))
		before := contents(t, filepath.Join(dir, snapshotsDir))
		broken := errors.New("the disk is gone")
		ctx, cancel := context.WithCancel(t.Context())
		_, err := a.Backup(ctx, dir, BackupOptions{step: func(s string) error {
			if s != step {
				return nil
			}
			if i%2 == 0 {
				return broken
			}
			cancel()
			return nil
		}})
		cancel()
		if !errors.Is(err, broken) && !errors.Is(err, context.Canceled) {
			t.Errorf("%s: error %v", step, err)
		}
		if !maps.Equal(contents(t, filepath.Join(dir, snapshotsDir)), before) || exists(filepath.Join(dir, incomingDir)) {
			t.Errorf("%s: left %q", step, entries(t, dir))
		}
	}
	if r := mustBackup(t, a, dir, BackupOptions{}); r.Stills != 13 {
		t.Errorf("in the end: %+v", r)
	}
	if _, err := a.Visit(t.Context(), visits[0]); err != nil {
		t.Error(err)
	}
}

// The manifest's SHA-256 are those that Go's crypto/sha256 makes of the
// archive's files, and SHA256SUMS' those of sha256sum(1).
func TestManifest(t *testing.T) {
	t.Parallel()
	a, c, _ := furnished(t)
	dir := t.TempDir()
	r := mustBackup(t, a, dir, BackupOptions{})
	f, err := os.Open(newest(t, dir, manifestFile))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var m manifest
	var stills []manifestStill
	err = readManifest(f, func(head manifest) error { m = head; return nil }, func(s manifestStill) error { stills = append(stills, s); return nil })
	household, _ := a.Household(t.Context())
	names, _ := fs.Glob(migrations, "migrations/*.sql")
	if err != nil || m.Format != 1 || m.Household != household || m.Snapshot != r.Snapshot || !m.MadeAt.Equal(c.now()) || m.Schema != len(names) || m.StillsCount != 6 || len(stills) != 6 {
		t.Fatalf("%+v, %d stills, %v", m, len(stills), err)
	}
	sum := func(path string) (manifestPart, error) {
		data, err := os.ReadFile(path)
		return manifestPart{int64(len(data)), fmt.Sprintf("%x", sha256.Sum256(data))}, err
	}
	if got, err := sum(newest(t, dir, databaseFile)); err != nil || got != m.Database {
		t.Errorf("database %+v, %v; the manifest says %+v", got, err, m.Database)
	}
	if got, err := sum(filepath.Join(a.dir, saltFile)); err != nil || got != m.Salt {
		t.Errorf("salt %+v, %v; the manifest says %+v", got, err, m.Salt)
	}
	for _, s := range stills {
		if got, err := sum(a.stillPath(s.File)); err != nil || got != (manifestPart{s.Size, s.SHA256}) || s.Lost {
			t.Errorf("still %+v, %v; the manifest says %+v", got, err, s)
		}
	}
}

func BenchmarkBackup(b *testing.B) {
	for _, stills := range []int{100, 1000} {
		b.Run(strconv.Itoa(stills), func(b *testing.B) {
			a, err := Open(b.Context(), b.TempDir(), testKey, newClock().now)
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
						if _, err := a.Backup(b.Context(), dir, BackupOptions{}); err != nil {
							b.Fatal(err)
						}
					}
				})
			}
		})
	}
}
