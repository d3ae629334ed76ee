// Package storetest is what the tests of the archive and of its backups share:
// an archive with a clock that stands still, and stills for it.
//
//	archive, clock := storetest.New(t, store.Open)
//	visit := storetest.Keep(t, archive, storetest.StillOf("r1", 0))
//	clock.Advance(time.Hour)
//
// It does not import package store, whose own tests could not use it then.
package storetest

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	_ "modernc.org/sqlite"

	"lintel/internal/house"
	"lintel/store/seal"
)

// A Clock stands still until it is moved.
type Clock struct{ micros atomic.Int64 }

// NewClock returns a clock that shows the time at which [StillOf] was received.
func NewClock() *Clock {
	c := new(Clock)
	c.Set(began)
	return c
}

var began = time.Date(2031, 5, 4, 18, 30, 0, 0, time.UTC)

func (c *Clock) Now() time.Time                { return time.UnixMicro(c.micros.Load()).UTC() }
func (c *Clock) Ago(d time.Duration) time.Time { return c.Now().Add(-d) }
func (c *Clock) Advance(d time.Duration)       { c.micros.Add(d.Microseconds()) }
func (c *Clock) Set(t time.Time)               { c.micros.Store(t.UnixMicro()) }

// Key is a master key. Any will do.
var Key = seal.Key(bytes.Repeat([]byte{7}, seal.KeySize))

// An Archive is a *store.Archive.
type Archive interface {
	Dir() string
	AddBell(ctx context.Context, name string) (secret string, err error)
	Keep(ctx context.Context, n house.NewStill) (visit string, added bool, err error)
	Revision(ctx context.Context) (int64, error)
	Suspicions(ctx context.Context, large bool) (all []house.Suspicion, uncounted bool, err error)
	Close() error
}

// An opener is store.Open.
type opener[A Archive] func(ctx context.Context, dir string, key seal.Key, now func() time.Time) (A, error)

// New returns an open archive with the bell "gate", and its clock.
func New[A Archive](t *testing.T, open opener[A]) (A, *Clock) {
	t.Helper()
	c := NewClock()
	a := Open(t, t.TempDir(), c, open)
	if _, err := a.AddBell(t.Context(), "gate"); err != nil {
		t.Fatal(err)
	}
	return a, c
}

// Open opens an archive and, when the test ends, checks that it is sound.
func Open[A Archive](t *testing.T, dir string, c *Clock, open opener[A]) A {
	t.Helper()
	a, err := open(t.Context(), dir, Key, c.Now)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if _, err := a.Revision(context.Background()); err == nil { // not closed by the test
			CheckSound(t, a)
			a.Close()
		}
	})
	return a
}

// Database opens an archive's database through the driver alone, for as long as
// the test goes on.
func Database(t *testing.T, dir string) *sql.DB {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+filepath.Join(dir, "archive.db")+
		"?_pragma=busy_timeout(10000)&_pragma=foreign_keys(ON)")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { db.Close() })
	return db
}

// CheckSound checks an archive from outside: SQLite's own PRAGMA
// integrity_check and foreign_key_check (sqlite.org/pragma.html) say that the
// database is whole, and every file in stills/ has its row and the reverse. Every
// row that gives power is vouched for and counted: a write that goes another way
// than package store's, or a table that is not in its list, shows here.
func CheckSound(t *testing.T, a Archive) {
	t.Helper()
	ctx := context.Background() // also used when the test's own is over
	db, err := sql.Open("sqlite", "file:"+filepath.Join(a.Dir(), "archive.db")+"?_pragma=busy_timeout(10000)")
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	var verdict string
	if err := db.QueryRowContext(ctx, `PRAGMA integrity_check`).Scan(&verdict); err != nil || verdict != "ok" {
		t.Errorf("integrity_check: %q, %v", verdict, err)
	}
	var broken int
	if err := db.QueryRowContext(ctx, `SELECT count(*) FROM pragma_foreign_key_check`).Scan(&broken); err != nil ||
		broken > 0 {
		t.Errorf("foreign_key_check: %d rows, %v", broken, err)
	}
	if all, uncounted, err := a.Suspicions(ctx, true); err != nil || uncounted || len(all) > 0 {
		t.Errorf("rows that give power: %+v, uncounted %v, %v", all, uncounted, err)
	}
	rows, err := db.QueryContext(ctx, `SELECT file FROM stills WHERE file IS NOT NULL`)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	var want []string
	for rows.Next() {
		var file string
		err = errors.Join(err, rows.Scan(&file))
		want = append(want, "stills/"+file[:2]+"/"+file+".still")
	}
	if err := errors.Join(err, rows.Err()); err != nil {
		t.Fatal(err)
	}
	slices.Sort(want)
	got := slices.DeleteFunc(slices.Concat(FilesIn(t, a.Dir(), "incoming"), FilesIn(t, a.Dir(), "stills")),
		func(file string) bool { // small pictures lie beside a still, where they do
			of, small := strings.CutSuffix(file, ".small")
			return small && slices.Contains(want, of+".still")
		})
	if !slices.Equal(got, want) {
		t.Errorf("files %q, rows want %q", got, want)
	}
}

// FilesIn lists the files below a folder of dir, sorted.
func FilesIn(t *testing.T, dir, folder string) (files []string) {
	t.Helper()
	err := fs.WalkDir(os.DirFS(dir), folder, func(path string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			files = append(files, path)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return files
}

// Must ends the test if there is an error.
func Must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// WantError checks that an error is the one wanted, or none.
func WantError(t *testing.T, err, want error) {
	t.Helper()
	if !errors.Is(err, want) {
		t.Errorf("error %v, want %v", err, want)
	}
}
