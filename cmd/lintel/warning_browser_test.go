package main

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"lintel/internal/house"
	"lintel/pipeline/liveness"
)

// TestWarningsInBrowser has somebody known ring with what looks like a picture,
// and others who leave doubts: on Now, in the visitor book and on the visit,
// where a finding is tapped and seen on its still, with scripts, by the keyboard
// and without scripts. The still is a drawing, the names are invented.
func TestWarningsInBrowser(t *testing.T) {
	h := newHousehold(t)
	visit, face := h.fillWithWarnings()
	h.serve()
	defer h.stop()
	wide, narrow := h.browsers("Looks like a picture of Ada Quill")
	both := func(path, name, selector, pattern string) {
		t.Helper()
		for width, browser := range map[int]context.Context{1280: wide, 400: narrow} {
			do(t, browser, chromedp.Navigate(h.url+path))
			see(t, browser, selector, pattern)
			do(t, browser, chromedp.Evaluate[bool](`(document.querySelectorAll("article > .why").forEach(e => { e.open = true }), true)`))
			do(t, browser, chromedp.Poll[bool](`[...document.images].every(i => i.complete && i.naturalWidth > 0 || `+
				`i.loading === "lazy")`))
			whole(t, browser, fmt.Sprintf("%s-%d", name, width))
		}
	}
	both("/", "warning-now", "#visits article:first-child", `Looks like a picture of Ada Quill.*The face on it is a `+
		`strong match`)
	both("/visits", "warning-book", "main", `Looks like a picture of Ada Quill.*Doubtful: may be a picture`)
	both("/checks/"+face, "warning-check", "main", `Is this a picture of Ada Quill\?.*Looks like a picture.*reference `+
		`taken from a picture`)
	both("/visits/"+visit, "warning-visit", "main", `Looks like a picture of Ada Quill.*A good photograph of a face `+
		`passes. Look at the still, and at the door.*Numbers and signs of face 1`)

	showRegions(t, wide, narrow)
	// The newest visit gone, Now has a doubtful one, and then one without a sign.
	for _, next := range []struct{ name, says string }{
		{"doubtful", `Ada Quill.*Doubtful: may be a picture.*strong match.*Why`},
		{"stranger", `A stranger.*Doubtful: may be a picture.*Why`},
		{"no-sign", `Ada Quill\s+strong match`},
	} {
		do(t, narrow, chromedp.Navigate(h.url))
		until(t, narrow, `!!document.querySelector("#visits article")`)
		was := do(t, narrow, chromedp.Evaluate[string](`document.querySelector("#visits article").id`))
		// Its page may go before it hears the answer, and asks again then.
		until(t, narrow, fmt.Sprintf(`fetch("/api/v1/visits/" + %q, { method: "DELETE" }).then(a => a.ok || a.status === 404)`,
			strings.TrimPrefix(was, "visit-")))
		for _, browser := range []context.Context{wide, narrow} { // who shows it goes on by itself
			until(t, browser, fmt.Sprintf(`!document.getElementById(%q) && document.readyState === "complete"`, was))
		}
		both("/", "warning-now-"+next.name, "#visits article:first-child", next.says)
	}
}

// edgesBeyond is how many pixels beyond the face the findings have edges.
const edgesBeyond = 50

// showRegions presses signs, and sees where on the still they are.
func showRegions(t *testing.T, wide context.Context, narrow context.Context) {
	t.Helper()
	for width, browser := range map[int]context.Context{1280: wide, 400: narrow} {
		t.Run(fmt.Sprint(width), func(t *testing.T) {
			until(t, browser, `document.body?.dataset.signs === "ready"`)
			click(t, browser, `.faces summary`)
			click(t, browser, `a.sign`)
			seesRegion(t, browser, `a.sign`)
			screenshot(t, browser, fmt.Sprintf("warning-region-%d", width))
			// The region lies on the still where the findings say, however large it is drawn.
			at := do(t, browser,
				chromedp.Evaluate[[]float64](`(() => { const s = document.querySelector(".sight img").getBoundingClientRect(),
					r = document.querySelector(".region.shown").getBoundingClientRect();
				return [(r.left - s.left) / s.width * 1280, (r.top - s.top) / s.height * 1024,
					(r.right - s.left) / s.width * 1280, (r.bottom - s.top) / s.height * 1024] })()`))
			edges := aVisitor().Truth[0].Box.Inset(-edgesBeyond)
			for i, side := range []int{edges.Min.X, edges.Min.Y, edges.Max.X, edges.Max.Y} {
				if want := float64(side); at[i] < want-8 || at[i] > want+8 { // its stroke
					t.Errorf("the region is at %v on a still of 1280x1024", at)
					break
				}
			}
			// Pressed again it goes, and by the keyboard another one comes.
			click(t, browser, `a.sign`)
			until(t, browser, `document.querySelectorAll(".region.shown").length === 0`)
			do(t, browser, chromedp.Evaluate[bool](`(document.querySelectorAll("a.sign")[1].focus(), true)`))
			for _, key := range []string{" ", " ", kb.Enter} {
				do(t, browser, chromedp.KeyEvent(key))
			}
			seesRegion(t, browser, `li:nth-child(2) > a.sign`)
			// One at a time. The page may still scroll from the last, so that a
			// mouse would miss.
			do(t, browser, chromedp.Evaluate[bool](`(document.querySelector("a.sign").click(), true)`))
			seesRegion(t, browser, `a.sign`)
			// Without scripts the link leads to the same, drawn by the server.
			link := do(t, browser, chromedp.Evaluate[string](`document.querySelector("a.sign").href`))
			do(t, browser, chromedp.Navigate(link))
			until(t, browser, `document.body?.dataset.signs === "ready" && `+
				`document.querySelectorAll(".region.shown").length === 1`)
			seesRegion(t, browser, `a.sign`)
		})
	}
}

