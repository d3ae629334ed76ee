package liveness

import (
	"image"
	"image/color"
	"image/draw"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"lintel/internal/house"
)

// A stage is a drawn still. Places on it are in eye spans to the right of and
// below the middle of the eyes, and go through to.
type stage struct {
	*image.RGBA
	to func(right, down float64) (x, y float64)
}

// newStage draws an evenly grey still of so many pixels, with the eyes at a
// place and so far apart.
func newStage(w, h int, x, y, span float64) *stage {
	s := &stage{image.NewRGBA(image.Rect(0, 0, w, h)), func(right, down float64) (float64, float64) {
		return x + right*span, y + down*span
	}}
	draw.Draw(s, s.Rect, image.NewUniform(color.RGBA{128, 124, 118, 255}), image.Point{}, draw.Src)
	return s
}

// askew turns what is drawn from now on about the face, in degrees, and away
// from the bell: what is a span to the right is so much smaller.
func (s *stage) askew(roll, yaw float64) {
	to, sin, cos := s.to, math.Sin(roll*math.Pi/180), math.Cos(roll*math.Pi/180)
	s.to = func(right, down float64) (float64, float64) {
		depth := 1 + yaw*right
		right, down = right/depth, down/depth
		return to(right*cos-down*sin, right*sin+down*cos)
	}
}

// polygon fills the polygon of some corners: right, down, right, down ...
func (s *stage) polygon(c color.RGBA, corners ...float64) {
	var xs, ys []float64
	for i := 0; i < len(corners); i += 2 {
		x, y := s.to(corners[i], corners[i+1])
		xs, ys = append(xs, x), append(ys, y)
	}
	within := image.Rect(int(slices.Min(xs)), int(slices.Min(ys)), int(slices.Max(xs))+2, int(slices.Max(ys))+
		2).Intersect(s.Rect)
	for y := within.Min.Y; y < within.Max.Y; y++ {
		for x := within.Min.X; x < within.Max.X; x++ {
			in := false
			for i := range xs {
				k := (i + 1) % len(xs)
				if fy := float64(y); (ys[i] > fy) != (ys[k] > fy) && float64(x) < xs[i]+(fy-ys[i])/(ys[k]-ys[i])*(xs[k]-xs[i]) {
					in = !in
				}
			}
			if in {
				s.SetRGBA(x, y, c)
			}
		}
	}
}

func (s *stage) box(c color.RGBA, x0, y0, x1, y1 float64) {
	s.polygon(c, x0, y0, x1, y0, x1, y1, x0, y1)
}

func (s *stage) ellipse(c color.RGBA, x, y, rx, ry float64) {
	var corners []float64
	for i := range 40 {
		sin, cos := math.Sincos(float64(i) * math.Pi / 20)
		corners = append(corners, x+rx*cos, y+ry*sin)
	}
	s.polygon(c, corners...)
}

var (
	skin  = color.RGBA{205, 158, 132, 255}
	hair  = color.RGBA{58, 44, 36, 255}
	shirt = color.RGBA{70, 84, 120, 255}
	white = color.RGBA{236, 236, 232, 255}
	black = color.RGBA{14, 14, 16, 255}
	wood  = color.RGBA{118, 82, 56, 255}
	brick = color.RGBA{150, 84, 66, 255}
)

// person draws head, neck, and shoulders down to a place and no further aside
// than another.
func (s *stage) person(bottom, aside float64) {
	shoulder := min(3.3, aside)
	if bottom > 2.2 {
		s.polygon(shirt, -0.8, min(2.1, bottom), 0.8, min(2.1, bottom), shoulder*0.8, min(2.6, bottom), shoulder,
			min(3.4, bottom),
			min(3.6, aside), bottom, -min(3.6, aside), bottom, -shoulder, min(3.4, bottom), -shoulder*0.8, min(2.6, bottom))
	}
	s.box(skin, -0.75, 1, 0.75, min(2, bottom))
	if bottom > 2.6 {
		s.ellipse(skin, 0, 2, 0.75, 0.5)
	}
	s.ellipse(hair, 0, -0.1, 1.3, min(1.85, 9))
	s.ellipse(skin, 0, 0.35, 1.1, 1.5)
	for _, side := range []float64{-0.5, 0.5} {
		s.ellipse(white, side, 0, 0.2, 0.1)
		s.ellipse(hair, side, 0, 0.09, 0.1)
		s.ellipse(hair, side, -0.3, 0.28, 0.06)
	}
	s.ellipse(color.RGBA{170, 112, 96, 255}, 0, 0.6, 0.16, 0.1)
	s.ellipse(color.RGBA{160, 84, 84, 255}, 0, 1.05, 0.38, 0.1)
}

