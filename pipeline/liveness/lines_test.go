package liveness

import (
	"math"
	"testing"

	"lintel/internal/house"
	"lintel/internal/python"
)

// The lines found are those that scikit-image's straight-line Hough transform
// finds among the same edge pixels.
func TestLinesAgainstScikitImage(t *testing.T) {
	s := newStage(480, 400, 240, 200, 24)
	s.box(white, -6, -5, -2.5, 6)
	s.polygon(shirt, 3, -6, 6, -6, 6.5, 6, 4, 6)
	s.polygon(wood, -2, 3.5, 2.5, 3, 2.5, 6, -2, 6)
	v := newScene(s.taken(2)).view(s.face())
	p := v.patch(edgesSpan, edgesAside, edgesAbove, edgesBelow)
	m := p.edges()
	type foot struct{ Angle, Distance float64 }
	var question struct {
		W, H int
		At   [][2]int
	}
	question.W, question.H = m.w, m.h
	for _, e := range m.edgels {
		question.At = append(question.At, [2]int{int(e.x), int(e.y)})
	}
	var theirs []foot
	python.Ask(t, "skimage", `
import json, sys, numpy
from skimage.transform import hough_line, hough_line_peaks
q = json.load(sys.stdin)
img = numpy.zeros((q["H"], q["W"]), bool)
for x, y in q["At"]: img[y, x] = True
h, angles, distances = hough_line(img, theta=numpy.linspace(-numpy.pi/2, numpy.pi/2, 720, endpoint=False))
_, a, d = hough_line_peaks(h, angles, distances, min_distance=8, min_angle=8, num_peaks=5)
json.dump([{"Angle": float(x), "Distance": float(y)} for x, y in zip(a, d)], sys.stdout)
`, question, &theirs)
	if len(theirs) < 4 {
		t.Fatalf("scikit-image found %d lines", len(theirs))
	}
	ours := append(m.lines(p, m.edgels, 0, 24, 12), m.lines(p, m.edgels, math.Pi/2, 24, 12)...)
	for _, their := range theirs {
		found := false
		for _, l := range ours {
			// The same line has two feet: the angle turned by π, the distance negative.
			turned := math.Remainder(l.angle-their.Angle, 2*math.Pi)
			rho := l.rho
			if math.Abs(turned) > math.Pi/2 {
				rho = -rho
			}
			if apart(l.angle, their.Angle) < 1.5*math.Pi/180 && math.Abs(rho-their.Distance) < 3 {
				found = true
			}
		}
		if !found {
			t.Errorf("scikit-image finds a line at %.1f° and %.1f, which is none of ours", their.Angle*180/math.Pi,
				their.Distance)
		}
	}
}

func TestLine(t *testing.T) {
	// x + y = 10 crosses y = 2 at (8, 2), by arithmetic.
	l, o := newLine(math.Pi/4, 10/math.Sqrt2), newLine(math.Pi/2, 2)
	if x, y := l.meets(&o); math.Abs(x-8) > 1e-9 || math.Abs(y-2) > 1e-9 {
		t.Errorf("they meet at %v, %v", x, y)
	}
	if x, y := l.at(l.along(3, 7)); math.Abs(x-3) > 1e-9 || math.Abs(y-7) > 1e-9 {
		t.Errorf("a point of the line is %v, %v", x, y)
	}
	if off := l.off(10, 10); math.Abs(off-10/math.Sqrt2) > 1e-9 {
		t.Errorf("(10, 10) is %v off", off)
	}
}

// A patch shows the same, however large the face is.
func TestPatchSize(t *testing.T) {
	for _, span := range []float64{24, 60, 131} {
		s := newStage(1600, 1400, 803, 705, span)
		s.box(white, -2, -2, 2, 2)
		p := newScene(s.taken(0)).view(s.face()).patch(24, 3, 3, 3)
		if p.w < 140 || p.w > 146 || p.h < 140 || p.h > 146 {
			t.Errorf("span %v: %d x %d", span, p.w, p.h)
		}
		x, y := p.fromStill(house.Point{X: 803, Y: 705})
		if got := p.y[int(y)*p.w+int(x)]; math.Abs(float64(got)-235) > 3 {
			t.Errorf("span %v: luma %v between the eyes", span, got)
		}
		if sx := p.toStill(x, y); math.Hypot(sx.X-803, sx.Y-705) > 1e-6 {
			t.Errorf("span %v: there and back again is %v", span, sx)
		}
	}
}

// No still and no face is too odd to be measured.
func TestOddStills(t *testing.T) {
	for _, size := range [][2]int{{1, 1}, {7, 3}, {40, 40}, {641, 3}, {5, 480}, {333, 251}} {
		for _, at := range [][3]float64{{0, 0, 30}, {-500, 20, 40}, {150, 120, 9}, {150, 120, 0.5}, {150, 5000, 60},
			{10, 10, 900}, {160, 130, 3}} {
			s := newStage(size[0], size[1], at[0], at[1], at[2])
			s.person(9, 9)
			for _, scene := range []*scene{newScene(s.taken(3)), newScene(s.RGBA)} {
				for _, face := range []house.Face{s.face(), {}, {Landmarks: make([]house.Point, 5)}} {
					for _, sign := range signs {
						f := sign.measure(scene.view(face))
						if f.Missing != "" && (f.Score != 0 || f.Region != nil) || !(f.Score >= 0 && f.Score <= 1) {
							t.Errorf("%v %v: %s %+v", size, at, sign.code, f)
						}
						if f.Missing == "" && f.Score > 0 && (len(f.Region) < 4 || Reasons(f) == nil) {
							t.Errorf("%v %v: %s is nowhere or says nothing: %+v", size, at, sign.code, f)
						}
					}
				}
			}
		}
	}
}
