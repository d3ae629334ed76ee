package bench

import (
	"fmt"
	"image"
	"math"
	"path/filepath"

	"github.com/disintegration/imaging"

	"lintel/store"
)

// A portrait is one photograph of the folder, made ready.
type portrait struct {
	id     string
	w, h   int
	linear []float32 // red, green, blue by row, linear, 0 to 1
	alpha  []float32 // the person's, by row
	clean  []float32 // linear without the background where the matte is soft
	top    []float64 // where the shoulders begin, by column
	cloth  []float32 // how far it is clothing, by row

	eyes [2]store.Point // the middles of the eyes, left one of the picture first
	lids [2][2]store.Point
	nose store.Point
	box  image.Rectangle
}

// span is the distance between the eyes in pixels.
func (p *portrait) span() float64 {
	return math.Hypot(p.eyes[1].X-p.eyes[0].X, p.eyes[1].Y-p.eyes[0].Y)
}

// middle is between the eyes.
func (p *portrait) middle() store.Point {
	return store.Point{X: (p.eyes[0].X + p.eyes[1].X) / 2, Y: (p.eyes[0].Y + p.eyes[1].Y) / 2}
}

func openPortrait(dir, id string, find func(image.Image) (store.Face, error)) (*portrait, error) {
	img, err := imaging.Open(filepath.Join(dir, "pairs", id, "neutral.jpg"))
	if err != nil {
		return nil, fmt.Errorf("opening a portrait: %w", err)
	}
	face, err := find(img)
	if err != nil {
		return nil, fmt.Errorf("portrait %s: %w", id, err)
	}
	if len(face.Landmarks) < 5 {
		return nil, fmt.Errorf("portrait %s: the finder gave no landmarks", id)
	}
	n := imaging.Clone(img)
	p := &portrait{id: id, w: n.Rect.Dx(), h: n.Rect.Dy(), box: face.Box, nose: face.Landmarks[4]}
	for i := range 2 {
		a, b := face.Landmarks[2*i], face.Landmarks[2*i+1]
		if a.X > b.X {
			a, b = b, a
		}
		p.lids[i] = [2]store.Point{a, b}
		p.eyes[i] = store.Point{X: (a.X + b.X) / 2, Y: (a.Y + b.Y) / 2}
	}
	if p.eyes[0].X > p.eyes[1].X {
		p.eyes[0], p.eyes[1] = p.eyes[1], p.eyes[0]
		p.lids[0], p.lids[1] = p.lids[1], p.lids[0]
	}
	p.linear = make([]float32, 3*p.w*p.h)
	for i := range p.w * p.h {
		for c := range 3 {
			p.linear[3*i+c] = toLinear[n.Pix[4*i+c]]
		}
	}
	p.cut(n)
	return p, nil
}

// cut finds the matte. The studio's background is even, so it is fitted by a
// polynomial; what differs from it, or can't be reached from the border along
// what does not differ, is the person.
func (p *portrait) cut(n *image.NRGBA) {
	w, h := p.w, p.h
	// The light falls off towards the borders: a·1 + b·x + c·y + d·x² + e·y² + f·x·y
	// by colour, from the top and the upper sides, without what differs most.
	terms := func(x, y int) [6]float64 {
		u, v := float64(x)/float64(w)*2-1, float64(y)/float64(h)*2-1
		return [6]float64{1, u, v, u * u, v * v, u * v}
	}
	var fit [3][6]float64
	within := func(x, y int) float64 {
		t := terms(x, y)
		d := 0.0
		for c := range 3 {
			e := float64(n.Pix[4*(y*w+x)+c])
			for k := range 6 {
				e -= fit[c][k] * t[k]
			}
			d += e * e
		}
		return math.Sqrt(d)
	}
	for round := range 5 {
		var m [6][9]float64
		for y := 0; y < h*7/10; y += 4 {
			for x := 0; x < w; x += 4 {
				inner := x > w/5 && x < w*4/5 && y > h/25 || y > h*6/10
				if inner && round < 2 || round > 0 && within(x, y) > 40/float64(round) {
					continue
				}
				t := terms(x, y)
				for a := range 6 {
					for b := range 6 {
						m[a][b] += t[a] * t[b]
					}
					for c := range 3 {
						m[a][6+c] += t[a] * float64(n.Pix[4*(y*w+x)+c])
					}
				}
			}
		}
		eliminate(&m)
		for c := range 3 {
			for k := range 6 {
				fit[c][k] = m[k][6+c]
			}
		}
	}
	differs := make([]float32, w*h)
	for y := range h {
		for x := range w {
			differs[y*w+x] = float32(within(x, y))
		}
	}
	differs = smooth(differs, w, h, 1)
	// Flood from the top and the upper sides.
	const low, high = 11, 40
	outside := make([]bool, w*h)
	var stack []int
	push := func(x, y int) {
		if x >= 0 && x < w && y >= 0 && y < h && !outside[y*w+x] && differs[y*w+x] < 20 {
			outside[y*w+x] = true
			stack = append(stack, y*w+x)
		}
	}
	for x := range w {
		push(x, 0)
	}
	for y := range h * 95 / 100 {
		push(0, y)
		push(w-1, y)
	}
	for len(stack) > 0 {
		i := stack[len(stack)-1]
		stack = stack[:len(stack)-1]
		x, y := i%w, i/w
		push(x-1, y)
		push(x+1, y)
		push(x, y-1)
		push(x, y+1)
	}
	// A pixel is as much the person's as it differs from the background, against
	// what differs most nearby: hair is dark, and half a hair is half as dark.
	// Only what is surely the head is whole whatever its colour.
	most := largestAround(differs, w, h, 7)
	reach := make([]float32, w*h)
	for i, o := range outside {
		if o {
			reach[i] = 1
		}
	}
	reach = smooth(reach, w, h, 4)
	p.alpha = make([]float32, w*h)
	m, span := p.middle(), p.span()
	for y := range h {
		for x := range w {
			i := y*w + x
			q := sq((float64(x)-m.X)/(1.02*span)) + sq((float64(y)-m.Y-0.2*span)/(1.5*span))
			neck := math.Abs(float64(x)-m.X) < 0.5*span && float64(y) > m.Y
			if (q < 1 || neck) && !outside[i] || reach[i] < 0.02 && differs[i] > 90 {
				p.alpha[i] = 1
				continue
			}
			p.alpha[i] = float32(ramp(float64(differs[i]), low, 0.85*max(float64(most[i]), high)))
		}
	}
	p.shoulders()
	// Specks far from the person are dust and the light's edge.
	p.alpha = p.largest(p.alpha)
	p.decontaminate(fit, terms)
	p.findCloth()
}

