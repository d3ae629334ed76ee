package main

import (
	"bytes"
	"context"
	"fmt"
	"image"
	"image/draw"
	"image/png"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"lintel/internal/house"
	"lintel/internal/python"
)

// TestSourcesInBrowser adds all that factors come from, and a receiver of
// advice, as a resident does. The names are invented.
func TestSourcesInBrowser(t *testing.T) {
	h := newHousehold(t)
	ada := h.fillWithDoor()
	h.serve()
	defer h.stop()
	wide, narrow := h.browsers("Ada Quill")
	for _, screen := range []sourcesScreen{
		{wide, "1280", h.url, ada, "the blue phone"},
		{narrow, "400", h.url, ada, "the old phone with the long name that was in the drawer"},
	} {
		t.Run(screen.width+" wide", func(t *testing.T) {
			screen.addPhoneAndToken(t)
			screen.giveCodes(t)
			screen.addReaderAndReceiver(t)
		})
	}
	do(t, wide, chromedp.Navigate(h.url+"/upkeep/sources"))
	click(t, wide, `#readers li:first-child form[action$="/remove"] button`) // by name, the one that the wide screen added
	see(t, wide, "#readers", "^((?!the mat 1280).)*the mat 400((?!the mat 1280).)*$")
	do(t, wide, chromedp.Poll[bool](`document.readyState === "complete"`))
	click(t, wide, `#receivers li:first-child button`)
	see(t, wide, "#receivers", "^((?!the shelf 1280).)*the shelf 400((?!the shelf 1280).)*$")
	do(t, wide, chromedp.Navigate(h.url+"/people/"+ada))
	click(t, wide, `form[action$="/codes/end"] button`)
	see(t, wide, "#factors", "Ada Quill has none")
}

// A sourcesScreen is a browser of some width, and what is typed there.
type sourcesScreen struct {
	browser         context.Context
	width           string
	url, ada, phone string
}

func (s sourcesScreen) picture(t *testing.T, name string) {
	t.Helper()
	do(t, s.browser, chromedp.Poll[bool](`document.readyState === "complete"`)) // with its style
	whole(t, s.browser, name+"-"+s.width)
}

func (s sourcesScreen) goTo(t *testing.T, path string) {
	t.Helper()
	do(t, s.browser, chromedp.Navigate(s.url+path))
}

func (s sourcesScreen) typed(t *testing.T, form, name string) {
	t.Helper()
	do(t, s.browser, chromedp.SendKeys(chromedp.CSS(fmt.Sprintf(`form[action^="%s#"] input[name="name"]`, form)), name))
	click(t, s.browser, fmt.Sprintf(`form[action^="%s#"] button`, form))
}

func (s sourcesScreen) addPhoneAndToken(t *testing.T) {
	b, person := s.browser, "/people/"+s.ada
	s.goTo(t, person)
	see(t, b, "#factors", "phones, fobs and codes.*can be lent, stolen.*found or copied.*told to a friend works for the "+
		"friend")
	s.picture(t, "sources-none")
	s.typed(t, person+"/phones", s.phone)
	see(t, b, "#phone-added", s.phone+" was added.*not shown again.*curl http.*lat.*lon.*crossing")
	s.picture(t, "sources-phone")
	if token := do(t, b, chromedp.Text(chromedp.CSS("#phone-added .token"))); len(token) != 26 {
		t.Errorf("the token shown is %q", token)
	}
	s.goTo(t, person)
	see(t, b, "#factors", s.phone+".*not heard yet")
	if again := do(t, b, chromedp.Evaluate[bool](`document.querySelector("#phone-added") !== null`)); again {
		t.Error("the token is shown again")
	}
	s.typed(t, person+"/tokens", "brass-4411-"+s.width)
	see(t, b, "#factors", "brass-4411-"+s.width)
}

