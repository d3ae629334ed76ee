package web

import (
	"fmt"
	"io"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
)

// TestDocumentIsWhole holds the document against the schema of OpenAPI 3.1, which
// the library has.
func TestDocumentIsWhole(t *testing.T) {
	if ok, errs := readDocument(t).ValidateDocument(); !ok {
		tellAll(t, "the document", errs, nil)
	}
}

// TestDocumentDescribesTheRoutes holds the document against the mux, both ways.
func TestDocumentDescribesTheRoutes(t *testing.T) {
	var want []string
	for _, r := range newHouse(t).routes() {
		method, path, ok := strings.Cut(r.pattern, " ")
		if ok && (strings.HasPrefix(path, "/api/") || slices.Contains(forMachines, path)) {
			want = append(want, method+" "+path)
		}
	}
	slices.Sort(want)
	if got := readDocument(t).operations(); !slices.Equal(got, want) {
		t.Errorf("the document describes\n%q, the routes are\n%q", got, want)
	}
}

// forMachines are the addresses that are described besides the API's.
var forMachines = []string{"/healthz", "/readyz", "/metrics"}

// TestDocumentedAnswers asks in many ways, right and wrong, and checks each answer
// against the document. TestEveryOperation asks for every address.
func TestDocumentedAnswers(t *testing.T) {
	h := newHouse(t)
	d := readDocument(t)
	token := h.resident("Odile")
	visit := h.furnish()
	person := h.enrolled("Jory Amberg").ID
	stranger, _ := h.strangerTwice()
	h.enrolledAs("Ada Quill", 1)
	_, face := h.sees("doubt", faceAt(descriptorAt(1, h.weakly())))
	all := strings.NewReplacer("{bell}", "gate", "{visit}", visit, "{frame}", "0", "{person}", person, "{stranger}",
		stranger, "{face}", face)
	here := all

	check := func(method, pattern, query string, status int, options ...option) {
		t.Helper()
		a := h.ask(method, here.Replace(pattern)+query, nil, options...)
		if a.StatusCode != status {
			t.Errorf("%s %s%s: status %d, want %d: %s", method, pattern, query, a.StatusCode, status, a.body)
			return
		}
		if pattern != "/healthz" {
			d.checkAnswer(t, method, pattern, a)
		}
	}
	in := h.session(token)
	check("GET", "/healthz", "", 200)
	check("POST", stillsPattern, "", 401) // TestRefusedStills has the rest
	checkVisits(check, in)
	h.checkPersons(check, person, in)
	tablet := h.session(h.tablet("Hall", "Odile"))
	fill := func(replacer *strings.Replacer) { here = replacer }
	h.checkErasures(fill, check, in, tablet)
	here = all
	h.checkRulesOf(check, in, tablet)
	checkPrior(check, in, tablet)
	h.checkLens(check, in, tablet)
	h.checkAdviceRules(fill, check, in, tablet)
	here = all
	h.checkTrials(fill, check, in, tablet)
	here = all
	h.checkChecks(check, in, tablet)
	h.checkFactors(check)
	h.checkAdvice(fill, check, in, tablet)
	here = all
	h.checkReceivers(fill, check, in, tablet)
	here = all
	checkResidentsOnly(check, tablet)
	check("GET", "/api/v1/visits/{visit}/stills/{frame}", "", 200, in)
	check("GET", "/api/v1/visits/{visit}/stills/{frame}", "", 401)
	check("GET", "/api/v1/openapi.json", "", 200)
	check("GET", "/api/v1/live", "", 400, in) // not a WebSocket handshake
	check("GET", "/api/v1/live", "?since=x", 400, in)
	check("GET", "/api/v1/live", "", 401)

	checkStrangers(check, in, h.session(h.tablet("Porch", "Odile")))
	checkGone(fill, check, visit, in)
}

// Addresses that are asked for more than once.
const (
	visitsPattern  = "/api/v1/visits"
	holdPattern    = "/api/v1/visits/{visit}/hold"
	parcelPattern  = "/api/v1/visits/{visit}/parcel"
	consentPattern = "/api/v1/persons/{person}/consent"
	exportPattern  = "/api/v1/persons/{person}/export"

	visitExportPattern = "/api/v1/visits/{visit}/export"
	erasurePattern     = "/api/v1/erasures/{erasure}"
)

// A checker asks for an address, and checks the answer against the document.
type checker func(method, pattern, query string, status int, options ...option)

