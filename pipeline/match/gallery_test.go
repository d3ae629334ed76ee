package match

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"lintel/internal/house"
)

func TestBandOf(t *testing.T) {
	for _, c := range []struct {
		distance float64
		n        int
		want     Band
	}{
		{0, 0, None}, // nobody is enrolled
		{0.30, 1, Strong},
		{0.37, 1, Strong}, // an FMR of 8e-5
		{0.39, 1, Fair},
		{0.42, 1, Fair},
		{0.44, 1, Weak},
		{0.46, 1, None},
		{0.60, 1, None}, // dlib's default may never be a door's threshold
		{0.37, 2, Fair}, // the same distance is worth less in a larger gallery
		{0.37, 20, Weak},
		{0.37, 1000, None},
		{math.NaN(), 1, None},
		{math.Inf(1), 1, None},
	} {
		if got := BandOf(c.distance, c.n); got != c.want {
			t.Errorf("BandOf(%v, %d) = %s, want %s (FPIR %v)", c.distance, c.n, got, c.want, FPIR(c.distance, c.n))
		}
	}
}

// The effective number grows with references and with persons, and lies
// between the number of persons and that of references. So bands only tighten.
func TestEffectiveSize(t *testing.T) {
	c := Shipped()
	r := rand.New(rand.NewPCG(1, 5))
	for range 2000 {
		persons := 1 + r.IntN(200)
		s := Size{persons + r.IntN(2000), persons}
		m := s.Effective()
		if m < float64(s.Persons) || m > float64(s.References)*(1+1e-12) {
			t.Fatalf("%+v has an effective number of %v", s, m)
		}
		d := 0.7 * r.Float64()
		for _, more := range []Size{{s.References + 1, s.Persons}, {s.References + 1, s.Persons + 1}} {
			if more.Effective() < m || c.FPIR(d, more) < c.FPIR(d, s) {
				t.Fatalf("FPIR falls from %+v to %+v", s, more)
			}
		}
		if s.References > s.Persons {
			if more := (Size{s.References, s.Persons + 1}); more.Effective() < m {
				t.Fatalf("the effective number falls from %+v to %+v", s, more)
			}
		}
		if c.FPIR(d+0.01, s) < c.FPIR(d, s) {
			t.Fatalf("FPIR falls with the distance at %v", d)
		}
	}
	if (Size{}).Effective() != 0 || c.FPIR(0.3, Size{}) != 0 {
		t.Error("an empty gallery names somebody")
	}
}

func TestThreshold(t *testing.T) {
	c := Shipped()
	for _, s := range []Size{{1, 1}, {3, 1}, {12, 4}, {300, 100}} {
		for _, b := range bands {
			d := c.Threshold(b.fpir, s)
			if d > MaxDistance || c.FPIR(d, s) > b.fpir*(1+1e-9) {
				t.Errorf("%+v: the threshold of %s is %v, with an FPIR of %v", s, b.band, d, c.FPIR(d, s))
			}
			if got := c.BandOf(d+1e-6, s); d < MaxDistance && got == b.band {
				t.Errorf("%+v: %s at %v and beyond", s, got, d)
			}
			if got := c.BandOf(d-1e-6, s); got != b.band {
				t.Errorf("%+v: %s just below the threshold of %s, %v", s, got, b.band, d)
			}
		}
	}
	if d := c.Threshold(1e-2, Size{}); d != 0 {
		t.Errorf("the threshold in an empty gallery is %v", d)
	}
}

func at(x float32) house.Descriptor { return house.Descriptor{x} }

func TestIdentify(t *testing.T) {
	refs := []house.Reference{
		{Person: "ada", Descriptor: at(0.9)},
		{Person: "ben", Descriptor: at(0)},
		{Person: "ada", Descriptor: at(0.2)},
	}
	for _, c := range []struct {
		face float32
		refs []house.Reference
		want string
	}{
		{0.25, refs, "ada 0.05 strong"}, // 0.05·2^(1/8), the far one next to nothing
		{0.2, refs, "ada 0.00 strong"},
		{-0.05, refs, "ben 0.05 strong"},
		{-0.38, refs, "ben 0.38 fair"},
		{-0.7, refs, "stranger"},
		{0.25, nil, "stranger"},
	} {
		face := at(c.face)
		got := "stranger"
		if m := identify(&face, c.refs); m != nil {
			got = fmt.Sprintf("%s %.2f %s", m.Person, m.Distance, m.Band)
			if want := Shipped().FPIR(m.Distance, Size{3, 2}); m.FPIR != want || m.Frames != 1 ||
				!(m.Probability > 0.49 && m.Probability < 1) {
				t.Errorf("at %v: %+v, want an FPIR of %v", c.face, m, want)
			}
		}
		if got != c.want {
			t.Errorf("at %v: %s, want %s", c.face, got, c.want)
		}
	}
}

// The power mean worked by hand: (w1·d1^-8 + w2·d2^-8)^(-1/8).
func TestFusion(t *testing.T) {
	refs := []house.Reference{
		{Person: "ada", Descriptor: at(0.1), Quality: 0.75},
		{Person: "ada", Descriptor: at(0.3), Quality: 0.25},
	}
	g := NewGallery(refs, Shipped(), DefaultPrior)
	want := math.Pow(0.75*math.Pow(0.2, -8)+0.25*math.Pow(0.4, -8), -1.0/8)
	probe := Probe{Descriptor: at(-0.1), Weight: 1}
	if got := g.Scores(probe)[0].Distance; math.Abs(got-want) > 1e-6 {
		t.Errorf("one frame: %v, want %v", got, want)
	}
	// Frames count by their weighted mean.
	poor := Probe{Descriptor: at(-0.3), Weight: 0.25, Poor: true}
	other := math.Pow(0.75*math.Pow(0.4, -8)+0.25*math.Pow(0.6, -8), -1.0/8)
	want = (want + 0.25*other) / 1.25
	if got := g.Scores(probe, poor)[0].Distance; math.Abs(got-want) > 1e-6 {
		t.Errorf("two frames: %v, want %v", got, want)
	}
	if m := g.Identify(probe, poor); m == nil || math.Abs(m.Distance-want) > 1e-6 || m.Band != "strong" || m.Frames != 2 {
		t.Errorf("%+v", m)
	}
}

