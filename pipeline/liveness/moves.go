package liveness

import (
	"cmp"
	"image"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"lintel/store"
)

// This file measures what moved between two frames of a ring: the face, and
// whatever else. All of it is done on glances, to a fraction of a pixel, by
// least squares over the luma of a patch (Lucas and Kanade, An iterative image
// registration technique, 1981; the inverse compositional form of Baker and
// Matthews, Lucas-Kanade 20 years on, 2004). Places are in pixels of a glance,
// with the middle of the first pixel at 0, 0.

// A sheet is a glance as numbers, a little smoothed.
type sheet struct {
	w, h int
	luma []float32
}

// newSheet smooths by 1 2 1 both ways, so that what lies between pixels can be
// worked out from those around.
func newSheet(g *image.Gray) *sheet {
	s := &sheet{w: g.Rect.Dx(), h: g.Rect.Dy()}
	s.luma = make([]float32, s.w*s.h)
	across := make([]float32, s.w*s.h)
	for y := range s.h {
		row := g.Pix[y*g.Stride:]
		for x := range s.w {
			left, right := max(x-1, 0), min(x+1, s.w-1)
			across[y*s.w+x] = float32(int(row[left])+2*int(row[x])+int(row[right])) / 4
		}
	}
	for y := range s.h {
		up, down := max(y-1, 0)*s.w, min(y+1, s.h-1)*s.w
		for x := range s.w {
			s.luma[y*s.w+x] = (across[up+x] + 2*across[y*s.w+x] + across[down+x]) / 4
		}
	}
	return s
}

// half is the sheet at half the size.
func (s *sheet) half() *sheet {
	h := &sheet{w: s.w / 2, h: s.h / 2}
	h.luma = make([]float32, h.w*h.h)
	for y := range h.h {
		for x := range h.w {
			i := 2*y*s.w + 2*x
			h.luma[y*h.w+x] = (s.luma[i] + s.luma[i+1] + s.luma[i+s.w] + s.luma[i+s.w+1]) / 4
		}
	}
	return h
}

// pixel returns the luma of a pixel; beyond the border, of the nearest.
func (s *sheet) pixel(x, y int) float64 {
	return float64(s.luma[min(max(y, 0), s.h-1)*s.w+min(max(x, 0), s.w-1)])
}

// at returns the luma between pixels by cubic convolution (Keys, Cubic
// convolution interpolation, 1981, a = -1/2), which blurs less than a straight
// line between them, so that a place between pixels has no better or worse a
// chance to fit than one on them.
func (s *sheet) at(x, y float64) float64 {
	if math.IsNaN(x) || math.IsNaN(y) {
		return s.pixel(0, 0)
	}
	x, y = min(max(x, -3), float64(s.w+3)), min(max(y, -3), float64(s.h+3))
	fx, fy := math.Floor(x), math.Floor(y)
	wx, wy := cubic(x-fx), cubic(y-fy)
	ix, iy := int(fx)-1, int(fy)-1
	sum := 0.0
	if ix >= 0 && iy >= 0 && ix+3 < s.w && iy+3 < s.h {
		for j := range 4 {
			row := s.luma[(iy+j)*s.w+ix : (iy+j)*s.w+ix+4]
			sum += wy[j] * (wx[0]*float64(row[0]) + wx[1]*float64(row[1]) + wx[2]*float64(row[2]) + wx[3]*float64(row[3]))
		}
		return sum
	}
	for j := range 4 {
		for i := range 4 {
			sum += wy[j] * wx[i] * s.pixel(ix+i, iy+j)
		}
	}
	return sum
}

func cubic(t float64) [4]float64 {
	return [4]float64{
		((-t+2)*t - 1) * t / 2, ((3*t-5)*t*t + 2) / 2, ((-3*t+4)*t + 1) * t / 2, (t - 1) * t * t / 2,
	}
}

// slope is how the luma rises to the right and down, by pixel.
func (s *sheet) slope(x, y int) (right, down float64) {
	return (s.pixel(x+1, y) - s.pixel(x-1, y)) / 2, (s.pixel(x, y+1) - s.pixel(x, y-1)) / 2
}

