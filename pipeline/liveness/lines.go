package liveness

import (
	"image"
	"image/color"
	"math"

	"lintel/internal/house"
)

// A patch is the part of a still around a face, reduced so that what is looked
// for in it does not depend on how large the face is.
type patch struct {
	w, h      int
	step      float64 // pixels of the still to one of the patch
	x0, y0    float64 // where on the still the patch begins
	y, cb, cr []float32
}

// patch reduces what lies within so many eye spans of the middle of the eyes,
// to so many pixels a span; never enlarged. It is nil where nothing of that is
// on the still.
func (v *view) patch(span, aside, above, below float64) *patch {
	mx, my := (v.eyes[0].X+v.eyes[1].X)/2, (v.eyes[0].Y+v.eyes[1].Y)/2
	within := image.Rect(int(mx-aside*v.span), int(my-above*v.span), int(mx+aside*v.span),
		int(my+below*v.span)).Intersect(v.bounds)
	step := max(v.span/span, 1)
	p := &patch{
		w: int(float64(within.Dx()) / step), h: int(float64(within.Dy()) / step),
		step: step, x0: float64(within.Min.X), y0: float64(within.Min.Y),
	}
	if p.w < 8 || p.h < 8 {
		return nil
	}
	p.y, p.cb, p.cr = make([]float32, p.w*p.h), make([]float32, p.w*p.h), make([]float32, p.w*p.h)
	// Of each pixel of the patch at most 16 of the still are averaged.
	stride := max(1, int(math.Ceil(step/4)))
	columns, rows := cells(p.w, step), cells(p.h, step)
	for j := range p.h {
		for i := range p.w {
			var sum [3]float32
			n := float32(0)
			for y := within.Min.Y + rows[j]; y < within.Min.Y+rows[j+1]; y += stride {
				row := v.luma[(y-v.bounds.Min.Y)*v.stride:]
				for x := within.Min.X + columns[i]; x < within.Min.X+columns[i+1]; x += stride {
					sum[0] += float32(row[x-v.bounds.Min.X])
					n++
				}
			}
			p.y[j*p.w+i] = sum[0] / n
			x, y := within.Min.X+(columns[i]+columns[i+1])/2, within.Min.Y+(rows[j]+rows[j+1])/2
			p.cb[j*p.w+i], p.cr[j*p.w+i] = v.chromaAt(x, y)
		}
	}
	return p
}

// cells are the borders of n pixels of a patch on the still.
func cells(n int, step float64) []int {
	at := make([]int, n+1)
	for i := range at {
		at[i] = int(float64(i) * step)
	}
	return at
}

// chromaAt returns the two colour differences of a pixel of the still, around 0.
func (v *view) chromaAt(x, y int) (cb, cr float32) {
	switch img := v.still.(type) {
	case *image.YCbCr:
		c := img.COffset(x, y)
		return float32(img.Cb[c]) - 128, float32(img.Cr[c]) - 128
	case *image.Gray:
		return 0, 0
	}
	r, g, b := v.rgbAt(x, y)
	_, u, w := color.RGBToYCbCr(uint8(r), uint8(g), uint8(b))
	return float32(u) - 128, float32(w) - 128
}

func (p *patch) toStill(x, y float64) house.Point {
	return house.Point{X: p.x0 + (x+0.5)*p.step, Y: p.y0 + (y+0.5)*p.step}
}

func (p *patch) fromStill(s house.Point) (x, y float64) {
	return (s.X-p.x0)/p.step - 0.5, (s.Y-p.y0)/p.step - 0.5
}

// noEdge is the direction of a pixel that lies on no edge.
const noEdge = -1

// An edgeMap says of each pixel of a patch whether it lies on an edge, and in
// which direction the edge's normal points: 0 to π, as an edge from dark to
// bright is as good as one from bright to dark. Edges are one pixel wide: of
// the gradient, by Sobel's masks on the channel where it is steepest, only the
// crest is kept, as Canny does (IEEE PAMI 8(6), 1986).
type edgeMap struct {
	w, h   int
	normal []float32
	edgels []edgel
}

