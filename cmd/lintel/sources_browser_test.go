package main

import (
	"context"
	"fmt"
	"image"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"lintel/internal/house"
)

// TestSourcesInBrowser adds all that factors come from, and a receiver of
// advice, as a resident does. The names are invented.
func TestSourcesInBrowser(t *testing.T) {
	h := newHousehold(t)
	ada := h.fillWithDoor()
	h.serve()
	defer h.stop()
	wide, narrow := h.browsers("Ada Quill")
	for _, screen := range []struct {
		width   string
		browser context.Context
		phone   string
	}{{"1280", wide, "the blue phone"}, {"400", narrow, "the old phone with the long name that was in the drawer"}} {
		b := screen.browser
		picture := func(name string) {
			t.Helper()
			do(t, b, chromedp.Poll[bool](`document.readyState === "complete"`)) // with its style
			whole(t, b, name+"-"+screen.width)
		}
		person := func() { do(t, b, chromedp.Navigate(h.url+"/people/"+ada)) }
		typed := func(form, name string) {
			do(t, b, chromedp.SendKeys(chromedp.CSS(fmt.Sprintf(`form[action^="%s#"] input[name="name"]`, form)), name))
			click(t, b, fmt.Sprintf(`form[action^="%s#"] button`, form))
		}
		person()
		see(t, b, "#factors", "can be lent, stolen.*found or copied.*told to a friend works for the friend")
		picture("sources-none")
		typed("/people/"+ada+"/phones", screen.phone)
		see(t, b, "#phone-added", screen.phone+" was added.*not shown again.*curl http.*lat.*lon.*crossing")
		picture("sources-phone")
		if token := do(t, b, chromedp.Text(chromedp.CSS("#phone-added .token"))); len(token) != 26 {
			t.Errorf("the token shown is %q", token)
		}
		person()
		see(t, b, "#factors", screen.phone+".*not heard yet")
		if again := do(t, b, chromedp.Evaluate[bool](`document.querySelector("#phone-added") !== null`)); again {
			t.Error("the token is shown again")
		}
		typed("/people/"+ada+"/tokens", "brass-4411-"+screen.width)
		see(t, b, "#factors", "brass-4411-"+screen.width)

		click(t, b, `form[action="/people/`+ada+`/codes#codes-given"] button`)
		see(t, b, "#codes-given", "not shown again.*6 digits, 30 seconds.*Whoever sees it has all codes")
		do(t, b, chromedp.Poll[bool](`document.querySelector(".qr")?.naturalWidth === 320`)) // the policy lets it be seen
		picture("sources-codes")
		do(t, b, chromedp.Poll[bool](`fetch(document.querySelector(".qr").src).then(a => a.status === 404)`)) // shown once
		person()
		see(t, b, "#factors", "Ada Quill has them.*Replace them")
		picture("sources-all")

		do(t, b, chromedp.Navigate(h.url+"/upkeep"))
		see(t, b, "#receivers", "Lintel never moves a lock.*free at all times, without power.*fire codes.*licensed "+
			"locksmith.*docs/receiver/receiver.py")
		typed("/upkeep/readers", "the mat "+screen.width)
		see(t, b, "#reader-added", "the mat.*not shown again.*LABEL")
		picture("sources-reader")
		door := do(t, b, chromedp.Evaluate[string](`document.querySelector("#receivers option:last-child").value`))
		do(t, b, chromedp.SetValue(chromedp.CSS(`#receivers select`), door))
		typed("/upkeep/receivers", "the shelf "+screen.width)
		see(t, b, "#receiver-added", "the shelf.*was added at the garden gate.*not shown again.*lintel-receiver-key-1")
		picture("sources-receiver")
		do(t, b, chromedp.Navigate(h.url+"/upkeep"))
		see(t, b, "#receivers", "the shelf "+screen.width+".*at the garden gate")
		if text := body(b); strings.Contains(text, "lintel-receiver-key") {
			t.Error("the key is shown again")
		}
		picture("sources-upkeep")
	}
	click(t, wide, `#readers li:first-child button`) // by name, the one that the wide screen added
	see(t, wide, "#readers", "^((?!the mat 1280).)*the mat 400((?!the mat 1280).)*$")
	do(t, wide, chromedp.Poll[bool](`document.readyState === "complete"`))
	click(t, wide, `#receivers li:first-child button`)
	see(t, wide, "#receivers", "^((?!the shelf 1280).)*the shelf 400((?!the shelf 1280).)*$")
	do(t, wide, chromedp.Navigate(h.url+"/people/"+ada))
	click(t, wide, `form[action$="/codes/end"] button`)
	see(t, wide, "#factors", "Ada Quill has none")
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
	visit, _, err := a.Keep(t.Context(), house.NewStill{Bell: "front", Ring: "1", JPEG: drawing, Width: 1280, Height: 1024,
		ReceivedAt: time.Now().Add(-time.Hour)})
	if err != nil {
		t.Fatal(err)
	}
	v, err := a.Visit(t.Context(), visit)
	if err != nil {
		t.Fatal(err)
	}
	face := house.Face{Box: image.Rect(540, 370, 740, 570),
		Match: &house.Match{Person: p.ID, Distance: .31, FPIR: 2e-5, Band: "strong"}}
	if err := a.Record(t.Context(), v.Stills[0].ID, house.Done, []house.Face{face}); err != nil {
		t.Fatal(err)
	}
	return p.ID
}
