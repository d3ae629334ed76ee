package main

import (
	"context"
	"encoding/json"
	"io"
	"net/http"
	"testing"

	"github.com/chromedp/chromedp"
)

// A display is that of a bell, as the bell asks for it.
type display struct {
	t           *testing.T
	url, secret string
	etag        string
}

// ask asks what to show, and waits if that is what is shown already.
func (d *display) ask(method, path string, answer any) (status int) {
	d.t.Helper()
	r, err := http.NewRequestWithContext(d.t.Context(), method, d.url+path, nil)
	if err != nil {
		d.t.Fatal(err)
	}
	r.Header.Set("Authorization", "Bearer "+d.secret)
	r.Header.Set("If-None-Match", d.etag)
	response, err := http.DefaultClient.Do(r)
	if err != nil {
		d.t.Fatal(err)
	}
	defer response.Body.Close()
	body, err := io.ReadAll(response.Body)
	if err == nil && response.StatusCode == http.StatusOK {
		d.etag = response.Header.Get("ETag")
		err = json.Unmarshal(body, answer)
	}
	if err != nil {
		d.t.Fatal(err)
	}
	return response.StatusCode
}

// TestMessagesInBrowser has a bell with a display: a ring, a tap, and the bell shows
// it; then words of a resident's own, which are seen first; then nothing answers.
func TestMessagesInBrowser(t *testing.T) {
	h := newHousehold(t)
	h.fillWithVisits()
	h.serve()
	defer func() { h.stop() }()
	wide, narrow := h.browsers("front")
	picture := func(name string) {
		t.Helper()
		whole(t, wide, name+"-1280")
		whole(t, narrow, name+"-400")
	}
	both := func(path, pattern string) {
		t.Helper()
		for _, browser := range []context.Context{wide, narrow} {
			do(t, browser, chromedp.Navigate(h.url+path))
			see(t, browser, "main", pattern)
		}
	}
	bell := &display{t: t, url: h.url + "/api/v1/bells/side/display", secret: h.lintel("bell", "add", "side")}

	both("/upkeep/displays/side", "Say what the display is like")
	click(t, wide, `input[value="A02"]`)
	click(t, wide, `.rules-form section button`)
	see(t, wide, "main", "Saved.*Sample: äöüß é")
	both("/upkeep/displays/side", "Sample: äöüß é")
	picture("display")
	both("/rules/messages", "Don’t say that nobody is home")
	picture("messages")

	both("/", "front")
	h.lintel("ring", aVisitorsFile(t), "--frames", "1", "--server", h.url,
		"--bell", "side", "--secret", bell.secret)
	for _, browser := range []context.Context{wide, narrow} {
		see(t, browser, "#visits article:first-child", "A stranger.*Coming.*leave it at the door.*Say something else")
		until(t, browser, `document.querySelector("#visits").ariaBusy === "false"`) // then it takes a tap
		click(t, browser, "#visits article:first-child .more summary")
		see(t, browser, "#visits article:first-child .more", "No, thank you.*Your own words")
	}
	picture("say")
	click(t, wide, `#visits article:first-child .acts > form:nth-child(2) button`)
	see(t, wide, "#visits article:first-child .sent", "Please leave it at.*Morgan Vale sent this.*has not said yet")

	var page struct {
		Message string
		Lines   []string
	}
	if status := bell.ask("GET", "", &page); status != 200 || page.Lines[1] != " Please leave it at " {
		t.Fatalf("the bell is told %d %+v", status, page)
	}
	if status := bell.ask("POST", "/"+page.Message+"/shown", nil); status != 204 {
		t.Fatalf("the bell's word is answered %d", status)
	}
	see(t, narrow, "#visits article:first-child .sent", "Shown at")
	picture("said")

	typedInBrowser(t, wide, bell)
	do(t, wide, chromedp.Navigate(h.url+"/")) // no bell says that it shows that
	see(t, wide, "#visits article:first-child .sent", "Not received")
	picture("missed")
}

// typedInBrowser has a resident type something, which is seen before it is sent.
func typedInBrowser(t *testing.T, wide context.Context, bell *display) {
	t.Helper()
	do(t, wide, chromedp.Evaluate[bool](`(document.querySelector("#visits article .more").open = true)`))
	do(t, wide, chromedp.SendKeys(chromedp.CSS(`#visits article:first-child .board .wide input`),
		"Łukasz, ½ Minute\r"))
	see(t, wide, "main", `The display lacks some characters.*Ł is shown as L`)
	whole(t, wide, "typed-1280")
	click(t, wide, `.rules-form section button:not([name])`)
	see(t, wide, ".card .sent", "Lukasz, ½ Minute")
	var page struct{ Lines []string }
	if status := bell.ask("GET", "?wait=60", &page); status != 200 || page.Lines[1] != "  Lukasz, ½ Minute  " {
		t.Errorf("the bell is told %d %+v", status, page)
	}
}
