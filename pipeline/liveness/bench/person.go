package bench

import (
	"math"
	"math/rand/v2"
)

// More of the body than the portrait shows is painted around it: so many
// pixels at each side and below.
const (
	besides = 220
	beneath = 260
)

// body is the person cut out of the portrait, with the rest of the body.
// Places on it are in millimetres from the middle between the eyes.
func (p *portrait) body(ipd float64) *texture {
	w, h := p.w+2*besides, p.h+beneath
	pix := make([]float32, w*h*channels)
	for y := range p.h {
		for x := range p.w {
			i, o := y*p.w+x, (y*w+x+besides)*channels
			a := p.alpha[i]
			pix[o], pix[o+1], pix[o+2] = p.clean[3*i]*a, p.clean[3*i+1]*a, p.clean[3*i+2]*a
			pix[o+3], pix[o+4] = a, p.cloth[i]*a
		}
	}
	p.dress(pix, w, h)
	t := newTexture(w, h, pix)
	t.perMM = p.span() / ipd
	m := p.middle()
	t.u0, t.v0 = -(m.X+besides)/t.perMM, -m.Y/t.perMM
	return t
}

// dress goes on with shoulders, sleeves and chest where the portrait ends.
func (p *portrait) dress(pix []float32, w, h int) {
	// Where the shoulders begin, by column of the portrait's sides.
	topAt := func(x int) float64 { return p.top[x] }
	var tone [3]float32 // of the shirt
	n := float32(0)
	for y := p.h - 60; y < p.h; y++ {
		for x := range p.w {
			i := y*p.w + x
			if p.cloth[i] > 0.9 && p.alpha[i] > 0.9 {
				for c := range 3 {
					tone[c] += p.linear[3*i+c]
				}
				n++
			}
		}
	}
	for c := range 3 {
		tone[c] = 0.9 * tone[c] / max(n, 1)
		if n == 0 {
			tone[c] = 0.75
		}
	}
	edge := 6
	left, right := topAt(edge), topAt(p.w-1-edge)
	slopeL := (topAt(edge) - topAt(edge+50)) / 50
	slopeR := (topAt(p.w-1-edge) - topAt(p.w-1-edge-50)) / 50
	paint := func(x, y int, r, g, b, a, cloth float32) {
		o := (y*w + x) * channels
		have := pix[o+3]
		k := (1 - have) * a
		pix[o] += r * k
		pix[o+1] += g * k
		pix[o+2] += b * k
		pix[o+3] += k
		pix[o+4] += cloth * k
	}
	fold := func(x, y int) float32 {
		return float32(1 + 0.12*fractal(float64(x), float64(y)*0.35, 90, 3))
	}
	// Between arms and chest it is darker.
	sleeve := func(x, y int) float32 {
		d := math.Abs(float64(x-besides)-p.middle().X) - 2.9*p.span() - 0.06*float64(y-p.h)
		return float32(1 - 0.55*ramp(float64(y), float64(p.h)-20, float64(p.h)+120)*math.Exp(-d*d/(2*7*7)))
	}
	sideways := func(x, at int, top, slope float64, away int) {
		d := float64(away)
		slope = min(max(slope, 0.25), 1.2)
		edgeY := top + slope*d + d*d/260
		for y := range h {
			a := float32(ramp(float64(y), edgeY-1.2, edgeY+1.2))
			// The body ends somewhere.
			a *= float32(1 - ramp(d, 110+0.15*float64(y-p.h), 114+0.15*float64(y-p.h)))
			if a > 0 {
				away := float32(max(ramp(d, 0, 80), ramp(float64(y-p.h), 0, 160)))
				k := 1 + (fold(x, y)-1)*away
				k *= float32(1-0.35*ramp(d, 40, 130)) * sleeve(x, y)
				far := away
				e := 3 * (min(max(y, int(top)+8), p.h-1)*p.w + at)
				var c [3]float32
				for i := range c {
					c[i] = k * (tone[i]*far + p.linear[e+i]*(1-far))
				}
				paint(x, y, c[0], c[1], c[2], a, 1)
			}
		}
	}
	for x := range besides {
		sideways(besides-1-x, edge, left, slopeL, x)
		sideways(besides+p.w+x, p.w-1-edge, right, slopeR, x)
	}
	// Below, each column goes on with what its last rows show; skin tapers off
	// as a neckline does.
	for x := range p.w {
		var sum [channels]float32
		for y := p.h - 12; y < p.h-2; y++ {
			for _, by := range [5]int{-16, -8, 0, 8, 16} {
				o := (y*w + min(max(x+by, 0), p.w-1) + besides) * channels
				for c := range channels {
					sum[c] += pix[o+c] / 50
				}
			}
		}
		shoulder := topAt(min(max(x, 0), p.w-1))
		for y := p.h - 2; y < h; y++ {
			d := float64(y - p.h)
			mid := math.Abs(float64(x)-p.middle().X) / float64(p.w)
			// Outside the shoulders, the body goes on down from where it was.
			a := sum[3]
			if a < 0.95 {
				a = max(a, float32(ramp(d, (shoulder-float64(p.h)-40)+400*max(0, 0.0), 30)))
				if float64(x) < 60 || x > p.w-60 {
					a = max(sum[3], float32(ramp(d, 20, 60)))
				}
			}
			k := (1 + (fold(x, y)-1)*float32(ramp(d, 0, 60))) * sleeve(x+besides, y)
			r, g, b := tone[0]*k, tone[1]*k, tone[2]*k
			skinny := sum[4] < 0.6*sum[3] && mid < 1.1*p.span()/float64(p.w)
			if sum[3] > 0.5 && !skinny {
				near := k * float32(1-ramp(d, 0, 160)) / sum[3]
				far := 1 - float32(1-ramp(d, 0, 160))
				r, g, b = r*far+sum[0]*near, g*far+sum[1]*near, b*far+sum[2]*near
			}
			cloth := float32(1)
			if sum[3] > 0.5 && skinny {
				skin := float32(1 - ramp(d, 200*max(0.02, 0.26-mid)-8, 200*max(0.02, 0.26-mid)))
				r, g, b = r*(1-skin)+sum[0]/sum[3]*skin, g*(1-skin)+sum[1]/sum[3]*skin, b*(1-skin)+sum[2]/sum[3]*skin
				cloth = 1 - skin
			}
			o := (y*w + x + besides) * channels
			if y < p.h {
				continue
			}
			for c := range channels {
				pix[o+c] = 0
			}
			paint(x+besides, y, r, g, b, a, cloth)
		}
	}
}

