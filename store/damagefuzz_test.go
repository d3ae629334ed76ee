package store

import (
	"errors"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// Bits flip anywhere in the database, one or up to a hundred, 200 times: no start panics, one that is refused
// says what to do, and no still is deleted by it.
func TestFlippedDatabase(t *testing.T) {
	a, c, _ := newHousehold(t)
	must(t, a.Close())
	files := copyFolder(t, a.dir)
	stills := filesIn(t, a.dir, "stills")
	rnd := rand.New(rand.NewPCG(12, 1)) // any seed will do
	var refused, found, unseen int
	for n := range 200 {
		dir := t.TempDir()
		writeFolder(t, dir, files)
		size := len(files["archive.db"])
		bit := rnd.IntN(8 * size)
		flipBit(t, filepath.Join(dir, "archive.db"), bit)
		if n > 100 { // and where SQLite's own structure is, at the head of pages
			for range n - 100 {
				flipBit(t, filepath.Join(dir, "archive.db"), 8*pageSize*rnd.IntN(size/pageSize)+rnd.IntN(8*64))
			}
		}
		switch err := startAt(t, dir, c); {
		case err == nil:
			unseen++ // in unused parts, or where verify alone looks
		case errors.Is(err, ErrDamaged):
			found++
		default:
			refused++
			if says := err.Error(); !errors.Is(err, ErrNewerArchive) && !errors.Is(err, ErrForeignDatabase) &&
				!errors.Is(err, ErrWrongKey) && !strings.Contains(says, "restore") {
				t.Errorf("bit %d: it says %q, not what to do", bit, says)
			}
		}
		after := append(filesIn(t, dir, "stills"), filesIn(t, dir, "incoming")...)
		for _, file := range asideIn(t, dir) {
			after = append(after, filepath.Join("stills", file[:2], file))
		}
		for _, file := range stills {
			if !slices.Contains(after, file) {
				t.Errorf("bit %d: %s is gone", bit, file)
			}
		}
	}
	t.Logf("refused otherwise %d, found damaged %d, not seen at the start %d", refused, found, unseen)
}

// asideIn lists the names of files that are kept aside.
func asideIn(t *testing.T, dir string) (names []string) {
	if exists(filepath.Join(dir, "aside")) {
		for _, file := range filesIn(t, dir, "aside") {
			names = append(names, filepath.Base(file))
		}
	}
	return names
}

// startAt opens an archive as a server does, and looks through its database.
func startAt(t *testing.T, dir string, c *clock) error {
	t.Helper()
	ctx := t.Context()
	a, err := Open(ctx, dir, testKey, c.Now)
	if err != nil {
		return err
	}
	must(t, a.Lock())
	_, err = a.Recover(ctx)
	if err == nil {
		_, err = a.SetStraysAside(ctx)
	}
	if err == nil {
		err = a.QuickCheck(ctx)
	}
	if err == nil {
		_, err = a.LatestVisits(ctx, 10)
	}
	return errors.Join(damage(err), a.Close())
}
