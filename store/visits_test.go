package store

import (
	"fmt"
	"image"
	"reflect"
	"slices"
	"testing"
	"time"

	"lintel/internal/house"
)

// wantSignal wants whoever watches to be told, or not.
func wantSignal(t *testing.T, changed <-chan struct{}, want bool) {
	t.Helper()
	got := false
	select {
	case <-changed:
		got = true
	default:
	}
	if got != want {
		t.Errorf("signalled %v, want %v", got, want)
	}
}

// wantSince wants the visits of these rings to have changed since a revision.
func wantSince(t *testing.T, a *Archive, revision int64, limit int, want ...string) {
	t.Helper()
	vs, err := a.VisitsSince(t.Context(), revision, limit)
	var got []string
	for _, v := range vs {
		if v.Revision <= revision {
			t.Errorf("visit %s has revision %d, asked for after %d", v.Ring, v.Revision, revision)
		}
		got, revision = append(got, v.Ring), v.Revision
	}
	if err != nil || !slices.Equal(got, want) {
		t.Errorf("%q, want %q; %v", got, want, err)
	}
	if now, err := a.Revision(t.Context()); err != nil || now < revision {
		t.Errorf("revision %d, a visit has %d; %v", now, revision, err)
	}
}

func TestVisitsSince(t *testing.T) {
	a, c := newArchive(t)
	changed, stop := a.Watch()
	signalled := func(want bool) { t.Helper(); wantSignal(t, changed, want) }
	since := func(revision int64, limit int, want ...string) { t.Helper(); wantSince(t, a, revision, limit, want...) }
	signalled(false)
	since(0, 9)
	rings := []string{"r1", "r2", "r3"}
	for _, ring := range rings {
		n := stillOf(ring, 0)
		n.ReceivedAt = c.Now()
		keep(t, a, n)
		c.Advance(time.Second)
	}
	signalled(true)
	signalled(false) // three changes, one signal
	since(0, 9, "r1", "r2", "r3")
	since(0, 2, "r1", "r2")
	seen, err := a.Revision(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	since(seen, 9)

	if _, _, err := a.Keep(t.Context(), stillOf("r1", 0)); err != nil { // a repeat is no change
		t.Fatal(err)
	}
	signalled(false)
	since(seen, 9)

	keep(t, a, stillOf("r1", 1))
	signalled(true)
	since(seen, 9, "r1")
	since(0, 9, "r2", "r3", "r1")

	latest, err := a.LatestVisits(t.Context(), 2)
	if err != nil || len(latest) != 2 || latest[0].Ring != "r3" || latest[1].Ring != "r2" {
		t.Errorf("latest %v, %v", latest, err)
	}
	must(t, a.Record(t.Context(), latest[1].Stills[0].ID, house.Done, nil))
	signalled(true)
	since(seen, 9, "r1", "r2")

	stop()
	keep(t, a, stillOf("r4", 0))
	signalled(false)

	_, err = a.Visit(t.Context(), "nothing")
	wantError(t, err, house.ErrNotFound)
}

func TestPendingStills(t *testing.T) {
	a, c := newArchive(t)
	var ids []string
	for i := range 4 {
		n := stillOf(fmt.Sprintf("r%d", i), 0)
		n.ReceivedAt = c.Ago(time.Duration(i) * time.Minute) // the last kept is the oldest
		v, err := a.Visit(t.Context(), keep(t, a, n))
		if err != nil {
			t.Fatal(err)
		}
		if !v.Pending() {
			t.Error("a new visit is not pending")
		}
		ids = append(ids, v.Stills[0].ID)
	}
	pending := func(limit int, want ...string) []house.Still {
		t.Helper()
		stills, err := a.PendingStills(t.Context(), limit)
		var got []string
		for _, s := range stills {
			got = append(got, s.ID)
		}
		if err != nil || !slices.Equal(got, want) {
			t.Errorf("pending %q, want %q; %v", got, want, err)
		}
		return stills
	}
	pending(9, ids[3], ids[2], ids[1], ids[0])
	pending(2, ids[3], ids[2])
	for _, done := range []struct {
		id    string
		state house.StillState
	}{{ids[3], house.Done}, {ids[1], house.Failed}} {
		must(t, a.Record(t.Context(), done.id, done.state, nil))
	}
	for range 2 {
		must(t, a.BeginExamination(t.Context(), ids[0]))
	}
	left := pending(9, ids[2], ids[0])
	if left[0].Attempts != 0 || left[1].Attempts != 2 {
		t.Errorf("attempts %d and %d, want 0 and 2", left[0].Attempts, left[1].Attempts)
	}
	if err := a.Record(t.Context(), ids[0], "undecided", nil); err == nil {
		t.Error("a state of no meaning was recorded")
	}
	pending(9, ids[2], ids[0])
}

// A bell with many stills that wait has its turn as often as another with few.
func TestPendingStillsInTurn(t *testing.T) {
	a, c := newArchive(t)
	if _, err := a.AddBell(t.Context(), "shed"); err != nil {
		t.Fatal(err)
	}
	wide := 0
	add := func(bell string, ago int) {
		n := stillOf(fmt.Sprintf("%s%d", bell, ago), 0)
		wide++
		n.Bell, n.ReceivedAt, n.Width = bell, c.Ago(time.Duration(ago)*30*time.Second), wide
		keep(t, a, n)
	}
	for ago := range 5 {
		add("gate", 9-ago) // 1 to 5 pixels wide
	}
	add("shed", 2) // 6
	add("shed", 1) // 7
	stills, err := a.PendingStills(t.Context(), 6)
	var got []int
	for _, s := range stills {
		got = append(got, s.Width)
	}
	if want := []int{1, 6, 2, 7, 3, 4}; err != nil || !slices.Equal(got, want) {
		t.Errorf("in the order %v, want %v; %v", got, want, err)
	}
}

func TestRecord(t *testing.T) {
	a, _ := newArchive(t)
	ctx := t.Context()
	visit := keep(t, a, stillOf("r1", 0))
	ada, err := a.AddPerson(ctx, "Tamsin Quill")
	if err != nil {
		t.Fatal(err)
	}
	gone, err := a.AddPerson(ctx, "Odo Fenwright")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := a.ErasePerson(ctx, gone.ID, false); err != nil {
		t.Fatal(err)
	}
	still := func() house.Still {
		t.Helper()
		v, err := a.Visit(ctx, visit)
		if err != nil {
			t.Fatal(err)
		}
		return v.Stills[0]
	}
	id := still().ID

	match := func(person string) *house.Match {
		return &house.Match{Person: person, Distance: 0.31, FPIR: 2.5e-5, Band: "strong"}
	}
	stranger, known, erased := faceOf(0.1, nil), faceOf(0.2, match(ada.ID)), faceOf(0.3, match(gone.ID))
	stranger.Box, erased.Box = stranger.Box.Add(image.Pt(200, 0)), erased.Box.Sub(image.Pt(100, 0))
	must(t, a.Record(ctx, id, house.Done, []house.Face{stranger, known, erased}))
	got := still()
	for i := range got.Faces {
		got.Faces[i].ID, got.Faces[i].Still = "", ""
	}
	known.Match.Name, erased.Match = "Tamsin Quill", nil // somebody erased meanwhile is a stranger
	if want := []house.Face{erased, known, stranger}; !reflect.DeepEqual(got.Faces, want) || got.State != house.Done {
		t.Errorf("state %s, faces %+v, want %+v", got.State, got.Faces, want)
	}
	if got.Faces[0].Width() != 80 {
		t.Errorf("a face %d pixels wide, want 80", got.Faces[0].Width())
	}

	must(t, a.Record(ctx, id, house.Done, []house.Face{stranger}))
	if got := still(); len(got.Faces) != 1 {
		t.Errorf("recorded anew: %d faces, want 1", len(got.Faces))
	}
	bad := faceOf(0.4, match(ada.ID))
	bad.Match.Band = "certain"
	if err := a.Record(ctx, id, house.Done, []house.Face{known, bad}); err == nil {
		t.Error("a band of no meaning was recorded")
	}
	if got := still(); len(got.Faces) != 1 || got.Faces[0].Match != nil {
		t.Errorf("half of a refused record was kept: %+v", got.Faces)
	}
	if err := a.Record(ctx, newID(), house.Done, []house.Face{known}); err != nil {
		t.Errorf("a still erased meanwhile: %v", err)
	}
}
