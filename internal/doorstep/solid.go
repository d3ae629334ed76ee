package doorstep

import (
	"math"

	"lintel/internal/doorstep/raster"
)

// A thing of the doorstep doesn't move.
type thing struct {
	shape  shape
	matter matter
	casts  bool // whether its shadow matters
}

// A solid is a thing with a sphere about it.
type solid struct {
	thing
	sphere
}

// A sphere is where something lies within.
type sphere struct {
	middle raster.Vec
	radius float64
}

// off says whether a line from a place, in a direction of length 1, passes the sphere by.
func (s *sphere) off(from, way *raster.Vec) bool {
	x, y, z := s.middle[0]-from[0], s.middle[1]-from[1], s.middle[2]-from[2]
	along := x*way[0] + y*way[1] + z*way[2]
	return x*x+y*y+z*z-along*along > s.radius*s.radius || along < -s.radius
}

// A shape is what a ray may hit.
type shape interface {
	// hit says how far along the ray it meets it, beyond from, and with which normal.
	hit(origin, way raster.Vec, from float64) (far float64, normal raster.Vec, ok bool)
	// misses says that no ray from the lens whose direction lies between low and high meets it.
	misses(low, high raster.Vec) bool
	round() sphere
}

// A convex shape is what lies behind all its planes.
type convex []plane

// A plane has space in front of it where p·normal > offset.
type plane struct {
	normal raster.Vec
	offset float64
}

// box spans two corners.
func box(x0, y0, z0, x1, y1, z1 float64) convex {
	return convex{
		{raster.Vec{1, 0, 0}, x1}, {raster.Vec{-1, 0, 0}, -x0},
		{raster.Vec{0, 1, 0}, y1}, {raster.Vec{0, -1, 0}, -y0},
		{raster.Vec{0, 0, 1}, z1}, {raster.Vec{0, 0, -1}, -z0},
	}
}

// roof is a box whose upper side is a ridge along x, half as deep.
func roof(x0, y0, z0, x1, y1, z1 float64) convex {
	rise, half := y1-y0, (z1-z0)/2
	front := raster.Vec{0, half, -rise}.Unit()
	back := raster.Vec{0, half, rise}.Unit()
	return convex{
		{raster.Vec{1, 0, 0}, x1}, {raster.Vec{-1, 0, 0}, -x0}, {raster.Vec{0, -1, 0}, -y0},
		{front, front.Dot(raster.Vec{x0, y0, z0})}, {back, back.Dot(raster.Vec{x0, y0, z1})},
	}
}

func (c convex) hit(origin, way raster.Vec, from float64) (far float64, normal raster.Vec, ok bool) {
	in, out := from, math.Inf(1)
	entered := -1
	for i := range c {
		toward := way.Dot(c[i].normal)
		ahead := c[i].offset - origin.Dot(c[i].normal)
		switch {
		case toward < 0:
			if t := ahead / toward; t > in {
				in, entered = t, i
			}
		case toward > 0:
			out = min(out, ahead/toward)
		case ahead < 0:
			return 0, normal, false
		}
		if in >= out {
			return 0, normal, false
		}
	}
	if entered < 0 {
		return 0, normal, false // it begins within
	}
	return in, c[entered].normal, true
}

func (c convex) round() sphere {
	low, high := raster.Vec{-200, -200, -200}, raster.Vec{200, 200, 200}
	for _, p := range c {
		for k, n := range p.normal {
			switch n {
			case 1:
				high[k] = p.offset
			case -1:
				low[k] = -p.offset
			}
		}
	}
	if high[1] == 200 { // a ridge is no face of a roof: it rises no more than it is deep
		high[1] = low[1] + high[2] - low[2]
	}
	return sphere{low.Mix(high, 0.5), high.Sub(low).Len() / 2}
}

// A ball is an ellipsoid; a leafy one has gaps towards its edge, and its normals go every way.
type ball struct {
	middle, radii raster.Vec
	leaf          float64 // metres, how large its leaves are; 0 for a smooth one
}

func (b ball) hit(origin, way raster.Vec, from float64) (far float64, normal raster.Vec, ok bool) {
	var o, w raster.Vec
	for k := range 3 {
		o[k], w[k] = (origin[k]-b.middle[k])/b.radii[k], way[k]/b.radii[k]
	}
	a, half, c := w.Dot(w), o.Dot(w), o.Dot(o)-1
	root := half*half - a*c
	if root < 0 {
		return 0, normal, false
	}
	root = math.Sqrt(root)
	for _, far := range [2]float64{(-half - root) / a, (-half + root) / a} {
		if far <= from {
			continue
		}
		at := origin.Add(way.Times(far))
		for k := range 3 {
			normal[k] = (at[k] - b.middle[k]) / (b.radii[k] * b.radii[k])
		}
		normal = normal.Unit()
		if b.leaf == 0 {
			return far, normal, true
		}
		thick := root / math.Sqrt(a) // 1 through the middle, 0 at the rim
		if noise(at.Times(0.7/b.leaf))*0.6+noise(at.Times(0.22/b.leaf))*0.4 > 0.32+0.45*thick {
			continue // between the leaves
		}
		return far, normal.Add(spread(at.Times(0.9 / b.leaf))).Unit(), true
	}
	return 0, normal, false
}

func (b ball) round() sphere {
	return sphere{b.middle, max(b.radii[0], b.radii[1], b.radii[2])}
}

func (b ball) misses(low, high raster.Vec) bool {
	p, q := b.middle.Sub(b.radii), b.middle.Add(b.radii)
	return box(p[0], p[1], p[2], q[0], q[1], q[2]).misses(low, high)
}

// misses bounds where rays enter and leave by each plane alone, so it may say no where all do miss.
func (c convex) misses(low, high raster.Vec) bool {
	in, out := 0.0, math.Inf(1)
	for _, p := range c {
		least, most := 0.0, 0.0 // of the direction along the normal
		for k, n := range p.normal {
			least += min(n*low[k], n*high[k])
			most += max(n*low[k], n*high[k])
		}
		switch {
		case p.offset < 0 && least >= 0:
			return true
		case p.offset < 0:
			in = max(in, p.offset/least)
		case least > 0:
			out = min(out, p.offset/least)
		}
	}
	return in >= out
}

// spread is a direction by chance, that stays alike nearby.
func spread(p raster.Vec) raster.Vec {
	q, r := p.Add(raster.Vec{31, 0, 0}), p.Add(raster.Vec{0, 57, 0})
	return raster.Vec{noise(p) - 0.5, noise(q) - 0.4, noise(r) - 0.5}.Times(1.8)
}

// A tree is a trunk and leafy balls, all by its number.
func tree(x, z, height, width float64, number int, leaves matter) []thing {
	ground := -bellHeight
	trunk := raster.Vec{0.035 * height, height * 0.45, 0.035 * height}
	all := []thing{{ball{raster.Vec{x, ground + height*0.25, z}, trunk, 0}, bark, true}}
	for i := range 7 {
		turn := float64(i)*2.4 + float64(number)
		out := width * 0.32 * math.Sqrt(float64(i)/6)
		size := width * (0.30 + 0.12*chance(number, i, 0))
		up := ground + height*(0.62+0.3*chance(number, i, 1)) - out*0.25
		at := raster.Vec{x + out*math.Sin(turn), up, z + out*math.Cos(turn)}
		all = append(all, thing{ball{at, raster.Vec{size, size * 0.8, size}, 0.07}, leaves, true})
	}
	return all
}
