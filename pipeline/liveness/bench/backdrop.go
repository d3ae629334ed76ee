package bench

import (
	"image"
	"math"
	"math/rand/v2"
)

// A light is how things before the door are lit. Light is linear; what is white
// and faces the open sky sends 1.
type light struct {
	white   [3]float64 // its colour as the bell's white balance leaves it
	sun     vec        // towards the brightest part of the sky, of length 1
	direct  float64    // from there
	ambient float64    // from all around
	porch   float64    // how much of it reaches who stands at the door
	balance [3]float64 // what the bell multiplies colours by
}

// on returns how brightly something at the door with this normal is lit.
func (l *light) on(normal vec) float64 {
	return l.porch * l.open(normal)
}

// open is on for something out in the open.
func (l *light) open(normal vec) float64 {
	return l.ambient*(0.8-0.2*normal.y) + l.direct*max(0, normal.dot(l.sun))
}

// planck is the colour of a black body, red, green and blue, against that of
// 6500 kelvin: Planck's law at 610, 550 and 465 nm, green made 1.
func planck(kelvin float64) (c [3]float64) {
	at := func(nm, t float64) float64 { return 1 / (math.Exp(1.4388e7/(nm*t)) - 1) }
	for i, nm := range [3]float64{610, 550, 465} {
		c[i] = at(nm, kelvin) / at(nm, 6500)
	}
	g := c[1]
	for i := range c {
		c[i] /= g
	}
	return c
}

// What a wall is made of.
const (
	brick = iota
	plaster
	fence
	hedge
	surfaces
)

// A wall stands across, from the ground up.
type wall struct {
	z, left, right, height float64
	kind                   int
	colour                 [3]float64
	windows                float64 // width of a window with its wall, 0 for none
	cell                   float64
}

// A backdrop is what is before the door without anybody: walls, ground, sky, a
// car, the door's own frame. All of it is made up.
type backdrop struct {
	light         *light
	height        float64 // of the lens over the ground
	walls         []wall
	car           *wall
	path, pathMid float64 // half its width, and its middle
	slab          float64
	lawn, stone   [3]float64
	jambs         [2]float64 // how far left and right the door's frame is, 0 for none
	depth         float64    // how far the frame comes forward
	frame         [3]float64
	sky           [2][3]float64
	dark          float64 // of the sky, 1 by day
	shift         float64
}

func newBackdrop(r *rand.Rand, l *light, height float64) *backdrop {
	tint := func(base [3]float64, by float64) (c [3]float64) {
		k := math.Exp(by * r.NormFloat64())
		for i := range c {
			c[i] = min(base[i]*k*math.Exp(0.3*by*r.NormFloat64()), 0.9)
		}
		return c
	}
	b := &backdrop{light: l, height: height, shift: 1e4 * r.Float64()}
	palette := [surfaces][3]float64{{0.28, 0.12, 0.08}, {0.55, 0.52, 0.45}, {0.25, 0.18, 0.12}, {0.05, 0.09, 0.03}}
	z := between(r, 2800, 9000)
	for i := range 2 + r.IntN(2) {
		kind := r.IntN(surfaces)
		w := wall{z: z, left: -1e6, right: 1e6, height: between(r, 700, 2600), kind: kind, colour: tint(palette[kind], 0.35)}
		if i > 0 {
			w.height = between(r, 3000, 8000)
			w.left, w.right = between(r, -12e3, 0), between(r, 1e3, 14e3)
			if kind <= plaster {
				w.windows = between(r, 1800, 3200)
			}
		}
		w.cell = between(r, 0.8, 1.25)
		b.walls = append(b.walls, w)
		z += between(r, 3000, 12000)
	}
	if r.Float64() < 0.4 {
		w := wall{z: b.walls[0].z * between(r, 0.55, 0.9), height: between(r, 1350, 1650), colour: tint([3]float64{0.2, 0.2, 0.25}, 0.9)}
		w.left = between(r, -5000, 1500)
		w.right = w.left + between(r, 3800, 4600)
		b.car = &w
	}
	b.path, b.pathMid, b.slab = between(r, 450, 1100), between(r, -400, 400), between(r, 300, 600)
	b.stone, b.lawn = tint([3]float64{0.32, 0.3, 0.28}, 0.3), tint([3]float64{0.07, 0.12, 0.04}, 0.3)
	if r.Float64() < 0.3 {
		b.lawn = tint([3]float64{0.3, 0.28, 0.26}, 0.3)
	}
	b.depth, b.frame = between(r, 20, 160), tint([3]float64{0.4, 0.4, 0.4}, 0.5)
	side := r.IntN(4)
	for i := range b.jambs {
		if side == i || side == 2 {
			b.jambs[i] = between(r, 90, 500)
		}
	}
	b.sky = [2][3]float64{tint([3]float64{0.75, 0.82, 0.9}, 0.15), tint([3]float64{0.45, 0.6, 0.9}, 0.25)}
	return b
}

