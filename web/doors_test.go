package web

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"fmt"
	"maps"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"lintel/internal/house"
)

// doors is who may ask for what. It stands here a second time, so that a
// route whose guard changes, or that is new, is noticed.
var doors = map[string]guard{
	"GET /healthz":                     open,
	"POST /api/v1/bells/{bell}/stills": open, // to bells, by their secret
	"POST /api/v1/factors":             open, // to phones and readers, by their token
	"GET /sign-in":                     open,
	"POST /sign-in":                    open,
	"GET /set-up":                      open,
	"POST /set-up":                     open,
	"GET /join":                        open,
	"POST /join":                       open,
	"GET /pair":                        open,
	"POST /pair":                       open,
	"GET /assets/style.css":            open,
	"GET /assets/icon.svg":             open,
	"GET /{$}":                         anyone,
	"GET /assets/{name}":               anyone,
	"POST /sign-out":                   resident,
	"GET /api/v1/openapi.json":         anyone,
	"GET /api/v1/live":                 anyone,
	"GET /api/v1/visits":               anyone,
	"GET /api/v1/visits/{visit}":       anyone,
	"GET /api/v1/visits/{visit}/stills/{frame}": anyone,
	"GET /visits":                                     anyone,
	"GET /visits/{visit}":                             anyone,
	"GET /visits/erase":                               resident,
	"POST /visits/erase":                              resident,
	"POST /visits/{visit}/code":                       anyone,
	"POST /api/v1/visits/{visit}/code":                anyone,
	"POST /visits/{visit}/agree":                      resident,
	"POST /api/v1/visits/{visit}/agree":               resident,
	"POST /advice/{advice}/used":                      resident,
	"POST /advice/{advice}/dismissed":                 resident,
	"POST /api/v1/advice/{advice}/used":               resident,
	"POST /api/v1/advice/{advice}/dismissed":          resident,
	"GET /upkeep/advice":                              resident,
	"POST /visits/{visit}/parcel":                     resident,
	"POST /visits/{visit}/hold":                       resident,
	"POST /visits/{visit}/release":                    resident,
	"GET /visits/{visit}/erase":                       resident,
	"POST /visits/{visit}/erase":                      resident,
	"DELETE /api/v1/visits":                           resident,
	"DELETE /api/v1/visits/{visit}":                   resident,
	"PUT /api/v1/visits/{visit}/parcel":               resident,
	"PUT /api/v1/visits/{visit}/hold":                 resident,
	"DELETE /api/v1/visits/{visit}/hold":              resident,
	"GET /people":                                     resident,
	"GET /people/{person}":                            resident,
	"GET /people/strangers":                           resident,
	"GET /people/strangers/{stranger}/person":         resident,
	"POST /people/strangers/{stranger}/person":        resident,
	"GET /api/v1/strangers":                           resident,
	"POST /api/v1/strangers/{stranger}/person":        resident,
	"GET /people/{person}/erase":                      resident,
	"POST /people/{person}/erase":                     resident,
	"GET /api/v1/persons":                             resident,
	"GET /api/v1/persons/{person}":                    resident,
	"DELETE /api/v1/persons/{person}":                 resident,
	"GET /api/v1/persons/{person}/export":             resident,
	"GET /checks":                                     resident,
	"GET /checks/{face}":                              resident,
	"POST /checks/{face}":                             resident,
	"GET /checks/{face}/answer":                       resident,
	"POST /checks/{face}/take-back":                   resident,
	"GET /checks/answers":                             resident,
	"GET /checks/changes":                             resident,
	"POST /checks/changes":                            resident,
	"GET /checks/threshold":                           resident,
	"GET /api/v1/checks":                              resident,
	"GET /api/v1/checks/{face}":                       resident,
	"PUT /api/v1/checks/{face}":                       resident,
	"DELETE /api/v1/checks/{face}":                    resident,
	"GET /api/v1/checks/{face}/crop":                  resident,
	"GET /api/v1/checks/changes":                      resident,
	"POST /api/v1/checks/changes":                     resident,
	"GET /api/v1/checks/threshold":                    resident,
	"GET /rules":                                      resident,
	"POST /rules":                                     resident,
	"POST /rules/save":                                resident,
	"POST /rules/holds/{visit}/end":                   resident,
	"POST /rules/prior":                               resident,
	"GET /rules/advice":                               resident,
	"POST /rules/advice/pause":                        resident,
	"GET /rules/advice/house":                         resident,
	"POST /rules/advice/house":                        resident,
	"GET /rules/advice/doors":                         resident,
	"POST /rules/advice/doors":                        resident,
	"GET /rules/advice/doors/{door}":                  resident,
	"POST /rules/advice/doors/{door}":                 resident,
	"GET /rules/advice/doors/{door}/remove":           resident,
	"POST /rules/advice/doors/{door}/remove":          resident,
	"GET /rules/advice/rules":                         resident,
	"POST /rules/advice/rules":                        resident,
	"GET /rules/advice/rules/{rule}":                  resident,
	"POST /rules/advice/rules/{rule}":                 resident,
	"GET /rules/advice/rules/{rule}/remove":           resident,
	"POST /rules/advice/rules/{rule}/remove":          resident,
	"GET /rules/advice/parcels":                       resident,
	"POST /rules/advice/parcels":                      resident,
	"POST /rules/advice/parcels/{parcel}/remove":      resident,
	"GET /rules/advice/dry-run":                       resident,
	"POST /rules/advice/dry-run":                      resident,
	"GET /api/v1/advice/rules":                        resident,
	"PUT /api/v1/advice/rules":                        resident,
	"POST /api/v1/advice/dry-run":                     resident,
	"GET /api/v1/doors":                               resident,
	"POST /api/v1/doors":                              resident,
	"PUT /api/v1/doors/{door}":                        resident,
	"DELETE /api/v1/doors/{door}":                     resident,
	"GET /api/v1/doors/rules":                         resident,
	"POST /api/v1/doors/rules":                        resident,
	"PUT /api/v1/doors/rules/{rule}":                  resident,
	"DELETE /api/v1/doors/rules/{rule}":               resident,
	"GET /api/v1/parcels":                             resident,
	"POST /api/v1/parcels":                            resident,
	"DELETE /api/v1/parcels/{parcel}":                 resident,
	"GET /api/v1/prior":                               resident,
	"PUT /api/v1/prior":                               resident,
	"GET /rules/masks/{bell}":                         resident,
	"POST /rules/masks/{bell}":                        resident,
	"POST /rules/masks/{bell}/earlier":                resident,
	"GET /rules/lens/{bell}":                          resident,
	"POST /rules/lens/{bell}":                         resident,
	"POST /rules/lens/{bell}/clear":                   resident,
	"GET /api/v1/bells/{bell}/lens":                   resident,
	"PUT /api/v1/bells/{bell}/lens":                   resident,
	"DELETE /api/v1/bells/{bell}/lens":                resident,
	"GET /api/v1/rules":                               resident,
	"PUT /api/v1/rules":                               resident,
	"POST /api/v1/rules/preview":                      resident,
	"GET /api/v1/holds":                               resident,
	"GET /api/v1/bells":                               resident,
	"GET /api/v1/bells/{bell}/masks":                  resident,
	"PUT /api/v1/bells/{bell}/masks":                  resident,
	"GET /api/v1/bells/{bell}/masks/earlier":          resident,
	"POST /api/v1/bells/{bell}/masks/earlier":         resident,
	"GET /upkeep/trail":                               resident,
	"POST /upkeep/trail/check":                        resident,
	"GET /api/v1/trail":                               resident,
	"GET /upkeep":                                     resident,
	"POST /people/{person}/phones":                    resident,
	"POST /people/{person}/phones/{source}/remove":    resident,
	"POST /people/{person}/tokens":                    resident,
	"POST /people/{person}/tokens/{token}/remove":     resident,
	"POST /people/{person}/codes":                     resident,
	"GET /people/{person}/codes/qr/{picture}":         resident,
	"POST /people/{person}/codes/end":                 resident,
	"POST /upkeep/readers":                            resident,
	"POST /upkeep/readers/{source}/remove":            resident,
	"POST /upkeep/trials":                             resident,
	"GET /upkeep/trials/{trial}":                      resident,
	"POST /upkeep/trials/{trial}/step":                resident,
	"POST /upkeep/trials/{trial}/end":                 resident,
	"POST /upkeep/trials/{trial}/remove":              resident,
	"POST /upkeep/trials/{trial}/rings/{ring}/remove": resident,
	"GET /api/v1/trials":                              resident,
	"POST /api/v1/trials":                             resident,
	"GET /api/v1/trials/{trial}":                      resident,
	"DELETE /api/v1/trials/{trial}":                   resident,
	"PUT /api/v1/trials/{trial}/step":                 resident,
	"POST /api/v1/trials/{trial}/end":                 resident,
	"DELETE /api/v1/trials/{trial}/rings/{ring}":      resident,
	"POST /upkeep/receivers":                          resident,
	"POST /upkeep/receivers/{receiver}/remove":        resident,
	"POST /upkeep/pairing-code":                       resident,
	"POST /upkeep/invitation":                         resident,
	"POST /upkeep/tablets/{tablet}/unpair":            resident,
	"/":                                               anyone, // what is not there
	"GET /erasures/{erasure}":                         resident,
	"GET /api/v1/erasures/{erasure}":                  resident,
	"GET /people/{person}/withdraw":                   resident,
	"POST /people/{person}/withdraw":                  resident,
	"DELETE /api/v1/persons/{person}/consent":         resident,
}

