package bench

import (
	"image"
	"math"
)

// finer is how many samples there are along each side of a pixel.
const finer = 2

// A sheet is a surface that stands before the bell: a grid of places, each with
// its place on the surface (u to the right, v down, in millimetres) and how
// brightly it is lit.
type sheet struct {
	columns, rows int
	corners       []corner
}

type corner struct {
	at   vec
	u, v float64
	lit  float64
}

// newSheet makes a sheet of so many cells from (u0, v0) to (u1, v1); place says
// where each corner is.
func newSheet(u0, v0, u1, v1 float64, columns, rows int, place func(u, v float64) vec) *sheet {
	s := &sheet{columns: columns, rows: rows}
	for j := range rows + 1 {
		for i := range columns + 1 {
			u := u0 + (u1-u0)*float64(i)/float64(columns)
			v := v0 + (v1-v0)*float64(j)/float64(rows)
			s.corners = append(s.corners, corner{at: place(u, v), u: u, v: v, lit: 1})
		}
	}
	return s
}

// light sets how brightly each corner is lit, by its normal.
func (s *sheet) light(by func(normal vec) float64) {
	w := s.columns + 1
	for j := range s.rows + 1 {
		for i := range w {
			left, right := max(i-1, 0), min(i+1, s.columns)
			above, below := max(j-1, 0), min(j+1, s.rows)
			across := s.corners[j*w+right].at.sub(s.corners[j*w+left].at)
			down := s.corners[below*w+i].at.sub(s.corners[above*w+i].at)
			s.corners[j*w+i].lit = by(down.cross(across).unit()) // towards the lens
		}
	}
}

// A dab is what of a sheet is seen at one sample.
type dab struct {
	u, v, lit float32
	depth     float32 // 0 for nothing
	foot      float32 // millimetres of the surface to a pixel
}

// seen is a sheet as it is seen on the still: dabs over a part of it.
type seen struct {
	box  image.Rectangle // pixels
	dabs []dab           // finer by finer to a pixel, by row
}

func (s *seen) width() int { return s.box.Dx() * finer }

// see projects a sheet onto the still.
func (o *optics) see(s *sheet) *seen {
	type flat struct {
		x, y, depth float64
		ok          bool
	}
	points := make([]flat, len(s.corners))
	x0, y0, x1, y1 := math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)
	for i, c := range s.corners {
		x, y, ok := o.project(c.at)
		points[i] = flat{x, y, c.at.length(), ok}
		if ok {
			x0, y0, x1, y1 = min(x0, x), min(y0, y), max(x1, x), max(y1, y)
		}
	}
	all := &seen{}
	if x1 < x0 {
		return all
	}
	const room = 8 // for blur
	all.box = image.Rect(int(max(x0, -9))-room, int(max(y0, -9))-room, int(min(x1, Width+9))+room, int(min(y1, Height+9))+room).
		Intersect(image.Rect(0, 0, Width, Height))
	all.dabs = make([]dab, all.box.Dx()*all.box.Dy()*finer*finer)
	w := s.columns + 1
	for j := range s.rows {
		for i := range s.columns {
			a := j*w + i
			for _, t := range [2][3]int{{a, a + 1, a + w}, {a + w + 1, a + w, a + 1}} {
				p, q, r := points[t[0]], points[t[1]], points[t[2]]
				if p.ok && q.ok && r.ok {
					all.fill([3]corner{s.corners[t[0]], s.corners[t[1]], s.corners[t[2]]},
						[3][3]float64{{p.x, p.y, p.depth}, {q.x, q.y, q.depth}, {r.x, r.y, r.depth}})
				}
			}
		}
	}
	return all
}

