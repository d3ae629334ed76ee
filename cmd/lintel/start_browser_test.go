package main

import (
	"regexp"
	"testing"

	"github.com/chromedp/chromedp"
)

// TestStartInBrowser is a newcomer's first quarter of an hour, by touch and without a
// terminal but for what stands in for the bell: the page offers the browser's zone,
// shows the secret of a new bell, and notices by itself that the bell rang and that a
// tablet was paired.
func TestStartInBrowser(t *testing.T) {
	h := newHousehold(t)
	h.serve()
	wide, narrow := newBrowser(t, 1280, 800), newBrowser(t, 390, 844)
	do(t, wide, chromedp.Navigate(h.link))
	fill(t, wide, "name", "Morgan Vale", "password", "a very quiet lantern", "again", "a very quiet lantern")
	see(t, wide, "#start", "First steps: 0 of 6")
	screenshot(t, wide, "start-now-1280")
	click(t, wide, `#start a`)
	see(t, wide, "#house summary", "To do")
	if zone := do(t, wide, chromedp.Evaluate[string](`document.querySelector("#zone").value`)); zone == "" {
		t.Error("the browser's zone is not offered")
	}
	screenshot(t, wide, "start-1280")
	click(t, wide, `#house button`)
	see(t, wide, "#house summary", "Done")

	click(t, wide, `#bell a.button`)
	do(t, wide, chromedp.SendKeys(chromedp.CSS("input[name=name]"), "Front door"))
	click(t, wide, "main form button")
	see(t, wide, "#secret", "secret")
	screenshot(t, wide, "start-bell-1280")
	secret := regexp.MustCompile(`[A-Z2-7]{26}`).FindString(do(t, wide, chromedp.Text(chromedp.CSS("#secret"))))
	click(t, wide, `a.button[href="/start"]`)
	see(t, wide, "#look", "waiting for its first ring")
	h.lintel("ring", aVisitorsFile(t), "--bell", "front-door", "--secret", secret, "--server", h.url)
	see(t, wide, "#look", "has rung")
	screenshot(t, wide, "start-look-1280")

	click(t, wide, `#tablet summary`)
	click(t, wide, `#tablet button`)
	see(t, wide, "#pairing-code", `[0-9]{4} [0-9]{4}`)
	screenshot(t, wide, "start-tablet-1280")
	code := do(t, wide, chromedp.Text(chromedp.CSS("#pairing-code")))
	do(t, narrow, chromedp.Navigate(h.url+"/pair"))
	fill(t, narrow, "code", code, "name", "Hall")
	see(t, narrow, "#visits article", "Front door")
	see(t, wide, "#tablet summary", "Done")

	do(t, narrow, chromedp.Navigate(h.url+"/start"))
	see(t, narrow, "h1", "resident")
	phone := newBrowser(t, 390, 844)
	do(t, phone, chromedp.Navigate(h.url+"/sign-in"))
	fill(t, phone, "name", "Morgan Vale", "password", "a very quiet lantern")
	see(t, phone, "#start", "First steps: 3 of 6")
	click(t, phone, `#start a`)
	see(t, phone, "#tablet summary", "Done")
	screenshot(t, phone, "start-390")
	click(t, phone, `form[action="/start/done"] button`)
	see(t, phone, "#visits article", "Front door")
	h.stop()
}
