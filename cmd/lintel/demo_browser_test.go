package main

import (
	"context"
	"sync"
	"testing"

	"github.com/chromedp/chromedp"
)

// demoScreens are what somebody who looks at a demo for the first time comes to, with
// what has to be seen there.
var demoScreens = []struct{ name, address, selector, shows string }{
	{"now", "/", "#visits", "Front door|Garden gate"},
	{"book", "/visits", "#list", "Hallowby"},
	{"people", "/people", "main", "Mira Hallowby.*Ruth Sedgeling"},
	{"strangers", "/people/strangers", "main", "."},
	{"checks", "/checks", "main", "."},
	{"rules", "/rules", "main", "."},
	{"advice", "/rules/advice", "main", "Parcel box"},
	{"messages", "/rules/messages", "main", "."},
	{"upkeep", "/upkeep", "main", "Garden gate"},
	{"month", "/upkeep/advice", "main", "."},
	{"trail", "/upkeep/trail", "main", "Mira Hallowby"},
	{"residents", "/upkeep/residents", "main", "Mira Hallowby"},
}

// walkDemo enters a demo whose past is filled, by its link, and looks at each screen.
func walkDemo(t *testing.T, w *witness) {
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- w.serve(ctx, func(context.Context, *sync.WaitGroup) {}) }()
	defer func() {
		stop()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	}()
	for _, lang := range []string{"en", "de"} {
		t.Run(lang, func(t *testing.T) { lookAround(t, w, lang) })
	}
}

// lookAround enters by a link, and looks at each screen in a language.
func lookAround(t *testing.T, w *witness, lang string) {
	browser, bar := newBrowser(t, 1280, 800), "A demo with invented people"
	do(t, browser, chromedp.Navigate(w.address()+w.pages.DemoLink(w.resident.ID)))
	see(t, browser, ".demo", bar)
	checkPage(t, browser)
	if lang == "de" {
		bar = "Eine Vorführung mit erfundenen Leuten"
		click(t, browser, ".menu summary")
		click(t, browser, `.languages [value="de"]`)
		see(t, browser, ".demo", bar)
	}
	for _, screen := range demoScreens {
		do(t, browser, chromedp.Navigate(w.address()+screen.address))
		see(t, browser, ".demo", bar)
		see(t, browser, screen.selector, screen.shows)
		do(t, browser, chromedp.Poll[bool](`[...document.images].filter(i => { // the others wait until they are seen
			const r = i.getBoundingClientRect();
			return i.checkVisibility() && r.top < innerHeight && r.left < innerWidth;
		}).every(i => i.complete && i.naturalWidth > 0)`))
		screenshot(t, browser, "demo-"+lang+"-"+screen.name)
	}
}
