package bench

import (
	"math"
	"math/rand/v2"
)

// A picture is what an attack shows: a portrait on paper or on a screen.
// Places on it are in millimetres from the middle between the eyes.
type picture struct {
	texture                *texture
	left, top, right, foot float64 // the picture itself
	ink                    *ink    // nil for a screen
	panel                  *panel  // nil for a print
	border                 [4]float64
	curl                   float64 // 1/millimetres, about an upright axis
	curlDown               float64 // about a level one
	gloss                  float64
	shineU, shineV, shineR float64
	face                   float64 // width of the face, in millimetres
}

// ink is how a print's colours are.
type ink struct {
	black, saturation float64
	paper             [3]float64
	lpi               float64
	rough             float64 // of the paper
}

// panel is a screen.
type panel struct {
	ppi, fill   float64
	white       [3]float64 // what it shines with, against white in the open
	black       float64    // what it gives off when black, as a share of white
	mirror      float64    // of the light around that it gives back
	bands       float64    // strength, 0 to 0.15
	period      float64    // of the bands, in rows of the still
	drift       float64    // of their phase from frame to frame
	bezel       [3]float64
	surrounding [3]float64 // of the picture on the screen
}

// source is the photograph that an attacker has: the portrait as it is or on
// another background, as sharp as it is. zoom is how much of it is cut away
// around the face, 1 for nothing. It returns linear light by pixel, with a
// size, and where the eyes' middle is.
func (p *portrait) source(r *rand.Rand, holiday bool, wider, zoom float64, sharp float64) (pix []float32, w, h int, mx, my float64) {
	side := float64(p.w)
	if holiday {
		side *= wider
	}
	m := p.middle()
	cx, cy := m.X, m.Y+0.5*p.span()
	w = int(side / zoom)
	h = int(side / zoom * between(r, 0.95, 1.3))
	x0, y0 := int(cx)-w/2, int(cy)-h*45/100
	if !holiday { // nothing beyond the portrait
		w, h = min(w, p.w), min(h, p.h)
		x0, y0 = min(max(x0, 0), p.w-w), min(max(y0, 0), p.h-h)
	} else { // the portrait's cut is not to be seen
		h = min(h, p.h-y0)
	}
	sky := [3]float64{between(r, 0.3, 0.9), between(r, 0.4, 0.9), between(r, 0.4, 1)}
	land := [3]float64{between(r, 0.05, 0.5), between(r, 0.08, 0.5), between(r, 0.03, 0.4)}
	horizon, seed := between(r, 0.2, 0.8), 500*r.Float64()
	shirt := [3]float32{1, 1, 1}
	if r.Float64() < 0.6 {
		for i := range shirt {
			shirt[i] = float32(between(r, 0.05, 1))
		}
	}
	pix = make([]float32, 3*w*h)
	for y := range h {
		for x := range w {
			o := 3 * (y*w + x)
			px, py := x+x0, y+y0
			in := px >= 0 && px < p.w && py >= 0 && py < p.h
			if !holiday {
				copy(pix[o:o+3], p.linear[3*(py*p.w+px):])
				continue
			}
			k := smoothstep(float64(y)/float64(h)+0.1*grainAt(float64(x)/160+seed, 2), horizon-0.08, horizon+0.08)
			blob := math.Exp(0.8 * grainAt(float64(x)/90+seed, float64(y)/90) * (0.3 + k))
			var a float32
			i := 0
			if in {
				i = py*p.w + px
				a = p.alpha[i]
			}
			for c := range 3 {
				v := float32((sky[c]*(1-k) + land[c]*k) * blob * 0.8)
				if a > 0 {
					s := p.clean[3*i+c] * (1 - p.cloth[i] + p.cloth[i]*shirt[c])
					v = v*(1-a) + s*a
				}
				pix[o+c] = min(v, 1)
			}
		}
	}
	if sharp > 0.2 {
		convolve(pix, w, h, 3, gaussian(sharp))
	}
	return pix, w, h, m.X - float64(x0), m.Y - float64(y0)
}