func between(r *rand.Rand, from, to float64) float64 { return from + (to-from)*r.Float64() }

// look returns the light that comes from a direction, and which thing it comes
// from. angle is how wide a pixel is, in radians.
func (b *backdrop) look(d vec, angle float64) (c [3]float64, thing int) {
	at := math.Inf(1)
	wallAt := -1
	if d.z > 1e-6 {
		for i := range b.walls {
			w := &b.walls[i]
			t := w.z / d.z
			if x, y := d.x*t, b.height-d.y*t; y > 0 && y < b.top(w, x) && x > w.left && x < w.right {
				at, wallAt = t, i
				break
			}
		}
		if w := b.car; w != nil {
			t := w.z / d.z
			x, y := d.x*t, b.height-d.y*t
			if t < at && b.onCar(x-w.left, y) {
				return b.carColour(x-w.left, y), 10
			}
		}
	}
	if d.y > 1e-6 {
		if t := b.height / d.y; t < at {
			at, wallAt = t, -2
		}
	}
	for i, a := range b.jambs {
		side := float64(2*i-1) * a
		if a > 0 && d.x*side > 0 {
			if t := side / d.x; t < at && d.z*t < b.depth {
				return b.jamb(d.times(t), t*angle), 20 + i
			}
		}
	}
	switch {
	case wallAt >= 0:
		return b.wall(&b.walls[wallAt], d.times(at), at*angle), wallAt
	case wallAt == -2:
		return b.ground(d.times(at), at*angle/max(d.y, 0.02)), 30
	}
	k := ramp(-d.y, 0, 0.8)
	cloud := 1 + 0.12*fractal(d.x*3+b.shift, d.y*6, 1, 0.02)
	level := b.light.ambient + 0.6*b.light.direct
	for i := range c {
		c[i] = (b.sky[0][i]*(1-k) + b.sky[1][i]*k) * cloud * level * 1.1 * b.dark * b.light.white[i]
	}
	return c, 31
}

func (b *backdrop) top(w *wall, x float64) float64 {
	if w.kind == hedge {
		return w.height * (1 + 0.08*grainAt(x/300+b.shift, 7) + 0.04*grainAt(x/60, 9))
	}
	return w.height
}

