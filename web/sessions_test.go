package web

import (
	"fmt"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
)

// TestSessionEndsByItself tries cookies that were not used for 30 days, and one
// that is used each week for 180.
func TestSessionEndsByItself(t *testing.T) {
	h := newRunning(t)
	unused, used := h.resident("Odile"), h.signsIn("Odile")
	tablet := h.tablet("Hall", "Odile")
	const day = 24 * time.Hour
	for days := 0; days < 180; days += 6 {
		if !h.opens(used) {
			t.Fatalf("over on day %d", days)
		}
		if days == 24 && h.sessionsOf(h.session(used))[0].Own != true {
			t.Error("the one used last is not the first")
		}
		h.clock.advance(6 * day)
		if days+6 == 30 {
			h.isOut(unused)
		}
	}
	h.isOut(used)
	if !h.opens(tablet) {
		t.Error("the tablet is out")
	}
	lasting := h.signsIn("Odile")
	h.clock.advance(30*day - time.Second)
	if !h.opens(lasting) {
		t.Error("over before 30 days")
	}
}

// TestSessionIDs tries ids of sessions, which residents see, as if they were
// tokens, and ends others' sessions by them.
func TestSessionIDs(t *testing.T) {
	h := newRunning(t)
	token := h.resident("Odile")
	in, ivo, den := h.session(token), h.resident("Ivo"), h.tablet("Den", "Odile")
	h.get("/", h.session(ivo), header("User-Agent",
		"Mozilla/5.0 (Android 14; Mobile; rv:131.0) Gecko/131.0 Firefox/131.0")).is(200)
	sessions := h.sessionsOf(in)
	if len(sessions) != 2 {
		t.Fatalf("%+v", sessions)
	}
	for _, s := range sessions {
		h.isOut(s.ID)
		if s.Own != (s.Name == "Odile") || s.Name == "Ivo" && s.Browser.Name+s.Browser.System != "FirefoxAndroid" {
			t.Errorf("%+v", s)
		}
	}
	h.get("/upkeep/residents", in).is(200).says("Firefox on Android").says("this browser")
	tablet, err := h.archive.Session(t.Context(), den)
	if err != nil {
		t.Fatal(err)
	}
	h.ask("DELETE", "/api/v1/sessions/"+tablet.ID, nil, in).isProblem(404, "unknown-session")
	h.ask("DELETE", "/api/v1/sessions/"+sessions[0].ID, nil, h.session(den)).isProblem(403, "residents-only")
	for _, s := range sessions {
		if s.Name == "Ivo" {
			h.ask("DELETE", "/api/v1/sessions/"+s.ID, nil, in).is(200)
			h.ask("DELETE", "/api/v1/sessions/"+s.ID, nil, in).isProblem(404, "unknown-session")
		}
	}
	h.isOut(ivo)
	h.post("/upkeep/sessions/"+h.sessionsOf(in)[0].ID+"/end", nil, in).is(303) // one's own
	h.isOut(token)
}

// A visitor is a browser with its cookies, at a running house.
type visitor struct {
	h *running
	*http.Client
}

func (h running) visitor() visitor {
	h.t.Helper()
	jar, err := cookiejar.New(nil)
	if err != nil {
		h.t.Fatal(err)
	}
	return visitor{&h, &http.Client{Jar: jar}}
}

// goes returns the page that an address leads to, by GET or with a form.
func (v visitor) goes(path string, fields url.Values) (page string, led string) {
	v.h.t.Helper()
	var answer *http.Response
	var err error
	if fields == nil {
		answer, err = v.Get(v.h.server.URL + path)
	} else {
		answer, err = v.PostForm(v.h.server.URL+path, fields)
	}
	if err != nil {
		v.h.t.Fatal(err)
	}
	defer answer.Body.Close()
	body, err := io.ReadAll(answer.Body)
	if err != nil {
		v.h.t.Fatal(err)
	}
	return string(body), answer.Request.URL.Path
}

