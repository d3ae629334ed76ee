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
	"lintel/pipeline/review"
	"lintel/web/view"
)

// A visitKind is a visit as it comes to be: stills, and what was found.
type visitKind struct {
	name   string
	stills []stillKind
	ahead  time.Duration // the bell's clock

	outcome  review.Outcome
	says     []string
	saysNone []string
}

type stillKind struct {
	state   house.StillState
	faces   []house.Face
	damaged bool
}

// face is one of that width; fpir 0 makes a stranger's.
func face(x, width int, person house.Person, fpir float64, band string) house.Face {
	f := house.Face{Box: image.Rect(x, 20, x+width, 20+width),
		Landmarks: []house.Point{{X: 30.5, Y: 40}, {X: 41, Y: 40}, {X: 50, Y: 40}, {X: 61, Y: 40}, {X: 46, Y: 55.25}}}
	if person.ID != "" {
		f.Match = &house.Match{Person: person.ID, Name: person.Name, Distance: 0.31, FPIR: fpir, Band: band}
	}
	return f
}

// beside is a face on a still that has so many more that were not looked at.
func beside(f house.Face, unlooked int) house.Face {
	f.Unlooked = unlooked
	return f
}

// visitKinds has every outcome and every note.
func visitKinds(p house.Person) []visitKind {
	unknown := face(90, 40, house.Person{}, 0, "")
	done := func(faces ...house.Face) stillKind { return stillKind{state: house.Done, faces: faces} }
	return []visitKind{
		{name: "looking", stills: []stillKind{{state: house.Pending}}, outcome: review.Looking,
			says: []string{"Not examined yet"}}, // since ten minutes
		{name: "strong", stills: []stillKind{done(face(10, 50, p, 0.00004, "strong"))}, outcome: review.Someone,
			says:     []string{"Ilse &lt;Amberg&gt;", "strong match", "Fewer than 1 stranger in 10\u202f000"},
			saysNone: []string{"<Amberg>", "and a stranger"}},
		{name: "fair", stills: []stillKind{done(face(10, 50, p, 0.0005, "fair"))}, outcome: review.Someone,
			says: []string{"fair match", "About 1 stranger in 2\u202f000"}},
		{name: "weak", stills: []stillKind{done(face(10, 50, p, 0.008, "weak"))}, outcome: review.Someone,
			says: []string{"weak match", "About 1 stranger in 120 "}},
		{name: "person-and-stranger", stills: []stillKind{done(face(10, 50, p, 0.0005, "fair"), unknown)},
			outcome: review.Someone,
			says:    []string{"and a stranger"}},
		{name: "person-and-strangers", stills: []stillKind{done(face(10, 50, p, 0.0005, "fair"), unknown, unknown)},
			outcome: review.Someone,
			says:    []string{"and 2 strangers"}},
		{name: "person-while-looking", stills: []stillKind{done(face(10, 50, p, 0.0005, "fair")), {state: house.Pending}},
			outcome: review.Someone,
			says:    []string{"fair match"}, saysNone: []string{"Looking"}},
		{name: "stranger", stills: []stillKind{done(unknown)}, outcome: review.Unknown,
			says: []string{"A stranger"}},
		{name: "strangers", stills: []stillKind{done(unknown), done(unknown, unknown, unknown)}, outcome: review.Unknown,
			says: []string{"3 strangers"}},
		{name: "crowd", stills: []stillKind{done(beside(unknown, 31)), done(beside(unknown, 32), beside(unknown, 32))},
			outcome: review.Unknown,
			says:    []string{"2 strangers", "And 32 more faces that were not looked at."}, saysNone: []string{"And 31"}},
		{name: "one-more", stills: []stillKind{done(beside(unknown, 1))}, outcome: review.Unknown,
			says: []string{"And 1 more face that was not looked at."}},
		{name: "no-face", stills: []stillKind{done()}, outcome: review.NoFace,
			says: []string{"No face found"}},
		{name: "failed", stills: []stillKind{{state: house.Failed}}, outcome: review.NotExamined,
			says: []string{"Could not be examined"}, saysNone: []string{"Some of the stills"}},
		{name: "partly-failed", stills: []stillKind{{state: house.Failed}, done()}, outcome: review.NoFace,
			says: []string{"No face found", "Some of the stills could not be examined."}},
		{name: "damaged", stills: []stillKind{{state: house.Done, damaged: true}}, outcome: review.NoFace,
			says: []string{"Part of the picture was lost on its way."}},
		{name: "clock-off", stills: []stillKind{done()}, ahead: 25 * time.Hour, outcome: review.NoFace,
			says: []string{"The bell’s clock is 25 hours ahead"}},
		{name: "frames", stills: []stillKind{done(), done(unknown), done()}, outcome: review.Unknown,
			says: []string{"/stills/0", "/stills/1", "/stills/2"}},
	}
}

