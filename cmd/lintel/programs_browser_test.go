package main

import (
	"context"
	"net/http"
	"testing"

	"github.com/chromedp/chromedp"
)

// TestProgramsInBrowser makes a token as a resident does, asks the server with
// it, and ends it. The names are invented.
func TestProgramsInBrowser(t *testing.T) {
	h := newHousehold(t)
	h.fillWithDoor()
	h.serve()
	defer h.stop()
	asks := func(token, path string) int {
		t.Helper()
		r, err := http.NewRequestWithContext(t.Context(), "GET", h.url+path, nil)
		if err != nil {
			t.Fatal(err)
		}
		r.Header.Set("Authorization", "Bearer "+token)
		answer, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		answer.Body.Close()
		return answer.StatusCode
	}
	wide, narrow := h.browsers("Ada Quill")
	for _, screen := range []struct {
		width   string
		browser context.Context
		program string
	}{{"1280", wide, "Porch light"}, {"400", narrow, "The small box in the attic that counts who rings"}} {
		b := screen.browser
		picture := func(name string) {
			t.Helper()
			do(t, b, chromedp.Poll[bool](`document.readyState === "complete"`)) // with its style
			whole(t, b, name+"-"+screen.width)
		}
		do(t, b, chromedp.Navigate(h.url+"/upkeep"))
		unfoldTo(t, b, `a[href="/upkeep/programs"]`)
		click(t, b, `a[href="/upkeep/programs"]`)
		see(t, b, "main", "anybody came home.*Somebody who lives here has to sign in")
		picture("programs-none")
		do(t, b, chromedp.SendKeys(chromedp.CSS(`input[name="name"]`), screen.program))
		click(t, b, `form[action="/upkeep/programs"] button`)
		see(t, b, "main", "Tick at least one")
		click(t, b, `input[value="read-visits"]`)
		click(t, b, `input[value="hear-visits"]`)
		click(t, b, `form[action="/upkeep/programs"] button`)
		see(t, b, "#program-added", "not shown again.*user name for MQTT.*curl -H.*api/v1/visits.*without TLS")
		picture("programs-added")
		token := do(t, b, chromedp.Text(chromedp.CSS("#program-added .token")))
		if got := asks(token, "/api/v1/visits"); got != 200 {
			t.Errorf("the token shown opens nothing: %d", got)
		}
		if got := asks(token, "/api/v1/advice"); got != 403 {
			t.Errorf("the token opens advice: %d", got)
		}
		do(t, b, chromedp.Navigate(h.url+"/upkeep/programs"))
		see(t, b, ".rows", screen.program+".*last used.*See visits")
		picture("programs-all")
		click(t, b, `.rows button`)
		see(t, b, "main", "No program has a token")
		if got := asks(token, "/api/v1/visits"); got != 401 {
			t.Errorf("the ended token: %d", got)
		}
	}
}
