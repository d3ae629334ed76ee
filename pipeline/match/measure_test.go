package match

import (
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"github.com/disintegration/imaging"

	"lintel/internal/house"
	"lintel/internal/supplies"
	"lintel/pipeline/face"
)

// The measurements of this file are on the open set that the shipped curve is
// fitted to; `go test -run Measure -v` prints them, and MEASUREMENTS.md keeps
// what they said. Rates of errors have few errors behind them, and intervals to
// match.

// indexes of sights.
const (
	full = iota
	px60
	px40
	px32
	blurred
	dark
)

// TestMeasureBars compares all portraits of the open set with each other, at
// full size and reduced: at a threshold that lets at most 1 in 10 000 impostor
// comparisons match, at most that many genuine ones may fail.
func TestMeasureBars(t *testing.T) {
	all := subjects(t)
	for _, c := range []struct {
		sight int
		bar   float64
	}{{full, 0.01}, {px40, 0.01}, {px32, 0.03}} {
		var genuine, impostor []float64
		var seen []*house.Descriptor
		var ids []int
		for i, s := range all {
			for _, picture := range s.seen {
				if d := picture[c.sight]; d != nil {
					seen, ids = append(seen, d), append(ids, i)
				}
			}
		}
		for i := range seen {
			for j := range i {
				if d := Distance(seen[i], seen[j]); ids[i] == ids[j] {
					genuine = append(genuine, d)
				} else {
					impostor = append(impostor, d)
				}
			}
		}
		trial := NewComparisons(genuine, impostor)
		threshold := trial.ThresholdAt(1e-4)
		fnmr := trial.FNMR(threshold)
		t.Logf("%s: %d genuine, %d impostor; up to %.4f the FMR is %v (%s), the FNMR %v (%s); EER %.2g",
			sights[c.sight].name, len(genuine), len(impostor), threshold, trial.FMR(threshold),
			trial.FMR(threshold).IntervalString(),
			fnmr, fnmr.IntervalString(), trial.EER())
		if fnmr.Value() > c.bar {
			t.Errorf("%s: an FNMR of %v, want at most %v", sights[c.sight].name, fnmr, c.bar)
		}
		if missed := 2*len(all) - len(seen); missed > 0 {
			t.Errorf("%s: %d faces not found", sights[c.sight].name, missed)
		}
	}
}

// Four photographs of one person, of other sizes, places and rotations: each
// is named, and surely, by the other three.
func TestMeasureVaried(t *testing.T) {
	dir, ok := supplies.Faces()
	if !ok || raceDetector {
		t.Skip("SKIPPED: no face photographs, or the race detector; set LINTEL_FACES to measure on them")
	}
	f, err := face.Open(supplies.NeedModels(t))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	names, err := filepath.Glob(filepath.Join(dir, "varied", "*"))
	if err != nil {
		t.Fatal(err)
	}
	var refs []house.Reference
	for _, name := range names {
		img, err := imaging.Open(name)
		if err != nil {
			if info, statErr := os.Stat(name); statErr == nil && !info.IsDir() {
				continue // not a picture
			}
			t.Fatal(err)
		}
		found, err := largest(f, img)
		if err != nil || found == nil {
			t.Fatalf("%s: %v, %v", filepath.Base(name), found, err)
		}
		refs = append(refs, house.Reference{Person: "one", Descriptor: found.Descriptor})
	}
	if len(refs) != 4 {
		t.Fatalf("%d photographs, want 4", len(refs))
	}
	for i := range refs {
		others := append(append([]house.Reference(nil), refs[:i]...), refs[i+1:]...)
		m := identify(&refs[i].Descriptor, others)
		if m == nil {
			t.Errorf("%s is a stranger to the others", filepath.Base(names[i]))
			continue
		}
		t.Logf("%s: distance %.3f, %s, probability %.4f", filepath.Base(names[i]), m.Distance, m.Band, m.Probability)
		if m.Band != string(Strong) {
			t.Errorf("%s is a %s match", filepath.Base(names[i]), m.Band)
		}
	}
}

