package web

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"

	"lintel/internal/chromium"
	"lintel/internal/house"
	"lintel/pipeline/advice/policy"
	"lintel/pipeline/advice/totp"
)

// A wall is a browser that shows Now of a house whose clock stands still until it is
// moved.
type wall struct {
	*household
	browser context.Context
	url     string
	ada     string
	rings   int
}

// newWall signs a browser in by a cookie.
func newWall(t *testing.T, h *household, token string, width, height int) *wall {
	t.Helper()
	server := httptest.NewServer(h)
	t.Cleanup(func() {
		if err := h.Drain(context.Background()); err != nil {
			t.Error(err)
		}
		server.Close()
	})
	w := &wall{household: h, browser: chromium.New(t, width, height), url: server.URL}
	host := strings.TrimPrefix(server.URL, "http://")
	host, _, _ = strings.Cut(host, ":")
	if _, err := chromedp.Call(w.browser, network.SetCookie, network.SetCookieParams{Name: h.cookieName(), Value: token,
		Domain: host, Path: "/"}); err != nil {
		t.Fatal(err)
	}
	return w
}

// step runs one step in the browser.
func step[T any](t *testing.T, w *wall, action chromedp.Action[T]) T {
	t.Helper()
	limited, cancel := context.WithTimeout(w.browser, 30*time.Second)
	defer cancel()
	v, err := chromedp.Run(limited, action)
	if err != nil {
		page, _ := chromedp.Run(w.browser, chromedp.Evaluate[string]("document.querySelector('article').outerHTML"))
		t.Fatalf("in the browser: %v\n%s", err, page)
	}
	return v
}

// navigated reports whether a step failed since another page came meanwhile.
func navigated(err error) bool {
	return strings.Contains(err.Error(), "context") || strings.Contains(err.Error(), "navigated")
}

// until waits until a script says true, through whatever pages come in between.
func (w *wall) until(t *testing.T, script string) {
	t.Helper()
	limited, cancel := context.WithTimeout(w.browser, 30*time.Second)
	defer cancel()
	for {
		_, err := chromedp.Run(limited, chromedp.Poll[bool](script))
		if err == nil {
			return
		}
		if limited.Err() != nil || !navigated(err) {
			page, _ := chromedp.Run(w.browser, chromedp.Evaluate[string]("document.body.outerHTML"))
			t.Fatalf("waiting for %s: %v\n%s", script, err, page)
		}
	}
}

// opens has the browser show Now, with its pictures.
func (w *wall) opens(t *testing.T) {
	t.Helper()
	step(t, w, chromedp.Navigate(w.url+"/"))
	w.until(t, `document.body.dataset.advice === "ready" && !document.querySelector("article .ago:empty")`)
}

func (w *wall) pictures(t *testing.T) {
	t.Helper()
	w.until(t, `[...document.querySelectorAll("article img")].every(i => i.complete && i.naturalWidth > 0)`)
}

// tap touches what a selector finds, once it is there and takes taps. Where a card took its place
// between the two, it looks again: nothing was touched then.
func (w *wall) tap(t *testing.T, selector string) {
	t.Helper()
	limited, cancel := context.WithTimeout(w.browser, 30*time.Second)
	defer cancel()
	w.until(t, `document.querySelector("#visits")?.ariaBusy !== "true"`)
	for {
		_, err := chromedp.Run(limited, chromedp.Evaluate[bool](fmt.Sprintf(
			`(document.querySelector(%q)?.scrollIntoView({ block: "center", behavior: "instant" }), true)`, selector)))
		if err == nil {
			_, err = chromedp.Run(limited, chromedp.Tap(chromedp.CSS(selector)))
		}
		if err == nil {
			return
		}
		if !strings.Contains(err.Error(), "node with given id") || limited.Err() != nil {
			t.Fatalf("touching %s: %v", selector, err)
		}
	}
}

func (w *wall) shoot(t *testing.T, name string) {
	t.Helper()
	if *screenshots == "" {
		return
	}
	png := step(t, w, chromedp.CaptureScreenshot())
	if err := os.WriteFile(filepath.Join(*screenshots, name+".png"), png, 0o644); err != nil {
		t.Fatal(err)
	}
}