// shoulders makes the matte whole below the shoulders' line, which the white
// shirt before a light background leaves full of holes.
func (p *portrait) shoulders() {
	m, span := p.middle(), p.span()
	first := int(m.Y + 1.75*span)
	top := make([]float64, p.w)
	for x := range top {
		top[x] = float64(p.h)
		run := 0
		for y := first; y < p.h; y++ {
			if p.alpha[y*p.w+x] > 0.5 {
				run++
			} else {
				run = 0
			}
			if run == 14 {
				top[x] = float64(y - 13)
				break
			}
		}
	}
	// On each side, beyond the neck and the hair beside it, the line falls
	// outwards, and nowhere steeply: a hole in the shirt is bridged.
	const steep = 0.9
	neck := int(1.05 * span)
	middle := (int(m.X) + p.w/2) / 2
	left, right := middle-neck, middle+neck
	for x := right + 1; x < p.w; x++ {
		top[x] = min(top[x], top[x-1]+steep)
	}
	for x := p.w - 2; x >= right; x-- {
		top[x] = min(top[x], top[x+1]+steep)
	}
	for x := left - 1; x >= 0; x-- {
		top[x] = min(top[x], top[x+1]+steep)
	}
	for x := 1; x <= left; x++ {
		top[x] = min(top[x], top[x-1]+steep)
	}
	for x := right + 1; x < p.w; x++ {
		top[x] = max(top[x], top[x-1]-0.1)
	}
	for x := left - 1; x >= 0; x-- {
		top[x] = max(top[x], top[x+1]-0.1)
	}
	// At the portrait's border it goes on as it came.
	const edge, back = 14, 60
	for k := range edge {
		top[k] = top[edge] + (top[edge]-top[edge+back])*float64(edge-k)/back
		top[p.w-1-k] = top[p.w-1-edge] + (top[p.w-1-edge]-top[p.w-1-edge-back])*float64(edge-k)/back
	}
	for x := range p.w {
		away := math.Abs(float64(x)-m.X) > 1.25*span
		for y := first; y < p.h; y++ {
			i := y*p.w + x
			line := float32(ramp(float64(y), top[x]-1.5, top[x]+1.5))
			if away {
				p.alpha[i] = line
			} else {
				p.alpha[i] = max(p.alpha[i], line)
			}
		}
	}
	p.top = top
}

// largestAround is the largest value within so many pixels, in a square.
func largestAround(plane []float32, w, h, by int) []float32 {
	across := make([]float32, w*h)
	for y := range h {
		for x := range w {
			v := plane[y*w+x]
			for k := max(x-by, 0); k <= min(x+by, w-1); k++ {
				v = max(v, plane[y*w+k])
			}
			across[y*w+x] = v
		}
	}
	down := make([]float32, w*h)
	for y := range h {
		for k := max(y-by, 0); k <= min(y+by, h-1); k++ {
			for x := range w {
				down[y*w+x] = max(down[y*w+x], across[k*w+x])
			}
		}
	}
	return down
}

