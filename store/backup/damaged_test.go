package backup

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"filippo.io/age"
)

// damages are what may become of a file; nil if it is gone.
func damages(whole []byte) map[string][]byte {
	first, half := bytes.Clone(whole), len(whole)/2
	first[0] ^= 0x20
	stanza := bytes.Clone(whole) // of age's header, in an encrypted file
	stanza[min(60, len(whole)-2)] ^= 1
	return map[string][]byte{
		"its first byte changed": first, "a bit further on changed": stanza,
		"cut in half": whole[:half], "cut by a byte": whole[:len(whole)-1], "longer": append(bytes.Clone(whole), 'x'),
		"empty": {}, "removed": nil,
	}
}

// A damageable is a kind of file of a backup, and what comes of it when one is damaged.
type damageable struct {
	file     string
	what     string // what the restore says
	mended   bool
	older    bool            // the snapshot before is restored
	stills   int             // that are left out
	harmless map[string]bool // damages that change nothing
}

// damageables are of a folder with two snapshots, which share most pieces and keys.
func damageables(t *testing.T, dir string) []damageable {
	t.Helper()
	pieces, spares := databasePieces(t, dir)
	end, more := map[string]bool{"cut by a byte": true}, map[string]bool{"longer": true} // a last line without its end
	zero := map[string]bool{"cut by a byte": true, "longer": true}                       // a page may end with a zero
	keys := filesIn(t, dir, keysFile)
	stills := filesIn(t, dir, stillsDir)
	return []damageable{
		{file: filepath.Join(dir, markFile), what: OfMark, mended: true, harmless: end},
		{file: filepath.Join(dir, erasuresFile), what: OfErasures, mended: true, harmless: end},
		{file: newest(t, dir, sumsFile), what: OfSnapshot, older: true, harmless: end},
		{file: newest(t, dir, saltFile), what: OfSalt, mended: true},
		{file: filepath.Join(dir, keys[0]), what: OfKey, mended: true, // of the first snapshot; the second has them too
			harmless: map[string]bool{"its first byte changed": true, "a bit further on changed": true, "cut in half": true,
				"cut by a byte": true, "longer": true, "empty": true, "removed": true}},
		{file: pieces[0], what: OfPiece, mended: true, harmless: zero},
		{file: pieces[len(pieces)-1], what: OfPiece, mended: true, harmless: zero},
		{file: spares[0], what: OfPiece, mended: true, harmless: more},
		{file: filepath.Join(dir, stills[0]), what: OfStill, stills: 1},
	}
}

// Each kind of file of a backup is changed, cut and removed in turn, and each time it costs that
// item and no more; what a restore can make up for it does, and says so.
//
// Outside: Debian's dd(1) changes a byte, Python's sqlite3 checks the database that comes of it.
func TestRestoreOfADamagedBackup(t *testing.T) {
	t.Parallel()
	me := identity(t)
	for name, o := range map[string]Options{"clear": {}, "encrypted": {Recipients: []string{me.Recipient().String()}}} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			a, c, _ := furnished(t)
			dir := t.TempDir()
			mustBackup(t, a, dir, o)
			c.Advance(24 * time.Hour)
			keep(t, a, stillOf("later", 0))
			r := mustBackup(t, a, dir, o)
			want := databaseIn(t, dir, me)
			for _, d := range damageables(t, dir) {
				whole, err := os.ReadFile(d.file)
				must(t, err)
				for damage, data := range damages(whole) {
					if data == nil {
						err = os.Remove(d.file)
					} else {
						err = os.WriteFile(d.file, data, 0o600)
					}
					must(t, err)
					d.check(t, dir, r, damage, want, me)
				}
				must(t, os.WriteFile(d.file, whole, 0o600))
				byDD(t, d.file, len(whole)/3)
				d.check(t, dir, r, "a byte by dd", want, me)
				must(t, os.WriteFile(d.file, whole, 0o600))
			}
		})
	}
}

func (d damageable) check(t *testing.T, dir string, newest Report, damage string, want []byte, me *age.X25519Identity) {
	t.Helper()
	file := strings.TrimPrefix(d.file, dir+"/")
	into := filepath.Join(t.TempDir(), "data")
	r, err := Restore(t.Context(), dir, into, RestoreOptions{Key: keyOf(testKey), Identities: []age.Identity{me}})
	if err != nil {
		t.Errorf("%s, %s: %v", file, damage, err)
		return
	}
	said := false
	for _, i := range r.Items {
		said = said || i.What == d.what && i.Mended == d.mended
	}
	if !said && !d.harmless[damage] && d.what != OfKey {
		t.Errorf("%s, %s: nothing is said of it: %+v", file, damage, r.Items)
	}
	older := d.older && said
	if older == (r.Snapshot == newest.Snapshot) || r.Damaged != d.stills || d.mended && r.Costs > 0 {
		t.Errorf("%s, %s: %+v", file, damage, r)
	}
	database, err := os.ReadFile(filepath.Join(into, databaseFile))
	if err != nil || bytes.Equal(database, want) == older {
		t.Errorf("%s, %s: the database is another, %v", file, damage, err)
	}
	if damage == "removed" || older {
		checkByPython(t, filepath.Join(into, databaseFile))
	}
	must(t, os.RemoveAll(into))
}

