package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image/jpeg"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/disintegration/imaging"

	"lintel/internal/house"
	"lintel/pipeline/match"
	"lintel/store"
)

// TestChecksInBrowser answers for doubtful visits by keyboard and by click, has
// past visits rechecked, and moves the threshold. The still is a drawing, the
// names are invented.
func TestChecksInBrowser(t *testing.T) {
	h := newHousehold(t)
	h.fillWithDoubts()
	h.serve()
	defer h.stop()
	wide, narrow := h.browsers("Ada Quill")
	both := func(path, name, selector, pattern string) {
		t.Helper()
		for width, browser := range map[int]context.Context{1280: wide, 400: narrow} {
			do(t, browser, chromedp.Navigate(h.url+path))
			see(t, browser, selector, pattern)
			do(t, browser, chromedp.Poll[bool](`[...document.images].every(i => i.complete && i.naturalWidth > 0 || `+
				`i.loading === "lazy")`))
			whole(t, browser, fmt.Sprintf("%s-%d", name, width))
		}
	}
	press := func(key string) {
		t.Helper()
		until(t, wide, `document.body?.dataset.keys === "ready"`) // the script comes after the page
		do(t, wide, chromedp.KeyEvent(key))
	}
	click(t, wide, `nav a[href="/checks"]`)
	see(t, wide, "h1", "Check matches")
	both("/checks", "checks", "main", `Is this Ada Quill\?.*In question.*Ada Quill, a strong match`)
	both("/checks/threshold", "threshold", "main", `At distance 0.[0-9]+.*FNIR.*DET`)
	// On and back by the arrows, without answering.
	do(t, wide, chromedp.Navigate(h.url+"/checks"))
	see(t, wide, "h2", "Is this")
	first := do(t, wide, chromedp.Evaluate[string](`document.querySelector("[data-face]").dataset.face`))
	press(kb.ArrowRight)
	until(t, wide, fmt.Sprintf(`!!document.querySelector('[data-face]:not([data-face="%s"])')`, first))
	press(kb.ArrowLeft)
	until(t, wide, fmt.Sprintf(`!!document.querySelector('[data-face="%s"]')`, first))

	// No: asked whether it is meant, and left; then meant. The first one is a
	// stranger's, so the second one is gone to.
	press(kb.ArrowRight)
	until(t, wide, fmt.Sprintf(`!!document.querySelector('[data-face]:not([data-face="%s"])')`, first))
	doubtful := do(t, wide, chromedp.Evaluate[string](`document.querySelector("[data-face]").dataset.face`))
	press("n")
	see(t, wide, "main", "The name Ada Quill would be removed from this face")
	whole(t, wide, "checks-no-1280")
	press(kb.ArrowLeft)
	until(t, wide, fmt.Sprintf(`!!document.querySelector('[data-face="%s"]')`, doubtful))
	press("n")
	see(t, wide, "main", "would be removed")
	press("y")
	see(t, wide, ".told", "Saved: this is not Ada Quill")

	// Yes, with the face as a reference, by keys.
	see(t, wide, "h2", "Is this Ada Quill")
	press("r")
	until(t, wide, `document.querySelector("[name=reference]").checked`)
	press("y")
	see(t, wide, ".told", "Saved: this is Ada Quill.*The face is a reference from now on")

	answerByTouch(t, h, narrow, both)

	judgeAnew(t, h, wide, both)
}

// answerByTouch answers on a telephone.
func answerByTouch(t *testing.T, h *household, narrow context.Context,
	both func(path string, name string, selector string, pattern string)) {
	t.Helper()
	// Someone else, and not a face, by clicks on a telephone.
	do(t, narrow, chromedp.Navigate(h.url+"/checks"))
	click(t, narrow, `[data-key="s"]`)
	see(t, narrow, "main", "A stranger.*Ben Orrin")
	whole(t, narrow, "checks-else-400")
	click(t, narrow, `label.choice:nth-of-type(2)`)
	until(t, narrow, `document.activeElement?.type === "radio" && document.activeElement.checked`)
	do(t, narrow, chromedp.KeyEvent("y")) // the key that is shown, while the choice has the focus
	see(t, narrow, ".told", "Saved: this is Ben Orrin")
	click(t, narrow, `[data-key="x"]`)
	see(t, narrow, "h1", "Not a face")
	whole(t, narrow, "checks-not-a-face-400")
	click(t, narrow, `.confirm button`)
	see(t, narrow, ".told", "Saved: this is not a face")
	both("/checks/answers", "checks-answers", "main", "it is not a face.*it is Ben Orrin.*it is Ada Quill.*it is not "+
		"Ada Quill")
}

