package bench

import (
	"math"
	"math/rand/v2"

	"lintel/store"
)

// person makes the stills of a person.
func (s *scene) person(r *rand.Rand, ring *Ring, p *portrait, frames int) error {
	who := dressed(r, p)
	ring.Span = who.ipd
	at := pose{eyes: s.eyes, turn: between(r, -18, 18)}
	// Who rings looks at the bell, more or less.
	toward := math.Atan2(s.eyes.x, s.eyes.z) * 180 / math.Pi
	at.turn += toward
	at.yaw = between(r, -12, 12) - at.turn + toward
	at.pitch, at.roll = between(r, -6, 12), between(r, -5, 5)
	extra := newHeld(r, who)
	s.back.blurBy(s.defocus(6000))
	yaw, pitch, roll, turn := at.yaw, at.pitch, at.roll, at.turn
	lively := between(r, 0.3, 1.6)
	step := vec{}
	for range frames {
		f := s.back.clone()
		body := s.optics.see(who.stand(at, &s.light))
		moveX, moveY := motion(r, 2.2*lively)
		d := at.eyes.length()
		s.lay(f, body.paint(who.shade(body, &s.light, at)), d, moveX, moveY)
		extra.lay(s, f, at, moveX, moveY)
		x, y, _ := s.optics.project(at.eyes)
		ring.Eyes = append(ring.Eyes, store.Point{X: x, Y: y})
		if err := s.shoot(r, ring, f); err != nil {
			return err
		}
		// 150 to 400 ms later.
		t := between(r, 0.15, 0.4) / 0.25
		step = step.times(0.5).add(vec{6 * r.NormFloat64(), 3 * r.NormFloat64(), 6 * r.NormFloat64()}.times(lively * t))
		at.eyes = at.eyes.add(step)
		at.yaw = yaw + 4*lively*r.NormFloat64()
		at.pitch = pitch + 2.5*lively*r.NormFloat64()
		at.roll = roll + 1.5*lively*r.NormFloat64()
		at.turn = turn + 2*lively*r.NormFloat64()
		at.breath = between(r, 0, 5)
		at.smile = max(-1, min(1, at.smile+0.4*lively*r.NormFloat64()))
		at.closed = 0
		if r.Float64() < 0.12 { // lids are down for 0.1 to 0.4 s, some 15 times a minute
			at.closed = between(r, 0.5, 1)
		}
	}
	return nil
}

// motion is the path that something moves while the shutter is open, in pixels.
func motion(r *rand.Rand, strength float64) (x, y float64) {
	m := min(math.Abs(strength*r.NormFloat64()), 5)
	if r.Float64() < 0.4 {
		m = 0
	}
	sin, cos := math.Sincos(2 * math.Pi * r.Float64())
	return m * cos, m * sin
}

// blurBy blurs what is far away.
func (f *film) blurBy(sigma float64) {
	if sigma > 0.25 {
		convolve(f.pix, Width, Height, 3, gaussian(sigma))
	}
}

// held is what a person holds, or a hand near the face: things with edges that
// are no picture.
type held struct {
	kind          int
	u, v, w, h    float64 // of a parcel
	tone          [3]float64
	tape          float64
	yaw, pitch    float64
	roll, forward float64
	hand          hand
}

const (
	nothing = iota
	parcel
	umbrella
	palm
)

func newHeld(r *rand.Rand, p *person) *held {
	e := &held{}
	switch x := r.Float64(); {
	case x < 0.2:
		e.kind = parcel
		e.w, e.h = between(r, 160, 420), between(r, 120, 350)
		e.u, e.v = between(r, -90, 90), between(r, 115, 330)
		e.tone = [3]float64{between(r, 0.35, 0.5), between(r, 0.24, 0.36), between(r, 0.12, 0.22)}
		if r.Float64() < 0.35 {
			e.tone = [3]float64{between(r, 0.6, 0.85), between(r, 0.6, 0.85), between(r, 0.6, 0.85)}
		}
		e.tape = between(r, 30, 55)
		e.yaw, e.pitch, e.roll = between(r, -25, 25), between(r, -25, 10), between(r, -9, 9)
		e.forward = between(r, 90, 180)
	case x < 0.28:
		e.kind = umbrella
		e.v = between(r, -260, -150)
		e.tone = [3]float64{between(r, 0.02, 0.3), between(r, 0.02, 0.2), between(r, 0.02, 0.3)}
		e.roll = between(r, -16, 16)
		e.forward = between(r, 60, 200)
	case x < 0.4:
		e.kind = palm
		e.forward = between(r, 115, 150)
	default:
		return e
	}
	e.hand = hand{skin: skinOf(p.portrait), sleeve: [3]float64{float64(p.cloth[0]), float64(p.cloth[1]), float64(p.cloth[2])}}
	switch e.kind {
	case parcel:
		left := gripping(e.u-e.w/2, e.v+e.h*0.6, -1, 0, e.u-e.w/2-100, e.v+e.h+500)
		right := gripping(e.u+e.w/2, e.v+e.h*0.55, 1, 0, e.u+e.w/2+100, e.v+e.h+500)
		e.hand.limbs = append(left, right...)
	case palm:
		side := float64(1 - 2*r.IntN(2))
		e.hand.limbs = gripping(side*between(r, 62, 90), between(r, 40, 95), side, 0.35, side*170, 620)
	}
	return e
}

