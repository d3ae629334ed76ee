package main

import (
	"context"
	"fmt"
	"image"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"lintel/internal/house"
	"lintel/pipeline/match"
)

// TestRulesInBrowser decides what a household decides about keeping: masks
// drawn by clicks, rules seen before they are saved, a hold ended; and looks at
// Upkeep and the audit trail. The still is a drawing, the names are invented.
func TestRulesInBrowser(t *testing.T) {
	h := newHousehold(t)
	h.fillWithVisits()
	h.serve()
	defer h.stop()
	wide, narrow := h.browsers("Ada Quill")
	both := func(path, name, selector, pattern string) {
		t.Helper()
		do(t, wide, chromedp.Navigate(h.url+path))
		see(t, wide, selector, pattern)
		whole(t, wide, name+"-1280")
		do(t, narrow, chromedp.Navigate(h.url+path))
		see(t, narrow, selector, pattern)
		whole(t, narrow, name+"-400")
	}

	// A mask over the left of the still, by clicks; its last one, on the first
	// corner, closes it.
	do(t, wide, chromedp.Navigate(h.url+"/rules/masks/front"))
	do(t, wide, chromedp.Poll[bool](`document.querySelector(".canvas img")?.naturalWidth > 0`))
	see(t, wide, "#hint", "Tap the corners")
	for _, at := range []image.Point{{0, 0}, {30, 0}, {24, 60}, {0, 70}} {
		clickDrawing(t, wide, at)
	}
	see(t, wide, "#hint", "tapping its first corner")
	whole(t, wide, "masks-open-1280")
	click(t, wide, "#masks > button")
	see(t, wide, "#hint", "not closed yet")
	clickDrawing(t, wide, image.Pt(1, 1))
	see(t, wide, "#outlines", "Mask 1, 4 corners")
	for _, at := range []image.Point{{70, 10}, {95, 10}, {95, 30}} {
		clickDrawing(t, wide, at)
	}
	click(t, wide, "#close")
	see(t, wide, "#outlines", "Mask 2, 3 corners")
	do(t, wide, chromedp.Click(chromedp.CSS("#undo"))) // open again
	click(t, wide, "#close")
	click(t, wide, "#outlines li:nth-child(2) button")
	see(t, wide, "#outlines", "^Mask 1, 4 corners\\s+Remove$")
	click(t, wide, "#undo")
	see(t, wide, "#outlines", "Mask 2, 3 corners")
	click(t, wide, "#masks > button")
	see(t, wide, ".told[data-saved]", "masks are saved")
	whole(t, wide, "masks-saved-1280")
	do(t, narrow, chromedp.Navigate(h.url+"/rules/masks/front"))
	see(t, narrow, "#outlines", "Mask 1, 4 corners.*Mask 2, 3 corners")
	whole(t, narrow, "masks-400")
	do(t, narrow, chromedp.Navigate(h.url+"/rules/masks/yard"))
	see(t, narrow, "#hint", "Tap the corners")
	whole(t, narrow, "masks-empty-400")

	maskEarlier(t, wide, both)

	changeRules(t, h, wide, narrow, both)

	seesUpkeep(t, h, wide, both)
}

// seesUpkeep sees how much is kept, and the trail.
func seesUpkeep(t *testing.T, h *household, wide context.Context,
	both func(path string, name string, selector string, pattern string)) {
	t.Helper()
	both("/upkeep", "upkeep", "main", "There is room.*never a backup")
	both("/upkeep/trail", "trail", ".trail", "Morgan Vale ended the hold.*Morgan Vale changed the rules.*the bell front")
	do(t, wide, chromedp.Navigate(h.url+"/upkeep/trail"))
	click(t, wide, `form[action="/upkeep/trail/check"] button`)
	see(t, wide, ".message", "is intact: it has [0-9]+ new entries")
	whole(t, wide, "trail-checked-1280")
}

// maskEarlier has masks laid on earlier stills.
func maskEarlier(t *testing.T, wide context.Context,
	both func(path string, name string, selector string, pattern string)) {
	t.Helper()
	// Earlier stills, after a second thought.
	click(t, wide, "main details:not(#masks details) summary")
	whole(t, wide, "masks-earlier-1280")
	click(t, wide, `form[action="/rules/masks/front/earlier"] button`)
	see(t, wide, "#progress", "laid on|Making|is over")
	do(t, wide, chromedp.Poll[bool](`fetch("/api/v1/bells/front/masks/earlier").then(a => a.json()).then(s => s.state `+
		`=== "done")`))
	both("/rules/masks/front", "masks-laid", "#progress", "laid on 6 stills kept earlier")
}

