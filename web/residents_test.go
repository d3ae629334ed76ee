package web

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"lintel/internal/house"
)

// A running house serves on a socket of this machine.
type running struct {
	*household
	server *httptest.Server
}

func newRunning(t *testing.T) running {
	t.Helper()
	h := newHouse(t)
	server := httptest.NewServer(h)
	t.Cleanup(server.Close)
	return running{h, server}
}

// opens reports whether a token opens a page and the API.
func (h running) opens(token string) bool {
	h.t.Helper()
	page, api := h.get("/", h.session(token)).StatusCode, h.get("/api/v1/visits", h.session(token)).StatusCode
	if page != api || page != 200 && page != 401 {
		h.t.Errorf("%d and %d", page, api)
	}
	return page == 200
}

// isOut checks that tokens open nothing any more.
func (h running) isOut(tokens ...string) {
	h.t.Helper()
	for i, token := range tokens {
		if h.opens(token) {
			h.t.Errorf("token %d opens the house still", i)
		}
	}
}

// hears connects to live events.
func (h running) hears(token string) client {
	h.t.Helper()
	conn, _, err := websocket.DefaultDialer.DialContext(h.t.Context(),
		"ws"+strings.TrimPrefix(h.server.URL, "http")+"/api/v1/live", http.Header{"Cookie": {h.cookieName() + "=" + token}})
	if err != nil {
		h.t.Fatal(err)
	}
	h.t.Cleanup(func() { conn.Close() })
	return client{conn, h.t.(*testing.T)}
}

// hangsUp checks that the connection ends soon, and that nothing of a ring is heard
// before. A beat comes each 15 seconds, so whoever is left to that is too late.
func (c client) hangsUp(ring string) {
	c.t.Helper()
	c.SetReadDeadline(time.Now().Add(beatEvery / 2))
	for {
		_, data, err := c.ReadMessage()
		if websocket.IsCloseError(err, websocket.ClosePolicyViolation) {
			return
		}
		if err != nil {
			c.t.Errorf("ended with %v", err)
			return
		}
		if strings.Contains(string(data), `"`+ring+`"`) {
			c.t.Errorf("heard of %s", ring)
		}
	}
}

func (h running) residentID(name string) string {
	h.t.Helper()
	r, err := h.archive.Resident(h.t.Context(), name)
	if err != nil {
		h.t.Fatal(err)
	}
	return r.ID
}

// TestOutAtOnce ends live connections in every way, by a socket: nothing is heard
// of a ring that comes after, and the socket is closed.
func TestOutAtOnce(t *testing.T) {
	h := newRunning(t)
	in := h.session(h.resident("Odile"))
	for name, end := range map[string]func(name string){
		"unpaired": func(string) {
			var all struct{ Tablets []house.Tablet }
			h.get("/api/v1/tablets", in).is(200).into(&all)
			for _, tablet := range all.Tablets {
				h.ask("DELETE", "/api/v1/tablets/"+tablet.ID, nil, in).is(200)
			}
		},
		"removed": func(name string) { h.ask("DELETE", "/api/v1/residents/"+h.residentID(name), nil, in).is(200) },
		"session ended": func(name string) {
			for _, s := range h.sessionsOf(in) {
				if s.Name == name {
					h.ask("DELETE", "/api/v1/sessions/"+s.ID, nil, in).is(200)
				}
			}
		},
		"password changed": func(name string) {
			if err := h.archive.SetPassword(t.Context(), h.residentID(name), "none"); err != nil {
				t.Fatal(err)
			}
		},
	} {
		for i := range 8 { // who rings and who goes meet differently each time
			who := fmt.Sprint("Ivo ", name, i)
			token := h.resident(who)
			if name == "unpaired" {
				token = h.tablet(fmt.Sprint("Hall ", i), "Odile")
			}
			h.clock.advance(time.Second) // else many rings are as new as this
			c := h.hears(token)
			before, after := fmt.Sprint("before-", name[:3], i), fmt.Sprint("after-", name[:3], i)
			h.rung(before, 0, still(t, 1))
			for {
				if m := c.next(); m.Visit != nil && m.Visit.Ring == before {
					break
				}
			}
			end(who)
			h.clock.advance(time.Second)
			h.rung(after, 0, still(t, 2))
			c.hangsUp(after)
			h.isOut(token)
		}
	}
}

func (h running) sessionsOf(in option) []sessionJSON {
	h.t.Helper()
	var all struct{ Sessions []sessionJSON }
	h.get("/api/v1/sessions", in).is(200).into(&all)
	return all.Sessions
}

