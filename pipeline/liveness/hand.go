package liveness

// skin reports whether a pixel of a patch has the colour of skin, by the limits
// of Chai and Ngan (IEEE Transactions on Circuits and Systems for Video
// Technology 9(4), 1999): 77 ≤ Cb ≤ 127 and 133 ≤ Cr ≤ 173. Wood and bricks have
// it as well.
func (p *patch) skin(x, y float64) bool {
	i, j := int(x+0.5), int(y+0.5)
	if i < 0 || j < 0 || i >= p.w || j >= p.h {
		return false
	}
	cb, cr := p.cb[j*p.w+i], p.cr[j*p.w+i]
	return -51 <= cb && cb <= -1 && 5 <= cr && cr <= 45 && p.y[j*p.w+i] > 30
}

// handAt returns how plainly a hand is at the sides of a frame, 0 to 1: a
// stretch of a side of a hand's breadth, 0.25 to 2 eye spans, where there is
// skin on both sides of the line. Longer ones are walls.
func (h *head) handAt(f *frame) float64 {
	best := 0.0
	for s, l := range f.sides {
		if l == nil || s == upperSide {
			continue
		}
		from, to := f.corners[s], f.corners[(s+1)%sides]
		if _, down := h.upright((from[0]+to[0])/2, (from[1]+to[1])/2); s == lowerSide && down < neckEnds {
			continue
		}
		a, b := l.between(l.along(from[0], from[1]), l.along(to[0], to[1]))
		longest, run := 0, 0
		for i := a; i < b; i++ {
			if l.hands[i+1] > l.hands[i] {
				run++
				longest = max(longest, run)
			} else {
				run = 0
			}
		}
		if breadth := float64(longest) / h.span; breadth < 2 {
			best = max(best, ramp(breadth, 0.25, 0.6))
		}
	}
	return best
}