// referencesOf returns references of a subject: one picture at those sights,
// weighted as they are.
func referencesOf(s subject, picture int, at []int) (refs []house.Reference) {
	for _, k := range at {
		if d := s.seen[picture][k]; d != nil {
			refs = append(refs, house.Reference{Person: s.id, Descriptor: *d, Quality: sights[k].weight})
		}
	}
	return refs
}

func probeOf(s subject, picture, sight int) (Probe, bool) {
	d := s.seen[picture][sight]
	if d == nil {
		return Probe{}, false
	}
	return Probe{Descriptor: *d, Weight: sights[sight].weight}, true
}

// referenceSets are what a person may be enrolled with.
var referenceSets = []struct {
	name string
	at   []int
}{
	{"good, near and far", []int{full, px60, px40}},
	{"one good, three poor", []int{full, px40, blurred, dark}},
	{"four poor", []int{px40, px32, blurred, dark}},
}

// TestMeasureFusion compares the fused distance to a person with that of the
// nearest reference alone, and with the best picture alone. References are of
// one portrait of a person, probes of the other, at every sight, and then the
// other way round.
func TestMeasureFusion(t *testing.T) {
	all := subjects(t)
	fmrs := []float64{2e-5, 5e-5, 1e-4, 2e-4, 5e-4, 1e-3}
	var lost [3]int // false non-matches by rule, over all of fmrs
	for _, set := range referenceSets {
		var genuine, impostor [3][]float64 // by rule: fused, nearest, first
		for picture := range 2 {
			for _, s := range all {
				refs := referencesOf(s, picture, set.at)
				g := NewGallery(refs, Shipped(), DefaultPrior)
				for _, other := range all {
					for k := range sights {
						p, ok := probeOf(other, 1-picture, k)
						if !ok {
							continue
						}
						d := [3]float64{g.exact(0, []Probe{p}), math.Inf(1), Distance(&p.Descriptor, &refs[0].Descriptor)}
						for i := range refs {
							d[1] = min(d[1], Distance(&p.Descriptor, &refs[i].Descriptor))
						}
						for rule := range d {
							if s.id == other.id {
								genuine[rule] = append(genuine[rule], d[rule])
							} else {
								impostor[rule] = append(impostor[rule], d[rule])
							}
						}
					}
				}
			}
		}
		for rule, name := range []string{"fused", "nearest", "best picture"} {
			c := NewComparisons(genuine[rule], impostor[rule])
			var errors []int
			for _, fmr := range fmrs {
				n := c.FNMR(c.ThresholdAt(fmr)).Errors
				errors = append(errors, n)
				lost[rule] += n
			}
			t.Logf("%s, %s: %v of %d false non-matches at FMRs of %v; FMR at 0.50: %.2g", set.name, name,
				errors, c.Genuine(), fmrs, c.FMR(0.5).Value())
		}
	}
	t.Logf("false non-matches over all sets and rates: %d fused, %d by the nearest, %d by the best picture alone",
		lost[0],
		lost[1], lost[2])
	if lost[0] >= lost[1] || lost[0] >= lost[2] {
		t.Error("fusing loses no fewer genuine probes")
	}
}

// TestMeasureFrames compares rings of three frames, judged together, with their
// frames judged one by one: a ring's frames are one portrait of a person at
// three sights, references the other at full size.
func TestMeasureFrames(t *testing.T) {
	all := subjects(t)
	r := rand.New(rand.NewPCG(11, 12))
	var genuine, impostor [2][]float64 // fused, and the frames one by one
	for range 4 {
		for _, other := range all {
			for picture := range 2 {
				var frames []Probe
				for _, k := range r.Perm(len(sights) - 1)[:3] { // without the full sight, which needs no others
					if p, ok := probeOf(other, 1-picture, k+1); ok {
						frames = append(frames, p)
					}
				}
				for _, s := range all {
					g := NewGallery(referencesOf(s, picture, []int{full}), Shipped(), DefaultPrior)
					to := &impostor
					if s.id == other.id {
						to = &genuine
					}
					to[0] = append(to[0], g.exact(0, frames))
					for _, f := range frames {
						to[1] = append(to[1], g.exact(0, []Probe{f}))
					}
				}
			}
		}
	}
	var fnmr [2]Rate
	for i, name := range []string{"three frames together", "frames one by one"} {
		c := NewComparisons(genuine[i], impostor[i])
		fnmr[i] = c.FNMR(c.ThresholdAt(1e-3))
		t.Logf("%s: FNMR %v at an FMR of 1e-3, %v at 1e-4; FMR at 0.50: %.2g", name, fnmr[i], c.FNMR(c.ThresholdAt(1e-4)),
			c.FMR(0.5).Value())
	}
	if fnmr[0].Value() > fnmr[1].Value() {
		t.Errorf("frames together lose %v, one by one %v", fnmr[0], fnmr[1])
	}
}

