package main

import (
	"context"
	"testing"

	"github.com/chromedp/chromedp"
)

// TestLensInBrowser says how a bell looks, in numbers.
func TestLensInBrowser(t *testing.T) {
	h := newHousehold(t)
	h.fillWithVisits()
	h.serve()
	defer h.stop()
	wide, narrow := h.browsers("Ada Quill")
	picture := func(browser context.Context, name string) {
		t.Helper()
		do(t, browser, chromedp.Poll[bool](`document.readyState === "complete"`)) // with its style
		whole(t, browser, name)
	}

	do(t, wide, chromedp.Navigate(h.url+"/rules/privacy"))
	see(t, wide, "main", "front.*not known")
	click(t, wide, `a[href="/rules/lens/front"]`)
	see(t, wide, "main", "Nothing is known yet of how the bell front looks")
	picture(wide, "lens-empty-1280")
	do(t, narrow, chromedp.Navigate(h.url+"/rules/lens/front"))
	see(t, narrow, "main", "Nothing is known yet of how the bell front looks")
	picture(narrow, "lens-empty-400")

	do(t, wide, chromedp.SendKeys(chromedp.CSS(`[name="angle"]`), "19\r")) // the form's main button
	see(t, wide, ".grave", "2 things are not right yet. Nothing was saved.*angle of view is 20 to 200.*A number is "+
		"missing")
	picture(wide, "lens-bad-1280")
	for name, value := range map[string]string{"angle": "90", "height": "1.3", "tilt": "0"} {
		do(t, wide, chromedp.SetValue(chromedp.CSS(`[name="`+name+`"]`), value))
	}
	click(t, wide, `.rules-form section button`)
	see(t, wide, ".told[data-saved]", "Saved")
	see(t, wide, "main", "sees 90° across and keeps straight lines straight, is 1\\.3 m above the ground")
	see(t, wide, "#preview", "On a still 1280 pixels wide, a grown-up one metre away would have a face about 93 pixels "+
		"wide")
	picture(wide, "lens-saved-1280")
	do(t, narrow, chromedp.Navigate(h.url+"/rules/privacy"))
	see(t, narrow, "main", "front.*sees 90° across")
	picture(narrow, "lens-rules-400")
	click(t, wide, `form[action$="/clear"] button`)
	see(t, wide, "main", "Nothing is known yet of how the bell front looks")
}
