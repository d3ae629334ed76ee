package store

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"lintel/internal/house"
	"lintel/store/internal/storetest"
	"lintel/store/seal"
)

// Every bit of a still's file counts: one that flips, anywhere, is noticed by
// whoever reads the still and by Verify.
func TestFlippedBits(t *testing.T) {
	a, _ := newArchive(t)
	ctx := t.Context()
	rnd := rand.New(rand.NewPCG(11, 25)) // any seed will do
	for i := range 20 {
		n := stillOf(fmt.Sprintf("r%d", i), i%16)
		n.JPEG = bytes.Repeat([]byte{byte(i)}, 1+rnd.IntN(3000))
		keep(t, a, n)
	}
	all, err := a.LatestVisits(ctx, 20)
	if err != nil {
		t.Fatal(err)
	}
	spoilt := make(map[string]bool)
	for range 200 {
		s := all[rnd.IntN(len(all)/2)].Stills[0]
		path := a.stillPath(s.File)
		bit := rnd.IntN(8 * s.Size)
		flipBit(t, path, bit)
		_, err := a.ReadStill(ctx, s.Visit, s.Frame)
		wantError(t, err, seal.ErrOpen)
		if rnd.IntN(4) > 0 {
			flipBit(t, path, bit) // back again
			if _, err := a.ReadStill(ctx, s.Visit, s.Frame); err != nil && !spoilt[s.ID] {
				t.Errorf("with the bit back: %v", err)
			}
			continue
		}
		if spoilt[s.ID] {
			flipBit(t, path, bit) // two bits could be the same
		}
		spoilt[s.ID] = true
	}
	if len(spoilt) != len(all)/2 {
		t.Fatalf("%d files are spoilt", len(spoilt))
	}
	r, err := a.Verify(ctx, false, nil)
	if err != nil || r.Left != len(spoilt) || r.Stills != len(all)-len(spoilt) {
		t.Errorf("%+v, %v", r, err)
	}
	for _, p := range r.Problems {
		if !spoilt[p.Subject] {
			t.Errorf("%+v", p)
		}
	}
	if r, err := a.Verify(ctx, true, nil); err != nil || r.Left > 0 || r.Lost != len(spoilt) {
		t.Errorf("%+v, %v", r, err)
	}
	for _, v := range all {
		_, err := a.ReadStill(ctx, v.ID, v.Stills[0].Frame)
		if spoilt[v.Stills[0].ID] != errors.Is(err, house.ErrNotFound) || !spoilt[v.Stills[0].ID] && err != nil {
			t.Errorf("afterwards: %v", err)
		}
	}
}

// flipBit flips a bit of a file.
func flipBit(t *testing.T, path string, bit int) {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	data[bit/8] ^= 1 << (bit % 8)
	must(t, os.WriteFile(path, data, 0o600))
}

// folderOf describes all that a folder holds, but for SQLite's -shm, which is
// memory that processes share and no data.
func folderOf(t *testing.T, dir string) string {
	t.Helper()
	var b strings.Builder
	for _, file := range filesIn(t, dir, ".") {
		if strings.HasSuffix(file, "-shm") || file == "server.lock" {
			continue
		}
		data, err := os.ReadFile(filepath.Join(dir, file))
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(&b, "%s %d %x\n", file, len(data), sha256.Sum256(data))
	}
	return b.String()
}

// A broken archive is the files of a sound one, one of which was spoiled.
type broken struct {
	name  string
	files map[string][]byte
	spoil func(files map[string][]byte)
	opens bool // whether only Verify finds it
}

// brokenArchives are the ways in which a database breaks, of an archive that was
// closed and of one whose log has not come to its database yet.
func brokenArchives(t *testing.T, closed, withLog map[string][]byte) (all []broken) {
	t.Helper()
	const page = 4096
	size := len(closed["archive.db"])
	add := func(name string, files map[string][]byte, opens bool, spoil func(files map[string][]byte)) {
		all = append(all, broken{name, files, spoil, opens})
	}
	cut := func(n int) func(map[string][]byte) {
		return func(files map[string][]byte) { files["archive.db"] = files["archive.db"][:n] }
	}
	for _, n := range []int{0, 1, 15, 99, 100, 511, 512, page - 1, page, page + 1, 2 * page, size / 2, size - page,
		size - 1} {
		add(fmt.Sprintf("cut to %d bytes", n), closed, false, cut(n))
	}
	for _, n := range []int{0, 1, 99} {
		add(fmt.Sprintf("cut to %d bytes, with a log", n), withLog, n == 99, cut(n))
	}
	gone := func(files map[string][]byte) { delete(files, "archive.db") }
	add("gone", closed, false, gone)
	add("gone, with a log", withLog, false, gone)
	add("overwritten", closed, false, func(files map[string][]byte) {
		files["archive.db"] = bytes.Repeat([]byte("minutes of a meeting\n"), 4000)
	})
	add("zeroed", closed, false, func(files map[string][]byte) { files["archive.db"] = make([]byte, size) })
	add("schema flipped", closed, false, func(files map[string][]byte) {
		flipIn(t, files["archive.db"], "CREATE TABLE visits")
	})
	add("first page's kind", closed, false, func(files map[string][]byte) { files["archive.db"][100] = 0 })
	for n := 2; n < size/page; n += 7 {
		add(fmt.Sprintf("page %d overwritten", n), closed, true, func(files map[string][]byte) {
			copy(files["archive.db"][(n-1)*page:], bytes.Repeat([]byte("x"), page))
		})
	}
	return all
}