// TestMeasureEffectiveNumber measures how often a stranger is nearer to a
// person with several references than a threshold, over how often to one with
// a single one: by the fused distance, which is what the effective number is
// for, and by the nearest reference.
func TestMeasureEffectiveNumber(t *testing.T) {
	all := subjects(t)
	both := func(s subject, at []int) []house.Reference {
		return append(referencesOf(s, 0, at), referencesOf(s, 1, at)...)
	}
	for _, set := range []struct {
		name string
		at   []int
	}{{"two good", []int{full}}, {"six", []int{full, px60, px40}},
		{"twelve", []int{full, px60, px40, px32, blurred, dark}}} {
		var one, fusedAll, nearestAll []float64
		n := 0
		for _, s := range all {
			refs := both(s, set.at)
			n = max(n, len(refs))
			g := NewGallery(refs, Shipped(), DefaultPrior)
			for _, other := range all {
				for picture := range 2 {
					if s.id == other.id {
						continue
					}
					p, _ := probeOf(other, picture, full)
					least := math.Inf(1)
					for i := range refs {
						d := Distance(&p.Descriptor, &refs[i].Descriptor)
						least = min(least, d)
						if refs[i].Quality == 1 {
							one = append(one, d)
						}
					}
					fusedAll, nearestAll = append(fusedAll, g.exact(0, []Probe{p})), append(nearestAll, least)
				}
			}
		}
		single := NewComparisons(nil, one)
		for _, fmr := range []float64{1e-3, 1e-2} {
			d := single.ThresholdAt(fmr)
			fusing := NewComparisons(nil, fusedAll).FMR(d).Value() / single.FMR(d).Value()
			nearest := NewComparisons(nil, nearestAll).FMR(d).Value() / single.FMR(d).Value()
			model := Size{n, 1}.Effective()
			t.Logf("%s references of a person, at an FMR of %v: the effective number is %.2f fused, %.2f by the nearest; "+
				"the model has %.2f",
				set.name, fmr, fusing, nearest, model)
			if fusing > model {
				t.Errorf("%s references err as often as %.2f, the model has %.2f", set.name, fusing, model)
			}
		}
	}
}

// TestMeasureFPIR searches drawn galleries for faces of persons who are not in
// them, and compares how often one is named with what the model says.
func TestMeasureFPIR(t *testing.T) {
	all := subjects(t)
	r := rand.New(rand.NewPCG(21, 22))
	for _, c := range []struct {
		persons int
		at      []int
	}{{2, []int{full}}, {6, []int{full}}, {6, []int{full, px60, px40}}, {30, []int{full}},
		{30, []int{full, px60, px40}}} {
		named, searches, expected := 0, 0, 0.0
		var size Size
		for range 40 {
			order := r.Perm(len(all))
			var refs []house.Reference
			for _, i := range order[:c.persons] {
				refs = append(append(refs, referencesOf(all[i], 0, c.at)...), referencesOf(all[i], 1, c.at)...)
			}
			g := NewGallery(refs, Shipped(), DefaultPrior)
			size = g.Size()
			threshold := g.Threshold(None)
			expected = g.FPIR(threshold)
			for _, i := range order[c.persons:] {
				for picture := range 2 {
					p, _ := probeOf(all[i], picture, full)
					distances := g.distances([]Probe{p})
					if distances[nearest(distances)] <= threshold {
						named++
					}
					searches++
				}
			}
		}
		rate := Rate{named, searches}
		low, _ := rate.Interval(0.95)
		t.Logf("%d references of %d persons: %d of %d strangers were named, an FPIR of %v; the model has %.2g",
			size.References, size.Persons, named, searches, rate, expected)
		if low > expected {
			t.Errorf("%+v: an FPIR of %v, the model has %v", size, rate, expected)
		}
	}
}