// print makes a print of a portrait.
func printed(r *rand.Rand, p *portrait, g Ranges) *picture {
	holiday := r.Float64() < 0.5
	pix, w, h, mx, my := p.source(r, holiday, between(r, 1, 1.9), between(r, 1, 1.5), g.SourceBlur.draw(r))
	k := &ink{black: g.PrintBlack.draw(r), saturation: g.Saturation.draw(r), lpi: g.LPI.draw(r), rough: between(r, 0.01, 0.05)}
	for i, base := range [3]float64{0.86, 0.86, 0.86} {
		k.paper[i] = base * (1 + 0.03*r.NormFloat64())
	}
	k.paper[2] *= between(r, 0.86, 1.03)
	a := &picture{ink: k}
	a.lay(pix, w, h, mx, my, g.PrintWidth.draw(r), p)
	if r.Float64() < 0.5 {
		m := between(r, 3, 12)
		a.border = [4]float64{m, m, m, m}
		if r.Float64() < 0.3 {
			a.border[3] *= between(r, 1, 5)
		}
	}
	a.curl, a.curlDown = between(r, -1, 1)/900, 0
	if r.Float64() < 0.4 {
		a.curl, a.curlDown = 0, between(r, -1, 1)/1100
	}
	if r.Float64() < 0.25 {
		a.curl *= 3
	}
	if r.Float64() < 0.5 {
		a.gloss = between(r, 0.05, 0.35)
	}
	a.shine(r)
	return a
}

// shown puts a portrait on a screen.
func shown(r *rand.Rand, p *portrait, g Ranges, l *light) *picture {
	s := &panel{fill: between(r, 0.45, 0.85), black: between(r, 0.0007, 0.004), mirror: between(r, 0.008, 0.05)}
	// How wide the part that shines is, in millimetres, and how high against that.
	var width, high, bezel float64
	switch r.IntN(3) {
	case 0:
		width, high, bezel = between(r, 62, 75)-4, between(r, 1.8, 2.2), between(r, 1.5, 4)
		s.ppi = g.PhonePPI.draw(r)
	case 1:
		width, high, bezel = between(r, 120, 200)-16, between(r, 1.3, 1.6), between(r, 6, 18)
		s.ppi = g.TabletPPI.draw(r)
	default:
		width, high, bezel = between(r, 290, 345), between(r, 0.56, 0.67), between(r, 5, 16)
		s.ppi = g.LaptopPPI.draw(r)
	}
	bright := math.Exp(between(r, math.Log(0.25), math.Log(1.6)))
	s.white = planck(g.Backlight.draw(r))
	for i := range s.white {
		s.white[i] *= bright * l.balance[i] * (0.35 + 0.65*(l.ambient+l.direct))
	}
	if r.Float64() < 0.6 {
		s.bands, s.period, s.drift = g.Bands.draw(r), between(r, 90, 700), r.Float64()
	}
	tone := 0.02
	if r.Float64() < 0.35 {
		tone = between(r, 0.3, 0.8)
	}
	s.bezel = [3]float64{tone, tone, tone * 1.02}
	around := 0.0
	if r.Float64() < 0.35 {
		around = between(r, 0.5, 1)
	}
	s.surrounding = [3]float64{around, around, around}

	zoom := between(r, 1, 1.9)
	pix, w, h, mx, my := p.source(r, r.Float64() < 0.5, between(r, 1, 1.7), zoom, g.SourceBlur.draw(r)*0.8)
	a := &picture{panel: s}
	fits := min(width/float64(w), width*high/float64(h))
	a.lay(pix, w, h, mx, my, fits*float64(w), p)
	sideways, up := (width-fits*float64(w))/2, (width*high-fits*float64(h))/2
	a.border = [4]float64{sideways + bezel, up + bezel, sideways + bezel, up + bezel}
	if high > 1 { // a chin and a forehead
		a.border[1] += bezel
		a.border[3] += bezel
	}
	a.gloss = between(r, 0.03, 0.3)
	a.shine(r)
	return a
}

func (a *picture) shine(r *rand.Rand) {
	a.shineU, a.shineV = between(r, a.left, a.right), between(r, a.top, a.foot)
	a.shineR = (a.right - a.left) * between(r, 0.12, 0.5)
}

// lay makes the texture of a picture that is width millimetres wide.
func (a *picture) lay(pix []float32, w, h int, mx, my, width float64, p *portrait) {
	all := make([]float32, w*h*channels)
	for i := range w * h {
		copy(all[i*channels:], pix[3*i:3*i+3])
		all[i*channels+3] = 1
	}
	a.texture = newTexture(w, h, all)
	k := width / float64(w)
	a.texture.perMM = 1 / k
	a.texture.u0, a.texture.v0 = -mx*k, -my*k
	a.left, a.top = -mx*k, -my*k
	a.right, a.foot = a.left+width, a.top+float64(h)*k
	a.face = float64(p.box.Dx()) * k
}

// outline is the sheet with its border.
func (a *picture) outline() (u0, v0, u1, v1 float64) {
	return a.left - a.border[0], a.top - a.border[1], a.right + a.border[2], a.foot + a.border[3]
}

