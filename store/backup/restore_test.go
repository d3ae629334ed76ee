package backup

import (
	"bytes"
	"context"
	"errors"
	"io"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"filippo.io/age"

	"lintel/internal/house"
	"lintel/store"
	"lintel/store/internal/storetest"
	"lintel/store/seal"
)

func TestRestoreByteForByte(t *testing.T) {
	t.Parallel()
	me, another := identity(t), identity(t)
	both := []string{another.Recipient().String(), me.Recipient().String()}
	for name, recipients := range map[string][]string{"clear": nil, "encrypted": both} {
		t.Run(name, func(t *testing.T) {
			a, _, visits := furnished(t)
			must(t, a.EraseVisit(t.Context(), visits[2]))
			tables, stills := dump(t, a.Dir()), contents(t, filepath.Join(a.Dir(), stillsDir))
			dir, into := t.TempDir(), filepath.Join(t.TempDir(), "new", "data")
			made := mustBackup(t, a, dir, Options{Recipients: recipients})
			keep(t, a, stillOf("later", 0)) // is not in the snapshot

			o := RestoreOptions{Key: keyOf(testKey)}
			if recipients != nil {
				o.Identities = []age.Identity{me}
			}
			before := contents(t, dir)
			r, err := Restore(t.Context(), dir, into, o)
			if err != nil {
				t.Fatal(err)
			}
			if r.Snapshot != made.Snapshot || r.Stills != 4 || r.Lost+r.Erased > 0 {
				t.Errorf("%+v", r)
			}
			if !maps.Equal(contents(t, dir), before) {
				t.Error("restoring changed the backup")
			}
			if got := contents(t, filepath.Join(into, stillsDir)); !maps.Equal(got, stills) {
				t.Errorf("stills %d, want %d", len(got), len(stills))
			}
			checkFolder(t, into, databaseIn(t, dir, me))
			if got := dump(t, into); got != tables {
				t.Errorf("the tables differ:\n%s\nwant:\n%s", got, tables)
			}
			b := openArchive(t, into, newClock())
			storetest.CheckSound(t, b)
			checkVerified(t, b)
			if _, err := b.CheckTrail(t.Context()); err != nil {
				t.Error(err)
			}
			for frame := range 2 {
				want, _ := a.ReadStill(t.Context(), visits[0], frame)
				if got, err := b.ReadStill(t.Context(), visits[0], frame); err != nil || !bytes.Equal(got, want) {
					t.Errorf("still %d: %q, %v", frame, got, err)
				}
			}
			// The bell that sends an erased visit again is still refused.
			if _, _, err := b.Keep(t.Context(), stillOf("r2", 0)); !errors.Is(err, house.ErrErased) {
				t.Errorf("an erased visit came back: %v", err)
			}
		})
	}
}

// checkFolder looks at the files of a restored archive but for its stills.
func checkFolder(t *testing.T, into string, stored []byte) {
	t.Helper()
	if want := []string{"archive.db", "incoming", "keys", "passphrase.salt", "stills"}; !slices.Equal(entries(t, into), want) {
		t.Errorf("the folder holds %q, want %q", entries(t, into), want)
	}
	if salt, err := os.ReadFile(filepath.Join(into, saltFile)); err != nil ||
		!bytes.Equal(salt, bytes.Repeat([]byte{3}, seal.SaltSize)) {
		t.Errorf("the salt: %x, %v", salt, err)
	}
	database, err := os.ReadFile(filepath.Join(into, databaseFile))
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(database, stored) {
		t.Error("the database is not the backup's")
	}
}

// plain decrypts a file with the age library itself, and with the command age
// where there is one.
func plain(t *testing.T, path string, me *age.X25519Identity) []byte {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if filepath.Ext(path) != ".age" {
		return data
	}
	r, err := age.Decrypt(bytes.NewReader(data), me)
	if err != nil {
		t.Fatal(err)
	}
	if data, err = io.ReadAll(r); err != nil {
		t.Fatal(err)
	}
	tool, err := exec.LookPath("age")
	if err != nil {
		t.Log("SKIPPED: nothing was decrypted by the command age, which is not here")
		return data
	}
	key := filepath.Join(t.TempDir(), "key.txt")
	must(t, os.WriteFile(key, []byte(me.String()+"\n"), 0o600))
	if got, err := exec.Command(tool, "--decrypt", "--identity", key, path).Output(); err != nil ||
		!bytes.Equal(got, data) {
		t.Errorf("age decrypts %d bytes of %s, the library %d; %v", len(got), path, len(data), err)
	}
	return data
}

// A refusal is a restore that must not be done.
type refusal struct {
	dir  string
	into func(dir string) error // what is there before
	o    RestoreOptions
	want error
}