// TestNowShowsEveryKindOfVisit draws each kind of visit and reads the page.
func TestNowShowsEveryKindOfVisit(t *testing.T) {
	h := newHouse(t)
	token := h.resident("Odile")
	h.furnish()
	kinds := visitKinds(house.Person{ID: "x"})
	var list struct{ Visits []visitJSON }
	h.get("/api/v1/visits?limit=100", h.session(token)).is(http.StatusOK).into(&list)
	byRing := make(map[string]visitJSON)
	for _, v := range list.Visits {
		byRing[v.Ring] = v
	}
	for _, kind := range kinds {
		t.Run(kind.name, func(t *testing.T) {
			v, ok := byRing[kind.name]
			if !ok {
				t.Fatal("not in the archive")
			}
			if v.Outcome != kind.outcome {
				t.Errorf("outcome %s, want %s", v.Outcome, kind.outcome)
			}
			stored, err := h.archive.Visit(t.Context(), v.ID)
			if err != nil {
				t.Fatal(err)
			}
			var b strings.Builder
			ring := h.presenter().Ring(stored)
			if err := drawPage(&b, language, "card", ring); err != nil {
				t.Fatal(err)
			}
			card := b.String()
			for _, want := range kind.says {
				if !strings.Contains(card, want) {
					t.Errorf("the card lacks %q:\n%s", want, card)
				}
			}
			for _, not := range kind.saysNone {
				if strings.Contains(card, not) {
					t.Errorf("the card says %q:\n%s", not, card)
				}
			}
			seen := slices.ContainsFunc(kind.stills, func(s stillKind) bool { return len(s.faces) > 0 })
			if got, want := strings.Count(card, "<img"), len(kind.stills)+len(ring.Portraits); got != want ||
				seen != (len(ring.Portraits) > 0) {
				t.Errorf("%d pictures of %d stills and %d faces", got, len(kind.stills), len(ring.Portraits))
			}
			checkMarkup(t, card)
		})
	}
	page := h.get("/", h.session(token)).is(http.StatusOK)
	if got := strings.Count(string(page.body), `<li id="caller-`); got != shownVisits {
		t.Errorf("%d visits on the page, want %d of %d", got, shownVisits, len(kinds))
	}
	if got := strings.Count(string(page.body), "<article"); got != 1 {
		t.Errorf("%d visits are large", got)
	}
	checkMarkup(t, string(page.body))
	// The script keeps as many as the page began with.
	if want := fmt.Sprintf(`data-shown="%d"`, shownVisits); !strings.Contains(string(page.body), want) {
		t.Errorf("the page lacks %s", want)
	}
}

func TestNowOnAnEmptyArchive(t *testing.T) {
	h := newHouse(t)
	token := h.resident("Odile")
	h.get("/", h.session(token)).is(http.StatusOK).says("Nobody has rung yet").says("First steps: 1 of 6 is done").says("/start").says("/upkeep")
	page := h.get("/", h.session(h.tablet("Hall", "Odile"))).is(http.StatusOK).says("Nobody has rung yet")
	for _, not := range []string{"/start", "/upkeep", "/sign-out"} {
		if strings.Contains(string(page.body), not) {
			t.Errorf("a tablet shows %q", not)
		}
	}
}

