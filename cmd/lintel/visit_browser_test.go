package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"lintel/internal/chromium"
	"lintel/internal/house"
)

// TestVisitInBrowser has a resident say by touch whose a stranger's face is, on the
// visit at a tablet's and at a phone's size: in a dialog, with a way back, and by the
// keyboard. The stills are drawings, the names are invented.
func TestVisitInBrowser(t *testing.T) {
	h := newHousehold(t)
	visit := h.fillForVisit()
	h.serve()
	defer h.stop()
	wide, narrow := h.browsers("stranger")
	for _, screen := range []struct {
		width, height int64
		browser       context.Context
	}{{1280, 800, wide}, {390, 844, narrow}} {
		width, browser := screen.width, screen.browser
		t.Run(fmt.Sprint(width), func(t *testing.T) {
			do(t, browser, chromedp.EmulateViewport(width, screen.height, chromedp.EmulateTouch))
			do(t, browser, chromedp.Navigate(h.url+"/visits/"+visit))
			see(t, browser, "main", `A stranger.*Rang.*Found.*Who.*Kept`)
			until(t, browser, `[...document.querySelectorAll(".visitors img")].every(i => i.complete && i.naturalWidth > 0)`)
			until(t, browser, `document.querySelector(".visitors img").getBoundingClientRect().bottom < innerHeight`)
			whole(t, browser, fmt.Sprintf("visit-%d", width))
			chromium.Audit(t, browser, fmt.Sprintf("a visit, %d wide", width))
			saysWhose(t, browser, width)
			showsBoxes(t, browser)
		})
	}
	prints(t, wide, h.url+"/visits/"+visit)
}

// saysWhose opens the dialog, closes it, says a name, and takes that back.
func saysWhose(t *testing.T, browser context.Context, width int64) {
	t.Helper()
	click(t, browser, ".visitors a.this-is")
	see(t, browser, "dialog", `Ada Quill.*Ben Orrin.*Somebody I don’t want to name.*Not a face`)
	screenshot(t, browser, fmt.Sprintf("this-is-%d", width))
	chromium.Audit(t, browser, fmt.Sprintf("the dialog, %d wide", width))
	click(t, browser, "dialog [data-close]")
	until(t, browser, `!document.querySelector("dialog") && document.activeElement.matches("a.this-is")`)

	click(t, browser, ".visitors a.this-is")
	see(t, browser, "dialog", `Ada Quill`)
	click(t, browser, "dialog .people li:first-child button")
	see(t, browser, "#marked", `This is Ada Quill from now on`)
	see(t, browser, ".visitors", `Ada Quill.*Said by Morgan Vale. Lintel found: a stranger`)
	until(t, browser, `!document.querySelector("dialog") && document.activeElement.matches("a.this-is")`)
	screenshot(t, browser, fmt.Sprintf("this-is-said-%d", width))
	click(t, browser, "#marked button")
	see(t, browser, "#marked", `Taken back`)
	see(t, browser, ".visitors", `A stranger`)

	// Somebody new without a name: the fault is in the dialog, and the focus on its field.
	click(t, browser, ".visitors a.this-is")
	see(t, browser, "dialog", `Somebody new`)
	click(t, browser, "dialog details:has(.new) > summary")
	click(t, browser, `dialog button[value="new"]`)
	until(t, browser, `document.activeElement.matches('dialog [name="name"][aria-invalid="true"]')`)
	screenshot(t, browser, fmt.Sprintf("this-is-new-%d", width))
	click(t, browser, "dialog [data-close]")
	until(t, browser, `!document.querySelector("dialog")`)
}

// showsBoxes has boxes drawn that were not.
func showsBoxes(t *testing.T, browser context.Context) {
	t.Helper()
	const drawn = `getComputedStyle(document.querySelector("rect.face")).display`
	until(t, browser, drawn+` === "none"`)
	click(t, browser, "#boxes")
	until(t, browser, drawn+` !== "none"`)
}

// prints makes a sheet of a visit, which has one page.
func prints(t *testing.T, browser context.Context, address string) {
	t.Helper()
	do(t, browser, chromedp.Navigate(address))
	see(t, browser, "main", `A stranger`)
	until(t, browser, `!document.getElementById("print").hidden && `+
		`[...document.images].every(i => i.complete && i.naturalWidth > 0)`)
	sheet := do(t, browser, chromedp.PrintToPDF(chromedp.PDFPaper(chromedp.PaperA4)))
	if n := len(regexp.MustCompile(`/Type /Page\b`).FindAll(sheet, -1)); n != 1 {
		t.Errorf("printed on %d pages", n)
	}
	if *screenshots != "" {
		if err := os.WriteFile(filepath.Join(*screenshots, "visit.pdf"), sheet, 0o600); err != nil {
			t.Error(err)
		}
	}
}

// fillForVisit puts two persons and a stranger's ring of three stills into the archive,
// and returns the visit.
func (h *household) fillForVisit() (visit string) {
	t := h.t
	a, drawing := h.newArchive()
	defer a.Close()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	_, err := a.AddBell(t.Context(), "front")
	must(err)
	for i, name := range []string{"Ada Quill", "Ben Orrin"} {
		consent := house.Consent{GivenBy: name, GivenAt: time.Now(), Scope: "the door"}
		_, err := a.Introduce(t.Context(), name, consent, []house.Reference{
			{Descriptor: house.Descriptor{float32(i) + 1}, FaceWidth: 200, SourceSHA256: [32]byte{byte(i)}},
		})
		must(err)
	}
	for frame := range 3 {
		visit, _, err = a.Keep(t.Context(), house.NewStill{Bell: "front", Ring: "R", Frame: frame, JPEG: drawing,
			Width: 1280, Height: 1024, SentSHA256: [32]byte{byte(frame)}, ReceivedAt: time.Now().Add(-time.Minute)})
		must(err)
		v, err := a.Visit(t.Context(), visit)
		must(err)
		f := house.Face{Box: aVisitor().Truth[0].Box, Descriptor: house.Descriptor{1, .9, float32(frame) / 50}}
		must(a.Record(t.Context(), v.Stills[frame].ID, house.Done, []house.Face{f}))
	}
	return visit
}