// A pose is how a person stands on one frame.
type pose struct {
	eyes             vec     // the middle between them
	yaw, pitch, roll float64 // of the head, in degrees
	turn             float64 // of the body
	breath           float64 // millimetres that the chest comes forward
	closed           float64 // how far the lids are, 0 to 1
	smile            float64 // -1 to 1
}

// A person stands before the bell.
type person struct {
	portrait *portrait
	texture  *texture
	ipd      float64
	cloth    [3]float32
	pattern  float64 // period of a knit or stripes, in millimetres; 0 for plain
	hat      int     // none, hat or hood
	hatTone  [3]float32
	scarf    float64 // how far under the eyes it begins, in millimetres; 0 for none
	glasses  bool
	faceless bool // a mask of cloth with a hood: who holds a picture hides
}

const (
	bare = iota
	hat
	hood
)

// relief is how far a place of the body comes towards the lens, in millimetres:
// an ellipsoid for the head, a nose on it, a neck, shoulders and a chest. The
// measures are about those of the 50th percentile of adults, from memory.
func (p *person) relief(u, v, breath float64) float64 {
	const mid = 15 // the head's middle under the eyes
	q := (u*u)/(82*82) + (v-mid)*(v-mid)/(125*125)
	head := 92 * math.Sqrt(max(1-q, 0))
	noseV := (p.portrait.nose.Y - p.portrait.middle().Y) / p.texture.perMM
	head += 20 * math.Exp(-u*u/(2*9*9)-sq(v-noseV+8)/(2*13*13)) * ramp(q, 1, 0.8)
	// Eyes lie deep.
	for _, e := range [2]float64{-p.ipd / 2, p.ipd / 2} {
		head -= 7 * math.Exp(-(sq(u-e)+v*v)/(2*12*12))
	}
	body := 70*math.Sqrt(max(1-sq(u/250), 0)) - 40 + breath
	neck := 45*math.Sqrt(max(1-sq(u/75), 0)) - 20
	k := smoothstep(v, 95, 160) // from head to body
	l := smoothstep(v, 120, 210)
	return head*(1-k) + k*(neck*(1-l)+body*l)
}