// resizes has the browser be a tablet or telephone of another size, with a touch screen.
func (w *wall) resizes(t *testing.T, width, height int) {
	t.Helper()
	step(t, w, chromedp.EmulateViewport(int64(width), int64(height), chromedp.EmulateTouch))
}

// rang keeps a ring of so many stills.
// Whoever it is stands on all of them; nil is a stranger, and no face at all where
// seen is false.
func (w *wall) rang(t *testing.T, stills int, match *house.Match, seen bool) (visit string) {
	t.Helper()
	w.rings++
	data, face := bellStill()
	for frame := range stills {
		var err error
		visit, _, err = w.archive.Keep(t.Context(), house.NewStill{Bell: "gate", Ring: fmt.Sprint("R", w.rings),
			Frame: frame, JPEG: data, Width: 1280, Height: 1024, ReceivedAt: w.clock.now()})
		if err != nil {
			t.Fatal(err)
		}
		var faces []house.Face
		if seen {
			faces = []house.Face{{Box: face, Descriptor: house.Descriptor{1, 0, .2}, Match: match}}
		}
		record(t, w.archive, visit, frame, faces...)
	}
	return visit
}

func (w *wall) isAda() *house.Match {
	return &house.Match{Person: w.ada, Distance: .2, FPIR: 1e-6, Band: "strong", Frames: 5}
}

// waits keeps advice that waits for Ada's code or phone, or a resident's word.
func (w *wall) waits(t *testing.T, visit, door string) {
	t.Helper()
	rule := house.DoorRule{Factors: []house.FactorKind{house.FactorCode, house.FactorArrival, house.FactorResident}, Need: 1}
	var all []house.Condition
	for _, c := range policy.Decide(policy.Input{}).Conditions {
		c.Met, c.NotAsked, c.Reasons = c.Code != policy.Factors, false, nil
		if !c.Met {
			c.Reasons = []house.Reason{{Code: "factors-lack",
				Values: house.Values{Person: w.ada, Of: 1, Rules: []house.DoorRule{rule}}}}
		}
		all = append(all, c)
	}
	w.advised(house.Advice{Visit: visit, Door: door, Person: w.ada, State: house.Withheld, Conditions: all})
}

// newFamily is a wall with a resident's browser, Ada who has a rule and codes, a bell
// with a display, and a day of rings.
func newFamily(t *testing.T, width, height int) (w *wall, door string) {
	t.Helper()
	h := newHouse(t)
	token := h.resident("Odile")
	ada := h.enrolled("Ada Quill").ID
	if err := h.archive.SetOneTimeSecret(t.Context(), ada, totp.Secret{7}.Text(), 0); err != nil {
		t.Fatal(err)
	}
	door = h.door("the front door")
	if err := h.archive.SetDisplay(t.Context(), "gate", house.UsualDisplay); err != nil {
		t.Fatal(err)
	}
	w = newWall(t, h, token, width, height)
	w.ada = ada
	h.clock.advance(-26 * time.Hour)
	w.rang(t, 1, nil, true)
	h.clock.advance(20 * time.Hour)
	for i := range 4 {
		w.rang(t, 1, []*house.Match{nil, w.isAda()}[i%2], i != 2)
		h.clock.advance(90*time.Minute - time.Second)
	}
	return w, door
}

var screenSizes = []struct{ width, height int }{{1280, 800}, {800, 1280}, {390, 844}, {1920, 1080}}

// TestNowAsAFamilySeesIt has Ada ring, with five stills and advice that waits for a
// factor: at each size the page fits sideways and can be touched and read, and on the
// tablet all of the ring is on the screen at once.
func TestNowAsAFamilySeesIt(t *testing.T) {
	w, door := newFamily(t, 1280, 800)
	w.waits(t, w.rang(t, 5, w.isAda(), true), door)
	for _, size := range screenSizes {
		name := fmt.Sprintf("now-%dx%d", size.width, size.height)
		w.resizes(t, size.width, size.height)
		w.opens(t)
		w.pictures(t)
		w.shoot(t, name)
		w.checkSize(t, name)
		chromium.Audit(t, w.browser, name)
	}
	w.resizes(t, 1280, 800)
	w.opens(t)
	w.pictures(t)
	w.checkReadable(t)
	w.checkWhole(t)
}