// refusals are of a backup in the clear and an encrypted one, with an older
// snapshot of a visit that was erased since.
func refusals(t *testing.T) map[string]refusal {
	t.Helper()
	a, c, visits := furnished(t)
	me := identity(t)
	open, sealed := t.TempDir(), t.TempDir()
	old := mustBackup(t, a, open, Options{})
	must(t, a.EraseVisit(t.Context(), visits[1]))
	c.Advance(time.Hour)
	mustBackup(t, a, open, Options{})
	mustBackup(t, a, sealed, Options{Recipients: []string{me.Recipient().String()}})
	other, _ := newArchive(t)
	noKey := errors.New("no key")
	return map[string]refusal{
		"a folder that holds something": {open, func(dir string) error {
			return errors.Join(os.Mkdir(dir, 0o700), os.WriteFile(filepath.Join(dir, "letter.txt"), nil, 0o600))
		}, RestoreOptions{}, ErrNotEmpty},
		"a folder that holds an archive": {open, func(dir string) error {
			x, err := store.Open(t.Context(), dir, testKey, c.Now)
			if err != nil {
				return err
			}
			return x.Close()
		}, RestoreOptions{}, ErrNotEmpty},
		"the wrong key": {open, nil, RestoreOptions{Key: keyOf(seal.Key{9})}, store.ErrWrongKey},
		"no key": {open, nil,
			RestoreOptions{Key: func(string) (seal.Key, error) { return seal.Key{}, noKey }}, noKey},
		"no identity": {sealed, nil, RestoreOptions{}, ErrIdentity},
		"the wrong identity": {sealed, nil, RestoreOptions{Identities: []age.Identity{identity(t)}},
			ErrIdentity},
		"encrypted, and the wrong key": {sealed, nil,
			RestoreOptions{Key: keyOf(seal.Key{9}), Identities: []age.Identity{me}}, store.ErrWrongKey},
		"into an empty folder, wrong key": {open, func(dir string) error { return os.Mkdir(dir, 0o700) },
			RestoreOptions{Key: keyOf(seal.Key{9})}, store.ErrWrongKey},
		"no such snapshot":             {open, nil, RestoreOptions{Snapshot: "000099.20310504T183000Z"}, ErrNoSnapshot},
		"another household asked for":  {open, nil, RestoreOptions{Household: "ANOTHER"}, ErrOtherHousehold},
		"another household's erasures": {open, nil, RestoreOptions{Former: other}, ErrOtherHousehold},
		"no backup":                    {t.TempDir(), nil, RestoreOptions{}, ErrNotBackup},
		"no folder":                    {filepath.Join(t.TempDir(), "none"), nil, RestoreOptions{}, ErrNotBackup},
		"stills erased since":          {open, nil, RestoreOptions{Snapshot: old.Snapshot}, ErrErasedSince},
	}
}

// Whatever is wrong, the folder is left as it was.
func TestRestoreRefuses(t *testing.T) {
	t.Parallel()
	for name, test := range refusals(t) {
		t.Run(name, func(t *testing.T) {
			into := filepath.Join(t.TempDir(), "data")
			if test.into != nil {
				must(t, test.into(into))
			}
			var before map[string]string
			if exists(into) {
				before = contents(t, into)
			}
			if test.o.Key == nil {
				test.o.Key = keyOf(testKey)
			}
			_, err := Restore(t.Context(), test.dir, into, test.o)
			wantError(t, err, test.want)
			checkLeftAlone(t, into, before)
		})
	}
}

func checkLeftAlone(t *testing.T, into string, before map[string]string) {
	t.Helper()
	if before == nil && exists(into) {
		t.Errorf("the folder was made, and holds %q", entries(t, into))
	}
	if before == nil {
		return
	}
	if after := contents(t, into); !maps.Equal(after, before) || before != nil && len(before) == 0 &&
		len(entries(t, into)) > 0 {
		t.Errorf("the folder was changed, and holds %q", entries(t, into))
	}
}

// What was erased since the snapshot stays erased when that is asked for.
func TestRestoreRespectsErasures(t *testing.T) {
	t.Parallel()
	me := identity(t)
	for from, recipients := range map[string][]string{"the folder": {me.Recipient().String()},
		"the former archive": nil} {
		t.Run(from, func(t *testing.T) {
			a, c, visits := furnished(t)
			ctx, dir := t.Context(), t.TempDir()
			persons, err := a.Persons(ctx)
			if err != nil {
				t.Fatal(err)
			}
			old := mustBackup(t, a, dir, Options{Recipients: recipients})
			c.Advance(time.Hour)
			eraseOfEach(t, a, c, visits, persons[0].ID)
			wantErasures, err := a.Erasures(ctx)
			if err != nil {
				t.Fatal(err)
			}
			o := RestoreOptions{Key: keyOf(testKey), Identities: []age.Identity{me}, Snapshot: old.Snapshot,
				RespectErasures: true, Now: c.Now}
			if from == "the folder" {
				mustBackup(t, a, dir, Options{Recipients: recipients})
			} else {
				o.Former = a
			}
			into := filepath.Join(t.TempDir(), "data")
			r, err := Restore(ctx, dir, into, o)
			if err != nil {
				t.Fatal(err)
			}
			if r.Erased != 3 || r.Stills != 3 {
				t.Errorf("%+v", r)
			}
			b := openArchive(t, into, c)
			checkErased(t, b, visits, persons[0].ID, wantErasures, old.Snapshot)
			must(t, b.Close())
		})
	}
}

