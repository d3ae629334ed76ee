package main

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"lintel/internal/house"
	"lintel/store"
)

// TestTrialInBrowser has a resident try pictures at the bell: rings appear while
// the page stays as it is, the banner on Now comes and goes, and the report is
// read at the end. The stills are a drawing, on which the pipeline finds no
// face; what it would find of persons and pictures is written in its place.
func TestTrialInBrowser(t *testing.T) {
	h := newHousehold(t)
	a, still := h.newArchive()
	defer a.Close()
	secret, err := a.AddBell(t.Context(), "front")
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := a.Keep(t.Context(), house.NewStill{Bell: "front", Ring: "before", JPEG: still, Width: 1280,
		Height: 1024, ReceivedAt: time.Now()}); err != nil {
		t.Fatal(err)
	}
	t.Setenv("LINTEL_BELL_SECRET", secret)
	h.serve()
	defer h.stop()
	wide, narrow := h.browsers("front")
	do(t, narrow, chromedp.EmulateViewport(390, 844))
	both := func(path, name, selector, pattern string) {
		t.Helper()
		for width, browser := range map[int]context.Context{1280: wide, 390: narrow} {
			do(t, browser, chromedp.Navigate(h.url+path))
			see(t, browser, selector, pattern)
			whole(t, browser, fmt.Sprintf("%s-%d", name, width))
		}
	}
	both("/upkeep/trials", "trial-upkeep", "#trials", "Try a picture at the bell.*Begin")
	click(t, wide, `#trials button`)
	see(t, wide, "main", "Stand where visitors stand.*3 rings of 3 to come")
	page := do(t, wide, chromedp.Evaluate[string](`location.pathname`))
	both("/", "trial-now", "#trial", "Pictures are being tried at the bell front")
	do(t, wide, chromedp.Navigate(h.url+page))
	see(t, wide, "#step-person", "3 rings of 3 to come")
	do(t, wide, chromedp.Evaluate[bool](`(document.querySelector(".step.now button").focus(), window.stayed = true)`))

	drawing := aVisitorsFile(t)
	found := [][]house.LivenessLevel{{house.NoSign, house.NoSign, house.Doubtful},
		{house.Picture, house.NoSign, house.NoSign}, {house.Picture, house.Picture}}
	for i, levels := range found {
		step := house.TrialSteps[i]
		for k, level := range levels {
			h.lintel("ring", drawing, "--server", h.url)
			until(t, wide, fmt.Sprintf(`document.querySelectorAll("#step-%s li").length === %d && `+
				`!document.querySelector("main").innerText.includes("Looking")`, step, k+1))
			findInPlace(t, a, level)
		}
		if i == 0 && !do(t, wide, chromedp.Evaluate[bool](`window.stayed === true && document.activeElement?.tagName === `+
			`"BUTTON"`)) {
			t.Error("the page was loaded anew while rings came")
		}
		do(t, wide, chromedp.Navigate(h.url+page))
		both(page, "trial-"+string(step), "#step-"+string(step),
			[]string{"Nothing noticed.*Doubtful", "Seen as a picture.*Nothing noticed", "Seen as a picture"}[i])
		do(t, wide, chromedp.Navigate(h.url+page))
		click(t, wide, `.step.now > .choices button`)
		if i+1 < len(found) {
			see(t, wide, "#step-"+string(house.TrialSteps[i+1]), "3 rings of 3 to come")
		}
	}
	seesReport(t, h, wide, narrow, both, page)
}

// seesReport sees the trial end, on both screens.
func seesReport(t *testing.T, h *household, wide context.Context, narrow context.Context,
	both func(path string, name string, selector string, pattern string), page string) {
	t.Helper()
	see(t, wide, "main", "Tried by Morgan Vale.*1 of 3 rings with a print noticed, so 2 passed")
	// The other browser follows by itself.
	see(t, narrow, "main", "Tried by Morgan Vale")
	both(page, "trial-report", "main", "2 of 2 rings with a screen noticed")
	both("/upkeep/trials", "trial-listed", "#trials", "a printed photograph: 1 of 3 noticed")
	do(t, wide, chromedp.Navigate(h.url))
	until(t, wide, `document.getElementById("trial").hidden`)
}

// findInPlace puts a face of that level on the newest visit, in place of what
// was found.
func findInPlace(t *testing.T, a *store.Archive, level house.LivenessLevel) {
	t.Helper()
	visits, err := a.LatestVisits(t.Context(), 1)
	if err != nil {
		t.Fatal(err)
	}
	p := map[house.LivenessLevel]float64{house.NoSign: .07, house.Doubtful: .58, house.Picture: .96}[level]
	face := house.Face{Descriptor: house.Descriptor{1},
		Liveness: &house.Liveness{Level: level, Probability: p, Frames: 1}}
	face.Box.Max.X, face.Box.Max.Y = 200, 200
	if err := a.Record(t.Context(), visits[0].Stills[0].ID, house.Done, []house.Face{face}); err != nil {
		t.Fatal(err)
	}
}
