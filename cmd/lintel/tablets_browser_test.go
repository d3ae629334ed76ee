package main

import (
	"context"
	"fmt"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"lintel/internal/house"
)

// A tabletScreen is a tablet on the wall, a finger before it, and a resident elsewhere.
type tabletScreen struct {
	finger
	adviser
	resident context.Context
}

// hallPIN is the resident's, made up.
const hallPIN = "271828"

// shortMinute has a browser take every minute, and what is longer, for a sixtieth of it.
const shortMinute = `{ const wait = window.setTimeout;
	window.setTimeout = (f, ms, ...more) => wait(f, ms < 60000 ? ms : ms / 60, ...more); }`

// TestTabletsByTouch has guests in the house and gone, and a tablet that may do less and
// less: look, and Now alone; and what is for residents opens there by a PIN. The names
// are invented.
func TestTabletsByTouch(t *testing.T) {
	h := newHousehold(t)
	h.fillWithVisits()
	h.serve()
	defer h.stop()
	resident, _ := h.browsers("Ada Quill")
	givesPIN(t, h, resident)
	wall := h.wallTablet(resident)
	if _, err := chromedp.Call(wall, emulation.SetTouchEmulationEnabled,
		emulation.SetTouchEmulationEnabledParams{Enabled: true}); err != nil {
		t.Fatal(err)
	}
	if _, err := chromedp.Call(wall, page.AddScriptToEvaluateOnNewDocument,
		page.AddScriptToEvaluateOnNewDocumentParams{Source: shortMinute}); err != nil {
		t.Fatal(err)
	}
	s := tabletScreen{finger{t, wall}, h.openAdvice(), resident}
	if err := s.SetDisplay(t.Context(), "front", house.UsualDisplay); err != nil {
		t.Fatal(err)
	}
	s.guests()
	s.looks()
	s.blurs()
	s.nowAlone()
	s.opensByPIN()
}

// givesPIN has the resident choose one on Upkeep.
func givesPIN(t *testing.T, h *household, resident context.Context) {
	t.Helper()
	do(t, resident, chromedp.Navigate(h.url+"/upkeep"))
	unfoldTo(t, resident, "#residents")
	click(t, resident, "#pin > summary")
	for _, field := range []string{"pin", "again"} {
		until(t, resident, fmt.Sprintf(`!!(document.querySelector("#pin input[name=%s]").value = %q)`, field, hallPIN))
	}
	click(t, resident, `#pin form button`)
	see(t, resident, "main", "Your PIN is set")
}

// guests are said to be there by anybody: who rings is nobody then. They are gone when
// a resident says so.
func (s tabletScreen) guests() {
	s.t.Helper()
	do(s.t, s.browser, chromedp.Navigate(s.url+"/"))
	see(s.t, s.browser, "#visits", "Ada Quill")
	s.tap(".menu > summary", `document.querySelector(".menu").open`)
	s.tap(`[action="/tablet/guests"] button`, `!!document.querySelector("[action='/tablet/guests/gone']")`)
	visit := s.rings("with-guests")
	until(s.t, s.browser, fmt.Sprintf(`!!document.getElementById("visit-%s")`, visit))
	see(s.t, s.browser, "#visits", "Somebody rang")
	if do(s.t, s.browser, chromedp.Evaluate[bool](`/Ada|Quill|stranger/i.test(document.documentElement.outerHTML) ||
		!!document.querySelector(".board, #rings li:not([hidden]), a.screen[href='/visits']")`)) {
		s.t.Errorf("guests are told more:\n%s", body(s.browser))
	}
	whole(s.t, s.browser, "tablet-guests")
	audit(s.t, s.browser, "tablet-guests")

	s.tap(".menu > summary", `document.querySelector(".menu").open`)
	s.tap(`[action="/tablet/guests/gone"] button`, `!!document.querySelector("input[name=pin]")`)
	see(s.t, s.browser, "main", "Morgan Vale")
	whole(s.t, s.browser, "tablet-pin")
	audit(s.t, s.browser, "tablet-pin")
	do(s.t, s.browser, chromedp.SendKeys(chromedp.CSS("input[name=pin]"), hallPIN))
	s.tap(".act", `!!document.querySelector("#visits")`)
	see(s.t, s.browser, "#visits", "Ada Quill")
	if n := do(s.t, s.browser, chromedp.Evaluate[int](`document.querySelectorAll("#visits form.board").length`)); n != 2 {
		s.t.Errorf("%d large buttons say something to who rang", n)
	}
}