// A shift takes places on one frame to another: what lies at x, y there lies at
// a + b x + c y, d + e x + f y here.
type shift struct{ a, b, c, d, e, f float64 }

var unmoved = shift{b: 1, f: 1}

func (s shift) to(x, y float64) (float64, float64) {
	return s.a + s.b*x + s.c*y, s.d + s.e*x + s.f*y
}

// after is the shift that does other first and then s.
func (s shift) after(other shift) shift {
	a, d := s.to(other.a, other.d)
	return shift{
		a, s.b*other.b + s.c*other.e, s.b*other.c + s.c*other.f,
		d, s.e*other.b + s.f*other.e, s.e*other.c + s.f*other.f,
	}
}

// back undoes the shift.
func (s shift) back() shift {
	det := s.b*s.f - s.c*s.e
	r := shift{b: s.f / det, c: -s.c / det, e: -s.e / det, f: s.b / det}
	r.a, r.d = -(r.b*s.a + r.c*s.d), -(r.e*s.a + r.f*s.d)
	return r
}

// about is the shift in another scale: places times k, with the middle of the
// first pixel still at 0, 0.
func (s shift) about(k float64) shift {
	// A pixel's place u of one scale is k u + (k-1)/2 of the other.
	o := (k - 1) / 2
	out := s
	out.a = k*s.a + o - s.b*o - s.c*o
	out.d = k*s.d + o - s.e*o - s.f*o
	return out
}

// A disc is an ellipse with upright axes.
type disc struct{ x, y, rx, ry float64 }

func (d disc) holds(x, y float64) bool {
	u, v := (x-d.x)/d.rx, (y-d.y)/d.ry
	return u*u+v*v <= 1
}

// How a patch may move: in a plane without turning out of it (sideways, up,
// nearer, turned), or as any plane does from afar.
const (
	similar = 4
	affine  = 6
)

// follow returns how what a shows on a disc moved until b, beginning with a
// guess, and how alike the two are then: the correlation of their luma, 1 if
// they are the same but for brightness and contrast.
func follow(a, b *sheet, on disc, guess shift, freedom int) (shift, float64) {
	type sample struct {
		x, y float64
		luma float64
		cols [affine + 2]float64
	}
	var samples []sample
	n := freedom + 2 // and contrast and brightness
	scale := math.Max(on.rx, on.ry)
	mean := 0.0
	apart := 1 + int(math.Sqrt(on.rx*on.ry)/26) // some two thousand pixels do
	for y := max(int(math.Ceil(on.y-on.ry)), 1); float64(y) <= on.y+on.ry && y < a.h-1; y += apart {
		for x := max(int(math.Ceil(on.x-on.rx)), 1); float64(x) <= on.x+on.rx && x < a.w-1; x += apart {
			if on.holds(float64(x), float64(y)) {
				samples = append(samples, sample{x: float64(x), y: float64(y), luma: a.pixel(x, y)})
				mean += a.pixel(x, y)
			}
		}
	}
	if len(samples) < 4*n {
		return guess, 0
	}
	mean /= float64(len(samples))
	square := mat.NewSymDense(n, nil)
	for i := range samples {
		p := &samples[i]
		gx, gy := a.slope(int(p.x), int(p.y))
		u, v := (p.x-on.x)/scale, (p.y-on.y)/scale
		if freedom == similar {
			p.cols = [affine + 2]float64{gx, gy, gx*u + gy*v, gy*u - gx*v}
		} else {
			p.cols = [affine + 2]float64{gx, gy, gx * u, gx * v, gy * u, gy * v}
		}
		p.cols[freedom], p.cols[freedom+1] = p.luma-mean, 1
		for j := range n {
			for k := j; k < n; k++ {
				square.SetSym(j, k, square.At(j, k)+p.cols[j]*p.cols[k])
			}
		}
	}
	var solver mat.Cholesky
	if !solver.Factorize(square) {
		return guess, 0 // nothing on it that shows movement
	}
	now := guess
	right := mat.NewVecDense(n, nil)
	var step mat.VecDense
	for range 12 {
		right.Zero()
		for i := range samples {
			p := &samples[i]
			off := b.at(now.to(p.x, p.y)) - p.luma
			for j := range n {
				right.SetVec(j, right.AtVec(j)+p.cols[j]*off)
			}
		}
		if solver.SolveVecTo(&step, right) != nil {
			return guess, 0
		}
		d := stepShift(step.RawVector().Data, on, scale, freedom)
		if det := d.b*d.f - d.c*d.e; det < 0.2 || math.IsNaN(det) {
			return guess, 0
		}
		now = now.after(d.back())
		if math.Abs(step.AtVec(0)) < 0.003 && math.Abs(step.AtVec(1)) < 0.003 {
			break
		}
	}
	var sa, sb, aa, bb, ab float64
	for _, p := range samples {
		v := b.at(now.to(p.x, p.y))
		sa, sb, aa, bb, ab = sa+p.luma, sb+v, aa+p.luma*p.luma, bb+v*v, ab+p.luma*v
	}
	m := float64(len(samples))
	return now, (ab - sa*sb/m) / math.Sqrt(max((aa-sa*sa/m)*(bb-sb*sb/m), 1e-9))
}