// TestRemovedResidentIsOut tries all that a removed resident had.
func TestRemovedResidentIsOut(t *testing.T) {
	h := newRunning(t)
	odile, ivo := h.resident("Odile"), h.resident("Ivo")
	second, den := h.signsIn("Ivo"), h.tablet("Den", "Ivo")
	link, code := h.invitation(ivo), h.pairingCode(ivo)
	var made struct{ Token string }
	h.ask("POST", "/api/v1/programs", strings.NewReader(`{"name":"Porch light","scopes":["read-visits"]}`),
		h.session(ivo)).is(201).into(&made)
	program := header("Authorization", "Bearer "+h.secret(made.Token))
	h.get("/api/v1/visits", program).is(200)

	page := "/upkeep/residents/" + h.residentID("Ivo") + "/remove"
	h.get(page, h.session(odile)).is(200).says("Den").says("Porch light").says("Remove Ivo")
	h.post(page, nil, h.session(den)).isProblem(403, "residents-only")
	h.post(page, nil, h.session(odile)).is(http.StatusSeeOther)
	h.post(page, nil, h.session(odile)).is(http.StatusSeeOther) // as was wanted
	h.isOut(ivo, second, den)
	h.get("/api/v1/visits", program).isProblem(401, "unknown-api-token")
	h.post("/join", account(link.Query().Get("token"), "Mallory", password)).isProblem(410, "stale-link")
	h.post("/pair", url.Values{"name": {"Loft"}, "code": {code}}).is(401)
	h.ask("DELETE", "/api/v1/residents/"+h.residentID("Odile"), nil, h.session(ivo)).isProblem(401, "not-signed-in")
	h.residents("Odile")
	h.get("/upkeep/trail", h.session(odile)).is(200).
		says(`Odile</span> removed a resident who is gone`).says(`Odile</span> removed the program Porch light`)
}

// TestLastResidentStays removes the last resident, and two at the same time, each
// by the other.
func TestLastResidentStays(t *testing.T) {
	h := newRunning(t)
	left := h.resident("Odile")
	remove := func(by, name string) int {
		r, err := http.NewRequestWithContext(t.Context(), "DELETE", h.server.URL+"/api/v1/residents/"+h.residentID(name), nil)
		if err != nil {
			t.Error(err)
			return 0
		}
		h.session(by)(r)
		answer, err := h.server.Client().Do(r)
		if err != nil {
			t.Error(err)
			return 0
		}
		defer answer.Body.Close()
		return answer.StatusCode
	}
	if got := remove(left, "Odile"); got != 409 {
		t.Errorf("the last one: %d", got)
	}
	page := "/upkeep/residents/" + h.residentID("Odile") + "/remove"
	h.post(page, nil, h.session(left), browser).is(409).says("The last resident stays.")
	h.get("/upkeep/residents", h.session(left)).is(200).says("The last resident stays.")
	name := "Odile"
	for i := range 10 {
		other := fmt.Sprint("Ivo ", i)
		token := h.resident(other)
		var statuses [2]int
		var both sync.WaitGroup
		both.Go(func() { statuses[0] = remove(left, other) })
		both.Go(func() { statuses[1] = remove(token, name) })
		both.Wait()
		residents, err := h.archive.Residents(t.Context())
		// Whoever comes second finds that they are gone, or that nobody is there to remove.
		if err != nil || len(residents) != 1 || statuses[0] != 200 && statuses[1] != 200 ||
			statuses[0]+statuses[1] != 200+401 {
			t.Fatalf("%v: %d residents, %v", statuses, len(residents), err)
		}
		if residents[0].Name == other {
			left, name = token, other
		}
		if !h.opens(left) {
			t.Fatal("whoever is left is out")
		}
	}
}

// TestChangePassword changes a password by the API and by the page: old tokens and
// the old password are worth nothing after.
func TestChangePassword(t *testing.T) {
	h := newRunning(t)
	const second, third = "seven slow tin kettles", "nine wet wool blankets"
	for _, p := range []string{second, third} {
		h.secret(p)
	}
	first := h.residentWith("Odile", someHash())
	other, den := h.signsIn("Odile"), h.tablet("Den", "Odile")
	put := func(token, current, password string) *answer {
		t.Helper()
		body, err := json.Marshal(map[string]string{"current": current, "password": password})
		if err != nil {
			t.Fatal(err)
		}
		return h.ask("PUT", "/api/v1/password", strings.NewReader(string(body)), h.session(token))
	}
	put(first, second, third).isProblem(422, "wrong-password")
	put(first, password, "password123").isProblem(422, "bad-password")
	put(first, password, "Odile2031!").isProblem(422, "bad-password")
	put(den, password, second).isProblem(403, "residents-only")
	if !h.opens(first) || !h.opens(other) {
		t.Error("a session ended without a change")
	}
	now := h.secret(put(first, password, second).is(200).cookie().Value)
	h.isOut(first, other)
	if !h.opens(now) || !h.opens(den) {
		t.Error("the new session or the tablet is out")
	}
	signIn := func(password string) *answer {
		h.clock.advance(time.Minute) // so that attempts are not too many
		return h.post("/sign-in", url.Values{"name": {"Odile"}, "password": {password}})
	}
	signIn(password).is(401)
	another := h.secret(signIn(second).is(303).cookie().Value)
	h.post("/upkeep/residents/password", url.Values{"current": {second}, "password": {third}, "again": {second}},
		h.session(now)).is(422).says("not the same")
	a := h.post("/upkeep/residents/password", url.Values{"current": {second}, "password": {third}, "again": {third}},
		h.session(now)).is(303)
	h.isOut(now, another)
	last := h.secret(a.cookie().Value)
	h.get("/upkeep/residents?changed", h.session(last)).is(200).says("Your password is changed.")
	signIn(third).is(303)
	h.get("/upkeep/trail", h.session(last)).is(200).says("changed their password").
		says("a present password that was wrong")
}

