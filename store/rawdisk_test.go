package store

import (
	"bytes"
	"database/sql"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"lintel/store/internal/keyfile"
	"lintel/store/seal"
)

// A disk for SearchDisk has what it is to find across the parts that are read at
// once, and else random bytes. It has the file of keys as it was before visits were
// erased, and the database as it was when it had wrapped keys in its rows.
func TestSearchDisk(t *testing.T) {
	a, _ := newArchive(t)
	ctx := t.Context()
	for i := range 8 {
		record(t, a, keep(t, a, stillOf(fmt.Sprintf("r%d", i), 0)), faceOf(float32(i+1), nil))
	}
	visits, err := a.LatestVisits(ctx, 8)
	must(t, err)
	keys, err := os.ReadFile(filepath.Join(a.dir, keyFile))
	must(t, err)
	var places []int64 // in the file, of what is erased
	for _, v := range visits[:5] {
		rows, err := a.read.QueryContext(ctx, `SELECT slot FROM stills WHERE visit = ?1 UNION ALL
			SELECT slot FROM faces WHERE still IN (SELECT id FROM stills WHERE visit = ?1) UNION ALL
			SELECT slot FROM visits WHERE id = ?1`, v.ID)
		slots, err := scanAll(rows, err, func(n *keyfile.Number) error { return rows.Scan(n) })
		must(t, err)
		for _, n := range slots {
			places = append(places, 64*n.Position())
		}
		must(t, a.EraseVisit(ctx, v.ID))
	}
	rnd := rand.NewChaCha8([32]byte{5}) // any seed will do
	disk := make([]byte, 3*diskPart)
	rnd.Read(disk)
	if r, err := a.SearchDisk(ctx, bytes.NewReader(disk)); err != nil || len(r.Found) > 0 || r.Bytes != int64(len(disk)) ||
		r.Erased != 15 {
		t.Errorf("on a disk that has none: %+v, %v", r, err)
	}
	var want []int64
	for _, at := range []int{0, diskPart - 2*64, 2*diskPart + 512, len(disk) - 32*64} {
		for slot := range 32 {
			copy(disk[at+slot*64:], keys[slot*64:][:64])
		}
		for _, place := range places {
			want = append(want, int64(at)+place)
		}
	}
	r, err := a.SearchDisk(ctx, &slowReader{bytes.NewReader(disk)})
	var got []int64
	for _, x := range r.Found {
		got = append(got, x.At)
	}
	slices.Sort(want)
	if err != nil || !slices.Equal(got, want) || len(want) != 60 {
		t.Errorf("found at %v, want %v; %v", got, want, err)
	}
	now, err := os.ReadFile(filepath.Join(a.dir, keyFile))
	must(t, err)
	if r, err := a.SearchDisk(ctx, bytes.NewReader(now)); err != nil || len(r.Found) > 0 {
		t.Errorf("in the file as it is: %+v, %v", r, err)
	}
}

// A key that a row had before there were slots is found by its visit's id beside,
// wherever the page is, once that visit is erased.
//
// Outside: the row is written by SQLite.
func TestSearchDiskForRows(t *testing.T) {
	a, _ := newArchive(t)
	ctx := t.Context()
	erased, stays := keep(t, a, stillOf("r1", 0)), keep(t, a, stillOf("r2", 0))
	must(t, a.EraseVisit(ctx, erased))
	file := filepath.Join(t.TempDir(), "before.db")
	script, err := migrations.ReadFile("migrations/0001_first.sql")
	must(t, err)
	runSQL(t, file, string(script))
	db, err := sql.Open("sqlite", file)
	must(t, err)
	defer db.Close()
	for frame, visit := range []string{erased, stays, erased} {
		must(t, second(db.Exec(`INSERT INTO stills (id, visit, frame, wrapped_key, sent_mac, sha256, size, width, height,
			damaged, received_at) VALUES (?, ?, ?, ?, x'01', x'02', 1, 1, 1, 0, 1)`, newID(), visit, frame,
			a.seals.Wrap(seal.NewKey(), stillPlace(visit, frame)...))))
	}
	must(t, db.Close())
	page, err := os.ReadFile(file)
	must(t, err)
	for _, before := range []int{0, 1, diskPart - len(page) + 7, diskPart - 3, 2*diskPart + 12_345} {
		r, err := a.SearchDisk(ctx, bytes.NewReader(append(make([]byte, before), page...)))
		if err != nil || len(r.Found) != 2 || r.Found[0].Of != erased || r.Found[0].What != "row" {
			t.Errorf("after %d bytes: %+v, %v; want two keys of %s", before, r, err, erased)
		}
	}
}

// A slowReader returns less than it is asked for, as a disk may.
type slowReader struct{ io.Reader }

func (s *slowReader) Read(p []byte) (int, error) { return s.Reader.Read(p[:min(len(p), 100_000)]) }