// face is what a finder would say of the person drawn last.
func (s *stage) face() house.Face {
	var f house.Face
	for _, at := range [][2]float64{{0.68, 0}, {0.32, 0}, {-0.68, 0}, {-0.32, 0}, {0, 0.65}} {
		x, y := s.to(at[0], at[1])
		f.Landmarks = append(f.Landmarks, house.Point{X: x, Y: y})
	}
	x0, y0 := s.to(-1, -0.8)
	x1, y1 := s.to(1, 1.4)
	f.Box = image.Rect(int(x0), int(y0), int(x1), int(y1))
	return f
}

// taken is the still as a bell's camera gives it: a little soft and noisy, as
// YCbCr.
func (s *stage) taken(noise float64) *image.YCbCr {
	rng := rand.New(rand.NewPCG(7, 11))
	out := image.NewYCbCr(s.Rect, image.YCbCrSubsampleRatio420)
	for y := s.Rect.Min.Y; y < s.Rect.Max.Y; y++ {
		for x := s.Rect.Min.X; x < s.Rect.Max.X; x++ {
			var sum [3]int
			for dy := -1; dy <= 1; dy++ {
				for dx := -1; dx <= 1; dx++ {
					c := s.RGBAAt(min(max(x+dx, 0), s.Rect.Max.X-1), min(max(y+dy, 0), s.Rect.Max.Y-1))
					sum[0], sum[1], sum[2] = sum[0]+int(c.R), sum[1]+int(c.G), sum[2]+int(c.B)
				}
			}
			n := noise * rng.NormFloat64()
			var c [3]uint8
			for i := range c {
				c[i] = uint8(min(max(float64(sum[i])/9+n, 0), 255))
			}
			yy, cb, cr := color.RGBToYCbCr(c[0], c[1], c[2])
			out.Y[out.YOffset(x, y)], out.Cb[out.COffset(x, y)], out.Cr[out.COffset(x, y)] = yy, cb, cr
		}
	}
	return out
}

func (s *stage) bricks() {
	s.box(color.RGBA{176, 168, 158, 255}, -30, -30, 30, 30)
	for row := range 60 {
		for column := range 40 {
			x, y := float64(column)*1.6-30+0.8*float64(row%2), float64(row)*0.7-20
			s.box(brick, x, y, x+1.5, y+0.6)
		}
	}
}

// doorway draws a door with its frame behind where a person will stand.
func (s *stage) doorway(width float64) {
	s.box(white, -width/2-0.8, -5.5, width/2+0.8, 30)
	s.box(color.RGBA{64, 88, 80, 255}, -width/2, -4.7, width/2, 30)
	for _, y := range []float64{-3.5, 3, 9} {
		s.box(color.RGBA{50, 72, 66, 255}, -width/2+1, y, width/2-1, y+5)
	}
}

// fence draws upright boards between two heights, of weathered brown that differs
// from board to board and along each; about half of it has the colour of skin.
func (s *stage) fence(top, bottom float64) {
	rng := rand.New(rand.NewPCG(7, 5))
	for x := -20.0; x < 20; x += 0.55 {
		for y := top; y < bottom; y += 1.5 {
			by := uint8(rng.IntN(28))
			s.box(color.RGBA{112 + by/2, 92 + by, 66 + by, 255}, x, y, x+0.5, min(y+1.5, bottom))
		}
		s.box(color.RGBA{64, 54, 44, 255}, x+0.5, top, x+0.55, bottom)
	}
}

// hood draws a hood about the face that ends in a straight hem on the chest.
func (s *stage) hood() {
	cloth := color.RGBA{40, 38, 42, 255}
	s.polygon(cloth, -1.4, -0.9, -1, -1.7, 0, -2, 1, -1.7, 1.4, -0.9, 1.5, 1.2, 2.6, 3.1, -2.6, 3, -1.5, 1.2)
	s.ellipse(skin, 0, 0.35, 1.05, 1.35)
	for _, side := range []float64{-0.5, 0.5} {
		s.ellipse(white, side, 0, 0.2, 0.1)
		s.ellipse(hair, side, 0, 0.09, 0.1)
	}
}

// stripes draws the stripes of a jumper on the person drawn last.
func (s *stage) stripes() {
	for y := 2.75; y < 12; y += 0.5 {
		aside := min(2.6+0.9*(y-2.6), 3.3)
		s.polygon(color.RGBA{206, 200, 96, 255}, -aside, y, aside, y-0.1, aside, y+0.13, -aside, y+0.23)
	}
}

// paper draws a sheet with a person on it.
func (s *stage) paper(margin color.RGBA, rim, x0, y0, x1, y1 float64) {
	s.box(margin, x0-rim, y0-rim, x1+rim, y1+rim)
	s.box(color.RGBA{204, 208, 206, 255}, x0, y0, x1, y1)
	s.person(y1, min(-x0, x1))
}

