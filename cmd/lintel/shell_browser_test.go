package main

import (
	"context"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
)

// TestShellInBrowser has the server go away under a page: what is tapped on then, and
// what is typed, stays, and so does the page; another page is not there, and says so;
// and both go on when the server is back. What the browser keeps for that is the shell,
// and nothing of the house. The names are invented.
func TestShellInBrowser(t *testing.T) {
	h := newHousehold(t)
	h.fillWithVisits()
	h.serve()
	wide, narrow := h.browsers("Ada Quill")
	keepsShell(t, wide)

	do(t, wide, chromedp.Navigate(h.url+"/upkeep/programs"))
	do(t, wide, chromedp.SendKeys(chromedp.CSS(`input[name="name"]`), "Porch light"))
	until(t, narrow, `navigator.serviceWorker.controller !== null`)
	h.stop()

	click(t, wide, `form[action="/upkeep/programs"] button`)
	see(t, wide, "#connection", "can’t be reached since [0-9]{2}:[0-9]{2}")
	audit(t, wide, "away-under-a-page")
	screenshot(t, wide, "away-under-a-page")
	click(t, wide, `nav a[href="/rules"]`)
	typed := do(t, wide, chromedp.Evaluate[string](
		`location.pathname + " " + document.querySelector("input[name=name]").value`))
	if typed != "/upkeep/programs Porch light" {
		t.Errorf("the page became %q", typed)
	}
	for _, tapped := range []string{"#visits .whole-card", "#visits .this-is"} {
		click(t, narrow, tapped)
		see(t, narrow, "#connection", "can’t be reached")
	}
	see(t, narrow, "#visits", "Ada Quill")
	do(t, narrow, chromedp.Navigate(h.url+"/visits"))
	see(t, narrow, "h1", "can’t be reached")
	see(t, narrow, "#since", "since [0-9]{2}:[0-9]{2}")
	audit(t, narrow, "away")
	screenshot(t, narrow, "away")

	h.serve()
	defer h.stop()
	see(t, narrow, "h1", "Visitor book")
	see(t, wide, "h1", "Rules") // gone to by itself
	if hidden := do(t, wide, chromedp.Evaluate[bool](`document.querySelector("#connection").hidden`)); !hidden {
		t.Error("the server is still said to be away")
	}
}

// keepsShell checks what the browser keeps, whatever pages and pictures it was shown.
func keepsShell(t *testing.T, browser context.Context) {
	t.Helper()
	until(t, browser, `navigator.serviceWorker.controller !== null`)
	do(t, browser, chromedp.Reload())
	see(t, browser, "#visits", "Ada Quill")
	kept := do(t, browser, chromedp.Evaluate[[]string](`(async () => {
		const all = [];
		for (const name of await caches.keys()) {
			for (const request of await (await caches.open(name)).keys()) all.push(new URL(request.url).pathname);
		}
		return all;
	})()`, chromedp.EvalAwaitPromise))
	slices.Sort(kept)
	if got := strings.Join(kept, " "); got != "/assets/icon.svg /assets/shell.js /assets/style.css /away" {
		t.Errorf("the browser keeps %s", got)
	}
}

// TestThemesInBrowser chooses colours in the menu, on a page where something is typed.
func TestThemesInBrowser(t *testing.T) {
	h := newHousehold(t)
	h.fillWithVisits()
	h.serve()
	defer h.stop()
	wide, narrow := h.browsers("Ada Quill")
	for name, browser := range map[string]context.Context{"1280": wide, "400": narrow} {
		do(t, browser, chromedp.Navigate(h.url+"/upkeep/programs"))
		do(t, browser, chromedp.SendKeys(chromedp.CSS(`input[name="name"]`), "Porch light"))
		click(t, browser, ".menu summary")
		audit(t, browser, "menu-"+name)
		screenshot(t, browser, "menu-"+name)
		click(t, browser, `button[value="day"]`)
		until(t, browser, `document.documentElement.dataset.theme === "day"`)
		until(t, browser, `document.querySelector("input[name=name]").value === "Porch light"`)
		do(t, browser, chromedp.Navigate(h.url+"/visits"))
		ground := do(t, browser, chromedp.Evaluate[string](`document.documentElement.dataset.theme + " " +
			getComputedStyle(document.body).backgroundColor + " " + document.querySelector("meta[name=theme-color]").content`))
		if ground != "day rgb(243, 237, 227) rgb(243, 237, 227)" {
			t.Errorf("%s: %s", name, ground)
		}
		whole(t, browser, "day-"+name)
		click(t, browser, ".menu summary")
		click(t, browser, `button[value="night"]`)
		until(t, browser, `getComputedStyle(document.body).backgroundColor === "rgb(29, 26, 22)"`)
	}
}
