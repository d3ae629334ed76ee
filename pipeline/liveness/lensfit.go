package liveness

import (
	"errors"
	"fmt"
	"image"
	"math"

	"gonum.org/v1/gonum/diff/fd"
	"gonum.org/v1/gonum/mat"

	"lintel/store"
)

// What FitLens may have to say. The faces may also be at odds with a lens that
// can be: then it is store.ErrBadLens.
var (
	ErrNothingUnknown = errors.New("nothing is left to work out")
	ErrBadHeight      = errors.New("a person is 0.5 to 2.3 metres tall")
	ErrFewFaces       = errors.New("there are too few faces to work that out")
	ErrAlikeFaces     = errors.New("the faces stand too much alike to work that out")
	ErrNoFit          = errors.New("no lens would show these faces so")
)

// A Helper is somebody of known height who stood upright before the bell.
type Helper struct {
	Height float64 // from the ground to the top of the head, in metres
	Seen   []Seen
}

// A Seen is one face of a helper.
type Seen struct {
	Landmarks []store.Point // as of a store.Face
	Still     image.Point   // size of the still, in pixels
}

// An Unknown says what of a lens is to be worked out.
type Unknown struct{ Angle, Height, Tilt bool }

// of returns those numbers of a lens that are unknown, always in one order.
func (u Unknown) of(l *store.Lens) (numbers []*float64) {
	if u.Angle {
		numbers = append(numbers, &l.Angle)
	}
	if u.Height {
		numbers = append(numbers, &l.Height)
	}
	if u.Tilt {
		numbers = append(numbers, &l.Tilt)
	}
	return numbers
}

func (u Unknown) count() int { return len(u.of(&store.Lens{})) }

// A LensFit is a lens that was worked out, with the standard error of each
// number, 0 for one that was known.
type LensFit struct {
	Lens   store.Lens
	Angle  float64 // degrees
	Height float64 // metres
	Tilt   float64 // degrees
	Faces  int     // how many it rests on
}

// FitLens works out what is unknown of a lens from faces of persons whose
// height is known: least squares by the method of Levenberg and Marquardt
// (Marquardt, An algorithm for least-squares estimation of nonlinear
// parameters, J. SIAM 11, 1963, from memory).
//
// Each face gives one equation. Its size gives how far away it is, and that,
// with where it is on the still, how high its eyes are; they have to be as high
// as the helper's. Eyes are at 0.936 of a person's height (Drillis and Contini,
// Body segment parameters, 1966, from memory). Each helper brings two unknowns
// along: how far the eyes are apart, 6 % more or less, and how much higher or
// lower they are than that, 2 cm more or less; several faces of one helper
// share them, so more faces do not make these errors small.
//
// One face is enough for one unknown, two at different distances for height
// and tilt. A still of a level camera says next to nothing of its angle of
// view: a wider lens with a smaller face looks the same. So an angle takes three
// faces or more, far and near, in the middle and aside, and a tilt that is
// known. What the faces do not settle is refused, not guessed: ErrFewFaces or
// ErrAlikeFaces. Faces that are small or turned aside do not count.
//
// Members of known that are unknown are not looked at; its projection has to be
// known. The errors are store.ErrBadLens for the rest of it, and those above.
func FitLens(known store.Lens, unknown Unknown, helpers []Helper) (LensFit, error) {
	if err := unknown.fill(known, middling).Check(); err != nil {
		return LensFit{}, err
	}
	p := problem{known: known, unknown: unknown}
	for _, h := range helpers {
		if err := p.add(h); err != nil {
			return LensFit{}, err
		}
	}
	n := unknown.count()
	switch {
	case n == 0:
		return LensFit{}, ErrNothingUnknown
	case len(p.faces) < n:
		return LensFit{}, fmt.Errorf("%w: %d can be used, and it takes %d at least", ErrFewFaces, len(p.faces), n)
	case unknown.Angle && len(p.faces) < 3:
		return LensFit{}, fmt.Errorf("%w: %d can be used, and an angle of view takes 3 at least", ErrFewFaces, len(p.faces))
	}
	best, err := p.solve()
	if err != nil {
		return LensFit{}, err
	}
	return p.judge(best)
}