// giveCodes gives out one-time codes, and has the QR code read as the browser
// draws it.
//
// Outside: ZBar, which reads QR codes.
func (s sourcesScreen) giveCodes(t *testing.T) {
	b := s.browser
	click(t, b, `form[action="/people/`+s.ada+`/codes#codes-given"] button`)
	see(t, b, "#codes-given", "not shown again.*6 digits, 30 seconds.*Whoever sees it has all codes")
	s.picture(t, "sources-codes")
	shot, err := png.Decode(bytes.NewReader(do(t, b, chromedp.Screenshot(chromedp.CSS(".qr")))))
	if err != nil {
		t.Fatal(err)
	}
	secret := strings.ReplaceAll(do(t, b, chromedp.Text(chromedp.CSS("#codes-given .code"))), " ", "")
	t.Run("code", func(t *testing.T) {
		luma := image.NewGray(shot.Bounds())
		draw.Draw(luma, luma.Rect, shot, shot.Bounds().Min, draw.Src)
		var read []string
		python.Ask(t, "pyzbar.pyzbar", `
import base64, json, sys
from pyzbar.pyzbar import decode
q = json.load(sys.stdin)
luma = base64.b64decode(q["Luma"])
json.dump([f.data.decode() for f in decode((luma, q["Width"], len(luma) // q["Width"]))], sys.stdout)`,
			map[string]any{"Luma": luma.Pix, "Width": luma.Stride}, &read)
		if len(read) != 1 || !strings.HasPrefix(read[0], "otpauth://totp/") ||
			!strings.Contains(read[0], "secret="+secret) {
			t.Errorf("read %q, which should have the secret %s", read, secret)
		}
	})
	s.goTo(t, "/people/"+s.ada)
	see(t, b, "#factors", "Ada Quill has them.*Give out new codes")
	s.picture(t, "sources-all")
}

func (s sourcesScreen) addReaderAndReceiver(t *testing.T) {
	b := s.browser
	s.goTo(t, "/upkeep/sources")
	see(t, b, "#receivers", "Lintel never moves a lock.*free at all times, without power.*fire codes.*licensed "+
		"locksmith.*docs/receiver/receiver.py")
	s.typed(t, "/upkeep/readers", "the mat "+s.width)
	see(t, b, "#reader-added", "the mat.*not shown again.*LABEL")
	s.picture(t, "sources-reader")
	door := do(t, b, chromedp.Evaluate[string](`document.querySelector("#receivers option:last-child").value`))
	do(t, b, chromedp.SetValue(chromedp.CSS(`#receivers select`), door))
	s.typed(t, "/upkeep/receivers", "the shelf "+s.width)
	see(t, b, "#receiver-added", "the shelf.*was added at the garden gate.*not shown again.*lintel-receiver-key-1")
	s.picture(t, "sources-receiver")
	s.goTo(t, "/upkeep/sources")
	see(t, b, "#receivers", "the shelf "+s.width+".*at the garden gate")
	if text := body(b); strings.Contains(text, "lintel-receiver-key") {
		t.Error("the key is shown again")
	}
	s.picture(t, "sources-upkeep")
}

// fillWithDoor adds a bell, a door and Ada Quill, who rang; it returns her id.
func (h *household) fillWithDoor() (ada string) {
	t := h.t
	a, drawing := h.newArchive()
	defer a.Close()
	if _, err := a.AddBell(t.Context(), "front"); err != nil {
		t.Fatal(err)
	}
	if _, err := a.SetDoor(t.Context(), house.Door{Name: "the garden gate", Bell: "front"}); err != nil {
		t.Fatal(err)
	}
	p, err := a.AddPerson(t.Context(), "Ada Quill")
	if err != nil {
		t.Fatal(err)
	}
	if err := a.RecordConsent(t.Context(), p.ID, house.Consent{GivenBy: "Ada Quill", GivenAt: time.Now(),
		Scope: "Recognising my face at the door."}); err != nil {
		t.Fatal(err)
	}
	visit, _, err := a.Keep(t.Context(), house.NewStill{Bell: "front", Ring: "1", JPEG: drawing, Width: 1280,
		Height:     1024,
		ReceivedAt: time.Now().Add(-time.Hour)})
	if err != nil {
		t.Fatal(err)
	}
	v, err := a.Visit(t.Context(), visit)
	if err != nil {
		t.Fatal(err)
	}
	face := house.Face{Box: aVisitor().Truth[0].Box,
		Match: &house.Match{Person: p.ID, Distance: .31, FPIR: 2e-5, Band: "strong"}}
	if err := a.Record(t.Context(), v.Stills[0].ID, house.Done, []house.Face{face}); err != nil {
		t.Fatal(err)
	}
	return p.ID
}
