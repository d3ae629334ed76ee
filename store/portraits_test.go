package store

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/store/seal"
)

// portrayed adds a reference with a picture, and returns its id.
func portrayed(t *testing.T, a *Archive, person string, quality float64, picture string) string {
	t.Helper()
	must(t, a.AddReference(t.Context(), house.Reference{Person: person, FaceWidth: 100, Quality: quality,
		Descriptor: house.Descriptor{float32(quality)}, SourceSHA256: [32]byte{byte(100 * quality)},
		Portrait: &house.Portrait{Origin: house.FromCamera, JPEG: []byte(picture)}}))
	all, err := a.Enrolments(t.Context(), person)
	must(t, err)
	for _, e := range all {
		if e.Quality == quality {
			return e.ID
		}
	}
	t.Fatal("no such reference")
	return ""
}

// TestPortraits keeps pictures of references, reads them and has them go, one by
// one and with their person's consent.
func TestPortraits(t *testing.T) {
	a, clock, ada, ben := newChecked(t)
	ctx := t.Context()
	for i, person := range []string{ada, ben} {
		recognise(t, a, person, i) // a reference each, without a picture
	}
	clock.Advance(time.Minute) // they are listed by when they were added
	poor := portrayed(t, a, ada, .4, "ada, poor")
	clock.Advance(time.Minute)
	best := portrayed(t, a, ada, .9, "ada, well")
	if all, err := a.Portraits(ctx); err != nil || len(all) != 1 || all[ada] != best {
		t.Errorf("pictures %v, %v; want %s", all, err, best)
	}
	all, err := a.Enrolments(ctx, ada)
	if err != nil || len(all) != 3 || all[0].Portrait != nil || all[1].Portrait.Origin != house.FromCamera {
		t.Errorf("references %+v, %v", all, err)
	}
	if got, err := a.Portrait(ctx, ada, poor); err != nil || string(got) != "ada, poor" {
		t.Errorf("%q, %v", got, err)
	}
	for _, none := range [][2]string{{ben, poor}, {ada, all[0].ID}, {ada, "NONE"}} {
		_, err := a.Portrait(ctx, none[0], none[1])
		wantError(t, err, house.ErrNotFound)
	}
	if r, err := a.Verify(ctx, false, nil); err != nil || len(r.Problems) > 0 {
		t.Errorf("%+v, %v", r.Problems, err)
	}

	revision, err := a.GalleryRevision(ctx)
	must(t, err)
	wantError(t, a.RemoveReference(ctx, ben, best), house.ErrNotFound) // it is another's
	must(t, a.RemoveReference(ctx, ada, best))
	wantError(t, a.RemoveReference(ctx, ada, best), house.ErrNotFound)
	if now, err := a.GalleryRevision(ctx); err != nil || now == revision {
		t.Errorf("the gallery's revision is %d as before, %v", now, err)
	}
	if all, err := a.Portraits(ctx); err != nil || all[ada] != poor {
		t.Errorf("pictures %v, %v; want %s", all, err, poor)
	}
	if trail, err := a.Trail(ctx, 0, 1); err != nil || trail[0].Action != "unenrolled" ||
		trail[0].Subject != "person "+ada {
		t.Errorf("the trail ends with %+v, %v", trail, err)
	}
	must(t, second(a.WithdrawConsent(ctx, ada)))
	var left int
	must(t, a.read.QueryRowContext(ctx, `SELECT count(*) FROM portraits`).Scan(&left))
	if left > 0 {
		t.Errorf("%d pictures are left without a consent", left)
	}
}

// TestPortraitsLeaveNothing looks into the folder itself: a picture is nowhere in
// clear, and once it was removed its sealed bytes open no more.
func TestPortraitsLeaveNothing(t *testing.T) {
	a, _, ada, _ := newChecked(t)
	recognise(t, a, ada, 0)
	picture := strings.Repeat("a face of some size ", 2000) // over several pages of the database
	id := portrayed(t, a, ada, .9, picture)
	var sealed []byte
	must(t, a.read.QueryRowContext(t.Context(), `SELECT picture FROM portraits`).Scan(&sealed))
	holds := func(what []byte) bool {
		t.Helper()
		must(t, second(a.write.ExecContext(t.Context(), `PRAGMA wal_checkpoint(FULL)`)))
		data, err := os.ReadFile(filepath.Join(a.dir, "archive.db"))
		must(t, err)
		log, err := os.ReadFile(filepath.Join(a.dir, "archive.db-wal"))
		must(t, err)
		return bytes.Contains(append(data, log...), what)
	}
	if some := sealed[len(sealed)/2:][:64]; holds([]byte(picture[:40])) || !holds(some) {
		t.Fatal("the picture is in clear, or this test can't see it")
	}
	must(t, a.RemoveReference(t.Context(), ada, id))
	_, err := a.keyOfValue(sealed)
	wantError(t, err, seal.ErrOpen)
}