// A grip is how a picture is held on one frame.
type grip struct {
	at   vec // of the eyes' middle
	axes frame
	bend float64 // more curl, 1/millimetres
}

// place is where a place of the picture is; z is how far in front of it.
func (a *picture) place(g grip, u, v, z float64) vec {
	u0, v0, u1, v1 := a.outline()
	mu, mv := (u0+u1)/2, (v0+v1)/2
	q := vec{u, v, 0}
	if k := a.curl + g.bend; math.Abs(k) > 1e-7 {
		sin, cos := math.Sincos(k * (u - mu))
		q.x, q.z = mu+sin/k, (1-cos)/k
		z0 := (1 - math.Cos(k*mu)) / k
		q.z -= z0
	}
	if k := a.curlDown; math.Abs(k) > 1e-7 {
		sin, cos := math.Sincos(k * (v - mv))
		q.y = mv + sin/k
		q.z += (1-cos)/k - (1-math.Cos(k*mv))/k
	}
	q.z -= z
	return g.at.add(g.axes.of(q))
}

// held makes the picture's surface.
func (a *picture) held(g grip, l *light) *sheet {
	u0, v0, u1, v1 := a.outline()
	s := newSheet(u0, v0, u1, v1, 64, 64, func(u, v float64) vec { return a.place(g, u, v, 0) })
	s.light(l.on)
	return s
}

// shade is the colour of a dab of the picture; frame counts from 0.
func (a *picture) shade(s *seen, l *light, frame int) func(*dab, int) pigment {
	n := a.texture.levelFor(s.foot())
	foot := s.foot()
	var white [3]float32
	for i := range white {
		white[i] = float32(l.white[i])
	}
	gloss := func(d *dab) float32 {
		if a.gloss == 0 {
			return 0
		}
		q := (sq(float64(d.u)-a.shineU)*0.6 + sq(float64(d.v)-a.shineV)) / (a.shineR * a.shineR)
		return float32(a.gloss * math.Exp(-q*q) * min(l.porch*(l.ambient+l.direct), 1))
	}
	inside := func(d *dab) bool {
		return float64(d.u) > a.left && float64(d.u) < a.right && float64(d.v) > a.top && float64(d.v) < a.foot
	}
	if a.ink != nil {
		k := a.ink
		black, sat := float32(k.black), float32(k.saturation)
		return func(d *dab, _ int) pigment {
			c := [3]float32{1, 1, 1}
			if inside(d) {
				t := a.texture.at(n, d.u, d.v)
				grey := 0.2126*t[0] + 0.7152*t[1] + 0.0722*t[2]
				for i := range c {
					c[i] = black + (1-black)*max(grey+sat*(t[i]-grey), 0)
				}
			}
			g := gloss(d)
			fibre := 1 + float32(k.rough*fractal(float64(d.u), float64(d.v), 3, foot))
			e := d.lit * fibre
			return pigment{
				(c[0]*float32(k.paper[0])*e + g) * white[0],
				(c[1]*float32(k.paper[1])*e + g) * white[1],
				(c[2]*float32(k.paper[2])*e + g) * white[2], 1,
			}
		}
	}
	p := a.panel
	u0, v0, u1, v1 := a.outline()
	bezelU, bezelV := a.bezel()
	return func(d *dab, y int) pigment {
		u, v := float64(d.u), float64(d.v)
		g := gloss(d)
		if u < u0+bezelU || u > u1-bezelU || v < v0+bezelV || v > v1-bezelV {
			return pigment{
				(float32(p.bezel[0])*d.lit + g*0.3) * white[0], (float32(p.bezel[1])*d.lit + g*0.3) * white[1],
				(float32(p.bezel[2])*d.lit + g*0.3) * white[2], 1}
		}
		c := [3]float32{float32(p.surrounding[0]), float32(p.surrounding[1]), float32(p.surrounding[2])}
		if inside(d) {
			t := a.texture.at(n, d.u, d.v)
			c = [3]float32{t[0], t[1], t[2]}
		}
		band := float32(1)
		if p.bands > 0 {
			phase := float64(y)/p.period + p.drift*float64(frame)
			band += float32(p.bands * math.Cos(2*math.Pi*phase))
		}
		back := float32(p.mirror)*d.lit + g
		var out [3]float32
		for i := range out {
			out[i] = (float32(p.black)+c[i])*float32(p.white[i])*band + back*white[i]
		}
		return pigment{out[0], out[1], out[2], 1}
	}
}

// bezel is how wide the frame around the part that shines is.
func (a *picture) bezel() (u, v float64) {
	small := min(a.border[0], a.border[1])
	return small, max(a.border[1]-max(a.border[1]-a.border[0], 0)*0, small)
}