// stepShift is a step of follow as a shift about the middle of the disc.
func stepShift(p []float64, on disc, scale float64, freedom int) shift {
	lin := shift{b: 1 + p[2]/scale, c: -p[3] / scale, e: p[3] / scale, f: 1 + p[2]/scale}
	if freedom == affine {
		lin = shift{b: 1 + p[2]/scale, c: p[3] / scale, e: p[4] / scale, f: 1 + p[5]/scale}
	}
	lin.a = on.x + p[0] - lin.b*on.x - lin.c*on.y
	lin.d = on.y + p[1] - lin.e*on.x - lin.f*on.y
	return lin
}

// A block is a small square of a frame, and what shows on it that it moved.
type block struct {
	x, y   int
	r      int     // it reaches so many pixels each way
	vary   float64 // variance of the luma
	xx, xy float64 // sums of the products of slopes: the structure tensor
	yy     float64
}

func (b *block) size() float64 { return float64((2*b.r + 1) * (2*b.r + 1)) }

func blockAt(s *sheet, x, y, r int) block {
	b := block{x: x, y: y, r: r}
	var sx, sy, sum float64
	for v := y - r; v <= y+r; v++ {
		for u := x - r; u <= x+r; u++ {
			gx, gy := s.slope(u, v)
			sum, b.vary = sum+s.pixel(u, v), b.vary+s.pixel(u, v)*s.pixel(u, v)
			sx, sy = sx+gx, sy+gy
			b.xx, b.xy, b.yy = b.xx+gx*gx, b.xy+gx*gy, b.yy+gy*gy
		}
	}
	n := b.size()
	b.vary = (b.vary - sum*sum/n) / n
	// What a change of brightness could be taken for does not show movement.
	b.xx, b.xy, b.yy = b.xx-sx*sx/n, b.xy-sx*sy/n, b.yy-sy*sy/n
	return b
}

// shows is by how much the block's luma would differ, squared and by pixel, if
// it had moved by this much more: by its slopes for a little, and by twice its
// variance at most. What noise of that variance, of the difference of two
// frames, adds to both is taken off: a block of noise alone shows nothing.
func (b *block) shows(dx, dy, noise float64) float64 {
	slopes := (b.xx*dx*dx+2*b.xy*dx*dy+b.yy*dy*dy)/b.size() - noiseSlope*noise*(dx*dx+dy*dy)
	return max(min(slopes, 2*b.vary-noise), 0)
}

// noiseSlope is the variance of the slope that noise makes, as a part of the
// variance of the difference of two frames. White noise smoothed by 1 2 1 both
// ways has 6/16 · 6/16 of its variance left, and its slope 10/64 · 6/16.
const noiseSlope = 10.0 / 64 / (6.0 / 16) / 2

