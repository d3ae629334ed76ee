package review

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/cluster"
	"lintel/pipeline/match"
)

// seenAgain lists the visits of each stranger, newest first.
func (h *household) seenAgain() (visits [][]string) {
	h.t.Helper()
	page, err := h.SeenAgain(h.ctx(), "", 100)
	h.must(err)
	if match.FMR(page.Distance) > cluster.FMR || page.Waiting.Any || page.Next != "" {
		h.t.Errorf("FMR %g at distance %g, %+v waits, next %q", match.FMR(page.Distance), page.Distance, page.Waiting,
			page.Next)
	}
	for _, s := range page.Strangers {
		var ids []string
		for _, v := range s.Visits {
			ids = append(ids, v.ID)
		}
		visits = append(visits, ids)
	}
	return visits
}

// TestSeenAgain has strangers ring over days, and lets some of that go.
func TestSeenAgain(t *testing.T) {
	h := newHouse(t)
	if got := h.seenAgain(); len(got) != 0 {
		t.Errorf("at first %v", got)
	}
	old, _ := h.sees(like(0, 90))
	h.now = h.now.Add(3 * 24 * time.Hour)
	first, frames := h.sees(like(9, 90), like(9.01, 120))
	newest := []string{}
	for i := range 2 { // at the same moment
		visit, _ := h.sees(like(9.1+float32(i)/10, 100))
		h.now = h.now.Add(-time.Minute)
		newest = append(newest, visit)
	}
	slices.Sort(newest)
	h.now = h.now.Add(4 * 24 * time.Hour)
	again, face := h.sees(like(0.3, 60))
	once := h.seen(like(20, 90))
	h.sees(like(0, 20)) // too narrow
	h.sees(house.Face{Box: like(0, 90).Box})
	h.sees(house.Face{Box: like(0, 90).Box}) // no descriptor, as the one before

	want := [][]string{{again, old}, append(newest, first)}
	got := h.seenAgain()
	if len(got) == 2 && len(got[1]) == 3 {
		slices.Sort(got[1][:2]) // they come by the ids of faces
	}
	if fmt.Sprint(got) != fmt.Sprint(want) {
		t.Fatalf("strangers %v, want %v", got, want)
	}
	s, err := h.Stranger(t.Context(), frames[0])
	if err != nil || !s.First.Before(s.Last) || s.Best().ID != frames[1] {
		t.Errorf("from %v to %v, the best is %s, %v", s.First, s.Last, s.Best().ID, err)
	}
	if faces := s.Visits[2].Faces; len(faces) != 2 || faces[0].ID != frames[1] {
		t.Errorf("faces of the visit of two frames: %+v, want the best first", faces)
	}
	if s, err := h.Stranger(t.Context(), once); err != nil || len(s.Visits) != 1 || s.SeenStranger.Visits != 1 {
		t.Errorf("who rang once: %+v, %v", s, err)
	}

	// What is erased is in no group, at once.
	h.must(h.archive.EraseVisit(t.Context(), old))
	if got := h.seenAgain(); len(got) != 1 || len(got[0]) != 3 {
		t.Errorf("after erasure: %v", got)
	}
	h.must(h.archive.EraseVisit(t.Context(), newest[0]))
	if got := h.seenAgain(); fmt.Sprint(got) != fmt.Sprint([][]string{{newest[1], first}}) {
		t.Errorf("after another: %v", got)
	}
	h.must(h.archive.EraseVisit(t.Context(), again))
	if _, err := h.Stranger(t.Context(), face[0]); !errors.Is(err, house.ErrNotFound) {
		t.Errorf("a face that was erased: %v", err)
	}
}

// TestStrangersGo lets the stills go of who rang long ago, and with them who was
// like whom.
func TestStrangersGo(t *testing.T) {
	h := newHouse(t)
	old, _ := h.sees(like(0, 90))
	h.now = h.now.Add(8 * 24 * time.Hour)
	h.sees(like(0.3, 60))
	if got := h.seenAgain(); len(got) != 1 {
		t.Fatalf("strangers %v", got)
	}
	rules := house.DefaultRules()
	rule := rules.Keep[house.Stranger]
	rule.Smaller, rule.Stills, rule.Findings = house.Period{}, house.Period{Days: 4}, house.Period{Days: 60}
	rules.Keep[house.Stranger] = rule
	h.must(h.archive.SetRules(t.Context(), rules))
	_, err := h.archive.Sweep(t.Context(), nil)
	h.must(err)
	if v := h.visit(old); v.Stage != house.OnlyFindings {
		t.Fatalf("the old visit is at stage %v", v.Stage)
	}
	if got := h.seenAgain(); len(got) != 0 {
		t.Errorf("after stills were let go: %v", got)
	}
}

// TestAnsweredStrangers leaves out what somebody said of a face, as long as it is said.
func TestAnsweredStrangers(t *testing.T) {
	h := newHouse(t)
	ada := h.enrolled("Ada", 40)
	var visits, faces []string
	for i := range 5 {
		visit, ids := h.sees(like(float32(i)/100, 90))
		visits, faces = append(visits, visit), append(faces, ids[0])
	}
	slices.Reverse(visits)
	want := func(some ...string) {
		t.Helper()
		if got := h.seenAgain(); len(got) != 1 || !slices.Equal(got[0], some) {
			t.Errorf("seen again %v, want %v", got, some)
		}
	}
	want(visits...)
	_, err := h.Answer(h.ctx(), faces[1], Given{Answer: house.AnswerNotFace})
	h.must(err)
	_, err = h.This(h.ctx(), faces[3], ada.ID, false)
	h.must(err)
	_, err = h.This(h.ctx(), faces[2], "", false)
	h.must(err)
	want(visits[0], visits[2], visits[4])
	h.must(h.archive.TakeBack(h.ctx(), faces[1]))
	h.must(h.archive.TakeBack(h.ctx(), faces[3]))
	want(visits...)
	_, err = h.archive.Rename(h.ctx(), []house.Renaming{{Face: faces[4],
		Becomes: &house.Match{Person: ada.ID, Distance: 0.3, FPIR: 1e-4, Band: "strong"}}})
	h.must(err)
	want(visits[1:]...)
}

