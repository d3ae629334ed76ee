package backup

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"filippo.io/age"
)

// damages are what may become of a file; nil if it is gone.
func damages(whole []byte) map[string][]byte {
	first, half := bytes.Clone(whole), len(whole)/2
	first[0] ^= 0x20
	middle := bytes.Clone(whole)
	middle[half] ^= 1
	stanza := bytes.Clone(whole) // of age's header, in an encrypted file
	stanza[min(60, len(whole)-2)] ^= 1
	return map[string][]byte{
		"its first byte changed": first, "a bit changed": middle, "a bit further on changed": stanza,
		"cut in half":   whole[:half],
		"cut by a byte": whole[:len(whole)-1], "longer": append(bytes.Clone(whole), 'x'), "empty": {}, "removed": nil,
	}
}

// Each file of a backup is changed, cut and removed in turn, and each time
// nothing comes of it.
func TestRestoreOfADamagedBackup(t *testing.T) {
	t.Parallel()
	a, _, _ := furnished(t)
	me := identity(t)
	for name, o := range map[string]Options{"clear": {}, "encrypted": {Recipients: []string{me.Recipient().String()}}} {
		dir := t.TempDir()
		mustBackup(t, a, dir, o)
		restoring := RestoreOptions{Key: keyOf(testKey), Identities: []age.Identity{me}}
		for _, file := range filesIn(t, dir, ".") {
			path := filepath.Join(dir, file)
			whole, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			for damage, data := range damages(whole) {
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
				if !errors.Is(err, ErrDamaged) && (file != markFile || !errors.Is(err, ErrNotBackup) &&
					!errors.Is(err, ErrNewer) &&
					!errors.Is(err, ErrOtherHousehold)) {
					t.Errorf("%s, %s, %s: error %v", name, file, damage, err)
				}
				checkLeftAlone(t, into, nil)
			}
			must(t, os.WriteFile(path, whole, 0o600))
		}
		if _, err := Restore(t.Context(), dir, filepath.Join(t.TempDir(), "data"), restoring); err != nil {
			t.Errorf("%s, whole again: %v", name, err)
		}
		// All but two damaged stills can be had.
		stills := filesIn(t, dir, stillsDir)
		must(t, errors.Join(flip(filepath.Join(dir, stills[0])), os.Remove(filepath.Join(dir, stills[1]))))
		restoring.SkipDamaged = true
		into := filepath.Join(t.TempDir(), "data")
		r, err := Restore(t.Context(), dir, into, restoring)
		if left := filesIn(t, into, stillsDir); err != nil || r.Damaged != 2 || r.Stills != 4 || len(left) != 4 {
			t.Errorf("%s, without what is damaged: %+v, %d stills, %v", name, r, len(left), err)
		}
	}
}
