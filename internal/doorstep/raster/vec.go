package raster

import "math"

// A Vec is a place or a direction: to the right, upwards and away from who looks, in metres where it is a place.
type Vec [3]float64

// Add is v and w together.
func (v Vec) Add(w Vec) Vec { return Vec{v[0] + w[0], v[1] + w[1], v[2] + w[2]} }

// Sub leads from w to v.
func (v Vec) Sub(w Vec) Vec { return Vec{v[0] - w[0], v[1] - w[1], v[2] - w[2]} }

// Times is v, k times as long.
func (v Vec) Times(k float64) Vec { return Vec{v[0] * k, v[1] * k, v[2] * k} }

// Dot is the inner product.
func (v Vec) Dot(w Vec) float64 { return v[0]*w[0] + v[1]*w[1] + v[2]*w[2] }

// Cross is the outer product.
func (v Vec) Cross(w Vec) Vec {
	return Vec{v[1]*w[2] - v[2]*w[1], v[2]*w[0] - v[0]*w[2], v[0]*w[1] - v[1]*w[0]}
}

// Len is the length.
func (v Vec) Len() float64 { return math.Sqrt(v.Dot(v)) }

// Unit is v with length 1; nothing stays nothing.
func (v Vec) Unit() Vec {
	if n := v.Len(); n > 0 {
		return v.Times(1 / n)
	}
	return v
}

// Mix goes from v, at 0, to w, at 1.
func (v Vec) Mix(w Vec, t float64) Vec { return v.Add(w.Sub(v).Times(t)) }