// byDD changes a byte with dd(1).
func byDD(t *testing.T, file string, at int) {
	t.Helper()
	data, err := os.ReadFile(file)
	must(t, err)
	cmd := exec.Command("dd", "of="+file, "bs=1", "count=1", "conv=notrunc", fmt.Sprintf("seek=%d", at), "status=none")
	cmd.Stdin = bytes.NewReader([]byte{data[at] ^ 4})
	if said, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("dd: %v\n%s", err, said)
	}
}

// checkByPython lets Python's sqlite3 check a database.
func checkByPython(t *testing.T, path string) {
	t.Helper()
	python, err := exec.LookPath("python3")
	if err != nil {
		t.Log("SKIPPED: no database was checked by Python's sqlite3, which is not here")
		return
	}
	said, err := exec.Command(python, "-c", `import sqlite3, sys
print(sqlite3.connect("file:" + sys.argv[1] + "?mode=ro", uri=True).execute("PRAGMA integrity_check").fetchall())`,
		path).CombinedOutput()
	if err != nil || strings.TrimSpace(string(said)) != "[('ok',)]" {
		t.Errorf("Python says %s, %v", said, err)
	}
}

// Keys that are lost in the one snapshot that has them cost their rows, and no others; the
// archive that comes of it is sound but for them, and can be backed up as a sound one.
func TestRestoreOfLostKeys(t *testing.T) {
	t.Parallel()
	a, c, visits := furnished(t)
	dir := t.TempDir()
	mustBackup(t, a, dir, Options{})
	lost := sealedStill(t, a, visits[1])
	file := filepath.Join(dir, filesIn(t, dir, keysFile)[0])
	byDD(t, file, int(lost.slot&(1<<32-1))*64+30)
	into := filepath.Join(t.TempDir(), "data")
	r, err := Restore(t.Context(), dir, into, RestoreOptions{Key: keyOf(testKey), RespectErasures: true, Now: c.Now})
	if err != nil || r.Stills != 5 || r.Damaged != 1 || r.Costs != 2 || r.Items[0].What != OfKey ||
		!strings.HasPrefix(r.Items[0].Of, "stills ") || r.Items[1].Visit != visits[1] {
		t.Fatalf("%+v, %v", r, err)
	}

	// All but the first 100 bytes are gone, and with them the keys of all.
	must(t, os.Truncate(file, 100))
	r, err = Restore(t.Context(), dir, filepath.Join(t.TempDir(), "data"), RestoreOptions{Key: keyOf(testKey)})
	if err != nil || r.Costs < 15 {
		t.Errorf("%+v, %v", r, err)
	}
}

// Two pieces of one group that are gone cost the snapshots that have them, and the newest that
// has not is restored.
func TestTwoPiecesGone(t *testing.T) {
	t.Parallel()
	a, c, _ := furnished(t)
	dir := t.TempDir()
	first := mustBackup(t, a, dir, Options{})
	before := contents(t, filepath.Join(dir, piecesDir))
	c.Advance(24 * time.Hour)
	keep(t, a, stillOf("later", 0))
	mustBackup(t, a, dir, Options{})
	pieces, _ := databasePieces(t, dir)
	var news []string
	for _, p := range pieces {
		if _, shared := before[strings.TrimPrefix(p, filepath.Join(dir, piecesDir)+"/")]; !shared {
			news = append(news, p)
		}
	}
	if len(news) < 2 || len(news) > len(pieces)-2 {
		t.Fatalf("%d of %d pieces are new", len(news), len(pieces))
	}
	must(t, errors.Join(os.Remove(news[0]), os.Remove(news[1])))
	into := filepath.Join(t.TempDir(), "data")
	r, err := Restore(t.Context(), dir, into, RestoreOptions{Key: keyOf(testKey)})
	if err != nil || r.Snapshot != first.Snapshot || r.Costs != 1 || r.Items[0].What != OfSnapshot {
		t.Errorf("%+v, %v", r, err)
	}
	checkByPython(t, filepath.Join(into, databaseFile))
	into = filepath.Join(t.TempDir(), "data")
	all := entries(t, filepath.Join(dir, snapshotsDir))
	_, err = Restore(t.Context(), dir, into, RestoreOptions{Key: keyOf(testKey), Snapshot: all[1]})
	wantError(t, err, ErrDamaged)
	checkLeftAlone(t, into, nil)

	mustBackup(t, a, dir, Options{}) // which makes them anew
	if r, err := Restore(t.Context(), dir, into, RestoreOptions{Key: keyOf(testKey), Snapshot: all[1]}); err != nil ||
		len(r.Items) > 0 {
		t.Errorf("after the next backup: %+v, %v", r, err)
	}
}