// checkSize checks that nothing to touch is under 48 px and nothing sticks out sideways.
func (w *wall) checkSize(t *testing.T, name string) {
	t.Helper()
	small := step(t, w, chromedp.Evaluate[[]string](`[...document.querySelectorAll("a, button, summary, `+
		`input:not([type=hidden])")].filter(e => e.checkVisibility() && !e.matches(".skip")).filter(e => {
		const r = e.getBoundingClientRect(); return r.width < 48 || r.height < 48 }).map(e => e.outerHTML)`))
	if len(small) > 0 {
		t.Errorf("%s: too small to touch: %q", name, small)
	}
	if step(t, w, chromedp.Evaluate[bool](`document.documentElement.scrollWidth > innerWidth`)) {
		t.Errorf("%s: the page is wider than the screen", name)
	}
}

// checkReadable measures the type of everything that can be read at 1280x800. A tablet
// of 10.1 inches has 0.170 mm a pixel there (diagonal 256.5 mm / 1509.4 px), and
// capitals of DejaVu Sans are .729 of the type size (the font's own table OS/2,
// sCapHeight 1493 of 2048). Source of the size: ISO 8596 has letters of 5 minutes of arc
// for visual acuity 1.0, so 2.91 mm at 2 m and 4.36 mm at 3 m.
func (w *wall) checkReadable(t *testing.T) {
	t.Helper()
	const mm, capital = 256.54 / 1509.4, 1493. / 2048
	var read []struct {
		Text string
		Size float64
		Name bool
	}
	raw := step(t, w, chromedp.Evaluate[string](`(() => {
		const texts = [], walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
		while (walk.nextNode()) {
			const e = walk.currentNode.parentElement, text = walk.currentNode.data.trim();
			if (text && e.checkVisibility({ visibilityProperty: true }) && !e.closest(".skip, .unseen, script, noscript")) texts.push({
				Text: text, Size: parseFloat(getComputedStyle(e).fontSize), Name: !!e.closest("article .headline") });
		}
		return JSON.stringify(texts);
	})()`))
	if err := json.Unmarshal([]byte(raw), &read); err != nil {
		t.Fatal(err)
	}
	names := 0
	for _, r := range read {
		needs := 2.909 // mm
		if r.Name {
			needs, names = 4.363, names+1
		}
		if r.Size*mm*capital < needs {
			t.Errorf("%q is %g px: capitals of %.2f mm, and %.2f are needed", r.Text, r.Size, r.Size*mm*capital, needs)
		}
	}
	if names != 1 || len(read) < 15 {
		t.Errorf("%d names of %d texts were measured", names, len(read))
	}
}

// checkWhole checks that all of the latest ring is on the screen, that no frame lies over
// a face, and that there are two large buttons at most.
func (w *wall) checkWhole(t *testing.T) {
	t.Helper()
	if bottom := step(t, w, chromedp.Evaluate[float64](`document.querySelector("article").getBoundingClientRect().bottom`)); bottom > 800 {
		t.Errorf("the ring ends at %v of 800", bottom)
	}
	over := step(t, w, chromedp.Evaluate[int](`(() => {
		const box = (e) => e.getBoundingClientRect(), face = box(document.querySelector(".visitor .portrait")),
			whole = box(document.querySelector(".whole > img"));
		return [...document.querySelectorAll(".frames img")].map(box).filter(f => [face, whole].some(o =>
			f.left < o.right && f.right > o.left && f.top < o.bottom && f.bottom > o.top)).length })()`))
	if over > 0 {
		t.Errorf("%d frames lie over the face or the still", over)
	}
	if n := step(t, w, chromedp.Evaluate[int](`[...document.querySelectorAll("article .act")].filter(e => e.checkVisibility()).length`)); n > actsAtMost || n == 0 {
		t.Errorf("%d large buttons", n)
	}
	if side := step(t, w, chromedp.Evaluate[float64](`document.querySelector(".visitor .portrait").getBoundingClientRect().width`)); side < 380 {
		t.Errorf("the face is %v px wide", side)
	}
}

const actsAtMost = 2

