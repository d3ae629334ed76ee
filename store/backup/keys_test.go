package backup

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"filippo.io/age"

	"lintel/internal/house"
	"lintel/store"
	"lintel/store/seal"
)

// What was erased since a snapshot opens with that snapshot's keys until the next
// backup to that folder, and from then on in none of its snapshots. What stays opens
// in all of them, and the older one can be restored.
//
// Outside: whether a key opens a still's copy, package seal is asked, not the archive
// or the backup.
func TestKeysDropped(t *testing.T) {
	t.Parallel()
	me := identity(t)
	for name, recipients := range map[string][]string{"clear": nil, "encrypted": {me.Recipient().String()}} {
		t.Run(name, func(t *testing.T) {
			a, c, visits := furnished(t)
			dir, o := t.TempDir(), Options{Recipients: recipients}
			first := mustBackup(t, a, dir, o)
			persons, err := a.Persons(t.Context())
			must(t, err)
			erased, stays := sealedStill(t, a, visits[1]), sealedStill(t, a, visits[0])
			older := filepath.Join(dir, keysFile, "000000.000001")
			check := func(when string, want bool) {
				t.Helper()
				if got := erased.opensWith(t, older); got != want {
					t.Errorf("%s: what was erased opens with the older keys: %v, want %v", when, got, want)
				}
				if !stays.opensWith(t, older) {
					t.Errorf("%s: what stays does not open with the older keys", when)
				}
			}
			must(t, a.EraseVisit(t.Context(), visits[1]))
			if _, err := a.ErasePerson(t.Context(), persons[0].ID, false); err != nil {
				t.Fatal(err)
			}
			check("before the next backup", true)
			c.Advance(1e9)
			second := mustBackup(t, a, dir, o)
			if second.KeysRemoved != 6 { // of a visit and its two stills, a face, a person and their consent
				t.Errorf("%d keys removed", second.KeysRemoved)
			}
			check("after it", false)
			if again := mustBackup(t, a, dir, o); again.KeysRemoved > 0 {
				t.Errorf("removed %d again", again.KeysRemoved)
			}
			r, err := Restore(t.Context(), dir, filepath.Join(t.TempDir(), "data"), RestoreOptions{Key: keyOf(testKey),
				Identities: []age.Identity{me}, Snapshot: first.Snapshot, RespectErasures: true, Now: c.Now})
			if err != nil || r.Erased != 2 || r.Stills != 4 {
				t.Errorf("restored %+v, %v", r, err)
			}
		})
	}
}

// An older snapshot whose keys were dropped, restored without the erasures: what nothing
// opens any more is not there, and all else is.
func TestRestoredWithoutKeys(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	a, c, visits := furnished(t)
	dir, into := t.TempDir(), filepath.Join(t.TempDir(), "data")
	first := mustBackup(t, a, dir, Options{})
	persons, err := a.Persons(ctx)
	must(t, err)
	if _, err := a.ErasePerson(ctx, persons[0].ID, false); err != nil {
		t.Fatal(err)
	}
	c.Advance(1e9)
	mustBackup(t, a, dir, Options{})
	r, err := Restore(ctx, dir, into, RestoreOptions{Key: keyOf(testKey), Snapshot: first.Snapshot})
	must(t, err)
	b := openArchive(t, into, c)
	if there, err := b.Persons(ctx); err != nil || len(there) != len(persons) {
		t.Fatalf("the snapshot has %d persons, want %d; %v", len(there), len(persons), err)
	}
	must(t, b.Restored(ctx, r.Snapshot, false))
	if there, err := b.Persons(ctx); err != nil || len(there) != len(persons)-1 {
		t.Errorf("%d persons, want %d; %v", len(there), len(persons)-1, err)
	}
	for _, id := range visits {
		v, err := b.Visit(ctx, id)
		must(t, err)
		for _, s := range v.Stills {
			for _, f := range s.Faces {
				if f.Match != nil { // its descriptor is gone, and whose it was
					t.Errorf("a face of visit %s: %+v", id, f)
				}
			}
		}
	}
	checkVerified(t, b)
}

// A stillSealed is a still's file and the number of its slot.
type stillSealed struct {
	file  []byte
	slot  int64
	visit string
}

func sealedStill(t *testing.T, a *store.Archive, visit string) (s stillSealed) {
	t.Helper()
	v, err := a.Visit(t.Context(), visit)
	must(t, err)
	if v.Stills[0].State == house.Failed {
		t.Fatal("the still is none")
	}
	s.visit, s.slot = visit, rowsOf(t, database(t, a.Dir()), `SELECT slot FROM stills WHERE id = ?`, v.Stills[0].ID)[0][0].(int64)
	s.file, err = os.ReadFile(stillPath(a, v.Stills[0].File))
	must(t, err)
	return s
}

func (s stillSealed) opensWith(t *testing.T, keys string) bool {
	t.Helper()
	sealer, err := seal.NewSealer(testKey)
	must(t, err)
	key, err := sealer.Unwrap(wrappedKey(t, keys, s.slot), "slot", fmt.Sprint(s.slot))
	if err != nil {
		return false
	}
	// After a mark of 8 bytes comes a label with its length in 2, and then the picture.
	picture, err := key.Open(s.file[10+binary.BigEndian.Uint16(s.file[8:]):], "still", s.visit, "0")
	return err == nil && bytes.HasPrefix(picture, []byte("kept: "))
}
