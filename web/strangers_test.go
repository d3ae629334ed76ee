package web

import (
	"fmt"
	"image"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/cluster"
	"lintel/pipeline/match"
)

// What makes a person of a stranger, by the form and by the API.
const (
	introductionForm = "name=Jory+Tarn+junior&given_by=Jory+Tarn&given_at=2031-05-04&scope=Being+known+at+the+gate" +
		"&visit={strangers-visit}"
	introductionJSON = `{"name":"Jory Tarn","consent":` +
		`{"given_by":"Jory Tarn","given_at":"2031-05-04T08:00:00Z","scope":"Being known at the gate"}}`
)

// like is a face at that place of a line of faces: two are as far apart as
// their places.
func like(place float32, width int) house.Face {
	f := house.Face{Box: image.Rect(10, 20, 10+width, 20+width)}
	f.Descriptor[0], f.Descriptor[1] = place, 1
	return f
}

// rings has faces seen on a visit, and returns it.
func (h *household) rings(ring string, faces ...house.Face) (visit string) {
	h.t.Helper()
	for n, f := range faces {
		visit = h.rung(ring, n, still(h.t, uint8(37*len(h.files())))).Visit
		record(h.t, h.archive, visit, n, f)
	}
	return visit
}

// strangerTwice has a stranger ring twice, and returns a face and a visit of
// theirs.
func (h *household) strangerTwice() (face, visit string) {
	h.t.Helper()
	h.rings("stranger-1", like(50, 90))
	visit = h.rings("stranger-2", like(50.1, 100))
	v, err := h.archive.Visit(h.t.Context(), visit)
	if err != nil {
		h.t.Fatal(err)
	}
	return v.Stills[0].Faces[0].ID, visit
}

type strangersAnswer struct {
	FMR, Distance float64
	Strangers     []strangerJSON
}

func (h *household) seenAgainBy(in option) (a strangersAnswer) {
	h.t.Helper()
	h.get("/api/v1/strangers", in).is(200).into(&a)
	return a
}

// visitsOf lists the visits of each stranger, newest first.
func (a strangersAnswer) visitsOf() (all [][]string) {
	for _, s := range a.Strangers {
		var visits []string
		for _, v := range s.Visits {
			visits = append(visits, v.Visit)
		}
		all = append(all, visits)
	}
	return all
}

func TestStrangersSeenAgain(t *testing.T) {
	h := newHouse(t) // on Sunday 4 May 2031, 18:30
	in := h.session(h.resident("Odile"))
	h.get("/people/strangers", in).is(200).says("No stranger whose stills are kept rang more than once.")
	h.clock.advance(-8 * 24 * time.Hour)
	old := h.rings("A1", like(0, 90)) // Saturday of the week before last
	h.clock.advance(3 * 24 * time.Hour)
	first := h.rings("B1", like(9, 90), like(9.01, 120)) // Tuesday
	h.clock.advance(24 * time.Hour)
	second := h.rings("B2", like(9.1, 100))
	h.clock.advance(time.Minute)
	third := h.rings("B3", like(9.2, 100))
	h.clock.advance(4*24*time.Hour - time.Hour)
	again := h.rings("A2", like(0.3, 60)) // Sunday
	once := h.rings("C1", like(20, 90))
	h.clock.advance(time.Hour)

	a := h.seenAgainBy(in)
	if a.FMR != cluster.FMR || match.FMR(a.Distance) > cluster.FMR*(1+1e-9) { // rounded
		t.Errorf("FMR %g at distance %g", a.FMR, a.Distance)
	}
	if got, want := a.visitsOf(), [][]string{{again, old}, {third, second, first}}; fmt.Sprint(got) != fmt.Sprint(want) {
		t.Fatalf("strangers %v, want %v", got, want)
	}
	if faces := a.Strangers[1].Visits[2].Faces; len(faces) != 2 || faces[0].Width != 120 || faces[0].Frame != 1 {
		t.Errorf("faces of the visit of two frames: %+v, want the best first", faces)
	}

	page := h.get("/people/strangers", in).is(200)
	page.says("This face rang 2 times since Saturday 26 April").says("This face rang 3 times this week")
	body := string(page.body)
	if strings.Index(body, "2 times since") > strings.Index(body, "3 times") || strings.Contains(body, once) {
		t.Errorf("not newest first, or with who rang once:\n%s", body)
	}
	checkMarkup(t, string(page.body))
	page = h.get("/visits/"+second, in).is(200).says("This face rang 3 times this week").
		says(`href="/visits/` + first + `"`).says(": this visit")
	// The crop is twice as wide as the face (160x120 is the still).
	page.says(`viewBox="-50 -40 240 240"`).says(`width="160" height="120"/></svg>`)
	checkMarkup(t, string(page.body))
	for _, visit := range []string{once, old} {
		body := string(h.get("/visits/"+visit, in).is(200).body)
		if got := strings.Contains(body, "This face rang"); got != (visit == old) {
			t.Errorf("visit %s: says that the face rang before: %t", visit, got)
		}
	}

	// Tablets are told nothing of it.
	tablet := h.session(h.tablet("Hall", "Odile"))
	if body := string(h.get("/visits/"+second, tablet).is(200).body); strings.Contains(body, "This face rang") {
		t.Error("a tablet is told who rang before")
	}
	h.get("/people/strangers", tablet).isProblem(403, "residents-only")

	// What is erased is in no group, at once.
	if err := h.archive.EraseVisit(t.Context(), third); err != nil {
		t.Fatal(err)
	}
	h.get("/people/strangers", in).is(200).says("This face rang 2 times this week")
}

