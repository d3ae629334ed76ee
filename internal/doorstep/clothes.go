package doorstep

import (
	"math"

	"lintel/internal/doorstep/body"
	"lintel/internal/doorstep/raster"
)

// Clothes are what somebody wears, and what they put on besides.
type clothes struct {
	colour, accent  colour
	thick           float64 // mm that cloth stands off the body
	neck            float64 // mm, how far it goes up the neck from where a shirt's collar is
	stripes, checks float64 // mm from one to the next; 0 has none
	trousers        colour
	frames          colour // of glasses
	hat, scarf      colour
}

// bare says where the neck is out of the cloth.
func (c *clothes) bare(at raster.Vec) bool {
	if at[1] < 480 {
		return false // far below any neck
	}
	edge := 572 + c.neck - 0.42*(at[2]-30)
	if at[1] <= edge-7 || at[1] > edge+60 {
		return at[1] > edge // far from it: no need to know how it is curved
	}
	x := math.Abs(at[0])
	return at[1] > edge-7*hump(x, 22)*rise(at[2], 40, 70)+60*rise(x, 55, 90)
}

// material is that of cloth, wool and felt.
func (c *clothes) material(surface int, at raster.Vec) material {
	weave := 1 + 0.08*grain(at.Times(1/1.5)) + 0.06*patches(at, 40)
	m := material{soft: colour{0.1, 0.1, 0.1}, shine: 0.01, gloss: 6}
	switch surface {
	case hatSurface:
		rib := math.Sin(math.Atan2(at[0], at[2]-30) * 60)
		m.albedo, m.bump = c.hat.times(1+0.15*rib), raster.Vec{0.2 * rib, 0, 0}
	case scarfSurface:
		rib := math.Sin(at[1]/2 + at[0]/3)
		m.albedo, m.bump = c.scarf.times(1+0.12*rib), raster.Vec{0, 0.2 * rib, 0}
	default:
		m.albedo = c.colour
		if c.stripes > 0 && math.Mod(at[1]+1000, c.stripes) < c.stripes*0.4 {
			m.albedo = c.accent
		}
		if c.checks > 0 {
			across := 0.5 * rise(math.Sin(at[0]/c.checks*2*math.Pi), 0, 0.2)
			upright := 0.5 * rise(math.Sin(at[1]/c.checks*2*math.Pi), 0, 0.2)
			m.albedo = m.albedo.mix(c.accent, across+upright)
		}
		if at[1] < 20 {
			m.albedo = colour{0.05, 0.055, 0.08}.plus(c.trousers)
		}
		if at[1] < -770 {
			m.albedo = colour{0.03, 0.025, 0.02}
		}
	}
	m.albedo = m.albedo.times(weave)
	return m
}

// dress adds hair and clothes, and what the visitor has put on.
func (m *modeller) dress(v Visitor) {
	cloth := m.body.Parts["clothes"].Quads
	out := func(raster.Vec) float64 { return m.who.wears.thick }
	places, quads := m.raised(cloth, body.Normals(m.body.Points, cloth), out)
	m.add(clothSurface, places, quads)
	skin := m.body.Parts["skin"].Quads
	normals := body.Normals(m.body.Points, skin)
	m.grow(skin, normals, v.Hat)
	if v.Hat {
		m.hat(skin, normals)
	}
	if v.Glasses {
		m.glasses()
	}
	if v.Scarf {
		m.scarf()
	}
}

// hat adds a knitted cap, rolled up at its edge.
func (m *modeller) hat(skin [][4]int32, normals []raster.Vec) {
	places, quads := m.raised(skin, normals, func(rest raster.Vec) float64 {
		if rest[1] < brim(rest)-30 || ear(rest) {
			return 0
		}
		roll := 4 * rise(-rest[1], -brim(rest)-34, -brim(rest)-30)
		return 8 + roll + 10*rise(rest[1], 810, 850)
	})
	m.add(hatSurface, places, quads)
}

// brim is how far down a cap goes, in mm, by where it is.
func brim(rest raster.Vec) float64 { return 762 + 0.22*(rest[2]-30) }

