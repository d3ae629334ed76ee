package liveness

import (
	"math"

	"lintel/internal/house"
)

// Paper and screens end somewhere, and whoever holds them shows where.
//
// Looked for is a frame: up to four straight edges left of, above, right of and
// below the face, that meet in corners which are about square (a picture is held
// so that the face on it looks at the bell). What is behind a person makes
// straight edges too: a door, its frame, bricks, a fence; so do the person's own
// clothes: the hem of a hood, the stripes of a jumper. They differ in these ways,
// which are common practice, no source:
//
//   - They go on past the corners; paper does not. What ends on such an edge, as
//     the boards of a fence do at its top, belongs to it.
//   - A person stands before them. An edge beside the head that runs on
//     unbroken below the shoulders, or one that crosses the chest, lies before
//     the person, or there is none.
//   - They are as large as doors. A person's eyes are about 63 mm apart
//     (Dodgson, Proc. SPIE 5291, 2004), so a door is 13 spans wide or more when
//     near and rarely less than 7 behind somebody.
//   - What touches the head may be its own outline, and what has neighbours that
//     run as it does may be a stripe.
//
// What the bell can't see does not count: a picture is often larger than the
// still, and then only some of its edges are there. An edge that is missing where
// the still goes on counts a little against a frame.
//
// Values: for the left, upper, right and lower edge what part of it was seen, -1
// if there is none; the evidence of all, where 4 is plain; how plainly there is a
// hand; the frame's width in eye spans. How the evidence is weighed was found by
// trial on drawn doorsteps.
var edgesSign = sign{
	code:    Edges,
	measure: measureEdges,
}

// The patch that edges are looked for in, in eye spans.
const (
	edgesSpan  = 24 // pixels of it
	edgesAside = 7.5
	edgesAbove = 6.5
	edgesBelow = 8.5
	sidesMost  = 7 // lines to consider for each side of a frame
	// leastSpan is the least distance between the eyes, in pixels.
	leastSpan = 8
)

// The sides of a frame.
const (
	leftSide = iota
	upperSide
	rightSide
	lowerSide
	sides
)

func measureEdges(v *view) house.Finding {
	p, h, why := v.patchAndHead(edgesSpan, edgesAside, edgesAbove, edgesBelow)
	if why != "" {
		return missing(why)
	}
	h.findLines(p)
	f := h.bestFrame()
	if f == nil {
		return house.Finding{Values: []float64{-1, -1, -1, -1, 0, 0, 0}}
	}
	f.hand = h.handAt(f)
	return f.finding(h, p)
}

// A head says where a face is on a patch, and what lines are about it.
type head struct {
	w, h   float64 // of the patch
	span   float64 // pixels of the patch
	x, y   float64 // the middle of the eyes
	ax, ay float64 // from there to one span to the right
	lines  [sides][]line
	bounds [sides]line // where a side is taken to be that is not seen
}

// patchAndHead returns a patch as [view.patch] does, with the head on it, or why
// there is none.
func (v *view) patchAndHead(span, aside, above, below float64) (p *patch, h *head, why string) {
	switch {
	case v.span == 0:
		return nil, nil, NoEyes
	case v.span < leastSpan:
		return nil, nil, Tiny
	}
	if p = v.patch(span, aside, above, below); p == nil {
		return nil, nil, Border
	}
	return p, headOn(v, p), ""
}

func headOn(v *view, p *patch) *head {
	h := &head{w: float64(p.w), h: float64(p.h)}
	x0, y0 := p.fromStill(v.eyes[0])
	x1, y1 := p.fromStill(v.eyes[1])
	h.x, h.y, h.ax, h.ay = (x0+x1)/2, (y0+y1)/2, x1-x0, y1-y0
	h.span = math.Hypot(h.ax, h.ay)
	return h
}

