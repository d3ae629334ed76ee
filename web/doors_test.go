package web

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/advice/totp"
)

// asks are what routes are asked with that refuse a bare request: a query, and
// a body, which is a form unless it is JSON.
var asks = map[string]struct{ query, body string }{
	"GET /visits/erase":                              {"?from=2001-02-03&until=2001-02-04", ""},
	"POST /visits/erase":                             {"", "from=2001-02-03&until=2001-02-04"},
	"POST /visits/{visit}/parcel":                    {"", "parcel=true"},
	"POST /visits/{visit}/faces/{frame}/{place}/who": {"", "answer=stranger"},
	"POST /visits/{visit}/hold":                      {"", "reason=A+claim&until=2031-06-01"},
	"DELETE /api/v1/visits":                          {"?from=2001-02-03T00:00:00Z&until=2001-02-04T00:00:00Z", ""},
	"PUT /api/v1/visits/{visit}/parcel":              {"", `{"parcel":true}`},
	"PUT /api/v1/visits/{visit}/hold":                {"", `{"reason":"A claim","ends_at":"2031-06-01T00:00:00Z"}`},
	"GET /people/{person}/erase":                     {"?visits=false", ""},
	"POST /people/{person}/erase":                    {"", "visits=false"},
	"DELETE /api/v1/persons/{person}":                {"?visits=true", ""},
	"POST /rules/chime":                              {"", "volume=40&from=22:00&until=07:00"},
	"POST /visits/{visit}/code":                      {"", "person={known}&code=123456"},
	"POST /api/v1/visits/{visit}/code":               {"", `{"person":"{known}","code":"123456"}`},
	"POST /visits/{visit}/agree":                     {"", "person={known}"},
	"POST /api/v1/visits/{visit}/agree":              {"", `{"person":"{known}"}`},
	"POST /people/strangers/{stranger}/person":       {"", introductionForm},
	"POST /api/v1/strangers/{stranger}/person":       {"", introductionJSON},
	"PUT /api/v1/rules":                              {"", sentRules},
	"POST /api/v1/rules/preview":                     {"", sentRules},
	"POST /checks/{face}":                            {"", "answer=no"},
	"GET /checks/{face}/answer":                      {"?answer=no", ""},
	"POST /checks/changes":                           {"", "change="},
	"PUT /api/v1/checks/{face}":                      {"", `{"answer":"no"}`},
	"POST /api/v1/checks/changes":                    {"", `{"changes":[]}`},
	"POST /rules/advice/pause":                       {"", "paused=true"},
	"POST /rules/advice/house":                       {"", typedHouse},
	"POST /rules/advice/doors":                       {"", "name=The+shed&bell=gate&kind=parcel"},
	"POST /rules/advice/doors/{door}":                {"", "name=The+barn&bell=gate&kind=parcel"},
	"POST /rules/advice/rules":                       {"", typedRule},
	"POST /rules/advice/rules/{rule}":                {"", typedRule},
	"POST /rules/advice/parcels":                     {"", typedParcel},
	"POST /rules/advice/dry-run":                     {"", "rule=" + sentRule},
	"PUT /api/v1/advice/rules":                       {"", sentHouse},
	"POST /people":                                   {"", typedPerson},
	"POST /people/{person}/consent":                  {"", typedPerson},
	"POST /rules/house":                              {"", "zone=&percent=50"},
	"POST /rules/keeping":                            {"", typedRules},
	"POST /rules/keeping/save":                       {"", "rules=" + url.QueryEscape(sentRules)},
	"PUT /api/v1/language":                           {"", `{"language":"en"}`},
	"PUT /api/v1/tablets/{tablet}/language":          {"", `{"language":"en"}`},
	"POST /upkeep/tablets/{tablet}/language":         {"", "language=en"},
	"POST /rules/masks/{bell}":                       {"", "masks="},
	"POST /api/v1/advice/dry-run": {"",
		`{"door":"{lasting-door}","factors":["code"],"rule":` + sentRule + `}`},
	"POST /api/v1/doors":                   {"", `{"name":"the loft","bell":"gate","parcel":false}`},
	"PUT /api/v1/doors/{door}":             {"", `{"name":"the cellar","bell":"gate","parcel":false}`},
	"POST /api/v1/doors/rules":             {"", sentRule},
	"PUT /api/v1/doors/rules/{rule}":       {"", sentRule},
	"POST /api/v1/parcels":                 {"", sentParcel},
	"POST /people/{person}/phones":         {"", "name=The+blue+phone"},
	"POST /people/{person}/tokens":         {"", "name=brass"},
	"POST /upkeep/readers":                 {"", "name=The+mat"},
	"POST /upkeep/receivers":               {"", "name=The+box&door={lasting-door}"},
	"POST /upkeep/backups":                 {"", "folder=/usr&hour=3"},
	"POST /upkeep/pin":                     {"", "pin=135790&again=135790"},
	"PUT /api/v1/pin":                      {"", `{"pin":"135790"}`},
	"POST /api/v1/advice/{advice}/confirm": {"", "{}"},
	"POST /upkeep/trials":                  {"", "bell=shed"},
	"POST /upkeep/trials/{trial}/step":     {"", "step=print"},
	"POST /api/v1/trials":                  {"", `{"bell":"shed"}`},
	"PUT /api/v1/trials/{trial}/step":      {"", `{"step":"print"}`},
	"PUT /api/v1/chime":                    {"", `{"volume":40,"from":"22:00","until":"07:00"}`},
	"PUT /api/v1/prior":                    {"", `{"prior":0.5}`},
	"POST /api/v1/factors":                 {"", `{"token":"zinc"}`},
	"POST /api/v1/session":                 {"", `{"name":"Perrin","password":"` + password + `"}`},
	"POST /api/v1/tablets":                 {"", `{"name":"Den","code":"{pairing-code}"}`},
	"POST /api/v1/persons": {"", `{"name":"Wren Tarn","consent":{"given_by":"Wren Tarn",` +
		`"scope":"the door"}}`},
	"PUT /api/v1/persons/{person}/consent": {"", `{"given_by":"they","scope":"the door"}`},
	"POST /upkeep/residents/password": {"", url.Values{"current": {password}, "password": {password},
		"again": {password}}.Encode()},
	"PUT /api/v1/password":                      {"", `{"current":"` + password + `","password":"` + password + `"}`},
	"POST /upkeep/programs":                     {"", "name=Attic+fan&scope=read-visits"},
	"POST /api/v1/programs":                     {"", `{"name":"Porch light","scopes":["read-visits"]}`},
	"POST /api/v1/sources":                      {"", `{"kind":"reader","name":"The rug"}`},
	"POST /api/v1/carried-tokens":               {"", `{"person":"{known}","label":"tin"}`},
	"POST /api/v1/receivers":                    {"", `{"door":"{lasting-door}","name":"The crate"}`},
	"PUT /api/v1/bells/{bell}/masks":            {"", "[]"},
	"POST /api/v1/bells/{bell}/message":         {"", `{"text":"No, thank you."}`},
	"POST /api/v1/bells/{bell}/message/preview": {"", `{"text":"No, thank you."}`},
	"PUT /api/v1/bells/{bell}/display/size":     {"", `{"columns":16,"rows":2,"rom":"A02"}`},
	"PUT /api/v1/messages":                      {"", sentMessages},
	"PUT /api/v1/outside":                       {"", `{"celsius":-3.5}`},
	"POST /visits/{visit}/message":              {"", "text=No%2C+thank+you."},
	"POST /rules/messages":                      {"", typedMessages},
	"POST /upkeep/displays/{bell}":              {"", "columns=20&rows=4&rom=A00"},
	"POST /upkeep/tablets/{tablet}":             {"", "may=answer"},
	"PUT /api/v1/tablets/pairing-code":          {"", `{"may":"answer"}`}, // which no tablet has for an id
	"PUT /api/v1/tablets/{tablet}":              {"", `{"may":"answer","guest":false,"blur":false}`},
	"PUT /api/v1/bells/{bell}/name":             {"", `{"name":"gate"}`},
	"POST /upkeep/bells/{bell}/name":            {"", "name=gate"},
	"POST /api/v1/bells":                        {"", `{"name":"the loft"}`},
	"POST /upkeep/bells":                        {"", "name=the+hatch"},
	"POST /start/zone":                          {"", "zone=Europe/Vienna"},
	"POST /rules/lens/{bell}":                   {"", "angle=100&projection=straight&height=1.4&tilt=0"},
	"PUT /api/v1/bells/{bell}/lens":             {"", lensSent},
	"POST /api/v1/bells/{bell}/heartbeat":       {"", `{"signal_dbm":-61}`},
	"PUT /api/v1/bells/{bell}/health":           {"", `{"heartbeat_every_s":300}`},
	"POST /upkeep/bells/{bell}/heartbeat":       {"", "minutes=5"},
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
	receiver        string
	stills, known   int // how many stills are kept, and persons known
	tabletID        string
	tablets         int               // that are paired
	kept            map[string]string // what else goes by an id, by pattern
	pairing         string            // a pairing code that is good, or ""
	picture         string            // that the resident may look at once
	dwellers        int               // how many residents there are
	message         string            // that the gate's display shows
}

