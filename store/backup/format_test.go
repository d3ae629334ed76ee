package backup

import (
	"archive/tar"
	"compress/gzip"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"filippo.io/age"

	"lintel/internal/house"
)

// oldFolder unpacks a folder of backups in the first format, with the manifest
// that was in it: four stills of two visits, and a third visit that was erased.
func oldFolder(t *testing.T) (dir string) {
	t.Helper()
	dir = t.TempDir()
	f, err := os.Open("testdata/format1.tar.gz")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	for files := tar.NewReader(z); ; {
		head, err := files.Next()
		if errors.Is(err, io.EOF) {
			return dir
		}
		var data []byte
		if err == nil {
			data, err = io.ReadAll(files)
		}
		to := filepath.Join(dir, head.Name)
		if err == nil && head.FileInfo().IsDir() {
			err = os.MkdirAll(to, 0o700)
		} else if err == nil {
			err = os.WriteFile(to, data, 0o600)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

// encryptOld encrypts such a folder as a backup in that format was.
func encryptOld(t *testing.T, dir string, to age.Recipient) {
	t.Helper()
	sums := newest(t, dir, sumsFile)
	var lines []string
	err := readList(sums, func(line string) error {
		_, name, ok := strings.Cut(line, "  ")
		if !ok {
			lines = append(lines, line)
			return nil
		}
		stored := strings.Replace(name, stillSuffix, ".0123456789abcdef", 1) + ageSuffix
		sum, err := storeFile(filepath.Join(dir, name), filepath.Join(dir, strings.TrimSuffix(stored, ageSuffix)),
			[]age.Recipient{to})
		lines = append(lines, sum+"  "+stored)
		return errors.Join(err, os.Remove(filepath.Join(dir, name)))
	})
	if err != nil {
		t.Fatal(err)
	}
	list, err := createList(sums)
	if err != nil {
		t.Fatal(err)
	}
	for _, line := range lines {
		err = errors.Join(err, list.line(line))
	}
	must(t, errors.Join(err, list.finish()))
}

// A folder of before has a manifest, which is not needed: it restores, and takes
// new snapshots.
func TestOldFormat(t *testing.T) {
	t.Parallel()
	me := identity(t)
	for _, encrypted := range []bool{false, true} {
		dir, into := oldFolder(t), filepath.Join(t.TempDir(), "data")
		o := Options{}
		if encrypted {
			encryptOld(t, dir, me.Recipient())
			o.Recipients = []string{me.Recipient().String()}
		}
		r, err := Restore(t.Context(), dir, into, RestoreOptions{Key: keyOf(testKey), Identities: []age.Identity{me}})
		made := newClock().Now().Add(3 * time.Minute)
		if err != nil || r.Stills != 4 || r.Lost+r.Damaged > 0 || !r.MadeAt.Equal(made) ||
			r.Household != "2L3LJ6PXQ4SBQXVPYPWWYC2GXN" {
			t.Fatalf("%+v, %v", r, err)
		}
		c := newClock()
		a := openArchive(t, into, c)
		visits, err := a.LatestVisits(t.Context(), 10)
		if err != nil || len(visits) != 2 {
			t.Fatalf("%d visits, %v", len(visits), err)
		}
		if jpeg, err := a.ReadStill(t.Context(), visits[1].ID, 0); string(jpeg) != "kept: sent: r0, frame 0" {
			t.Errorf("still %q, %v", jpeg, err)
		}
		if _, _, err := a.Keep(t.Context(), stillOf("r2", 0)); !errors.Is(err, house.ErrErased) {
			t.Errorf("an erased visit came back: %v", err)
		}
		c.Advance(time.Hour)
		keep(t, a, stillOf("new", 0))
		next := mustBackup(t, a, dir, o)
		if next.Stills != 5 || next.Copied == 0 || !strings.HasPrefix(next.Snapshot, "000002.") {
			t.Errorf("the next backup: %+v", next)
		}
		for _, name := range []string{r.Snapshot, next.Snapshot} {
			checkSums(t, dir, name)
			again := RestoreOptions{Key: keyOf(testKey), Identities: []age.Identity{me}, Snapshot: name}
			if _, err := Restore(t.Context(), dir, filepath.Join(t.TempDir(), "again"), again); err != nil {
				t.Error(err)
			}
		}
	}
}
