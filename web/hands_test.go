package web

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
)

// allow decides what the tablet Hall may do.
func (h *household) allow(rules house.TabletRules) {
	h.t.Helper()
	tablets, err := h.archive.Tablets(h.t.Context())
	if err == nil && len(tablets) != 1 {
		err = errors.New("there is not one tablet")
	}
	if err == nil {
		err = h.archive.SetTabletRules(h.t.Context(), tablets[0].ID, rules)
	}
	if err != nil {
		h.t.Fatal(err)
	}
}

// TestTabletsMay asks for what each right has and lacks, as a tablet of every kind.
func TestTabletsMay(t *testing.T) {
	h := newHouse(t)
	h.resident("Odile")
	tablet := h.session(h.tablet("Hall", "Odile"))
	old := h.rung("old", 0, still(t, 1)).Visit
	if err := h.archive.SetDisplay(t.Context(), "gate", house.UsualDisplay); err != nil {
		t.Fatal(err)
	}
	h.clock.advance(48 * time.Hour)
	ada := h.enrolledAs("Ada Quill", 1).ID
	for i := range shownVisits { // so that the old one is not among the latest
		h.knownRings(fmt.Sprint("new-", i), ada)
	}
	for i, c := range []struct {
		rules       house.TabletRules
		may, mayNot string // what is answered and what is refused, of those below
	}{
		{house.TabletRules{May: house.MayAnswer}, "now new-still old-still book visit type", ""},
		{house.TabletRules{May: house.MayLook}, "now new-still old-still book visit", "type"},
		{house.TabletRules{May: house.MayNow}, "now new-still", "old-still book visit type"},
		{house.TabletRules{May: house.MayAnswer, Guest: true}, "now new-still", "old-still book visit type"},
	} {
		seen := h.knownRings(fmt.Sprint("now-", i), ada)
		h.allow(c.rules)
		asked := map[string]*answer{
			"now":       h.get("/", tablet),
			"new-still": h.get("/api/v1/visits/"+seen+"/stills/0", tablet),
			"book":      h.get("/visits", tablet),
			"visit":     h.get("/visits/"+seen, tablet),
			"old-still": h.get("/api/v1/visits/"+old+"/stills/0", tablet),
			"type":      h.post("/visits/"+seen+"/code", url.Values{"person": {ada}, "code": {"000000"}}, tablet),
		}
		offered := strings.Contains(string(asked["now"].body), "/message\"")
		if answers := strings.Contains(c.may, "type"); offered != answers {
			t.Errorf("%+v: something to say to who rang is offered: %t", c.rules, offered)
		}
		for _, what := range strings.Fields(c.may) {
			if s := asked[what].StatusCode; s == http.StatusForbidden || s == http.StatusNotFound {
				t.Errorf("%+v: %s is refused: %d", c.rules, what, s)
			}
		}
		for _, what := range strings.Fields(c.mayNot) {
			if s := asked[what].StatusCode; s != http.StatusForbidden && s != http.StatusNotFound {
				t.Errorf("%+v: %s is answered: %d", c.rules, what, s)
			}
		}
	}
}

// With guests in the house a tablet says that somebody rang, and not who; what was
// before is not on it, and only a resident's PIN ends that.
func TestTabletWithGuests(t *testing.T) {
	h := newHouse(t)
	odile := h.session(h.resident("Odile"))
	who := h.pin(odile, "271828")
	tablet := h.session(h.tablet("Hall", "Odile"))
	ada := h.enrolledAs("Ada Quill", 1).ID
	h.advised(house.Advice{Visit: h.knownRings("first", ada), Door: h.door("the front door"), Person: ada,
		State: house.Suggested, ExpiresAt: h.clock.now().Add(time.Minute)})
	h.get("/", tablet).says("Ada Quill")
	h.post("/tablet/guests", nil, tablet).is(http.StatusSeeOther)
	page := string(h.get("/", tablet).says("Somebody rang").body)
	if strings.Contains(page, "Ada Quill") || strings.Contains(page, `href="/visits"`) {
		t.Errorf("guests read:\n%s", page)
	}
	h.get("/visits", tablet, browser).is(http.StatusForbidden).says("guests in the house")
	h.clock.advance(guestsSee + time.Second)
	if page := string(h.get("/", tablet).body); strings.Contains(page, "Somebody rang") {
		t.Error("guests see a ring of a while ago")
	}

	h.post("/tablet/guests/gone", nil, tablet, browser).is(http.StatusForbidden).says("Odile")
	h.post("/tablet/guests/gone", url.Values{"resident": {who}, "pin": {"314159"}}, tablet, browser).is(http.StatusUnprocessableEntity)
	h.get("/visits", tablet).is(http.StatusForbidden)
	h.post("/tablet/guests/gone", url.Values{"resident": {who}, "pin": {"271828"}}, tablet).is(http.StatusSeeOther)
	h.get("/", tablet).says("Ada Quill")
}