// A database that was cut, emptied, lost or overwritten is not taken for a new
// one: nothing is opened, the error says so, and nothing in the folder changes.
func TestDamagedDatabase(t *testing.T) {
	a, c, _ := newHousehold(t)
	if _, err := a.read.ExecContext(t.Context(), `PRAGMA wal_checkpoint(TRUNCATE)`); err != nil {
		t.Fatal(err)
	}
	keep(t, a, stillOf("in the log", 0)) // which lies in the log alone
	withLog := copyFolder(t, a.dir)
	must(t, a.Close())
	closed := copyFolder(t, a.dir)
	for _, test := range brokenArchives(t, closed, withLog) {
		t.Run(test.name, func(t *testing.T) {
			files := make(map[string][]byte)
			for name, data := range test.files {
				files[name] = bytes.Clone(data)
			}
			test.spoil(files)
			dir := t.TempDir()
			writeFolder(t, dir, files)
			if checkNotOpened(t, dir, c, test.opens) {
				storetest.CheckSound(t, openArchive(t, dir, c)) // its indexes were damaged alone
				return
			}
			after := copyFolder(t, dir)
			for name := range after {
				if _, was := files[name]; !was && name != "server.lock" {
					t.Errorf("there is %s now", name)
				}
			}
			for name, data := range files {
				if !bytes.Equal(after[name], data) {
					t.Errorf("%s changed, from %d to %d bytes", name, len(data), len(after[name]))
				}
			}
		})
	}
	// The folders themselves are sound, with the log and without.
	checkOnlyItsKeyOpens(t, closed, c)
	checkOnlyItsKeyOpens(t, withLog, c)
}

// checkNotOpened wants a broken archive not to open, or only for Verify to tell, which
// may have mended it.
func checkNotOpened(t *testing.T, dir string, c *clock, opens bool) (mended bool) {
	t.Helper()
	b, err := Open(t.Context(), dir, testKey, c.Now)
	if err != nil {
		wantError(t, err, ErrDamaged)
		for _, words := range []string{dir, "is damaged", "nothing was changed", "restore a backup"} {
			if !strings.Contains(err.Error(), words) {
				t.Errorf("it says %q, without %q", err, words)
			}
		}
		return false
	}
	if !opens {
		t.Error("it opened")
	}
	for _, repair := range []bool{false, true} {
		r, err := b.Verify(t.Context(), repair, nil)
		mended = repair && err == nil && len(r.Problems) > 0 && r.Problems[0].What == WithDatabase && r.Problems[0].Mended
		if err != nil && !errors.Is(err, ErrDamaged) || err == nil && r.Left == 0 && !mended {
			t.Errorf("verify: %+v, %v", r, err)
		}
		if err == nil && r.Left > 0 && !strings.Contains(r.Problems[len(r.Problems)-1].Words, "restore a backup") {
			t.Errorf("said %+v", r.Problems)
		}
	}
	if err := b.Close(); err != nil {
		t.Error(err)
	}
	return mended
}

// checkOnlyItsKeyOpens wants a folder to be sound, and nothing to move from the
// log into the database for whoever lacks the key.
func checkOnlyItsKeyOpens(t *testing.T, files map[string][]byte, c *clock) {
	t.Helper()
	dir := t.TempDir()
	writeFolder(t, dir, files)
	_, err := Open(t.Context(), dir, seal.NewKey(), c.Now)
	wantError(t, err, ErrWrongKey)
	for name, data := range copyFolder(t, dir) {
		if !bytes.Equal(files[name], data) {
			t.Errorf("a wrong key changed %s", name)
		}
	}
	if r := wantSound(t, openArchive(t, dir, c)); r.Stills != 6 {
		t.Errorf("%+v", r)
	}
}

// flipIn flips a bit in the middle of a text that is in the data.
func flipIn(t *testing.T, data []byte, text string) {
	t.Helper()
	i := bytes.Index(data, []byte(text))
	if i < 0 {
		t.Fatalf("%q is not there", text)
	}
	data[i+len(text)/2] ^= 1
}

// copyFolder returns what a folder's files hold, but for SQLite's -shm.
func copyFolder(t *testing.T, dir string) map[string][]byte {
	t.Helper()
	files := make(map[string][]byte)
	for _, file := range filesIn(t, dir, ".") {
		if strings.HasSuffix(file, "-shm") {
			continue
		}
		data, err := os.ReadFile(filepath.Join(dir, file))
		if err != nil {
			t.Fatal(err)
		}
		files[file] = data
	}
	return files
}

func writeFolder(t *testing.T, dir string, files map[string][]byte) {
	t.Helper()
	for name, data := range files {
		path := filepath.Join(dir, name)
		must(t, errors.Join(os.MkdirAll(filepath.Dir(path), 0o700), os.WriteFile(path, data, 0o600)))
	}
}