// decides has the resident say what the tablet may.
func (s tabletScreen) decides(may house.TabletMay, blur bool) {
	s.t.Helper()
	do(s.t, s.resident, chromedp.Navigate(s.url+"/upkeep"))
	unfoldTo(s.t, s.resident, "#tablets")
	click(s.t, s.resident, `#tablets li a`)
	see(s.t, s.resident, "h1", "What Hall may do")
	click(s.t, s.resident, fmt.Sprintf(`label:has([value="%s"])`, may))
	if blur {
		click(s.t, s.resident, `label:has([name="blur"])`)
	}
	whole(s.t, s.resident, "tablet-"+string(may))
	audit(s.t, s.resident, "tablet-"+string(may))
	click(s.t, s.resident, `main form.card button`)
	see(s.t, s.resident, ".told", "Saved")
}

// looks may at who rang and at the book, and say nothing.
func (s tabletScreen) looks() {
	s.t.Helper()
	s.decides(house.MayLook, false)
	until(s.t, s.browser, `!document.querySelector(".board")`) // the page begins anew
	visit := s.rings("look-only")
	until(s.t, s.browser, fmt.Sprintf(`!!document.getElementById("visit-%s")`, visit))
	if do(s.t, s.browser, chromedp.Evaluate[bool](`!!document.querySelector(".board, .pad, .this-is")`)) {
		s.t.Errorf("answers are offered:\n%s", body(s.browser))
	}
	s.tap(`a.screen[href="/visits"]`, `location.pathname === "/visits"`)
	see(s.t, s.browser, "#list", "Ada Quill")
	whole(s.t, s.browser, "tablet-book")
	audit(s.t, s.browser, "tablet-book")
	s.tap("#list li .portrait", `location.pathname.startsWith("/visits/")`)
	see(s.t, s.browser, ".story", "Ada Quill")
	if do(s.t, s.browser, chromedp.Evaluate[bool](`!!document.querySelector(".board, .this-is, #erase, #hold")`)) {
		s.t.Errorf("on the visit, answers are offered:\n%s", body(s.browser))
	}
}

// blurs has faces blur when nobody touches the tablet, and be seen again by a touch and
// by a ring.
func (s tabletScreen) blurs() {
	s.t.Helper()
	s.decides(house.MayLook, true)
	do(s.t, s.browser, chromedp.Navigate(s.url+"/"))
	blurred := `document.documentElement.classList.contains("blurred")`
	until(s.t, s.browser, blurred)
	until(s.t, s.browser, `[...document.querySelectorAll("main img")].every((e) => getComputedStyle(e).filter.includes("blur"))`)
	screenshot(s.t, s.browser, "tablet-blurred")
	audit(s.t, s.browser, "tablet-blurred")
	watched := `(() => { sessionStorage.sharp = ""; new MutationObserver(() => { if (!` + blurred + `) sessionStorage.sharp = "yes" })
		.observe(document.documentElement, { attributes: true }); return true })()`
	do(s.t, s.browser, chromedp.Evaluate[bool](watched))
	s.tap("#visits .when", `sessionStorage.sharp === "yes"`)
	until(s.t, s.browser, `location.pathname.startsWith("/visits/")`) // where the card leads to
	do(s.t, s.browser, chromedp.Navigate(s.url+"/"))
	until(s.t, s.browser, blurred)
	do(s.t, s.browser, chromedp.Evaluate[bool](watched))
	s.rings("to-be-seen")
	until(s.t, s.browser, `sessionStorage.sharp === "yes"`)
	until(s.t, s.browser, blurred)
}

// nowAlone is all that a tablet may show: the book says who can, and takes a PIN.
func (s tabletScreen) nowAlone() {
	s.t.Helper()
	s.decides(house.MayNow, false)
	until(s.t, s.browser, `document.querySelectorAll("a.screen").length === 1`) // the page begins anew
	see(s.t, s.browser, "#visits", "Ada Quill")
	whole(s.t, s.browser, "tablet-now")
	audit(s.t, s.browser, "tablet-now")
	s.tap("#visits .whole-card", `!!document.querySelector("input[name=pin]")`)
	see(s.t, s.browser, "h1", "This is for residents")
}

// opensByPIN has a resident open at the tablet what is theirs alone.
func (s tabletScreen) opensByPIN() {
	s.t.Helper()
	do(s.t, s.browser, chromedp.Navigate(s.url+"/rules"))
	see(s.t, s.browser, "main", "This is for residents.*Morgan Vale.*Your PIN")
	whole(s.t, s.browser, "tablet-refused")
	audit(s.t, s.browser, "tablet-refused")
	do(s.t, s.browser, chromedp.SendKeys(chromedp.CSS("input[name=pin]"), "314159"))
	s.tap(".act", `!!document.querySelector("[role=alert]")`)
	do(s.t, s.browser, chromedp.SendKeys(chromedp.CSS("input[name=pin]"), hallPIN))
	s.tap(".act", `location.pathname === "/rules"`)
	see(s.t, s.browser, "h1", "Rules")
}