// How sure a number has to be to be told, as standard errors. Common practice,
// no source: with more, the sign of a place says less than with none.
const (
	vagueAngle  = 12   // degrees
	vagueHeight = 0.15 // metres
	vagueTilt   = 6    // degrees
)

// middling stands in for numbers that are unknown.
var middling = store.Lens{Angle: 90, Height: 1.4}

// fill returns known with the unknown numbers from another lens.
func (u Unknown) fill(known, from store.Lens) store.Lens {
	to := u.of(&known)
	for i, v := range u.of(&from) {
		*to[i] = *v
	}
	return known
}

// A problem is one of least squares.
type problem struct {
	known   store.Lens
	unknown Unknown
	helpers int
	faces   []fitFace
}

// A fitFace is a face of a helper, made ready.
type fitFace struct {
	eyes      [2]store.Point
	span      float64
	landmarks []store.Point
	still     image.Point
	helper    int
	height    float64 // of the helper's eyes, in metres
}

const (
	eyesOfHeight  = 0.936 // of a person's height
	buildError    = 0.02  // metres, of a helper's eyes
	postureError  = 0.02  // metres, of one face
	facingError   = 0.03  // of the distance, since nobody faces the bell exactly
	mostTurnedFit = 35    // degrees
)

func (p *problem) add(h Helper) error {
	if !(h.Height >= 0.5 && h.Height <= 2.3) {
		return ErrBadHeight
	}
	for _, seen := range h.Seen {
		if seen.Still.X < 1 || seen.Still.Y < 1 {
			continue
		}
		v := (&scene{}).view(store.Face{Landmarks: seen.Landmarks}, nil)
		f := fitFace{v.eyes, v.span, seen.Landmarks, seen.Still, p.helpers, eyesOfHeight * h.Height}
		b, ok := opticsOf(p.unknown.fill(p.known, middling), f.still).bearing(f.eyes, f.span, f.landmarks)
		if ok && v.span >= leastSpan && !(math.Abs(degrees(b.yaw)) > mostTurnedFit) {
			p.faces = append(p.faces, f)
		}
	}
	p.helpers++
	return nil
}

// A solution is a lens with what was found of the helpers: for each, how much
// further apart the eyes are than most (as a logarithm), and how much higher.
type solution struct {
	lens   store.Lens
	build  []float64 // two for each helper
	cost   float64   // sum of squares, each in units of its error
	spread *mat.SymDense
}

// vector and from turn a solution into numbers to vary, and back: first what is
// unknown of the lens, then the helpers.
func (p *problem) vector(s solution) (x []float64) {
	for _, v := range p.unknown.of(&s.lens) {
		x = append(x, *v)
	}
	return append(x, s.build...)
}

func (p *problem) from(x []float64) (s solution) {
	s.lens = p.known
	for _, v := range p.unknown.of(&s.lens) {
		*v, x = x[0], x[1:]
	}
	s.build = append([]float64(nil), x...)
	return s
}

// within returns the nearest numbers that a lens can have.
func (p *problem) within(x []float64) []float64 {
	s := p.from(x)
	least, most := p.limits()
	lows, highs := p.unknown.of(&least), p.unknown.of(&most)
	for i, v := range p.unknown.of(&s.lens) {
		*v = min(max(*v, *lows[i]), *highs[i])
	}
	return p.vector(s)
}

// limits are the least and the most that the numbers of a lens can be.
func (p *problem) limits() (least, most store.Lens) {
	least, most = store.Lens{Angle: 20, Height: 0.3, Tilt: -45}, store.Lens{Angle: 200, Height: 3, Tilt: 60}
	if p.known.Projection == store.Straight {
		most.Angle = 169
	}
	return least, most
}