// TestNowByTouch has a resident answer at a tablet: the card leads to the visit, the
// reasons are behind a tap, a code is entered on the pad, and something is said to who
// rang.
func TestNowByTouch(t *testing.T) {
	for _, size := range screenSizes {
		t.Run(fmt.Sprintf("%dx%d", size.width, size.height), func(t *testing.T) {
			w, door := newFamily(t, size.width, size.height)
			visit := w.rang(t, 2, w.isAda(), true)
			w.waits(t, visit, door)
			w.resizes(t, size.width, size.height)
			w.opens(t)
			w.pictures(t)
			if step(t, w, chromedp.Evaluate[bool](`document.querySelector("article .reasons").checkVisibility()`)) {
				t.Error("the reasons are not folded")
			}
			w.tap(t, "article > .why > summary")
			w.until(t, `[...document.querySelectorAll("article .reasons li")].filter(e => e.checkVisibility()).length === 17`)
			w.shoot(t, fmt.Sprintf("why-%d", size.width))
			w.tap(t, "article > .why > summary")
			w.tap(t, "article .pad > summary")
			w.until(t, `document.querySelector("article .digits").checkVisibility()`)
			w.checkSize(t, "the pad")
			chromium.Audit(t, w.browser, "the pad")
			for _, digit := range "123" {
				w.tap(t, fmt.Sprintf(`article .digits [data-digit="%c"]`, digit))
			}
			w.tap(t, `article .digits [data-digit=""]`)
			w.shoot(t, fmt.Sprintf("pad-%d", size.width))
			// Something changes meanwhile: what was typed stays, and the pad open.
			was := step(t, w, chromedp.Evaluate[string](`document.querySelector("article").dataset.revision`))
			w.waits(t, visit, door)
			w.until(t, `document.querySelector("article").dataset.revision !== "`+was+`" && `+
				`document.querySelector("article input[name=code]").value === "12" && document.querySelector("article .pad").open`)
			for _, digit := range "9999" {
				w.tap(t, fmt.Sprintf(`article .digits [data-digit="%c"]`, digit))
			}
			w.until(t, `/wrong, or its time is over/.test(document.querySelector("article .told").innerText)`)
			w.tap(t, "article .pad > summary")
			w.tap(t, "article .more > summary")
			w.tap(t, "article .more .says form button")
			w.until(t, `document.querySelector("article .sent")?.checkVisibility()`)
			w.tap(t, "article .bell")
			w.until(t, `location.pathname === "/visits/`+visit+`"`)
		})
	}
}

// TestNowAtRest has nobody ring or touch for a while: a clock, those who rang meanwhile
// apart, dim by night; a ring and a touch end it.
func TestNowAtRest(t *testing.T) {
	w, _ := newFamily(t, 1280, 800)
	w.clock.advance(10 * time.Second) // into a minute's beginning
	w.rang(t, 1, w.isAda(), true)
	w.opens(t)
	step(t, w, chromedp.Evaluate[bool](`dispatchEvent(new Event("pointerdown"))`)) // somebody is here
	step(t, w, chromedp.Evaluate[bool](`(document.body.dataset.idle = 1500, true)`))
	w.until(t, `document.body.classList.contains("idle") && document.querySelector("#clock").checkVisibility()`)
	if clock := step(t, w, chromedp.Evaluate[string](`document.querySelector("#clock").textContent`)); clock != "18:30" {
		t.Errorf("the clock shows %q", clock) // by the household's clock, whatever the browser's shows
	}
	if seen := step(t, w, chromedp.Evaluate[bool](`[...document.querySelectorAll("article, .bar *:not(h1)")]`+
		`.some(e => e.checkVisibility()) || document.querySelector("h1").offsetWidth > 1 `+
		`|| !document.querySelector("#today li").checkVisibility()`)); seen {
		t.Error("at rest more than the clock and the day's faces can be seen")
	}
	w.shoot(t, "rest")
	chromium.Audit(t, w.browser, "at rest")

	step(t, w, chromedp.Evaluate[bool](`(document.body.dataset.idle = 4000, true)`))
	w.clock.advance(time.Hour)
	visit := w.rang(t, 1, nil, true)
	w.until(t, `!document.body.classList.contains("idle") && document.querySelector("article").id === "visit-`+visit+`"`)
	w.until(t, `/^At gate: A stranger\.$/.test(document.querySelector("#said").textContent)`)
	w.until(t, `document.body.classList.contains("idle")`)
	w.until(t, `document.querySelector("#away li")?.id === "caller-`+visit+`" && document.querySelector("#away").checkVisibility()`)
	w.shoot(t, "away")
	step(t, w, chromedp.TapXY(640, 300))
	w.until(t, `document.querySelector("article").checkVisibility() && document.querySelectorAll("#away li").length === 1`)

	// By night it is dim, as the household's hours have it.
	w.clock.advance(4 * time.Hour)
	if err := w.archive.SetChime(t.Context(), house.Chime{Volume: 80, From: 22 * 60, Until: 6 * 60}); err != nil {
		t.Fatal(err)
	}
	w.rang(t, 1, nil, false)
	w.until(t, `document.body.classList.contains("night")`)
	step(t, w, chromedp.Evaluate[bool](`(document.body.dataset.idle = 500, true)`))
	w.until(t, `getComputedStyle(document.querySelector("main")).filter !== "none"`)
	w.shoot(t, "rest-night")
}

