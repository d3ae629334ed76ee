package backup

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"image"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"filippo.io/age"

	"lintel/internal/house"
	"lintel/store"
	"lintel/store/internal/storetest"
	"lintel/store/seal"
)

// What these tests and those of the archive share.
type clock = storetest.Clock

var (
	newClock  = storetest.NewClock
	testKey   = storetest.Key
	filesIn   = storetest.FilesIn
	wantError = storetest.WantError
	stillOf   = storetest.StillOf
	keep      = storetest.Keep
	must      = storetest.Must
	database  = storetest.Database
)

func newArchive(t *testing.T) (*store.Archive, *clock) {
	t.Helper()
	a, c := storetest.New(t, store.Open)
	t.Cleanup(func() { checkVerified(t, a) })
	return a, c
}

// openArchive opens an archive and, when the test ends, lets it be verified, by
// SQLite's own means too.
func openArchive(t *testing.T, dir string, c *clock) *store.Archive {
	t.Helper()
	a := storetest.Open(t, dir, c, store.Open)
	t.Cleanup(func() { checkVerified(t, a) })
	return a
}

// checkVerified lets the archive be verified, unless the test has closed it.
func checkVerified(t *testing.T, a *store.Archive) {
	t.Helper()
	ctx := context.Background() // also used when the test's own is over
	if _, err := a.Revision(ctx); err != nil {
		return
	}
	r, err := a.Verify(ctx, false, nil)
	if err != nil {
		t.Error(err)
	}
	for _, p := range r.Problems {
		t.Errorf("verify: %+v", p)
	}
}

// stillPath is where an archive keeps a still's file.
func stillPath(a *store.Archive, file string) string {
	return filepath.Join(a.Dir(), stillIn(file, stillSuffix))
}

