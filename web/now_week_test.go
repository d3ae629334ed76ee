package web

import (
	"flag"
	"fmt"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/heapprofiler"
	"github.com/chromedp/cdproto/performance"
	"github.com/chromedp/chromedp"
)

var week = flag.Int("week", 0, "have so many rings a day for a week on one page, and measure what it holds")

// TestNowForAWeek has a page stay open for a week of rings, and measures what the browser
// holds of it after each day, its garbage collected. The figures are in MEASUREMENTS.md.
func TestNowForAWeek(t *testing.T) {
	if *week == 0 {
		t.Skip("only with -week, of rings a day")
	}
	w, _ := newFamily(t, 1280, 800)
	w.opens(t)
	if _, err := chromedp.Call(w.browser, performance.Enable, performance.EnableParams{}); err != nil {
		t.Fatal(err)
	}
	var first, last map[string]float64
	for day := range 7 {
		for i := range *week {
			visit := w.rang(t, 1, nil, i%3 != 0)
			w.clock.advance(20 * time.Hour / time.Duration(*week))
			w.until(t, fmt.Sprintf(`document.querySelector("article")?.id === "visit-%s"`, visit))
		}
		last = w.holds(t)
		t.Logf("day %d: %.1f MB of scripts' memory, %.0f nodes, %.0f documents, %.0f listeners", day+1,
			last["JSHeapUsedSize"]/1e6, last["Nodes"], last["Documents"], last["JSEventListeners"])
		if day == 0 {
			first = last
		}
	}
	for _, of := range []string{"JSHeapUsedSize", "Nodes", "JSEventListeners"} {
		if last[of] > 1.25*first[of] {
			t.Errorf("%s grows from %g to %g", of, first[of], last[of])
		}
	}
}

// holds is what the browser holds of the page, without what nothing leads to any more.
func (w *wall) holds(t *testing.T) map[string]float64 {
	t.Helper()
	if _, err := chromedp.Call(w.browser, heapprofiler.CollectGarbage, cdp.Empty{}); err != nil {
		t.Fatal(err)
	}
	all, err := chromedp.Call(w.browser, performance.GetMetrics, cdp.Empty{})
	if err != nil {
		t.Fatal(err)
	}
	of := make(map[string]float64)
	for _, m := range all.Metrics {
		of[m.Name] = m.Value
	}
	return of
}