// eraseOfEach erases the second visit, a still of the third, and the person.
func eraseOfEach(t *testing.T, a *store.Archive, c *clock, visits []string, person string) {
	t.Helper()
	ctx := t.Context()
	before, err := a.Visit(ctx, visits[2])
	if err != nil {
		t.Fatal(err)
	}
	// A still by itself is erased when masks are put on it.
	masked := before.Stills[1].File
	if _, err := a.RespectErasures(ctx, []store.Erasure{{What: "still", ID: masked, At: c.Now()}}); err != nil {
		t.Fatal(err)
	}
	must(t, a.EraseVisit(ctx, visits[1]))
	if _, err := a.ErasePerson(ctx, person, false); err != nil {
		t.Fatal(err)
	}
}

// checkErased looks whether a restored archive lacks what eraseOfEach erased, and
// remembers it.
func checkErased(
	t *testing.T, b *store.Archive, visits []string, person string, want []store.Erasure, snapshot string,
) {
	t.Helper()
	ctx := t.Context()
	if _, err := b.Visit(ctx, visits[1]); !errors.Is(err, house.ErrNotFound) {
		t.Errorf("the erased visit: %v", err)
	}
	if _, _, err := b.Keep(ctx, stillOf("r1", 0)); !errors.Is(err, house.ErrErased) {
		t.Errorf("its bell sends it again: %v", err)
	}
	if _, err := b.Person(ctx, person); !errors.Is(err, house.ErrNotFound) {
		t.Errorf("the erased person: %v", err)
	}
	v, err := b.Visit(ctx, visits[2])
	if err != nil || v.Stills[1].File != "" || v.Stills[0].File == "" {
		t.Errorf("the visit with an erased still: %+v, %v", v.Stills, err)
	}
	if v, err = b.Visit(ctx, visits[0]); err != nil || v.Stills[0].Faces[0].Match != nil || v.Hold == nil {
		t.Errorf("the visit that named them: %+v, %v", v, err)
	}
	got, err := b.Erasures(ctx)
	if err != nil || !slices.EqualFunc(got, want,
		func(x, y store.Erasure) bool { return x.What == y.What && x.ID == y.ID && x.At.Equal(y.At) }) {
		t.Errorf("erasures %v, want %v; %v", got, want, err)
	}
	if _, err := b.CheckTrail(ctx); err != nil {
		t.Error(err)
	}
	trail, err := b.Trail(ctx, 0, 100)
	if err != nil || !slices.ContainsFunc(trail,
		func(e house.Entry) bool { return e.Action == "restored" && e.Subject == "snapshot "+snapshot }) {
		t.Errorf("the trail lacks the restoring: %+v, %v", trail, err)
	}
}

// A restore that was killed is begun again; what is in the folder beside it
// is nobody's to remove.
func TestRestoreAfterACrash(t *testing.T) {
	t.Parallel()
	a, _, _ := furnished(t)
	dir := t.TempDir()
	mustBackup(t, a, dir, Options{})
	for _, test := range []struct {
		name string
		left []string
		want error
	}{
		{"while filling", []string{restoringDir + "/archive.db", restoringDir + "/stills/QK/half"}, nil},
		{"while moving", []string{restoringDir + "/archive.db", "stills/QK/QKA.still"}, nil},
		{"and something else", []string{restoringDir + "/archive.db", "letter.txt"}, ErrNotEmpty},
		{"and an archive", []string{restoringDir + "/stills/QK/half", "archive.db"}, ErrNotEmpty},
	} {
		t.Run(test.name, func(t *testing.T) {
			into := t.TempDir()
			for _, name := range test.left {
				path := filepath.Join(into, name)
				must(t, errors.Join(os.MkdirAll(filepath.Dir(path), 0o700), os.WriteFile(path, []byte(name), 0o600)))
			}
			_, err := Restore(t.Context(), dir, into, RestoreOptions{Key: keyOf(testKey)})
			wantError(t, err, test.want)
			if test.want != nil {
				last := test.left[len(test.left)-1]
				if b, err := os.ReadFile(filepath.Join(into, last)); err != nil || string(b) != last {
					t.Errorf("%s was not left alone: %v", last, err)
				}
				return
			}
			openArchive(t, into, newClock())
		})
	}
}

func TestRestoreIsCancelled(t *testing.T) {
	t.Parallel()
	a, _, _ := furnished(t)
	dir, into := t.TempDir(), t.TempDir()
	mustBackup(t, a, dir, Options{})
	ctx, cancel := context.WithCancel(t.Context())
	_, err := Restore(ctx, dir, into, RestoreOptions{Key: keyOf(testKey), Progress: func(done, total int) {
		if total != 6 {
			t.Errorf("%d of %d", done, total)
		}
		if done == 3 {
			cancel()
		}
	}})
	wantError(t, err, context.Canceled)
	checkLeftAlone(t, into, map[string]string{})
}