// TestNowOverMidnight has a day end while the page is open: what was today is yesterday,
// and how long ago is told anew.
func TestNowOverMidnight(t *testing.T) {
	w, _ := newFamily(t, 1280, 800)
	w.rang(t, 1, w.isAda(), true)
	w.opens(t)
	w.until(t, `document.querySelector("article .ago").textContent === "now"`)
	w.clock.advance(3 * time.Hour)                                                // 21:29
	if err := w.archive.SetChime(t.Context(), house.DefaultChime()); err != nil { // which all pages hear of at once
		t.Fatal(err)
	}
	w.until(t, `document.querySelector("article .ago").textContent === "3 hours ago"`)
	step(t, w, chromedp.Evaluate[bool](`(window.same = true)`))
	w.clock.advance(2*time.Hour + 31*time.Minute + 5*time.Second) // just after midnight
	if err := w.archive.SetChime(t.Context(), house.Chime{}); err != nil {
		t.Fatal(err)
	}
	w.until(t, `!window.same && document.querySelector("article .ago")?.textContent === "yesterday"`)
	w.until(t, `!document.querySelector("#today li") && document.querySelectorAll("#before li").length > 4`)
}

// TestNowChimes counts the tones that a page has sound. A browser is silent before it is
// touched, which the page says, and asks for.
func TestNowChimes(t *testing.T) {
	w, _ := newFamily(t, 1280, 800)
	w.opens(t)
	count := func() {
		step(t, w, chromedp.Evaluate[bool](`(() => { const make = AudioContext.prototype.createOscillator; window.tones = 0;
			AudioContext.prototype.createOscillator = function () { window.tones++; return make.call(this) }; return true })()`))
	}
	count()
	w.until(t, `document.querySelector("#chime").checkVisibility()`)
	visit := w.rang(t, 1, nil, true)
	w.until(t, `document.querySelector("article").id === "visit-`+visit+`"`)
	if n := step(t, w, chromedp.Evaluate[int](`window.tones`)); n != 0 {
		t.Errorf("%d tones before anybody touched the page", n)
	}
	w.tap(t, "#chime button")
	w.until(t, `window.tones === 4 && !document.querySelector("#chime").checkVisibility()`)
	w.rang(t, 1, w.isAda(), true)
	w.until(t, `window.tones === 8`)
	if err := w.archive.SetChime(t.Context(), house.Chime{Volume: 0}); err != nil {
		t.Fatal(err)
	}
	visit = w.rang(t, 1, nil, false)
	w.until(t, `document.querySelector("article").id === "visit-`+visit+`"`)
	if n := step(t, w, chromedp.Evaluate[int](`window.tones`)); n != 8 {
		t.Errorf("%d tones, and the household wants none", n-8)
	}
	// On Rules it can be tried.
	step(t, w, chromedp.Navigate(w.url+"/rules/house"))
	count()
	step(t, w, chromedp.Evaluate[bool](`(document.querySelector("#chime input[name=volume]").value = "30", true)`))
	w.tap(t, "#chime [data-chime]")
	w.until(t, `window.tones === 4`)
}
