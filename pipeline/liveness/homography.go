package liveness

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/mat"
)

// A homography takes the places of a plane on one frame to those on another,
// by rows: Hartley and Zisserman, Multiple View Geometry in Computer Vision
// (2nd edition, 2004), section 2.3.
type homography [9]float64

func (h homography) to(x, y float64) (float64, float64) {
	w := h[6]*x + h[7]*y + h[8]
	return (h[0]*x + h[1]*y + h[2]) / w, (h[3]*x + h[4]*y + h[5]) / w
}

// A dot is one point that was found on two frames, at x, y and at u, v.
type dot struct {
	x, y, u, v float64
	uu, uv, vv float64 // the inverse of the covariance of u, v
}

// off is how far a dot is from where the homography has it, squared, in
// standard deviations.
func (h homography) off(d dot) float64 {
	u, v := h.to(d.x, d.y)
	return d.uu*(u-d.u)*(u-d.u) + 2*d.uv*(u-d.u)*(v-d.v) + d.vv*(v-d.v)*(v-d.v)
}

// errNoPlane says that the dots do not determine a homography.
var errNoPlane = errors.New("fewer than four points, or too many of them on a line")

// fitHomography returns the homography that takes the dots of one frame to the
// other with the least sum of squares of what is left, weighed by the inverse
// of each one's covariance: the most likely one if errors are normal and in the
// second frame (Hartley and Zisserman, section 4.3). It begins with their
// algorithm 4.2, the normalised direct linear transformation, and goes on with
// steps of Gauss and Newton. The error is errNoPlane.
func fitHomography(dots []dot) (homography, error) {
	if len(dots) < 4 {
		return homography{}, errNoPlane
	}
	from := centred(dots, func(d dot) (float64, float64) { return d.x, d.y })
	to := centred(dots, func(d dot) (float64, float64) { return d.u, d.v })
	local := make([]dot, len(dots))
	var square mat.SymDense
	system := mat.NewDense(2*len(dots), 9, nil)
	for i, d := range dots {
		k := 1 / (to.scale * to.scale)
		d = dot{
			from.scale * (d.x - from.x), from.scale * (d.y - from.y), to.scale * (d.u - to.x), to.scale * (d.v - to.y),
			d.uu * k, d.uv * k, d.vv * k,
		}
		local[i] = d
		system.SetRow(2*i, []float64{0, 0, 0, -d.x, -d.y, -1, d.v * d.x, d.v * d.y, d.v})
		system.SetRow(2*i+1, []float64{d.x, d.y, 1, 0, 0, 0, -d.u * d.x, -d.u * d.y, -d.u})
	}
	// The right singular vector of the smallest singular value is the
	// eigenvector of the smallest eigenvalue of the square.
	square.SymOuterK(1, system.T())
	var eigen mat.EigenSym
	if !eigen.Factorize(&square, true) {
		return homography{}, errNoPlane
	}
	values := eigen.Values(nil) // the smallest first
	if !(values[1] > 1e-9*values[8]) {
		return homography{}, errNoPlane
	}
	var vectors mat.Dense
	eigen.VectorsTo(&vectors)
	var h homography
	for i := range h {
		h[i] = vectors.At(i, 0) / vectors.At(8, 0)
	}
	h = h.refined(local)
	var full mat.Dense
	full.Mul(mat.NewDense(3, 3, h[:]), mat.NewDense(3, 3, []float64{
		from.scale, 0, -from.scale * from.x, 0, from.scale, -from.scale * from.y, 0, 0, 1,
	}))
	var out mat.Dense
	out.Mul(mat.NewDense(3, 3, []float64{1 / to.scale, 0, to.x, 0, 1 / to.scale, to.y, 0, 0, 1}), &full)
	for i := range h {
		h[i] = out.At(i/3, i%3) / out.At(2, 2)
		if math.IsNaN(h[i]) || math.IsInf(h[i], 0) {
			return homography{}, errNoPlane
		}
	}
	return h, nil
}

// A centring moves points' middle to 0, 0 and makes them lie at a distance of
// the square root of 2 from there on average.
type centring struct{ x, y, scale float64 }

func centred(dots []dot, of func(dot) (float64, float64)) centring {
	var c centring
	n := float64(len(dots))
	for _, d := range dots {
		x, y := of(d)
		c.x, c.y = c.x+x/n, c.y+y/n
	}
	mean := 0.0
	for _, d := range dots {
		x, y := of(d)
		mean += math.Hypot(x-c.x, y-c.y) / n
	}
	c.scale = math.Sqrt2 / max(mean, 1e-12)
	return c
}

// refined makes the weighed sum of squares smaller as long as it can.
func (h homography) refined(dots []dot) homography {
	rest := h.sum(dots)
	for range 8 {
		square, right := mat.NewSymDense(8, nil), mat.NewVecDense(8, nil)
		for _, d := range dots {
			w := h[6]*d.x + h[7]*d.y + h[8]
			u, v := h.to(d.x, d.y)
			ju := [8]float64{d.x / w, d.y / w, 1 / w, 0, 0, 0, -u * d.x / w, -u * d.y / w}
			jv := [8]float64{0, 0, 0, d.x / w, d.y / w, 1 / w, -v * d.x / w, -v * d.y / w}
			ru, rv := d.u-u, d.v-v
			for i := range 8 {
				pu, pv := ju[i]*d.uu+jv[i]*d.uv, ju[i]*d.uv+jv[i]*d.vv
				right.SetVec(i, right.AtVec(i)+pu*ru+pv*rv)
				for j := i; j < 8; j++ {
					square.SetSym(i, j, square.At(i, j)+pu*ju[j]+pv*jv[j])
				}
			}
		}
		var solver mat.Cholesky
		var step mat.VecDense
		if !solver.Factorize(square) || solver.SolveVecTo(&step, right) != nil {
			return h
		}
		next := h
		for i := range 8 {
			next[i] += step.AtVec(i)
		}
		now := next.sum(dots)
		if !(now < rest) {
			return h
		}
		h = next
		if rest-now < 1e-6*rest {
			return h
		}
		rest = now
	}
	return h
}

// sum is that of what is left of all dots: from a chi-square of 2n - 8 degrees
// of freedom if they are of one plane, and the homography the most likely.
func (h homography) sum(dots []dot) float64 {
	sum := 0.0
	for _, d := range dots {
		sum += h.off(d)
	}
	return sum
}
