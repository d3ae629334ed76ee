package review

import (
	"errors"
	"fmt"
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
	all, distance, err := h.SeenAgain(h.ctx())
	h.must(err)
	if match.FMR(distance) > cluster.FMR*(1+1e-9) { // rounded
		h.t.Errorf("FMR %g at distance %g", match.FMR(distance), distance)
	}
	for _, s := range all {
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
	if err != nil || !s.First().Before(s.Last()) || s.Best().ID != frames[1] {
		t.Errorf("from %v to %v, the best is %s, %v", s.First(), s.Last(), s.Best().ID, err)
	}
	if faces := s.Visits[2].Faces; len(faces) != 2 || faces[0].ID != frames[1] {
		t.Errorf("faces of the visit of two frames: %+v, want the best first", faces)
	}
	if s, err := h.Stranger(t.Context(), once); err != nil || len(s.Visits) != 1 {
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

// TestAnsweredStrangers leaves out what somebody said of a face.
func TestAnsweredStrangers(t *testing.T) {
	checked := func(face string, answer house.Answer, person string) house.Sighting {
		said := house.Check{Answer: answer, Person: person}
		return house.Sighting{ID: face, Visit: "of " + face, Face: like(0, 90), Check: &said}
	}
	faces := []house.Sighting{
		{ID: "a", Visit: "of a", Face: like(0, 90)},
		checked("b", house.AnswerNotFace, ""), checked("c", house.AnswerNo, ""),
		checked("d", house.AnswerElse, "P"), checked("e", house.AnswerElse, ""),
	}
	var got []string
	for _, g := range groupStrangers(faces, 0.4) {
		for _, f := range g.Faces {
			got = append(got, f.ID)
			if f.Face.Descriptor != (house.Descriptor{}) {
				t.Errorf("the descriptor of %s is remembered", f.ID)
			}
		}
	}
	if want := []string{"a", "c", "e"}; !slices.Equal(got, want) {
		t.Errorf("grouped %v, want %v", got, want)
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
	groups := groupStrangers(faces, 0.4)
	if len(groups) != 1 || len(groups[0].Visits) != 1 {
		t.Fatalf("groups %+v", groups)
	}
	var order []string
	for _, f := range groups[0].Visits[0].Faces {
		order = append(order, f.ID)
	}
	if got := strings.Join(order, " "); got != "150 60 160 300" { // too narrow ones are in no group
		t.Errorf("the faces come as %s", got)
	}
	if best := groups[0].Best(); best.ID != "150" {
		t.Errorf("the best is %s", best.ID)
	}
}