// judgeAnew looks at what answers change.
func judgeAnew(t *testing.T, h *household, wide context.Context,
	both func(path string, name string, selector string, pattern string)) {
	t.Helper()
	// The new reference changes what would be found on a past visit.
	both("/checks/changes", "checks-changes", "main", `Ada Quill fair match\s+→ Ada Quill strong match`)
	do(t, wide, chromedp.Navigate(h.url+"/checks/changes"))
	click(t, wide, `.change`)
	click(t, wide, `form[action="/checks/changes"] button`)
	see(t, wide, ".told", "1 face rechecked")

	// The slider shows at once what a threshold would have meant.
	do(t, wide, chromedp.Navigate(h.url+"/checks/threshold"))
	see(t, wide, "#outcome", "At distance")
	do(t, wide, chromedp.Evaluate[bool](`(() => { const s = document.querySelector("[type=range]"); s.value = "0.90"; `+
		`return s.dispatchEvent(new Event("input")) })()`))
	see(t, wide, "#outcome", "At distance 0.900.*Strangers called by a name")
	whole(t, wide, "threshold-moved-1280")
}

// until waits for an expression to be true, through whatever pages come in
// between.
func until(t *testing.T, browser context.Context, expression string) {
	t.Helper()
	for {
		_, err := chromedp.Run(browser, chromedp.Poll[bool](expression, chromedp.WithPollingTimeout(30*time.Second)))
		if err == nil {
			return
		}
		if errors.Is(err, chromedp.ErrPollingTimeout) || browser.Err() != nil {
			t.Fatalf("waiting for %s: %v\n%s", expression, err, body(browser))
		}
	}
}

// fillWithDoubts puts visits of every sureness into the archive. Descriptors
// are made up: a person's reference is a corner of a cube, and faces lie at a
// distance from it.
func (h *household) fillWithDoubts() {
	t := h.t
	a, drawing := h.newArchive()
	defer a.Close()
	straight, err := jpeg.Decode(bytes.NewReader(drawing))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := a.AddBell(t.Context(), "front"); err != nil {
		t.Fatal(err)
	}
	describe := func(number int, distance float64) (d house.Descriptor) {
		d[number], d[100] = 1, float32(distance)
		return d
	}
	enrolBoth(t, a, describe)
	gallery, err := match.NewCurrent(a).Gallery(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	weak, beyond := gallery.Threshold(match.Weak)-.005, gallery.Threshold(match.Weak)+.001
	fair := gallery.Threshold(match.Fair) - .005
	for i, visit := range []struct {
		number   int
		distance float64
	}{{0, .2}, {0, .25}, {0, .3}, {1, .3}, {5, .3}, {6, .2}, {0, beyond}, {0, fair - .01}, {1, fair}, {0, fair},
		{0, weak - .005}, {0, weak}, {0, .22}} {
		still, f := straight, aVisitorsFace()
		f.Descriptor = describe(visit.number, visit.distance)
		if i%2 == 1 { // smaller, to be drawn at the same size beside others
			still, f = imaging.Resize(straight, 640, 0, imaging.Box), f.Scaled(.5, .5)
		}
		var b bytes.Buffer
		if err := jpeg.Encode(&b, still, nil); err != nil {
			t.Fatal(err)
		}
		id, _, err := a.Keep(t.Context(), house.NewStill{Bell: "front", Ring: fmt.Sprint(i), JPEG: b.Bytes(),
			Width: still.Bounds().Dx(), Height: still.Bounds().Dy(),
			ReceivedAt: time.Now().Add(time.Duration(i-60) * time.Hour)})
		if err != nil {
			t.Fatal(err)
		}
		v, err := a.Visit(t.Context(), id)
		if err != nil {
			t.Fatal(err)
		}
		faces := []house.Face{f}
		gallery.IdentifyRing([][]house.Face{faces})
		if err := a.Record(t.Context(), v.Stills[0].ID, house.Done, faces); err != nil {
			t.Fatal(err)
		}
	}
}

// enrolBoth enrols who the doubtful faces resemble.
func enrolBoth(t *testing.T, a *store.Archive, describe func(number int, distance float64) (d house.Descriptor)) {
	t.Helper()
	for i, name := range []string{"Ada Quill", "Ben Orrin"} {
		p, err := a.AddPerson(t.Context(), name)
		if err != nil {
			t.Fatal(err)
		}
		if err := a.RecordConsent(t.Context(), p.ID, house.Consent{GivenBy: name, GivenAt: time.Now(),
			Scope: "the door"}); err != nil {
			t.Fatal(err)
		}
		if err := a.AddReference(t.Context(), house.Reference{Person: p.ID, Descriptor: describe(i, 0), FaceWidth: 200,
			SourceSHA256: [32]byte{byte(i)}}); err != nil {
			t.Fatal(err)
		}
	}
}
