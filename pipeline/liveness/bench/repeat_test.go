package bench

import (
	"bytes"
	"image"
	"image/jpeg"
	"math/bits"
	"testing"
	"time"

	"github.com/disintegration/imaging"

	"lintel/pipeline/liveness"
	"lintel/pipeline/match"
	"lintel/store"
)

// A still that was there before is known again, packed anew or made smaller, and
// somebody who rings again after some seconds is not taken for a copy.
func TestCopiesAreKnown(t *testing.T) {
	withoutRaces(t)
	b, finder := openBench(t)
	const rings = 12
	look := func(img image.Image) (f store.Face, ok bool) {
		t.Helper()
		faces, err := finder.Find(t.Context(), img)
		if err != nil {
			t.Fatal(err)
		}
		if len(faces) == 0 {
			return f, false
		}
		f = faces[0]
		f.Look = liveness.LookOf(img, f)
		f.Liveness = &store.Liveness{}
		return f, true
	}
	began := time.Date(2031, 5, 6, 7, 8, 9, 0, time.UTC)
	repeats := func(f store.Face, earlier store.Face, after time.Duration) bool {
		liveness.Repeats(&f, []store.LookAlike{{Face: earlier, Visit: "before", At: began}}, began.Add(after))
		_, found := f.Liveness.Finding(liveness.Repeat)
		return found
	}
	var copies, known, others int
	for n := range rings {
		ring, err := b.Ring(BonaFide, HeldOutRanges(), n, 2)
		if err != nil {
			t.Fatal(err)
		}
		var stills [2]image.Image
		for i := range stills {
			if stills[i], err = jpeg.Decode(bytes.NewReader(ring.JPEGs[i])); err != nil {
				t.Fatal(err)
			}
		}
		first, ok := look(stills[0])
		if !ok {
			continue
		}
		if next, ok := look(stills[1]); ok {
			others++
			if repeats(next, first, 5*time.Second) {
				t.Errorf("ring %d: the next still of a ring is taken for a copy", n)
			}
			t.Logf("ring %d: the next still differs in %d bits, distance %.3f", n, bits.OnesCount64(uint64(next.Look^first.Look)), match.Distance(&next.Descriptor, &first.Descriptor))
		}
		for _, way := range []struct {
			name    string
			width   int
			quality int
		}{{"packed anew at 85", 1280, 85}, {"packed anew at 60", 1280, 60}, {"smaller", 1000, 75}} {
			var packed bytes.Buffer
			if err := jpeg.Encode(&packed, imaging.Resize(stills[0], way.width, 0, imaging.Lanczos), &jpeg.Options{Quality: way.quality}); err != nil {
				t.Fatal(err)
			}
			img, err := jpeg.Decode(&packed)
			if err != nil {
				t.Fatal(err)
			}
			again, ok := look(img)
			if !ok {
				continue
			}
			copies++
			if repeats(again, first, time.Hour) {
				known++
			}
			t.Logf("ring %d, %s: %d bits, distance %.3f", n, way.name, bits.OnesCount64(uint64(again.Look^first.Look)), match.Distance(&again.Descriptor, &first.Descriptor))
		}
	}
	t.Logf("%d of %d copies were known; %d other stills", known, copies, others)
	if known*10 < copies*8 {
		t.Errorf("only %d of %d copies were known", known, copies)
	}
}