// weakest is the smaller eigenvalue of the structure tensor: how well movement
// shows in the direction in which it shows worst (Shi and Tomasi, Good
// features to track, 1994).
func (b *block) weakest() float64 {
	half, diff := (b.xx+b.yy)/2, (b.xx-b.yy)/2
	return half - math.Hypot(diff, b.xy)
}

// trace finds a block of one frame on another, beginning where the guess has
// it and not going further than slack from there. It returns where its middle
// is then, and the mean squared difference of luma that is left.
func (b *block) trace(from, to *sheet, guess shift, slack float64) (x, y, left float64) {
	bx, by := guess.to(float64(b.x), float64(b.y))
	ridge := 1e-3*(b.xx+b.yy) + 1e-6
	var dx, dy float64
	best := [3]float64{0, 0, math.Inf(1)}
	rounds := 5
	if slack == 0 {
		rounds = 1
	}
	for range rounds {
		var sum, squares, ex, ey, sgx, sgy float64
		for v := -b.r; v <= b.r; v++ {
			for u := -b.r; u <= b.r; u++ {
				fu, fv := float64(u), float64(v)
				off := to.at(bx+dx+guess.b*fu+guess.c*fv, by+dy+guess.e*fu+guess.f*fv) - from.pixel(b.x+u, b.y+v)
				gx, gy := from.slope(b.x+u, b.y+v)
				sum, squares = sum+off, squares+off*off
				ex, ey, sgx, sgy = ex+gx*off, ey+gy*off, sgx+gx, sgy+gy
			}
		}
		n := b.size()
		if left := (squares - sum*sum/n) / n; left < best[2] {
			best = [3]float64{dx, dy, left}
		}
		ex, ey = ex-sgx*sum/n, ey-sgy*sum/n
		det := (b.xx+ridge)*(b.yy+ridge) - b.xy*b.xy
		sx, sy := ((b.yy+ridge)*ex-b.xy*ey)/det, ((b.xx+ridge)*ey-b.xy*ex)/det
		dx, dy = dx-sx, dy-sy
		if d := math.Hypot(dx, dy); d > slack && d > 0 {
			dx, dy = dx*slack/d, dy*slack/d
		}
		if math.Hypot(sx, sy) < 0.003 {
			break
		}
	}
	return bx + best[0], by + best[1], best[2]
}

// A move is what moved between two frames of a track.
type move struct {
	from, to     *sheet
	face, faceTo image.Rectangle // the box on both, in pixels of the glance
	shift        shift           // of the face
	far          float64         // how far its middle and its sides moved, at the median
	noise        float64         // the variance of luma by pixel where nothing moved
	jitter       float64         // by how much movement found there is off, squared, as a multiple of what noise explains
	still        int             // blocks that the jitter is from
	votes        []vote          // of the blocks around the face; nil if they were not asked
}

// A track is one person's face on several frames, and how it moved.
type track struct {
	seen   []sighting
	sheets []*sheet // by sighting; nil where there is no glance
	moves  []move   // by pairs of frames that can be compared, those that moved most first
	why    string   // the reason if there is none
}

// movesAtMost bounds the work for a long ring.
const movesAtMost = 4

// smallestFace is the least width of a face's box in pixels of a glance.
const smallestFace = 12

func newTrack(seen []sighting) *track {
	t := &track{seen: seen, sheets: make([]*sheet, len(seen))}
	size, small, different := image.Point{}, false, false
	for i, s := range seen {
		if s.frame.Glance == nil || s.frame.Glance.Luma == nil || s.frame.Glance.Luma.Rect.Empty() {
			continue
		}
		g := s.frame.Glance
		if s.face.Box.Dx() < smallestFace*glanceScale || s.face.Box.Dy() < smallestFace*glanceScale {
			small = true
			continue
		}
		if now := (image.Point{g.Width, g.Height}); size == (image.Point{}) {
			size = now
		} else if size != now {
			different = true
			continue // compared with those that are as large as the first
		}
		t.sheets[i] = newSheet(g.Luma)
	}
	for _, p := range t.pairs() {
		if m, ok := newMove(t.sheets[p[0]], t.sheets[p[1]], seen[p[0]].face, seen[p[1]].face); ok {
			t.moves = append(t.moves, m)
		}
	}
	slices.SortStableFunc(t.moves, func(a, b move) int { return cmp.Compare(b.far, a.far) })
	switch {
	case len(t.moves) > 0:
	case different:
		t.why = Sizes
	case small:
		t.why = Tiny
	default:
		t.why = Plain
	}
	return t
}

