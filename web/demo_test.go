package web

import (
	"bytes"
	"context"
	"maps"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"lintel/internal/chromium"
)

func ofDemo(is bool) func(*Config) { return func(c *Config) { c.Demo = is } }

// everyPage are the pages that routes answer with, by who asks and for what, and those
// of a house where nobody has signed in yet.
func everyPage(t *testing.T, demo bool, reads option) map[string][]byte {
	t.Helper()
	w, resident, tablet := newWalk(t, ofDemo(demo))
	pages := make(map[string][]byte)
	for who, token := range map[string]string{"nobody": "", "tablet": tablet, "resident": resident} {
		maps.Copy(pages, w.pages(who, w.session(token), reads))
	}
	h := newHouse(t, ofDemo(demo))
	pages["set-up"] = h.get("/set-up?token="+h.setUpLink(), reads, browser).is(200).body
	return pages
}

// TestDemoBar walks every page: in a demo each says once that it is one, right at its
// beginning, in the language of whoever reads, and elsewhere none does.
func TestDemoBar(t *testing.T) {
	says := map[string]string{"en": "A demo with invented people. Nothing is kept.",
		"de": "Eine Vorführung mit erfundenen Leuten. Nichts bleibt."}
	for lang, reads := range map[string]option{"en": inEnglish, "de": inGerman} {
		pages := everyPage(t, true, reads)
		if len(pages) < 60 {
			t.Errorf("only %d pages", len(pages))
		}
		for name, page := range pages {
			_, body, _ := bytes.Cut(page, []byte("<body"))
			_, body, _ = bytes.Cut(body, []byte(">\n"))
			if !bytes.HasPrefix(body, []byte(`<aside class="demo"`)) || bytes.Count(page, []byte(`class="demo"`)) != 1 ||
				strings.Count(string(page), says[lang]) != 1 {
				t.Errorf("%s, %s: no bar at its beginning, or several:\n%.300s", lang, name, body)
			}
			checkMarkup(t, string(page))
		}
	}
	for name, page := range everyPage(t, false, inEnglish) {
		if bytes.Contains(page, []byte("demo")) {
			t.Errorf("%s speaks of a demo", name)
		}
	}
}

// TestDemoWeighs holds the bar to a few hundred bytes.
func TestDemoWeighs(t *testing.T) {
	with, without := newHouse(t, ofDemo(true)), newHouse(t, ofDemo(false))
	more := len(with.get("/sign-in", browser).is(200).body) - len(without.get("/sign-in", browser).is(200).body)
	if more < 50 || more > 250 {
		t.Errorf("the bar weighs %d bytes", more)
	}
}

// TestDemoLink signs in once by a demo's link, which is worth nothing twice, late, or
// where there is no demo.
func TestDemoLink(t *testing.T) {
	h := newHouse(t, ofDemo(true))
	who, password, err := h.AddDemoResident(t.Context(), "Perrin Slate")
	if err != nil {
		t.Fatal(err)
	}
	link := h.secret(h.DemoLink(who.ID))
	h.get("/demo?token=wrong", browser).is(410)
	in := h.get(link, browser).is(303)
	if in.Header.Get("Location") != "/" {
		t.Errorf("to %s", in.Header.Get("Location"))
	}
	h.get("/", h.session(in.cookie().Value)).is(200).says("A demo with")
	h.get(link, browser).is(410).says("A demo with")
	h.signInAs("Perrin Slate", password).is(303)

	late := h.DemoLink(who.ID)
	h.clock.advance(demoLasts)
	h.get(late, browser).is(410)
	h.get("/demo?token="+h.tickets.issue(forPairing, who.ID, time.Hour), browser).is(410)

	other := newHouse(t)
	odile, err := other.archive.AddResident(t.Context(), "Odile", someHash())
	if err != nil {
		t.Fatal(err)
	}
	other.get(other.DemoLink(odile.ID), browser).is(404)
}

// TestDemoBarInBrowser has the pages of a demo that differ most looked at, by day and
// night and at every size. The bar stands above all else, and nothing stands on it.
//
// Outside: axe-core's rules for WCAG 2.2, levels A and AA.
func TestDemoBarInBrowser(t *testing.T) {
	var b browsers = make(chan context.Context, 1)
	b <- chromium.New(t, 1280, 800)
	for lang, reads := range map[string]option{"en": inEnglish, "de": inGerman} {
		w, resident, tablet := newWalk(t, ofDemo(true))
		in, wall := w.session(resident), w.session(tablet)
		pages := map[string][]byte{
			"demo-sign-in": w.get("/sign-in", reads, browser).is(200).body,
			"demo-problem": w.get("/nothing", in, reads, browser).is(404).body,
			"demo-now":     w.get("/", in, reads, browser).is(200).body,
			"demo-wall":    w.get("/", wall, reads, browser).is(200).body,
			"demo-book":    w.get("/visits", in, reads, browser).is(200).body,
		}
		at := w.showing(pages, in, reads)
		for name := range pages {
			if _, err := chromedp.Run(b.first(), chromedp.Navigate(at+"/page/"+name)); err != nil {
				t.Fatal(err)
			}
			covered, err := chromedp.Run(b.first(), chromedp.Evaluate[string](uncovered))
			if err != nil || covered != "" {
				t.Errorf("%s, %s: %s, %v", lang, name, covered, err)
			}
		}
		b.look(t, lang, pages, at)
	}
}

// first is one of the browsers, which nobody else has.
func (b browsers) first() context.Context {
	one := <-b
	b <- one
	return one
}

// uncovered says what stands on the bar, or what the bar stands on.
const uncovered = `(() => {
	const bar = document.querySelector(".demo"), box = bar.getBoundingClientRect();
	for (let x = box.left + 2; x < box.right; x += 20)
		for (const y of [box.top + 1, (box.top + box.bottom) / 2, box.bottom - 2]) {
			const all = document.elementsFromPoint(x, y);
			const on = all.find(e => e !== bar && !bar.contains(e) && !e.contains(bar));
			if (on) return on.outerHTML;
		}
	return box.top === 0 && box.height > 0 ? "" : "the bar is at " + box.top + ", " + box.height + " high";
})()`

// TestDemoAddresses keeps the link an address of this server.
func TestDemoAddresses(t *testing.T) {
	h := newHouse(t, ofDemo(true))
	u, err := url.Parse(h.secret(h.DemoLink("somebody")))
	if err != nil || u.Path != "/demo" || u.Host != "" || len(u.Query().Get("token")) < 26 {
		t.Errorf("%v, %v", u, err)
	}
}
