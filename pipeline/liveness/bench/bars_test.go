package bench

import (
	"bytes"
	"flag"
	"fmt"
	"image"
	"image/jpeg"
	"sync"
	"testing"

	"lintel/pipeline/face"
	"lintel/pipeline/face/doorstep"
	"lintel/pipeline/liveness"
	"lintel/pipeline/liveness/trial"
	"lintel/store"
)

var barRings = flag.Int("bar-rings", 40, "rings of each species to measure error rates with")

// What is asked for on portraits and ranges that nothing was fitted to: APCER
// at most 20 % on single stills and 5 % on rings of three, for each species, at
// a BPCER of at most 5 %. The rates are those of ISO/IEC 30107-3. The seeds are
// fixed, so the same rings are drawn every time; README and MEASUREMENTS.md have
// the figures over more of them.
func TestErrorRates(t *testing.T) {
	withoutRaces(t)
	b, _ := openBench(t)
	var rings []trial.Ring
	for _, species := range append([]string{BonaFide}, Species...) {
		for n := range *barRings {
			rings = append(rings, b.trialRing(species, n, 3))
		}
	}
	open := func() (trial.Finder, error) { return face.Open(doorstep.NeedModels(t)) }
	for _, test := range []struct {
		what  string
		rings []trial.Ring
		apcer float64
	}{{"rings of three", rings, 0.05}, {"single stills", trial.Apart(rings), 0.20}} {
		outcomes, err := trial.Run(t.Context(), test.rings, open, nil)
		if err != nil {
			t.Fatal(err)
		}
		for _, o := range outcomes {
			if len(o.Unread) > 0 {
				t.Fatal(o.Unread)
			}
		}
		r := trial.ReportOn(outcomes, trial.Outcome.Attack)
		t.Logf("%s: BPCER %d of %d (%d more without a face)", test.what, r.BPCER.Errors, r.BPCER.N, r.NoFace[trial.BonaFide])
		if r.BPCER.Value() > 0.05 {
			t.Errorf("%s: BPCER %d of %d", test.what, r.BPCER.Errors, r.BPCER.N)
		}
		for _, species := range r.Species() {
			rate := r.APCER[species]
			t.Logf("%s: APCER of %s %d of %d (%d more without a face)", test.what, species, rate.Errors, rate.N, r.NoFace[species])
			if rate.Value() > test.apcer {
				t.Errorf("%s: APCER of %s %d of %d", test.what, species, rate.Errors, rate.N)
			}
		}
	}
}

// trialRing is a held-out ring, which is drawn when it is first looked at.
func (b *Bench) trialRing(species string, n, frames int) trial.Ring {
	draw := sync.OnceValues(func() (Ring, error) { return b.Ring(species, HeldOutRanges(), n, frames) })
	r := trial.Ring{Species: species, Name: fmt.Sprint(n)}
	if species == BonaFide {
		r.Species = trial.BonaFide
	}
	for i := range frames {
		r.Frames = append(r.Frames, func() (image.Image, error) {
			drawn, err := draw()
			if err != nil {
				return nil, err
			}
			return jpeg.Decode(bytes.NewReader(drawn.JPEGs[i]))
		})
	}
	return r
}

// BenchmarkExamine is what looking for signs costs on one still, after the face
// was found: at most 40 ms on one core.
func BenchmarkExamine(b *testing.B) {
	bench, finder := openBench(b)
	for _, species := range append([]string{BonaFide}, Species...) {
		b.Run(species, func(b *testing.B) {
			still, err := bench.trialRing(species, 1, 1).Frames[0]()
			if err != nil {
				b.Fatal(err)
			}
			faces, err := finder.Find(b.Context(), still)
			if err != nil || len(faces) == 0 {
				b.Fatal("no face", err)
			}
			lens := store.Lens{Angle: 110, Projection: store.Equidistant, Height: 1.4}
			for b.Loop() {
				liveness.Examine(still, faces, &lens)
				liveness.LookOf(still, faces[0])
				liveness.NewGlance(still)
			}
		})
	}
}