// pairs returns which sightings to compare: each with every other, and where
// that is too many, those that lie furthest apart.
func (t *track) pairs() (pairs [][2]int) {
	var there []int
	for i, s := range t.sheets {
		if s != nil {
			there = append(there, i)
		}
	}
	apart := func(i, j int) float64 {
		a, b := middle(t.seen[i].face.Box), middle(t.seen[j].face.Box)
		return math.Hypot(a.X-b.X, a.Y-b.Y)
	}
	for i := range there {
		for _, j := range there[i+1:] {
			pairs = append(pairs, [2]int{there[i], j})
		}
	}
	slices.SortStableFunc(pairs, func(a, b [2]int) int { return cmp.Compare(apart(b[0], b[1]), apart(a[0], a[1])) })
	return pairs[:min(len(pairs), movesAtMost)]
}

func middle(r image.Rectangle) store.Point {
	return store.Point{X: float64(r.Min.X+r.Max.X) / 2, Y: float64(r.Min.Y+r.Max.Y) / 2}
}

// newMove follows a face from one frame to another. It is not ok if the frames
// can't be compared at all.
func newMove(from, to *sheet, a, b *store.Face) (move, bool) {
	if from.w != to.w || from.h != to.h {
		return move{}, false
	}
	m := move{from: from, to: to, face: onGlance(a.Box), faceTo: onGlance(b.Box)}
	guess := guessed(a, b)
	on := discOf(m.face, 1)
	coarse := on
	coarse.x, coarse.y, coarse.rx, coarse.ry = (on.x-0.5)/2, (on.y-0.5)/2, on.rx/2, on.ry/2
	first, alike := follow(from.half(), to.half(), coarse, guess.about(0.5), similar)
	if alike < 0.6 {
		first = guess.about(0.5)
	}
	m.shift, alike = follow(from, to, on, first.about(2), similar)
	if alike < 0.6 {
		m.shift = guess
	} else if s, better := follow(from, to, on, m.shift, affine); better > alike { // tilted
		m.shift = s
	}
	var far []float64
	for _, p := range [][2]float64{{0, 0}, {-1, 0}, {1, 0}, {0, -1}, {0, 1}} {
		x, y := on.x+p[0]*on.rx, on.y+p[1]*on.ry
		u, v := m.shift.to(x, y)
		far = append(far, math.Hypot(u-x, v-y))
	}
	slices.Sort(far)
	m.far = far[2]
	m.listen()
	return m, true
}

// reach is how many pixels each way a block on or beside the face takes in.
func (m *move) reach() int {
	if m.face.Dx() < 28 {
		return 2
	}
	return 3
}

// onGlance is a box of the still in pixels of the glance.
func onGlance(box image.Rectangle) image.Rectangle {
	return image.Rect(box.Min.X/glanceScale, box.Min.Y/glanceScale, box.Max.X/glanceScale, box.Max.Y/glanceScale)
}

// discOf is the ellipse in a box, so many times as large.
func discOf(box image.Rectangle, times float64) disc {
	m := middle(box)
	return disc{m.X - 0.5, m.Y - 0.5, float64(box.Dx()) / 2 * times, float64(box.Dy()) / 2 * times}
}

