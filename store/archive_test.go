package store

import (
	"bytes"
	"database/sql"
	"encoding/binary"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"syscall"
	"testing"
	"time"

	"lintel/store/internal/storetest"
)

// What these tests and those of backups share.
type clock = storetest.Clock

var (
	newClock   = storetest.NewClock
	testKey    = storetest.Key
	checkSound = storetest.CheckSound
	keep       = storetest.Keep
	must       = storetest.Must
	filesIn    = storetest.FilesIn
	wantError  = storetest.WantError
	stillOf    = storetest.StillOf
	faceOf     = storetest.FaceOf
	halves     = storetest.Halves
)

func newArchive(t *testing.T) (*Archive, *clock) {
	t.Helper()
	return storetest.New(t, Open)
}

func openArchive(t *testing.T, dir string, c *clock) *Archive {
	t.Helper()
	return storetest.Open(t, dir, c, Open)
}

// rawBytes returns all that the archive's folder holds, SQLite's log included.
func rawBytes(t *testing.T, a *Archive) (all []byte) {
	t.Helper()
	for _, file := range filesIn(t, a.dir, ".") {
		b, err := os.ReadFile(filepath.Join(a.dir, file))
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, b...)
	}
	return all
}

// The offsets are those of the database header in SQLite's file format
// (sqlite.org/fileformat2.html, 1.3).
func TestOpenWritesItsMark(t *testing.T) {
	dir, c := t.TempDir(), newClock()
	if Exists(dir) {
		t.Error("an archive before there is one")
	}
	a := openArchive(t, dir, c)
	if _, err := a.AddBell(t.Context(), "gate"); err != nil {
		t.Fatal(err)
	}
	checkSound(t, a)
	must(t, a.Close())
	if !Exists(dir) {
		t.Error("no archive after Open made one")
	}
	file := filepath.Join(dir, "archive.db")
	first, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	names, _ := fs.Glob(migrations, "migrations/*.sql")
	for _, field := range []struct {
		name string
		got  uint32
		want uint32
	}{
		{"write version (2 is WAL)", uint32(first[18]), 2},
		{"read version (2 is WAL)", uint32(first[19]), 2},
		{"user version", binary.BigEndian.Uint32(first[60:]), uint32(len(names))},
		{"application id", binary.BigEndian.Uint32(first[68:]), binary.BigEndian.Uint32([]byte("LNTL"))},
	} {
		if field.got != field.want {
			t.Errorf("%s is %#x, want %#x", field.name, field.got, field.want)
		}
	}

	a = openArchive(t, dir, c)
	if bells, err := a.Bells(t.Context()); err != nil || len(bells) != 1 || bells[0].Name != "gate" {
		t.Errorf("opened again: bells %v, %v", bells, err)
	}
	a.Close()
	if again, _ := os.ReadFile(file); !bytes.Equal(again, first) {
		t.Error("opening again changed the database")
	}
}

func TestOpenRefuses(t *testing.T) {
	for name, test := range map[string]struct {
		prepare []string // SQL; nil for a file that is no database at all
		archive bool     // on an archive of Lintel's
		want    error    // nil for any
	}{
		"newer":   {[]string{`PRAGMA user_version = 1000`}, true, ErrNewerArchive},
		"foreign": {[]string{`CREATE TABLE songs (title TEXT)`}, false, ErrForeignDatabase},
		"foreign, with WAL": {[]string{`PRAGMA journal_mode = WAL`, `CREATE TABLE songs (title TEXT)`}, false,
			ErrForeignDatabase},
		"foreign, marked": {[]string{`PRAGMA application_id = 1`, `PRAGMA user_version = 1`,
			`CREATE TABLE bells (title TEXT)`}, false, ErrForeignDatabase},
		"no database": {nil, false, nil},
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			file := filepath.Join(dir, "archive.db")
			if test.archive {
				openArchive(t, dir, newClock()).Close()
			}
			if test.prepare == nil {
				must(t, os.WriteFile(file, bytes.Repeat([]byte("minutes of a meeting\n"), 400), 0o600))
			} else {
				runSQL(t, file, test.prepare...)
			}
			before, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			a, err := Open(t.Context(), dir, testKey, time.Now)
			if err == nil {
				a.Close()
				t.Fatal("opened")
			}
			if test.want != nil {
				wantError(t, err, test.want)
			}
			if after, _ := os.ReadFile(file); !bytes.Equal(after, before) {
				t.Error("the file was changed")
			}
			left := slices.DeleteFunc(filesIn(t, dir, "."), func(f string) bool { return test.archive && f == keyFile })
			if len(left) != 1 {
				t.Errorf("left %q", left)
			}
		})
	}
}

