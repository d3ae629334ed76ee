package main

import (
	"context"
	"fmt"
	"image"
	"slices"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"lintel/store"
)

// TestLensInBrowser says how a bell looks, by hand and with a person's help. The
// still is a drawing, the name is invented, and the faces are where the geometry
// has them: eyes 63.36 mm apart and 1.64 m over the ground, before a lens at
// 1.30 m that sees 90 degrees, 640 pixels of focal length.
func TestLensInBrowser(t *testing.T) {
	h := newHousehold(t)
	h.fillWithStanding()
	h.serve()
	defer h.stop()
	wide, narrow := h.browsers("Ada Quill")
	picture := func(browser context.Context, name string) {
		t.Helper()
		do(t, browser, chromedp.Poll[bool](`document.readyState === "complete"`)) // with its style
		whole(t, browser, name)
	}

	do(t, wide, chromedp.Navigate(h.url+"/rules"))
	see(t, wide, "main", "How the bells look.*front.*not known")
	click(t, wide, `a[href="/rules/lens/front"]`)
	see(t, wide, "main", "Nothing is known yet of how the bell front looks")
	picture(wide, "lens-empty-1280")
	do(t, narrow, chromedp.Navigate(h.url+"/rules/lens/front"))
	see(t, narrow, "main", "Nothing is known yet of how the bell front looks")
	picture(narrow, "lens-empty-400")

	do(t, wide, chromedp.SendKeys(chromedp.CSS(`[name="angle"]`), "19\r")) // the form's main button
	see(t, wide, ".message", "A number is missing.*Nothing was saved")
	picture(wide, "lens-bad-1280")
	for _, browser := range []struct {
		name string
		in   func(selector string)
	}{{"1280", func(selector string) { click(t, wide, selector) }}, {"400", func(selector string) { click(t, narrow, selector) }}} {
		page := wide
		if browser.name == "400" {
			page = narrow
		}
		do(t, page, chromedp.SetValue(chromedp.CSS(`[name="angle"]`), "90"))
		do(t, page, chromedp.Clear(chromedp.CSS(`[name="tilt"]`)))
		ada := do(t, page, chromedp.Evaluate[string](`[...document.querySelectorAll("select option")].find(o => o.textContent === "Ada Quill").value`))
		do(t, page, chromedp.SetValue(chromedp.CSS(`[name="person"]`), ada))
		browser.in(`button[name="show"]`)
		see(t, page, "#help", "Tick faces that are this person")
		picture(page, "lens-faces-"+browser.name)
		browser.in(`.sightings li:nth-child(1) input`)
		browser.in(`.sightings li:nth-child(2) input`)
		browser.in(`.sightings li:nth-child(3) input`)
		do(t, page, chromedp.SendKeys(chromedp.CSS(`[name="person_height"]`), "1.75"))
		browser.in(`#help > p > button`)
		see(t, page, ".message", `By 3 faces, it is 1\.[23][0-9]* m above the ground, give or take 0\.[0-9]+ m; it looks (straight ahead|(down|up) by [0-9.]+°), give or take [0-9.]+°`)
		see(t, page, "#preview", "On a still 1280 pixels wide, a grown-up one metre away would have a face about 93 pixels wide")
		picture(page, "lens-worked-"+browser.name)
	}
	click(t, wide, `.rules-form button:not([formaction])`)
	see(t, wide, ".message", "Saved")
	see(t, wide, "main", "sees 90° across and keeps straight lines straight, is 1\\.[23][0-9]* m above the ground")
	picture(wide, "lens-saved-1280")
	do(t, narrow, chromedp.Navigate(h.url+"/rules"))
	see(t, narrow, "main", "How the bells look.*front.*sees 90° across")
	picture(narrow, "lens-rules-400")
	click(t, wide, `form[action$="/clear"] button`)
	see(t, wide, "main", "Nothing is known yet of how the bell front looks")
}

// fillWithStanding has Ada Quill ring at three distances.
func (h *household) fillWithStanding() {
	t := h.t
	a, drawing := h.newArchive()
	defer a.Close()
	if _, err := a.AddBell(t.Context(), "front"); err != nil {
		t.Fatal(err)
	}
	ada, err := a.AddPerson(t.Context(), "Ada Quill")
	if err != nil {
		t.Fatal(err)
	}
	for i, ahead := range []float64{.7, 1.1, 1.9} {
		id, _, err := a.Keep(t.Context(), store.NewStill{Bell: "front", Ring: fmt.Sprint(i), JPEG: append(slices.Clone(drawing), byte(i)), Width: 1280, Height: 1024,
			ReceivedAt: time.Now().Add(-time.Duration(i+1) * time.Hour)})
		if err != nil {
			t.Fatal(err)
		}
		v, err := a.Visit(t.Context(), id)
		if err != nil {
			t.Fatal(err)
		}
		x, y := 640*.06336/2/ahead, 512-640*(.936*1.75-1.3)/ahead
		face := store.Face{Box: image.Rect(int(640-2.3*x), int(y-1.6*x), int(640+2.3*x), int(y+3*x)), Match: &store.Match{Person: ada.ID, Distance: .3, FPIR: 1e-5, Band: "strong"},
			Landmarks: []store.Point{{X: 642 + x, Y: y}, {X: 638 + x, Y: y}, {X: 638 - x, Y: y}, {X: 642 - x, Y: y}, {X: 640, Y: y + x}}}
		if err := a.Record(t.Context(), v.Stills[0].ID, store.Done, []store.Face{face}); err != nil {
			t.Fatal(err)
		}
	}
}
