package doorstep

import (
	"image"
	"math"
	"sync"

	"lintel/internal/doorstep/raster"
)

// A portrait is a photograph of somebody, as is printed or sent around: looked at from a step away, in soft
// light, before something blurred.
type portrait struct {
	pixels    []colour  // as a photograph has them: sRGB's light, 0 to 1
	heads     []float64 // how much of a pixel is the head
	landmarks [5]Point  // on it, in metres from the middle between the eyes to the right and up
	outline   []Point
}

// The portrait's pixels, over so many metres at the face's distance. The eyes are in the middle of its
// width, at two fifths of its height.
const (
	portraitWidth  = 360
	portraitHeight = 520
	portraitScale  = 1300.0 // pixels a metre
	portraitEyes   = 208    // pixels from the top
	portraitFar    = 0.9    // metres
)

var portraits sync.Map // of those who were shown, by *Person: at most as many as there are people

func portraitOf(who *Person) *portrait {
	known, ok := portraits.Load(who)
	if !ok {
		known, _ = portraits.LoadOrStore(who, newPortrait(who))
	}
	return known.(*portrait)
}

// studio is the lens that portraits are taken with.
func studio(at raster.Vec) (x, y, depth float64) {
	k := portraitScale * portraitFar / max(at[2], raster.Near)
	return (portraitWidth-1)/2.0 + k*at[0], portraitEyes - k*at[1], at[2]
}

func newPortrait(who *Person) *portrait {
	f := Visitor{Who: who, Smile: 0.3}.figure()
	pose := newPose(raster.Vec{0, 0, portraitFar}, 2, 0, 0)
	l := &light{sun: beam{raster.Vec{-0.5, 0.5, -0.7}.Unit(), colour{0.55, 0.53, 0.5}}}
	for i, c := range []float64{0.26, 0.34, 0.4, 0.2, 0.2, 0.3} {
		l.around[i] = colour{c, c, c * 1.04}
	}
	p := &portrait{pixels: make([]colour, portraitWidth*portraitHeight),
		heads: make([]float64, portraitWidth*portraitHeight)}
	for i := range p.pixels {
		at := raster.Vec{float64(i%portraitWidth) / 120, float64(i/portraitWidth) / 120, 3}
		p.pixels[i] = colour{0.20, 0.24, 0.22}.mix(colour{0.42, 0.40, 0.34}, clouds(at, 2))
	}
	b := raster.New(image.Rect(0, 0, portraitWidth, portraitHeight), 2)
	m := f.posed(pose)
	b.Draw(m, m.Through(studio))
	b.Each(func(x, y int, seen []raster.Fragment) {
		at := &p.pixels[y*portraitWidth+x]
		behind := *at
		for k := range seen { // the shares of a pixel, side by side
			s := &seen[k]
			*at = at.plus(f.paint(s, pose.turned, l).times(s.Coverage)).plus(behind.times(-s.Coverage))
			if f.head(s.Surface) {
				p.heads[y*portraitWidth+x] += s.Coverage
			}
		}
	})
	for i := range p.pixels {
		for k, v := range p.pixels[i] {
			p.pixels[i][k] = 1 - math.Exp(-1.5*v)
		}
	}
	for i, mark := range f.landmarks {
		p.landmarks[i] = onPortrait(f.place(pose, mark, 1))
	}
	for _, at := range f.outline {
		p.outline = append(p.outline, onPortrait(f.place(pose, at, 1)))
	}
	return p
}

// onPortrait is where a place is seen on the portrait, in metres from the eyes.
func onPortrait(at raster.Vec) Point {
	x, y, _ := studio(at)
	return Point{(x - (portraitWidth-1)/2.0) / portraitScale, (portraitEyes - y) / portraitScale}
}

// at is the portrait's colour at metres to the right of the eyes and up, between its pixels,
// and how much of the head is there.
func (p *portrait) at(right, up float64) (c colour, head float64) {
	x := min(max((portraitWidth-1)/2.0+right*portraitScale, 0), portraitWidth-1.001)
	y := min(max(portraitEyes-up*portraitScale, 0), portraitHeight-1.001)
	i := int(y)*portraitWidth + int(x)
	u, v := x-math.Floor(x), y-math.Floor(y)
	upper := p.pixels[i].mix(p.pixels[i+1], u)
	lower := p.pixels[i+portraitWidth].mix(p.pixels[i+portraitWidth+1], u)
	return upper.mix(lower, v), p.heads[int(y+0.5)*portraitWidth+int(x+0.5)]
}