// TestGuessesAtTheCurrentPassword has somebody guess at a screen that was left:
// five, and then even the right one is not looked at for a quarter of an hour.
func TestGuessesAtTheCurrentPassword(t *testing.T) {
	h := newRunning(t)
	token := h.residentWith("Odile", someHash())
	change := func(current string) *answer {
		t.Helper()
		return h.ask("PUT", "/api/v1/password", strings.NewReader(`{"current":"`+current+`","password":"`+password+`"}`),
			h.session(token))
	}
	for range guessesLately {
		change("a wrong one").isProblem(422, "wrong-password")
	}
	change(password).isProblem(429, "wrong-password-often")
	h.clock.advance(guessWait)
	change(password).is(200)
}

// TestReset sets a forgotten password by a link that a command made meanwhile, and
// tries that link again, late, altered and in another's place.
func TestReset(t *testing.T) {
	h := newRunning(t)
	const second = "seven slow tin kettles"
	session := h.residentWith(h.secret("Odile"), someHash())
	command := openArchive(t, h.dir, h.clock.now) // another process
	offer := func() string {
		_, token, err := command.OfferReset(t.Context(), h.residentID("Odile"))
		if err != nil {
			t.Fatal(err)
		}
		return h.secret(token)
	}
	fields := func(token string) url.Values {
		return url.Values{"token": {token}, "password": {h.secret(second)}, "again": {second}}
	}
	link := offer()
	h.get("/reset?token=" + link).is(200).says("A new password").says("Odile")
	h.get("/reset?token=" + link).is(200) // to look does not use it up
	h.get("/join?token="+link, browser).is(410)
	h.post("/join", account(link, "Mallory", password)).isProblem(410, "stale-link")
	weak := fields(link)
	weak["password"], weak["again"] = []string{"Odile12345"}, []string{"Odile12345"}
	h.post("/reset", weak).is(422).says("guessed first")
	if !h.opens(session) {
		t.Error("a link that was not used ended a session")
	}
	fresh := h.secret(h.post("/reset", fields(link)).is(303).cookie().Value)
	h.isOut(session)
	if !h.opens(fresh) {
		t.Error("whoever set it is not signed in")
	}
	h.post("/reset", fields(link)).isProblem(410, "stale-link")
	h.get("/reset?token="+link, browser).is(410).says("lintel resident reset")
	h.post("/sign-in", url.Values{"name": {"Odile"}, "password": {password}}).is(401)
	h.post("/sign-in", url.Values{"name": {"Odile"}, "password": {second}}).is(303)

	late := offer()
	h.clock.advance(house.ResetLasts)
	h.post("/reset", fields(late)).isProblem(410, "stale-link")
	right := offer()
	for _, guessed := range []string{"", right[:25], right + "A", strings.ToLower(right), late, fresh} {
		h.post("/reset", fields(guessed)).isProblem(410, "stale-link")
	}
	invitation := h.invitation(fresh).Query().Get("token")
	h.post("/reset", fields(invitation)).isProblem(410, "stale-link")
	h.post("/reset", fields(right)).is(303)
}

// TestWithdrawInvitation tries an invitation that was withdrawn, by the page and by
// the API.
func TestWithdrawInvitation(t *testing.T) {
	h := newRunning(t)
	in := h.session(h.resident("Odile"))
	first := h.invitation(h.signsIn("Odile")).Query().Get("token")
	var made struct{ ID, Link string }
	h.ask("POST", "/api/v1/residents/invitation", nil, in).is(201).into(&made)
	second, err := url.Parse(made.Link)
	if err != nil {
		t.Fatal(err)
	}
	h.secret(second.Query().Get("token"))
	var out struct{ Invitations []invitationJSON }
	h.get("/api/v1/invitations", in).is(200).into(&out)
	if len(out.Invitations) != 2 || out.Invitations[0].MadeBy != "Odile" {
		t.Fatalf("%+v", out)
	}
	h.ask("DELETE", "/api/v1/invitations/"+made.ID, nil, in).is(200)
	h.ask("DELETE", "/api/v1/invitations/"+made.ID, nil, in).isProblem(404, "unknown-invitation")
	for _, l := range out.Invitations {
		h.post("/upkeep/invitations/"+l.ID+"/withdraw", nil, in).is(303)
	}
	for _, token := range []string{first, second.Query().Get("token")} {
		h.get("/join?token="+token, browser).is(410)
		h.post("/join", account(token, "Mallory", password)).isProblem(410, "stale-link")
	}
	h.residents("Odile")
}
