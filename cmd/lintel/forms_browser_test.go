package main

import (
	"context"
	"fmt"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
)

// TestFormsInBrowser types into Rules, by touch at a tablet's and a telephone's size:
// what was typed is there after a reload, after another page, and after the session
// ended; two tabs that save are told; and a tablet's pairing is noticed.
func TestFormsInBrowser(t *testing.T) {
	h := newHousehold(t)
	h.fillWithVisits()
	h.serve()
	defer func() { h.stop() }()
	wide, narrow := h.browsers("Ada Quill")
	for width, browser := range map[int]context.Context{1280: wide, 390: narrow} {
		height := map[int]int64{1280: 800, 390: 844}[width]
		do(t, browser, chromedp.EmulateViewport(int64(width), height, chromedp.EmulateTouch))
		f := formScreen{t, h, browser, fmt.Sprint(width)}
		f.keepsDraft()
		f.comesBack()
		f.outlivesSession()
		f.fits()
	}
	twoTabs(t, h, wide, narrow)
	pairsUnasked(t, h, wide)
}

// A formScreen is a browser of some width.
type formScreen struct {
	t       *testing.T
	h       *household
	browser context.Context
	width   string
}

// goTo goes to a page.
func (f formScreen) goTo(path string) {
	f.t.Helper()
	do(f.t, f.browser, chromedp.Navigate(f.h.url+path))
	until(f.t, f.browser, `document.readyState === "complete"`)
}

// value waits until a field has a value.
func (f formScreen) value(field, value string) {
	f.t.Helper()
	until(f.t, f.browser, fmt.Sprintf(`document.querySelector('[name="%s"]')?.value === %q`, field, value))
}

// types puts a text in the place of what a field holds.
func (f formScreen) types(field, text string) {
	f.t.Helper()
	do(f.t, f.browser, chromedp.Clear(chromedp.CSS(`[name="`+field+`"]`)))
	do(f.t, f.browser, chromedp.SendKeys(chromedp.CSS(`[name="`+field+`"]`), text))
	f.value(field, text)
}

func (f formScreen) keepsDraft() {
	f.goTo("/rules/keeping")
	f.value("stranger.stills", "72")
	f.types("stranger.stills", "41")
	do(f.t, f.browser, chromedp.Reload())
	see(f.t, f.browser, "[data-draft]", "Your text from before is back")
	f.value("stranger.stills", "41")
	whole(f.t, f.browser, "draft-"+f.width)
	// A quiet time that was added comes back too, after another page.
	click(f.t, f.browser, `button[name="add"]`)
	see(f.t, f.browser, ".quiet-time", "Quiet time 1")
	click(f.t, f.browser, `[name="quiet.0.day"][value="6"]`)
	until(f.t, f.browser, `JSON.stringify(sessionStorage).includes("quiet.0.day")`)
	f.goTo("/rules/house")
	f.goTo("/rules/keeping")
	see(f.t, f.browser, "[data-draft]", "is back")
	until(f.t, f.browser, `document.querySelector('[name="quiet.0.day"][value="6"]')?.checked`)
	f.value("stranger.stills", "41")
	click(f.t, f.browser, "[data-draft] button")
	f.value("stranger.stills", "72")
	if kept := do(f.t, f.browser, chromedp.Evaluate[string](`JSON.stringify(sessionStorage)`)); kept != "{}" {
		f.t.Errorf("thrown away, and the tab still keeps %s", kept)
	}
}

// comesBack goes on to another page and back, as the browser's button does: to a form as
// it was asked for, and to one as it was drawn from what was sent, which a browser would
// want to be sent again. What was typed is there both times, and a third time back is
// before the form. A page that another browser kept is asked for anew.
func (f formScreen) comesBack() {
	f.goTo("/rules")
	f.goTo("/rules/keeping")
	f.types("stranger.stills", "43")
	do(f.t, f.browser, chromedp.Evaluate[string](`document.body.dataset.old = "yes"`))
	do(f.t, f.browser, chromedp.Evaluate[bool](`dispatchEvent(new PageTransitionEvent("pageshow", { persisted: true }))`))
	until(f.t, f.browser, `document.readyState === "complete" && !document.body.dataset.old`)
	f.value("stranger.stills", "43")
	click(f.t, f.browser, `button[name="add"]`)
	see(f.t, f.browser, ".quiet-time", "Quiet time 1")
	click(f.t, f.browser, `[name="quiet.0.day"][value="6"]`)
	until(f.t, f.browser, `JSON.stringify(sessionStorage).includes("quiet.0.day")`)
	f.goTo("/rules/house")
	for range 2 {
		f.goesBack("/rules/keeping")
		see(f.t, f.browser, "[data-draft]", "is back")
		f.value("stranger.stills", "43")
		until(f.t, f.browser, `document.querySelector('[name="quiet.0.day"][value="6"]')?.checked`)
	}
	f.goesBack("/rules")
	f.goTo("/rules/keeping")
	see(f.t, f.browser, "[data-draft]", "is back")
	click(f.t, f.browser, "[data-draft] button")
	f.value("stranger.stills", "72")
}