// furnished returns an archive with something in every kind of table, and its
// clock: six stills of three visits, one of which names a person.
func furnished(t *testing.T) (a *store.Archive, c *clock, visits []string) {
	t.Helper()
	a, c = newArchive(t)
	ctx := t.Context()
	p, err := a.AddPerson(ctx, "Tamsin Quill")
	if err == nil {
		err = a.RecordConsent(ctx, p.ID, house.Consent{GivenBy: "Tamsin Quill", GivenAt: c.Now(), Scope: "the door"})
	}
	if err != nil {
		t.Fatal(err)
	}
	for i := range 3 {
		for frame := range 2 {
			n := stillOf(fmt.Sprintf("r%d", i), frame)
			n.ReceivedAt = c.Now()
			visit := keep(t, a, n)
			if frame == 0 {
				visits = append(visits, visit)
			}
		}
		c.Advance(time.Minute)
	}
	v, err := a.Visit(ctx, visits[0])
	if err == nil {
		err = a.Record(ctx, v.Stills[0].ID, house.Done, []house.Face{{
			Box: image.Rect(100, 50, 180, 130), Match: &house.Match{Person: p.ID, Distance: 0.25, FPIR: 1e-5, Band: "strong"},
		}})
	}
	if err == nil {
		err = a.PlaceHold(ctx, visits[0], "a parcel went missing", c.Now().Add(time.Hour))
	}
	if err == nil {
		_, err = a.Household(ctx)
	}
	if err == nil {
		err = os.WriteFile(filepath.Join(a.Dir(), saltFile), bytes.Repeat([]byte{3}, seal.SaltSize), 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
	return a, c, visits
}

func mustBackup(t *testing.T, a *store.Archive, dir string, o Options) Report {
	t.Helper()
	if o.Keep == 0 {
		o.Keep = 3 // the clock of most tests stands in one day
	}
	r, err := Write(t.Context(), a, dir, o)
	if err != nil {
		t.Fatal(err)
	}
	if left := append(entries(t, dir), entries(t, a.Dir())...); exists(filepath.Join(dir, incomingDir)) ||
		slices.Contains(left, copyingDir) {
		t.Errorf("the folders still have %q", left)
	}
	return r
}

// entries lists the names in a folder; none where there is none.
func entries(t *testing.T, dir string) (names []string) {
	t.Helper()
	all, err := os.ReadDir(dir)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		t.Fatal(err)
	}
	for _, e := range all {
		names = append(names, e.Name())
	}
	return names
}

// contents reads all files below a folder.
func contents(t *testing.T, dir string) map[string]string {
	t.Helper()
	all := make(map[string]string)
	for _, file := range filesIn(t, dir, ".") {
		b, err := os.ReadFile(filepath.Join(dir, file))
		if err != nil {
			t.Fatal(err)
		}
		all[file] = string(b)
	}
	return all
}

func identity(t *testing.T) *age.X25519Identity {
	t.Helper()
	i, err := age.GenerateX25519Identity()
	if err != nil {
		t.Fatal(err)
	}
	return i
}

// stillCopy is where the copy of a still is.
func stillCopy(t *testing.T, a *store.Archive, dir, visit string, frame int) string {
	t.Helper()
	v, err := a.Visit(t.Context(), visit)
	if err != nil {
		t.Fatal(err)
	}
	file := v.Stills[frame].File
	found, err := filepath.Glob(filepath.Join(dir, stillsDir, file[:2], file+".*"))
	if err != nil || len(found) != 1 {
		t.Fatalf("copies %q, %v", found, err)
	}
	return found[0]
}

// newest is the path of a file of the newest snapshot.
func newest(t *testing.T, dir, name string) string {
	t.Helper()
	all := entries(t, filepath.Join(dir, snapshotsDir))
	found, err := filepath.Glob(filepath.Join(dir, snapshotsDir, all[len(all)-1], name+"*"))
	if err != nil || len(found) != 1 {
		t.Fatalf("found %q, %v", found, err)
	}
	return found[0]
}

// databasePieces lists the files of the newest snapshot's database in their order, and the
// spare ones, read from the list as whoever has sha256sum(1) alone would.
func databasePieces(t *testing.T, dir string) (pieces, spares []string) {
	t.Helper()
	data, err := os.ReadFile(newest(t, dir, sumsFile))
	must(t, err)
	spare := false
	for line := range strings.Lines(string(data)) {
		_, name, _ := strings.Cut(strings.TrimSpace(line), "  ")
		if strings.HasPrefix(name, piecesDir+"/") && spare {
			spares = append(spares, filepath.Join(dir, name))
		} else if strings.HasPrefix(name, piecesDir+"/") {
			pieces = append(pieces, filepath.Join(dir, name))
		}
		spare = strings.HasPrefix(line, spareMark)
	}
	if len(pieces) == 0 || len(spares) == 0 {
		t.Fatalf("pieces %q, spare ones %q", pieces, spares)
	}
	return pieces, spares
}

// databaseIn puts the newest snapshot's database together without any code of a restore.
func databaseIn(t *testing.T, dir string, me *age.X25519Identity) (database []byte) {
	t.Helper()
	pieces, _ := databasePieces(t, dir)
	for _, piece := range pieces {
		database = append(database, plain(t, piece, me)...)
	}
	return database
}

// flip changes a bit in the middle of a file.
func flip(path string) error {
	data, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	data[len(data)/2] ^= 1
	return os.WriteFile(path, data, 0o600)
}

// removeByRule lets a visit go as a sweep does, which is no erasure: it makes
// the visit old, and takes it from the count of its day, which is the server's.
func removeByRule(t *testing.T, a *store.Archive, visit string) error {
	t.Helper()
	v, err := a.Visit(t.Context(), visit)
	if err != nil {
		return err
	}
	year, month, day := v.ReceivedAt.Local().Date()
	_, err = database(t, a.Dir()).ExecContext(t.Context(), `
		UPDATE days SET visits = visits - 1 WHERE person = '' AND day = ?2
			AND (bell, kind, picture) = (SELECT bell, kind, picture FROM visits WHERE id = ?1);
		DELETE FROM days WHERE visits = 0;
		UPDATE visits SET received_at = 0, counted_from = 0 WHERE id = ?1`,
		visit, time.Date(year, month, day, 0, 0, 0, 0, time.UTC).Unix()/86400)
	if err != nil {
		return err
	}
	_, err = a.Sweep(t.Context(), func([]byte) ([]byte, int, int, error) {
		return nil, 0, 0,
			errors.New("nothing is to get smaller")
	})
	if _, there := a.Visit(t.Context(), visit); !errors.Is(there, house.ErrNotFound) {
		t.Errorf("visit %s is still there: %v", visit, there)
	}
	return err
}

// sha256sum is what that command of the GNU coreutils says of a file.
func sha256sum(t *testing.T, path string) string {
	t.Helper()
	said, err := exec.Command("sha256sum", path).Output()
	must(t, err)
	sum, _, _ := strings.Cut(string(said), " ")
	return sum
}

// sha256sum(1) of the GNU coreutils checks every file a snapshot names.
func checkSums(t *testing.T, dir, snapshot string) {
	t.Helper()
	tool, err := exec.LookPath("sha256sum")
	if err != nil {
		t.Log("SKIPPED: SHA256SUMS was not checked by sha256sum(1), which is not here")
		return
	}
	cmd := exec.Command(tool, "--check", "--strict", "--quiet", filepath.Join(snapshotsDir, snapshot, sumsFile))
	cmd.Dir = dir
	if said, err := cmd.CombinedOutput(); err != nil {
		t.Errorf("sha256sum: %v\n%s", err, said)
	}
}

func keyOf(key seal.Key) func(string) (seal.Key, error) {
	return func(string) (seal.Key, error) { return key, nil }
}

// dump returns every row of every table, through the driver alone.
func dump(t *testing.T, dir string) string {
	t.Helper()
	db := database(t, dir)
	tables := rowsOf(t, db, `SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name`)
	if len(tables) < 15 {
		t.Fatalf("tables %q", tables)
	}
	var all strings.Builder
	for _, table := range tables {
		name := table[0].(string)
		var lines []string
		for _, row := range rowsOf(t, db, `SELECT * FROM `+name) {
			lines = append(lines, fmt.Sprintf("%s %x\n", name, row))
		}
		slices.Sort(lines)
		all.WriteString(strings.Join(lines, ""))
	}
	return all.String()
}

func rowsOf(t *testing.T, db *sql.DB, query string, args ...any) (all [][]any) {
	t.Helper()
	rows, err := db.QueryContext(t.Context(), query, args...)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	columns, err := rows.Columns()
	for err == nil && rows.Next() {
		values, into := make([]any, len(columns)), make([]any, len(columns))
		for i := range values {
			into[i] = &values[i]
		}
		err = rows.Scan(into...)
		all = append(all, values)
	}
	must(t, errors.Join(err, rows.Err()))
	return all
}