func checkVisits(check checker, in option) {
	check("GET", "/api/v1/visits", "", 200, in)
	check("GET", "/api/v1/visits", "?limit=1", 200, in)
	check("GET", "/api/v1/visits", "?since=0&limit=100", 200, in)
	for _, bad := range []string{"?limit=0", "?limit=101", "?limit=-1", "?limit=x", "?since=-1", "?since=x",
		"?since=99999999999999999999"} {
		check("GET", "/api/v1/visits", bad, 400, in)
	}
	check("GET", "/api/v1/visits", "", 401)
	for _, bad := range []string{"?kind=x", "?held=x", "?from=2031-05-04", "?until=x", "?cursor=x", "?since=0&bell=gate",
		"?since=0&cursor=",
		"?from=2031-05-04T00:00:00Z&until=2031-05-04T00:00:00Z"} {
		check("GET", "/api/v1/visits", bad, 400, in)
	}
	check("GET", "/api/v1/visits/{visit}", "", 200, in)
	check("GET", "/api/v1/visits/{visit}", "", 401)
	check("GET", visitExportPattern, "", 200, in)
	check("GET", visitExportPattern, "", 401)
	check("PUT", holdPattern, "", 200, in, sends(`{"reason":"A claim","ends_at":"2031-05-05T00:00:00Z"}`))
	check("DELETE", "/api/v1/visits/{visit}", "", 409, in)
	for _, bad := range []string{`{}`, `{"reason":"A claim"}`, `{"ends_at":"2031-05-05T00:00:00Z"}`,
		`{"reason":"A claim","ends_at":"2031-05-04T00:00:00Z"}`,
		`{"reason":"A claim","ends_at":"2033-05-04T00:00:00Z"}`} {
		check("PUT", holdPattern, "", 422, in, sends(bad))
	}
	for _, bad := range []string{``, `{"reason":"A claim","ends_at":"tomorrow"}`, `{"why":"A claim"}`, `[]`} {
		check("PUT", holdPattern, "", 400, in, sends(bad))
	}
	check("PUT", holdPattern, "", 401)
	check("GET", "/api/v1/visits/{visit}", "", 200, in)
	check("DELETE", holdPattern, "", 200, in)
	check("DELETE", holdPattern, "", 404, in)
	check("DELETE", holdPattern, "", 401)
	check("PUT", parcelPattern, "", 200, in, sends(`{"parcel":true}`))
	for _, bad := range []string{``, `{}`, `{"parcel":"yes"}`, `true`} {
		check("PUT", parcelPattern, "", 400, in, sends(bad))
	}
	check("PUT", parcelPattern, "", 401)
}

func (h *household) checkPersons(check checker, person string, in option) {
	check("GET", "/api/v1/persons", "", 200, in)
	check("GET", "/api/v1/persons", "", 401)
	check("GET", "/api/v1/persons/{person}", "", 200, in)
	check("GET", "/api/v1/persons/{person}", "", 401)
	check("DELETE", consentPattern, "", 409, in)
	h.consents(person)
	check("DELETE", consentPattern, "", 401)
	check("DELETE", consentPattern, "", 403, h.session(h.tablet("Attic", "Odile")))
	check("DELETE", consentPattern, "", 202, in)
	h.accepted.Wait()
	check("GET", exportPattern, "", 200, in)
	check("GET", exportPattern, "?recipient=age1nobody", 400, in)
	check("GET", exportPattern, "", 401)
	for _, bad := range []string{"", "?visits=", "?visits=yes"} {
		check("DELETE", "/api/v1/persons/{person}", bad, 400, in)
	}
	check("DELETE", "/api/v1/persons/{person}", "?visits=true", 401)
	check("DELETE", "/api/v1/persons/{person}", "?visits=true", 202, in)
	h.accepted.Wait()
	check("DELETE", "/api/v1/persons/{person}", "?visits=true", 404, in)
	check("DELETE", consentPattern, "", 404, in)
	check("GET", "/api/v1/persons/{person}", "", 404, in)
	check("GET", exportPattern, "", 404, in)
}

func (h *household) checkErasures(fill func(*strings.Replacer), check checker, in, tablet option) {
	for _, bad := range []string{"", "?from=2031-05-04T00:00:00Z", "?until=2031-05-04T00:00:00Z",
		"?from=2031-05-04&until=2031-05-05",
		"?from=2031-05-04T00:00:00Z&until=2031-05-04T00:00:00Z"} {
		check("DELETE", visitsPattern, bad, 400, in)
	}
	check("DELETE", visitsPattern, "?from=2001-05-04T00:00:00Z&until=2001-05-05T00:00:00Z", 202, in)
	check("DELETE", visitsPattern, "", 401)
	check("GET", erasurePattern, "", 404, in)
	h.accepted.Wait()
	fill(strings.NewReplacer("{erasure}", h.erasing.all[0].id))
	check("GET", erasurePattern, "", 200, in)
	check("GET", erasurePattern, "", 401)
	check("GET", erasurePattern, "", 403, tablet)
}