// wall is the colour of a wall at a place, where a pixel is so many
// millimetres. Lines thinner than a pixel fade by their share of it.
func (b *backdrop) wall(w *wall, p vec, foot float64) [3]float64 {
	x, y := p.x+b.shift, b.height-p.y
	k := 1.0
	tint := 0.0
	switch w.kind {
	case brick:
		bw, bh := 225*w.cell, 75*w.cell
		row := math.Floor(y / bh)
		col := x/bw + 0.5*math.Mod(math.Abs(row), 2)
		mortar := max(stripe(y, bh, 10, foot), stripe(col*bw, bw, 10, foot))
		tint = 0.25 * grainAt(math.Floor(col)*1.7+3, row*1.3) * ramp(bh/foot, 1, 3)
		k = (1+0.12*fractal(x, y, 40, foot))*(1-mortar) + mortar*1.9
	case plaster:
		k = 1 + 0.1*fractal(x, y, 900, foot) + 0.06*fractal(x, y, 12, foot)
	case fence:
		slat := 110 * w.cell
		k = 1 + 0.25*grainAt(math.Floor(x/slat)*1.37, 3)*ramp(slat/foot, 1, 3) + 0.12*fractal(x*3, y*0.08, 60, foot)
		k *= 1 - 0.85*stripe(x, slat, 14, foot)
	case hedge:
		k = math.Exp(1.3 * fractal(x, y, 70, foot))
	}
	if w.windows > 0 {
		wx, wy := math.Mod(x, w.windows)/w.windows, math.Mod(y, 2700)/2700
		if wx > 0.28 && wx < 0.72 && wy > 0.35 && wy < 0.82 {
			if frameLine := wx < 0.31 || wx > 0.69 || wy < 0.37 || wy > 0.8 || math.Abs(wx-0.5) < 0.012; frameLine {
				return b.lit([3]float64{0.7, 0.7, 0.68}, b.light.open(vec{0, 0, -1}))
			}
			return b.lit([3]float64{0.08, 0.09, 0.1}, 0.5+b.light.open(vec{0, -1, 0})*0.6)
		}
	}
	e := b.light.open(vec{0, 0, -1})
	return b.lit([3]float64{w.colour[0] * (k + tint), w.colour[1] * (k + tint*0.6), w.colour[2] * (k + tint*0.4)}, e)
}

func (b *backdrop) lit(c [3]float64, e float64) [3]float64 {
	for i := range c {
		c[i] = max(c[i]*e*b.light.white[i], 0)
	}
	return c
}

// stripe is how far a place lies on a line of the given width that returns with
// a period, averaged over the pixel.
func stripe(x, period, width, foot float64) float64 {
	d := math.Abs(x/period-math.Round(x/period)) * period
	share := width / max(width, foot)
	if foot > period/2 {
		return width / period
	}
	return share * (1 - ramp(d, max(width, foot)/2-foot/2, max(width, foot)/2+foot/2))
}

func (b *backdrop) ground(p vec, foot float64) [3]float64 {
	e := b.light.open(vec{0, -1, 0})
	x, z := p.x-b.pathMid, p.z+b.shift
	if math.Abs(x) < b.path {
		joint := max(stripe(z, b.slab, 9, foot), stripe(x, b.slab, 9, foot))
		tone := 0.12 * grainAt(math.Floor(x/b.slab)*1.9, math.Floor(z/b.slab)*2.3)
		k := (1+tone+0.2*fractal(x, z, 25, foot))*(1-joint) + 0.45*joint
		return b.lit([3]float64{b.stone[0] * k, b.stone[1] * k, b.stone[2] * k}, e*b.shade(p))
	}
	k := math.Exp(0.9 * fractal(x, z, 45, foot))
	return b.lit([3]float64{b.lawn[0] * k, b.lawn[1] * k, b.lawn[2] * k}, e*b.shade(p))
}

// shade is less light near the house.
func (b *backdrop) shade(p vec) float64 {
	return b.light.porch + (1-b.light.porch)*ramp(p.z, 300, 2500)
}

func (b *backdrop) jamb(p vec, foot float64) [3]float64 {
	k := 1 + 0.15*fractal(p.y, p.z*4, 30, foot) - 0.5*stripe(p.z-b.depth*0.6, 1e4, 6, foot) - 0.35*ramp(b.depth-p.z, 8, 0)*0
	return b.lit([3]float64{b.frame[0] * k, b.frame[1] * k, b.frame[2] * k}, b.light.porch*b.light.ambient*0.7)
}

// onCar reports whether a place is on a car's side: a body, a cabin, wheels.
func (b *backdrop) onCar(x, y float64) bool {
	length, height := b.car.right-b.car.left, b.car.height
	if x < 0 || x > length || y < 0 || y > height {
		return false
	}
	if y > height*0.58 {
		slope := (y - height*0.58) * 1.2
		return x > length*0.2+slope && x < length*0.85-slope*0.6
	}
	return y > 180 || wheel(x, y, length)
}

