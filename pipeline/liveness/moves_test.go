package liveness

import (
	"image"
	"math"
	"math/rand/v2"
	"testing"

	"lintel/store"
)

// A cloth is an even pattern without an end: waves of drawn direction, length
// and phase. Places are in pixels of a glance.
type cloth struct {
	base  float64
	waves [7][4]float64 // height, across, down, phase
}

func newCloth(r *rand.Rand, contrast float64) *cloth {
	c := &cloth{base: 90 + 70*r.Float64()}
	for i := range c.waves {
		k := 2 * math.Pi / (5 + 25*r.Float64()) // 5 to 30 pixels long
		s, o := math.Sincos(2 * math.Pi * r.Float64())
		c.waves[i] = [4]float64{contrast * (0.5 + r.Float64()) / 3, k * o, k * s, 2 * math.Pi * r.Float64()}
	}
	return c
}

func (c *cloth) at(x, y float64) float64 {
	v := c.base
	for _, w := range c.waves {
		v += w[0] * math.Sin(w[1]*x+w[2]*y+w[3])
	}
	return v
}

// A play is what stands before a fixed bell: a wall, and a face that is a
// person's or on a picture. Its box is in pixels of the still.
type play struct {
	wall, face, paper *cloth
	box               image.Rectangle
	picture           bool
	noise             float64 // standard deviation of the still's luma
	stills            image.Point
}

func newPlay(r *rand.Rand, picture bool) *play {
	return &play{
		wall: newCloth(r, 25), face: newCloth(r, 40), paper: newCloth(r, 25), picture: picture,
		box: image.Rect(320, 240, 480, 400), noise: 3, stills: image.Pt(800, 640),
	}
}

// frame takes a still when the face has moved so many pixels of it.
func (p *play) frame(r *rand.Rand, number int, dx, dy float64) Frame {
	w, h := p.stills.X/glanceScale, p.stills.Y/glanceScale
	g := &Glance{p.stills.X, p.stills.Y, image.NewGray(image.Rect(0, 0, w, h))}
	at := onGlance(p.box)
	skull := discOf(at, 1.5)
	sheet := discOf(at, 2.6)
	for y := range h {
		for x := range w {
			u, v := float64(x)-dx/glanceScale, float64(y)-dy/glanceScale
			luma := 0.0
			switch {
			case skull.holds(u, v):
				luma = p.face.at(u, v)
			case p.picture && math.Abs(u-sheet.x) < sheet.rx && math.Abs(v-sheet.y) < sheet.ry:
				luma = p.paper.at(u, v)
			default:
				luma = p.wall.at(float64(x), float64(y))
			}
			luma += p.noise / glanceScale * r.NormFloat64()
			g.Luma.Pix[y*g.Luma.Stride+x] = uint8(min(max(math.Round(luma), 0), 255))
		}
	}
	box := p.box.Add(image.Pt(int(math.Round(dx)), int(math.Round(dy))))
	face := store.Face{Box: box, Liveness: &store.Liveness{}, Descriptor: store.Descriptor{1}}
	for _, l := range [][2]float64{{0.2, 0.35}, {0.4, 0.35}, {0.8, 0.35}, {0.6, 0.35}, {0.5, 0.65}} {
		face.Landmarks = append(face.Landmarks, store.Point{
			X: float64(p.box.Min.X) + l[0]*float64(p.box.Dx()) + dx + r.NormFloat64(),
			Y: float64(p.box.Min.Y) + l[1]*float64(p.box.Dy()) + dy + r.NormFloat64(),
		})
	}
	return Frame{Number: number, Glance: g, Faces: []store.Face{face}}
}

// ring takes three stills, each moved by so many pixels from the one before.
func (p *play) ring(r *rand.Rand, far float64) []Frame {
	s, c := math.Sincos(2 * math.Pi * r.Float64())
	return []Frame{p.frame(r, 0, 0, 0), p.frame(r, 1, c*far, s*far), p.frame(r, 2, 0, 0)}
}

// found is what a sign found on the first frame's first face.
func found(t testing.TB, frames []Frame, sign string) store.Finding {
	t.Helper()
	JudgeRing(frames)
	f, ok := frames[0].Faces[0].Liveness.Finding(sign)
	if !ok {
		t.Fatalf("no finding %s", sign)
	}
	return f
}

func TestShifts(t *testing.T) {
	s := shift{3, 1.1, -0.2, -4, 0.15, 0.9}
	x, y := s.after(s.back()).to(17, 29)
	if math.Hypot(x-17, y-29) > 1e-9 {
		t.Errorf("there and back is %v, %v", x, y)
	}
	o := shift{1, 0.9, 0.1, 2, -0.1, 1.2}
	a, b := s.after(o).to(5, 7)
	if c, d := s.to(o.to(5, 7)); math.Hypot(a-c, b-d) > 1e-9 {
		t.Errorf("after: %v, %v, want %v, %v", a, b, c, d)
	}
	// The middle of the first pixel of a glance lies at 1.5, 1.5 of the still.
	u, v := s.to(1.5+4*10, 1.5+4*20)
	if c, d := s.about(0.25).to(10, 20); math.Abs(4*c+1.5-u) > 1e-9 || math.Abs(4*d+1.5-v) > 1e-9 {
		t.Errorf("on the glance to %v, %v, on the still to %v, %v", c, d, u, v)
	}
}