// TestNamesAreEscaped gives everything that has a name one that is markup.
func TestNamesAreEscaped(t *testing.T) {
	const evil = `"><script src=//evil.example></script><b onclick='x'>`
	h := newHouse(t)
	token := h.resident("O" + evil)
	tablet := h.tablet("T"+evil, "O"+evil)
	p := h.enrolled("P" + evil)
	receipt := h.rung("R1", 0, still(t, 1))
	v, err := h.archive.Visit(t.Context(), receipt.Visit)
	if err != nil {
		t.Fatal(err)
	}
	if err := h.archive.Record(t.Context(), v.Stills[0].ID, house.Done,
		[]house.Face{face(10, 50, p, 0.0005, "fair")}); err != nil {
		t.Fatal(err)
	}
	if err := h.archive.PlaceHold(t.Context(), v.ID, "R"+evil, h.clock.now().Add(time.Hour)); err != nil {
		t.Fatal(err)
	}
	stranger, seen := h.strangerTwice()
	_, link, err := h.archive.Invite(t.Context(), "")
	if err != nil {
		t.Fatal(err)
	}
	fields := url.Values{"name": {"N" + evil}, "password": {"short"}, "again": {"short"}, "code": {"0"}, "token": {link}}
	for what, a := range map[string]*answer{
		"now":    h.get("/", h.session(token)).is(200),
		"tablet": h.get("/", h.session(tablet)).is(200),
		"upkeep": h.get("/upkeep", h.session(token)).is(200),
		"rules":  h.get("/rules/keeping", h.session(token)).is(200),
		"draft":  h.fill("/rules/keeping", evilRules(evil), h.session(token)).is(422),
		"masks":  h.fill("/rules/masks/gate", url.Values{"masks": {evil + "</textarea>" + evil}}, h.session(token)).is(422),
		"lens": h.fill("/rules/lens/gate", url.Values{"angle": {evil}, "height": {evil}, "tilt": {evil},
			"projection": {evil}, "person": {evil}, "person_height": {evil}, "face": {evil}}, h.session(token)).is(422),
		"trail":  h.get("/upkeep/trail", h.session(token)).is(200),
		"book":   h.get("/visits", h.session(tablet)).is(200),
		"visit":  h.get("/visits/"+v.ID, h.session(token)).is(200),
		"people": h.get("/people", h.session(token)).is(200),
		"person": h.get("/people/"+p.ID, h.session(token)).is(200),
		"stranger": h.post("/people/strangers/"+stranger+"/person", url.Values{"name": {evil}, "given_by": {evil},
			"scope": {evil}, "given_at": {evil}, "visit": {seen}}, h.session(token)).is(422),
		"erase": h.get("/people/"+p.ID+"/erase?visits=true", h.session(token)).is(200),
		"filter": h.get("/visits?"+url.Values{"bell": {evil}, "kind": {evil}, "from": {evil}, "cursor": {evil}}.Encode(),
			h.session(token)).is(400),
		"bad hold": h.post("/visits/"+v.ID+"/hold", url.Values{"reason": {evil}, "until": {evil}},
			h.session(token)).is(422),
		"sign-in":   h.post("/sign-in", fields).is(401),
		"pair":      h.post("/pair", fields).is(401),
		"join":      h.post("/join", fields).is(422),
		"residents": h.get("/upkeep/residents", h.session(token)).is(200),
	} {
		if strings.Contains(string(a.body), "<script src=//evil") || strings.Contains(string(a.body), "<b onclick") {
			t.Errorf("%s shows the name as markup:\n%s", what, a.body)
		}
		checkMarkup(t, string(a.body))
	}
}

// presenter puts visits into words for a resident.
func (h *household) presenter() view.Presenter {
	h.t.Helper()
	presenter, err := h.presenterFor(h.t.Context(), house.Session{Resident: "X"})
	if err != nil {
		h.t.Fatal(err)
	}
	return presenter
}

// setUpLink returns the token of a set-up link, whoever lives here already.
func (h *household) setUpLink() string {
	return h.secret(h.tickets.issue(forSetUp, "", setUpLasts))
}

var (
	ilse = house.Person{ID: "I", Name: "Ilse"}
	jory = house.Person{ID: "J", Name: "Jory"}
	none = house.Person{}
)

func examined(state house.StillState, faces ...house.Face) house.Still {
	return house.Still{State: state, Faces: faces, File: "NOBODYSFILE"}
}

// TestDayOnCard says the day only where it is not today's, by the household's
// own midnight.
func TestDayOnCard(t *testing.T) {
	zone := time.FixedZone("UTC+2", 2*3600)
	h := newHouse(t, func(c *Config) { c.Zone = zone })
	tests := []struct {
		received, now string
		day, time     string
	}{
		{"2031-05-04T18:30:00Z", "2031-05-04T18:30:01Z", "", "20:30"},
		{"2031-05-04T21:59:59Z", "2031-05-04T22:00:00Z", "Sunday 4 May", "23:59"}, // midnight here
		{"2031-05-04T22:00:00Z", "2031-05-05T21:59:59Z", "", "00:00"},
		{"2030-05-04T18:30:00Z", "2031-05-04T18:30:00Z", "Saturday 4 May 2030", "20:30"},
	}
	for _, test := range tests {
		received, err := time.Parse(time.RFC3339, test.received)
		if err != nil {
			t.Fatal(err)
		}
		now, err := time.Parse(time.RFC3339, test.now)
		if err != nil {
			t.Fatal(err)
		}
		h.clock.micros.Store(now.UnixMicro())
		if c := h.presenter().Card(house.Visit{ReceivedAt: received}); c.Day != test.day || c.Time != test.time {
			t.Errorf("%s at %s: %q %q", test.received, test.now, c.Day, c.Time)
		}
	}
}
