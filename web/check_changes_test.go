package web

import (
	"fmt"
	"math"
	"net/url"
	"strings"
	"testing"

	"lintel/internal/house"
	"lintel/pipeline/review"
)

// changes returns what would be found otherwise now, by face.
func (h *household) changes(in option) map[string]string {
	h.t.Helper()
	var list struct {
		Changes []struct {
			Face         string
			Was, Becomes *findingJSON
		}
	}
	h.get("/api/v1/checks/changes", in).is(200).into(&list)
	say := func(f *findingJSON) string {
		if f == nil {
			return "stranger"
		}
		return f.Name + " " + f.Band
	}
	found := make(map[string]string)
	for _, c := range list.Changes {
		found[c.Face] = say(c.Was) + " → " + say(c.Becomes)
	}
	return found
}

// TestChanges enrols somebody better, looks at what would be found now, and has
// some of it applied.
func TestChanges(t *testing.T) {
	h, in, ada, _, visit, face := newDoubtfulHouse(t)
	nearVisit, near := h.sees("near", faceAt(descriptorAt(1, h.justBeyond())))
	h.sees("far", faceAt(descriptorAt(3, .3)))
	if got := h.changes(in); len(got) != 0 {
		t.Fatalf("nothing changed, but %v", got)
	}
	h.get("/checks/changes", in).is(200).says("No results would change.")
	err := h.archive.AddReference(t.Context(), house.Reference{
		Person: ada.ID, Descriptor: descriptorAt(1, h.weakly()+.01), FaceWidth: 200, SourceSHA256: [32]byte{99},
	})
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]string{face: "Ada Quill weak → Ada Quill strong", near: "stranger → Ada Quill strong"}
	if got := h.changes(in); fmt.Sprint(got) != fmt.Sprint(want) {
		t.Fatalf("%v, want %v", got, want)
	}
	page := h.get("/checks/changes", in).is(200).says("→ <strong>Ada Quill</strong>").
		says(`value="` + near + " " + ada.ID + ` strong"`)
	checkMarkup(t, string(page.body))
	if v := h.visit(nearVisit, h.resident("Piet")); v.Outcome != review.Unknown {
		t.Error("a visit was judged anew by looking")
	}

	// Only what was ticked, and only as it was seen.
	ticked := url.Values{"change": {near + " " + ada.ID + " strong", face + " " + ada.ID + " fair", "NONE", ""}}
	to := h.post("/checks/changes", ticked, in).is(303).Header.Get("Location")
	h.get(to, in).is(200).says("1 face rechecked.").says("3 faces changed meanwhile")
	if v := h.visit(nearVisit, h.resident("Quint")); v.Outcome != review.Someone ||
		v.Stills[0].Faces[0].Match.Band != "strong" {
		t.Errorf("not judged anew: %+v", v)
	}
	if v := h.visit(visit, h.resident("Rhoda")); v.Stills[0].Faces[0].Match.Band != "weak" {
		t.Errorf("judged anew: %+v", v)
	}
	var answer struct{ Renamed, Left int }
	body := `{"changes":[{"face":"` + face + `","person":"` + ada.ID + `","band":"strong"},{"face":"NONE"}]}`
	h.ask("POST", "/api/v1/checks/changes", strings.NewReader(body), in).is(200).into(&answer)
	if answer.Renamed != 1 || answer.Left != 1 || len(h.changes(in)) != 0 {
		t.Errorf("%+v, and then %v", answer, h.changes(in))
	}
}