// changeRules changes the rules, the first time wrongly.
func changeRules(t *testing.T, h *household, wide context.Context, narrow context.Context,
	both func(path string, name string, selector string, pattern string)) {
	t.Helper()
	both("/rules", "rules", "main", "72 hours.*masks cover")
	both("/rules/keeping", "rules-keeping", "main", "How long.*A claim")
	both("/rules/privacy", "rules-privacy", "main", "2 masks")
	both("/rules/house", "rules-house", "main", "It is")
	do(t, wide, chromedp.Navigate(h.url+"/rules/keeping"))
	do(t, wide, chromedp.SetValue(chromedp.CSS(`input[name="stranger.stills"]`), "24"))
	click(t, wide, `button[name="add"]`)
	see(t, wide, ".quiet-time", "Quiet time 1")
	do(t, wide, chromedp.SetValue(chromedp.CSS(`input[name="stranger.findings"]`), "1"))
	do(t, wide, chromedp.SendKeys(chromedp.CSS(`input[name="person.stills"]`), "\r")) // as if by the form's main button
	see(t, wide, "section.grave", "2 things.*an entry is kept as long.*Quiet time 1: tick the days")
	whole(t, wide, "rules-bad-1280")
	click(t, wide, `input[name="quiet.0.day"][value="6"]`)
	do(t, wide, chromedp.Clear(chromedp.CSS(`input[name="stranger.findings"]`)))
	click(t, wide, `.kept .act`)
	see(t, wide, "main", "Strangers: 2 visits would be deleted.*24 hours instead of 72 hours: shorter")
	whole(t, wide, "rules-preview-1280")
	do(t, narrow, chromedp.Navigate(h.url+"/rules/keeping"))
	do(t, narrow, chromedp.SetValue(chromedp.CSS(`input[name="stranger.stills"]`), "24"))
	click(t, narrow, `.kept .act`)
	see(t, narrow, "main", "Strangers: 2 visits would be deleted")
	whole(t, narrow, "rules-preview-400")
	click(t, wide, `form[action="/rules/keeping/save"] button`)
	click(t, wide, "main details:not(.kept details) summary")
	see(t, wide, "main", "The rules are saved.*Strangers: photos and entry are deleted after 24 hours.*Nothing is kept "+
		"on Saturday from 22:00 until 06:00 the next day")
	click(t, wide, `form[action$="/end"] button`)
	see(t, wide, "main", "The hold has ended.*No visit is held")
	whole(t, wide, "rules-saved-1280")
}

// fillWithVisits puts a few days at the bell front into the archive. The rules
// let none of it go yet.
func (h *household) fillWithVisits() {
	t := h.t
	a, drawing := h.newArchive()
	defer a.Close()
	for _, bell := range []string{"front", "yard"} {
		if _, err := a.AddBell(t.Context(), bell); err != nil {
			t.Fatal(err)
		}
	}
	ada, err := a.AddPerson(t.Context(), "Ada Quill")
	if err != nil {
		t.Fatal(err)
	}
	unknown := house.Face{Box: aVisitor().Truth[0].Box}
	known := unknown
	known.Match = &house.Match{Person: ada.ID, Distance: 0.31, FPIR: match.FPIR(0.31, 6),
		Band: string(match.BandOf(0.31, 6))}
	for i, visit := range []struct {
		hoursAgo int
		faces    []house.Face
	}{{300, []house.Face{known}}, {60, []house.Face{unknown}}, {50, []house.Face{unknown}}, {49, []house.Face{unknown}},
		{20, []house.Face{unknown}}, {1, []house.Face{known}}} {
		id, _, err := a.Keep(t.Context(), house.NewStill{Bell: "front", Ring: fmt.Sprint(i), JPEG: drawing, Width: 1280,
			Height:     1024,
			ReceivedAt: time.Now().Add(-time.Duration(visit.hoursAgo) * time.Hour)})
		if err != nil {
			t.Fatal(err)
		}
		v, err := a.Visit(t.Context(), id)
		if err != nil {
			t.Fatal(err)
		}
		if err := a.Record(t.Context(), v.Stills[0].ID, house.Done, visit.faces); err != nil {
			t.Fatal(err)
		}
		if i == 1 {
			if err := a.PlaceHold(t.Context(), id, "A claim with the parcel service",
				time.Now().Add(20*24*time.Hour)); err != nil {
				t.Fatal(err)
			}
		}
	}
}

// clickDrawing clicks on the drawing, at a place in hundredths of its width
// and height.
func clickDrawing(t *testing.T, browser context.Context, at image.Point) {
	t.Helper()
	box := do(t, browser,
		chromedp.Evaluate[[]float64](`(() => {
		const d = document.getElementById("drawing"); d.scrollIntoView({ block: "center" });
		const r = d.getBoundingClientRect(); return [r.x, r.y, r.width, r.height] })()`))
	x, y := box[0]+box[2]*float64(at.X)/100+1, box[1]+box[3]*float64(at.Y)/100+1
	do(t, browser, chromedp.MouseClickXY(x, y))
}

// whole checks the page and keeps a screenshot of all of it, however long.
func whole(t *testing.T, browser context.Context, name string) {
	t.Helper()
	until(t, browser, `document.readyState === "complete"`) // with its style
	small := do(t, browser,
		chromedp.Evaluate[[]string](`[...document.querySelectorAll(
			"a, button, summary, select, textarea, input:not([type=hidden])")].filter(e => e.checkVisibility())
		.map(e => e.matches("[type=radio], [type=checkbox]") ? e.closest("label") ?? e : e) // a label takes touches too
		.filter(e => { const r = e.getBoundingClientRect(); return r.width < 48 || r.height < 48 }).map(e => e.outerHTML)`))
	if len(small) > 0 {
		t.Errorf("%s: too small to touch: %s", name, strings.Join(small, "\n"))
	}
	if wide := do(t, browser, chromedp.Evaluate[[]string](`document.documentElement.scrollWidth <= innerWidth ? [] :
		[...document.querySelectorAll("body *")].filter(e => e.getBoundingClientRect().right > innerWidth + 1)
		.map(e => e.outerHTML.slice(0, 200))`)); len(wide) > 0 {
		t.Errorf("%s: wider than the screen: %s", name, strings.Join(wide, "\n"))
	}
	if *screenshots == "" {
		return
	}
	png := do(t, browser, chromedp.FullScreenshot(100))
	if err := os.WriteFile(filepath.Join(*screenshots, name+".png"), png, 0o644); err != nil {
		t.Fatal(err)
	}
}
