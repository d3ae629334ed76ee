package web

import (
	"image"
	"io"
	"net/http/httptest"
	"runtime"
	"slices"
	"strconv"
	"sync"
	"testing"
	"time"

	"lintel/internal/doorstep"
	"lintel/internal/house"
)

// bellStill is what a bell sends of somebody who rings, and where the face on it is.
var bellStill = sync.OnceValues(func() (data []byte, face image.Rectangle) {
	still := doorstep.Scene{At: time.Date(2031, 6, 17, 12, 0, 0, 0, time.UTC), Seed: 19,
		Visitors: []doorstep.Visitor{{Who: doorstep.People[0], Distance: 0.6}}}.Still()
	return still.JPEG(85), still.Truth[0].Box
})

// stood keeps so many visits with one still and one face each.
func (h *household) stood(visits int, data []byte, face image.Rectangle) (ids []string) {
	h.t.Helper()
	for i := range visits {
		h.clock.advance(time.Minute)
		n := house.NewStill{Bell: "gate", Ring: strconv.Itoa(i), JPEG: data, Width: doorstep.Width, Height: doorstep.Height,
			SentSHA256: [32]byte{byte(i), byte(i >> 8), 1}, ReceivedAt: h.clock.now()}
		id, _, err := h.archive.Keep(h.t.Context(), n)
		if err != nil {
			h.t.Fatal(err)
		}
		v, err := h.archive.Visit(h.t.Context(), id)
		if err == nil {
			err = h.archive.Record(h.t.Context(), v.Stills[0].ID, house.Done, []house.Face{{Box: face}})
		}
		if err != nil {
			h.t.Fatal(err)
		}
		ids = append(ids, id)
	}
	return ids
}

// BenchmarkPictures asks for pictures of 1,000 stills, each seen for the first time, by
// somebody who looks again, and of a width that is not kept.
func BenchmarkPictures(b *testing.B) {
	data, face := bellStill()
	h := newHouse(b)
	ids := h.stood(1000, data, face)
	token := h.resident("Odile")
	type place struct{ still, face, wide string }
	var places []place
	who, err := h.archive.Session(b.Context(), token)
	if err != nil {
		b.Fatal(err)
	}
	presenter, err := h.presenterFor(b.Context(), who)
	if err != nil {
		b.Fatal(err)
	}
	for _, id := range ids {
		v, err := h.archive.Visit(b.Context(), id)
		if err != nil {
			b.Fatal(err)
		}
		s := v.Stills[0]
		places = append(places, place{presenter.Small(s, 640), presenter.FacePicture(s, 0, 192), presenter.Small(s, 960)})
	}
	for _, kind := range []struct {
		name    string
		address func(place) string
	}{
		{"first", func(p place) string { return p.face }},
		{"face", func(p place) string { return p.face }},
		{"still", func(p place) string { return p.still }},
		{"wide", func(p place) string { return p.wide }},
	} {
		b.Run(kind.name, func(b *testing.B) {
			var took []time.Duration
			bytes, i := 0, 0
			for b.Loop() {
				began := time.Now()
				r := httptest.NewRequest("GET", kind.address(places[i%len(places)]), nil)
				h.session(token)(r)
				w := httptest.NewRecorder()
				h.ServeHTTP(w, r)
				took = append(took, time.Since(began))
				n, err := io.Copy(io.Discard, w.Result().Body)
				if err != nil || w.Code != 200 {
					b.Fatal(w.Code, err)
				}
				bytes += int(n)
				i++
			}
			slices.Sort(took)
			b.ReportMetric(float64(took[len(took)/2].Microseconds())/1000, "p50-ms")
			b.ReportMetric(float64(took[len(took)*95/100].Microseconds())/1000, "p95-ms")
			b.ReportMetric(float64(bytes)/float64(len(took)), "B/picture")
			var m runtime.MemStats
			runtime.ReadMemStats(&m)
			b.ReportMetric(float64(m.HeapSys)/(1<<20), "heap-MB")
		})
	}
}