func newWalk(t *testing.T, changes ...func(*Config)) (w walk, resident, tablet string) {
	w.household = newHouse(t, changes...)
	resident = w.residentWith("Odile", someHash())
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
			if strings.HasSuffix(pattern, "/withdraw") || strings.HasSuffix(pattern, "/consent") ||
				strings.Contains(pattern, "/references") || strings.Contains(pattern, "/pictures") {
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
	w.seeFaces()
	w.tried = w.triedBefore()
	w.suggest()
	w.clock.advance(time.Second)
	w.visits["POST /visits/{visit}/message"] = w.rung("the-last", 0, still(t, 1)).Visit // no other is answered
	w.ruled = w.ruledFor(everyDoor()...)
	w.receiver = w.receives(w.ruled.door).ID
	w.Broker = &allEars{}
	tablets, err := w.archive.Tablets(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	w.tabletID = tablets[0].ID // Attic's
	w.keep()
	persons, err := w.archive.Persons(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	w.erasing.all = append(w.erasing.all, &erasure{id: "LASTING", state: "running", back: "/visits",
		left: func(context.Context) (int, error) { return 0, nil }})
	w.stills, w.known = len(w.files()), len(persons)
	return w, resident, tablet
}

// seeFaces has a face for each address that answers for one, says whose it is, or takes
// that back.
func (w *walk) seeFaces() {
	w.t.Helper()
	w.faces = make(map[string]string)
	w.measured, _ = w.sees("measured", faceAt(descriptorAt(1, w.weakly())))
	for i, pattern := range everyDoor() {
		placed := strings.Contains(pattern, "/faces/{frame}/{place}/")
		if !placed && !strings.Contains(pattern, "{face}") {
			continue
		}
		visit, face := w.sees(fmt.Sprint("face-", i), faceAt(descriptorAt(1, w.weakly())))
		w.clock.advance(-time.Minute) // which sees takes; some doors answer rings of the last minutes alone
		if placed {
			w.visits[pattern] = visit
		}
		w.faces[pattern] = face
		if strings.HasPrefix(pattern, "DELETE") || strings.HasSuffix(pattern, "take-back") || placed {
			w.saysYes(face)
		}
	}
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

// keep has something to remove for each address that removes something.
func (w *walk) keep() {
	ctx := w.t.Context()
	w.message = w.shows("No, thank you.")
	w.kept = make(map[string]string)
	program, _, err := w.archive.AddProgram(ctx, "Bell pull", house.ReadVisits)
	w.kept["DELETE /api/v1/programs/{program}"] = program.ID
	source, _, sourceErr := w.archive.AddSource(ctx, house.Reader, "", "The shelf")
	w.kept["DELETE /api/v1/sources/{source}"] = source
	other, _, otherErr := w.archive.AddSource(ctx, house.Reader, "", "The ledge")
	w.kept["POST /api/v1/sources/{source}/key"], w.kept["POST /upkeep/readers/{source}/key"] = other, other
	token, tokenErr := w.archive.AddToken(ctx, w.recognised, "nickel")
	_, seenErr := w.archive.AddToken(ctx, w.recognised, "zinc")
	w.kept["DELETE /api/v1/carried-tokens/{token}"] = token
	receiver, _, receiverErr := w.archive.AddReceiver(ctx, w.ruled.door, "The drawer")
	w.kept["DELETE /api/v1/receivers/{receiver}"] = receiver.ID
	codesErr := w.archive.SetOneTimeSecret(ctx, w.persons["DELETE /api/v1/persons/{person}/codes"],
		totp.New().Text(), 0)
	w.tablet("Loft", "Odile")
	w.tablet("Attic", "Odile")
	tablets, tabletsErr := w.archive.Tablets(ctx)
	if err := errors.Join(err, sourceErr, otherErr, tokenErr, seenErr, receiverErr, codesErr, tabletsErr); err != nil {
		w.t.Fatal(err)
	}
	for _, tablet := range tablets {
		if tablet.Name == "Hall" {
			w.kept["PUT /api/v1/tablets/{tablet}"], w.kept["PUT /api/v1/tablets/{tablet}/language"] = tablet.ID, tablet.ID
		}
		if tablet.Name == "Loft" {
			w.kept["DELETE /api/v1/tablets/{tablet}"] = tablet.ID
		}
		if tablet.Name == "Attic" {
			w.kept["PUT /api/v1/tablets/{tablet}/language"] = tablet.ID
			w.kept["POST /upkeep/tablets/{tablet}/language"] = tablet.ID
		}
	}
	w.tablets = len(tablets)
	w.keepBells()
	for _, pattern := range everyDoor() {
		if strings.Contains(pattern, "{reference}") {
			w.kept[pattern] = w.portrayed(w.persons[pattern])
		}
	}
	w.keepAccounts()
}

// keepBells has bells to remove, and to give another secret.
func (w *walk) keepBells() {
	w.t.Helper()
	for i, pattern := range []string{"DELETE /api/v1/bells/{bell}", "POST /upkeep/bells/{bell}/remove",
		"POST /api/v1/bells/{bell}/secret", "POST /upkeep/bells/{bell}/secret"} {
		w.kept[pattern] = fmt.Sprint("hatch-", i)
		if _, err := w.archive.AddBell(w.t.Context(), w.kept[pattern]); err != nil {
			w.t.Fatal(err)
		}
	}
}

// keepAccounts has residents, invitations and sessions to end.
func (w *walk) keepAccounts() {
	w.t.Helper()
	for i, pattern := range everyDoor() {
		switch {
		case strings.Contains(pattern, "{resident}"):
			r, err := w.archive.AddResident(w.t.Context(), fmt.Sprint("Lodger ", i), "none")
			if err != nil {
				w.t.Fatal(err)
			}
			w.kept[pattern] = r.ID
		case strings.Contains(pattern, "{invitation}"):
			l, _, err := w.archive.Invite(w.t.Context(), "")
			if err != nil {
				w.t.Fatal(err)
			}
			w.kept[pattern] = l.ID
		case strings.Contains(pattern, "{session}"):
			s, err := w.archive.Session(w.t.Context(), w.signsIn("Odile"))
			if err != nil {
				w.t.Fatal(err)
			}
			w.kept[pattern] = s.ID
		}
	}
	residents, err := w.archive.Residents(w.t.Context())
	if err != nil {
		w.t.Fatal(err)
	}
	w.dwellers = len(residents)
}

// anyCode is an inbox that takes any code.
type anyCode struct{ Inbox }

func (anyCode) Code(context.Context, string, string, string) error { return nil }

// receiverFor is one that is there where it is sent something.
func (w walk) receiverFor(pattern string) string {
	if strings.HasSuffix(pattern, "/test") {
		return w.receiver
	}
	return "NOSUCHRECEIVER"
}

func (w walk) step(pattern string, options ...option) *answer {
	w.t.Helper()
	method, target, body, with := w.rightly(pattern)
	if method == "POST" && strings.HasPrefix(target, "/rules/") { // as the page it stands on has it
		if m := revisionIn.FindSubmatch(w.get(w.pageAbove(target), options...).body); m != nil {
			body += "&revision=" + string(m[1])
		}
	}
	return w.ask(method, target, strings.NewReader(body), append(with, options...)...)
}

// rightly is how to ask for a route so that who may is not refused, but for
// whose request it is.
func (w walk) rightly(pattern string) (method, target, body string, options []option) {
	w.t.Helper()
	method, path, ok := strings.Cut(pattern, " ")
	if !ok {
		method, path = "GET", "/nothing/here"
	}
	switch pattern { // the gate has to stay as it is
	case "DELETE /api/v1/bells/{bell}/display/size", "POST /upkeep/displays/{bell}/clear":
		path = strings.Replace(path, "{bell}", "shed", 1)
	case "DELETE /api/v1/bells/{bell}", "POST /upkeep/bells/{bell}/remove", "POST /api/v1/bells/{bell}/secret",
		"POST /upkeep/bells/{bell}/secret":
		path = strings.Replace(path, "{bell}", w.kept[pattern], 1)
	}
	path = strings.NewReplacer("{bell}", "gate", "{message}", w.message, "{visit}", cmp.Or(w.visits[pattern], w.visit),
		"{frame}", "0", "{width}", "320", "{size}", "192", "{$}", "",
		"{name}", "now.js", "{picture}", w.picture, "{source}", cmp.Or(w.kept[pattern], "NOSUCHSOURCE"),
		"{token}", cmp.Or(w.kept[pattern], "NOSUCHTOKEN"), "{receiver}", cmp.Or(w.kept[pattern], w.receiverFor(pattern)),
		"{program}", cmp.Or(w.kept[pattern], "NOSUCHPROGRAM"), "{tablet}", cmp.Or(w.kept[pattern], w.tabletID),
		"{resident}", cmp.Or(w.kept[pattern], "NOSUCHRESIDENT"), "{invitation}", cmp.Or(w.kept[pattern], "NOSUCHINVITATION"),
		"{session}", cmp.Or(w.kept[pattern], "NOSUCHSESSION"), "{reference}",
		cmp.Or(w.kept[pattern], "NOSUCHREFERENCE"), "{erasure}", "LASTING",
		"{stranger}", w.stranger, "{place}", "0", "{face}",
		cmp.Or(w.faces[pattern], "NOSUCHFACE"), "{advice}", cmp.Or(w.advice[pattern], "NOSUCHADVICE"), "{person}",
		cmp.Or(w.persons[pattern], w.person)).Replace(path)
	path = w.tried.place(w.household, pattern).Replace(w.ruled.place(pattern).Replace(path))
	if strings.ContainsAny(path, "{}") {
		w.t.Fatalf("no place for %s", path)
	}
	with := asks[pattern]
	switch {
	case strings.HasSuffix(pattern, "/bells/{bell}/stills"):
		return method, path, string(still(w.t, 1)), []option{header("Content-Type", "image/jpeg"),
			header("Lintel-Ring", "of-the-walk"), header("Lintel-Frame", "0")}
	case pattern == "POST /people/{person}/pictures":
		return method, path, "--x\r\nContent-Disposition: form-data; name=\"picture\"; filename=\"ada.jpg\"\r\n\r\n" +
				string(asJPEG(w.t, portrait())) + "\r\n--x--\r\n",
			[]option{header("Content-Type", "multipart/form-data; boundary=x")}
	case strings.HasSuffix(pattern, "/references"):
		return method, path, string(asJPEG(w.t, portrait())), []option{header("Content-Type", "image/jpeg")}
	case strings.HasPrefix(with.body, "{"), strings.HasPrefix(with.body, "["):
		options = append(options, header("Content-Type", "application/json"))
	case with.body != "":
		options = append(options, header("Content-Type", "application/x-www-form-urlencoded"))
	}
	body = strings.NewReplacer("{strangers-visit}", w.rang, "{measured-visit}", w.measured, "{known}", w.recognised,
		"{pairing-code}", cmp.Or(w.pairing, "00000000")).
		Replace(w.ruled.place(pattern).Replace(with.body))
	return method, path + with.query, body, options
}

// TestWithoutSession goes round the house and tries every door, with no key,
// and with keys that do not fit.
func TestWithoutSession(t *testing.T) {
	w, _, _ := newWalk(t)
	residents, err := w.archive.Residents(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	old, err := w.archive.SignIn(t.Context(), residents[0], "")
	if err != nil {
		t.Fatal(err)
	}
	w.clock.advance(house.ResidentIdle)
	keys := map[string]option{
		"none":             func(*http.Request) {},
		"empty":            header("Cookie", w.cookieName()+"="),
		"made up":          w.session("ABCDEFGHIJKLMNOPQRSTUVWXYZ"),
		"expired":          w.session(old),
		"a bell's secret":  w.session(w.bell),
		"the secret, sent": strayWith(w.bell),
		"another cookie":   header("Cookie", "session=1"),
	}
	for name, key := range keys {
		t.Run(name, func(t *testing.T) {
			w.within(t)
			for _, pattern := range everyDoor() {
				toPage, toProgram := w.step(pattern, key, browser), w.step(pattern, key)
				why := "not-signed-in"
				if name == "the secret, sent" && takesTokens(pattern) {
					why = "unknown-api-token"
				}
				turnedAway := toProgram.problem() == why
				if want := doors[pattern] != open; turnedAway != want {
					t.Errorf("%s: turned away %t, want %t: %d %s", pattern, turnedAway, want, toProgram.StatusCode,
						toProgram.body)
				}
				if doors[pattern] == open {
					continue
				}
				toProgram.isProblem(401, why)
				switch {
				case strings.Contains(pattern, "/api/"): // a program, whatever it accepts
					toPage.isProblem(401, why)
				default:
					toPage.is(http.StatusSeeOther)
					unsaved := !strings.HasPrefix(pattern, "GET") && pattern != "/"
					if to := toPage.Header.Get("Location"); !strings.HasPrefix(to, "/sign-in") ||
						strings.Contains(to, "unsaved") != unsaved {
						t.Errorf("%s leads to %q", pattern, to)
					}
				}
			}
		})
	}
	if tablets, err := w.archive.Tablets(t.Context()); err != nil || len(tablets) != w.tablets {
		t.Errorf("tablets %v, %v: one was unpaired", tablets, err)
	}
}

// TestOpenDoors says what each open door answers to somebody with nothing.
func TestOpenDoors(t *testing.T) {
	h := newHouse(t)
	for pattern, status := range map[string]int{
		"GET /healthz": 200, "GET /readyz": 200, "POST /api/v1/bells/gate/heartbeat": 401,
		"POST /api/v1/bells/gate/stills": 401, "GET /api/v1/bells/gate/display": 401,
		"POST /api/v1/bells/gate/display/x/shown": 401, "POST /api/v1/factors": 401, "GET /sign-in": 200,
		"POST /sign-in": 401, "GET /set-up": 410,
		"POST /set-up": 410, "GET /join": 410, "POST /join": 410, "GET /pair": 200, "POST /pair": 422,
		"GET /assets/style.css": 200, "GET /assets/icon.svg": 200,
		"POST /language": 422, "GET /reset": 410, "POST /reset": 410,
		"POST /api/v1/session": 400, "POST /api/v1/tablets": 400, "GET /api/v1/openapi.json": 200,
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
		if guard := doors[pattern]; guard != open && admissions[guard].tablets == "" {
			a.isProblem(403, "residents-only")
			if !strings.Contains(pattern, "/api/") {
				w.step(pattern, w.session(ofTablet), browser).is(403).says("This is for residents")
			}
		} else if admissions[guard].pin {
			a.isProblem(403, "pin-needed")
			w.step(pattern, w.session(ofTablet), browser).is(403).says("That may").says("Odile")
		} else if a.problem() == "not-signed-in" || a.StatusCode == 403 {
			t.Errorf("%s: a tablet is turned away: %d", pattern, a.StatusCode)
		}
		if pattern == "POST /tablet/guests" {
			w.answersAgain()
		}
	}
	if tablets, err := w.archive.Tablets(t.Context()); err != nil || len(tablets) != w.tablets {
		t.Errorf("tablets %v, %v: a tablet unpaired one", tablets, err)
	}
	for _, pattern := range everyDoor() {
		if ends[pattern] { // each ends one of its own
			ofResident = w.signsIn("Odile")
		}
		a := w.step(pattern, w.session(ofResident))
		if a.problem() == "not-signed-in" || a.StatusCode == 403 {
			t.Errorf("%s: a resident is turned away: %d", pattern, a.StatusCode)
		}
		if doors[pattern] != open && pattern != "/" && a.StatusCode >= 400 && pattern != "GET /api/v1/live" {
			t.Errorf("%s: %d %s", pattern, a.StatusCode, a.body)
		}
	}
}

// answersAgain has every tablet do what it may where nobody decided otherwise.
func (w walk) answersAgain() {
	w.t.Helper()
	tablets, err := w.archive.Tablets(w.t.Context())
	for _, tablet := range tablets {
		err = errors.Join(err, w.archive.SetTabletRules(w.t.Context(), tablet.ID, house.TabletRules{May: house.MayAnswer}))
	}
	if err != nil {
		w.t.Fatal(err)
	}
}

// signsIn starts one more session of a resident's.
func (h *household) signsIn(name string) (token string) {
	h.t.Helper()
	r, err := h.archive.Resident(context.Background(), name)
	if err == nil {
		token, err = h.archive.SignIn(context.Background(), r, "")
	}
	if err != nil {
		h.t.Fatal(err)
	}
	return h.secret(token)
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