type edgel struct{ x, y, normal float32 }

// What is no steeper than faintEdge grey levels a pixel is no edge; nor is what
// is less than twice as steep as a third of the patch is, by noise or texture.
// Common practice, no source.
const faintEdge = 2.2

func (p *patch) edges() *edgeMap {
	m := &edgeMap{w: p.w, h: p.h, normal: make([]float32, p.w*p.h)}
	size, gx, gy := make([]float32, p.w*p.h), make([]float32, p.w*p.h), make([]float32, p.w*p.h)
	var counts [64]int // of gradients in quarters of a grey level
	for y := 1; y < p.h-1; y++ {
		for x := 1; x < p.w-1; x++ {
			i := y*p.w + x
			dx, dy := sobel(p.y, i, p.w)
			best := dx*dx + dy*dy
			if cx, cy := sobel(p.cb, i, p.w); cx*cx+cy*cy > best {
				dx, dy, best = cx, cy, cx*cx+cy*cy
			}
			if cx, cy := sobel(p.cr, i, p.w); cx*cx+cy*cy > best {
				dx, dy, best = cx, cy, cx*cx+cy*cy
			}
			size[i], gx[i], gy[i] = best, dx, dy
			counts[min(int(4*math.Sqrt(float64(best))), len(counts)-1)]++
		}
	}
	calm, seen := 0, 0 // the third of the gradients that is least is noise
	for ; calm < len(counts)-1 && seen+counts[calm] < p.w*p.h/3; calm++ {
		seen += counts[calm]
	}
	least := float32(max(faintEdge, 2*float64(calm)/4))
	least *= least
	for i := range m.normal {
		m.normal[i] = noEdge
		if size[i] < least {
			continue
		}
		ax, ay := gx[i], gy[i]
		ahead := 1 // the neighbour in the direction of the gradient
		switch x, y := max(ax, -ax), max(ay, -ay); {
		case 2*y > 5*x:
			ahead = p.w
		case 5*y < 2*x:
		case ax*ay > 0:
			ahead = p.w + 1
		default:
			ahead = p.w - 1
		}
		if size[i] < size[i-ahead] || size[i] <= size[i+ahead] {
			continue
		}
		m.normal[i] = float32(halfTurn(math.Atan2(float64(ay), float64(ax))))
		m.edgels = append(m.edgels, edgel{float32(i % p.w), float32(i / p.w), m.normal[i]})
	}
	return m
}

func sobel(c []float32, i, w int) (dx, dy float32) {
	above, here, below := c[i-w-1:i-w+2], c[i-1:i+2], c[i+w-1:i+w+2]
	dx = above[2] + 2*here[2] + below[2] - above[0] - 2*here[0] - below[0]
	dy = below[0] + 2*below[1] + below[2] - above[0] - 2*above[1] - above[2]
	return dx / 8, dy / 8
}

// halfTurn brings a direction to 0 ≤ a < π.
func halfTurn(a float64) float64 {
	if a < 0 {
		a += math.Pi
	}
	if a >= math.Pi {
		a -= math.Pi
	}
	return a
}

// apart is the angle between two lines by their normals, 0 to π/2.
func apart(a, b float64) float64 {
	d := math.Mod(math.Abs(a-b), math.Pi)
	return min(d, math.Pi-d)
}

// A line is a straight edge: where x·cos(angle) + y·sin(angle) = rho.
type line struct {
	angle, rho float64
	cos, sin   float64
	// seen[i] is on how many of the first i pixels along the line, from the
	// distance first to its foot, there is an edge in its direction; there[i]
	// how many of them are on the patch and not under a hand, hands[i] how many
	// are under one.
	first              int
	seen, there, hands []int32
	// trust says how far the line may be a side of a frame: 0 to 1.
	trust float64
}