// TestThreshold asks what other thresholds would have meant. Package review has
// the counts of more of them.
func TestThreshold(t *testing.T) {
	h, in, ada, ben, _, weak := newDoubtfulHouse(t)
	h.sees("strong", faceAt(descriptorAt(1, .1)))
	_, wrong := h.sees("wrong", faceAt(descriptorAt(2, .15)))
	h.sees("far", faceAt(descriptorAt(3, .3))) // more than 1 from everybody
	h.ask("PUT", "/api/v1/checks/"+wrong, strings.NewReader(`{"answer":"else","person":""}`), in).is(200)
	var r struct {
		Distance, Present               float64
		Days, Searches, Answered        int
		Named, Missed, Misnamed, Called []searchJSON
		LeftUnnamed                     int `json:"left_unnamed"`
		FNIR, FPIR                      *rateJSON
		Det                             []struct{ Threshold, FPIR, FNIR float64 }
	}
	h.get("/api/v1/checks/threshold?distance=0.2", in).is(200).into(&r)
	if r.Distance != .2 || r.Present < .2 || r.Days != 30 || r.Searches != 4 || r.Answered != 1 {
		t.Errorf("%+v", r)
	}
	// Ada at .1; her weak match is missed; the stranger at .15 from Ben is called Ben
	if len(r.Named) != 1 || len(r.Missed) != 1 || len(r.Called) != 1 || r.LeftUnnamed != 1 || len(r.Misnamed) != 0 {
		t.Fatalf("%+v", r)
	}
	if s := r.Missed[0]; s.Face != weak || s.Truth != ada.ID || s.Answered {
		t.Errorf("missed %+v", s)
	}
	if s := r.Called[0]; s.Face != wrong || s.Truth != "" || s.Nearest != ben.ID || !s.Answered {
		t.Errorf("called %+v", s)
	}
	// 1 of 2: the Clopper-Pearson interval is 1 - sqrt(0.975) to sqrt(0.975), 0.0126 to 0.9874.
	for _, rate := range []*rateJSON{r.FNIR, r.FPIR} {
		if rate == nil || rate.Errors != 1 || rate.N != 2 || math.Abs(rate.CI95[0]-.01258) > 1e-5 ||
			math.Abs(rate.CI95[1]-.98742) > 1e-5 {
			t.Errorf("%+v", rate)
		}
	}
	if last := r.Det[len(r.Det)-1]; r.Det[0].FNIR != .5 || r.Det[0].FPIR != 0 || last.FNIR != 0 || last.FPIR != 1 {
		t.Errorf("the curve is %+v", r.Det)
	}
	page := h.get("/checks/threshold?distance=0.2", in).is(200).says("Strangers called by a name").
		says("called Ben Orrin").says("Ada Quill, at distance").says(`<svg class="plot"`).
		says("<title id=\"det-title\">").says("<desc id=\"histogram-desc\">").says("<caption>Rates at thresholds")
	if strings.Contains(string(page.body), "style=") {
		t.Error("inline style, which the policy forbids")
	}
	checkMarkup(t, string(page.body))
	for _, bad := range []string{"x", "0.1", "1", "NaN", "-1", "1e9"} {
		h.get("/checks/threshold?distance="+bad, in).isProblem(400, "bad-query")
		h.get("/api/v1/checks/threshold?distance="+bad, in).isProblem(400, "bad-query")
	}
}

// checkChecks checks the addresses of Check matches against their description.
func (h *household) checkChecks(
	check func(method, pattern, query string, status int, options ...option), in, tablet option,
) {
	const (
		checks    = "/api/v1/checks"
		one       = checks + "/{face}"
		crop      = one + "/crop"
		changes   = checks + "/changes"
		threshold = checks + "/threshold"
	)
	check("GET", checks, "", 200, in)
	check("GET", checks, "?limit=1", 200, in)
	check("GET", checks, "?limit=0", 400, in)
	check("GET", checks, "?cursor=x", 400, in)
	check("GET", one, "", 200, in)
	check("GET", crop, "", 200, in)
	check("PUT", one, "", 400, in, sends(`{`))
	check("PUT", one, "", 413, in, sends(strings.Repeat(" ", maxJSON+1)))
	check("PUT", one, "", 422, in, sends(`{"answer":"perhaps"}`))
	check("PUT", one, "", 409, in, sends(`{"answer":"else","person":"NONE"}`))
	check("DELETE", one, "", 404, in)
	check("PUT", one, "", 200, in, sends(`{"answer":"yes","reference":true}`))
	check("PUT", one, "", 409, in, sends(`{"answer":"yes"}`))
	check("GET", one, "", 200, in)
	check("GET", changes, "", 200, in)
	check("POST", changes, "", 200, in, sends(`{"changes":[]}`))
	check("POST", changes, "", 400, in, sends(`[]`))
	check("GET", threshold, "", 200, in)
	check("GET", threshold, "?distance=x", 400, in)
	check("DELETE", one, "", 200, in)
	for _, pattern := range []string{
		"GET " + checks, "GET " + one, "PUT " + one, "DELETE " + one,
		"GET " + crop, "GET " + changes, "POST " + changes, "GET " + threshold,
	} {
		method, path, _ := strings.Cut(pattern, " ")
		check(method, path, "", 401)
		check(method, path, "", 403, tablet)
	}
}

// BenchmarkChecks asks for the pages of a busy house: 300 strangers and 300
// persons of a month, all of them in doubt. Run with
//
//	go test ./web -run XXX -bench Checks
func BenchmarkChecks(b *testing.B) {
	h := newHouse(b)
	in := h.session(h.resident("Odile"))
	for i := range 10 {
		h.enrolledAs(fmt.Sprint("Person ", i), i)
	}
	weak, beyond := h.weakly(), h.justBeyond()
	for i := range 300 {
		h.sees(fmt.Sprint("weak-", i), faceAt(descriptorAt(i%10, weak-float64(i)*1e-5)))
		h.sees(fmt.Sprint("near-", i), faceAt(descriptorAt(i%10, beyond+float64(i)*1e-5)))
	}
	deep := h.checks(in, "?limit=100").Next
	for name, path := range map[string]string{
		"first": "/checks", "later": "/checks?after=" + deep, "api": "/api/v1/checks",
		"changes": "/checks/changes", "threshold": "/checks/threshold?distance=0.5",
	} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				h.get(path, in).is(200)
			}
		})
	}
}