// skinOf is the colour of the forehead and the cheeks.
func skinOf(p *portrait) (c [3]float64) {
	m, s := p.middle(), p.span()
	n := 0.0
	for dy := -0.7; dy < 0.7; dy += 0.1 {
		for dx := -0.5; dx <= 0.5; dx += 0.1 {
			x, y := int(m.X+dx*s), int(m.Y+dy*s)
			if math.Abs(dy) < 0.35 || x < 0 || x >= p.w || y < 0 || y >= p.h {
				continue
			}
			for i := range c {
				c[i] += float64(p.linear[3*(y*p.w+x)+i])
			}
			n++
		}
	}
	for i := range c {
		c[i] /= max(n, 1)
	}
	return c
}

func (e *held) lay(s *scene, f *film, at pose, moveX, moveY float64) {
	if e.kind == nothing {
		return
	}
	l := &s.light
	base := facing(vec{at.eyes.x, 0, at.eyes.z})
	flat := func(axes frame, middle, forward float64) func(u, v float64) vec {
		return func(u, v float64) vec {
			return at.eyes.add(base.of(vec{0, middle, -forward})).add(axes.of(vec{u, v - middle, 0}))
		}
	}
	d := at.eyes.length() - e.forward
	tone := func(c [3]float64, k float64) pigment {
		return pigment{float32(c[0] * k * l.white[0]), float32(c[1] * k * l.white[1]), float32(c[2] * k * l.white[2]), 1}
	}
	axes := base.turned(e.yaw, e.pitch, e.roll)
	switch e.kind {
	case parcel:
		sheet := newSheet(e.u-e.w/2, e.v, e.u+e.w/2, e.v+e.h, 24, 24, flat(axes, e.v+e.h/2, e.forward))
		sheet.light(l.on)
		seen := s.optics.see(sheet)
		foot := seen.foot()
		s.lay(f, seen.paint(func(d *dab, _ int) pigment {
			k := float64(d.lit) * (1 + 0.08*fractal(float64(d.u), float64(d.v), 18, foot))
			c := e.tone
			if math.Abs(float64(d.u)-e.u) < e.tape/2 {
				c = [3]float64{c[0]*0.8 + 0.1, c[1]*0.8 + 0.08, c[2]*0.8 + 0.04}
			}
			return tone(c, k)
		}), d, moveX, moveY)
	case umbrella:
		sheet := newSheet(-520, e.v-500, 520, e.v, 40, 20, func(u, v float64) vec {
			q := vec{u, v - e.v, -e.forward + 0.0006*u*u}
			return at.eyes.add(base.turned(0, 0, e.roll).of(q)).add(vec{0, e.v, 0})
		})
		sheet.light(func(n vec) float64 { return 0.5 * l.on(n) })
		seen := s.optics.see(sheet)
		s.lay(f, seen.paint(func(d *dab, _ int) pigment {
			k := float64(d.lit) * (1 - 0.5*stripe(float64(d.u), 260, 4, 1)) * (1 + 0.2*grainAt(math.Floor(float64(d.u)/260+0.5), 2))
			return tone(e.tone, k)
		}), d, moveX, moveY)
	}
	if len(e.hand.limbs) > 0 {
		s.hand(f, &e.hand, d, moveX, moveY, func(u, v float64) vec {
			return flat(axes, e.v+e.h/2, e.forward+12)(u, v)
		})
	}
}

// hand lays a hand on the film.
func (s *scene) hand(f *film, h *hand, distance, moveX, moveY float64, place func(u, v float64) vec) {
	u0, v0, u1, v1 := h.bounds()
	sheet := newSheet(u0, v0, u1, v1, 20, 20, place)
	flat := s.light.on(vec{0, -0.3, -0.95})
	for i := range sheet.corners {
		sheet.corners[i].lit = flat
	}
	seen := s.optics.see(sheet)
	s.lay(f, seen.paint(h.shade(&s.light, seen.foot())), distance, moveX, moveY)
}