// TestMeasureBands counts how surely persons are named by their other portrait,
// in drawn galleries of four persons with one reference each.
func TestMeasureBands(t *testing.T) {
	all := subjects(t)
	r := rand.New(rand.NewPCG(41, 42))
	for k, sight := range sights {
		count := make(map[Band]int)
		for range 40 {
			order := r.Perm(len(all))[:4]
			var refs []house.Reference
			for _, i := range order {
				refs = append(refs, referencesOf(all[i], 0, []int{full})...)
			}
			g := NewGallery(refs, Shipped(), DefaultPrior)
			for _, i := range order {
				p, ok := probeOf(all[i], 1, k)
				if !ok {
					continue
				}
				switch m := g.Identify(p); {
				case m == nil:
					count[None]++
				case m.Person != all[i].id:
					t.Errorf("%s: %s is taken for %s", sight.name, all[i].id, m.Person)
				default:
					count[Band(m.Band)]++
				}
			}
		}
		t.Logf("%s: %v", sight.name, count)
	}
}

// TestMeasureProbability fits the likelihood ratio on some persons and judges
// others by it: five folds of persons, in each of which half are enrolled,
// drawn 40 times over. So half of the probes are of somebody enrolled, which is
// the prior. The expected calibration error is over ten bins of equal width, of
// the probability of the person named first (Naeini and others, 2015; from
// memory).
func TestMeasureProbability(t *testing.T) {
	const folds = 5
	all := subjects(t)
	r := rand.New(rand.NewPCG(31, 32))
	order := r.Perm(len(all))
	for _, at := range [][]int{{full}, {full, px40, blurred}} {
		var c calibration
		for fold := range folds {
			var train, held []subject
			for i, p := range order {
				if i%folds == fold {
					held = append(held, all[p])
				} else {
					train = append(train, all[p])
				}
			}
			curve := *Shipped()
			trial := trialOf(train)
			curve.Evidence = evidence(trial, trial.Groups[0].pairsOfPersons(), curve.Rate)
			for range 40 {
				r.Shuffle(len(held), func(i, j int) { held[i], held[j] = held[j], held[i] })
				c.ask(held, at, &curve)
			}
		}
		ece := c.error(t)
		t.Logf("%d references a person: an expected calibration error of %.4f, a Brier score of %.4f, over %d probes",
			len(at), ece, c.brier/float64(c.total), c.total)
		if ece >= 0.05 {
			t.Errorf("an expected calibration error of %v, want less than 0.05", ece)
		}
	}
}

// A calibration holds what was said to be probable against how often it was so,
// by tenths.
type calibration struct {
	n, hits [10]int
	sum     [10]float64
	brier   float64
	total   int
}

// ask enrols the first half of the subjects and has all of them ring.
func (c *calibration) ask(held []subject, at []int, curve *Curve) {
	half := len(held) / 2
	var refs []house.Reference
	for _, s := range held[:half] {
		refs = append(refs, referencesOf(s, 0, at)...)
	}
	g := NewGallery(refs, curve, 0.5)
	for i, s := range held[:2*half] {
		for k := range sights {
			p, ok := probeOf(s, 1, k)
			if !ok {
				continue
			}
			best := g.Scores(p)[0]
			hit := 0.0
			bin := min(int(float64(len(c.n))*best.Probability), len(c.n)-1)
			if i < half && best.Person == s.id {
				hit = 1
				c.hits[bin]++
			}
			c.n[bin]++
			c.sum[bin] += best.Probability
			c.brier += (best.Probability - hit) * (best.Probability - hit)
			c.total++
		}
	}
}

// error is the expected calibration error.
func (c *calibration) error(t *testing.T) (ece float64) {
	for b, n := range c.n {
		if n > 0 {
			ece += math.Abs(c.sum[b]-float64(c.hits[b])) / float64(c.total)
			t.Logf("probability %.3f on average, right in %.3f of %d", c.sum[b]/float64(n), float64(c.hits[b])/float64(n), n)
		}
	}
	return ece
}