// glasses adds two rims, a bridge and two sides.
func (m *modeller) glasses() {
	rest := raster.Vec{0, 735, 150}
	var hinges [2]raster.Vec
	front := m.front()
	for i, out := range []float64{-1, 1} {
		eye := m.body.Middle("joint-" + string("rl"[i]) + "-eye")
		eye[2] = front
		const corners = 28
		rim := make([]raster.Vec, corners)
		for k := range rim {
			sin, cos := math.Sincos(2 * math.Pi * float64(k) / corners)
			// A square with round corners: x and y to the power of 2.6 add up to 1.
			r := math.Pow(math.Pow(math.Abs(cos), 2.6)+math.Pow(math.Abs(sin), 2.6), -1/2.6)
			rim[k] = eye.Add(raster.Vec{0.0245*r*cos + 0.001*out, 0.0185*r*sin - 0.003, -0.004 * r * cos * out})
		}
		m.tube(frameSurface, rim, 0.001, true, rest)
		hinges[i] = eye.Add(raster.Vec{0.0255 * out, 0.006, -0.004})
		ear := m.body.Points[m.nearest(raster.Vec{72 * out, 733, 48})].Add(raster.Vec{0.003 * out, 0.002, 0})
		m.tube(frameSurface, []raster.Vec{hinges[i], hinges[i].Mix(ear, 0.5).Add(raster.Vec{0.002 * out, 0, 0}), ear},
			0.001, false, rest)
	}
	inner := 0.051 / (hinges[1][0] - hinges[0][0])
	arch := raster.Vec{0, hinges[0][1] + 0.003, front + 0.002}
	bridge := []raster.Vec{hinges[0].Mix(hinges[1], inner), arch, hinges[0].Mix(hinges[1], 1-inner)}
	m.tube(frameSurface, bridge, 0.001, false, rest)
}

// front is how far in front, in metres, glasses have to be to rest on nose and brows.
func (m *modeller) front() (z float64) {
	p := m.body.Parts["skin"]
	for i := p.First; i < p.End; i++ {
		at := m.rest(int32(i))
		if x := math.Abs(at[0]); x < 48 && at[1] > 727 && at[1] < 748 || x > 16 && x < 46 && at[1] > 708 && at[1] < 748 {
			z = max(z, m.body.Points[i][2])
		}
	}
	return z + 0.002
}

// scarf adds two turns of wool around the neck.
func (m *modeller) scarf() {
	p := m.body.Parts["skin"]
	low, high := raster.Vec{9, 9, 9}, raster.Vec{-9, -9, -9}
	for i := p.First; i < p.End; i++ {
		if rest := m.rest(int32(i)); rest[1] > 588 && rest[1] < 606 && math.Abs(rest[0]) < 80 {
			for k, v := range m.body.Points[i] {
				low[k], high[k] = min(low[k], v), max(high[k], v)
			}
		}
	}
	middle, reach := low.Mix(high, 0.5), high.Sub(low).Times(0.5)
	for turn, up := range []float64{-0.036, 0.004} {
		const corners = 32
		around := make([]raster.Vec, corners)
		for k := range around {
			sin, cos := math.Sincos(2 * math.Pi * float64(k) / corners)
			out := 0.020 - 0.006*float64(turn) + 0.004*grain(raster.Vec{3 * sin, 3 * cos, float64(turn)})
			drop := up - 0.35*reach[2]*sin + 0.006*grain(raster.Vec{2 * cos, 2 * sin, 4 + float64(turn)})
			around[k] = middle.Add(raster.Vec{(reach[0] + out) * cos, drop, (reach[2] + out) * sin})
		}
		m.tube(scarfSurface, around, 0.024, true, raster.Vec{0, 520, 0})
	}
}

// tube adds a round bar of a radius in metres along a path, which may end where it
// begins. Its rest is a place in mm, from which ribs are counted along and around it.
func (m *modeller) tube(surface int, path []raster.Vec, radius float64, closed bool, rest raster.Vec) {
	const sides = 8
	first := int32(len(m.mesh.Vertices))
	n := len(path)
	for i, at := range path {
		before, after := path[max(0, i-1)], path[min(n-1, i+1)]
		if closed {
			before, after = path[(i+n-1)%n], path[(i+1)%n]
		}
		ahead := after.Sub(before).Unit()
		aside := ahead.Cross(raster.Vec{0.1, 0.2, 1}).Unit()
		up := ahead.Cross(aside)
		for k := range sides {
			sin, cos := math.Sincos(2 * math.Pi * float64(k) / sides)
			normal := aside.Times(cos).Add(up.Times(sin))
			m.vertex(raster.Vertex{At: at.Add(normal.Times(radius)), Normal: normal,
				Rest: rest.Add(raster.Vec{8 * float64(i), 4 * float64(k), 0})})
		}
	}
	number := func(i, k int) int32 { return first + int32(i%n*sides+k%sides) }
	for i := range n {
		if i == n-1 && !closed {
			break
		}
		for k := range sides {
			m.quad(surface, number(i, k), number(i, k+1), number(i+1, k+1), number(i+1, k))
		}
	}
}