// Keys's convolution goes through the pixels, and through any parabola.
func TestBetweenPixels(t *testing.T) {
	s := &sheet{w: 20, h: 20, luma: make([]float32, 400)}
	f := func(x, y float64) float64 { return 3 + 2*x - y + 0.25*x*x - 0.1*y*y + 0.05*x*y }
	for y := range 20 {
		for x := range 20 {
			s.luma[20*y+x] = float32(f(float64(x), float64(y)))
		}
	}
	for _, p := range [][2]float64{{5, 5}, {5.5, 7.25}, {10.1, 3.9}, {16.7, 15.3}} {
		if got := s.at(p[0], p[1]); math.Abs(got-f(p[0], p[1])) > 1e-4 {
			t.Errorf("at %v: %v, want %v", p, got, f(p[0], p[1]))
		}
	}
	if got, want := s.at(-5, -9), s.pixel(0, 0); math.Abs(got-want) > 1e-4 {
		t.Errorf("beyond the border: %v, want %v", got, want)
	}
}

// How a patch moved is found to a hundredth or two of a glance's pixel, with
// another brightness and contrast.
func TestFollow(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 8))
	for range 20 {
		c := newCloth(r, 40)
		angle, scale := 0.06*r.NormFloat64(), 1+0.03*r.NormFloat64()
		s, o := math.Sincos(angle)
		want := shift{b: scale * o, c: -scale * s, e: scale * s, f: scale * o}
		want.a, want.d = 40-want.b*40-want.c*40+2*r.NormFloat64(), 40-want.e*40-want.f*40+2*r.NormFloat64()
		back := want.back()
		a, b := image.NewGray(image.Rect(0, 0, 80, 80)), image.NewGray(image.Rect(0, 0, 80, 80))
		for y := range 80 {
			for x := range 80 {
				a.Pix[80*y+x] = uint8(c.at(float64(x), float64(y)) + 0.8*r.NormFloat64() + 0.5)
				u, v := back.to(float64(x), float64(y))
				b.Pix[80*y+x] = uint8(10 + 0.9*c.at(u, v) + 0.8*r.NormFloat64() + 0.5)
			}
		}
		guess := unmoved
		guess.a, guess.d = want.a+want.b*40+want.c*40-40+r.NormFloat64(), want.d+want.e*40+want.f*40-40+r.NormFloat64()
		for _, freedom := range []int{similar, affine} {
			got, alike := follow(newSheet(a), newSheet(b), disc{40, 40, 20, 24}, guess, freedom)
			for _, p := range [][2]float64{{40, 40}, {25, 40}, {40, 60}} {
				x, y := got.to(p[0], p[1])
				u, v := want.to(p[0], p[1])
				if math.Hypot(x-u, y-v) > 0.05 || alike < 0.98 {
					t.Errorf("freedom %d: %v goes to %.3f, %.3f, want %.3f, %.3f; alike %.3f", freedom, p, x, y, u, v, alike)
				}
			}
		}
	}
}

// A block's place is known as well as its covariance says: what it is off by,
// in standard deviations, is from a chi-square of 2 degrees of freedom, whose
// mean is 2, for the noise and jitter that are measured on the wall.
func TestNoiseOfMoves(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 10))
	sum, n := 0.0, 0
	for range 6 {
		p := newPlay(r, true)
		a, b := p.frame(r, 0, 0, 0), p.frame(r, 1, 9.3, -5.1)
		m, ok := newMove(newSheet(a.Glance.Luma), newSheet(b.Glance.Luma), &a.Faces[0], &b.Faces[0])
		if !ok {
			t.Fatal("no move")
		}
		if m.far < 0.9*math.Hypot(9.3, 5.1)/4 || m.far > 1.1*math.Hypot(9.3, 5.1)/4 {
			t.Errorf("the face moved %v pixels of a glance", m.far)
		}
		for _, d := range m.dots() {
			du, dv := d.u-d.x-9.3/4, d.v-d.y+5.1/4
			sum += d.uu*du*du + 2*d.uv*du*dv + d.vv*dv*dv
			n++
		}
	}
	mean := sum / float64(n)
	t.Logf("%d blocks are off by a mean square of %.2f standard deviations", n, mean)
	if n < 60 || mean < 0.2 || mean > 2.6 {
		t.Errorf("%d blocks, off by a mean square of %.2f standard deviations, want 2 or less: following is better than trackError has it where nothing else changes", n, mean)
	}
}

