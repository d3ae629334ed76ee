package store

import (
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
)

// TestFigures compares with the files there are, and with df(1) of GNU
// coreutils.
func TestFigures(t *testing.T) {
	a, c := newArchive(t)
	if f, err := a.Usage(t.Context()); err != nil || f.Visits != 0 || f.Stills != 0 || f.Bytes == 0 {
		t.Errorf("an empty archive has %+v, %v", f, err)
	}
	for i := range 5 {
		kept, _, err := a.Keep(t.Context(), house.NewStill{Bell: "gate", Ring: fmt.Sprint(i / 2), Frame: i % 2,
			JPEG:  []byte(strings.Repeat("x", 1000*(i+1))),
			Width: 640, Height: 480, ReceivedAt: c.Now()})
		if err != nil {
			t.Fatal(err)
		}
		if i == 4 { // of this visit only findings are left
			v, err := a.Visit(t.Context(), kept)
			if err != nil {
				t.Fatal(err)
			}
			must(t, os.Remove(a.stillPath(v.Stills[0].File)))
			runSQL(t, filepath.Join(a.dir, "archive.db"), `UPDATE stills SET file = NULL, size = 0 WHERE visit = '`+kept+`'`)
		}
	}
	f, err := a.Usage(t.Context())
	if err != nil || f.Visits != 3 || f.Stills != 4 {
		t.Errorf("figures %+v, %v", f, err)
	}
	var files int64
	err = filepath.WalkDir(a.dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || !d.Type().IsRegular() {
			return err
		}
		info, err := d.Info()
		if err == nil {
			files += info.Size()
		}
		return err
	})
	if err != nil || f.Bytes != files {
		t.Errorf("%d bytes, the files have %d (%v)", f.Bytes, files, err)
	}

	out, err := exec.Command("df", "--block-size=1", "--output=size,avail", a.dir).Output()
	if err != nil {
		t.Skip("SKIPPED: no df: ", err)
	}
	var size, free int64
	if _, err := fmt.Sscan(strings.SplitN(string(out), "\n", 2)[1], &size, &free); err != nil {
		t.Fatal(err)
	}
	// Others write to the disk in between.
	if f.DiskSize != size || max(f.Free, free)-min(f.Free, free) > size/50 {
		t.Errorf("disk %d, free %d; df says %d and %d", f.DiskSize, f.Free, size, free)
	}
}

func TestLow(t *testing.T) {
	const gib = 1 << 30
	for _, test := range []struct {
		free, size int64
		want       bool
	}{
		{0, 0, true}, {gib - 1, gib, true}, {gib, 16 * gib, false}, {gib, 20 * gib, false}, {gib, 21 * gib, true},
		{50 * gib, 1000 * gib, false}, {50*gib - 1, 1000 * gib, true},
	} {
		if got := (Usage{Free: test.free, DiskSize: test.size}).Low(); got != test.want {
			t.Errorf("%d of %d free: low is %t", test.free, test.size, got)
		}
	}
}

func TestUnmasked(t *testing.T) {
	a, c := newArchive(t)
	if _, err := a.AddBell(t.Context(), "yard"); err != nil {
		t.Fatal(err)
	}
	for i := range 6 {
		bell := []string{"gate", "yard"}[i%2]
		if _, _, err := a.Keep(t.Context(), house.NewStill{Bell: bell, Ring: fmt.Sprint(i), JPEG: []byte{byte(i)},
			Width:  640,
			Height: 480, ReceivedAt: c.Now()}); err != nil {
			t.Fatal(err)
		}
	}
	triangle := []house.Polygon{{{X: 0, Y: 0}, {X: 0.5, Y: 0}, {X: 0, Y: 0.5}}}
	check := func(when string, want int) {
		t.Helper()
		if n, err := a.Unmasked(t.Context(), "gate"); err != nil || n != want {
			t.Errorf("%s: %d, %v; want %d", when, n, err, want)
		}
	}
	check("before masks", 0)
	must(t, a.SetMasks(t.Context(), "gate", triangle))
	check("with a mask", 3)
	same := func(jpeg []byte, masks []house.Polygon) ([]byte, error) { return jpeg, nil }
	if n, err := a.MaskEarlier(t.Context(), "gate", same); err != nil || n != 3 {
		t.Errorf("masked %d, %v", n, err)
	}
	check("masked", 0)
	must(t, a.SetMasks(t.Context(), "gate", nil))
	check("without masks again", 0)
}

func TestNames(t *testing.T) {
	a, _ := newArchive(t)
	r, err := a.AddResident(t.Context(), "Odile", "none")
	if err != nil {
		t.Fatal(err)
	}
	p, err := a.AddPerson(t.Context(), "Ilse Amberg")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := a.PairTablet(t.Context(), "Hall", r.ID); err != nil {
		t.Fatal(err)
	}
	must(t, a.RemoveBell(t.Context(), "gate"))
	names, err := a.Names(t.Context())
	if err != nil || len(names) != 4 || names["resident "+r.ID] != "Odile" || names["person "+p.ID] != "Ilse Amberg" ||
		names["bell "+a.bellID("gate")] != "gate" {
		t.Errorf("names %v, %v", names, err)
	}
}

// BenchmarkFigures counts in an archive of a million visits with a still each,
// more than any retention leaves. It makes them first, which takes a minute.
func BenchmarkFigures(b *testing.B) {
	a, err := Open(b.Context(), b.TempDir(), testKey, time.Now)
	if err != nil {
		b.Fatal(err)
	}
	defer a.Close()
	bells := []string{"gate", "yard", "cellar"}
	for _, bell := range bells {
		if _, err := a.AddBell(b.Context(), bell); err != nil {
			b.Fatal(err)
		}
	}
	crowd(b, a, 1_000_000)
	b.Run("figures", func(b *testing.B) {
		for b.Loop() {
			if f, err := a.Usage(b.Context()); err != nil || f.Stills != 1_000_000 {
				b.Fatal(f, err)
			}
		}
	})
	if err := a.SetMasks(b.Context(), "gate",
		[]house.Polygon{{{X: 0, Y: 0}, {X: 0.5, Y: 0}, {X: 0, Y: 0.5}}}); err != nil {
		b.Fatal(err)
	}
	b.Run("unmasked", func(b *testing.B) {
		for b.Loop() {
			if n, err := a.Unmasked(b.Context(), "gate"); err != nil || n < 300_000 {
				b.Fatal(n, err)
			}
		}
	})
}

// crowd fills an archive with visits, ten years of them in turn at each bell,
// one still each, by their rows alone: random bytes of the usual length stand
// for what is sealed.
func crowd(b *testing.B, a *Archive, visits int) {
	for _, statement := range []string{
		`INSERT INTO visits (id, bell, ring, received_at, revision, kind, counted_from)
			WITH RECURSIVE n (i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < ?1)
			SELECT hex(randomblob(13)), b.id, randomblob(60), 315576000000000 / ?1 * i, i, 'stranger',
				315576000000000 / ?1 * i
			FROM n JOIN (SELECT id, row_number() OVER (ORDER BY id) - 1 AS place FROM bells) b
				ON b.place = i % (SELECT count(*) FROM bells)`,
		`INSERT INTO stills (id, visit, frame, sent_mac, sha256, size, width, height, damaged,
				received_at, state, file)
			SELECT 'S' || id, id, 0, randomblob(32), randomblob(32),
				100000 + ?1 % 7, 1280, 1024, 0, received_at, 'done', 'S' || id
			FROM visits`,
	} {
		if _, err := a.write.ExecContext(b.Context(), statement, visits); err != nil {
			b.Fatal(err)
		}
	}
}
