package web

import (
	"fmt"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// TestTapsMeantForAnotherInBrowser has somebody ring while a finger, or a key, is on its
// way to the card of who rang before: for a moment nothing of the new card can be
// pressed, neither what is said to who rang nor “This is…”, and all of it after that.
func TestTapsMeantForAnotherInBrowser(t *testing.T) {
	w, _ := newFamily(t, 1280, 800)
	said := func(visit string) int {
		v, err := w.archive.Visit(t.Context(), visit)
		if err != nil {
			t.Fatal(err)
		}
		return len(v.Messages)
	}
	const say, chip = "article .acts .board button", "article .this-is"
	w.rang(t, 1, nil, true)
	w.opens(t)
	w.pictures(t)
	usual := step(t, w, chromedp.Evaluate[string](`document.body.dataset.settle`))
	if usual != "700" {
		t.Errorf("a card takes no tap for %s ms", usual)
	}
	// How long that is, a machine that is busy may take for a tap.
	step(t, w, chromedp.Evaluate[bool](`(document.body.dataset.settle = 60000, window.ups = 0,
		addEventListener("mouseup", () => window.ups++), true)`))
	meant := map[string]struct{ X, Y float64 }{}
	for _, on := range []string{say, chip} {
		meant[on] = step(t, w, chromedp.Evaluate[struct{ X, Y float64 }](fmt.Sprintf(`(() => { const r = document.querySelector(%q)
			.getBoundingClientRect(); return { X: r.x + r.width / 2, Y: r.y + r.height / 2 } })()`, on)))
	}
	visit := w.rang(t, 1, nil, true)
	w.until(t, `document.querySelector("article").id === "visit-`+visit+`" && !!document.querySelector(".this-is")`)
	taps := 0
	for on, at := range meant {
		if lies := step(t, w, chromedp.Evaluate[bool](fmt.Sprintf(`document.elementFromPoint(%v, %v).matches(%q)`,
			at.X, at.Y, on))); !lies {
			t.Errorf("%s of the new card does not lie where that of the old one did", on)
		}
		step(t, w, chromedp.TapXY(at.X, at.Y))
		taps++
		w.until(t, fmt.Sprintf(`window.ups === %d`, taps)) // the click came with it
	}
	step(t, w, chromedp.Focus(chromedp.CSS(say)))
	step(t, w, chromedp.KeyEvent(kb.Enter))
	step(t, w, chromedp.Focus(chromedp.CSS("article .more > summary")))
	step(t, w, chromedp.KeyEvent(kb.Enter))
	w.shoot(t, "settling")
	if step(t, w, chromedp.Evaluate[bool](`!!document.querySelector("dialog, article .more[open]") || window.ups !== 2`)) ||
		said(visit) > 0 {
		t.Error("a tap that was meant for another was taken")
	}

	// A still that shows who rings moves what can be pressed, too.
	step(t, w, chromedp.Evaluate[bool](`(document.body.dataset.settle = 700, true)`))
	visit = w.rang(t, 1, w.isAda(), true)
	w.until(t, `document.querySelector("article").id === "visit-`+visit+`" && document.querySelector("#visits").ariaBusy === "false"`)
	w.tap(t, chip)
	w.until(t, `!!document.querySelector("dialog[open]")`)
	w.tap(t, "dialog [data-close]")
	w.tap(t, say)
	w.until(t, `document.querySelector("article .sent")?.checkVisibility()`)
	if n := said(visit); n != 1 {
		t.Errorf("%d messages were sent", n)
	}
}