// goesBack goes back to a page.
func (f formScreen) goesBack(path string) {
	f.t.Helper()
	do(f.t, f.browser, chromedp.NavigateBack())
	until(f.t, f.browser, fmt.Sprintf(`document.readyState === "complete" && location.pathname === %q`, path))
}

// outlivesSession sends a form after its session was ended elsewhere.
func (f formScreen) outlivesSession() {
	f.goTo("/rules/house")
	f.types("percent", "37")
	until(f.t, f.browser, `fetch("/api/v1/session", { method: "DELETE" }).then((a) => a.ok)`)
	click(f.t, f.browser, ".kept .act")
	see(f.t, f.browser, "main", "what you just sent was not saved")
	whole(f.t, f.browser, "unsaved-"+f.width)
	fill(f.t, f.browser, "name", "Morgan Vale", "password", "a very quiet lantern")
	see(f.t, f.browser, "[data-draft]", "Your text from before is back")
	f.value("percent", "37")
	if text := do(f.t, f.browser, chromedp.Evaluate[string](`JSON.stringify(sessionStorage)`)); strings.Contains(text,
		"lantern") {
		f.t.Error("the tab keeps a password")
	}
	click(f.t, f.browser, ".kept .act")
	see(f.t, f.browser, ".told[data-saved]", "Saved")
	until(f.t, f.browser, `sessionStorage.length === 0`)
	do(f.t, f.browser, chromedp.SetValue(chromedp.CSS(`[name="percent"]`), "50"))
	do(f.t, f.browser, chromedp.Evaluate[string](`document.body.dataset.old = "yes"`))
	click(f.t, f.browser, ".kept .act")
	until(f.t, f.browser, `!document.body.dataset.old`) // another page came, which had said the same before
	f.value("percent", "50")
	see(f.t, f.browser, ".told[data-saved]", "Saved")
}

// fits has each page of Rules on one screen of the tablet.
func (f formScreen) fits() {
	for _, path := range []string{"/rules", "/rules/keeping", "/rules/privacy", "/rules/advice", "/rules/house", "/upkeep",
		"/checks"} {
		f.goTo(path)
		whole(f.t, f.browser, "forms"+strings.ReplaceAll(path, "/", "-")+"-"+f.width)
		if height := do(f.t, f.browser, chromedp.Evaluate[int](`document.documentElement.scrollHeight`)); f.width == "1280" {
			f.t.Logf("%s is %d px high", path, height)
		}
	}
}

// twoTabs has two browsers begin one form and both save.
func twoTabs(t *testing.T, h *household, one, two context.Context) {
	t.Helper()
	for _, b := range []context.Context{one, two} {
		do(t, b, chromedp.Navigate(h.url+"/rules/house"))
		see(t, b, "main", "It is")
	}
	do(t, one, chromedp.SetValue(chromedp.CSS(`[name="zone"]`), "Europe/Oslo"))
	click(t, one, ".kept .act")
	see(t, one, ".told[data-saved]", "Saved")
	do(t, two, chromedp.SetValue(chromedp.CSS(`[name="zone"]`), "Europe/Lisbon"))
	click(t, two, ".kept .act")
	see(t, two, "main", "Somebody saved before you.*Morgan Vale saved this.*Europe/Oslo")
	until(t, two, `document.querySelector('[name="zone"]').value === "Europe/Lisbon"`)
	whole(t, two, "two-tabs-390")
	click(t, two, ".kept .act")
	see(t, two, ".told[data-saved]", "Saved")
}

// pairsUnasked pairs a tablet, and has the page with the code say so by itself.
func pairsUnasked(t *testing.T, h *household, resident context.Context) {
	t.Helper()
	h.wallTablet(resident)
	see(t, resident, "#paired", "Hall is paired")
	see(t, resident, "#tablets", "Hall")
	if do(t, resident, chromedp.Evaluate[bool](`!!document.getElementById("pairing-code")`)) {
		t.Error("the code is still shown")
	}
	whole(t, resident, "paired-1280")
}
