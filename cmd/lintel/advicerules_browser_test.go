package main

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"lintel/internal/house"
)

// TestAdviceRulesInBrowser decides who may be suggested in: doors, a rule seen
// before it is saved, one that says never and wins, a trial on past visits, the
// household, a parcel, and the switch of it all. The still is a drawing, the
// names are invented.
func TestAdviceRulesInBrowser(t *testing.T) {
	h := newHousehold(t)
	h.fillForAdvice()
	h.serve()
	defer h.stop()
	wide, narrow := h.browsers("Ada Quill")
	picture := func(browser context.Context, name string) {
		t.Helper()
		do(t, browser, chromedp.Poll[bool](`document.readyState === "complete"`)) // with its style
		whole(t, browser, name)
	}
	both := func(path, name, pattern string) {
		t.Helper()
		for _, b := range []struct {
			browser context.Context
			width   string
		}{{wide, "1280"}, {narrow, "400"}} {
			do(t, b.browser, chromedp.Navigate(h.url+path))
			see(t, b.browser, "main", pattern)
			picture(b.browser, name+"-"+b.width)
		}
	}
	choose := func(browser context.Context, field, text string) {
		t.Helper()
		found := do(t, browser, chromedp.Evaluate[string](fmt.Sprintf(`[...document.querySelectorAll('select[name=%q] `+
			`option')].find(o => o.textContent === %q).value`, field, text)))
		do(t, browser, chromedp.SetValue(chromedp.CSS(`select[name="`+field+`"]`), found))
	}
	set := func(browser context.Context, field, value string) {
		t.Helper()
		do(t, browser, chromedp.SetValue(chromedp.CSS(`[name="`+field+`"]`), value))
	}

	addDoors(t, h, wide, narrow, picture, both, choose, set)

	addRules(t, h, wide, narrow, picture, both, choose, set)

	setHousehold(t, wide, picture, both, set)

	tryAndPause(t, h, wide, narrow, picture, both, choose)
}

// addDoors adds a door of each kind, the first time wrongly.
func addDoors(t *testing.T, h *household, wide context.Context, narrow context.Context,
	picture func(browser context.Context, name string), both func(path string, name string, pattern string),
	choose func(browser context.Context, field string, text string),
	set func(browser context.Context, field string, value string)) {
	t.Helper()
	both("/rules/advice", "advice-empty", "Suggestions are not paused.*never moves a lock.*way out free.*There is no "+
		"door yet.*Nobody may be let in")
	both("/rules/advice/doors", "advice-door", "Add a door.*Lock every inner door")
	set(wide, "name", "the front door")
	choose(wide, "bell", "front")
	click(t, wide, `button:not(.quiet):not(.bar button)`)
	see(t, wide, ".grave", "Nothing was saved.*Say which of the two it is")
	see(t, wide, "strong.fault", "Say which of the two it is")
	picture(wide, "advice-door-bad-1280")
	click(t, wide, `input[value="house"]`)
	click(t, wide, `.rules-form section button`)
	see(t, wide, "main", "Saved.*the front door")
	unfoldTo(t, wide, `a[href^="/rules/advice/doors/"]`)
	see(t, wide, "main", "own door; the bell front rings there")
	do(t, narrow, chromedp.Navigate(h.url+"/rules/advice/doors"))
	set(narrow, "name", "the bicycle shed")
	choose(narrow, "bell", "front")
	click(t, narrow, `input[value="parcel"]`)
	click(t, narrow, `.rules-form section button`)
	see(t, narrow, "main", "Saved.*the bicycle shed")
	unfoldTo(t, narrow, `a[href^="/rules/advice/doors/"]`)
	see(t, narrow, "main", "for parcels only")
}

