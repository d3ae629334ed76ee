package intake

import (
	"bytes"
	"crypto/sha256"
	"image"
	"image/color"
	"image/jpeg"
	"testing"
	"time"

	"lintel/internal/house"
)

// street is a still of a house front with the street to the right of half its
// width, where a neighbour in that colour goes by.
func street(t *testing.T, neighbour color.Color) []byte {
	t.Helper()
	m := image.NewRGBA(image.Rect(0, 0, 320, 240))
	for y := range 240 {
		for x := range 320 {
			m.Set(x, y, color.RGBA{uint8(x), uint8(y), uint8(x ^ y), 255})
			if x > 200 && x < 260 && y > 60 {
				m.Set(x, y, neighbour)
			}
		}
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: 90}); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

var theStreet = house.Polygon{{X: 0.5, Y: 0}, {X: 1, Y: 0}, {X: 1, Y: 1}, {X: 0.5, Y: 1}}

// What a mask covers reaches neither the disk nor the search: two stills that
// differ there only are kept as the same bytes, and the picture is black there.
func TestReceiveMasks(t *testing.T) {
	h := newHousehold(t, DefaultLimits)
	ctx := t.Context()
	if err := h.archive.SetMasks(ctx, "gate", []house.Polygon{theStreet}); err != nil {
		t.Fatal(err)
	}
	kept := func(ring string, body []byte) []byte {
		t.Helper()
		r, err := h.Receive(ctx, Delivery{Bell: "gate", Ring: ring, Body: body})
		if err != nil || !r.New || !r.Kept {
			t.Fatalf("%+v, %v", r, err)
		}
		data, err := h.archive.ReadStill(ctx, r.Visit, 0)
		if err != nil {
			t.Fatal(err)
		}
		v, err := h.archive.Visit(ctx, r.Visit)
		if err != nil || v.Stills[0].Masked != 1 {
			t.Errorf("masked by revision %d, %v", v.Stills[0].Masked, err)
		}
		return data
	}
	red, blue := kept("r1", street(t, color.RGBA{220, 30, 30, 255})), kept("r2", street(t, color.RGBA{30, 30, 220, 255}))
	if !bytes.Equal(red, blue) {
		t.Error("who went by behind the mask makes a difference")
	}
	m, err := jpeg.Decode(bytes.NewReader(red))
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range []image.Point{{161, 0}, {230, 120}, {319, 239}} {
		if r, g, b, _ := m.At(p.X, p.Y).RGBA(); r|g|b > 0x0300 {
			t.Errorf("at %v: %x %x %x", p, r, g, b)
		}
	}
	if r, g, b, _ := m.At(60, 120).RGBA(); r|g|b < 0x3000 {
		t.Errorf("beside the mask: %x %x %x", r, g, b)
	}
}

// At a time of the week when nothing is kept, nothing is: not a file, not a row.
func TestReceiveInQuietTimes(t *testing.T) {
	h := newHousehold(t, DefaultLimits) // a Sunday, 18:30 UTC
	ctx := t.Context()
	body := street(t, color.Black)
	before, err := h.Receive(ctx, Delivery{Bell: "gate", Ring: "before", Body: body})
	if err != nil || !before.Kept {
		t.Fatalf("%+v, %v", before, err)
	}
	rules := house.DefaultRules()
	rules.Zone = "Asia/Kathmandu" // 00:15 on Monday there, by the tz database UTC+5:45
	rules.Quiet = []house.Quiet{{Days: []time.Weekday{time.Monday}, From: 0, Until: 15},
		{Days: []time.Weekday{time.Monday}, From: 15, Until: 16}}
	if err := h.archive.SetRules(ctx, rules); err != nil {
		t.Fatal(err)
	}
	revision, files := revisionOf(t, h), len(stillFiles(t, h.dir))
	taken := h.time.Add(-time.Minute)
	want := Receipt{Ring: "r1", Frame: 2, ClockSkew: -time.Minute}
	for range 2 { // sent again it is answered the same
		if got, err := h.Receive(ctx, Delivery{Bell: "gate", Ring: "r1", Frame: 2, TakenAt: taken,
			Body: body}); err != nil ||
			got != want {
			t.Errorf("%+v, %v", got, err)
		}
	}
	if got := revisionOf(t, h); got != revision || len(stillFiles(t, h.dir)) != files {
		t.Errorf("something was kept: revision %d, %d files", got, len(stillFiles(t, h.dir)))
	}
	if _, found, err := h.archive.Find(ctx, "gate", "r1", 2, sha256.Sum256(body)); found || err != nil {
		t.Errorf("found %v, %v", found, err)
	}
	if got, err := h.Receive(ctx, Delivery{Bell: "gate", Ring: "before", Body: body}); err != nil || got.New ||
		got.Visit != before.Visit {
		t.Errorf("what was kept before: %+v, %v", got, err)
	}
	h.time = h.time.Add(time.Minute)
	if got, err := h.Receive(ctx, Delivery{Bell: "gate", Ring: "r1", Frame: 2, Body: body}); err != nil || !got.New ||
		!got.Kept {
		t.Errorf("afterwards: %+v, %v", got, err)
	}
}

func revisionOf(t *testing.T, h *household) int64 {
	t.Helper()
	n, err := h.archive.Revision(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return n
}
