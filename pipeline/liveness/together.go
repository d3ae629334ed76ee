package liveness

import (
	"fmt"
	"math"
	"slices"

	"lintel/store"
)

// The bell does not move, so what is behind a person's head stays where it is
// while the head moves. What is around a face on a picture moves with it: the
// wall it was photographed before, the edge of the paper, the frame of a
// screen, the hand that holds it.
//
// The still is cut into blocks around the head, and each is asked whether it
// stayed or went with the face: which of the two leaves less of a difference
// between the frames (a likelihood ratio, for noise that is normal). A block
// speaks only if the difference between the two would rise above the noise, so
// an even wall is silent. Below the chin nothing is asked, because shoulders go
// with a person's head. A picture ends somewhere and what is further out stays,
// while with a person what is next to the head stays already; so the share of
// blocks that went along counts within the distance at which it is largest. And
// a picture is on all sides of its face, while a raised arm or hair is on one;
// so the share is that of left, above and right together, without the one of
// them with the largest.
//
// Assumptions: the bell is fixed (on one that shakes, everything moves together,
// as it does on a screen that fills the still); light may change, which each
// block's mean is freed of.

const (
	// headTimes is how many times as large as the face's box the ellipse is
	// that holds a head with hair, or a hat: common practice, no source.
	headTimes = 1.75
	// aroundTimes is how far from the face it is looked, in the same measure.
	aroundTimes = 3.4
	// doubters are blocks that stayed, added to those asked on each side and
	// pair of frames, so that a few can't make a large share; and how many of
	// them have to speak for a side to count.
	doubters = 1
	// leastMove is the least movement in pixels of a glance that can tell.
	leastMove = 0.06
)

// reaches are the distances within which shares are counted, as aroundTimes.
var reaches = [...]float64{2.2, 2.8, aroundTimes}

func measureTogether(t *track) store.Finding {
	if t.why != "" {
		return missing(t.why)
	}
	a := t.around()
	switch {
	case a.moved == 0:
		return missing(Still)
	case a.asked < fewestBlocks:
		return missing(Plain)
	}
	return store.Finding{Score: ramp(a.share, 0.25, 0.6), Values: []float64{a.share, a.moved * glanceScale, float64(a.asked)}}
}

// fewestBlocks have to speak, over all pairs of frames.
const fewestBlocks = 3

// The surroundings are what is around a face.
type surroundings struct {
	share float64 // of what spoke, how much went with the face
	moved float64 // how far the face moved at most, in pixels of a glance; 0 for too little
	asked int     // blocks that spoke
}

// around looks at what is around the face on all pairs of frames.
func (t *track) around() surroundings {
	var a surroundings
	var near [len(reaches)][flanks]ballot
	pairs := 0.0
	for i := range t.moves {
		m := &t.moves[i]
		if m.far < leastMove {
			continue
		}
		a.moved, pairs = max(a.moved, m.far), pairs+1
		votes := m.ask()
		a.asked += len(votes)
		for k, times := range reaches {
			within := discOf(m.face, times)
			for _, v := range votes {
				if within.holds(float64(v.x), float64(v.y)) {
					near[k][within.side(v.x, v.y)].add(v)
				}
			}
		}
	}
	if a.asked == 0 {
		return a
	}
	for _, n := range near {
		var shares []float64
		for _, b := range n {
			if all := b.with + b.stayed + b.neither; all >= doubters*pairs {
				shares = append(shares, b.with/(all+doubters*pairs))
			}
		}
		slices.Sort(shares)
		switch len(shares) {
		case 0: // too few to say anything
		case 1:
			a.share = max(a.share, shares[0]/2)
		default:
			a.share = max(a.share, (shares[0]+shares[1])/2)
		}
	}
	return a
}

// flanks are left of a face, above it and right of it.
const flanks = 3

// side is on which of them a place is.
func (d disc) side(x, y int) int {
	u, v := (float64(x)-d.x)/d.rx, (float64(y)-d.y)/d.ry
	switch {
	case v < -math.Abs(u):
		return 1
	case u < 0:
		return 0
	}
	return 2
}

// A vote is what a block says: 1 that it went with the face, -1 that it stayed,
// 0 that it did neither or may have done both.
type vote struct {
	block
	says    float64
	neither bool
}

// A ballot is the weight of the blocks that went with the face, of those that
// stayed, and of those that did neither.
type ballot struct {
	with, stayed, neither float64
}

func (b *ballot) add(v vote) {
	b.with += max(v.says, 0)
	b.stayed += max(-v.says, 0)
	if v.neither {
		b.neither += 0.5 // beside an edge, what was hidden comes out, whatever it is an edge of
	}
}

// ask asks the blocks around a face, once.
func (m *move) ask() []vote {
	if m.votes == nil {
		m.votes = m.poll()
	}
	return m.votes
}

func (m *move) poll() []vote {
	votes := []vote{}
	r := m.reach()
	head, headTo := discOf(m.face, headTimes), discOf(m.faceTo, headTimes)
	around := discOf(m.face, aroundTimes)
	chin := float64(m.face.Max.Y)
	apart := max(2*r, m.face.Dx()/6) // some hundred blocks, however large the face
	for y := r + 1; y < m.from.h-r-1; y += apart {
		for x := r + 1; x < m.from.w-r-1; x += apart {
			fx, fy := float64(x), float64(y)
			if fy > chin || !around.holds(fx, fy) || head.holds(fx, fy) || headTo.holds(fx, fy) {
				continue
			}
			u, v := m.shift.to(fx, fy)
			if u < float64(r) || v < float64(r) || u > float64(m.to.w-r-1) || v > float64(m.to.h-r-1) {
				continue
			}
			b := blockAt(m.from, x, y, r)
			if b.shows(u-fx, v-fy, m.noise) < 4*m.noise {
				continue
			}
			// Either may be a little off: the extrapolation, and a tree in the wind.
			slack := min(0.25*math.Hypot(u-fx, v-fy), 1.5)
			_, _, with := b.trace(m.from, m.to, m.shift, slack)
			_, _, stayed := b.trace(m.from, m.to, unmoved, slack)
			floor := 2 * m.noise
			if most := floor + 0.5*(b.xx+b.yy)/b.size(); with > most && stayed > most {
				votes = append(votes, vote{block: b, neither: true})
				continue
			}
			p := (stayed + floor) / (stayed + with + 2*floor) // 1 with, 0 stayed
			votes = append(votes, vote{block: b, says: ramp(p, 0.5, 0.75) - ramp(p, 0.5, 0.25)})
		}
	}
	return votes
}

var togetherWords = words{
	name: "What is around the face moves with it",
	says: func(f store.Finding) string {
		return fmt.Sprintf("Of what can be seen around the head, %.0f %% moved together with the face, by up to %.0f pixels. Behind a person it would have stayed where it was.",
			100*value(f, 0), math.Ceil(value(f, 1)))
	},
}

// value is one of a finding's, 0 if there are fewer.
func value(f store.Finding, i int) float64 {
	if i >= len(f.Values) {
		return 0
	}
	return f.Values[i]
}