// findLines looks for what may be sides of a frame.
func (h *head) findLines(p *patch) {
	m := p.edges()
	// A frame's sides pass the head where it is widest and highest, so only
	// what is there has a vote.
	var near [sides][]edgel
	for _, e := range m.edgels {
		right, down := h.upright(float64(e.x), float64(e.y))
		if -2.4 < down && down < 3.2 {
			switch {
			case right < -1.05:
				near[leftSide] = append(near[leftSide], e)
			case right > 1.05:
				near[rightSide] = append(near[rightSide], e)
			}
		}
		if -2.6 < right && right < 2.6 {
			switch {
			case down < -1.1:
				near[upperSide] = append(near[upperSide], e)
			case down > 1.35:
				near[lowerSide] = append(near[lowerSide], e)
			}
		}
	}
	along := math.Atan2(h.ay, h.ax)
	for s := range sides {
		normal := along
		if s == upperSide || s == lowerSide {
			normal += math.Pi / 2
		}
		h.lines[s] = m.lines(p, near[s], normal, h.span, sidesMost)
		sin, cos := math.Sincos(normal)
		x, y := h.place([sides][2]float64{{-3, 0}, {0, -2.6}, {3, 0}, {0, 3.4}}[s])
		h.bounds[s] = newLine(normal, x*cos+y*sin)
		for i := range h.lines[s] {
			h.lines[s][i].trust = h.trust(s, &h.lines[s][i])
		}
	}
}

// trust returns how far a line may be a side of a frame, rather than the outline
// of the head or a stripe of its clothes: 0 to 1.
func (h *head) trust(s int, l *line) float64 {
	switch {
	case s == leftSide || s == rightSide:
		return h.clear(l)
	case s == lowerSide && h.striped(l):
		return 0.3
	}
	return 1
}

// clear returns how plainly a line beside the face is off the head, 0 to 1. A
// face is 2.2 eye spans wide, by the breadth of men's faces (about 140 mm, from
// memory), and has hair and ears beside it.
func (h *head) clear(l *line) float64 {
	level := newLine(math.Atan2(h.ay, h.ax)+math.Pi/2, 0)
	level.rho = h.x*level.cos + h.y*level.sin
	right, _ := h.upright(l.meets(&level))
	return ramp(math.Abs(right), 1.2, 1.5)
}

// striped reports whether a line is one of many that run as it does, as on a
// striped jumper: the uppermost, with two more close below, or one between two.
func (h *head) striped(l *line) bool {
	across := newLine(l.angle+math.Pi/2, 0)
	across.rho = h.x*across.cos + h.y*across.sin
	above, below, closeBelow := false, false, 0
	for i := range h.lines[lowerSide] {
		o := &h.lines[lowerSide][i]
		if apart(o.angle, l.angle) > 4*math.Pi/180 {
			continue
		}
		off := l.off(o.meets(&across)) / h.span
		above = above || -0.9 < off && off < -0.1
		below = below || 0.1 < off && off < 0.9
		if 0.1 < off && off < 0.7 {
			closeBelow++
		}
	}
	return above && below || closeBelow >= 2
}

// upright returns how many spans a point is to the right of and below the
// middle of the eyes, with the head held upright.
func (h *head) upright(x, y float64) (right, down float64) {
	dx, dy, n := x-h.x, y-h.y, h.span*h.span
	return (dx*h.ax + dy*h.ay) / n, (dy*h.ax - dx*h.ay) / n
}

// place is the reverse of upright.
func (h *head) place(at [2]float64) (x, y float64) {
	return h.x + at[0]*h.ax - at[1]*h.ay, h.y + at[0]*h.ay + at[1]*h.ax
}

// A frame is up to four lines about a head.
type frame struct {
	sides    [sides]*line
	corners  [sides][2]float64 // side s runs from the s-th to the next: lower left, upper left, and on clockwise
	seen     [sides]float64    // what part of each side there is, -1 without
	evidence float64
	width    float64 // eye spans
	hand     float64
}

