package web

import (
	"fmt"
	"maps"
	"net/url"
	"strings"
	"testing"

	"lintel/internal/house"
)

// refusesIntroduction sends a form by the page and by the API, and reads why
// nobody was enrolled.
func (h *household) refusesIntroduction(
	t *testing.T, in option, stranger string, form url.Values, status int, says, kind string,
) {
	h.within(t)
	a := h.post("/people/strangers/"+stranger+"/person", form, in).is(status).says(says)
	if kind == "no-consent" {
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
	h.ask("POST", "/api/v1/strangers/"+stranger+"/person", strings.NewReader(body), in).isProblem(status, kind)
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
	whole := url.Values{
		"name": {"<b>Jory"}, "given_by": {"Jory"}, "given_at": {"2031-05-04"}, "scope": {"The gate"}, "visit": {one, two},
	}
	for _, test := range []struct {
		name, visit, field string
		value              []string
		status             int
		says, kind         string
	}{
		{"no name", one, "name", nil, 422, "1 to 200 bytes", "bad-name"},
		{"a long name", one, "name", []string{strings.Repeat("x", 201)}, 422, "1 to 200 bytes", "bad-name"},
		{"nobody agreed", one, "given_by", []string{" "}, 422, "A consent says who agreed.", "no-consent"},
		{"no day", one, "given_at", nil, 422, "A consent says on which day", "no-consent"},
		{"a day to come", one, "given_at", []string{"2031-05-05"}, 422, "in the future", "no-consent"},
		{"to nothing", one, "scope", nil, 422, "A consent says to what.", "no-consent"},
		{"another's visit", one, "visit", []string{one, small}, 409, "have changed", "changed"},
		{"no visit there is", one, "visit", []string{"NOSUCHVISIT"}, 409, "have changed", "changed"},
		{"too small", small, "visit", []string{small}, 422, "only 79 pixels wide", "no-reference"},
	} {
		t.Run(test.name, func(t *testing.T) {
			form := maps.Clone(whole)
			form[test.field] = test.value
			h.refusesIntroduction(t, in, byVisit[test.visit], form, test.status, test.says, test.kind)
		})
	}
	whole.Del("visit")
	h.post("/people/strangers/"+byVisit[one]+"/person", whole, in).is(422).says("Tick at least one visit")
	soon := url.Values{"given_at": {"soon"}, "visit": {one}}
	h.post("/people/strangers/"+byVisit[one]+"/person", soon, in).is(422).
		says("A consent says on which day, such as 2026-11-25.")
	for _, nobody := range []string{"NOSUCHFACE", "%3Cb%3E"} {
		address := "/strangers/" + nobody + "/person"
		h.get("/people"+address, in).isProblem(404, "not-found")
		h.post("/people"+address, whole, in).isProblem(404, "not-found")
		h.ask("POST", "/api/v1"+address, strings.NewReader(introductionJSON), in).isProblem(404, "not-found")
	}
	if persons, err := h.archive.Persons(t.Context()); err != nil || len(persons) != 0 {
		t.Errorf("persons %v, %v", persons, err)
	}
	if n := len(h.seenAgainBy(in).Strangers); n != 2 {
		t.Errorf("%d strangers", n)
	}
}

func TestEasilyConfused(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	consent := house.Consent{GivenBy: "They", GivenAt: h.clock.now(), Scope: "The gate"}
	add := func(name string, place float32) house.Person {
		p, err := h.archive.Introduce(t.Context(), h.secret(name), consent, []house.Reference{
			{Descriptor: like(place, 0).Descriptor, FaceWidth: 90},
		})
		if err != nil {
			t.Fatal(err)
		}
		return p
	}
	one, twin, other := add("Ilse", 0), add("Runa <Tarn>", 0.25), add("Jory", 5)
	page := h.get("/people/"+one.ID, in).is(200).says("Easily confused with").says("Runa &lt;Tarn&gt;").
		says("at distance 0.25").says("/people/" + twin.ID)
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