// A resident's word at a tablet takes their PIN, is told as theirs, and holds once.
func TestWordByPIN(t *testing.T) {
	h := newHouse(t)
	odile := h.session(h.resident("Odile"))
	who := h.pin(odile, "271828")
	tablet := h.session(h.tablet("Hall", "Odile"))
	visit := h.rung("parcel", 0, still(t, 1)).Visit
	parcel := url.Values{"parcel": {"true"}}
	h.post("/visits/"+visit+"/parcel", parcel, tablet, browser).is(http.StatusForbidden).says(`name="parcel" value="true"`)
	parcel.Set("resident", who)
	parcel.Set("pin", "271828")
	h.post("/visits/"+visit+"/parcel", parcel, tablet).is(http.StatusSeeOther)
	if v, err := h.archive.Visit(t.Context(), visit); err != nil || !v.Parcel {
		t.Errorf("a parcel came: %t, %v", v.Parcel, err)
	}
	h.get("/upkeep/trail", odile).says("Odile")
	h.post("/visits/"+visit+"/parcel", url.Values{"parcel": {"false"}}, tablet).isProblem(http.StatusForbidden, "pin-needed")
	h.get("/upkeep", tablet).is(http.StatusForbidden)
}

// A page that is for residents says at a tablet who they are, and opens by a PIN until
// nobody used it for a while.
func TestRefusedPageByPIN(t *testing.T) {
	h := newHouse(t)
	who := h.pin(h.session(h.resident("Odile")), "271828")
	key := h.tablet("Hall", "Odile")
	tablet := h.session(key)
	h.get("/rules", tablet, browser).is(http.StatusForbidden).says("Odile").says(`name="to" value="/rules"`)
	in := url.Values{"resident": {who}, "pin": {"111112"}, "to": {"/rules"}}
	h.post("/tablet/sign-in", in, tablet, browser).is(http.StatusUnprocessableEntity).says(`value="/rules"`)
	in.Set("pin", "271828")
	in.Set("to", "//elsewhere.example/")
	if a := h.post("/tablet/sign-in", in, tablet).is(http.StatusSeeOther); a.Header.Get("Location") != "/" {
		t.Errorf("it leads to %s", a.Header.Get("Location"))
	}
	in.Set("to", "/rules")
	a := h.post("/tablet/sign-in", in, tablet).is(http.StatusSeeOther)
	if a.Header.Get("Location") != "/rules" {
		t.Errorf("it leads to %s", a.Header.Get("Location"))
	}
	var signedIn option
	for _, cookie := range a.Cookies() {
		if cookie.Name == h.cookieName() {
			signedIn = h.session(cookie.Value)
		}
	}
	h.get("/rules", signedIn).is(http.StatusOK)
	h.clock.advance(house.AtTabletIdle + time.Second)
	h.get("/rules", signedIn, browser).is(http.StatusSeeOther)
}

// Whose a face is, at a tablet a resident says by their PIN, and their name stands beside.
func TestThisIsAtTablet(t *testing.T) {
	h := newHouse(t)
	odile := h.session(h.resident("Odile"))
	who := h.pin(odile, "271828")
	tablet := h.session(h.tablet("Hall", "Odile"))
	ada := h.enrolledAs("Ada Quill", 1).ID
	visit, _ := h.sees("somebody", faceAt(descriptorAt(1, 1.2)))
	to := "/visits/" + visit + "/faces/0/0/who"
	h.get(to, tablet).is(http.StatusOK).says("Ada Quill")
	said := url.Values{"person": {ada}}
	h.post(to, said, tablet, browser).is(http.StatusForbidden).says(`name="person" value="` + ada + `"`)
	said.Set("resident", who)
	said.Set("pin", "271828")
	h.post(to, said, tablet).is(http.StatusSeeOther)
	h.get("/visits/"+visit, tablet).says("Ada Quill").says("Odile")
	h.allow(house.TabletRules{May: house.MayLook})
	h.get(to, tablet).is(http.StatusForbidden)
	if page := string(h.get("/visits/"+visit, tablet).body); strings.Contains(page, "this-is") {
		t.Error("a tablet that may look is asked whose a face is")
	}
}