// bestFrame returns the frame that most speaks for, nil if there is none.
func (h *head) bestFrame() *frame {
	var best *frame
	choose := func(s int) []*line {
		all := []*line{nil}
		for i := range h.lines[s] {
			all = append(all, &h.lines[s][i])
		}
		return all
	}
	lefts, uppers, rights, lowers := choose(leftSide), choose(upperSide), choose(rightSide), choose(lowerSide)
	for _, l := range lefts {
		for _, r := range rights {
			if l != nil && r != nil && apart(l.angle, r.angle) > parallel {
				continue
			}
			for _, u := range uppers {
				for _, d := range lowers {
					if u != nil && d != nil && apart(u.angle, d.angle) > parallel {
						continue
					}
					f := frame{sides: [sides]*line{l, u, r, d}}
					if h.assemble(&f) && (best == nil || f.evidence > best.evidence) {
						best = &f
					}
				}
			}
		}
	}
	return best
}

// neckEnds is how many spans below the eyes there may be a neck; common
// practice, no source.
const neckEnds = 2.7

// What a frame may be, under the perspective of a picture that is held askew.
const (
	parallel = 26 * math.Pi / 180 // most that opposite sides turn from each other
	square   = 22 * math.Pi / 180 // most that a corner differs from a right angle
)

// assemble works out the corners and the evidence, and reports whether the
// lines make a frame.
func (h *head) assemble(f *frame) bool {
	n := 0
	var lines [sides]*line
	for s, l := range f.sides {
		lines[s] = l
		if l == nil {
			lines[s] = &h.bounds[s]
			continue
		}
		n++
	}
	if n < 2 {
		return false
	}
	for s := range sides {
		l, next := lines[s], lines[(s+1)%sides]
		if f.sides[s] != nil && f.sides[(s+1)%sides] != nil && math.Pi/2-apart(l.angle, next.angle) > square {
			return false
		}
		x, y := l.meets(next)
		f.corners[(s+1)%sides] = [2]float64{x, y}
	}
	// Corners on the wrong side of the face make no frame about it.
	for s, c := range f.corners {
		right, down := h.upright(c[0], c[1])
		if (s < 2) != (right < 0) || (s == 1 || s == 2) != (down < 0.5) {
			return false
		}
	}
	width := math.Hypot(f.corners[2][0]-f.corners[1][0], f.corners[2][1]-f.corners[1][1]) / h.span
	height := math.Hypot(f.corners[1][0]-f.corners[0][0], f.corners[1][1]-f.corners[0][1]) / h.span
	if width > 2.5*height || height > 3*width {
		return false
	}
	f.width = width
	var ends [sides]end
	for s := range sides {
		if f.sides[s] != nil {
			ends[s] = h.ends(f, s)
		}
	}
	for s := range sides {
		f.seen[s] = -1
		before, after := ends[(s+sides-1)%sides], ends[(s+1)%sides]
		if f.sides[s] != nil {
			// What ends on an edge that goes on belongs to that edge.
			abuts := max(ends[s].first*ramp(before.pastLast, 0.4, 0.9), ends[s].last*ramp(after.pastFirst, 0.4, 0.9))
			f.evidence += h.weigh(f, s, ends[s]) * (1 - 0.6*abuts)
		}
		if f.sides[s] == nil && h.inView(s) {
			f.evidence -= 0.2
		}
		// A corner is where both sides end.
		f.evidence += cornerWeights[s] * before.last * ends[s].first
	}
	return true
}

// A corner counts for a part of a side: the lower left one, the upper left, and
// on. Doors have upper corners as well.
var cornerWeights = [sides]float64{0.5, 0.25, 0.25, 0.5}

// inView reports whether a side that is missing should be there to be seen: the
// patch goes on beyond where it would be, two spans farther out than is usual.
func (h *head) inView(s int) bool {
	x, y := h.place([sides][2]float64{{-5, 0}, {0, -4.6}, {5, 0}, {0, 5.4}}[s])
	return 0 < x && x < h.w-1 && 0 < y && y < h.h-1
}

// An end says how plainly a side ends at the first and the last of its corners,
// where it should, 0 to 1, and how much of it is seen past them.
type end struct{ first, last, pastFirst, pastLast float64 }