func sq(v float64) float64 { return v * v }

func smoothstep(v, from, to float64) float64 {
	t := ramp(v, from, to)
	return t * t * (3 - 2*t)
}

// stand makes the person's surface.
func (p *person) stand(at pose, l *light) *sheet {
	body := facing(vec{0, 0, 1}).turned(at.turn, 0, 0)
	head := body.turned(at.yaw, at.pitch, at.roll)
	pivot := vec{0, 100, 70}
	place := func(u, v float64) vec {
		q := vec{u, v, -p.relief(u, v, at.breath)}
		k := smoothstep(v, 90, 190)
		turned := head.of(q.sub(pivot)).add(body.of(pivot))
		straight := body.of(q)
		return at.eyes.add(turned.times(1 - k)).add(straight.times(k))
	}
	t := p.texture
	u0, u1 := t.u0, t.u0+float64(t.levels[0].w)/t.perMM
	s := newSheet(u0, t.v0, u1, t.v0+1500, 90, 170, place)
	flat := l.on(vec{0, 0, -1})
	s.light(func(n vec) float64 { return 0.35*flat + 0.65*l.on(n) })
	return s
}

// shade is the colour of a dab of the person.
func (p *person) shade(s *seen, l *light, at pose) func(*dab, int) pigment {
	n := p.texture.levelFor(s.foot())
	foot := s.foot()
	white := [3]float32{float32(l.white[0]), float32(l.white[1]), float32(l.white[2])}
	m := p.portrait.middle()
	var eyes [2][2]float32
	for i, e := range p.portrait.eyes {
		eyes[i] = [2]float32{float32((e.X - m.X) / p.texture.perMM), float32((e.Y - m.Y) / p.texture.perMM)}
	}
	return func(d *dab, _ int) pigment {
		u, v := d.u, d.v
		if at.closed > 0 {
			for _, e := range eyes {
				du, dv := (u-e[0])/16, v-e[1]
				if du > -1 && du < 1 && dv > -8 && dv < 7 {
					open := 6 * (1 - du*du)
					lid := -open + 2*open*float32(at.closed)
					if dv < lid && dv > -open-1.5 {
						v = e[1] - open - 2 - 2*(lid-dv)/(2*open+1)
					}
				}
			}
		}
		if at.smile != 0 && v > 40 && v < 95 {
			corner := float32(math.Exp(-sq(math.Abs(float64(u))-26)/(2*12*12) - sq(float64(v)-68)/(2*13*13)))
			v += 5 * float32(at.smile) * corner
			if u > 0 {
				u -= 3 * float32(at.smile) * corner
			} else {
				u += 3 * float32(at.smile) * corner
			}
		}
		c := p.texture.at(n, u, v)
		if p.hat != bare || p.scarf > 0 || p.faceless || p.glasses {
			p.wear(&c, d, float32(foot))
		}
		if c[3] < 0.004 {
			return pigment{}
		}
		k := d.lit / c[3]
		cloth := c[4] / c[3]
		r, g, b := c[0], c[1], c[2]
		if cloth > 0 {
			weave := float32(1)
			if p.pattern > 0 {
				weave -= 0.6 * float32(stripe(float64(d.v)+0.2*float64(d.u), p.pattern, p.pattern*0.4, foot))
			}
			r *= 1 - cloth + cloth*p.cloth[0]*weave
			g *= 1 - cloth + cloth*p.cloth[1]*weave
			b *= 1 - cloth + cloth*p.cloth[2]*weave
		}
		return pigment{r * k * white[0], g * k * white[1], b * k * white[2], c[3]}
	}
}