// errorsAt returns the error to expect of each face's height, in metres: of
// posture, and of how far it is away, which counts by as much as it lies above
// or below the lens.
func (p *problem) errorsAt(s solution) (sigma []float64) {
	for _, f := range p.faces {
		b, distance := p.bearing(s, f)
		reading := distance * b.down * math.Hypot(pixelError/f.span, facingError)
		sigma = append(sigma, math.Hypot(math.Hypot(postureError, reading), distance*b.pixel))
	}
	return sigma
}

func (p *problem) bearing(s solution, f fitFace) (b bearing, distance float64) {
	b, ok := opticsOf(s.lens, f.still).bearing(f.eyes, f.span, f.landmarks)
	if !ok {
		return bearing{}, 0 // only of eyes far beyond the border
	}
	eyes := meanEyes * math.Exp(s.build[2*f.helper]) * math.Cos(b.turned())
	return b, away(eyes, b.apart)
}

// residuals writes how far off the faces' heights are, and the helpers' builds,
// in units of their errors.
func (p *problem) residuals(r, x, sigma []float64) {
	s := p.from(x)
	for i, f := range p.faces {
		b, distance := p.bearing(s, f)
		height := s.lens.Height - distance*b.down
		r[i] = (height - f.height - s.build[2*f.helper+1]) / sigma[i]
	}
	for i := range p.helpers {
		r[len(p.faces)+2*i] = s.build[2*i] / (spreadEyes / meanEyes)
		r[len(p.faces)+2*i+1] = s.build[2*i+1] / buildError
	}
}

// solve looks for the best solution from several places. The error is
// ErrAlikeFaces where two that differ are as good.
func (p *problem) solve() (solution, error) {
	angles, tilts := []float64{p.known.Angle}, []float64{p.known.Tilt}
	if p.unknown.Angle {
		angles = []float64{40, 70, 100, 130, 160}
	}
	if p.unknown.Tilt {
		tilts = []float64{-30, 0, 30}
	}
	var all []solution
	best := 0
	for _, angle := range angles {
		for _, tilt := range tilts {
			from := p.unknown.fill(p.known, store.Lens{Angle: angle, Tilt: tilt, Height: middling.Height})
			s, ok := p.descend(solution{lens: from, build: make([]float64, 2*p.helpers)})
			if !ok {
				continue
			}
			if all = append(all, s); s.cost < all[best].cost {
				best = len(all) - 1
			}
		}
	}
	if len(all) == 0 {
		return solution{}, ErrAlikeFaces
	}
	for _, s := range all {
		// A cost within 4 is within two standard errors.
		if s.cost < all[best].cost+4 && (math.Abs(s.lens.Angle-all[best].lens.Angle) > vagueAngle ||
			math.Abs(s.lens.Height-all[best].lens.Height) > vagueHeight || math.Abs(s.lens.Tilt-all[best].lens.Tilt) > vagueTilt) {
			return solution{}, fmt.Errorf("%w: more than one lens would show them so", ErrAlikeFaces)
		}
	}
	return all[best], nil
}

// descend goes down from a solution to the nearest that is not to be bettered.
// It reports false where the numbers do not settle at one.
func (p *problem) descend(s solution) (solution, bool) {
	x := p.vector(s)
	size := len(p.faces) + 2*p.helpers
	for range 4 { // the errors go by the solution, and it by them
		sigma := p.errorsAt(p.from(x))
		residuals := func(r, x []float64) { p.residuals(r, x, sigma) }
		cost := func(x []float64) (sum float64) {
			r := make([]float64, size)
			residuals(r, x)
			for _, v := range r {
				sum += v * v
			}
			return sum
		}
		r, j := make([]float64, size), mat.NewDense(size, len(x), nil)
		now, damping := cost(x), 1e-3
		for range 60 {
			residuals(r, x)
			fd.Jacobian(j, residuals, x, &fd.JacobianSettings{Formula: fd.Central, Step: 1e-5})
			next, ok := step(x, r, j, damping)
			if next = p.within(next); !ok || !(cost(next) < now) {
				if damping *= 10; damping > 1e9 {
					break
				}
				continue
			}
			gain := now - cost(next)
			x, now, damping = next, cost(next), damping/10
			if gain < 1e-9 {
				break
			}
		}
		s = p.from(x)
		s.cost = now
		var ok bool
		if s.spread, ok = spreadOf(residuals, x, size); !ok {
			return s, false
		}
	}
	return s, true
}