// addRules adds a rule that allows and, on the small screen, one that says never.
func addRules(t *testing.T, h *household, wide context.Context, narrow context.Context,
	picture func(browser context.Context, name string), both func(path string, name string, pattern string),
	choose func(browser context.Context, field string, text string),
	set func(browser context.Context, field string, value string)) {
	t.Helper()
	// A rule, first with nothing ticked.
	do(t, wide, chromedp.Navigate(h.url+"/rules/advice/rules"))
	choose(wide, "person", "Ada Quill")
	choose(wide, "door", "the front door")
	click(t, wide, `.rules-form section button`)
	see(t, wide, "main", "Nothing was saved.*one day of the week at least")
	picture(wide, "advice-rule-bad-1280")
	both("/rules/advice/rules", "advice-rule", "The person.*What is needed besides the face.*How many are required")
	for _, browser := range []context.Context{wide, narrow} {
		choose(browser, "person", "Ada Quill")
		choose(browser, "door", "the front door")
		for day := range 7 {
			click(t, browser, fmt.Sprintf(`input[name="day"][value="%d"]`, day))
		}
		set(browser, "from", "00:00")
		set(browser, "to", "00:00")
	}
	click(t, wide, `input[name="holidays"]`)
	click(t, wide, `input[value="code"]`)
	click(t, wide, `input[value="arrival"]`)
	click(t, wide, `.rules-form section button`)
	see(t, wide, "main", "Ada Quill may be suggested at the front door on every day at any time, holidays too, if a "+
		"phone of theirs came home or a one-time code.*No other rule holds")
	picture(wide, "advice-rule-preview-1280")

	// Tried before it is saved.
	click(t, wide, `form[action="/rules/advice/dry-run"] button`)
	see(t, wide, "main", "which is not saved.*taken for granted.*nobody was away.*Of 4 visits at the front door.*2 "+
		"suggested, 2 withheld")
	picture(wide, "advice-dry-edited-1280")
	click(t, wide, `button[name="save"]`)
	see(t, wide, "main", "Saved.*Ada Quill may be suggested at the front door on every day")

	// Never, on the small screen: what is asked only of what allows is not there.
	click(t, narrow, `input[value="never"]`)
	if shown := do(t, narrow,
		chromedp.Evaluate[bool](`document.querySelector('input[name="need"]').checkVisibility()`)); shown {
		t.Error("a rule that says never asks for factors")
	}
	picture(narrow, "advice-rule-never-400")
	click(t, narrow, `.rules-form section button`)
	see(t, narrow, "main", "Ada Quill is never suggested at the front door on (any|every) day at any time.*one allows "+
		"and one says never. Never wins")
	picture(narrow, "advice-rule-preview-400")
	click(t, narrow, `button[name="back"]`)
	see(t, narrow, "main", "Who, and where")
	click(t, narrow, `.rules-form section button`)
	see(t, narrow, "main", "Never wins")
	click(t, narrow, `button[name="save"]`)
	see(t, narrow, "main", "Saved.*Never wins")
}

// setHousehold sets what holds for the whole household, and expects a parcel.
func setHousehold(t *testing.T, wide context.Context, picture func(browser context.Context, name string),
	both func(path string, name string, pattern string), set func(browser context.Context, field string, value string)) {
	t.Helper()
	// The household.
	both("/rules/advice/house", "advice-house", "Away.*failed attempts.*leaves the house only in sealed backups")
	set(wide, "window", "20")
	set(wide, "holidays", "2031-12-25\n2031-13-01")
	set(wide, "latitude", "48.5")
	click(t, wide, `.rules-form > .choices button`)
	see(t, wide, "main", "Nothing was saved.*1 to 15 minutes.*2031-13-01.*radius of 20 to 500")
	picture(wide, "advice-house-bad-1280")
	set(wide, "window", "5")
	set(wide, "holidays", "2031-12-25\n2032-01-01")
	set(wide, "longitude", "-9.25")
	set(wide, "radius", "80")
	click(t, wide, `.rules-form > .choices button`)
	see(t, wide, "main", "Saved")
	unfoldTo(t, wide, `a[href="/rules/advice/house"]`)
	see(t, wide, "main", "2 holidays are to come.*within 80 metres")

	// A parcel.
	both("/rules/advice/parcels", "advice-parcels-empty", "does not protect from.*never the house’s own door.*No parcel "+
		"is expected")
	set(wide, "note", "A lamp")
	click(t, wide, `.rules-form section button`)
	see(t, wide, "main", "Saved.*Opening the bicycle shed may be suggested for one parcel \\(A lamp\\).*Expected now")
	both("/rules/advice/parcels", "advice-parcels", "A lamp")
}

