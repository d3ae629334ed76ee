package liveness

import (
	"image/color"
	"math"
	"testing"

	"lintel/internal/python"
)

// linear is what scikit-image makes of the greys of sRGB.
func TestLinearAgainstScikitImage(t *testing.T) {
	var theirs []float64
	python.Ask(t, "skimage", `
import json, sys, numpy
from skimage.color import rgb2xyz
json.load(sys.stdin)
grey = numpy.repeat(numpy.arange(256)[None, :, None]/255, 3, axis=2)
json.dump(rgb2xyz(grey)[0, :, 1].tolist(), sys.stdout)
`, nil, &theirs)
	for i, their := range theirs {
		if math.Abs(linear[i]-their) > 1e-4 {
			t.Errorf("grey %d is %.5f and not %.5f", i, linear[i], their)
		}
	}
}

// through returns colours as a medium shows them: with its black added to all
// and a part of the colour gone.
func through(black, colour float64) func(color.RGBA) color.RGBA {
	return func(c color.RGBA) color.RGBA {
		l := [3]float64{linear[c.R], linear[c.G], linear[c.B]}
		grey := 0.2126*l[0] + 0.7152*l[1] + 0.0722*l[2]
		var out [3]uint8
		for i := range l {
			out[i] = encoded(black + (1-black)*(grey+colour*(l[i]-grey)))
		}
		return color.RGBA{out[0], out[1], out[2], 255}
	}
}

// encoded is the reverse of linear.
func encoded(l float64) uint8 {
	for i := range linear {
		if linear[i] >= l {
			return uint8(i)
		}
	}
	return 255
}

// recolour changes all colours in a box in eye spans.
func (s *stage) recolour(change func(color.RGBA) color.RGBA, x0, y0, x1, y1 float64) {
	ax, ay := s.to(x0, y0)
	bx, by := s.to(x1, y1)
	for y := max(int(ay), 0); y < min(int(by), s.Rect.Max.Y); y++ {
		for x := max(int(ax), 0); x < min(int(bx), s.Rect.Max.X); x++ {
			s.SetRGBA(x, y, change(s.RGBAAt(x, y)))
		}
	}
}

var tones = []color.RGBA{{224, 182, 160, 255}, {205, 158, 132, 255}, {141, 98, 74, 255}, {92, 58, 42, 255}}

// street draws what a doorstep looks out on, and a person of some tone.
func street(tone color.RGBA) *stage {
	s := newStage(640, 512, 320, 230, 30)
	s.box(color.RGBA{190, 200, 212, 255}, -12, -8, 12, 0)
	s.box(color.RGBA{96, 112, 72, 255}, -12, 0, 12, 10)
	s.box(color.RGBA{22, 20, 18, 255}, -9, -5, -5, 4)
	was := skin
	skin = tone
	s.person(30, 9)
	skin = was
	return s
}

func TestGamut(t *testing.T) {
	for _, tone := range tones {
		last := 0.0
		for _, black := range []float64{0, 0.03, 0.08, 0.15} {
			s := street(tone)
			s.recolour(through(black, 1-3*black), -2.4, -3, 2.4, 3)
			f := measureGamut(newScene(s.taken(3)).view(s.face(), nil))
			if f.Missing != "" || f.Score < last || black == 0 && f.Score > 0 || black == 0.15 && f.Score < 0.5 {
				t.Errorf("skin %v, black of %v: %.2f %v %s", tone, black, f.Score, f.Values, f.Missing)
			}
			last = f.Score
		}
	}
}

func TestCast(t *testing.T) {
	withoutRaces(t)
	tests := []struct {
		name       string
		r, g, b    float64 // of the light on the face
		from, upTo float64
	}{
		{"the same light", 1, 1, 1, 0, 0},
		{"evening sun", 1.2, 1, 0.7, 0, 0},
		{"a bell's lamp", 1.9, 1.8, 1.7, 0, 0},
		{"a blue screen", 0.72, 1, 1.6, 0.5, 1},
	}
	for i, tone := range tones {
		for _, test := range tests {
			if i >= 2 {
				test.from = 0 // a picture of darker skin may be red enough
			}
			s := street(tone)
			s.recolour(func(c color.RGBA) color.RGBA {
				return color.RGBA{encoded(linear[c.R] * test.r), encoded(linear[c.G] * test.g), encoded(linear[c.B] * test.b), 255}
			}, -2.4, -3, 2.4, 3)
			f := measureCast(newScene(s.taken(3)).view(s.face(), nil))
			if f.Missing != "" || f.Score < test.from || f.Score > test.upTo {
				t.Errorf("skin %v, %s: %.2f %v %s", tone, test.name, f.Score, f.Values, f.Missing)
			}
		}
	}
	grey := street(tones[1])
	grey.recolour(through(0, 0), -30, -30, 30, 30)
	if f := measureCast(newScene(grey.taken(3)).view(grey.face(), nil)); f.Missing != Dark {
		t.Errorf("by infrared light: %+v", f)
	}
}

func TestGlare(t *testing.T) {
	withoutRaces(t)
	// lamp adds light that fades out around a place, so wide.
	lamp := func(x, y, wide float64) func(*stage) {
		return func(s *stage) {
			px, py := s.to(x, y)
			for j := range s.Rect.Dy() {
				for i := range s.Rect.Dx() {
					d := math.Hypot(float64(i)-px, float64(j)-py) / (30 * wide)
					c, add := s.RGBAAt(i, j), 1.3*math.Exp(-d*d)
					s.SetRGBA(i, j, color.RGBA{encoded(linear[c.R] + add), encoded(linear[c.G] + add), encoded(linear[c.B] + add), 255})
				}
			}
		}
	}
	tests := []struct {
		name    string
		draw    func(*stage)
		picture bool
	}{
		{"no glare", func(*stage) {}, false},
		{"a shiny forehead", lamp(0, -0.7, 0.2), false},
		{"a shiny nose", lamp(0, 0.5, 0.15), false},
		{"a window behind", func(s *stage) { s.box(color.RGBA{255, 255, 255, 255}, 1.6, -2, 2.8, 1) }, false},
		{"glare from cheek to beside the head", lamp(1.1, 0.3, 0.6), true},
		{"glare from forehead to above", lamp(-0.8, -1, 0.7), true},
	}
	for _, tone := range tones {
		for _, test := range tests {
			s := street(tone)
			test.draw(s)
			f := measureGlare(newScene(s.taken(3)).view(s.face(), nil))
			if f.Missing != "" || (f.Score > 0.3) != test.picture {
				t.Errorf("skin %v, %s: %.2f %v %s", tone, test.name, f.Score, f.Values, f.Missing)
			}
		}
	}
}
