package chromium

import (
	"crypto/sha256"
	"fmt"
	"net/http"
	"net/http/httptest"
	"slices"
	"testing"

	"github.com/chromedp/chromedp"
)

// TestAxe makes sure that axe-core is the one that axe/README.md names.
func TestAxe(t *testing.T) {
	const want = "29348999450cdf2849a8e70b7912fc2da85a849da39c0d0d5394f51d4a9ed95c"
	if got := fmt.Sprintf("%x", sha256.Sum256([]byte(axe))); got != want {
		t.Errorf("axe.min.js is %s", got)
	}
}

// TestFindings shows pages with and without what is to be found, under the policy
// that our own pages have.
func TestFindings(t *testing.T) {
	pages := map[string]string{
		"/right": `<header><h1>One</h1></header><main><p>Text <a href="/a">first</a> <a href="/b">second</a></p></main>`,
		"/wrong": `<main><h1>One</h1><img src="/x.png"><p><a href="/a">See</a> <a href="/b">See</a></p>
<table width="4000"><tr><td>wide</td></tr></table></main><p>outside</p>`,
	}
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		w.Header().Set("Content-Security-Policy", "default-src 'none'; script-src 'self'")
		fmt.Fprintf(w, `<!DOCTYPE html><html lang="en"><head><title>A page</title></head><body>%s</body></html>`,
			pages[r.URL.Path])
	}))
	defer server.Close()
	browser := New(t, 400, 400)
	for path, want := range map[string][]string{"/right": nil,
		"/wrong": {"image-alt", "link-names", "reflow", "region"}} {
		if _, err := chromedp.Run(browser, chromedp.Navigate(server.URL+path)); err != nil {
			t.Fatal(err)
		}
		found, err := Findings(browser)
		if err != nil {
			t.Fatal(err)
		}
		var rules []string
		for _, f := range found {
			rules = append(rules, f.Rule)
		}
		if slices.Sort(rules); !slices.Equal(rules, want) {
			t.Errorf("%s: %v, want %v", path, found, want)
		}
	}
}