func newLine(angle, rho float64) line {
	sin, cos := math.Sincos(angle)
	return line{angle: angle, rho: rho, cos: cos, sin: sin}
}

// along is how far the foot of a point is from that of the origin.
func (l *line) along(x, y float64) float64 { return y*l.cos - x*l.sin }

// off is how far a point is from the line.
func (l *line) off(x, y float64) float64 { return x*l.cos + y*l.sin - l.rho }

// at is the point so far along.
func (l *line) at(t float64) (x, y float64) { return l.rho*l.cos - t*l.sin, l.rho*l.sin + t*l.cos }

// meets is where two lines cross.
func (l *line) meets(o *line) (x, y float64) {
	d := l.cos*o.sin - l.sin*o.cos
	return (l.rho*o.sin - o.rho*l.sin) / d, (o.rho*l.cos - l.rho*o.cos) / d
}

// Edges count for a line that are as far off as a wide lens bends it, and turn
// from it no more than noise turns them.
const (
	offLine  = 1.8 // pixels of a patch
	turnLine = 13 * math.Pi / 180
)

// follow walks along the line over the patch and notes where there are edges,
// and what has the colour of a hand so far to both sides of the line.
func (l *line) follow(m *edgeMap, p *patch, aside float64) {
	reach := m.w + m.h
	l.first = -reach
	all := make([]int32, 3*(2*reach+1))
	l.seen, l.there, l.hands = all[:2*reach+1], all[2*reach+1:4*reach+2], all[4*reach+2:]
	for i := range 2 * reach {
		l.seen[i+1], l.there[i+1], l.hands[i+1] = l.seen[i], l.there[i], l.hands[i]
		x, y := l.at(float64(l.first+i) + 0.5)
		if x < 0 || y < 0 || x > float64(m.w-1) || y > float64(m.h-1) {
			continue
		}
		if p.skin(x-aside*l.cos, y-aside*l.sin) && p.skin(x+aside*l.cos, y+aside*l.sin) {
			l.hands[i+1]++
			continue
		}
		l.there[i+1]++
		for off := -offLine; off <= offLine; off += offLine / 2 {
			px, py := int(x+off*l.cos+0.5), int(y+off*l.sin+0.5)
			if px < 0 || py < 0 || px >= m.w || py >= m.h {
				continue
			}
			if n := m.normal[py*m.w+px]; n != noEdge && apart(float64(n), l.angle) < turnLine {
				l.seen[i+1]++
				break
			}
		}
	}
}

// share returns what part of the line between two places along it is seen to be
// an edge, and how many pixels of that are on the patch.
func (l *line) share(from, to float64) (seen, length float64) {
	a, b := l.between(from, to)
	n := l.there[b] - l.there[a]
	if n <= 0 {
		return 0, 0
	}
	return float64(l.seen[b]-l.seen[a]) / float64(n), float64(n)
}

// held returns how many pixels between two places may be under a hand.
func (l *line) held(from, to float64) float64 {
	a, b := l.between(from, to)
	return float64(l.hands[b] - l.hands[a])
}

func (l *line) between(from, to float64) (a, b int) {
	a = min(max(int(math.Round(min(from, to)))-l.first, 0), len(l.seen)-1)
	b = min(max(int(math.Round(max(from, to)))-l.first, 0), len(l.seen)-1)
	return a, b
}

// Lines are looked for by a Hough transform (Duda and Hart, Communications of
// the ACM 15(1), 1972) in which a pixel votes only for lines that run as its
// edge does (O'Gorman and Clowes, IEEE Transactions on Computers 25(4), 1976).
// Each line that was found takes its pixels' votes back before the next is
// looked for, as Matas, Galambos and Kittler do (Computer Vision and Image
// Understanding 78(1), 2000).
const (
	turnStep = 2 * math.Pi / 180
	turnMost = 26 * math.Pi / 180 // from the direction that is asked for
	voteTurn = 4                  // steps that a vote is spread over, to each side
)

