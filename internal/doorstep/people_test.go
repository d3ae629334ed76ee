package doorstep

import (
	"image"
	"math"
	"testing"

	"lintel/internal/doorstep/body"
	"lintel/internal/doorstep/raster"
)

func shapeOf(t *testing.T, v Visitor) *body.Body {
	t.Helper()
	b, err := body.Shape(v.weights())
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// Outside, from memory: the distance between pupils is 50 to 75 mm in nearly all adults, and 40 mm or more in
// children (N. A. Dodgson, "Variation and extrema of human interpupillary distance", 2004). Heights of eyes: adults
// 1.35 to 1.85 m, a child of ten 1.15 to 1.40 m (common practice, no source).
func TestPeopleHaveTheSizeOfPeople(t *testing.T) {
	for _, p := range People {
		b := shapeOf(t, Visitor{Who: p})
		apart := b.Middle("joint-l-eye").Sub(b.Middle("joint-r-eye")).Len() * p.stature
		least, low, high := 0.050, 1.35, 1.85
		if p == clover {
			least, low, high = 0.040, 1.15, 1.40
		}
		eyes := Visitor{Who: p}.figure().eyes
		if apart < least || apart > 0.075 || eyes < low || eyes > high {
			t.Errorf("%s: %.1f mm between the eyes, which are %.2f m above the ground", p.Name, apart*1000, eyes)
		}
	}
}

// The eyes' corners and the nose's base lie on the head as LandmarkNames says: from left to right, the nose below.
func TestLandmarksLieAsOnAFace(t *testing.T) {
	for _, p := range People {
		l := Visitor{Who: p}.figure().landmarks
		for i := range 3 {
			if l[i][0] >= l[i+1][0] {
				t.Errorf("%s: %s is not left of %s", p.Name, LandmarkNames[i], LandmarkNames[i+1])
			}
		}
		if math.Abs(l[4][0]) > 0.004 || l[4][1] > -0.025 || l[4][1] < -0.065 {
			t.Errorf("%s: the nose's base is at %v", p.Name, l[4])
		}
		if middle := l[0].Add(l[3]).Times(0.5); middle.Len() > 0.02 {
			t.Errorf("%s: the middle between the eyes is %v from where space begins", p.Name, middle)
		}
	}
}

// Shut lids touch: what is in front of the eyeball's middle is skin. An open mouth has its lips apart.
func TestExpressionsMoveTheFace(t *testing.T) {
	open, shut := Visitor{Who: teal}.figure(), Visitor{Who: teal, Eyes: 1}.figure()
	if before, after := eyesSeen(open), eyesSeen(shut); before < 60 || after > before/10 {
		t.Errorf("of the eyes %d samples are seen when they are open, %d when shut", before, after)
	}
	gap := func(v Visitor) float64 {
		b := shapeOf(t, v)
		upper, lower := closest(b, raster.Vec{0, 0.663, 0.1578}), closest(b, raster.Vec{0, 0.657, 0.1559})
		return upper[1] - lower[1]
	}
	if rest, wide := gap(Visitor{Who: teal}), gap(Visitor{Who: teal, Mouth: 1}); wide < rest+0.01 {
		t.Errorf("the lips are %.1f mm apart at rest, %.1f with the mouth open", rest*1000, wide*1000)
	}
}

// eyesSeen counts how often eyeballs are seen from straight ahead.
func eyesSeen(f *figure) (samples int) {
	b := raster.New(image.Rect(0, 0, 200, 100), 1)
	lens := func(at raster.Vec) (x, y, depth float64) { return 100 + 1000*at[0], 50 - 1000*at[1], 1 - at[2] }
	b.Draw(&f.mesh, f.mesh.Through(lens))
	b.Each(func(x, y int, seen []raster.Fragment) {
		if seen[0].Surface == eyeSurface {
			samples++
		}
	})
	return samples
}

func closest(b *body.Body, rest raster.Vec) raster.Vec {
	best := 0
	for i, at := range b.Rest {
		if at.Sub(rest).Len() < b.Rest[best].Sub(rest).Len() {
			best = i
		}
	}
	return b.Points[best]
}

// Figures are the same each time, whichever expression was drawn before.
func TestFiguresAreTheSameEachTime(t *testing.T) {
	v := Visitor{Who: juniper, Smile: 0.4, Glasses: true}
	opens.Clear()
	a := v.figure()
	opens.Clear()
	Visitor{Who: juniper, Mouth: 1, Glasses: true}.figure()
	b := v.figure()
	if len(a.mesh.Vertices) != len(b.mesh.Vertices) {
		t.Fatalf("%d vertices, then %d", len(a.mesh.Vertices), len(b.mesh.Vertices))
	}
	for i, was := range a.mesh.Vertices {
		if b.mesh.Vertices[i] != was {
			t.Fatalf("vertex %d was %v, is %v", i, was, b.mesh.Vertices[i])
		}
	}
}

// The number of vertices depends on the person and what they wear, not on the
// expression: openness is kept by that.
func TestExpressionsKeepTheMesh(t *testing.T) {
	for _, p := range People {
		n := len(Visitor{Who: p}.figure().mesh.Vertices)
		if m := len((Visitor{Who: p, Smile: 1, Mouth: 1, Eyes: 1}).figure().mesh.Vertices); m != n {
			t.Errorf("%s: %d vertices, %d with another expression", p.Name, n, m)
		}
	}
}
