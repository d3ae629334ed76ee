package match

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/blas"
	"gonum.org/v1/gonum/blas/blas32"

	"lintel/internal/house"
	"lintel/pipeline/quality"
)

// dims is how many numbers a descriptor has.
const dims = len(house.Descriptor{})

// A Gallery is all references, laid out to be searched. It is not changed once
// made, so goroutines may share it.
type Gallery struct {
	curve *Curve
	prior float64

	// References lie in order of their persons: those of persons[i] are from
	// first[i] up to first[i+1].
	persons []string
	first   []int
	rows    []float32 // their descriptors, one after the other
	squares []float32 // of each, the sum of its squares
	weights []float32 // of each; those of a person add up to 1
}

// A Probe is a face to be identified, on one frame.
type Probe struct {
	Descriptor house.Descriptor
	Weight     float64 // how good the face is to judge, above 0 up to 1
	Poor       bool    // too poor for a strong match
}

// leastWeight is that of the poorest face: somebody's only reference, or a
// ring's only face, counts however poor it is.
const leastWeight = 0.01

// ProbeOf returns a face as a probe, weighted by its quality. A face whose
// quality was not measured counts as a good one.
func ProbeOf(f house.Face) Probe {
	p := Probe{Descriptor: f.Descriptor, Weight: 1}
	if f.Quality != nil {
		score, _ := quality.Judge(*f.Quality)
		p.Weight, p.Poor = max(score, leastWeight), quality.Poor(*f.Quality)
	}
	return p
}

// weightOf returns how much a reference counts beside the person's others. One
// whose quality was not measured counts as a good one.
func weightOf(r house.Reference) float32 {
	if r.Quality == 0 {
		return 1
	}
	return float32(min(max(r.Quality, leastWeight), 1))
}

// A Score is how far a face is from a person.
type Score struct {
	Person      string  // id
	Distance    float64 // fused over the person's references and the probe's frames
	Probability float64 // 0 to 1, under the gallery's prior
}

// NewGallery lays references out. Each counts by its quality beside the
// person's others. The prior is how often a ring is somebody enrolled, 0 to 1.
func NewGallery(refs []house.Reference, curve *Curve, prior float64) *Gallery {
	g := &Gallery{curve: curve, prior: prior, rows: make([]float32, 0, len(refs)*dims)}
	order := make([]int, len(refs))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(refs[a].Person, refs[b].Person) })
	for at, i := range order {
		if at == 0 || refs[i].Person != g.persons[len(g.persons)-1] {
			g.persons, g.first = append(g.persons, refs[i].Person), append(g.first, at)
		}
		square := float32(0)
		for _, v := range refs[i].Descriptor {
			square += v * v
		}
		g.rows = append(g.rows, refs[i].Descriptor[:]...)
		g.squares, g.weights = append(g.squares, square), append(g.weights, weightOf(refs[i]))
	}
	g.first = append(g.first, len(refs))
	for p := range g.persons {
		own := g.weights[g.first[p]:g.first[p+1]]
		sum := float32(0)
		for _, w := range own {
			sum += w
		}
		for i := range own {
			own[i] /= sum
		}
	}
	return g
}

// Size returns how many references of how many persons there are.
func (g *Gallery) Size() Size { return Size{len(g.squares), len(g.persons)} }

// Curve returns the curve that the gallery judges by.
func (g *Gallery) Curve() *Curve { return g.curve }

// Prior returns how often a ring is somebody enrolled, as far as is known.
func (g *Gallery) Prior() float64 { return g.prior }

// FPIR returns the false positive identification rate at that distance in
// this gallery; 0 for an empty one.
func (g *Gallery) FPIR(distance float64) float64 { return g.curve.FPIR(distance, g.Size()) }

// BandOf returns the band of a match at that distance in this gallery.
func (g *Gallery) BandOf(distance float64) Band { return g.curve.BandOf(distance, g.Size()) }

// Threshold returns the largest distance that makes the band in this gallery;
// for None, the largest at which a name is given.
func (g *Gallery) Threshold(band Band) float64 {
	if band == None {
		band = Weak
	}
	return g.curve.Threshold(band.Limit(), g.Size())
}