// largest keeps what is joined with the face.
func (p *portrait) largest(alpha []float32) []float32 {
	kept := make([]float32, len(alpha))
	m := p.middle()
	start := int(m.Y)*p.w + int(m.X)
	seen := make([]bool, len(alpha))
	seen[start] = true
	stack := []int{start}
	for len(stack) > 0 {
		i := stack[len(stack)-1]
		stack = stack[:len(stack)-1]
		kept[i] = alpha[i]
		x, y := i%p.w, i/p.w
		for _, d := range [4][2]int{{-1, 0}, {1, 0}, {0, -1}, {0, 1}} {
			a, b := x+d[0], y+d[1]
			if a >= 0 && a < p.w && b >= 0 && b < p.h && !seen[b*p.w+a] && alpha[b*p.w+a] > 0.02 {
				seen[b*p.w+a] = true
				stack = append(stack, b*p.w+a)
			}
		}
	}
	return kept
}

// decontaminate takes the background's light off where the matte is soft, so
// that no bright line goes round the person.
func (p *portrait) decontaminate(fit [3][6]float64, terms func(x, y int) [6]float64) {
	clean := make([]float32, len(p.linear))
	copy(clean, p.linear)
	for y := range p.h {
		for x := range p.w {
			i := y*p.w + x
			a := p.alpha[i]
			if a <= 0 || a >= 1 {
				continue
			}
			t := terms(x, y)
			for c := range 3 {
				b := 0.0
				for k := range 6 {
					b += fit[c][k] * t[k]
				}
				back := toLinear[uint8(min(max(b, 0), 255))]
				v := (p.linear[3*i+c] - (1-a)*back) / max(a, 0.12)
				clean[3*i+c] = min(max(v, 0), p.linear[3*i+c])
			}
		}
	}
	p.clean = clean
}

// findCloth marks the white shirt: below the chin, bright and without colour.
func (p *portrait) findCloth() {
	p.cloth = make([]float32, p.w*p.h)
	chin := p.middle().Y + 1.15*p.span()
	for y := range p.h {
		below := ramp(float64(y), chin, chin+0.3*p.span())
		if below == 0 {
			continue
		}
		for x := range p.w {
			i := y*p.w + x
			r, g, b := float64(p.linear[3*i]), float64(p.linear[3*i+1]), float64(p.linear[3*i+2])
			// Skin is redder than blue, the shirt is not.
			warm := (r - b) / max(r, b, 0.02)
			// At the hem JPEG mixes their colours, and only the shirt is so bright.
			bright := ramp(g, 0.45, 0.7)
			p.cloth[i] = float32(below * (1 - ramp(warm, 0.04+0.14*bright, 0.2+0.2*bright)) * ramp(g, 0.12, 0.3))
		}
	}
	p.cloth = smooth(p.cloth, p.w, p.h, 1)
}

// eliminate solves the normal equations, three right sides at once.
func eliminate(m *[6][9]float64) {
	for i := range 6 {
		best := i
		for j := i; j < 6; j++ {
			if math.Abs(m[j][i]) > math.Abs(m[best][i]) {
				best = j
			}
		}
		m[i], m[best] = m[best], m[i]
		if math.Abs(m[i][i]) < 1e-12 {
			continue
		}
		for j := range 6 {
			if j == i {
				continue
			}
			k := m[j][i] / m[i][i]
			for c := i; c < 9; c++ {
				m[j][c] -= k * m[i][c]
			}
		}
	}
	for i := range 6 {
		for c := 6; c < 9; c++ {
			if m[i][i] != 0 {
				m[i][c] /= m[i][i]
			}
		}
	}
}

// smooth averages a plane over squares of 2·by+1, twice.
func smooth(plane []float32, w, h, by int) []float32 {
	for range 2 {
		across := make([]float32, w*h)
		for y := range h {
			row := plane[y*w : (y+1)*w]
			sum := float32(0)
			for x := -by; x <= by; x++ {
				sum += row[min(max(x, 0), w-1)]
			}
			for x := range w {
				across[y*w+x] = sum / float32(2*by+1)
				sum += row[min(x+by+1, w-1)] - row[max(x-by, 0)]
			}
		}
		down := make([]float32, w*h)
		sums := make([]float32, w)
		for y := -by; y <= by; y++ {
			for x := range w {
				sums[x] += across[min(max(y, 0), h-1)*w+x]
			}
		}
		for y := range h {
			for x := range w {
				down[y*w+x] = sums[x] / float32(2*by+1)
				sums[x] += across[min(y+by+1, h-1)*w+x] - across[max(y-by, 0)*w+x]
			}
		}
		plane = down
	}
	return plane
}

func ramp(v, from, to float64) float64 { return min(max((v-from)/(to-from), 0), 1) }