// TestStrangersWait has more faces come than a page compares: it says that some are still to
// be, and denies nobody. Once they were, it is all there.
func TestStrangersWait(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	old := h.rings("R0", like(50, 90))
	visit := ""
	for i := range 8 {
		var frames []house.Face
		for k := range 16 {
			frames = append(frames, like(float32(16*i+k), 90))
		}
		visit = h.rings(fmt.Sprint("R1-", i), frames...)
	}
	never, still := "rang more than once", "still to be compared with the others"
	for h.review.Waiting() <= 64 { // as much as is read
		if more, err := h.review.CompareSome(t.Context()); err != nil || !more {
			t.Fatal("nothing waits", err)
		}
	}
	for _, address := range []string{"/people/strangers", "/visits/" + visit} {
		page := h.get(address, in).is(200).says(still)
		if strings.Contains(string(page.body), never) {
			t.Errorf("%s says that nobody rang more than once", address)
		}
		checkMarkup(t, string(page.body))
	}
	for more, err := true, error(nil); more; {
		if more, err = h.review.CompareSome(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	h.get("/people/strangers", in).is(200).says("2 times today").says(old)
	if body := h.get("/visits/"+visit, in).is(200).body; strings.Contains(string(body), still) {
		t.Error("all were compared, and some are said to wait")
	}
}

// TestManyVisits lists the newest visits of a stranger, and all of them where
// the stranger is named.
func TestManyVisits(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	var visits []string
	for i := range shownAgain + 3 {
		visits = append(visits, h.rings(fmt.Sprint("R", i), like(float32(i)/100, 90)))
		h.clock.advance(time.Minute)
	}
	page := h.get("/people/strangers", in).is(200).says("9 times today").says("and 3 earlier visits")
	body := string(page.body)
	if strings.Count(body, `href="/visits/`) != shownAgain || strings.Contains(body, visits[2]) ||
		!strings.Contains(body, visits[3]) {
		t.Errorf("not the newest %d visits:\n%s", shownAgain, body)
	}
	page = h.get("/people/strangers/"+h.seenAgainBy(in).Strangers[0].ID+"/person", in).is(200)
	if got := strings.Count(string(page.body), `name="visit"`); got != len(visits) {
		t.Errorf("%d visits to choose from, of %d", got, len(visits))
	}
}

// trailOfResidents counts what residents did, and finds no name in the trail.
func (h *household) trailOfResidents(name string) map[string]int {
	h.t.Helper()
	entries, err := h.archive.Trail(h.t.Context(), 0, 100)
	if err != nil {
		h.t.Fatal(err)
	}
	actions := make(map[string]int)
	for _, e := range entries {
		if strings.HasPrefix(e.Actor, "resident ") {
			actions[e.Action]++
		}
		if strings.Contains(e.Subject, name) {
			h.t.Errorf("the trail has a name: %v", e)
		}
	}
	return actions
}

func TestIntroduction(t *testing.T) {
	for _, test := range []struct {
		name  string
		named bool
		says  string
	}{
		{"without naming", false, "2 references enrolled."},
		{"naming visits", true, "2 references enrolled. 3 visits named."},
	} {
		t.Run(test.name, func(t *testing.T) {
			h := newHouse(t)
			in := h.session(h.resident("Odile"))
			var visits []string
			for i, width := range []int{90, 60, 120, 90} { // the second is too small for a reference
				h.clock.advance(time.Minute)
				visits = append(visits, h.rings(fmt.Sprint("R", i), like(float32(i)/10, width)))
			}
			stranger := h.seenAgainBy(in).Strangers[0]
			address := "/people/strangers/" + stranger.Visits[3].Faces[0].ID + "/person" // any face's id will do
			page := h.get(address, in).is(200).says("This face rang 4 times today").says("biometric data").
				says(">" + speak(language).Text("stranger-scope-usual") + "<")
			checkMarkup(t, string(page.body))
			if strings.Count(string(page.body), " checked") != 4 { // all visits, not the naming
				t.Errorf("ticked:\n%s", page.body)
			}
			form := url.Values{
				"name": {" " + h.secret("Jory Tarn")}, "given_by": {"Jory Tarn"}, "given_at": {"2031-05-04"},
				"scope": {"The gate"}, "visit": visits[:3],
			}
			if test.named {
				form.Set("name_visits", "true")
			}
			a := h.post(address, form, in).is(http.StatusSeeOther)
			done := h.get(a.Header.Get("Location"), in).is(200).says("Jory Tarn").says(test.says).
				says("Given by Jory Tarn on Sunday 4 May, to: The gate")
			checkMarkup(t, string(done.body))
			persons, err := h.archive.Persons(t.Context())
			if err != nil || len(persons) != 1 || persons[0].References != 2 {
				t.Fatalf("persons %+v, %v", persons, err)
			}
			actions := h.trailOfResidents("Jory")
			if actions["added"] != 1 || actions["consented"] != 1 || actions["enrolled"] != 2 ||
				(actions["renamed"] > 0) != test.named {
				t.Errorf("the trail has %v", actions)
			}
			if test.named {
				h.get("/people/strangers", in).is(200).says("No stranger")
			}
		})
	}
}

// TestKnownAlready adds references to somebody who is enrolled.
func TestKnownAlready(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	consent := house.Consent{GivenBy: "They", GivenAt: h.clock.now(), Scope: "The gate"}
	ilse, err := h.archive.Introduce(t.Context(), h.secret("Ilse Amberg"), consent, []house.Reference{
		{Descriptor: like(5, 0).Descriptor, FaceWidth: 90},
	})
	if err != nil {
		t.Fatal(err)
	}
	without := h.enrolled("Runa")
	face, visit := h.strangerTwice()
	address := "/people/strangers/" + face + "/person"
	page := h.get(address, in).is(200).says(`<option value="` + ilse.ID + `">Ilse Amberg`)
	if strings.Contains(string(page.body), "Runa") {
		t.Error("somebody without a consent is offered")
	}
	for person, says := range map[string]string{
		"": "Choose who it is", "Ilse Amberg": "Choose who it is", "NOSUCHPERSON": "Choose who it is",
		without.ID: "without a consent",
	} {
		h.post(address, url.Values{"known": {"true"}, "person": {person}, "visit": {visit}}, in).is(422).says(says)
	}
	api := "/api/v1/strangers/" + face + "/person"
	h.ask("POST", api, strings.NewReader(`{"person":"NOSUCHPERSON"}`), in).isProblem(422, "no-person")
	// Not by that button.
	h.post(address, url.Values{"person": {ilse.ID}, "visit": {visit}}, in).is(422).says("1 to 200 bytes")
	form := url.Values{"known": {"true"}, "person": {ilse.ID}, "visit": {visit}, "name": {"Nobody"}}
	a := h.post(address, form, in).is(http.StatusSeeOther)
	h.get(a.Header.Get("Location"), in).is(200).says("Ilse Amberg").says("1 reference enrolled.")
	// The same picture again is no new reference, and both visits are like it.
	var done introduced
	body := `{"person":"` + ilse.ID + `","name_visits":true}`
	h.ask("POST", api, strings.NewReader(body), in).is(201).into(&done)
	if done.References != 1 || done.Named != 2 || done.Of != 2 ||
		done.Person.ID != ilse.ID || done.Person.References != 3 || done.Person.Visits != 2 {
		t.Errorf("%+v", done)
	}
	if persons, err := h.archive.Persons(t.Context()); err != nil || len(persons) != 2 {
		t.Errorf("persons %v, %v", persons, err)
	}
}