// lines finds up to most lines among edgels whose normals are about the given
// one, at least so many pixels strong, the strongest first.
func (m *edgeMap) lines(p *patch, edgels []edgel, normal, span float64, most int) []line {
	atLeast := 0.9 * span
	turns := 2*int(turnMost/turnStep) + 1
	reach := int(math.Hypot(float64(m.w), float64(m.h))) + 2
	width := 2*reach + 1
	votes := make([]int32, turns*width)
	angles := make([]float64, turns)
	cos, sin := make([]float64, turns), make([]float64, turns)
	for k := range turns {
		angles[k] = normal + float64(k-turns/2)*turnStep
		sin[k], cos[k] = math.Sincos(angles[k])
	}
	vote := func(e edgel, by int32) {
		d := math.Remainder(float64(e.normal)-normal, math.Pi)
		mid := turns/2 + int(math.Round(d/turnStep))
		for k := max(mid-voteTurn, 0); k <= min(mid+voteTurn, turns-1); k++ {
			rho := int(math.Round(float64(e.x)*cos[k]+float64(e.y)*sin[k])) + reach
			votes[k*width+rho] += by
		}
	}
	left := make([]edgel, 0, len(edgels))
	for _, e := range edgels {
		if math.Abs(math.Remainder(float64(e.normal)-normal, math.Pi)) < turnMost+voteTurn*turnStep {
			left = append(left, e)
			vote(e, 1)
		}
	}
	var found []line
	for tries := 0; len(found) < most && tries < 2*most; tries++ {
		k, rho, n := strongest(votes, turns, width)
		if float64(n) < atLeast {
			break
		}
		l := fitted(left, newLine(angles[k], float64(rho-reach)))
		kept := left[:0]
		n = 0
		for _, e := range left {
			if math.Abs(l.off(float64(e.x), float64(e.y))) > offLine+0.5 || apart(float64(e.normal), l.angle) > turnLine {
				kept = append(kept, e)
				continue
			}
			vote(e, -1)
			n++
		}
		left = kept
		if n == 0 { // the fit went elsewhere
			votes[k*width+rho], votes[k*width+rho-1], votes[k*width+rho+1] = 0, 0, 0
			continue
		}
		l.follow(m, p, 0.15*span)
		found = append(found, l)
	}
	return found
}

// strongest finds the three neighbouring cells with most votes.
func strongest(votes []int32, turns, width int) (turn, rho int, n int32) {
	for k := range turns {
		row := votes[k*width : (k+1)*width]
		for i := 1; i < width-1; i++ {
			if row[i] == 0 {
				continue
			}
			if v := row[i-1] + row[i] + row[i+1]; v > n {
				turn, rho, n = k, i, v
			}
		}
	}
	return turn, rho, n
}

// fitted lays a line through the edgels near it, by least squares of their
// distances from it.
func fitted(edgels []edgel, l line) line {
	for _, near := range []float64{2.5, offLine} {
		var n, sx, sy, sxx, sxy, syy float64
		for _, e := range edgels {
			x, y := float64(e.x), float64(e.y)
			if math.Abs(l.off(x, y)) > near || apart(float64(e.normal), l.angle) > turnLine {
				continue
			}
			n, sx, sy, sxx, sxy, syy = n+1, sx+x, sy+y, sxx+x*x, sxy+x*y, syy+y*y
		}
		if n < 4 {
			return l
		}
		mx, my := sx/n, sy/n
		// The normal is where the points are least spread.
		spread := 0.5 * math.Atan2(2*(sxy/n-mx*my), sxx/n-mx*mx-syy/n+my*my)
		angle := spread + math.Pi/2
		if angle-l.angle > math.Pi/2 {
			angle -= math.Pi
		}
		if angle-l.angle < -math.Pi/2 {
			angle += math.Pi
		}
		if math.Abs(angle-l.angle) > 3*turnStep {
			return l
		}
		sin, cos := math.Sincos(angle)
		l = newLine(angle, mx*cos+my*sin)
	}
	return l
}
