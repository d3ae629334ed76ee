package bench

import (
	"bytes"
	"context"
	"fmt"
	"image"
	"image/jpeg"
	"reflect"
	"slices"
	"testing"

	"lintel/pipeline/face"
	"lintel/pipeline/face/doorstep"
	"lintel/store"
)

// openBench opens the bench with the real finder, or skips.
func openBench(t testing.TB) (*Bench, *face.Finder) {
	t.Helper()
	dir, ok := doorstep.Faces()
	if !ok {
		t.Skip("SKIPPED: no photographs; LINTEL_FACES names their folder")
	}
	finder, err := face.Open(doorstep.NeedModels(t))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { finder.Close() })
	b, err := Open(dir, func(img image.Image) (store.Face, error) {
		faces, err := finder.Find(context.Background(), img)
		if err == nil && len(faces) != 1 {
			err = fmt.Errorf("%d faces", len(faces))
		}
		if err != nil {
			return store.Face{}, err
		}
		return faces[0], nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return b, finder
}

// BenchmarkStill draws rings of three; the time is for one still.
func BenchmarkStill(b *testing.B) {
	bench, _ := openBench(b)
	for _, species := range []string{BonaFide, Print, Screen} {
		b.Run(species, func(b *testing.B) {
			n := 0
			for b.Loop() {
				if _, err := bench.Ring(species, FitRanges(), n, 3); err != nil {
					b.Fatal(err)
				}
				n++
			}
			b.ReportMetric(b.Elapsed().Seconds()/float64(3*n), "s/still")
		})
	}
}

func TestSameSeedSameBytes(t *testing.T) {
	b, _ := openBench(t)
	for _, species := range []string{BonaFide, Print, Screen} {
		one, err := b.Ring(species, FitRanges(), 3, 1)
		if err != nil {
			t.Fatal(err)
		}
		again, err := b.Ring(species, FitRanges(), 3, 1)
		if err != nil {
			t.Fatal(err)
		}
		other, err := b.Ring(species, HeldOutRanges(), 3, 1)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(one.JPEGs[0], again.JPEGs[0]) {
			t.Errorf("%s: the same ring came out otherwise", species)
		}
		if bytes.Equal(one.JPEGs[0], other.JPEGs[0]) || one.Identity == other.Identity {
			t.Errorf("%s: what is held out is what is fitted on", species)
		}
		if len(one.Eyes) != 1 || (species == BonaFide) != (len(one.Picture) == 0) {
			t.Errorf("%s: eyes %v, picture %v", species, one.Eyes, one.Picture)
		}
	}
}

// What is held out shares no identity and no number with what is fitted on, but
// for how far off people stand.
func TestRangesAreDisjoint(t *testing.T) {
	fit, held := FitRanges(), HeldOutRanges()
	if fit.To > held.From || fit.Seed == held.Seed {
		t.Errorf("identities %d to %d and %d to %d, seeds %d and %d", fit.From, fit.To, held.From, held.To, fit.Seed, held.Seed)
	}
	a, b := reflect.ValueOf(fit), reflect.ValueOf(held)
	n := 0
	for i := range a.NumField() {
		one, ok := a.Field(i).Interface().(Range)
		if !ok {
			continue
		}
		other := b.Field(i).Interface().(Range)
		name := a.Type().Field(i).Name
		if one.From > one.To || other.From > other.To {
			t.Errorf("%s is upside down", name)
		}
		if name == "Distance" {
			continue
		}
		n++
		if one.To >= other.From && other.To >= one.From {
			t.Errorf("%s: %v and %v overlap", name, one, other)
		}
	}
	if n < 15 {
		t.Errorf("%d ranges were compared", n)
	}
}

// A matte has the whole face, nothing of the corners, and few pixels between:
// 7 % with the largest head of curls, identity 112.
func TestMattes(t *testing.T) {
	withoutRaces(t)
	b, _ := openBench(t)
	for _, id := range b.ids {
		p, err := b.portrait(id)
		if err != nil {
			t.Errorf("%s: %v", id, err)
			continue
		}
		m, span := p.middle(), p.span()
		for _, d := range [][2]float64{{0, 0}, {-0.5, 0}, {0.5, 0}, {0, 0.6}, {0, 1}, {-0.5, 0.5}, {0.5, 0.5}, {0, -0.5}} {
			if a := p.alpha[int(m.Y+d[1]*span)*p.w+int(m.X+d[0]*span)]; a < 1 {
				t.Errorf("%s: the face's matte at %v is %g", id, d, a)
			}
		}
		for _, i := range []int{3*p.w + 3, 3*p.w + p.w - 4, p.h/3*p.w + 3, p.h/3*p.w + p.w - 4} {
			if p.alpha[i] > 0 {
				t.Errorf("%s: the background's matte is %g", id, p.alpha[i])
			}
		}
		whole, soft := 0, 0
		for _, a := range p.alpha {
			if a == 1 {
				whole++
			} else if a > 0 {
				soft++
			}
		}
		n := float64(p.w * p.h)
		if w, s := float64(whole)/n, float64(soft)/n; w < 0.2 || w > 0.6 || s > 0.08 {
			t.Errorf("%s: %.3f of the portrait is the person, %.3f half so", id, w, s)
		}
	}
}

// The pipeline has to find the faces, persons' and pictures', or there is
// nothing to judge; and they are where the ring says.
func TestFacesAreFound(t *testing.T) {
	withoutRaces(t)
	b, finder := openBench(t)
	for _, g := range []Ranges{FitRanges(), HeldOutRanges()} {
		for _, species := range []string{BonaFide, Print, Screen} {
			found, all := 0, 0
			var widths []int
			for n := range 10 { // rings, one still each
				ring, err := b.Ring(species, g, n, 1)
				if err != nil {
					t.Fatal(err)
				}
				still, err := jpeg.Decode(bytes.NewReader(ring.JPEGs[0]))
				if err != nil {
					t.Fatal(err)
				}
				if still.Bounds() != image.Rect(0, 0, Width, Height) {
					t.Fatalf("a still of %v", still.Bounds())
				}
				faces, err := finder.Find(t.Context(), still)
				if err != nil {
					t.Fatal(err)
				}
				all++
				i := slices.IndexFunc(faces, func(f store.Face) bool { return ring.Eyes[0].Round().In(f.Box) })
				if i >= 0 {
					found++
					widths = append(widths, faces[i].Width())
				} else {
					t.Logf("%s %s %d: no face at %v, but %d others", g.Name, species, n, ring.Eyes[0], len(faces))
				}
			}
			slices.Sort(widths)
			t.Logf("%s %s: %d of %d found, widths %v", g.Name, species, found, all, widths)
			if 10*found < 9*all {
				t.Errorf("%s %s: %d of %d faces found", g.Name, species, found, all)
			}
		}
	}
}