// What could come from an archive is judged without a panic, and what can't be
// told is said.
func TestOddRings(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 12))
	ring := func(change func([]Frame)) []Frame {
		frames := newPlay(r, true).ring(r, 12)
		change(frames)
		return frames
	}
	for name, c := range map[string]struct {
		frames []Frame
		why    map[string]string // by sign
	}{
		"no glances": {ring(func(f []Frame) { f[0].Glance, f[1].Glance, f[2].Glance = nil, nil, nil }), map[string]string{Plane: Plain, Together: Plain, Copies: Plain, Blink: NoEyes}},
		"one glance": {ring(func(f []Frame) { f[1].Glance, f[2].Glance = nil, nil }), map[string]string{Plane: Plain, Together: Plain, Copies: Plain}},
		"empty glances": {ring(func(f []Frame) {
			for i := range f {
				f[i].Glance = &Glance{0, 0, image.NewGray(image.Rectangle{})}
			}
		}), map[string]string{Plane: Plain, Together: Plain}},
		"other sizes": {ring(func(f []Frame) {
			small := newPlay(r, true)
			small.stills = image.Pt(720, 600)
			f[1] = small.frame(r, 1, 0, 0)
			small.stills = image.Pt(640, 640)
			f[2] = small.frame(r, 2, 3, 3)
		}), map[string]string{Plane: Sizes, Together: Sizes, Copies: Sizes}},
		"one of another size": {ring(func(f []Frame) {
			small := newPlay(r, true)
			small.stills = image.Pt(720, 600)
			f[2] = small.frame(r, 2, 0, 0)
		}), map[string]string{Together: "", Copies: ""}},
		"no landmarks": {ring(func(f []Frame) {
			for i := range f {
				f[i].Faces[0].Landmarks = nil
			}
		}), map[string]string{Blink: NoEyes, Together: ""}},
		"landmarks in one place": {ring(func(f []Frame) {
			for i := range f {
				f[i].Faces[0].Landmarks = make([]store.Point, 5)
			}
		}), map[string]string{Blink: Tiny}},
		"landmarks not numbers": {ring(func(f []Frame) {
			for k := range f[1].Faces[0].Landmarks {
				f[1].Faces[0].Landmarks[k] = store.Point{X: math.NaN(), Y: math.Inf(1)}
			}
		}), nil},
		"5 and 68 landmarks": {ring(func(f []Frame) {
			for range 63 {
				f[1].Faces[0].Landmarks = append(f[1].Faces[0].Landmarks, store.Point{X: 400, Y: 300})
			}
		}), nil},
		"tiny faces": {ring(func(f []Frame) {
			for i := range f {
				f[i].Faces[0].Box = image.Rect(400, 300, 430, 330)
			}
		}), map[string]string{Plane: Tiny, Together: Tiny}},
		"boxes without extent": {ring(func(f []Frame) {
			for i := range f {
				f[i].Faces[0].Box = image.Rectangle{}
			}
		}), map[string]string{Plane: Tiny}},
		"boxes beyond the still": {ring(func(f []Frame) {
			for i := range f {
				f[i].Faces[0].Box = image.Rect(-400, -400, -100, -100).Add(image.Pt(3000*i, 0))
			}
		}), nil},
		"two persons": {ring(func(f []Frame) {
			for i := range f {
				other := f[i].Faces[0]
				other.Box = other.Box.Add(image.Pt(200, 0))
				other.Descriptor, other.Liveness = store.Descriptor{-1}, &store.Liveness{}
				f[i].Faces = append(f[i].Faces, other)
			}
		}), map[string]string{Together: ""}},
	} {
		t.Run(name, func(t *testing.T) {
			JudgeRing(c.frames)
			for sign, why := range c.why {
				f, ok := c.frames[0].Faces[0].Liveness.Finding(sign)
				if !ok || f.Missing != why {
					t.Errorf("%s: got %+v, want %q missing", sign, f, why)
				}
				if f.Missing != "" && f.Score != 0 {
					t.Errorf("%s is missing and has a score of %v", sign, f.Score)
				}
			}
			for _, f := range c.frames[0].Faces[0].Liveness.Findings {
				for _, v := range append(f.Values, f.Score) {
					if math.IsNaN(v) || math.IsInf(v, 0) {
						t.Errorf("%s: %v", f.Sign, f)
					}
				}
			}
		})
	}
}

// Budget: 10 ms a frame.
func BenchmarkJudgeRing(b *testing.B) {
	r := rand.New(rand.NewPCG(13, 14))
	frames := newPlay(r, true).ring(r, 12)
	for b.Loop() {
		JudgeRing(frames)
	}
	b.ReportMetric(float64(b.Elapsed().Microseconds())/1000/float64(b.N*len(frames)), "ms/frame")
}