// tryAndPause tries what is saved, removes a rule and pauses all.
func tryAndPause(t *testing.T, h *household, wide context.Context, narrow context.Context,
	picture func(browser context.Context, name string), both func(path string, name string, pattern string),
	choose func(browser context.Context, field string, text string)) {
	t.Helper()
	// All of it, the trial of what is saved, and the switch.
	both("/rules/advice", "advice", "1 parcel is expected")
	unfoldTo(t, wide, ".never")
	see(t, wide, "main", "Ada Quill may be suggested.*is never suggested.*1 parcel is expected")
	do(t, wide, chromedp.Navigate(h.url+"/rules/advice/dry-run"))
	see(t, wide, "main", "taken for granted")
	choose(wide, "door", "the front door")
	click(t, wide, `main form button`)
	see(t, wide, "#tried", "0 suggested, 4 withheld.*A rule says never")
	picture(wide, "advice-dry-1280")
	do(t, narrow, chromedp.Navigate(do(t, wide, chromedp.Evaluate[string](`location.href`))))
	see(t, narrow, "#tried", "0 suggested, 4 withheld")
	picture(narrow, "advice-dry-400")
	do(t, wide, chromedp.Navigate(h.url+"/rules/advice"))
	unfoldTo(t, wide, ".never")
	click(t, wide, `.never a[href$="/remove"]`)
	see(t, wide, "main", "This would hold no more.*What other rules allow")
	picture(wide, "advice-rule-remove-1280")
	click(t, wide, `.card button`)
	see(t, wide, "main", "Saved.*Ada Quill may be suggested")
	do(t, narrow, chromedp.Navigate(h.url+"/rules"))
	click(t, narrow, `#suggestions form button`)
	see(t, narrow, "main", "All suggestions are paused")
	picture(narrow, "advice-paused-400")
	do(t, wide, chromedp.Navigate(h.url+"/rules"))
	see(t, wide, "#suggestions", "All suggestions are paused.*Allow suggestions again")
	picture(wide, "advice-rules-paused-1280")
	do(t, wide, chromedp.Navigate(h.url+"/rules/advice"))
	picture(wide, "advice-paused-1280")
	click(t, wide, `.switch button`)
	see(t, wide, ".switch", "Suggestions are not paused")
	do(t, wide, chromedp.Navigate(h.url+"/upkeep/trail"))
	see(t, wide, ".trail", "changed the household’s rules for letting in.*removed a rule for a door.*added an expected "+
		"parcel.*added the door “the front door”")
	picture(wide, "advice-trail-1280")
}

// fillForAdvice has Ada Quill ring three times, once on one still only, and a
// stranger once.
func (h *household) fillForAdvice() {
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
	consent := house.Consent{GivenBy: "Ada Quill", GivenAt: time.Now().Add(-1000 * time.Hour),
		Scope: "being known at the door"}
	if err := a.RecordConsent(t.Context(), ada.ID, consent); err != nil {
		t.Fatal(err)
	}
	for i, ring := range []struct {
		hoursAgo, stills int
		known            bool
	}{{200, 2, true}, {60, 2, false}, {30, 1, true}, {4, 2, true}} {
		at := time.Now().Add(-time.Duration(ring.hoursAgo) * time.Hour)
		for frame := range ring.stills {
			id, _, err := a.Keep(t.Context(), house.NewStill{Bell: "front", Ring: fmt.Sprint(i), Frame: frame,
				JPEG:  append(slices.Clone(drawing), byte(i), byte(frame)),
				Width: 1280, Height: 1024, ReceivedAt: at.Add(time.Duration(frame) * time.Second),
				TakenAt: at.Add(time.Duration(frame) * time.Second)})
			if err != nil {
				t.Fatal(err)
			}
			v, err := a.Visit(t.Context(), id)
			if err != nil {
				t.Fatal(err)
			}
			face := house.Face{Box: aVisitor().Truth[0].Box, Descriptor: house.Descriptor{float32(i + 1)},
				Quality: &house.Quality{FaceWidth: 200, EyeDistance: 80, PixelsPerMetre: 1200, Sharpness: .2, Luma: 120,
					Contrast: .2},
				Liveness: &house.Liveness{Level: house.NoSign, Probability: .02, Frames: ring.stills}}
			if ring.known {
				face.Match = &house.Match{Person: ada.ID, Distance: .3, FPIR: 1e-6, Band: "strong", Probability: .99,
					Frames: ring.stills}
			}
			if err := a.Record(t.Context(), v.Stills[frame].ID, house.Done, []house.Face{face}); err != nil {
				t.Fatal(err)
			}
		}
	}
}
