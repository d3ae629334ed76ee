package web

import (
	"testing"

	"github.com/chromedp/chromedp"
)

// A tablet that shows who is looked for says after a minute that this is not examined
// yet, without hearing anything from the server.
func TestNotExaminedYetInBrowser(t *testing.T) {
	h := newHouse(t)
	w := newWall(t, h, h.resident("Odile"), 1280, 800)
	h.rung("R1", 0, still(t, 1))
	w.opens(t)
	w.until(t, `document.querySelector("article .headline").textContent === "Looking…"`)
	step(t, w, chromedp.Evaluate[bool](`(() => {
		const real = Date.now.bind(Date);
		Date.now = () => real() + 61_000;
		dispatchEvent(new KeyboardEvent("keydown", { key: "Shift" }));
		return true;
	})()`))
	w.until(t, `document.querySelector("article .headline").textContent === "Not examined yet"`)
}
