package web

import (
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"

	"lintel/internal/house"
)

// newOrdinary is the house of a family: two doors with a bell each, three phones, two
// residents, a tablet, and a rule for each of three.
func newOrdinary(t *testing.T) *wall {
	t.Helper()
	w, front := newFamily(t, 1280, 800)
	ctx := t.Context()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	if _, err := w.archive.AddBell(ctx, "yard"); err != nil {
		t.Fatal(err)
	}
	back, err := w.archive.SetDoor(ctx, house.Door{Name: "the back door", Bell: "yard"})
	must(err)
	everyDay := [7]bool{true, true, true, true, true, true, true}
	for i, name := range []string{"Ada Quill", "Ben Quill", "Cora Quill"} {
		person := w.ada
		if i > 0 {
			person = w.enrolledAs(name, i+3).ID
		}
		_, _, err := w.archive.AddSource(ctx, house.Phone, person, name+"’s phone")
		must(err)
		_, err = w.archive.SetDoorRule(ctx, house.DoorRule{Person: person, Door: []string{front, back}[i%2], Allowed: true,
			Days: everyDay, From: 6 * 60, To: 22 * 60, Factors: []house.FactorKind{house.FactorArrival, house.FactorCode},
			Need: 1, Band: "strong", Liveness: house.NoSign})
		must(err)
	}
	w.resident("Per")
	w.tablet("Hall", "Odile")
	must(w.archive.SetMasks(ctx, "gate", []house.Polygon{{{X: 0, Y: 0}, {X: .3, Y: 0}, {X: .3, Y: .4}}}))
	still, _ := bellStill()
	for _, bell := range []string{"gate", "yard"} {
		w.rings++
		visit, _, err := w.archive.Keep(ctx, house.NewStill{Bell: bell, Ring: fmt.Sprint("R", w.rings), JPEG: still,
			Width: 1280, Height: 1024, ReceivedAt: w.clock.now().Add(-time.Minute)})
		must(err)
		record(t, w.archive, visit, 0)
	}
	return w
}

// oneScreen are the pages that an ordinary household sees whole on its tablet.
var oneScreen = []string{"/rules", "/rules/privacy", "/rules/advice", "/upkeep"}

// TestOneScreenInBrowser has what an ordinary household decides and looks after fit on
// the tablet's screen, page by page, in English and in German; of what is folded, one
// is open at a time.
func TestOneScreenInBrowser(t *testing.T) {
	w := newOrdinary(t)
	for _, lang := range []string{"en", "de"} {
		if _, err := chromedp.Call(w.browser, network.SetExtraHTTPHeaders, network.SetExtraHTTPHeadersParams{
			Headers: network.Headers{"Accept-Language": lang}}); err != nil {
			t.Fatal(err)
		}
		for _, path := range oneScreen {
			w.resizes(t, 1280, 800)
			step(t, w, chromedp.Navigate(w.url+path))
			w.until(t, `document.readyState === "complete"`)
			height := step(t, w, chromedp.Evaluate[int](`document.documentElement.scrollHeight`))
			t.Logf("%s in %s is %d px high", path, lang, height)
			if height > 800 {
				t.Errorf("%s in %s is %d px high", path, lang, height)
			}
			w.checkFolds(t, path, 1000)
			w.resizes(t, 390, 844)
			w.checkFolds(t, path, math.MaxInt)
			w.resizes(t, 1280, 800)
			w.shootPage(t, "one"+notLetters.ReplaceAllString(path, "-")+"-"+lang)
		}
	}
}

// shootPage keeps all of a page, by day at the tablet's size and by night at a telephone's.
func (w *wall) shootPage(t *testing.T, name string) {
	t.Helper()
	if *screenshots == "" {
		return
	}
	picture(t, w.browser, name)
	step(t, w, chromedp.Evaluate[string](`document.documentElement.dataset.theme = "night"`))
	w.resizes(t, 400, 800)
	picture(t, w.browser, name+"-400")
}

// checkFolds opens what is folded on a page, one after the other: each time it is the
// only one that is open, and the page as wide as the screen and at most so high.
func (w *wall) checkFolds(t *testing.T, path string, most int) {
	t.Helper()
	folds := step(t, w, chromedp.Evaluate[int](`document.querySelectorAll(".folds > details").length`))
	for i := range folds {
		step(t, w, chromedp.Evaluate[bool](fmt.Sprintf(`(document.querySelectorAll(".folds > details")[%d].open = true)`, i)))
		if open := step(t, w, chromedp.Evaluate[int](`document.querySelectorAll(".folds > [open]").length`)); open != 1 {
			t.Errorf("%d of %s are open", open, path)
		}
		if step(t, w, chromedp.Evaluate[bool](`document.documentElement.scrollWidth > innerWidth`)) {
			t.Errorf("%s is wider than the screen", path)
		}
		height := step(t, w, chromedp.Evaluate[int](`document.documentElement.scrollHeight`))
		t.Logf("%s is %d px high with %q open", path, height, step(t, w, chromedp.Evaluate[string](
			`document.querySelector(".folds > [open] h2").textContent`)))
		if height > most {
			t.Errorf("%s is %d px high, over %d", path, height, most)
		}
	}
}
