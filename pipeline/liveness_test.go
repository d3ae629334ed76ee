package pipeline

import (
	"bytes"
	"context"
	"crypto/sha256"
	"image"
	"image/jpeg"
	"math"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/liveness"
)

// keepPicture keeps a still of soft patches, which the seed decides.
func (h *household) keepPicture(ring string, frame int, seed float64, quality int) (visit string) {
	h.t.Helper()
	img := image.NewGray(image.Rect(0, 0, 320, 240))
	for y := range 240 {
		for x := range 320 {
			v := 0.0
			for k := 1.0; k < 6; k++ {
				v += math.Sin(float64(x)/(9+3*k)+seed*k) * math.Cos(float64(y)/(7+2*k)-seed*k*k)
			}
			img.Pix[y*img.Stride+x] = uint8(128 + 20*v)
		}
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, img, &jpeg.Options{Quality: quality}); err != nil {
		h.t.Fatal(err)
	}
	visit, added, err := h.archive.Keep(h.t.Context(), house.NewStill{
		Bell: "gate", Ring: ring, Frame: frame, SentSHA256: sha256.Sum256(b.Bytes()), JPEG: b.Bytes(), Width: 320,
		Height: 240, ReceivedAt: time.Now(),
	})
	if err != nil || !added {
		h.t.Fatalf("added %v, %v", added, err)
	}
	return visit
}

// oneFace is in the middle of every still.
func oneFace(context.Context, int) ([]house.Face, error) {
	return []house.Face{{
		Box:        image.Rect(80, 60, 240, 220),
		Landmarks:  []house.Point{{X: 200, Y: 110}, {X: 180, Y: 110}, {X: 120, Y: 110}, {X: 140, Y: 110}, {X: 160, Y: 150}},
		Descriptor: house.Descriptor{1, 0.1},
	}}, nil
}

// What is found on a still is kept with its face, what a ring's frames show
// together with all of them, and a still that was there before is known again.
func TestRunLooksForPictures(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t)
		h.find = oneFace
		defer h.run(h.archive, 2)()
		visit := h.keepPicture("first", 0, 0.3, 80)
		synctest.Wait()
		alone := h.still(visit).Faces[0].Liveness
		if alone == nil || alone.Frames != 1 || !slices.Contains(alone.CantTell, liveness.OneFrame) ||
			len(alone.Findings) == 0 {
			t.Fatalf("one frame: %+v", alone)
		}
		h.keepPicture("first", 1, 0.31, 80)
		h.keepPicture("first", 2, 0.32, 80)
		synctest.Wait()
		v, err := h.archive.Visit(t.Context(), visit)
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range v.Stills {
			l := s.Faces[0].Liveness
			if l == nil || l.Frames != 3 || slices.Contains(l.CantTell, liveness.OneFrame) ||
				len(l.Findings) <= len(alone.Findings) {
				t.Errorf("frame %d of three: %+v", s.Frame, l)
			}
			if _, found := l.Finding(liveness.Repeat); found {
				t.Errorf("frame %d is taken for a copy of its own ring", s.Frame)
			}
		}

		repeat := func(ring string, seed float64) (house.Liveness, bool) {
			visit := h.keepPicture(ring, 0, seed, 60)
			synctest.Wait()
			l := h.still(visit).Faces[0].Liveness
			_, found := l.Finding(liveness.Repeat)
			return *l, found
		}
		if l, found := repeat("second", 0.3); !found || l.Level == house.NoSign {
			t.Errorf("a still that was there before, compressed anew: %+v", l)
		}
		if l, found := repeat("third", 1.9); found {
			t.Errorf("another still: %+v", l)
		}
		if err := h.archive.EraseVisit(t.Context(), visit); err != nil {
			t.Fatal(err)
		}
	})
}