// seesRegion checks that one region is drawn, that of the finding, that it can
// be seen, and that whoever hears the page hears so.
func seesRegion(t *testing.T, browser context.Context, sign string) {
	t.Helper()
	until(t, browser,
		fmt.Sprintf(
			`(() => { const s = document.querySelector(%q), all = document.querySelectorAll(".region.shown"),
			r = all[0]?.getBoundingClientRect();
		return all.length === 1 && all[0].id === s.dataset.shows
			&& s.getAttribute("role") === "button" && s.getAttribute("aria-pressed") === "true"
			&& document.querySelectorAll("main [aria-pressed=true]").length === 1
			&& r.width > 20 && r.height > 20 && r.bottom > 0 && r.top < innerHeight })()`, sign))
}

// fillWithWarnings puts visits of each level into the archive, and returns the
// newest, which looks like a picture of somebody enrolled, and its face.
func (h *household) fillWithWarnings() (visit, face string) {
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
	if err := a.RecordConsent(t.Context(), ada.ID, house.Consent{GivenBy: "Ada Quill", GivenAt: time.Now(),
		Scope: "the door"}); err != nil {
		t.Fatal(err)
	}
	if err := a.AddReference(t.Context(), house.Reference{Person: ada.ID, Descriptor: house.Descriptor{1}, FaceWidth: 200,
		SourceSHA256: [32]byte{1}}); err != nil {
		t.Fatal(err)
	}
	corners := func(margin int) []house.Point {
		r := aVisitor().Truth[0].Box.Inset(-margin)
		x0, y0, x1, y1 := float64(r.Min.X), float64(r.Min.Y), float64(r.Max.X), float64(r.Max.Y)
		return []house.Point{{X: x0, Y: y0}, {X: x1, Y: y0}, {X: x1, Y: y1}, {X: x0, Y: y1}}
	}
	many := []float64{.5, .25, 30, 3, 2, 1, 1, 1} // what any sign has words for
	findings := []house.Finding{
		{Sign: liveness.Repeat, Score: .5, Values: []float64{3, .125, 30}, Region: corners(0)},
		{Sign: liveness.Edges, Score: .9, Values: many, Region: corners(edgesBeyond)},
		{Sign: liveness.Detail, Score: .125, Values: many},
		{Sign: liveness.Network}, {Sign: liveness.Copies, Missing: liveness.Sizes},
	}
	known := &house.Match{Person: ada.ID, Distance: .2, FPIR: 1e-6, Band: "strong", Probability: .995, Frames: 1}
	once := []string{liveness.OneFrame}
	for i, ring := range []struct {
		match *house.Match
		house.Liveness
	}{
		{nil, house.Liveness{Level: house.NoSign, Probability: .02, Frames: 1, CantTell: once, Findings: findings[3:]}},
		{nil, house.Liveness{Level: house.Picture, Probability: .97, Frames: 3, Findings: findings}},
		{known, house.Liveness{Level: house.NoSign, Probability: .02, Frames: 3}},
		{nil, house.Liveness{Level: house.Doubtful, Probability: .4, Frames: 1, CantTell: once, Findings: findings[2:]}},
		{known, house.Liveness{Level: house.Doubtful, Probability: .4, Frames: 1, CantTell: once, Findings: findings[2:]}},
		{known, house.Liveness{Level: house.Picture, Probability: .97, Frames: 1, CantTell: once, Findings: findings}},
	} {
		id, _, err := a.Keep(t.Context(), house.NewStill{Bell: "front", Ring: fmt.Sprint(i), JPEG: drawing, Width: 1280,
			Height:     1024,
			ReceivedAt: time.Now().Add(time.Duration(i-6) * time.Minute)})
		if err != nil {
			t.Fatal(err)
		}
		v, err := a.Visit(t.Context(), id)
		if err != nil {
			t.Fatal(err)
		}
		f := aVisitorsFace()
		f.Descriptor, f.Match, f.Liveness = house.Descriptor{1, 0, .2}, ring.match, &ring.Liveness
		if err := a.Record(t.Context(), v.Stills[0].ID, house.Done, []house.Face{f}); err != nil {
			t.Fatal(err)
		}
		if v, err = a.Visit(t.Context(), id); err != nil {
			t.Fatal(err)
		}
		visit, face = id, v.Stills[0].Faces[0].ID
	}
	return visit, face
}
