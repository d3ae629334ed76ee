package main

import (
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

// TestBookInBrowser looks a visit up in the visitor book, holds it, ends the
// hold and erases it; then a person is erased with their visits. The still is a
// drawing, the names are invented.
func TestBookInBrowser(t *testing.T) {
	h := newHousehold(t)
	h.fillWithVisits()
	h.serve()
	defer h.stop()
	wide, narrow := h.browsers("Ada Quill")

	do(t, wide, chromedp.Navigate(h.url+"/visits"))
	see(t, wide, "main", "Ada Quill.*A stranger.*Held.*Ada Quill")
	whole(t, wide, "book-1280")
	do(t, narrow, chromedp.Navigate(h.url+"/visits?kind=person"))
	see(t, narrow, "#list", "Ada Quill.*Ada Quill")
	whole(t, narrow, "book-400")

	do(t, wide, chromedp.Navigate(h.url+"/visits?kind=stranger"))
	click(t, wide, `#list a[href^="/visits/"]`)
	see(t, wide, "main", "stranger.*Strangers are kept 72 hours")
	do(t, wide, chromedp.SendKeys(chromedp.CSS(`input[name="reason"]`), "The neighbour asks who rang"))
	do(t, wide, chromedp.SetValue(chromedp.CSS(`input[name="until"]`), time.Now().AddDate(0, 1, 0).Format(time.DateOnly)))
	click(t, wide, `form[action$="/hold"] button`)
	see(t, wide, "main", "Held until.*The neighbour asks who rang")
	whole(t, wide, "visit-held-1280")
	address := do(t, wide, chromedp.Location())
	do(t, narrow, chromedp.Navigate(address))
	see(t, narrow, "main", "The neighbour asks who rang")
	whole(t, narrow, "visit-held-400")
	click(t, wide, `form[action$="/release"] button`)
	see(t, wide, "#hold", "Hold the visit")
	click(t, wide, `a[href$="/erase"]`)
	see(t, wide, "h1", "Erase")
	whole(t, wide, "visit-erase-1280")
	click(t, wide, `form[action$="/erase"] button`)
	see(t, wide, "main", "erased")
	do(t, wide, chromedp.Navigate(address))
	see(t, wide, "h1", "erased")

	do(t, wide, chromedp.Navigate(h.url+"/people"))
	see(t, wide, "main", "Ada Quill")
	whole(t, wide, "people-1280")
	click(t, wide, `main a[href^="/people/"]`)
	see(t, wide, "main", "What is held.*A copy for Ada Quill.*Erase Ada Quill")
	whole(t, wide, "person-1280")
	do(t, narrow, chromedp.Navigate(do(t, wide, chromedp.Location())))
	see(t, narrow, "main", "A copy for Ada Quill")
	whole(t, narrow, "person-400")
	click(t, wide, `input[name="visits"][value="true"]`)
	click(t, wide, `form[action$="/erase"] button`)
	see(t, wide, "main", "for good.*2 visits would go")
	whole(t, wide, "person-erase-1280")
	click(t, wide, `form[action$="/erase"] button`)
	see(t, wide, "main", "2 visits were erased")
	do(t, wide, chromedp.Navigate(h.url+"/visits?kind=person"))
	see(t, wide, "main", "(No|no) visit")
	whole(t, wide, "book-empty-1280")
}
