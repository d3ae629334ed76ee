package web

import (
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
)

func TestPairing(t *testing.T) {
	h, token := settledHouse(t)
	tries := 0
	pair := func(code string, options ...option) *answer {
		t.Helper()
		tries++
		options = append(options, from(fmt.Sprint("192.0.2.", tries))) // so that attempts are not too many
		return h.post("/pair", url.Values{"name": {" Hall "}, "code": {code}}, options...)
	}
	pair("12345678").is(http.StatusUnauthorized).says("not valid") // before there is any
	code := h.pairingCode(token)
	pair("").is(http.StatusUnauthorized)
	pair(code[:7]).is(http.StatusUnauthorized)
	pair(code + "0").is(http.StatusUnauthorized)
	for _, name := range []string{"", "  ", strings.Repeat("h", 61)} {
		h.post("/pair", url.Values{"name": {name}, "code": {code}}).is(http.StatusUnprocessableEntity).
			says("Give the tablet a name")
		h.clock.advance(30 * time.Second)
	}
	a := pair(code[:4] + " " + code[4:] + " ").is(http.StatusSeeOther) // as it is shown
	tablet := h.secret(a.cookie().Value)
	h.get("/", h.session(tablet)).is(http.StatusOK)
	h.get("/upkeep", h.session(token)).is(http.StatusOK).says("Hall</strong> <small>paired by Odile")
	pair(code).is(http.StatusUnauthorized) // once only

	code = h.pairingCode(token)
	h.clock.advance(pairingLasts)
	h.post("/pair", url.Values{"name": {"Hall"}, "code": {code}}).is(http.StatusUnauthorized).
		says("older than five minutes")
	code = h.pairingCode(token)
	h.clock.advance(pairingLasts - time.Second)
	h.post("/pair", url.Values{"name": {"Attic"}, "code": {code}}).is(http.StatusSeeOther)

	earlier, later := h.pairingCode(token), h.pairingCode(token)
	pair(earlier).is(http.StatusUnauthorized) // a new code takes the old one's place
	pair(later).is(http.StatusSeeOther)

	// Unpaired, at once.
	tablets, err := h.archive.Tablets(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, tab := range tablets {
		h.post("/upkeep/tablets/"+tab.ID+"/unpair", nil, h.session(token)).is(http.StatusSeeOther)
	}
	h.get("/", h.session(tablet)).isProblem(401, "not-signed-in")
	h.get("/api/v1/visits", h.session(tablet)).isProblem(401, "not-signed-in")
	h.get("/upkeep", h.session(token)).is(http.StatusOK).says("No tablet is paired.")
	// Twice, as when two residents press it, is no error.
	h.post("/upkeep/tablets/"+tablets[0].ID+"/unpair", nil, h.session(token)).is(http.StatusSeeOther)
}

// TestWrongCodesVoidThePairing has many hosts guess at a code of eight digits.
func TestWrongCodesVoidThePairing(t *testing.T) {
	for misses, status := range map[int]int{maxMisses - 1: http.StatusSeeOther, maxMisses: http.StatusUnauthorized} {
		t.Run(strconv.Itoa(misses), func(t *testing.T) {
			h := newHouse(t)
			code := h.pairingCode(h.resident("Odile"))
			for i := range misses {
				wrong := fmt.Sprintf("%08d", i)
				if wrong == code {
					wrong = "x"
				}
				h.post("/pair", url.Values{"name": {"Hall"}, "code": {wrong}}, from(fmt.Sprintf("198.51.%d.%d", i/250, i%250))).
					is(http.StatusUnauthorized)
			}
			h.post("/pair", url.Values{"name": {"Hall"}, "code": {code}}, from("203.0.113.5")).is(status)
		})
	}
}

func TestInvitation(t *testing.T) {
	h, token := settledHouse(t)
	link := h.invitation(token, func(r *http.Request) { r.Host = "door.example:8420" })
	if link.Scheme != "http" || link.Host != "door.example:8420" || link.Path != "/join" {
		t.Errorf("the link is %v", link)
	}
	first := link.Query().Get("token")
	h.get(link.RequestURI()).is(http.StatusOK).says(first)
	h.post("/set-up", account(first, "Ivo", password)).isProblem(410, "stale-link")

	// A name that is taken costs no invitation.
	h.post("/join", account(first, "ODILE", password)).is(http.StatusConflict).says("has this name already").says(first)
	h.residents("Odile")
	a := h.post("/join", account(first, h.secret("Ivo"), password)).is(http.StatusSeeOther)
	h.get("/upkeep", h.session(h.secret(a.cookie().Value))).is(http.StatusOK).says("Ivo").says("Odile")
	h.residents("Ivo", "Odile")
	h.post("/join", account(first, "Mallory", password)).isProblem(410, "stale-link")

	old := h.invitation(token).Query().Get("token")
	h.clock.advance(house.InvitationLasts)
	h.post("/join", account(old, "Mallory", password)).isProblem(410, "stale-link")
	h.residents("Ivo", "Odile")
}

// TestInvitationOverTLS leads back to where the resident is.
func TestInvitationOverTLS(t *testing.T) {
	h := newHouse(t, func(c *Config) { c.TLS = true })
	if link := h.invitation(h.resident("Odile")); link.Scheme != "https" {
		t.Errorf("the link is %v", link)
	}
}
