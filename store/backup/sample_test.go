package backup

import (
	"os"
	"path/filepath"
	"testing"

	"filippo.io/age"
)

// A sample that is restored opens, and leaves nothing behind; one whose still, key or piece went
// bad is told of.
func TestSample(t *testing.T) {
	t.Parallel()
	a, c, visits := furnished(t)
	dir, into := t.TempDir(), filepath.Join(t.TempDir(), "sample")
	text, recipient, err := NewIdentity()
	must(t, err)
	me, err := age.ParseX25519Identity(text)
	must(t, err)
	mustBackup(t, a, dir, Options{Recipients: []string{recipient}})
	try := func(visit string) error {
		err := TrySample(t.Context(), dir, into, visit, RestoreOptions{Key: keyOf(testKey), Identities: []age.Identity{me},
			Now: c.Now})
		if exists(into) {
			t.Errorf("the sample left %q", entries(t, into))
		}
		return err
	}
	must(t, try(visits[1]))
	wantError(t, try("NOBODY"), ErrDamaged)
	still := stillCopy(t, a, dir, visits[1], 0)
	whole, err := os.ReadFile(still)
	must(t, err)
	must(t, flip(still))
	wantError(t, try(visits[1]), ErrDamaged)
	must(t, try(visits[0]))
	must(t, os.WriteFile(still, whole, 0o600))
	pieces, _ := databasePieces(t, dir)
	must(t, os.Remove(pieces[3]))
	wantError(t, try(visits[1]), ErrDamaged) // mended, and so the next backup should make it anew
}
