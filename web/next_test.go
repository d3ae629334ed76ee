package web

import (
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"
)

// TestSignInLeadsOn asks for pages, and sends forms, without a session.
func TestSignInLeadsOn(t *testing.T) {
	h := quickHouse(t)
	for _, test := range []struct{ method, address, leads, next string }{
		{"GET", "/", "/sign-in", "/"},
		{"GET", "/visits?person=P&page=2", "/sign-in?next=%2Fvisits%3Fperson%3DP%26page%3D2", "/visits?person=P&page=2"},
		{"GET", "/rules/keeping", "/sign-in?next=%2Frules%2Fkeeping", "/rules/keeping"},
		{"POST", "/rules/keeping", "/sign-in?next=%2Frules%2Fkeeping&unsaved=", "/rules/keeping"},
		{"POST", "/rules/keeping/save", "/sign-in?next=%2Frules%2Fkeeping&unsaved=", "/rules/keeping"},
		{"POST", "/people/P/phones/S/remove", "/sign-in?next=%2Fpeople%2FP&unsaved=", "/people/P"},
		{"POST", "/advice/A/used", "/sign-in?unsaved=", "/"},
	} {
		to := h.ask(test.method, test.address, nil, browser).is(http.StatusSeeOther).Header.Get("Location")
		if to != test.leads {
			t.Errorf("%s %s leads to %s, want %s", test.method, test.address, to, test.leads)
		}
		at, err := url.Parse(to)
		if err != nil {
			t.Fatal(err)
		}
		page := h.get(to).is(200)
		if test.method == "POST" {
			page.says("what you just sent was not saved")
		}
		in := h.post("/sign-in", url.Values{"name": {"Odile"}, "password": {password}, "next": {at.Query().Get("next")}}).
			is(http.StatusSeeOther)
		if got := in.Header.Get("Location"); got != test.next {
			t.Errorf("signed in, %s leads to %s, want %s", test.address, got, test.next)
		}
	}
	// A wrong password loses nothing of it.
	h.post("/sign-in", url.Values{"name": {"Odile"}, "password": {"wrong"}, "next": {"/rules/house"},
		"unsaved": {"true"}}).is(401).says(`name="next" value="/rules/house"`).says("was not saved")
}

// TestNextIsOurs sends people on through signing in to where they must not go: ways of
// writing an address of another site from CWE-601 (URL Redirection to Untrusted Site),
// the WHATWG URL Standard's reading of backslashes, and what is no page.
func TestNextIsOurs(t *testing.T) {
	h := quickHouse(t)
	for _, next := range []string{"", "//elsewhere.example", "///elsewhere.example", "/\\elsewhere.example",
		"\\\\elsewhere.example", "https://elsewhere.example/", "https:/rules", "javascript:alert(1)", "rules/house",
		"/rules/../..//elsewhere.example", "/%2F/elsewhere.example", "/%5Celsewhere.example", "/rules/house\r\nX: y",
		"/\t/elsewhere.example", "/api/v1/persons", "/assets/style.css", "/nowhere", "/sign-out", "/rules/keeping/save",
		"//rules/house", "http://odile@elsewhere.example/rules"} {
		a := h.post("/sign-in", url.Values{"name": {"Odile"}, "password": {password}, "next": {next}}).
			is(http.StatusSeeOther)
		if to := a.Header.Get("Location"); to != "/" {
			t.Errorf("next=%q leads to %q", next, to)
		}
	}
}

// TestPagesComeBack sends all there is to send, and has each page that answers say where
// it is asked for without that: a page of this house.
func TestPagesComeBack(t *testing.T) {
	w, token, _ := newWalk(t)
	w.furnish()
	in, at, seen := w.session(token), regexp.MustCompile(`data-came="([^"]*)"`), map[string]bool{}
	for _, pattern := range everyDoor() {
		if !strings.HasPrefix(pattern, "POST ") || strings.Contains(pattern, " /api/") || ends[pattern] {
			continue
		}
		a := w.step(pattern, in, browser)
		if m := at.FindSubmatch(a.body); m != nil {
			seen[string(m[1])] = true
			if again := w.get(string(m[1]), in, browser); again.StatusCode != 200 {
				t.Errorf("%s leads to %s, which is %d", pattern, m[1], again.StatusCode)
			}
		}
	}
	if !seen["/upkeep"] || !seen["/rules/keeping"] || len(seen) < 8 {
		t.Errorf("pages lead to %v", seen)
	}
}