func checkPrior(check checker, in, tablet option) {
	check("GET", "/api/v1/chime", "", 200, in)
	check("GET", "/api/v1/chime", "", 401)
	check("GET", "/api/v1/chime", "", 403, tablet)
	check("PUT", "/api/v1/chime", "", 200, in, sends(`{"volume":40,"from":"22:00","until":"07:00"}`))
	check("PUT", "/api/v1/chime", "", 400, in, sends(`{"volume":"loud"}`))
	check("PUT", "/api/v1/chime", "", 422, in, sends(`{"volume":101,"from":"22:00","until":"07:00"}`))
	check("PUT", "/api/v1/chime", "", 401)
	check("PUT", "/api/v1/chime", "", 403, tablet)
	check("GET", "/api/v1/prior", "", 200, in)
	check("GET", "/api/v1/prior", "", 401)
	check("GET", "/api/v1/prior", "", 403, tablet)
	check("PUT", "/api/v1/prior", "", 200, in, sends(`{"prior":0.25}`))
	check("PUT", "/api/v1/prior", "", 400, in, sends(`{"prior":"often"}`))
	check("PUT", "/api/v1/prior", "", 422, in, sends(`{"prior":1.5}`))
	check("PUT", "/api/v1/prior", "", 401)
	check("PUT", "/api/v1/prior", "", 403, tablet)
}

// checkResidentsOnly asks for what a tablet may not.
func checkResidentsOnly(check checker, tablet option) {
	check("DELETE", visitsPattern, "?from=2001-05-04T00:00:00Z&until=2001-05-05T00:00:00Z", 403, tablet)
	check("DELETE", "/api/v1/visits/{visit}", "", 403, tablet)
	check("PUT", holdPattern, "", 403, tablet)
	check("DELETE", holdPattern, "", 403, tablet)
	check("PUT", parcelPattern, "", 403, tablet)
	check("GET", "/api/v1/persons", "", 403, tablet)
	check("GET", "/api/v1/persons/{person}", "", 403, tablet)
	check("DELETE", "/api/v1/persons/{person}", "?visits=true", 403, tablet)
	check("GET", exportPattern, "", 403, tablet)
	check("GET", visitExportPattern, "", 403, tablet)
}

// checkGone asks for visits and stills that are not there, or no more.
func checkGone(fill func(*strings.Replacer), check checker, visit string, in option) {
	fill(strings.NewReplacer("{visit}", visit, "{frame}", "15"))
	check("GET", "/api/v1/visits/{visit}/stills/{frame}", "", 404, in)
	check("DELETE", "/api/v1/visits/{visit}", "", 200, in)
	check("DELETE", "/api/v1/visits/{visit}", "", 404, in)
	check("GET", "/api/v1/visits/{visit}", "", 404, in)
	fill(strings.NewReplacer("{visit}", "NOSUCHVISIT", "{frame}", "0"))
	check("PUT", holdPattern, "", 404, in, sends(`{"reason":"A claim","ends_at":"2031-05-05T00:00:00Z"}`))
	check("DELETE", holdPattern, "", 404, in)
	check("PUT", parcelPattern, "", 404, in, sends(`{"parcel":true}`))
	check("GET", visitExportPattern, "", 404, in)
	check("GET", "/api/v1/visits/{visit}", "", 404, in)
	check("GET", "/api/v1/visits/{visit}/stills/{frame}", "", 404, in)
	fill(strings.NewReplacer("{visit}", visit, "{frame}", "x"))
	check("GET", "/api/v1/visits/{visit}/stills/{frame}", "", 404, in)
}

// sends gives a request a body.
func sends(body string) option {
	return func(r *http.Request) { r.Body = io.NopCloser(strings.NewReader(body)) }
}