func wheel(x, y, length float64) bool {
	return math.Hypot(x-length*0.2, y-310) < 310 || math.Hypot(x-length*0.8, y-310) < 310
}

func (b *backdrop) carColour(x, y float64) [3]float64 {
	length, height := b.car.right-b.car.left, b.car.height
	e := b.light.open(vec{0, -0.3, -0.95})
	switch {
	case wheel(x, y, length):
		return b.lit([3]float64{0.03, 0.03, 0.03}, e)
	case y > height*0.62 && y < height*0.95:
		if math.Abs(x-length*0.5) < 45 {
			return b.lit(b.car.colour, e)
		}
		return b.lit([3]float64{0.06, 0.07, 0.08}, e*(1+1.5*ramp(y, height*0.6, height)))
	}
	k := 0.7 + 0.5*y/height
	if math.Abs(x-length*0.52) < 8 {
		k *= 0.4
	}
	return b.lit([3]float64{b.car.colour[0] * k, b.car.colour[1] * k, b.car.colour[2] * k}, e)
}

// A film is the light that falls on the sensor, by pixel.
type film struct {
	pix []float32 // red, green, blue
}

// draw looks in all directions, more closely where the colour changes.
func (b *backdrop) draw(o *optics) *film {
	f := &film{make([]float32, 3*Width*Height)}
	things := make([]int8, Width*Height)
	angle := 1 / o.f
	for y := range Height {
		for x := range Width {
			c, thing := b.look(o.ray(float64(x)+0.5, float64(y)+0.5), angle)
			i := y*Width + x
			things[i] = int8(thing)
			f.pix[3*i], f.pix[3*i+1], f.pix[3*i+2] = float32(c[0]), float32(c[1]), float32(c[2])
		}
	}
	rough := make([]image.Point, 0, 1<<16)
	for y := 1; y < Height-1; y++ {
		for x := 1; x < Width-1; x++ {
			i := y*Width + x
			g := f.pix[3*i+1]
			if things[i] != things[i+1] || things[i] != things[i+Width] ||
				apart(g, f.pix[3*i+4]) || apart(g, f.pix[3*(i+Width)+1]) {
				rough = append(rough, image.Pt(x, y))
			}
		}
	}
	for _, at := range rough {
		var sum [3]float64
		for _, d := range [4][2]float64{{0.125, 0.375}, {0.625, 0.125}, {0.375, 0.875}, {0.875, 0.625}} {
			c, _ := b.look(o.ray(float64(at.X)+d[0], float64(at.Y)+d[1]), angle)
			sum[0], sum[1], sum[2] = sum[0]+c[0], sum[1]+c[1], sum[2]+c[2]
		}
		i := at.Y*Width + at.X
		f.pix[3*i], f.pix[3*i+1], f.pix[3*i+2] = float32(sum[0]/4), float32(sum[1]/4), float32(sum[2]/4)
	}
	return f
}

// apart reports whether two greens are so unlike that there may be an edge.
func apart(a, b float32) bool { return max(a, b) > 1.6*min(a, b)+0.01 }

func (f *film) clone() *film {
	return &film{append([]float32(nil), f.pix...)}
}

// lay puts a coat over the film.
func (f *film) lay(c *coat) {
	for y := range c.box.Dy() {
		for x := range c.box.Dx() {
			p := c.pix[4*(y*c.box.Dx()+x):][:4]
			if p[3] == 0 {
				continue
			}
			i := 3 * ((y+c.box.Min.Y)*Width + x + c.box.Min.X)
			f.pix[i] = f.pix[i]*(1-p[3]) + p[0]
			f.pix[i+1] = f.pix[i+1]*(1-p[3]) + p[1]
			f.pix[i+2] = f.pix[i+2]*(1-p[3]) + p[2]
		}
	}
}