// Identify returns the nearest person to a face on one or more frames, or nil
// where even that one is too far to be named. A face that is poor on all of
// its frames makes a fair match at best.
func (g *Gallery) Identify(frames ...Probe) *house.Match {
	scores := g.distances(frames)
	best := nearest(scores)
	if best < 0 {
		return nil
	}
	// The search is rounded to float32; what is near the best is done again.
	for p, d := range scores {
		if p != best && d <= scores[best]+2*rounding {
			scores[p] = g.exact(p, frames)
		}
	}
	scores[best] = g.exact(best, frames)
	best = nearest(scores)

	distance := scores[best]
	band := g.BandOf(distance)
	if band == None {
		return nil
	}
	if band == Strong && !slices.ContainsFunc(frames, func(f Probe) bool { return !f.Poor }) {
		band = Fair
	}
	return &house.Match{
		Person: g.persons[best], Distance: distance, FPIR: g.FPIR(distance), Band: string(band),
		Probability: g.curve.Posterior(g.prior, scores)[best], Frames: len(frames),
	}
}

// Scores returns how far a face on one or more frames is from each person,
// nearest first.
func (g *Gallery) Scores(frames ...Probe) []Score {
	if len(frames) == 0 {
		return nil
	}
	distances := make([]float64, len(g.persons))
	for p := range distances {
		distances[p] = g.exact(p, frames)
	}
	all := make([]Score, len(distances))
	for p, probability := range g.curve.Posterior(g.prior, distances) {
		all[p] = Score{g.persons[p], distances[p], probability}
	}
	slices.SortStableFunc(all, func(a, b Score) int { return cmp.Compare(a.Distance, b.Distance) })
	return all
}

// DistanceTo returns how far a face on one or more frames is from a person, infinite
// where they have no reference.
func (g *Gallery) DistanceTo(person string, frames ...Probe) float64 {
	p, found := slices.BinarySearch(g.persons, person)
	if !found || len(frames) == 0 {
		return math.Inf(1)
	}
	return g.exact(p, frames)
}

// rounding bounds how far a distance that [Gallery.distances] returns lies from
// the exact one: it comes from a difference of squares of about 1.5, which
// float32 rounds by 1e-6 or less, and the root of that at a distance of 0.
const rounding = 1e-3

// distances returns how far the frames' face is from each person, within
// rounding.
func (g *Gallery) distances(frames []Probe) []float64 {
	all := make([]float64, len(g.persons))
	if len(all) == 0 || len(frames) == 0 {
		return nil
	}
	products := make([]float32, len(g.squares))
	weight := 0.0
	for i := range frames {
		f := &frames[i]
		blas32.Gemv(blas.NoTrans, 1,
			blas32.General{Rows: len(g.squares), Cols: dims, Stride: dims, Data: g.rows},
			blas32.Vector{N: dims, Inc: 1, Data: f.Descriptor[:]},
			0, blas32.Vector{N: len(products), Inc: 1, Data: products})
		square := float32(0)
		for _, v := range f.Descriptor {
			square += v * v
		}
		for p := range all {
			sum := 0.0
			for r := g.first[p]; r < g.first[p+1]; r++ {
				sum += towards(float64(square+g.squares[r]-2*products[r]), float64(g.weights[r]))
			}
			all[p] += f.Weight * fused(sum)
		}
		weight += f.Weight
	}
	for p := range all {
		all[p] /= weight
	}
	return all
}

// exact returns how far the frames' face is from a person.
func (g *Gallery) exact(p int, frames []Probe) float64 {
	distance, weight := 0.0, 0.0
	for i := range frames {
		sum := 0.0
		for r := g.first[p]; r < g.first[p+1]; r++ {
			d := Distance(&frames[i].Descriptor, (*house.Descriptor)(g.rows[r*dims:(r+1)*dims]))
			sum += towards(d*d, float64(g.weights[r]))
		}
		distance += frames[i].Weight * fused(sum)
		weight += frames[i].Weight
	}
	return distance / weight
}

// leastSquare stands for a squared distance of 0, which has no power of -4.
const leastSquare = 1e-12

// towards returns what a reference adds to the sum of weighted distances to
// the power of -8, from its squared distance.
func towards(square, weight float64) float64 {
	square = max(square, leastSquare)
	square *= square
	return weight / (square * square)
}

// fused returns the power mean from that sum.
func fused(sum float64) float64 {
	d := math.Sqrt(math.Sqrt(math.Sqrt(1 / sum)))
	if d*d <= 2*leastSquare {
		return 0
	}
	return d
}

// nearest returns the index of the least distance, the first of several; -1
// where there is none.
func nearest(distances []float64) int {
	best := -1
	for p, d := range distances {
		if best < 0 || d < distances[best] {
			best = p
		}
	}
	return best
}