// TestSignInAtATablet signs a resident in at a tablet, and out in every way: then
// it is the tablet that it was. One that is unpaired meanwhile is nothing.
func TestSignInAtATablet(t *testing.T) {
	h := newRunning(t)
	odile := h.residentWith("Odile", someHash())
	v := h.visitor()
	v.goes("/pair", url.Values{"name": {"Hall"}, "code": {h.pairingCode(odile)}})
	is := func(when string, resident bool) {
		t.Helper()
		page, led := v.goes("/", nil)
		if led != "/" || strings.Contains(page, "/sign-out") != resident {
			t.Fatalf("%s: at %s, a resident %t:\n%s", when, led, !resident, page)
		}
	}
	signIn := func() {
		t.Helper()
		h.clock.advance(time.Minute)
		v.goes("/sign-in", url.Values{"name": {"Odile"}, "password": {password}})
		is("signed in", true)
	}
	is("paired", false)
	signIn()
	if _, led := v.goes("/sign-out", url.Values{}); led != "/" {
		t.Errorf("signing out leads to %s", led)
	}
	is("signed out", false)
	signIn()
	for range 7 {
		h.clock.advance(house.AtTabletIdle - house.SeenEvery)
		is("in use", true)
	}
	h.clock.advance(house.AtTabletIdle)
	is("left alone", false)
	signIn()
	signIn() // another takes its place
	for _, s := range h.sessionsOf(h.session(odile)) {
		if s.Tablet != "" {
			h.ask("DELETE", "/api/v1/sessions/"+s.ID, nil, h.session(odile)).is(200)
		}
	}
	is("session ended", false)
	signIn()
	tablets, err := h.archive.Tablets(t.Context())
	if err != nil || len(tablets) != 1 {
		t.Fatalf("%v, %v", tablets, err)
	}
	h.post("/upkeep/tablets/"+tablets[0].ID+"/unpair", nil, h.session(odile)).is(303)
	if page, _ := v.goes("/", nil); !strings.Contains(page, "not-signed-in") {
		t.Errorf("whoever was signed in at it is in still:\n%s", page)
	}
}

// TestHearingIsUsing has a tablet and a resident who signed in at another listen for
// an hour, a ring each minute: the tablet is seen, and the resident is signed out.
func TestHearingIsUsing(t *testing.T) {
	h := newRunning(t)
	h.resident("Odile")
	hall, den := h.tablet("Hall", "Odile"), h.tablet("Den", "Odile")
	of, err := h.archive.Session(t.Context(), den)
	if err != nil {
		t.Fatal(err)
	}
	odile, err := h.archive.Resident(t.Context(), "Odile")
	if err != nil {
		t.Fatal(err)
	}
	token, err := h.archive.SignIn(t.Context(), odile, of.Tablet)
	if err != nil {
		t.Fatal(err)
	}
	tablet, resident := h.hears(hall), h.hears(token)
	for i := range 60 {
		h.clock.advance(time.Minute)
		ring := fmt.Sprint("R", i)
		h.rung(ring, 0, still(t, 1))
		hearers := []client{tablet, resident}
		if i >= 29 {
			hearers = hearers[:1]
		}
		for _, c := range hearers {
			if m := c.nextVisit(); m.Visit.Ring != ring {
				t.Fatalf("ring %d: %+v", i, m.Visit)
			}
		}
	}
	resident.hangsUp("R29")
	h.isOut(token)
	tablets, err := h.archive.Tablets(t.Context())
	if err != nil || tablets[1].Name != "Hall" || h.clock.now().Sub(tablets[1].SeenAt) >= house.SeenEvery {
		t.Errorf("%+v, %v", tablets, err)
	}
}

// TestPairAgain pairs a tablet a second time: it is one tablet, not two.
func TestPairAgain(t *testing.T) {
	h := newRunning(t)
	odile := h.residentWith("Odile", someHash())
	v := h.visitor()
	for _, name := range []string{"Hall", "Landing"} {
		v.goes("/pair", url.Values{"name": {name}, "code": {h.pairingCode(odile)}})
		tablets, err := h.archive.Tablets(t.Context())
		if err != nil || len(tablets) != 1 || tablets[0].Name != name {
			t.Errorf("%+v, %v", tablets, err)
		}
	}
}