// TestKeepStrangers has faces compared though nobody asks, and what goes let go.
func TestKeepStrangers(t *testing.T) {
	h := newHouse(t)
	old, _ := h.sees(like(0, 90))
	h.sees(like(0.1, 90))
	within, err := h.within(h.ctx())
	h.must(err)
	ctx, stop := context.WithCancel(h.ctx())
	ticks, ended := make(chan time.Time), make(chan struct{})
	go func() {
		defer close(ended)
		h.KeepStrangers(ctx, ticks, slog.New(slog.DiscardHandler))
	}()
	all := func(faces int) {
		t.Helper()
		ticks <- h.now // taken when all before was compared,
		ticks <- h.now // and this when that was
		if n, waiting, err := h.archive.CountStrangers(h.ctx(), within); err != nil || n != faces || waiting > 0 {
			t.Errorf("%d of %d faces wait, %v, want none of %d", waiting, n, err, faces)
		}
		if gone, _, err := h.archive.StrangersGone(h.ctx(), 0, 10); err != nil || len(gone) > 0 {
			t.Errorf("%v were not let go, %v", gone, err)
		}
	}
	all(2)
	h.sees(like(0.2, 90))
	all(3)
	h.must(h.archive.EraseVisit(h.ctx(), old))
	all(2)
	stop()
	<-ended
}

// TestPagesOfStrangers turns the pages.
func TestPagesOfStrangers(t *testing.T) {
	h := newHouse(t)
	var want []string
	for i := range 5 {
		h.sees(like(float32(3*i), 90))
		visit, _ := h.sees(like(float32(3*i)+0.1, 90))
		want = append(want, visit)
	}
	slices.Reverse(want)
	var got []string
	for cursor, pages := "", 0; pages == 0 || cursor != ""; pages++ {
		page, err := h.SeenAgain(h.ctx(), cursor, 2)
		h.must(err)
		for _, s := range page.Strangers {
			got = append(got, s.Visits[0].ID)
		}
		if cursor = page.Next; pages > 3 {
			t.Fatal("no end of pages")
		}
	}
	if !slices.Equal(got, want) {
		t.Errorf("pages show %v, want %v", got, want)
	}
	for _, bad := range []string{"x", "1", "1-x", "-"} {
		if _, err := h.SeenAgain(h.ctx(), bad, 2); !errors.Is(err, ErrBadCursor) {
			t.Errorf("cursor %q: %v", bad, err)
		}
	}
}

// TestQualityPicksReferences has the best face first, and says what is wrong.
func TestQualityPicksReferences(t *testing.T) {
	good := house.Quality{
		FaceWidth: 160, EyeDistance: 70, PixelsPerMetre: 900, Sharpness: 0.2, Luma: 120, Contrast: 0.2,
	}
	blurred, small, narrow := good, good, good
	blurred.Sharpness, small.FaceWidth, narrow.FaceWidth = 0.01, 60, 31
	of := func(q *house.Quality, width int) house.Sighting {
		f := like(0, width)
		f.Quality = q
		return house.Sighting{ID: fmt.Sprint(width), Visit: "V", Face: f}
	}
	for _, test := range []struct {
		face  house.Sighting
		fault string
	}{
		{of(nil, 80), ""}, {of(nil, 79), "small"}, {of(&good, 40), ""}, // made smaller since
		{of(&blurred, 160), "blurred"}, {of(&small, 60), "small"}, {of(&house.Quality{FaceWidth: 160}, 160), "no-eyes"},
	} {
		got := Fault(test.face.Face)
		if (got == nil) != (test.fault == "") || got != nil && !strings.Contains(got.Code, test.fault) {
			t.Errorf("%+v: %+v, want %q", test.face.Face.Quality, got, test.fault)
		}
	}
	faces := []house.Sighting{
		of(nil, 300), of(&blurred, 160), of(&narrow, 500), of(&good, 150), of(&small, 60), of(nil, 31),
	}
	h := newHouse(t)
	var found []house.Face
	for _, f := range faces {
		found = append(found, f.Face)
	}
	_, ids := h.sees(found...)
	group, err := h.Stranger(t.Context(), ids[0])
	if err != nil || len(group.Visits) != 1 {
		t.Fatalf("the group is %+v, %v", group, err)
	}
	var order []string
	for _, f := range group.Visits[0].Faces {
		order = append(order, fmt.Sprint(f.Face.Width()))
	}
	if got := strings.Join(order, " "); got != "150 60 160 300" { // too narrow ones are in no group
		t.Errorf("the faces come as %s", got)
	}
	if _, err := h.Stranger(t.Context(), ids[2]); !errors.Is(err, house.ErrNotFound) {
		t.Errorf("a face too narrow: %v", err)
	}
	if best := group.Best(); best.ID != ids[3] {
		t.Errorf("the best is %s", best.ID)
	}
}