// runSQL runs statements on a database through the driver alone.
func runSQL(t *testing.T, file string, statements ...string) {
	t.Helper()
	db, err := sql.Open("sqlite", file)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	db.SetMaxOpenConns(1)
	for _, s := range statements {
		if _, err := db.ExecContext(t.Context(), s); err != nil {
			t.Fatalf("%s: %v", s, err)
		}
	}
}

// A command may run while the server starts for the first time.
func TestOpenAtOnce(t *testing.T) {
	for range 5 {
		dir := t.TempDir()
		var opening sync.WaitGroup
		for i := range 8 {
			opening.Go(func() {
				a, err := Open(t.Context(), dir, testKey, time.Now)
				if err != nil {
					t.Error(err)
					return
				}
				if _, err := a.AddBell(t.Context(), fmt.Sprintf("bell-%d", i)); err != nil {
					t.Error(err)
				}
				if err := a.Close(); err != nil {
					t.Error(err)
				}
			})
		}
		opening.Wait()
		if bells, err := openArchive(t, dir, newClock()).Bells(t.Context()); err != nil || len(bells) != 8 {
			t.Errorf("%d bells, want 8; %v", len(bells), err)
		}
	}
}

// What the pragmas' numbers mean is said at sqlite.org/pragma.html.
func TestEveryConnectionIsCareful(t *testing.T) {
	a, _ := newArchive(t)
	var conns []*sql.Conn
	for _, pool := range []*sql.DB{a.write, a.read, a.read, a.read, a.read} {
		c, err := pool.Conn(t.Context()) // held, so that each is another
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		conns = append(conns, c)
	}
	for i, c := range conns {
		for pragma, want := range map[string]string{
			"foreign_keys":  "1",
			"journal_mode":  "wal",
			"synchronous":   "2", // FULL
			"secure_delete": "1",
			"temp_store":    "2", // MEMORY
			"busy_timeout":  "10000",
		} {
			var got string
			if err := c.QueryRowContext(t.Context(), `PRAGMA `+pragma).Scan(&got); err != nil || got != want {
				t.Errorf("connection %d: %s is %s, want %s; %v", i, pragma, got, want, err)
			}
		}
	}
}

func TestOnlyTheOwnerMayRead(t *testing.T) {
	defer syscall.Umask(syscall.Umask(0)) // nothing is taken from the modes that are asked for
	dir := filepath.Join(t.TempDir(), "data")
	a := openArchive(t, dir, newClock())
	must(t, a.Lock())
	if _, err := a.AddBell(t.Context(), "gate"); err != nil {
		t.Fatal(err)
	}
	keep(t, a, stillOf("r1", 0))
	seen := 0
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		info, err := d.Info()
		if err != nil {
			return err
		}
		want := fs.FileMode(0o600)
		if d.IsDir() {
			want = fs.ModeDir | 0o700
		}
		if info.Mode() != want {
			t.Errorf("%s has mode %v, want %v", path, info.Mode(), want)
		}
		seen++
		return nil
	})
	// data, stills, stills/XX, XX.still, incoming, server.lock, keys, archive.db, -wal, -shm
	if err != nil || seen != 10 {
		t.Errorf("saw %d files and folders, want 10; %v", seen, err)
	}
}
