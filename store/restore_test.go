package store

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"filippo.io/age"

	"lintel/internal/house"
	"lintel/store/seal"
)

func keyOf(key seal.Key) func(string) (seal.Key, error) {
	return func(string) (seal.Key, error) { return key, nil }
}

// dump returns every row of every table, through the driver alone.
func dump(t *testing.T, dir string) string {
	t.Helper()
	db, err := openDatabase(dir, "deferred")
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	rows, err := db.QueryContext(t.Context(), `SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name`)
	if err != nil {
		t.Fatal(err)
	}
	tables, err := collect(rows, func(name *string) error { return rows.Scan(name) })
	if err != nil || len(tables) < 15 {
		t.Fatalf("%d tables, %v", len(tables), err)
	}
	var all strings.Builder
	for _, table := range tables {
		rows, err := db.QueryContext(t.Context(), `SELECT * FROM `+table)
		if err != nil {
			t.Fatal(err)
		}
		columns, err := rows.Columns()
		if err != nil {
			t.Fatal(err)
		}
		lines, err := collect(rows, func(line *string) error {
			values, into := make([]any, len(columns)), make([]any, len(columns))
			for i := range values {
				into[i] = &values[i]
			}
			err := rows.Scan(into...)
			*line = fmt.Sprintf("%s %x\n", table, values)
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		slices.Sort(lines)
		all.WriteString(strings.Join(lines, ""))
	}
	return all.String()
}

func TestRestoreByteForByte(t *testing.T) {
	t.Parallel()
	me, another := identity(t), identity(t)
	both := []string{another.Recipient().String(), me.Recipient().String()}
	for name, recipients := range map[string][]string{"clear": nil, "encrypted": both} {
		t.Run(name, func(t *testing.T) {
			a, _, visits := furnished(t)
			if err := a.EraseVisit(t.Context(), visits[2]); err != nil {
				t.Fatal(err)
			}
			tables, stills := dump(t, a.dir), contents(t, filepath.Join(a.dir, stillsDir))
			dir, into := t.TempDir(), filepath.Join(t.TempDir(), "new", "data")
			made := mustBackup(t, a, dir, BackupOptions{Recipients: recipients})
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
			if want := []string{"archive.db", "incoming", "passphrase.salt", "stills"}; !slices.Equal(entries(t, into), want) {
				t.Errorf("the folder holds %q, want %q", entries(t, into), want)
			}
			if salt, err := os.ReadFile(filepath.Join(into, saltFile)); err != nil || !bytes.Equal(salt, bytes.Repeat([]byte{3}, seal.SaltSize)) {
				t.Errorf("the salt: %x, %v", salt, err)
			}
			database, err := os.ReadFile(filepath.Join(into, databaseFile))
			if err != nil {
				t.Fatal(err)
			}
			if stored := plain(t, newest(t, dir, databaseFile), me); !bytes.Equal(database, stored) {
				t.Error("the database is not the backup's")
			}
			if got := dump(t, into); got != tables {
				t.Errorf("the tables differ:\n%s\nwant:\n%s", got, tables)
			}
			b := openArchive(t, into, newClock())
			checkSound(t, b) // integrity_check
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
	if err := os.WriteFile(key, []byte(me.String()+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if got, err := exec.Command(tool, "--decrypt", "--identity", key, path).Output(); err != nil || !bytes.Equal(got, data) {
		t.Errorf("age decrypts %d bytes of %s, the library %d; %v", len(got), path, len(data), err)
	}
	return data
}

// Whatever is wrong, the folder is left as it was.
func TestRestoreRefuses(t *testing.T) {
	t.Parallel()
	a, c, visits := furnished(t)
	me := identity(t)
	open, sealed := t.TempDir(), t.TempDir()
	old := mustBackup(t, a, open, BackupOptions{})
	if err := a.EraseVisit(t.Context(), visits[1]); err != nil {
		t.Fatal(err)
	}
	c.advance(time.Hour)
	mustBackup(t, a, open, BackupOptions{})
	mustBackup(t, a, sealed, BackupOptions{Recipients: []string{me.Recipient().String()}})
	other, _ := newArchive(t)
	noKey := errors.New("no key")

	for name, test := range map[string]struct {
		dir  string
		into func(dir string) error // what is there before
		o    RestoreOptions
		want error
	}{
		"a folder that holds something": {open, func(dir string) error {
			return errors.Join(os.Mkdir(dir, 0o700), os.WriteFile(filepath.Join(dir, "letter.txt"), nil, 0o600))
		}, RestoreOptions{}, ErrNotEmpty},
		"a folder that holds an archive": {open, func(dir string) error {
			x, err := Open(t.Context(), dir, testKey, c.now)
			if err != nil {
				return err
			}
			return x.Close()
		}, RestoreOptions{}, ErrNotEmpty},
		"the wrong key":                   {open, nil, RestoreOptions{Key: keyOf(seal.Key{9})}, ErrWrongKey},
		"no key":                          {open, nil, RestoreOptions{Key: func(string) (seal.Key, error) { return seal.Key{}, noKey }}, noKey},
		"no identity":                     {sealed, nil, RestoreOptions{}, ErrIdentity},
		"the wrong identity":              {sealed, nil, RestoreOptions{Identities: []age.Identity{identity(t)}}, ErrIdentity},
		"encrypted, and the wrong key":    {sealed, nil, RestoreOptions{Key: keyOf(seal.Key{9}), Identities: []age.Identity{me}}, ErrWrongKey},
		"into an empty folder, wrong key": {open, func(dir string) error { return os.Mkdir(dir, 0o700) }, RestoreOptions{Key: keyOf(seal.Key{9})}, ErrWrongKey},
		"no such snapshot":                {open, nil, RestoreOptions{Snapshot: "000099.20310504T183000Z"}, ErrNoSnapshot},
		"another household asked for":     {open, nil, RestoreOptions{Household: "ANOTHER"}, ErrOtherHousehold},
		"another household's erasures":    {open, nil, RestoreOptions{Former: other}, ErrOtherHousehold},
		"no backup":                       {t.TempDir(), nil, RestoreOptions{}, ErrNotBackup},
		"no folder":                       {filepath.Join(t.TempDir(), "none"), nil, RestoreOptions{}, ErrNotBackup},
		"stills erased since":             {open, nil, RestoreOptions{Snapshot: old.Snapshot}, ErrErasedSince},
	} {
		t.Run(name, func(t *testing.T) {
			into := filepath.Join(t.TempDir(), "data")
			if test.into != nil {
				if err := test.into(into); err != nil {
					t.Fatal(err)
				}
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
	if after := contents(t, into); !maps.Equal(after, before) || before != nil && len(before) == 0 && len(entries(t, into)) > 0 {
		t.Errorf("the folder was changed, and holds %q", entries(t, into))
	}
}

// Each file of a backup is changed, cut and removed in turn, and each time
// nothing comes of it.
func TestRestoreOfADamagedBackup(t *testing.T) {
	t.Parallel()
	a, _, _ := furnished(t)
	me := identity(t)
	for name, o := range map[string]BackupOptions{"clear": {}, "encrypted": {Recipients: []string{me.Recipient().String()}}} {
		dir := t.TempDir()
		mustBackup(t, a, dir, o)
		restoring := RestoreOptions{Key: keyOf(testKey), Identities: []age.Identity{me}}
		for _, file := range filesIn(t, dir, ".") {
			path := filepath.Join(dir, file)
			whole, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			first, half := bytes.Clone(whole), len(whole)/2
			first[0] ^= 0x20
			middle := bytes.Clone(whole)
			middle[half] ^= 1
			stanza := bytes.Clone(whole) // of age's header, in an encrypted file
			stanza[min(60, len(whole)-2)] ^= 1
			for damage, data := range map[string][]byte{
				"its first byte changed": first, "a bit changed": middle, "a bit further on changed": stanza, "cut in half": whole[:half],
				"cut by a byte": whole[:len(whole)-1], "longer": append(bytes.Clone(whole), 'x'), "empty": {}, "removed": nil,
			} {
				if data == nil {
					err = os.Remove(path)
				} else {
					err = os.WriteFile(path, data, 0o600)
				}
				if err != nil {
					t.Fatal(err)
				}
				into := filepath.Join(t.TempDir(), "data")
				_, err := Restore(t.Context(), dir, into, restoring)
				textOnly := strings.HasSuffix(file, sumsFile) || file == erasuresFile || file == markFile
				if err == nil && textOnly && damage == "cut by a byte" {
					continue // a last line without its end says the same
				}
				if !errors.Is(err, ErrBackupDamaged) && (file != markFile || !errors.Is(err, ErrNotBackup) && !errors.Is(err, ErrNewerBackup) && !errors.Is(err, ErrOtherHousehold)) {
					t.Errorf("%s, %s, %s: error %v", name, file, damage, err)
				}
				checkLeftAlone(t, into, nil)
			}
			if err := os.WriteFile(path, whole, 0o600); err != nil {
				t.Fatal(err)
			}
		}
		if _, err := Restore(t.Context(), dir, filepath.Join(t.TempDir(), "data"), restoring); err != nil {
			t.Errorf("%s, whole again: %v", name, err)
		}
		// All but two damaged stills can be had.
		stills := filesIn(t, dir, stillsDir)
		if err := errors.Join(flip(filepath.Join(dir, stills[0])), os.Remove(filepath.Join(dir, stills[1]))); err != nil {
			t.Fatal(err)
		}
		restoring.SkipDamaged = true
		into := filepath.Join(t.TempDir(), "data")
		r, err := Restore(t.Context(), dir, into, restoring)
		if left := filesIn(t, into, stillsDir); err != nil || r.Damaged != 2 || r.Stills != 4 || len(left) != 4 {
			t.Errorf("%s, without what is damaged: %+v, %d stills, %v", name, r, len(left), err)
		}
	}
}

// What was erased since the snapshot stays erased when that is asked for.
func TestRestoreRespectsErasures(t *testing.T) {
	t.Parallel()
	me := identity(t)
	for from, recipients := range map[string][]string{"the folder": {me.Recipient().String()}, "the former archive": nil} {
		t.Run(from, func(t *testing.T) {
			a, c, visits := furnished(t)
			ctx, dir := t.Context(), t.TempDir()
			persons, err := a.Persons(ctx)
			if err != nil {
				t.Fatal(err)
			}
			old := mustBackup(t, a, dir, BackupOptions{Recipients: recipients})
			c.advance(time.Hour)
			before, err := a.Visit(ctx, visits[2])
			if err != nil {
				t.Fatal(err)
			}
			// A still by itself is erased when masks are put on it.
			masked := before.Stills[1].File
			if _, err := a.write.ExecContext(ctx, `INSERT INTO erasures (what, id, at) VALUES ('still', ?, ?)`, masked, micros(c.now())); err != nil {
				t.Fatal(err)
			}
			if _, err := a.write.ExecContext(ctx, `UPDATE stills SET file = NULL, wrapped_key = x'' WHERE file = ?`, masked); err != nil {
				t.Fatal(err)
			}
			if err := os.Remove(a.stillPath(masked)); err != nil {
				t.Fatal(err)
			}
			if err := a.EraseVisit(ctx, visits[1]); err != nil {
				t.Fatal(err)
			}
			if _, err := a.ErasePerson(ctx, persons[0].ID, false); err != nil {
				t.Fatal(err)
			}
			wantErasures, err := a.Erasures(ctx)
			if err != nil {
				t.Fatal(err)
			}
			o := RestoreOptions{Key: keyOf(testKey), Identities: []age.Identity{me}, Snapshot: old.Snapshot, RespectErasures: true, Now: c.now}
			if from == "the folder" {
				mustBackup(t, a, dir, BackupOptions{Recipients: recipients})
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
			if _, err := b.Visit(ctx, visits[1]); !errors.Is(err, house.ErrNotFound) {
				t.Errorf("the erased visit: %v", err)
			}
			if _, _, err := b.Keep(ctx, stillOf("r1", 0)); !errors.Is(err, house.ErrErased) {
				t.Errorf("its bell sends it again: %v", err)
			}
			if _, err := b.Person(ctx, persons[0].ID); !errors.Is(err, house.ErrNotFound) {
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
			if err != nil || !slices.EqualFunc(got, wantErasures, func(x, y Erasure) bool { return x.What == y.What && x.ID == y.ID && x.At.Equal(y.At) }) {
				t.Errorf("erasures %v, want %v; %v", got, wantErasures, err)
			}
			if _, err := b.CheckTrail(ctx); err != nil {
				t.Error(err)
			}
			trail, err := b.Trail(ctx, 0, 100)
			if err != nil || !slices.ContainsFunc(trail, func(e house.Entry) bool { return e.Action == "restored" && e.Subject == "snapshot "+old.Snapshot }) {
				t.Errorf("the trail lacks the restoring: %+v, %v", trail, err)
			}
			database, err := os.ReadFile(filepath.Join(into, databaseFile))
			if err != nil {
				t.Fatal(err)
			}
			if b.Close() == nil {
				database, _ = os.ReadFile(filepath.Join(into, databaseFile))
			}
			checkNoLeftovers(t, database)
		})
	}
}

// A restore that was killed is begun again; what is in the folder beside it
// is nobody's to remove.
func TestRestoreAfterACrash(t *testing.T) {
	t.Parallel()
	a, _, _ := furnished(t)
	dir := t.TempDir()
	mustBackup(t, a, dir, BackupOptions{})
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
				if err := errors.Join(os.MkdirAll(filepath.Dir(path), 0o700), os.WriteFile(path, []byte(name), 0o600)); err != nil {
					t.Fatal(err)
				}
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
	mustBackup(t, a, dir, BackupOptions{})
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

// A manifest is untrusted until its hash is checked, and even then by whoever
// could write to the folder.
func FuzzReadManifest(f *testing.F) {
	f.Add([]byte(`{"format":1,"household":"A","stills":[` + "\n" + `{"file":"B","size":1,"sha256":"c"}]}`))
	f.Add([]byte(`{"stills":[],"format":1}`))
	f.Add([]byte(`{"format":1}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		heads := 0
		err := readManifest(bytes.NewReader(data), func(manifest) error { heads++; return nil }, func(manifestStill) error {
			if heads != 1 {
				t.Error("a still before the head")
			}
			return nil
		})
		if err == nil && heads != 1 {
			t.Errorf("%d heads", heads)
		}
	})
}