func TestEdges(t *testing.T) {
	withoutRaces(t)
	tests := []struct {
		name    string
		draw    func(s *stage)
		picture bool
	}{
		{"a person before nothing", func(s *stage) { s.person(30, 9) }, false},
		{"a person before a door", func(s *stage) { s.doorway(8); s.person(30, 9) }, false},
		{"a person in a narrow door", func(s *stage) { s.doorway(5); s.person(30, 9) }, false},
		{"a person before bricks", func(s *stage) { s.bricks(); s.person(30, 9) }, false},
		{"a person with a parcel", func(s *stage) { s.doorway(9); s.person(30, 9); s.box(wood, -2, 4.2, 2, 7) }, false},
		{"a person at a window", func(s *stage) {
			s.box(white, -2.6, -4, 2.6, 3)
			s.box(color.RGBA{40, 52, 60, 255}, -2.2, -3.6, 2.2, 2.6)
			s.person(30, 9)
		}, false},
		{"a hood's hem before a fence", func(s *stage) {
			s.box(white, -30, -30, 30, 30)
			s.fence(-5, 30)
			s.person(30, 9)
			s.hood()
		}, false},
		{"a hood's hem before a lower fence", func(s *stage) { s.fence(-3.6, 30); s.person(30, 9); s.hood() }, false},
		{"a hood's hem before a wall and a fence", func(s *stage) {
			s.fence(-3.6, 1.5)
			s.box(brick, -30, 1.5, 30, 30)
			s.person(30, 9)
			s.hood()
		}, false},
		{"a striped jumper before a wall", func(s *stage) {
			s.box(white, -30, -30, 30, -2.4)
			s.box(color.RGBA{212, 210, 184, 255}, -30, -2.4, 30, 30)
			s.person(30, 9)
			s.stripes()
		}, false},
		{"a striped jumper before a fence", func(s *stage) {
			s.box(white, -30, -30, 30, 30)
			s.fence(-5, 30)
			s.person(30, 9)
			s.stripes()
		}, false},
		{"a striped jumper before the end of a wall", func(s *stage) {
			s.box(white, -30, -30, 30, 30)
			s.box(wood, -9, -2.4, 1.15, 30)
			s.person(30, 9)
			s.stripes()
		}, false},
		{"paper before a fence", func(s *stage) { s.fence(-3.6, 30); s.paper(white, 0.2, -2.4, -3, 2.4, 4) }, true},
		{"paper before a person in stripes", func(s *stage) {
			s.box(wood, -30, 1, 30, 30)
			s.person(30, 9)
			s.stripes()
			s.askew(5, 0.02)
			s.paper(white, 0.2, -2.4, -3, 2.4, 4)
		}, true},
		{"paper", func(s *stage) { s.paper(white, 0.2, -2.4, -3, 2.4, 4) }, true},
		{"paper before a door", func(s *stage) { s.doorway(9); s.paper(white, 0.2, -2.4, -3, 2.4, 4) }, true},
		{"paper before bricks, askew", func(s *stage) {
			s.bricks()
			s.askew(6, 0.02)
			s.paper(white, 0, -2.4, -3, 2.4, 4)
		}, true},
		{"paper turned away", func(s *stage) {
			s.doorway(8)
			s.askew(-8, 0.05)
			s.paper(white, 0.2, -2.6, -3.2, 2.6, 4)
		}, true},
		{"a tablet with a bezel", func(s *stage) {
			s.bricks()
			s.askew(2, -0.03)
			s.paper(black, 0.35, -2.8, -3, 2.8, 5)
		}, true},
		{"paper cut to the face", func(s *stage) { s.doorway(9); s.paper(white, 0, -1.6, -2.2, 1.6, 2) }, true},
		{"paper that goes on below the still", func(s *stage) { s.doorway(14); s.paper(white, 0, -2.4, -3, 2.4, 40) },
			true},
		{"paper of which one side is beyond the still", func(s *stage) {
			s.doorway(14)
			s.askew(4, 0)
			s.paper(white, 0.2, -40, -3, 2.4, 4)
		}, true},
	}
	for _, size := range []struct {
		w, h       int
		x, y, span float64
	}{{640, 512, 320, 230, 33}, {640, 512, 330, 190, 24}} {
		for _, test := range tests {
			s := newStage(size.w, size.h, size.x, size.y, size.span)
			test.draw(s)
			f := measureEdges(newScene(s.taken(3)).view(s.face()))
			if f.Missing != "" || (f.Score > 0.5) != test.picture {
				t.Errorf("%s, eyes %v pixels apart: score %.2f %v %s", test.name, size.span, f.Score, f.Values, f.Missing)
			}
		}
	}
}

func BenchmarkEdges(b *testing.B) {
	s := newStage(1280, 1024, 640, 440, 66)
	s.bricks()
	s.askew(6, 0.02)
	s.paper(white, 0.2, -2.4, -3, 2.4, 4)
	scene := newScene(s.taken(3))
	for b.Loop() {
		edgesSign.measure(scene.view(s.face()))
	}
}