// attack makes the stills of a picture that somebody holds before the bell.
func (s *scene) attack(r *rand.Rand, ring *Ring, g Ranges, p, other *portrait, frames int) error {
	var a *picture
	if ring.Species == Print {
		a = printed(r, p, g)
	} else {
		a = shown(r, p, g, &s.light)
	}
	ring.Span = p.span() / a.texture.perMM
	// The face is as wide on the still as the person's would be, as far as the
	// picture need not come nearer than a hand's breadth.
	d := max(s.eyes.length()*a.face/faceWidth, 115)
	at := s.eyes.unit().times(d)
	signed := func(g Range) float64 { return g.draw(r) * float64(1-2*r.IntN(2)) }
	base := facing(at)
	yaw, pitch, roll := signed(g.Yaw), signed(g.Pitch), signed(g.Roll)
	holder := dressed(r, other)
	holder.faceless, holder.glasses, holder.scarf = true, false, 0
	if holder.hat == bare {
		holder.hat = hood
	}
	behind := r.Float64() < 0.75
	hold := pose{eyes: at.add(vec{between(r, -220, 220), between(r, -260, 120), between(r, 260, 480)}), turn: between(r, -25, 25), yaw: between(r, -20, 20), pitch: between(r, 0, 25)}
	h := hand{skin: skinOf(other), sleeve: [3]float64{float64(holder.cloth[0]), float64(holder.cloth[1]), float64(holder.cloth[2])}}
	u0, v0, u1, v1 := a.outline()
	side := r.IntN(4)
	if side == 0 || side == 2 {
		v := between(r, v0*0.2+v1*0.8, v1-15)
		h.limbs = append(h.limbs, gripping(u0+3, v, -1, 0.2, u0-between(r, 60, 200), v1+between(r, 750, 1100))...)
	}
	if side == 1 || side == 2 {
		v := between(r, v0*0.2+v1*0.8, v1-15)
		h.limbs = append(h.limbs, gripping(u1-3, v, 1, 0.2, u1+between(r, 60, 200), v1+between(r, 750, 1100))...)
	}
	if side == 3 {
		u := between(r, u0+30, u1-30)
		h.limbs = append(h.limbs, gripping(u, v1-3, 0.1, 1, u+between(r, -80, 80), v1+900)...)
	}
	s.back.blurBy(s.defocus(6000))
	tremor, waved := between(r, 0.3, 1), 0.0
	if r.Float64() < 0.6 {
		waved = between(r, 0.3, 1.5)
	}
	bends := 0.0
	if ring.Species == Print && r.Float64() < 0.2 {
		bends = 1.0 / 700
	}
	ring.Copied = r.Float64() < 0.04
	now := grip{at: at, axes: base.turned(yaw, pitch, roll)}
	for i := range frames {
		if ring.Copied && i > 0 {
			ring.JPEGs = append(ring.JPEGs, ring.JPEGs[0])
			ring.Picture, ring.Eyes = append(ring.Picture, ring.Picture[0]), append(ring.Eyes, ring.Eyes[0])
			continue
		}
		f := s.back.clone()
		if behind {
			body := s.optics.see(holder.stand(hold, &s.light))
			s.lay(f, body.paint(holder.shade(body, &s.light, hold)), hold.eyes.length(), 0, 0)
		}
		moveX, moveY := motion(r, 0.8*tremor+2*waved)
		seen := s.optics.see(a.held(now, &s.light))
		c := seen.paint(a.shade(seen, &s.light, i))
		by := smear{s.defocus(d), moveX, moveY}
		var period float64
		var f2 texturer
		if a.panel != nil {
			period, f2 = subPixels(a.panel.ppi, a.panel.fill)
		} else {
			e := s.light.on(base[2].times(-1))
			period, f2 = dots(a.ink.lpi, [3]float64{e * s.light.white[0], e * s.light.white[1], e * s.light.white[2]})
		}
		fine := c.rippled(period, func(x, y float64) smear {
			soft := s.camera.softAt(x, y)
			return smear{math.Hypot(by.sigma, soft), by.moveX, by.moveY}
		}, f2)
		s.lay(f, c, d, moveX, moveY)
		s.hand(f, &h, d, moveX, moveY, func(u, v float64) vec { return a.place(now, u, v, 6) })
		s.truth(ring, a, now)
		if err := s.shoot(r, ring, f, fine); err != nil {
			return err
		}
		t := between(r, 0.15, 0.4) / 0.25
		now.at = now.at.add(vec{r.NormFloat64(), r.NormFloat64(), r.NormFloat64()}.times((1.2*tremor + 9*waved) * t * d / 400))
		turn := 0.25*tremor + 4*waved
		now.axes = base.turned(yaw+turn*r.NormFloat64(), pitch+turn*r.NormFloat64(), roll+0.6*turn*r.NormFloat64())
		now.bend = bends * r.NormFloat64()
		hold.eyes = hold.eyes.add(vec{3 * r.NormFloat64(), 2 * r.NormFloat64(), 3 * r.NormFloat64()})
	}
	return nil
}

// truth writes down where the picture is.
func (s *scene) truth(ring *Ring, a *picture, g grip) {
	u0, v0, u1, v1 := a.outline()
	var q [4]store.Point
	for i, c := range [4][2]float64{{u0, v0}, {u1, v0}, {u1, v1}, {u0, v1}} {
		q[i].X, q[i].Y, _ = s.optics.project(a.place(g, c[0], c[1], 0))
	}
	ring.Picture = append(ring.Picture, q)
	x, y, _ := s.optics.project(a.place(g, 0, 0, 0))
	ring.Eyes = append(ring.Eyes, store.Point{X: x, Y: y})
}
