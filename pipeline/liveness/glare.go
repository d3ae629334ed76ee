package liveness

import (
	"fmt"
	"math"

	"lintel/store"
)

// Glass and glossy paper throw back what shines on them: the sky, a lamp, the
// bell's own light. On a picture such a patch lies on the plane of the picture
// and not on what is to be seen there, so it begins on the face, say, and ends
// on what is beside the head. Skin shines as well, but only where it bulges: the
// forehead, the nose, the cheeks; and glasses shine over the eyes.
//
// Looked for are near-white patches without colour (the light's own colour, as
// in the dichromatic model of Shafer, Color Research & Application 10(4), 1985)
// that lie on both sides of the head's outline, and fade out: the sky behind
// somebody ends sharply at the head. How bright, large and soft is common
// practice, no source.
//
// Values: the largest such patch in square eye spans; what part of its edge
// fades; what part of it is on the face; what part of its edge is where nothing
// was looked for.
var glareSign = sign{
	code: Glare,
	words: words{
		name: "Glare on glass or gloss",
		says: func(f store.Finding) string {
			return fmt.Sprintf("A shine lies over the face and what is beside it, %s.", eyeSpans(math.Sqrt(f.Values[0])))
		},
	},
	measure: measureGlare,
}

// eyeSpans says how large something is.
func eyeSpans(n float64) string {
	if n < 0.5 {
		return "smaller than an eye"
	}
	return fmt.Sprintf("%.1f times as wide as the eyes are apart", n)
}

const (
	glareSpan   = 10  // pixels of the patch that glare is looked for in
	glareLuma   = 215 // and brighter
	glareChroma = 16  // and less
	glareFades  = 170 // luma that a patch which fades out still has two pixels on
)

func measureGlare(v *view) store.Finding {
	p, h, why := v.patchAndHead(glareSpan, 3, 3, 3)
	if why != "" {
		return missing(why)
	}
	found := store.Finding{Values: []float64{0, 0, 0, 0}}
	best := -1.0
	for _, b := range p.shines(h) {
		score := ramp(b.area, 0.08, 0.5) * ramp(b.fades, 0.5, 0.8) * ramp(b.onFace, 0.02, 0.08) * (1 - ramp(b.onFace, 0.5, 0.75)) * (1 - ramp(b.cut, 0.05, 0.2))
		if score > best || score == best && b.area > found.Values[0] {
			best = score
			found.Score, found.Values = score, []float64{b.area, b.fades, b.onFace, b.cut}
			if score > 0 {
				lo, hi := p.toStill(b.x0-0.5, b.y0-0.5), p.toStill(b.x1+0.5, b.y1+0.5)
				found.Region = []store.Point{lo, {X: hi.X, Y: lo.Y}, hi, {X: lo.X, Y: hi.Y}}
			}
		}
	}
	return found
}

// A shine is a connected near-white part of a patch.
type shine struct {
	area           float64 // square eye spans
	fades          float64 // part of its edge that is no sharp end
	onFace         float64 // part of it on the face
	cut            float64 // part of its edge that is the patch's
	x0, y0, x1, y1 float64
}

// shines finds the near-white parts, none below the chin: shirts are white too.
func (p *patch) shines(h *head) []shine {
	bright := make([]bool, p.w*p.h)
	for i := range bright {
		_, down := h.upright(float64(i%p.w), float64(i/p.w))
		bright[i] = p.y[i] > glareLuma && math.Hypot(float64(p.cb[i]), float64(p.cr[i])) < glareChroma && down < 1.9
	}
	var all []shine
	var todo []int
	for start := range bright {
		if !bright[start] {
			continue
		}
		s := shine{x0: math.Inf(1), y0: math.Inf(1)}
		n, edge, fades, cut, face := 0., 0., 0., 0., 0.
		bright[start] = false
		todo = append(todo[:0], start)
		var members []int
		for len(todo) > 0 {
			i := todo[len(todo)-1]
			todo = todo[:len(todo)-1]
			members = append(members, i)
			x, y := i%p.w, i/p.w
			for _, step := range [4][2]int{{1, 0}, {-1, 0}, {0, 1}, {0, -1}} {
				nx, ny := x+step[0], y+step[1]
				if nx < 0 || ny < 0 || nx >= p.w || ny >= p.h {
					cut, edge = cut+1, edge+1
					continue
				}
				if k := ny*p.w + nx; bright[k] {
					bright[k] = false
					todo = append(todo, k)
				} else if p.y[k] <= glareLuma {
					edge++
					if fx, fy := nx+step[0], ny+step[1]; fx >= 0 && fy >= 0 && fx < p.w && fy < p.h && p.y[fy*p.w+fx] > glareFades {
						fades++
					}
				}
			}
		}
		for _, i := range members {
			x, y := float64(i%p.w), float64(i/p.w)
			s.x0, s.y0, s.x1, s.y1 = min(s.x0, x), min(s.y0, y), max(s.x1, x), max(s.y1, y)
			right, down := h.upright(x, y)
			if a, b := right/0.95, (down-0.4)/1.3; a*a+b*b < 1 {
				face++
			}
			n++
		}
		s.area, s.fades, s.onFace, s.cut = n/(h.span*h.span), fades/max(edge, 1), face/n, cut/max(edge, 1)
		all = append(all, s)
	}
	return all
}
