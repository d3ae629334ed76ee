package bench

import "math"

// A limb is a finger or an arm: from one end to the other, so thick.
type limb struct {
	u0, v0, u1, v1 float64
	r0, r1         float64 // radius at each end, in millimetres
	sleeve         bool
}

// A hand is limbs on a plane of their own, with their colours.
type hand struct {
	limbs  []limb
	skin   [3]float64
	sleeve [3]float64
}

// shade paints limbs as round things; foot is millimetres to a pixel.
func (h *hand) shade(l *light, foot float64) func(*dab, int) pigment {
	soft := max(foot*0.5, 0.5)
	return func(d *dab, _ int) pigment {
		u, v := float64(d.u), float64(d.v)
		best, across := math.Inf(1), 0.0
		sleeve := false
		for i := range h.limbs {
			b := &h.limbs[i]
			du, dv := b.u1-b.u0, b.v1-b.v0
			t := ramp((u-b.u0)*du+(v-b.v0)*dv, 0, du*du+dv*dv)
			r := b.r0 + (b.r1-b.r0)*t
			x, y := u-b.u0-t*du, v-b.v0-t*dv
			if q := x*x + y*y; q < (r+soft)*(r+soft) {
				if dist := math.Sqrt(q); dist-r < best {
					best, across, sleeve = dist-r, dist/r, b.sleeve
				}
			}
		}
		a := min(max(0.5-best/soft, 0), 1)
		if a == 0 {
			return pigment{}
		}
		tip := 1 - 0.12*math.Exp(-sq(best+0.7)/2) // the light's edge
		round := 0.55 + 0.45*math.Sqrt(max(1-across*across, 0))
		tone := h.skin
		if sleeve {
			tone = h.sleeve
			round *= 1 + 0.15*fractal(u, v*0.4, 40, foot)
		} else {
			round *= (1 + 0.08*fractal(u, v, 14, foot)) * tip
		}
		k := round * float64(d.lit)
		return pigment{float32(tone[0] * k * l.white[0]), float32(tone[1] * k * l.white[1]), float32(tone[2] * k * l.white[2]), float32(a)}
	}
}

// bounds is what the limbs take up.
func (h *hand) bounds() (u0, v0, u1, v1 float64) {
	u0, v0, u1, v1 = math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)
	for _, b := range h.limbs {
		r := max(b.r0, b.r1) + 2
		u0, v0 = min(u0, b.u0-r, b.u1-r), min(v0, b.v0-r, b.v1-r)
		u1, v1 = max(u1, b.u0+r, b.u1+r), max(v1, b.v0+r, b.v1+r)
	}
	return
}

// gripping is a hand whose thumb lies on an edge at (u, v), coming from the
// direction out (of length 1), with the forearm going on to (armU, armV).
func gripping(u, v, outU, outV, armU, armV float64) []limb {
	px, py := -outV, outU // along the edge
	if py < 0 {
		px, py = -px, -py
	}
	palmU, palmV := u+outU*32+px*12, v+outV*32+py*12
	limbs := []limb{
		{armU, armV, palmU + outU*12, palmV + outV*12, 44, 33, true},
		{palmU + outU*20 + px*8, palmV + outV*20 + py*8, palmU, palmV, 30, 36, false},
		{palmU - px*16, palmV - py*16, u - outU*16 - px*14, v - outV*16 - py*14, 13, 10, false},
	}
	// Fingers are behind; their knuckles show at the edge.
	for i := range 4 {
		k := float64(i)*17 - 8
		limbs = append(limbs, limb{palmU + px*k*0.6, palmV + py*k*0.6, u + outU*5 + px*k*1.1, v + outV*5 + py*k*1.1, 12, 9, false})
	}
	return limbs
}