// TestVisitsSince asks for changes as a program does that keeps its own copy.
func TestVisitsSince(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	visits := func(query string) []visitJSON {
		t.Helper()
		var list struct{ Visits []visitJSON }
		h.get("/api/v1/visits"+query, in).is(http.StatusOK).into(&list)
		return list.Visits
	}
	if a := h.get("/api/v1/visits", in).is(http.StatusOK); strings.TrimSpace(string(a.body)) != `{"visits":[]}` {
		t.Errorf("an empty archive answers %s", a.body)
	}
	first := h.rung("R1", 0, still(t, 1))
	known := visits("?since=0")[0].Revision
	second := h.rung("R2", 0, still(t, 1))
	if got := visits(fmt.Sprint("?since=", known)); len(got) != 1 || got[0].ID != second.Visit {
		t.Errorf("since the first visit: %+v", got)
	}
	// A change of the first visit makes it the newest change.
	h.rung("R1", 1, still(t, 1))
	got := visits(fmt.Sprint("?since=", known))
	if len(got) != 2 || got[0].ID != second.Visit || got[1].ID != first.Visit || got[1].Revision <= got[0].Revision {
		t.Errorf("since the first visit: %+v", got)
	}
	if got := visits(fmt.Sprint("?since=", got[1].Revision)); len(got) != 0 {
		t.Errorf("nothing changed, but %+v", got)
	}
	if got := visits("?limit=1"); len(got) != 1 {
		t.Errorf("%d visits, 1 at most was asked for", len(got))
	}
}

// furnish fills the archive with a visit of every kind, and returns one that
// has a match and a stranger.
func (h *household) furnish() (visit string) {
	h.t.Helper()
	ctx := h.t.Context()
	person := h.enrolled("Ilse <Amberg>")
	for i, kind := range visitKinds(person) {
		h.clock.advance(time.Minute)
		for frame, s := range kind.stills {
			body := still(h.t, uint8(16*i+frame))
			if s.damaged {
				body = asJPEG(h.t, scene(320, 240))
				body = body[:len(body)/2]
			}
			taken := h.clock.now().Add(kind.ahead).Format(time.RFC3339)
			receipt := h.rung(kind.name, frame, body, header("Lintel-Taken-At", taken))
			if s.state == house.Pending {
				continue
			}
			v, err := h.archive.Visit(ctx, receipt.Visit)
			if err != nil {
				h.t.Fatal(err)
			}
			if err := h.archive.Record(ctx, v.Stills[frame].ID, s.state, s.faces); err != nil {
				h.t.Fatal(err)
			}
			if kind.name == "person-and-stranger" {
				visit = receipt.Visit
			}
		}
	}
	return visit
}

// enrolled adds a person, with consent.
func (h *household) enrolled(name string) house.Person {
	h.t.Helper()
	p, err := h.archive.AddPerson(h.t.Context(), h.secret(name))
	if err != nil {
		h.t.Fatal(err)
	}
	return p
}

// checkRulesOf checks the addresses of the screens Rules and Upkeep.
func (h *household) checkRulesOf(check func(method, pattern, query string, status int, options ...option), in,
	tablet option) {
	const rules, masks, earlier = "/api/v1/rules", "/api/v1/bells/{bell}/masks", "/api/v1/bells/{bell}/masks/earlier"
	check("GET", rules, "", 200, in)
	check("PUT", rules, "", 200, in, sends(sentRules))
	check("PUT", rules, "", 400, in, sends(`{`))
	check("PUT", rules, "", 422, in, sends(`{}`))
	check("PUT", rules, "", 413, in, sends(strings.Repeat(" ", maxJSON+1)))
	check("GET", rules, "", 200, in)
	check("POST", rules+"/preview", "", 200, in, sends(sentRules))
	check("POST", rules+"/preview", "", 400, in, sends(`{`))
	check("POST", rules+"/preview", "", 422, in, sends(`{}`))
	check("PUT", "/api/v1/visits/{visit}/hold", "", 200, in,
		sends(`{"reason":"A claim","ends_at":"2031-05-05T00:00:00Z"}`))
	check("GET", "/api/v1/holds", "", 200, in)
	check("DELETE", "/api/v1/visits/{visit}/hold", "", 200, in)
	check("GET", "/api/v1/bells", "", 200, in)
	check("GET", masks, "", 200, in)
	check("PUT", masks, "", 200, in, sends(quarterJSON))
	check("PUT", masks, "", 400, in, sends(`{}`))
	check("PUT", masks, "", 422, in, sends(`[[]]`))
	check("GET", masks, "", 200, in)
	check("GET", earlier, "", 200, in)
	check("POST", earlier, "", 202, in)
	h.accepted.Wait()
	check("GET", earlier, "", 200, in)
	check("GET", "/api/v1/trail", "", 200, in)
	check("GET", "/api/v1/trail", "?before=3", 200, in)
	check("GET", "/api/v1/trail", "?before=x", 400, in)
	for _, pattern := range []string{"GET " + rules, "PUT " + rules, "POST " + rules + "/preview", "GET /api/v1/holds",
		"GET /api/v1/bells",
		"GET " + masks, "PUT " + masks, "GET " + earlier, "POST " + earlier, "GET /api/v1/trail"} {
		method, path, _ := strings.Cut(pattern, " ")
		check(method, path, "", 401)
		check(method, path, "", 403, tablet)
	}
}