// fill sets the dabs of one triangle that nothing nearer covers.
func (s *seen) fill(c [3]corner, p [3][3]float64) {
	for i := range p { // to samples of the box
		p[i][0] = (p[i][0]-float64(s.box.Min.X))*finer - 0.5
		p[i][1] = (p[i][1]-float64(s.box.Min.Y))*finer - 0.5
	}
	area := (p[1][0]-p[0][0])*(p[2][1]-p[0][1]) - (p[2][0]-p[0][0])*(p[1][1]-p[0][1])
	if math.Abs(area) < 1e-9 {
		return
	}
	surface := math.Abs((c[1].u-c[0].u)*(c[2].v-c[0].v) - (c[2].u-c[0].u)*(c[1].v-c[0].v))
	foot := float32(math.Sqrt(surface/math.Abs(area)) * finer)
	w, h := s.width(), s.box.Dy()*finer
	x0 := max(int(math.Ceil(min(p[0][0], p[1][0], p[2][0]))), 0)
	x1 := min(int(math.Floor(max(p[0][0], p[1][0], p[2][0]))), w-1)
	y0 := max(int(math.Ceil(min(p[0][1], p[1][1], p[2][1]))), 0)
	y1 := min(int(math.Floor(max(p[0][1], p[1][1], p[2][1]))), h-1)
	const slack = -1e-9
	for y := y0; y <= y1; y++ {
		for x := x0; x <= x1; x++ {
			fx, fy := float64(x), float64(y)
			k1 := ((fx-p[0][0])*(p[2][1]-p[0][1]) - (p[2][0]-p[0][0])*(fy-p[0][1])) / area
			k2 := ((p[1][0]-p[0][0])*(fy-p[0][1]) - (fx-p[0][0])*(p[1][1]-p[0][1])) / area
			k0 := 1 - k1 - k2
			if k0 < slack || k1 < slack || k2 < slack {
				continue
			}
			depth := float32(k0*p[0][2] + k1*p[1][2] + k2*p[2][2])
			d := &s.dabs[y*w+x]
			if d.depth != 0 && d.depth <= depth {
				continue
			}
			*d = dab{
				u:   float32(k0*c[0].u + k1*c[1].u + k2*c[2].u),
				v:   float32(k0*c[0].v + k1*c[1].v + k2*c[2].v),
				lit: float32(k0*c[0].lit + k1*c[1].lit + k2*c[2].lit), depth: depth, foot: foot,
			}
		}
	}
}

// foot is the middle one of the footprints, in millimetres to a pixel.
func (s *seen) foot() float64 {
	sum, n := 0.0, 0
	for i := 0; i < len(s.dabs); i += 7 {
		if s.dabs[i].depth > 0 {
			sum, n = sum+float64(s.dabs[i].foot), n+1
		}
	}
	return sum / float64(max(n, 1))
}

// A pigment is light that comes from a surface (linear, white in the open is
// 1), and how much of what is behind is hidden, 0 to 1. It is not multiplied.
type pigment struct{ r, g, b, a float32 }

// A coat is part of a still with what is seen there.
type coat struct {
	box  image.Rectangle
	pix  []float32 // red, green, blue, each multiplied by the fourth, which is a pigment's a
	seen *seen
}

// paint shades all dabs and averages over each pixel.
func (s *seen) paint(shade func(d *dab, y int) pigment) *coat {
	c := &coat{s.box, make([]float32, 4*s.box.Dx()*s.box.Dy()), s}
	w := s.width()
	const part = 1.0 / (finer * finer)
	for y := range s.box.Dy() {
		for x := range s.box.Dx() {
			var sum pigment
			for dy := range finer {
				for dx := range finer {
					d := &s.dabs[(y*finer+dy)*w+x*finer+dx]
					if d.depth == 0 {
						continue
					}
					p := shade(d, s.box.Min.Y+y)
					if p.a == 0 {
						continue
					}
					sum.r, sum.g, sum.b, sum.a = sum.r+p.r*p.a, sum.g+p.g*p.a, sum.b+p.b*p.a, sum.a+p.a
				}
			}
			i := 4 * (y*s.box.Dx() + x)
			c.pix[i], c.pix[i+1], c.pix[i+2], c.pix[i+3] = sum.r*part, sum.g*part, sum.b*part, sum.a*part
		}
	}
	return c
}

// soften blurs a coat as what is out of focus and what moves is blurred.
func (c *coat) soften(by smear) {
	w, h := c.box.Dx(), c.box.Dy()
	if w == 0 || h == 0 {
		return
	}
	if by.sigma > 0.25 {
		convolve(c.pix, w, h, 4, gaussian(by.sigma))
	}
	steps := int(math.Round(math.Hypot(by.moveX, by.moveY)))
	if steps < 1 {
		return
	}
	moved := make([]float32, len(c.pix))
	for s := -steps; s <= steps; s++ {
		dx := int(math.Round(by.moveX * float64(s) / float64(2*steps)))
		dy := int(math.Round(by.moveY * float64(s) / float64(2*steps)))
		k := 1 / float32(2*steps+1)
		for y := range h {
			from := min(max(y+dy, 0), h-1) * w
			for x := range w {
				i, o := 4*(from+min(max(x+dx, 0), w-1)), 4*(y*w+x)
				moved[o] += k * c.pix[i]
				moved[o+1] += k * c.pix[i+1]
				moved[o+2] += k * c.pix[i+2]
				moved[o+3] += k * c.pix[i+3]
			}
		}
	}
	c.pix = moved
}
