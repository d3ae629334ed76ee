package web

import (
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"
)

// wrongly sends a still with a wrong secret.
func (h *household) wrongly(bell string, options ...option) *answer {
	h.t.Helper()
	options = append(h.asBell("R", 0), append(options, header("Authorization", "Bearer "+h.secret("NOT-THE-SECRET")))...)
	return h.ask("POST", "/api/v1/bells/"+bell+"/stills", unread{}, options...)
}

// TestWrongSecrets has three addresses send a thousand wrong secrets: each is told so
// ten times, and then to wait; the log has a few lines; and the bell itself is heard,
// from one of those addresses, too.
func TestWrongSecrets(t *testing.T) {
	h := newHouse(t)
	told := make(map[int]int)
	for i := range 1000 {
		a := h.wrongly("gate", from(fmt.Sprint("198.51.100.", i%3)))
		if told[a.StatusCode]++; a.StatusCode == 429 {
			if a.isProblem(429, "too-often"); a.wait() != 10 {
				t.Fatalf("to wait %d s", a.wait())
			}
		}
		if a.Header.Get("Connection") != "close" {
			t.Fatal("what follows of the still would be read")
		}
	}
	if told[401] != 3*straysAtOnce || told[429] != 1000-3*straysAtOnce {
		t.Errorf("answers: %v", told)
	}
	for range 200 {
		h.wrongly("cellar", from("198.51.100.9"))
	}
	h.rung("R1", 0, still(t, 1), from("198.51.100.1"))
	h.wrongly("gate", from("192.0.2.1")).isProblem(401, "wrong-secret") // another address waits for none of them
	log := h.log.String()
	if n := strings.Count(log, "refused a bell"); n != 4+3 {
		t.Errorf("%d lines of what was refused:\n%s", n, log)
	}
	for _, want := range []string{"bell=gate why=wrong-secret times=1 ", "bell=gate why=wrong-secret times=1000 ",
		`bell="(unknown)" why=unknown-bell times=100 `} {
		if !strings.Contains(log, want) && !strings.Contains(log, strings.ReplaceAll(want, `"`, "")) {
			t.Errorf("the log lacks %s:\n%s", want, log)
		}
	}
}

// TestTriedIsShown has Now and Upkeep say where somebody tries secrets, and a resident
// clear it, by the page and by the API.
func TestTriedIsShown(t *testing.T) {
	h := newHouse(t)
	token := h.resident("Odile")
	in, tablet := h.session(token), h.session(h.tablet("Hall", "Odile"))
	document := readDocument(t)
	const says, clears = "tried secrets at the bell gate since 18:30, from 3 addresses", "/upkeep/bells/gate/forgive"
	if a := h.get("/", tablet).is(200); strings.Contains(string(a.body), "tried secrets") {
		t.Error("Now says that somebody tries secrets")
	}
	for i := range 6 {
		h.wrongly("gate", from(fmt.Sprint("198.51.100.", i%3)))
		h.clock.advance(time.Second)
	}
	h.get("/", tablet).is(200).says(says)
	h.get("/upkeep/bells", in).is(200).says("6 so far, from 3 addresses").says("suggestions go on").says(clears)
	var list struct {
		Bells []struct {
			WrongSecrets *secretsTriedJSON `json:"wrong_secrets"`
		}
	}
	a := h.get("/api/v1/bells", in).is(200)
	document.checkAnswer(t, "GET", "/api/v1/bells", a)
	if a.into(&list); list.Bells[0].WrongSecrets == nil || list.Bells[0].WrongSecrets.Times != 6 ||
		list.Bells[0].WrongSecrets.Addresses != 3 || !list.Bells[0].WrongSecrets.WithheldUntil.IsZero() {
		t.Errorf("the API says %s", a.body)
	}
	h.post(clears, nil, tablet).isProblem(403, "residents-only")
	h.get("/", tablet).is(200).says(says)
	h.post(clears, nil, in).is(http.StatusSeeOther)
	if a := h.get("/", tablet).is(200); strings.Contains(string(a.body), "tried secrets") {
		t.Error("Now says so once it is cleared")
	}
	h.get("/upkeep/trail", in).is(200).says("cleared the wrong secrets that came in the name of the bell gate")

	h.rung("R1", 0, still(t, 1), from("198.51.100.1"))
	h.get("/", tablet).is(200)
	h.wrongly("gate", from("198.51.100.1"))
	h.get("/", tablet).is(200).says("from 1 address").says("Nothing is suggested there until 18:40")
	a = h.ask("DELETE", "/api/v1/bells/gate/wrong-secrets", nil, in).is(200)
	document.checkAnswer(t, "DELETE", "/api/v1/bells/{bell}/wrong-secrets", a)
	if strings.Contains(string(a.body), "wrong_secrets") {
		t.Errorf("the API says %s", a.body)
	}
	h.ask("DELETE", "/api/v1/bells/cellar/wrong-secrets", nil, in).isProblem(404, "unknown-bell")
}
