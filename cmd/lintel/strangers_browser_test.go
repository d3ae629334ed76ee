package main

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"lintel/internal/house"
)

// TestStrangersInBrowser makes a person of a stranger who rang 3 times. The
// still is a drawing, the names are invented, and so are the descriptors.
func TestStrangersInBrowser(t *testing.T) {
	h := newHousehold(t)
	newest := h.fillWithStrangers()
	h.serve()
	defer h.stop()
	wide, narrow := h.browsers("A stranger")

	for _, page := range []struct{ path, name, says string }{
		{"/visits/" + newest, "visit-again", "This face rang 3 times (today|this week|since).*this visit"},
		{"/people/strangers", "strangers", "This face rang 3 times.*This face rang 2 times"},
	} {
		do(t, wide, chromedp.Navigate(h.url+page.path))
		see(t, wide, "main", page.says)
		pictured(t, wide)
		whole(t, wide, page.name+"-1280")
		do(t, narrow, chromedp.Navigate(h.url+page.path))
		see(t, narrow, "main", page.says)
		whole(t, narrow, page.name+"-400")
	}

	click(t, wide, ".who a.button")
	see(t, wide, "main", "enrolled already.*biometric data")
	whole(t, wide, "stranger-1280")
	click(t, narrow, ".who a.button")
	see(t, narrow, "main", "biometric data")
	whole(t, narrow, "stranger-400")

	// A browser asks for what is missing; the server, for what it lets through.
	do(t, wide, chromedp.SetValue(chromedp.CSS(`[name="given_at"]`), time.Now().Format(time.DateOnly)))
	click(t, wide, `li:last-child [name="visit"]`)
	do(t, wide, chromedp.SendKeys(chromedp.CSS(`[name="name"]`), "Ada Quill"))
	do(t, wide, chromedp.SendKeys(chromedp.CSS(`[name="given_by"]`), " "))
	click(t, wide, "main button.act")
	see(t, wide, "#fault-given_by", "A consent says who agreed")
	whole(t, wide, "stranger-refused-1280")
	click(t, wide, `[name="name_visits"]`)
	do(t, wide, chromedp.Clear(chromedp.CSS(`[name="given_by"]`)))
	do(t, wide, chromedp.SendKeys(chromedp.CSS(`[name="given_by"]`), "Ada Quill"))
	click(t, wide, "main button.act")
	see(t, wide, "main", "2 references enrolled. 2 visits named.*Given by Ada Quill on .*, to: Recognising my face")
	see(t, wide, "#doubles", "Easily confused with.*Bo Tarn")
	click(t, wide, "#pictures summary")
	see(t, wide, "#pictures", "Without this picture, a face like this is a strong match already")
	whole(t, wide, "stranger-known-1280")
	click(t, wide, ".who a.act")
	see(t, wide, "#seen", "Tick only what is Ada Quill for sure.*A stranger")
	pictured(t, wide)
	whole(t, wide, "pictures-visits-1280")
	click(t, wide, `#seen li:first-child [name="face"]`)
	click(t, wide, "#seen button")
	see(t, wide, "main", "1 reference enrolled.*Ada Quill is known by 3 pictures of 5.*From a visit")
	do(t, wide, chromedp.Navigate(h.url+"/people"))
	click(t, wide, "#household summary")
	see(t, wide, "#household", "2 persons, 1 pair. Some of you are near enough.*Bo Tarn")
	whole(t, wide, "people-household-1280")
	do(t, narrow, chromedp.Navigate(h.url+"/visits/"+newest))
	see(t, narrow, ".visitors", "Ada Quill.*strong match")
	do(t, narrow, chromedp.Navigate(h.url+"/people/strangers"))
	see(t, narrow, "main", "^((?!3 times).)*This face rang 2 times((?!3 times).)*$")
	whole(t, narrow, "strangers-after-400")
}

// fillWithStrangers has one stranger ring three times and another twice, and
// returns the newest visit of the first; and Bo Tarn, who is like the first.
func (h *household) fillWithStrangers() (newest string) {
	t := h.t
	a, drawing := h.newArchive()
	defer a.Close()
	if _, err := a.AddBell(t.Context(), "front"); err != nil {
		t.Fatal(err)
	}
	at := func(place float32) (d house.Descriptor) {
		d[0], d[1] = place, 1
		return d
	}
	bo := house.Consent{GivenBy: "Bo Tarn", GivenAt: time.Now().Add(-time.Hour), Scope: "Being known at the door"}
	if _, err := a.Introduce(t.Context(), "Bo Tarn", bo,
		[]house.Reference{{Descriptor: at(0.40), FaceWidth: 120}}); err !=
		nil {
		t.Fatal(err)
	}
	for i, ring := range []struct {
		hoursAgo int
		place    float32
	}{{60, -0.2}, {50, 3}, {26, -0.1}, {4, 3.1}, {2, 0}} {
		id, _, err := a.Keep(t.Context(), house.NewStill{Bell: "front", Ring: fmt.Sprint(i),
			JPEG: append(slices.Clone(drawing), byte(i)), Width: 1280, Height: 1024,
			ReceivedAt: time.Now().Add(-time.Duration(ring.hoursAgo) * time.Hour)})
		if err != nil {
			t.Fatal(err)
		}
		v, err := a.Visit(t.Context(), id)
		if err != nil {
			t.Fatal(err)
		}
		face := house.Face{Box: aVisitor().Truth[0].Box, Descriptor: at(ring.place)}
		if err := a.Record(t.Context(), v.Stills[0].ID, house.Done, []house.Face{face}); err != nil {
			t.Fatal(err)
		}
		newest = id
	}
	return newest
}