// guessed is how a face moved by its landmarks, or by its box if it has none:
// the similarity with the least squares between them.
func guessed(a, b *store.Face) shift {
	p, q := a.Landmarks, b.Landmarks
	finite := func(l []store.Point) bool {
		return !slices.ContainsFunc(l, func(p store.Point) bool { return !(math.Abs(p.X)+math.Abs(p.Y) < 1e6) })
	}
	if len(p) < 4 || len(p) != len(q) || !finite(p) || !finite(q) {
		corners := func(r image.Rectangle) []store.Point {
			return []store.Point{{X: float64(r.Min.X), Y: float64(r.Min.Y)}, {X: float64(r.Max.X), Y: float64(r.Max.Y)}}
		}
		p, q = corners(a.Box), corners(b.Box)
	}
	var mp, mq store.Point
	n := float64(len(p))
	for i := range p {
		mp.X, mp.Y, mq.X, mq.Y = mp.X+p[i].X/n, mp.Y+p[i].Y/n, mq.X+q[i].X/n, mq.Y+q[i].Y/n
	}
	var dot, cross, square float64
	for i := range p {
		ux, uy, vx, vy := p[i].X-mp.X, p[i].Y-mp.Y, q[i].X-mq.X, q[i].Y-mq.Y
		dot, cross, square = dot+ux*vx+uy*vy, cross+ux*vy-uy*vx, square+ux*ux+uy*uy
	}
	c, s := 1.0, 0.0
	if square > 0 {
		c, s = dot/square, cross/square
	}
	if r := math.Hypot(c, s); r < 0.5 || r > 2 {
		c, s = 1, 0
	}
	still := shift{mq.X - c*mp.X + s*mp.Y, c, -s, mq.Y - s*mp.X - c*mp.Y, s, c}
	// A still's pixel is a quarter of a glance's, and the middle of the first
	// one of the glance lies one and a half pixels into the still.
	return still.about(1.0 / glanceScale)
}

// listen measures the noise where nothing moved: on the blocks that changed
// least of those that lie away from the face and what is below it.
func (m *move) listen() {
	const r = 4
	near := discOf(m.face.Union(m.faceTo), 3)
	var changes, offs []float64
	for y := 2*r + 1; y < m.from.h-2*r; y += 3*r + 1 {
		for x := 2*r + 1; x < m.from.w-2*r; x += 3*r + 1 {
			fx, fy := float64(x), float64(y)
			if near.holds(fx, min(fy, near.y)) {
				continue
			}
			b := blockAt(m.from, x, y, r)
			_, _, left := b.trace(m.from, m.to, unmoved, 0)
			changes = append(changes, left)
			if b.weakest() < 4*b.size() {
				continue
			}
			u, v, _ := b.trace(m.from, m.to, unmoved, 1)
			if dx, dy := u-fx, v-fy; math.Hypot(dx, dy) < 0.5 { // else something moved there
				offs = append(offs, b.xx*dx*dx+2*b.xy*dx*dy+b.yy*dy*dy)
			}
		}
	}
	m.noise, m.jitter = quietest, usualJitter
	if len(changes) > 0 {
		slices.Sort(changes)
		m.noise = max(changes[len(changes)/4], quietest)
	}
	if m.still = len(offs); m.still >= fewestStill {
		// By the lower quartile, because more may have moved than stood still.
		// That of a chi-square of 2 degrees of freedom is 2 ln 4/3.
		slices.Sort(offs)
		quartile := offs[len(offs)/4] / (2 * math.Log(4.0/3))
		m.jitter = min(max(quartile/m.noise, 1), 4*usualJitter)
	}
}

// fewestStill is how many blocks that stand still it takes to measure the jitter.
const fewestStill = 8

// usualJitter is taken where too little stands still to measure it: smoothing
// leaves in slow changes of luma, which most of a face is made of, all of the
// noise that it takes from quick ones, 64/9 times as much as in each pixel.
const usualJitter = 64.0 / 9

// quietest is the least variance of the difference of two glances' luma, by
// pixel, that is counted with: they are rounded to whole numbers, which alone
// makes 1/12 each, of which smoothing leaves a seventh.
const quietest = 0.05