// step returns where the damped normal equations lead.
func step(x, r []float64, j *mat.Dense, damping float64) (next []float64, ok bool) {
	var normal mat.Dense
	normal.Mul(j.T(), j)
	var down mat.VecDense
	down.MulVec(j.T(), mat.NewVecDense(len(r), r))
	for i := range x {
		normal.Set(i, i, normal.At(i, i)*(1+damping)+1e-12)
	}
	var d mat.VecDense
	if err := d.SolveVec(&normal, &down); err != nil {
		return x, false
	}
	next = make([]float64, len(x))
	for i := range x {
		if next[i] = x[i] - d.AtVec(i); math.IsNaN(next[i]) || math.IsInf(next[i], 0) {
			return x, false
		}
	}
	return next, true
}

// spreadOf returns the covariance of the numbers at a solution: the inverse of
// the normal equations.
func spreadOf(residuals func(r, x []float64), x []float64, size int) (*mat.SymDense, bool) {
	j := mat.NewDense(size, len(x), nil)
	fd.Jacobian(j, residuals, x, &fd.JacobianSettings{Formula: fd.Central, Step: 1e-5})
	var normal mat.SymDense
	normal.SymOuterK(1, j.T())
	var c mat.Cholesky
	if !c.Factorize(&normal) || c.Cond() > 1e13 {
		return nil, false
	}
	var spread mat.SymDense
	if err := c.InverseTo(&spread); err != nil {
		return nil, false
	}
	return &spread, true
}

// judge says how sure a solution is, or why it is worth nothing.
func (p *problem) judge(s solution) (LensFit, error) {
	free := len(p.faces) - p.unknown.count()
	scale := 1.0
	if free > 0 {
		// The sum of squares is chi-squared: its mean free, its variance twice that.
		if s.cost > float64(free)+4*math.Sqrt(2*float64(free)) {
			return LensFit{}, fmt.Errorf("%w: they do not agree on it; is the height right, and is it the same person on all?", ErrNoFit)
		}
		scale = max(1, math.Sqrt(s.cost/float64(free)))
	} else if s.cost > 9 { // only eyes and build no person has would make it right
		return LensFit{}, fmt.Errorf("%w: is the height right?", ErrNoFit)
	}
	least, most := p.limits()
	vague, sigma := store.Lens{Angle: vagueAngle, Height: vagueHeight, Tilt: vagueTilt}, store.Lens{}
	lows, highs := p.unknown.of(&least), p.unknown.of(&most)
	vagues, sigmas := p.unknown.of(&vague), p.unknown.of(&sigma)
	for i, v := range p.unknown.of(&s.lens) {
		*sigmas[i] = scale * math.Sqrt(s.spread.At(i, i))
		if !(*sigmas[i] <= *vagues[i]) {
			return LensFit{}, ErrAlikeFaces
		}
		if *v <= *lows[i] || *v >= *highs[i] {
			return LensFit{}, fmt.Errorf("%w: it would have to be beyond what a lens can be", ErrNoFit)
		}
	}
	return LensFit{Lens: s.lens, Angle: sigma.Angle, Height: sigma.Height, Tilt: sigma.Tilt, Faces: len(p.faces)}, nil
}