// A fused distance lies between the nearest reference's and the farthest's, and
// does not move when all references are there twice.
func TestFusionBounds(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 4))
	for range 200 {
		face := randomDescriptor(r)
		var refs []house.Reference
		least, most := math.Inf(1), 0.0
		for range 1 + r.IntN(6) {
			d := randomDescriptor(r)
			refs = append(refs, house.Reference{Person: "ada", Descriptor: d, Quality: r.Float64()})
			least, most = min(least, Distance(&face, &d)), max(most, Distance(&face, &d))
		}
		probe := Probe{Descriptor: face, Weight: 1}
		got := NewGallery(refs, Shipped(), DefaultPrior).Scores(probe)[0].Distance
		if got < least-1e-6 || got > most+1e-6 {
			t.Fatalf("%v, with references from %v to %v", got, least, most)
		}
		if twice := NewGallery(append(refs, refs...), Shipped(),
			DefaultPrior).Scores(probe)[0].Distance; math.Abs(twice-got) > 1e-6 {
			t.Fatalf("%v, and %v with all references twice", got, twice)
		}
	}
}

func TestPoorIsNeverStrong(t *testing.T) {
	g := NewGallery([]house.Reference{{Person: "ada", Descriptor: at(0)}}, Shipped(), DefaultPrior)
	good, poor := Probe{Descriptor: at(0.1), Weight: 1}, Probe{Descriptor: at(0.1), Weight: 0.1, Poor: true}
	for _, c := range []struct {
		frames []Probe
		want   string
	}{{[]Probe{good}, "strong"}, {[]Probe{poor}, "fair"}, {[]Probe{poor, poor}, "fair"},
		{[]Probe{poor, good}, "strong"}} {
		if m := g.Identify(c.frames...); m.Band != c.want {
			t.Errorf("%d frames: %s, want %s", len(c.frames), m.Band, c.want)
		}
	}
}

func TestProbeOf(t *testing.T) {
	good := house.Quality{FaceWidth: 160, EyeDistance: 70, PixelsPerMetre: 1100, Sharpness: .3, Luma: 120, Contrast: .1}
	blurred := good
	blurred.Sharpness = .001
	for _, c := range []struct {
		q    *house.Quality
		poor bool
	}{{nil, false}, {&good, false}, {&blurred, true}, {&house.Quality{}, true}} {
		if p := ProbeOf(house.Face{Quality: c.q}); p.Poor != c.poor || !(p.Weight > 0 && p.Weight <= 1) {
			t.Errorf("%+v: %+v", c.q, p)
		}
	}
}

// The search in float32 finds what an exact one over all references does.
func TestSearchIsExact(t *testing.T) {
	r := rand.New(rand.NewPCG(6, 6))
	for range 30 {
		refs := drawnReferences(r, 60, 5)
		g := NewGallery(refs, Shipped(), DefaultPrior)
		face := refs[r.IntN(len(refs))].Descriptor
		for i := range face {
			face[i] += float32(0.02 * r.NormFloat64())
		}
		probe := Probe{Descriptor: face, Weight: 1}
		best := g.Scores(probe)[0]
		m := g.Identify(probe)
		if m == nil || m.Person != best.Person || m.Distance != best.Distance ||
			math.Abs(m.Probability-best.Probability) > 0.01 {
			t.Fatalf("found %+v, want %+v", m, best)
		}
		for p, d := range g.distances([]Probe{probe}) {
			if exact := g.exact(p, []Probe{probe}); math.Abs(d-exact) > rounding {
				t.Fatalf("%v, exactly %v", d, exact)
			}
		}
	}
}

// drawnReferences are of persons about as far apart as real ones.
func drawnReferences(r *rand.Rand, persons, each int) (refs []house.Reference) {
	for p := range persons {
		middle := randomDescriptor(r)
		for range each {
			d := middle
			for i := range d {
				d[i] = 0.6*d[i] + float32(0.015*r.NormFloat64())
			}
			refs = append(refs, house.Reference{Person: fmt.Sprint("person ", p), Descriptor: d})
		}
	}
	return refs
}

// BenchmarkIdentify searches 10 000 references of 2 500 persons.
func BenchmarkIdentify(b *testing.B) {
	r := rand.New(rand.NewPCG(2, 2))
	refs := drawnReferences(r, 2500, 4)
	g := NewGallery(refs, Shipped(), DefaultPrior)
	probe := Probe{Descriptor: refs[77].Descriptor, Weight: 1}
	probe.Descriptor[0] += 0.1
	b.ReportAllocs()
	for b.Loop() {
		if m := g.Identify(probe); m == nil {
			b.Fatal("nobody found")
		}
	}
}

// identify returns the nearest person to a face, by the shipped curve and the
// default prior, or nil.
func identify(face *house.Descriptor, references []house.Reference) *house.Match {
	return NewGallery(references, Shipped(), DefaultPrior).Identify(Probe{Descriptor: *face, Weight: 1})
}