// wear puts hat, hood, scarf, glasses over a dab.
func (p *person) wear(c *[channels]float32, d *dab, foot float32) {
	u, v := d.u, d.v
	cover := func(a float32, tone [3]float32) {
		if a <= 0 {
			return
		}
		k := 1 + 0.25*float32(fractal(float64(u), float64(v), 30, float64(foot)))
		for i := range 3 {
			c[i] = c[i]*(1-a) + tone[i]*k*a
		}
		c[3] = c[3]*(1-a) + a
		c[4] *= 1 - a
	}
	soft := max(foot*0.4, 0.6)
	inside := func(q float32) float32 { // q < 0 inside, in millimetres
		return min(max(0.5-q/soft, 0), 1)
	}
	norm := func(u, v, a, b float32) float32 { // distance to an ellipse, about
		return (float32(math.Sqrt(float64(u*u/(a*a)+v*v/(b*b)))) - 1) * min(a, b)
	}
	switch p.hat {
	case hat:
		dome := max(norm(u, v+38, 92, 100), v+42+0.0012*u*u)
		brim := max(norm(u, v+44, 104, 12), -(v + 56))
		cover(inside(min(dome, brim)), p.hatTone)
	case hood:
		outer := norm(u, v-15, 118, 165)
		if v > 60 {
			outer = min(outer, max(abs32(u)-118-(v-60)*0.5, v-210))
		}
		inner := norm(u, v-18, 76, 108)
		cover(inside(max(outer, -inner)), p.hatTone)
	}
	if p.faceless {
		cover(inside(norm(u, v-18, 80, 112)), [3]float32{p.hatTone[0] * 0.6, p.hatTone[1] * 0.6, p.hatTone[2] * 0.6})
	}
	if p.scarf > 0 {
		e := float32(p.scarf) + 0.0015*u*u
		cover(inside(max(e-v, abs32(u)-88-(v-e)*0.2, v-190)), p.hatTone)
	}
	if p.glasses {
		for _, e := range [2]float32{float32(-p.ipd) / 2, float32(p.ipd) / 2} {
			q := norm(u-e*1.04, v-4, 25, 18)
			rim := inside(abs32(q) - 1.2)
			cover(rim, [3]float32{0.02, 0.02, 0.02})
			if q < 0 { // a window's reflection
				g := inside(max(abs32(u-e*1.04-8-(v-4)*0.3)-5, abs32(v+2)-9)) * 0.35
				cover(g, [3]float32{0.9, 0.95, 1})
			}
		}
		cover(inside(max(abs32(u)-float32(p.ipd)/2+24, abs32(v-1)-1.3)), [3]float32{0.02, 0.02, 0.02})
	}
}

func abs32(v float32) float32 { return float32(math.Abs(float64(v))) }

// dressed draws clothes and what is worn.
func dressed(r *rand.Rand, p *portrait) *person {
	w := &person{portrait: p, ipd: 63 + 3.6*max(min(r.NormFloat64(), 2), -2)}
	base := math.Exp(between(r, math.Log(0.04), math.Log(0.9)))
	for i := range w.cloth {
		w.cloth[i] = float32(min(base*math.Exp(0.4*r.NormFloat64()), 1))
		w.hatTone[i] = float32(between(r, 0.015, 0.09))
	}
	if r.Float64() < 0.35 {
		w.pattern = between(r, 4, 45)
	}
	switch x := r.Float64(); {
	case x < 0.15:
		w.hat = hat
	case x < 0.28:
		w.hat = hood
	}
	if r.Float64() < 0.12 {
		w.scarf = between(r, 75, 105)
	}
	w.glasses = r.Float64() < 0.18
	w.texture = p.body(w.ipd)
	return w
}