func TestDoorsAreAllRoutes(t *testing.T) {
	guards := make(map[string]guard)
	for _, r := range newHouse(t).routes() {
		guards[r.pattern] = r.guard
	}
	if !maps.Equal(guards, doors) {
		t.Errorf("the tables have\n%v\nthe test has\n%v", guards, doors)
	}
}

// asks are what routes are asked with that refuse a bare request: a query, and
// a body, which is a form unless it is JSON.
var asks = map[string]struct{ query, body string }{
	"GET /visits/erase":                        {"?from=2001-02-03&until=2001-02-04", ""},
	"POST /visits/erase":                       {"", "from=2001-02-03&until=2001-02-04"},
	"POST /visits/{visit}/parcel":              {"", "parcel=true"},
	"POST /visits/{visit}/hold":                {"", "reason=A+claim&until=2031-06-01"},
	"DELETE /api/v1/visits":                    {"?from=2001-02-03T00:00:00Z&until=2001-02-04T00:00:00Z", ""},
	"PUT /api/v1/visits/{visit}/parcel":        {"", `{"parcel":true}`},
	"PUT /api/v1/visits/{visit}/hold":          {"", `{"reason":"A claim","ends_at":"2031-06-01T00:00:00Z"}`},
	"GET /people/{person}/erase":               {"?visits=false", ""},
	"POST /people/{person}/erase":              {"", "visits=false"},
	"DELETE /api/v1/persons/{person}":          {"?visits=true", ""},
	"POST /rules/prior":                        {"", "percent=50"},
	"POST /visits/{visit}/code":                {"", "person={known}&code=123456"},
	"POST /api/v1/visits/{visit}/code":         {"", `{"person":"{known}","code":"123456"}`},
	"POST /visits/{visit}/agree":               {"", "person={known}"},
	"POST /api/v1/visits/{visit}/agree":        {"", `{"person":"{known}"}`},
	"POST /people/strangers/{stranger}/person": {"", introductionForm},
	"POST /api/v1/strangers/{stranger}/person": {"", introductionJSON},
	"POST /rules":                              {"", typedRules},
	"POST /rules/save":                         {"", "rules=" + url.QueryEscape(sentRules)},
	"PUT /api/v1/rules":                        {"", sentRules},
	"POST /api/v1/rules/preview":               {"", sentRules},
	"POST /checks/{face}":                      {"", "answer=no"},
	"GET /checks/{face}/answer":                {"?answer=no", ""},
	"POST /checks/changes":                     {"", "change="},
	"PUT /api/v1/checks/{face}":                {"", `{"answer":"no"}`},
	"POST /api/v1/checks/changes":              {"", `{"changes":[]}`},
	"POST /rules/advice/pause":                 {"", "paused=true"},
	"POST /rules/advice/house":                 {"", typedHouse},
	"POST /rules/advice/doors":                 {"", "name=The+shed&bell=gate&kind=parcel"},
	"POST /rules/advice/doors/{door}":          {"", "name=The+barn&bell=gate&kind=parcel"},
	"POST /rules/advice/rules":                 {"", typedRule},
	"POST /rules/advice/rules/{rule}":          {"", typedRule},
	"POST /rules/advice/parcels":               {"", typedParcel},
	"POST /rules/advice/dry-run":               {"", "rule=" + sentRule},
	"PUT /api/v1/advice/rules":                 {"", sentHouse},
	"POST /api/v1/advice/dry-run": {"",
		`{"door":"{lasting-door}","factors":["code"],"rule":` + sentRule + `}`},
	"POST /api/v1/doors":               {"", `{"name":"the loft","bell":"gate","parcel":false}`},
	"PUT /api/v1/doors/{door}":         {"", `{"name":"the cellar","bell":"gate","parcel":false}`},
	"POST /api/v1/doors/rules":         {"", sentRule},
	"PUT /api/v1/doors/rules/{rule}":   {"", sentRule},
	"POST /api/v1/parcels":             {"", sentParcel},
	"POST /people/{person}/phones":     {"", "name=The+blue+phone"},
	"POST /people/{person}/tokens":     {"", "name=brass"},
	"POST /upkeep/readers":             {"", "name=The+mat"},
	"POST /upkeep/receivers":           {"", "name=The+box&door={lasting-door}"},
	"POST /upkeep/trials":              {"", "bell=shed"},
	"POST /upkeep/trials/{trial}/step": {"", "step=print"},
	"POST /api/v1/trials":              {"", `{"bell":"shed"}`},
	"PUT /api/v1/trials/{trial}/step":  {"", `{"step":"print"}`},
	"PUT /api/v1/prior":                {"", `{"prior":0.5}`},
	"PUT /api/v1/bells/{bell}/masks":   {"", "[]"},
	"POST /rules/lens/{bell}":          {"", "angle=100&projection=straight&height=1.4&tilt=0"},
	"PUT /api/v1/bells/{bell}/lens":    {"", lensSent},
}

