package web

import (
	"fmt"
	"image"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/cluster"
	"lintel/pipeline/match"
	"lintel/pipeline/quality"
)

// What makes a person of a stranger, by the form and by the API.
const (
	introductionForm = "name=Jory+Tarn&given_by=Jory+Tarn&given_at=2031-05-04&scope=Being+known+at+the+gate&visit={strangers-visit}"
	introductionJSON = `{"name":"Jory Tarn","consent":{"given_by":"Jory Tarn","given_at":"2031-05-04T08:00:00Z","scope":"Being known at the gate"}}`
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
	third := h.rings("B3", like(9.2, 100)) // at the same moment
	h.clock.advance(4*24*time.Hour - time.Hour)
	again := h.rings("A2", like(0.3, 60)) // Sunday
	once := h.rings("C1", like(20, 90))
	h.rings("D1", house.Face{Box: image.Rect(0, 0, 90, 90)}) // no descriptor
	h.rings("D2", house.Face{Box: image.Rect(0, 0, 90, 90)})
	h.clock.advance(time.Hour)

	a := h.seenAgainBy(in)
	if a.FMR != cluster.FMR || match.FMR(a.Distance) > cluster.FMR*(1+1e-9) { // rounded
		t.Errorf("FMR %g at distance %g", a.FMR, a.Distance)
	}
	newest := []string{second, third} // by the ids of faces, within a moment
	slices.Sort(newest)
	got := a.visitsOf()
	if len(got) == 2 && len(got[1]) == 3 {
		slices.Sort(got[1][:2])
	}
	if want := [][]string{{again, old}, append(newest, first)}; fmt.Sprint(got) != fmt.Sprint(want) {
		t.Fatalf("strangers %v, want %v", got, want)
	}
	if faces := a.Strangers[1].Visits[2].Faces; len(faces) != 2 || faces[0].Width != 120 || faces[0].Frame != 1 {
		t.Errorf("faces of the visit of two frames: %+v, want the best first", faces)
	}

	page := h.get("/people/strangers", in).is(200)
	page.says("This face rang twice since Saturday 26 April").says("This face rang three times this week")
	if body := string(page.body); strings.Index(body, "twice since") > strings.Index(body, "three times") || strings.Contains(body, once) {
		t.Errorf("not newest first, or with who rang once:\n%s", body)
	}
	checkMarkup(t, string(page.body))
	page = h.get("/visits/"+second, in).is(200).says("This face rang three times this week").says(`href="/visits/` + first + `"`).says(": this visit")
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

	// What is erased, or let go, is in no group, at once.
	if err := h.archive.EraseVisit(t.Context(), third); err != nil {
		t.Fatal(err)
	}
	h.get("/people/strangers", in).is(200).says("This face rang twice this week")
	if err := h.archive.EraseVisit(t.Context(), first); err != nil {
		t.Fatal(err)
	}
	if got := h.seenAgainBy(in).visitsOf(); fmt.Sprint(got) != fmt.Sprint([][]string{{again, old}}) {
		t.Errorf("after erasure: %v", got)
	}
	rules := house.DefaultRules()
	rule := rules.Keep[house.Stranger]
	rule.Smaller, rule.Stills, rule.Findings = house.Period{}, house.Period{Days: 4}, house.Period{Days: 60}
	rules.Keep[house.Stranger] = rule
	if err := h.archive.SetRules(t.Context(), rules); err != nil {
		t.Fatal(err)
	}
	if _, err := h.archive.Sweep(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	if v, err := h.archive.Visit(t.Context(), old); err != nil || v.Stage != house.OnlyFindings {
		t.Fatalf("%v, %v", v.Stage, err)
	}
	if got := h.seenAgainBy(in).visitsOf(); len(got) != 0 {
		t.Errorf("after stills were let go: %v", got)
	}
	h.get("/people/strangers", in).is(200).says("No stranger whose stills are kept")
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
	page := h.get("/people/strangers", in).is(200).says("nine times today").says("and 3 earlier visits")
	if body := string(page.body); strings.Count(body, `href="/visits/`) != shownAgain || strings.Contains(body, visits[2]) || !strings.Contains(body, visits[3]) {
		t.Errorf("not the newest %d visits:\n%s", shownAgain, body)
	}
	page = h.get("/people/strangers/"+h.seenAgainBy(in).Strangers[0].ID+"/person", in).is(200)
	if got := strings.Count(string(page.body), `name="visit"`); got != len(visits) {
		t.Errorf("%d visits to choose from, of %d", got, len(visits))
	}
}

func TestSince(t *testing.T) {
	for _, test := range []struct{ now, at, want string }{
		{"2031-05-04T18:30:00Z", "2031-05-04T00:00:00Z", "today"},
		{"2031-05-04T18:30:00Z", "2031-05-03T23:59:00Z", "this week"}, // a Sunday
		{"2031-05-04T18:30:00Z", "2031-04-28T00:00:00Z", "this week"}, // Monday
		{"2031-05-04T18:30:00Z", "2031-04-27T23:59:00Z", "since Sunday 27 April"},
		{"2031-05-05T18:30:00Z", "2031-05-04T23:59:00Z", "since Sunday 4 May"}, // a Monday
		{"2031-01-01T18:30:00Z", "2030-12-29T23:59:00Z", "since Sunday 29 December 2030"},
	} {
		now, err := time.Parse(time.RFC3339, test.now)
		if err != nil {
			t.Fatal(err)
		}
		at, err := time.Parse(time.RFC3339, test.at)
		if err != nil {
			t.Fatal(err)
		}
		if got := (presenter{now: now, zone: time.UTC}).since(at); got != test.want {
			t.Errorf("%s at %s: %q, want %q", test.at, test.now, got, test.want)
		}
	}
	for n, want := range map[int]string{1: "once", 2: "twice", 12: "twelve times", 13: "13 times"} {
		if got := times(n); got != want {
			t.Errorf("%d: %q", n, got)
		}
	}
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
			other := h.rings("other", like(9, 90))
			stranger := h.seenAgainBy(in).Strangers[0]
			address := "/people/strangers/" + stranger.Visits[3].Faces[0].ID + "/person" // any face's id will do
			page := h.get(address, in).is(200).says("This face rang four times today").says("biometric data").says(`value="` + defaultScope + `"`)
			checkMarkup(t, string(page.body))
			if strings.Count(string(page.body), " checked") != 4 { // all visits, not the naming
				t.Errorf("ticked:\n%s", page.body)
			}
			form := url.Values{"name": {" " + h.secret("Jory Tarn")}, "given_by": {"Jory Tarn"}, "given_at": {"2031-05-04"}, "scope": {"The gate"}, "visit": visits[:3]}
			if test.named {
				form.Set("name_visits", "true")
			}
			a := h.post(address, form, in).is(http.StatusSeeOther)
			done := h.get(a.Header.Get("Location"), in).is(200).says("Jory Tarn").says(test.says).says("Given by Jory Tarn on Sunday 4 May, to: The gate")
			checkMarkup(t, string(done.body))
			persons, err := h.archive.Persons(t.Context())
			if err != nil || len(persons) != 1 || persons[0].References != 2 {
				t.Fatalf("persons %+v, %v", persons, err)
			}
			gallery, err := h.archive.Gallery(t.Context())
			if err != nil || len(gallery) != 2 || gallery[0].FaceWidth < quality.MinWidth || gallery[1].FaceWidth < quality.MinWidth {
				t.Errorf("gallery %v, %v", gallery, err)
			}
			for i, visit := range append(visits, other) {
				v, err := h.archive.Visit(t.Context(), visit)
				if err != nil {
					t.Fatal(err)
				}
				m := v.Stills[0].Faces[0].Match
				if want := test.named && i < 3; (m != nil) != want {
					t.Errorf("visit %d is named: %t", i, m != nil)
				} else if want && (m.Person != persons[0].ID || m.Distance > 0.11) {
					t.Errorf("visit %d: %+v", i, m)
				}
			}
			// Who did it, with ids only.
			entries, err := h.archive.Trail(t.Context(), 0, 100)
			if err != nil {
				t.Fatal(err)
			}
			actions := make(map[string]int)
			for _, e := range entries {
				if strings.HasPrefix(e.Actor, "resident ") {
					actions[e.Action]++
				}
				if strings.Contains(e.Subject, "Jory") {
					t.Errorf("the trail has a name: %v", e)
				}
			}
			if actions["added"] != 1 || actions["consented"] != 1 || actions["enrolled"] != 2 || (actions["renamed"] > 0) != test.named {
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
	ilse, err := h.archive.Introduce(t.Context(), h.secret("Ilse Amberg"), consent, []house.Reference{{Descriptor: like(5, 0).Descriptor, FaceWidth: 90}})
	if err != nil {
		t.Fatal(err)
	}
	without := h.enrolled("Runa")
	face, visit := h.strangerTwice()
	address := "/people/strangers/" + face + "/person"
	if page := h.get(address, in).is(200).says(`<option value="` + ilse.ID + `">Ilse Amberg`); strings.Contains(string(page.body), "Runa") {
		t.Error("somebody without a consent is offered")
	}
	for person, says := range map[string]string{"": "Choose who it is", "Ilse Amberg": "Choose who it is", "NOSUCHPERSON": "Choose who it is", without.ID: "none is in force"} {
		h.post(address, url.Values{"known": {"true"}, "person": {person}, "visit": {visit}}, in).is(422).says(says)
	}
	h.ask("POST", "/api/v1/strangers/"+face+"/person", strings.NewReader(`{"person":"NOSUCHPERSON"}`), in).isProblem(422, "no-person")
	h.post(address, url.Values{"person": {ilse.ID}, "visit": {visit}}, in).is(422).says("1 to 200 bytes") // not by that button
	a := h.post(address, url.Values{"known": {"true"}, "person": {ilse.ID}, "visit": {visit}, "name": {"Nobody"}}, in).is(http.StatusSeeOther)
	h.get(a.Header.Get("Location"), in).is(200).says("Ilse Amberg").says("1 reference enrolled.")
	// The same picture again is no new reference, and both visits are like it.
	var done introduced
	h.ask("POST", "/api/v1/strangers/"+face+"/person", strings.NewReader(`{"person":"`+ilse.ID+`","name_visits":true}`), in).is(201).into(&done)
	if done.References != 1 || done.Named != 2 || done.Of != 2 || done.Person.ID != ilse.ID || done.Person.References != 3 || done.Person.Visits != 2 {
		t.Errorf("%+v", done)
	}
	if persons, err := h.archive.Persons(t.Context()); err != nil || len(persons) != 2 {
		t.Errorf("persons %v, %v", persons, err)
	}
}

// TestBadIntroduction leaves everything as it was.
func TestBadIntroduction(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	h.rings("S1", like(3, 40))
	small := h.rings("S2", like(3, 79))
	one, two := h.rings("R1", like(0, 90)), h.rings("R2", like(0.1, 90))
	strangers := h.seenAgainBy(in).Strangers
	if len(strangers) != 2 {
		t.Fatalf("%d strangers", len(strangers))
	}
	byVisit := make(map[string]string)
	for _, s := range strangers {
		for _, v := range s.Visits {
			byVisit[v.Visit] = s.ID
		}
	}
	whole := url.Values{"name": {"<b>Jory"}, "given_by": {"Jory"}, "given_at": {"2031-05-04"}, "scope": {"The gate"}, "visit": {one, two}}
	for _, test := range []struct {
		name, visit, field string
		value              []string
		status             int
		says, kind         string
	}{
		{"no name", one, "name", nil, 422, "1 to 200 bytes", "bad-name"},
		{"a long name", one, "name", []string{strings.Repeat("x", 201)}, 422, "1 to 200 bytes", "bad-name"},
		{"nobody agreed", one, "given_by", []string{" "}, 422, "it must say who agreed", "no-consent"},
		{"no day", one, "given_at", nil, 422, "it must say when", "no-consent"},
		{"a day to come", one, "given_at", []string{"2031-05-05"}, 422, "in the future", "no-consent"},
		{"to nothing", one, "scope", nil, 422, "it must say to what", "no-consent"},
		{"another's visit", one, "visit", []string{one, small}, 409, "have changed", "changed"},
		{"no visit there is", one, "visit", []string{"NOSUCHVISIT"}, 409, "have changed", "changed"},
		{"too small", small, "visit", []string{small}, 422, "79 pixels wide, and a reference needs 80", "no-reference"},
	} {
		t.Run(test.name, func(t *testing.T) {
			h.within(t)
			form := make(url.Values)
			for name, v := range whole {
				form[name] = v
			}
			form[test.field] = test.value
			a := h.post("/people/strangers/"+byVisit[test.visit]+"/person", form, in).is(test.status).says(test.says)
			if test.kind == "no-consent" {
				a.says("A face is biometric data")
			}
			if strings.Contains(string(a.body), "<b>") {
				t.Error("the name is markup")
			}
			checkMarkup(t, string(a.body))
			at := ""
			if day := form.Get("given_at"); day != "" {
				at = `"given_at":"` + day + `T00:00:00Z",`
			}
			body := fmt.Sprintf(`{"name":%q,"consent":{%s"given_by":%q,"scope":%q},"visits":["%s"],"name_visits":true}`,
				form.Get("name"), at, form.Get("given_by"), form.Get("scope"), strings.Join(form["visit"], `","`))
			h.ask("POST", "/api/v1/strangers/"+byVisit[test.visit]+"/person", strings.NewReader(body), in).isProblem(test.status, test.kind)
		})
	}
	whole.Del("visit")
	h.post("/people/strangers/"+byVisit[one]+"/person", whole, in).is(422).says("Tick at least one visit")
	h.post("/people/strangers/"+byVisit[one]+"/person", url.Values{"given_at": {"soon"}, "visit": {one}}, in).is(422).says("a date like")
	for _, nobody := range []string{"NOSUCHFACE", "%3Cb%3E"} {
		h.get("/people/strangers/"+nobody+"/person", in).isProblem(404, "not-found")
		h.post("/people/strangers/"+nobody+"/person", whole, in).isProblem(404, "not-found")
		h.ask("POST", "/api/v1/strangers/"+nobody+"/person", strings.NewReader(introductionJSON), in).isProblem(404, "not-found")
	}
	if persons, err := h.archive.Persons(t.Context()); err != nil || len(persons) != 0 {
		t.Errorf("persons %v, %v", persons, err)
	}
	if n := len(h.seenAgainBy(in).Strangers); n != 2 {
		t.Errorf("%d strangers", n)
	}
	// What an address says was enrolled is a number or nothing.
	for _, bad := range []string{"", "references=x", "references=-1", "references=<b>"} {
		q, _ := url.ParseQuery(bad)
		if words := introducedWords(q); words != "" {
			t.Errorf("%q: %s", bad, words)
		}
	}
}

func TestEasilyConfused(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	consent := house.Consent{GivenBy: "They", GivenAt: h.clock.now(), Scope: "The gate"}
	add := func(name string, place float32) house.Person {
		p, err := h.archive.Introduce(t.Context(), h.secret(name), consent, []house.Reference{{Descriptor: like(place, 0).Descriptor, FaceWidth: 90}})
		if err != nil {
			t.Fatal(err)
		}
		return p
	}
	one, twin, other := add("Ilse", 0), add("Runa <Tarn>", 0.25), add("Jory", 5)
	page := h.get("/people/"+one.ID, in).is(200).says("Easily confused with").says("Runa &lt;Tarn&gt;").says("at distance 0.25").says("/people/" + twin.ID)
	checkMarkup(t, string(page.body))
	if strings.Contains(string(page.body), "Jory") {
		t.Error("confused with somebody else")
	}
	if page := h.get("/people/"+other.ID, in).is(200); strings.Contains(string(page.body), "Easily") {
		t.Error("somebody like nobody is easily confused")
	}
	// Whoever is erased is nobody's double.
	if _, err := h.archive.ErasePerson(t.Context(), twin.ID, false); err != nil {
		t.Fatal(err)
	}
	if page := h.get("/people/"+one.ID, in).is(200); strings.Contains(string(page.body), "Easily") {
		t.Error("somebody erased is easily confused")
	}
}

// checkStrangers checks the API's answers against its description.
func checkStrangers(check func(method, pattern, query string, status int, options ...option), in, tablet option) {
	const list, post = "/api/v1/strangers", "/api/v1/strangers/{stranger}/person"
	check("GET", list, "", 200, in)
	check("GET", list, "", 401)
	check("GET", list, "", 403, tablet)
	check("POST", post, "", 401)
	check("POST", post, "", 403, tablet)
	check("POST", post, "", 400, in, sends(`{"who":"x"}`))
	check("POST", post, "", 413, in, sends(strings.Repeat(" ", maxJSON+1)))
	check("POST", post, "", 422, in, sends(`{"name":"Jory Tarn"}`))
	check("POST", post, "", 409, in, sends(strings.TrimSuffix(introductionJSON, "}")+`,"visits":["NOSUCHVISIT"]}`))
	check("POST", post, "", 201, in, sends(strings.TrimSuffix(introductionJSON, "}")+`,"name_visits":true}`))
	check("POST", post, "", 404, in, sends(introductionJSON))
	check("GET", list, "", 200, in)
}