func (h *head) ends(f *frame, s int) (e end) {
	l := f.sides[s]
	from, to := f.corners[s], f.corners[(s+1)%sides]
	a, b := l.along(from[0], from[1]), l.along(to[0], to[1])
	if f.sides[(s+sides-1)%sides] != nil {
		e.first, e.pastFirst = h.endAt(l, a, b)
	}
	if f.sides[(s+1)%sides] != nil {
		e.last, e.pastLast = h.endAt(l, b, a)
	}
	return e
}

// endAt returns how plainly a line ends at a place along it that is towards it
// from another, and how much of it is seen past that.
func (h *head) endAt(l *line, end, from float64) (plain, past float64) {
	way := math.Copysign(h.span, end-from)
	before, n := l.share(end-0.8*way, end-0.05*way)
	if n < 0.2*h.span {
		before = 0
	}
	past, n = l.share(end+0.25*way, end+1.25*way)
	if n < 0.3*h.span {
		return 0, 0
	}
	return ramp(before, 0.5, 0.8) * (1 - ramp(past, 0.3, 0.7)), past
}

// weigh returns what one side says for a frame.
func (h *head) weigh(f *frame, s int, e end) float64 {
	l := f.sides[s]
	from, to := f.corners[s], f.corners[(s+1)%sides]
	a, b := l.along(from[0], from[1]), l.along(to[0], to[1])
	seen, length := l.share(a, b)
	f.seen[s] = seen
	own := ramp(seen, 0.5, 0.85) * ramp(length/h.span, 0.8,
		2) * (1 - 0.6*ramp(max(e.pastFirst, e.pastLast), 0.4, 0.9)) * (1 - 0.5*ramp(f.width, 9, 13))
	// Where most of a side may be under hands, little is known of it: a fence has
	// their colour as well.
	own *= l.trust * (0.1 + 0.9*ramp(length/max(length+l.held(a, b), 1), 0.4, 0.7))
	before := h.before(f, s, l, a, b)
	if s == lowerSide {
		// The lines of shoulders leave out the neck.
		return own * 2 * before
	}
	if s == upperSide {
		// Nobody stands before what is above; doors have it too.
		own *= 0.7
	}
	return own * (1 + before)
}

// before returns what speaks for a side's being before the person: 0 to 1.
func (h *head) before(f *frame, s int, l *line, a, b float64) float64 {
	switch s {
	case leftSide, rightSide:
		low, high := [2]float64{0, 2.7}, [2]float64{0, 5}
		x0, y0 := h.place(low)
		x1, y1 := h.place(high)
		c, d := l.along(x0, y0), l.along(x1, y1)
		px, py := l.at(c)
		right, _ := h.upright(px, py)
		// The corner may be higher than that.
		end := a
		if s == rightSide {
			end = b
		}
		if (d > c) == (end < d) {
			d = end
		}
		if (d > c) != (l.along(x1, y1) > c) {
			return 0
		}
		seen, length := l.share(c, d)
		return ramp(seen, 0.5, 0.85) * ramp(length/h.span, 0.3, 1) * (1 - ramp(math.Abs(right), 2.5, 3.3))
	case lowerSide:
		x0, y0 := h.place([2]float64{-1.3, 3})
		x1, y1 := h.place([2]float64{1.3, 3})
		c, d := l.along(x0, y0), l.along(x1, y1)
		seen, free := l.share(c, d)
		_, down := h.upright(l.at((c + d) / 2))
		// A hand may be before it. High up it would be the neck.
		if held := l.held(c, d); down < neckEnds || held > 2*free {
			seen *= free / max(free+held, 1)
		}
		return ramp(seen, 0.5, 0.9)
	}
	return 0
}

func (f *frame) finding(h *head, p *patch) house.Finding {
	found := house.Finding{
		Score:  ramp(f.evidence+0.5*f.hand, 2.7, 3.8),
		Values: append(append([]float64{}, f.seen[:]...), f.evidence, f.hand, f.width),
	}
	if found.Score > 0 {
		for _, c := range f.corners {
			found.Region = append(found.Region, p.toStill(min(max(c[0], 0), h.w-1), min(max(c[1], 0), h.h-1)))
		}
	}
	return found
}