// A walk asks for every route. Each has a visit and a person of its own.
type walk struct {
	*household
	visit, person   string
	visits, persons map[string]string // by pattern
	stranger, rang  string            // a face of a stranger who rang twice, and one of the visits
	faces           map[string]string // that can be answered for, by pattern
	measured        string            // a visit whose face has landmarks
	recognised      string            // a person seen on the visits that factors are given on
	advice          map[string]string // suggestions that are open, by pattern
	ruled           ruled             // doors, rules and parcels
	tried           tried             // trials with pictures
	stills, known   int               // how many stills are kept, and persons known
	tabletID        string
	picture         string // that the resident may look at once
}

func newWalk(t *testing.T, changes ...func(*Config)) (w walk, resident, tablet string) {
	w.household = newHouse(t, changes...)
	resident = w.resident("Odile")
	tablet = w.tablet("Hall", "Odile")
	w.tablet("Attic", "Odile")
	w.visit, w.person = w.rung("R1", 0, still(t, 1)).Visit, w.enrolled("Ilse Amberg").ID
	w.visits, w.persons = make(map[string]string), make(map[string]string)
	for i, pattern := range everyDoor() {
		if strings.Contains(pattern, "{visit}") {
			w.visits[pattern] = w.rung(fmt.Sprint("of-", i), 0, still(t, 1)).Visit
		}
		if strings.Contains(pattern, "{person}") {
			w.persons[pattern] = w.enrolled(fmt.Sprint("Person of ", pattern)).ID
			if strings.HasSuffix(pattern, "/withdraw") || strings.HasSuffix(pattern, "/consent") {
				w.consents(w.persons[pattern])
			}
		}
	}
	for _, pattern := range []string{"DELETE /api/v1/visits/{visit}/hold", "POST /visits/{visit}/release",
		"POST /rules/holds/{visit}/end"} {
		if visit, ok := w.visits[pattern]; ok {
			if err := w.archive.PlaceHold(t.Context(), visit, "A claim", w.clock.now().Add(time.Hour)); err != nil {
				t.Fatal(err)
			}
		}
	}
	w.stranger, w.rang = w.strangerTwice()
	w.enrolledAs("Ada Quill", 1)
	w.faces = make(map[string]string)
	w.measured, _ = w.sees("measured", faceAt(descriptorAt(1, w.weakly())))
	for i, pattern := range everyDoor() {
		if !strings.Contains(pattern, "{face}") {
			continue
		}
		_, w.faces[pattern] = w.sees(fmt.Sprint("face-", i), faceAt(descriptorAt(1, w.weakly())))
		if strings.HasPrefix(pattern, "DELETE") || strings.HasSuffix(pattern, "take-back") {
			w.saysYes(w.faces[pattern])
		}
	}
	w.tried = w.triedBefore()
	w.suggest()
	w.ruled = w.ruledFor(everyDoor()...)
	tablets, err := w.archive.Tablets(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	w.tabletID = tablets[0].ID // Attic's
	persons, err := w.archive.Persons(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	w.erasing.all = append(w.erasing.all, &erasure{id: "LASTING", state: "running", back: "/visits",
		left: func(context.Context) (int, error) { return 0, nil }})
	w.picture = w.pictures.keep(sha256.Sum256([]byte(resident)), w.persons["GET /people/{person}/codes/qr/{picture}"],
		[]byte("a picture"))
	w.stills, w.known = len(w.files()), len(persons)
	return w, resident, tablet
}

// suggest has a suggestion for each door that answers one, and visits of
// somebody known for those that take a factor. Whatever code is given is right.
func (w *walk) suggest() {
	w.Factors = anyCode{w.Factors}
	w.recognised = w.enrolledAs("Ben Orrin", 2).ID
	w.advice = make(map[string]string)
	door := w.door("the gate")
	for i, pattern := range everyDoor() {
		ring := fmt.Sprint("advice-", i)
		switch {
		case strings.HasSuffix(pattern, "/code"), strings.HasSuffix(pattern, "/agree"):
			w.visits[pattern] = w.knownRings(ring, w.recognised)
		case strings.Contains(pattern, "{advice}"):
			visit := w.knownRings(ring, w.recognised)
			w.advice[pattern] = w.advised(house.Advice{Visit: visit, Door: door, State: house.Suggested, Person: w.recognised,
				ExpiresAt: w.clock.now().Add(time.Hour)})
		}
	}
}

// anyCode is an inbox that takes any code.
type anyCode struct{ Inbox }

func (anyCode) Code(context.Context, string, string, string) error { return nil }

func (w walk) step(pattern string, options ...option) *answer {
	w.t.Helper()
	method, path, ok := strings.Cut(pattern, " ")
	if !ok {
		method, path = "GET", "/nothing/here"
	}
	path = strings.NewReplacer("{bell}", "gate", "{visit}", cmp.Or(w.visits[pattern], w.visit), "{frame}", "0", "{$}", "",
		"{name}", "now.js", "{picture}", w.picture, "{source}", "NOSUCHSOURCE", "{token}", "NOSUCHTOKEN", "{receiver}",
		"NOSUCHRECEIVER", "{tablet}", w.tabletID, "{erasure}", "LASTING", "{stranger}", w.stranger, "{face}",
		cmp.Or(w.faces[pattern], "NOSUCHFACE"), "{advice}", cmp.Or(w.advice[pattern], "NOSUCHADVICE"), "{person}",
		cmp.Or(w.persons[pattern], w.person)).Replace(path)
	path = w.tried.place(w.household, pattern).Replace(w.ruled.place(pattern).Replace(path))
	if strings.ContainsAny(path, "{}") {
		w.t.Fatalf("no place for %s", path)
	}
	with := asks[pattern]
	if with.body != "" && !strings.HasPrefix(with.body, "{") {
		options = append([]option{header("Content-Type", "application/x-www-form-urlencoded")}, options...)
	}
	return w.ask(method, path+with.query, strings.NewReader(strings.NewReplacer("{strangers-visit}", w.rang,
		"{measured-visit}", w.measured, "{known}", w.recognised).Replace(w.ruled.place(pattern).Replace(with.body))),
		options...)
}

// everyDoor lists the patterns, those that end the session last.
func everyDoor() []string {
	patterns := slices.Sorted(maps.Keys(doors))
	slices.SortStableFunc(patterns, func(a, b string) int {
		return strings.Compare(strconv.FormatBool(a == "POST /sign-out"), strconv.FormatBool(b == "POST /sign-out"))
	})
	return patterns
}

// TestWithoutSession goes round the house and tries every door, with no key,
// and with keys that do not fit.
func TestWithoutSession(t *testing.T) {
	w, _, _ := newWalk(t)
	residents, err := w.archive.Residents(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	old, err := w.archive.StartResidentSession(t.Context(), residents[0].ID)
	if err != nil {
		t.Fatal(err)
	}
	w.clock.advance(house.ResidentSession)
	keys := map[string]option{
		"none":             func(*http.Request) {},
		"empty":            header("Cookie", w.cookieName()+"="),
		"made up":          w.session("ABCDEFGHIJKLMNOPQRSTUVWXYZ"),
		"expired":          w.session(old),
		"a bell's secret":  w.session(w.bell),
		"the secret, sent": header("Authorization", "Bearer "+w.bell),
		"another cookie":   header("Cookie", "session=1"),
	}
	for name, key := range keys {
		t.Run(name, func(t *testing.T) {
			w.within(t)
			for _, pattern := range everyDoor() {
				toPage, toProgram := w.step(pattern, key, browser), w.step(pattern, key)
				turnedAway := toProgram.problem() == "not-signed-in"
				if want := doors[pattern] != open; turnedAway != want {
					t.Errorf("%s: turned away %t, want %t: %d %s", pattern, turnedAway, want, toProgram.StatusCode, toProgram.body)
				}
				if doors[pattern] == open {
					continue
				}
				toProgram.isProblem(401, "not-signed-in")
				switch {
				case strings.Contains(pattern, "/api/"): // a program, whatever it accepts
					toPage.isProblem(401, "not-signed-in")
				case !strings.HasPrefix(pattern, "GET") && pattern != "/":
					toPage.is(401).says("Sign in first.")
				default:
					toPage.is(http.StatusSeeOther)
					if to := toPage.Header.Get("Location"); to != "/sign-in" {
						t.Errorf("%s leads to %q", pattern, to)
					}
				}
			}
		})
	}
	if tablets, err := w.archive.Tablets(t.Context()); err != nil || len(tablets) != 2 {
		t.Errorf("tablets %v, %v: one was unpaired", tablets, err)
	}
}

// TestOpenDoors says what each open door answers to somebody with nothing.
func TestOpenDoors(t *testing.T) {
	h := newHouse(t)
	for pattern, status := range map[string]int{
		"GET /healthz": 200, "POST /api/v1/bells/gate/stills": 401, "POST /api/v1/factors": 401, "GET /sign-in": 200,
		"POST /sign-in": 401, "GET /set-up": 410,
		"POST /set-up": 410, "GET /join": 410, "POST /join": 410, "GET /pair": 200, "POST /pair": 422,
		"GET /assets/style.css": 200, "GET /assets/icon.svg": 200,
	} {
		method, path, _ := strings.Cut(pattern, " ")
		if a := h.ask(method, path, nil); a.StatusCode != status {
			t.Errorf("%s: %d, want %d", pattern, a.StatusCode, status)
		}
	}
}

// TestWithSession tries every door with a tablet's key and with a resident's.
func TestWithSession(t *testing.T) {
	w, ofResident, ofTablet := newWalk(t)
	for _, pattern := range everyDoor() {
		a := w.step(pattern, w.session(ofTablet))
		if doors[pattern] == resident {
			a.isProblem(403, "residents-only")
			if !strings.Contains(pattern, "/api/") {
				w.step(pattern, w.session(ofTablet), browser).is(403).says("A resident has to sign in")
			}
		} else if a.problem() == "not-signed-in" || a.StatusCode == 403 {
			t.Errorf("%s: a tablet is turned away: %d", pattern, a.StatusCode)
		}
	}
	if tablets, err := w.archive.Tablets(t.Context()); err != nil || len(tablets) != 2 {
		t.Errorf("tablets %v, %v: a tablet unpaired one", tablets, err)
	}
	for _, pattern := range everyDoor() {
		a := w.step(pattern, w.session(ofResident))
		if a.problem() == "not-signed-in" || a.StatusCode == 403 {
			t.Errorf("%s: a resident is turned away: %d", pattern, a.StatusCode)
		}
		if doors[pattern] != open && pattern != "/" && a.StatusCode >= 400 && pattern != "GET /api/v1/live" {
			t.Errorf("%s: %d %s", pattern, a.StatusCode, a.body)
		}
	}
}

// TestDoorsStayShut takes the archive away, so that nobody can be known: no
// door that was shut opens, and nobody is told what went wrong.
func TestDoorsStayShut(t *testing.T) {
	w, ofResident, _ := newWalk(t)
	code := w.pairingCode(ofResident)
	if err := w.archive.Close(); err != nil {
		t.Fatal(err)
	}
	for _, pattern := range everyDoor() {
		if doors[pattern] == open {
			continue
		}
		w.step(pattern, w.session(ofResident)).isProblem(500, "internal")
		w.step(pattern).isProblem(401, "not-signed-in")
	}
	for what, a := range map[string]*answer{
		"a bell":  w.ring("R2", 0, still(t, 2)),
		"sign-in": w.post("/sign-in", url.Values{"name": {"Odile"}, "password": {password}}),
		"pairing": w.post("/pair", url.Values{"name": {"Hall"}, "code": {code}}),
		"set-up":  w.post("/set-up", account(w.setUpLink(), "Odile", password)),
	} {
		a.isProblem(500, "internal")
		if bytes.Contains(a.body, []byte("sql")) || bytes.Contains(a.body, []byte(w.dir)) || len(a.Cookies()) > 0 {
			t.Errorf("%s is told %s", what, a.body)
		}
	}
	if !strings.Contains(w.log.String(), "database is closed") {
		t.Errorf("the log does not say what is wrong:\n%s", w.log)
	}
}

func TestAssets(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	for path, kind := range map[string]string{"/assets/style.css": "text/css; charset=utf-8",
		"/assets/now.js":   "text/javascript; charset=utf-8",
		"/assets/icon.svg": "image/svg+xml"} {
		if a := h.get(path, in).is(200); a.Header.Get("Content-Type") != kind || len(a.body) == 0 {
			t.Errorf("%s: %s, %d bytes", path, a.Header.Get("Content-Type"), len(a.body))
		}
	}
	for _, path := range []string{"/assets/", "/assets/none.js", "/assets/%2e%2e%2fserver.go", "/assets/now.html"} {
		h.get(path, in).is(404)
	}
}

// TestMethods has addresses asked for in ways that they are not there for.
func TestMethods(t *testing.T) {
	w, token, _ := newWalk(t)
	for pattern := range doors {
		method, path, ok := strings.Cut(pattern, " ")
		if !ok {
			continue
		}
		for _, other := range []string{"GET", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE"} {
			if _, known := doors[other+" "+path]; known || other == method {
				continue
			}
			if a := w.step(other+" "+path, w.session(token)); a.StatusCode != http.StatusNotFound {
				t.Errorf("%s %s: %d", other, path, a.StatusCode)
			}
		}
	}
}

// TestHeaders looks at what every answer has to say to a browser: OWASP's
// HTTP Headers cheat sheet names these.
func TestHeaders(t *testing.T) {
	w, ofResident, ofTablet := newWalk(t)
	check := func(what string, a *answer) {
		t.Helper()
		policy := make(map[string]string)
		for _, directive := range strings.Split(a.Header.Get("Content-Security-Policy"), ";") {
			name, sources, _ := strings.Cut(strings.TrimSpace(directive), " ")
			policy[name] = sources
		}
		for name, sources := range policy {
			if sources != "'self'" && sources != "'none'" {
				t.Errorf("%s: the policy has %s %s", what, name, sources)
			}
		}
		for _, name := range []string{"default-src", "frame-ancestors", "base-uri"} {
			if policy[name] != "'none'" {
				t.Errorf("%s: the policy has %s %s", what, name, policy[name])
			}
		}
		if policy["form-action"] != "'self'" {
			t.Errorf("%s: forms may go to %s", what, policy["form-action"])
		}
		cache := a.Header.Get("Cache-Control")
		if cache != "no-store" && !(cache == "no-cache" && strings.Contains(what, "/assets/")) {
			t.Errorf("%s: Cache-Control %q", what, cache)
		}
		if a.Header.Get("X-Content-Type-Options") != "nosniff" || a.Header.Get("Referrer-Policy") != "no-referrer" {
			t.Errorf("%s: %v", what, a.Header)
		}
		if len(a.body) > 0 && a.Header.Get("Content-Type") == "" {
			t.Errorf("%s: no Content-Type", what)
		}
	}
	for _, pattern := range everyDoor() {
		for _, o := range []option{browser, header("Accept", "*/*"), header("Sec-Fetch-Site", "cross-site")} {
			check(pattern, w.step(pattern, o))
			check(pattern+" by a tablet", w.step(pattern, w.session(ofTablet), o))
			check(pattern+" by a resident", w.step(pattern, w.session(ofResident), o))
		}
	}
	check("a path to be cleaned", w.get("/assets/../api//v1/visits"))
	check("another host's path", w.get("//elsewhere.example/"))
}

// TestCrossOrigin has another site's page post what a signed-in browser's
// cookie would allow. Fetch Metadata (W3C) and RFC 6454 say who asks.
func TestCrossOrigin(t *testing.T) {
	foreign := map[string][]option{
		"cross-site":       {header("Sec-Fetch-Site", "cross-site")},
		"same-site":        {header("Sec-Fetch-Site", "same-site")}, // another port or name
		"foreign Origin":   {header("Origin", "https://elsewhere.example")},
		"another port":     {header("Origin", "http://example.com:81")},
		"opaque Origin":    {header("Origin", "null")},
		"both":             {header("Sec-Fetch-Site", "cross-site"), header("Origin", "https://elsewhere.example")},
		"Origin forged ok": {header("Sec-Fetch-Site", "cross-site"), header("Origin", "http://example.com")},
	}
	for name, headers := range foreign {
		t.Run(name, func(t *testing.T) {
			w, token, _ := newWalk(t)
			link := w.setUpLink()
			for _, pattern := range everyDoor() {
				if strings.HasPrefix(pattern, "GET ") || pattern == "/" {
					continue
				}
				options := append(slices.Clone(headers), w.session(token))
				w.step(pattern, options...).isProblem(403, "cross-origin")
				w.step(pattern, append(options, browser)...).is(403)
			}
			a := w.post("/set-up", url.Values{"token": {link}, "name": {"Mallory"}, "password": {"long enough it is"},
				"again": {"long enough it is"}}, headers...)
			a.isProblem(403, "cross-origin")
			w.ring("R2", 0, still(t, 2), headers...).isProblem(403, "cross-origin")

			// None of it had an effect.
			w.get("/", w.session(token)).is(200)
			tablets, err := w.archive.Tablets(t.Context())
			if err != nil || len(tablets) != 2 {
				t.Errorf("tablets %v, %v", tablets, err)
			}
			residents, err := w.archive.Residents(t.Context())
			if err != nil || len(residents) != 1 {
				t.Errorf("residents %v, %v", residents, err)
			}
			w.keeps(w.stills)
			if persons, err := w.archive.Persons(t.Context()); err != nil || len(persons) != w.known {
				t.Errorf("%d persons, %v", len(persons), err)
			}
			if !w.tickets.valid(link, forSetUp) {
				t.Error("the link was used")
			}
		})
	}
	for name, headers := range map[string][]option{
		"same-origin":     {header("Sec-Fetch-Site", "same-origin"), header("Origin", "http://example.com")},
		"no site":         {header("Sec-Fetch-Site", "none")}, // typed by hand
		"Origin only":     {header("Origin", "http://example.com")},
		"no such headers": nil,
	} {
		t.Run(name, func(t *testing.T) {
			w, token, _ := newWalk(t)
			w.step("POST /upkeep/pairing-code", append(headers, w.session(token))...).is(200)
			w.step("POST /upkeep/tablets/{tablet}/unpair", append(headers, w.session(token))...).is(http.StatusSeeOther)
			if tablets, err := w.archive.Tablets(t.Context()); err != nil || len(tablets) != 1 {
				t.Errorf("tablets %v, %v", tablets, err)
			}
		})
	}
	// A bell is no browser and sends neither header.
	newHouse(t).rung("R1", 0, still(t, 1))
}

// TestWebSocketOrigin opens a live connection from Lintel's own page and from
// others'. RFC 6455, 10.2: a server checks Origin.
func TestWebSocketOrigin(t *testing.T) {
	h := newHouse(t)
	token := h.resident("Odile")
	server := httptest.NewServer(h)
	defer server.Close()
	address := "ws" + strings.TrimPrefix(server.URL, "http") + "/api/v1/live"
	dial := func(token, origin string) (*websocket.Conn, *http.Response, error) {
		headers := http.Header{}
		if token != "" {
			headers.Set("Cookie", h.cookieName()+"="+token)
		}
		if origin != "" {
			headers.Set("Origin", origin)
		}
		return websocket.DefaultDialer.Dial(address, headers)
	}
	tests := []struct {
		name, token, origin string
		status              int
	}{
		{"own page", token, server.URL, 101},
		{"a program", token, "", 101},
		{"foreign page", token, "https://elsewhere.example", 403},
		{"opaque", token, "null", 403},
		{"another port", token, "http://127.0.0.1:1", 403},
		{"signed out", "", server.URL, 401},
		{"signed out, foreign page", "", "https://elsewhere.example", 401},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			conn, response, err := dial(test.token, test.origin)
			if conn != nil {
				defer conn.Close()
			}
			if response == nil {
				t.Fatal(err)
			}
			if response.StatusCode != test.status {
				t.Errorf("status %d, want %d", response.StatusCode, test.status)
			}
			if test.status != 101 {
				var body bytes.Buffer
				body.ReadFrom(response.Body)
				readDocument(t).checkAnswer(t, "GET", "/api/v1/live", &answer{response, t, body.Bytes()})
			}
		})
	}
	if err := h.Drain(t.Context()); err != nil { // waits for the connections' ends
		t.Error(err)
	}
}

// TestCookie reads the cookie as it goes over the wire. RFC 6265bis, 4.1.2 and
// 4.1.3.2: __Host- wants Secure, Path=/ and no Domain.
func TestCookie(t *testing.T) {
	for _, tls := range []bool{false, true} {
		h := newHouse(t, func(c *Config) { c.TLS = tls })
		resident := h.resident("Odile")
		fields := url.Values{"name": {"Hall"}, "code": {h.pairingCode(resident)}}
		a := h.post("/pair", fields).is(http.StatusSeeOther)
		raw := a.Header.Get("Set-Cookie")
		c := a.cookie()
		h.secret(c.Value)
		if !c.HttpOnly || c.SameSite != http.SameSiteStrictMode || c.Path != "/" || c.Domain != "" || c.Secure != tls {
			t.Errorf("TLS %t: %s", tls, raw)
		}
		if got := strings.HasPrefix(raw, "__Host-"); got != tls {
			t.Errorf("TLS %t: %s", tls, raw)
		}
		if len(c.Value) < 22 { // OWASP, Session Management: 64 bits at least; this is 110
			t.Errorf("a token of %d characters", len(c.Value))
		}
		if lasts := time.Duration(c.MaxAge) * time.Second; lasts != house.TabletSession {
			t.Errorf("lasts %v", lasts)
		}
		h.get("/", h.session(c.Value)).is(200)

		// With TLS, a cookie without the prefix may have been planted.
		if tls {
			h.get("/", header("Cookie", "lintel_session="+c.Value)).is(401)
		}

		// Signing out takes the cookie back.
		a = h.post("/sign-out", nil, h.session(resident)).is(http.StatusSeeOther)
		if gone := a.cookie(); gone.Name != h.cookieName() || gone.MaxAge >= 0 || gone.Value != "" || gone.Secure != tls {
			t.Errorf("signing out sets %s", a.Header.Get("Set-Cookie"))
		}
	}
}
