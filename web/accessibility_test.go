package web

import (
	"context"
	"flag"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"lintel/internal/chromium"
)

var screenshots = flag.String("screenshots", "", "keep pictures of every page in this folder, at every size")

// TestAccessibility shows every page there is to axe-core, at every size and by day
// and night, as it is answered to residents, tablets and those who are signed out, and
// again as it is answered to those who read German.
//
// Outside: axe-core's rules for WCAG 2.2, levels A and AA.
func TestAccessibility(t *testing.T) {
	if testing.Short() {
		t.Skip("SKIPPED: hundreds of pages in a browser")
	}
	var b browsers = make(chan context.Context, 2)
	for range cap(b) {
		b <- chromium.New(t, 1280, 800)
	}
	for lang, reads := range map[string]option{"en": inEnglish, "de": inGerman} {
		w, resident, tablet := newWalk(t)
		w.furnish()
		for who, token := range map[string]string{"nobody": "", "tablet": tablet, "resident": resident} {
			pages := w.pages(who, w.session(token), reads)
			if len(pages) < 3 {
				t.Errorf("%d pages of %s", len(pages), who)
			}
			b.look(t, lang, pages, w.showing(pages, w.session(token), reads))
		}
		h, pages, in := newcomer(t, reads)
		b.look(t, lang, pages, h.showing(pages, in, reads))
	}
}

// browsers show one page each at a time.
type browsers chan context.Context

// look has each page looked at, as it is served by its name.
func (b browsers) look(t *testing.T, lang string, pages map[string][]byte, url string) {
	t.Helper()
	for name := range pages {
		t.Run(lang+"-"+name, func(t *testing.T) {
			t.Parallel()
			browser := <-b
			defer func() { b <- browser }()
			if _, err := chromedp.Run(browser, chromedp.Navigate(url+"/page/"+name)); err != nil {
				t.Fatal(err)
			}
			chromium.AuditEverywhere(t, browser, lang+"-"+name, lang != "en",
				func(look string) { picture(t, browser, look) })
		})
	}
}

// newcomer is a house where nobody has rung yet, with its pages: those that links lead
// to, and those that have nothing to show.
func newcomer(t *testing.T, reads option) (h *household, pages map[string][]byte, in option) {
	t.Helper()
	h = newHouse(t)
	pages = map[string][]byte{"set-up": h.get("/set-up?token="+h.setUpLink(), reads, browser).is(200).body}
	_, invitation, err := h.archive.Invite(t.Context(), "")
	if err != nil {
		t.Fatal(err)
	}
	pages["join"] = h.get("/join?token="+h.secret(invitation), reads, browser).is(200).body
	in = h.session(h.resident("Odile"))
	for _, page := range []string{"", "start", "visits", "people", "checks", "rules", "rules/privacy", "upkeep"} {
		pages["new-"+strings.ReplaceAll(page, "/", "-")] = h.get("/"+page, in, reads, browser).is(200).body
	}
	return h, pages, in
}

var inEnglish = header("Accept-Language", "en")

// showing serves pages by their names, and whatever they ask for as the house does, and
// returns where.
func (h *household) showing(pages map[string][]byte, options ...option) (url string) {
	server := httptest.NewServer(http.HandlerFunc(func(out http.ResponseWriter, r *http.Request) {
		if page, ok := pages[strings.TrimPrefix(r.URL.Path, "/page/")]; ok {
			out.Header().Set("Content-Type", "text/html; charset=utf-8")
			out.Write(page)
			return
		}
		if r.URL.Path == "/healthz" || r.URL.Path == "/start/state" { // or pages go on to others
			http.Error(out, "", http.StatusServiceUnavailable)
			return
		}
		for _, o := range options {
			o(r)
		}
		h.ServeHTTP(out, r)
	}))
	h.t.Cleanup(server.Close)
	return server.URL
}

var notLetters = regexp.MustCompile(`[^a-z]+`)

// besides are addresses that show something else than their doors do without a query.
var besides = []string{"/visits?day=2031-05-04", "/visits?year=2031", "/visits?kind=stranger", "/visits?name=Ilse",
	"/rules/house?saved"}

// typedMessage is seen before it is sent. The gate's display lacks one of its characters.
var typedMessage = url.Values{"typed": {"true"}, "text": {"The bench, à gauche."}}

// pages asks for all there is with a session, and returns the pages that come, by
// names: first what is looked at, before something is changed by the others.
func (w *walk) pages(who string, options ...option) map[string][]byte {
	patterns := everyDoor()
	slices.SortStableFunc(patterns, func(a, b string) int { return strings.Compare(a[:1], b[:1]) })
	pages := make(map[string][]byte)
	refused := ""
	keep := func(asked string, a *answer) {
		if !strings.HasPrefix(a.Header.Get("Content-Type"), "text/html") {
			return
		}
		name := who + "-" + strings.Trim(notLetters.ReplaceAllString(strings.ToLower(asked), "-"), "-")
		switch {
		case a.StatusCode == http.StatusOK:
			pages[name] = a.body
		case refused == "" && a.StatusCode >= 400: // what says no looks the same everywhere
			refused = name
			pages[name] = a.body
		}
	}
	options = append(options, browser)
	for _, address := range besides {
		keep("GET "+address, w.get(address, options...))
	}
	keep("typed message", w.post("/visits/"+w.visit+"/message", typedMessage, options...))
	for _, pattern := range patterns {
		if !strings.Contains(pattern, " /api/") && !ends[pattern] {
			keep(pattern, w.step(pattern, options...))
		}
	}
	return pages
}

// picture keeps how a page looks, if that is wanted.
func picture(t *testing.T, browser context.Context, look string) {
	t.Helper()
	if *screenshots == "" {
		return
	}
	png, err := chromedp.Run(browser, chromedp.FullScreenshot(100))
	if err == nil {
		err = os.WriteFile(filepath.Join(*screenshots, look+".png"), png, 0o644)
	}
	if err != nil {
		t.Fatal(err)
	}
}
