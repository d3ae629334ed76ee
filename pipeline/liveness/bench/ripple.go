package bench

import (
	"image"
	"math"
)

// A ripple is the trace of something periodic and finer than the samples: the
// dots of a print, the pixels of a screen. It is added to the film after the
// lens' blur, which it has in it already, so that only what a real lens and
// sensor would let through is there, as stripes of its own or as moiré.
type ripple struct {
	box image.Rectangle
	pix []float32
}

func (p *ripple) add(pix []float32) {
	for y := range p.box.Dy() {
		o := 3 * ((y+p.box.Min.Y)*Width + p.box.Min.X)
		row := p.pix[3*y*p.box.Dx() : 3*(y+1)*p.box.Dx()]
		for i, v := range row {
			pix[o+i] += v
		}
	}
}

// A smear is how a still is blurred at a place: the deviation of the blur and
// the path of the motion, in pixels.
type smear struct {
	sigma        float64
	moveX, moveY float64
}

// passes is how much of a ripple of (fx, fy) cycles to a pixel is left on the
// still: by a square pixel that takes up all of its place, sinc·sinc (Boreman,
// Modulation Transfer Function in Optical and Electro-Optical Systems, 2001),
// by a gaussian blur, and by an even motion.
func (s smear) passes(fx, fy float64) float64 {
	return sinc(fx) * sinc(fy) * math.Exp(-2*math.Pi*math.Pi*s.sigma*s.sigma*(fx*fx+fy*fy)) * sinc(fx*s.moveX+fy*s.moveY)
}

func sinc(x float64) float64 {
	if math.Abs(x) < 1e-9 {
		return 1
	}
	return math.Sin(math.Pi*x) / (math.Pi * x)
}

// A slope is how a place on a surface changes from pixel to pixel.
type slope struct{ ux, uy, vx, vy float64 }

// A texturer gives what something periodic adds to the light of a place, whose
// mean is mean. It sets add to the share of white that is added.
type texturer func(u, v float64, s slope, by smear, mean [3]float64) (add [3]float64)

// rippled works out the ripple of a coat. worth is the finest period of the
// surface in millimetres: where it is far smaller than a pixel, nothing is
// left.
func (c *coat) rippled(period float64, at func(x, y float64) smear, f texturer) *ripple {
	w, h := c.box.Dx(), c.box.Dy()
	p := &ripple{c.box, make([]float32, 3*w*h)}
	sw := c.seen.width()
	for y := range h {
		for x := range w {
			coat := c.pix[4*(y*w+x):][:4]
			alpha := float64(coat[3])
			i := (2*y)*sw + 2*x
			a, b, d, e := &c.seen.dabs[i], &c.seen.dabs[i+1], &c.seen.dabs[i+sw], &c.seen.dabs[i+sw+1]
			if alpha < 0.5 || a.depth == 0 || b.depth == 0 || d.depth == 0 || e.depth == 0 {
				continue
			}
			s := slope{
				ux: float64(b.u - a.u + e.u - d.u), uy: float64(d.u - a.u + e.u - b.u),
				vx: float64(b.v - a.v + e.v - d.v), vy: float64(d.v - a.v + e.v - b.v),
			}
			if math.Hypot(s.ux, s.vx) > 2.2*period && math.Hypot(s.uy, s.vy) > 2.2*period {
				continue
			}
			u := float64(a.u+b.u+d.u+e.u) / 4
			v := float64(a.v+b.v+d.v+e.v) / 4
			add := f(u, v, s, at(float64(c.box.Min.X+x), float64(c.box.Min.Y+y)),
				[3]float64{float64(coat[0]) / alpha, float64(coat[1]) / alpha, float64(coat[2]) / alpha})
			o := 3 * (y*w + x)
			p.pix[o], p.pix[o+1], p.pix[o+2] = float32(alpha*add[0]), float32(alpha*add[1]), float32(alpha*add[2])
		}
	}
	return p
}

// wave is what is left of a cosine of (fu, fv) cycles to a millimetre.
func wave(u, v, fu, fv, phase float64, s slope, by smear) float64 {
	k := by.passes(fu*s.ux+fv*s.vx, fu*s.uy+fv*s.vy)
	if math.Abs(k) < 1e-4 {
		return 0
	}
	return k * math.Cos(2*math.Pi*(fu*u+fv*v+phase))
}

// subPixels are a screen's: each colour a stripe of a third of a pixel, of
// which only a part shines.
func subPixels(ppi, fill float64) (period float64, f texturer) {
	pitch := 25.4 / ppi
	width, height := fill/3, math.Sqrt(fill)
	k := 1 / pitch
	return pitch, func(u, v float64, s slope, by smear, mean [3]float64) (add [3]float64) {
		row := 2 * sinc(height) * wave(u, v, 0, k, 0, s, by)
		for c := range add {
			phase := -float64(c) / 3
			add[c] = mean[c] * (2*sinc(width)*wave(u, v, k, 0, phase, s, by) +
				2*sinc(2*width)*wave(u, v, 2*k, 0, 2*phase, s, by) + row)
		}
		return add
	}
}

// dots are a print's: a screen of round dots for each ink, turned by the usual
// angles (15, 75 and 0 degrees for cyan, magenta and yellow; common practice,
// no source). light is what paper without ink sends.
func dots(lpi float64, light [3]float64) (period float64, f texturer) {
	k := lpi / 25.4
	angles := [3]float64{radians(15), radians(75), 0}
	return 1 / k, func(u, v float64, s slope, by smear, mean [3]float64) (add [3]float64) {
		for c := range add {
			const ink = 0.9 // of the light that an ink takes away
			share := min(max((1-mean[c]/max(light[c], 1e-6))/ink, 0), 1)
			radius := math.Sqrt(min(share, 1-share) / math.Pi)
			// The first Fourier coefficient of a disc on a lattice, twice as a cosine.
			strength := 2 * radius * math.J1(2*math.Pi*radius)
			sin, cos := math.Sincos(angles[c])
			two := wave(u, v, k*cos, k*sin, 0, s, by) + wave(u, v, -k*sin, k*cos, 0, s, by)
			add[c] = -light[c] * ink * strength * two
		}
		return add
	}
}
