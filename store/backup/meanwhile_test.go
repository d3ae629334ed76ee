package backup

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"lintel/internal/house"
	"lintel/store"
)

// What goes while a backup copies is not in the snapshot, and the backup does
// not fail for it.
func TestBackupWhileVisitsGo(t *testing.T) {
	t.Parallel()
	erase := func(t *testing.T, a *store.Archive, visit string) error { return a.EraseVisit(t.Context(), visit) }
	for _, recipients := range [][]string{nil, {identity(t).Recipient().String()}} {
		for _, test := range []struct {
			name  string
			times int  // how many visits go, one each round
			copy  bool // whether they have to be taken out of the copy
			go1   func(t *testing.T, a *store.Archive, visit string) error
		}{
			{"erased once", 1, false, erase},
			{"erased in every round", 5, true, erase},
			{"swept once", 1, false, removeByRule},
			{"swept in every round", 5, true, removeByRule},
		} {
			if recipients != nil && !test.copy {
				continue // the rounds are the same
			}
			t.Run(fmt.Sprintf("%s, %d recipients", test.name, len(recipients)), func(t *testing.T) {
				backUpWhileGoing(t, recipients, test.times, test.copy, test.go1)
			})
		}
	}
}

// backUpWhileGoing backs up while visits go, one each round, and wants no part of
// them in the backup; takesOut says whether they are taken out of the copy.
func backUpWhileGoing(t *testing.T, recipients []string, times int, takesOut bool,
	letGo func(t *testing.T, a *store.Archive, visit string) error) {
	t.Helper()
	a, _, _ := furnished(t)
	var visits []string
	for i := range times {
		visits = append(visits, keep(t, a, stillOf(fmt.Sprintf("going-%d", i), 0)))
	}
	dir, gone, takenOut := t.TempDir(), 0, false
	var files []string
	var traces [][]byte
	o := Options{Recipients: recipients, step: func(step string) error {
		takenOut = takenOut || step == "taken out"
		if (step != "database copied" && step != "taken out") || gone == len(visits) {
			return nil
		}
		v, err := a.Visit(t.Context(), visits[gone])
		if err != nil {
			return err
		}
		files = append(files, v.Stills[0].File)
		sealed := rowsOf(t, database(t, a.Dir()),
			`SELECT v.slot, s.slot FROM visits v JOIN stills s ON s.visit = v.id WHERE v.id = ?`, v.ID)[0]
		for _, slot := range sealed {
			traces = append(traces, wrappedKey(t, filepath.Join(a.Dir(), keysFile), slot.(int64)))
		}
		gone++
		return letGo(t, a, v.ID)
	}}
	r := mustBackup(t, a, dir, o)
	if gone != times || takenOut != takesOut || r.Stills != 6 || r.Copied != 6 || r.Lost > 0 {
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
	var data []byte
	for _, keys := range contents(t, filepath.Join(dir, keysFile)) {
		data = append(data, keys...)
	}
	if len(recipients) == 0 {
		data = append(data, databaseIn(t, dir, nil)...)
	}
	for _, trace := range traces {
		if bytes.Contains(data, trace) {
			t.Error("the copy holds a key of a visit that went")
		}
	}
}

// wrappedKey reads what is in a slot: the lower half of its number is its place among
// slots of 64 bytes, the first 4 of which are its mark.
func wrappedKey(t *testing.T, path string, slot int64) []byte {
	t.Helper()
	data, err := os.ReadFile(path)
	must(t, err)
	return data[slot&(1<<32-1)*64:][4:64]
}

// A person who is erased while the stills are copied is in no part of the copy.
func TestBackupWhileAPersonGoes(t *testing.T) {
	t.Parallel()
	for name, rounds := range map[string]int{"once": 1, "in every round": 4} {
		a, _, visits := furnished(t)
		var persons []string
		for i := range rounds {
			p, err := a.AddPerson(t.Context(), fmt.Sprintf("Orsolya Brand %d", i))
			if err != nil {
				t.Fatal(err)
			}
			persons = append(persons, p.ID)
		}
		dir, gone := t.TempDir(), 0
		mustBackup(t, a, dir, Options{step: func(step string) error {
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
