package bench

import (
	"math"
	"testing"

	"lintel/store"
)

// What a lens draws where, worked out by hand: f is 640 px / tan 45° = 640 px
// for 90 degrees, so 63 mm at 1 m are 63·640/1000 = 40.32 px; f is 640 px / (π/3)
// = 611.15 px for 120 degrees drawn f·t, so 45° is at 480 px.
func TestProjection(t *testing.T) {
	straight := store.Lens{Angle: 90, Projection: store.Straight}
	fish := store.Lens{Angle: 120, Projection: store.Equidistant}
	down := straight
	down.Tilt = 10
	for _, test := range []struct {
		name string
		lens store.Lens
		bend float64
		at   vec
		x, y float64 // from the middle
	}{
		{"ahead", straight, 0, vec{0, 0, 1000}, 0, 0},
		{"an eye", straight, 0, vec{31.5, 0, 1000}, 20.16, 0},
		{"the other", straight, 0, vec{-31.5, 0, 1000}, -20.16, 0},
		{"half as far", straight, 0, vec{31.5, 0, 500}, 40.32, 0},
		{"the ground", straight, 0, vec{0, 1000, 2000}, 0, 320},
		{"the border", straight, 0, vec{700, 0, 700}, 640, 0},
		{"the border of a barrel", straight, -0.1, vec{700, 0, 700}, 640, 0},
		// f·0.9 = 640, so f = 711.1; tan = 0.5: 711.1·0.5·(1-0.1·0.25) = 346.7.
		{"half way on a barrel", straight, -0.1, vec{500, 0, 1000}, 346.67, 0},
		{"45 degrees", fish, 0, vec{300, 0, 300}, 480, 0},
		{"45 degrees up", fish, 0, vec{0, -300, 300}, 0, -480},
		{"tilted", down, 0, vec{0, 1000 * math.Sin(math.Pi/18), 1000 * math.Cos(math.Pi/18)}, 0, 0},
	} {
		x, y, ok := newOptics(test.lens, test.bend).project(test.at)
		if !ok || math.Abs(x-Width/2-test.x) > 0.01 || math.Abs(y-Height/2-test.y) > 0.01 {
			t.Errorf("%s: (%.2f, %.2f), want (%.2f, %.2f)", test.name, x-Width/2, y-Height/2, test.x, test.y)
		}
	}
}

func TestRayIsTheWayBack(t *testing.T) {
	for _, g := range []Ranges{FitRanges(), HeldOutRanges()} {
		for _, angle := range []float64{g.Angle.From, g.Angle.To} {
			for _, bend := range []float64{g.Bend.From, g.Bend.To} {
				lens := store.Lens{Angle: angle, Tilt: -7, Projection: store.Straight}
				if angle > 115 {
					lens.Projection = store.Equidistant
				}
				o := newOptics(lens, bend)
				for y := 0.0; y <= Height; y += 64 {
					for x := 0.0; x <= Width; x += 64 {
						d := o.ray(x, y)
						px, py, ok := o.project(d.times(777))
						if !ok || math.Hypot(px-x, py-y) > 0.02 || math.Abs(d.length()-1) > 1e-9 {
							t.Fatalf("%v bend %g: (%g, %g) looks along %v, which is at (%.3f, %.3f)", lens, bend, x, y, d, px, py)
						}
					}
				}
			}
		}
	}
}

// A sheet straight ahead takes up what it should, and its places are right.
func TestSee(t *testing.T) {
	o := newOptics(store.Lens{Angle: 90, Projection: store.Straight}, 0)
	s := o.see(newSheet(-50, -25, 50, 25, 10, 10, func(u, v float64) vec { return vec{u, v, 500} }))
	covered := 0
	for _, d := range s.dabs {
		if d.depth > 0 {
			covered++
		}
	}
	// 100 by 50 mm at 1.28 px/mm are 128 by 64 px.
	if want := 128 * 64 * finer * finer; covered != want {
		t.Errorf("%d samples, want %d", covered, want)
	}
	if foot := s.foot(); math.Abs(foot-1/1.28) > 1e-4 {
		t.Errorf("%g mm to a pixel, want %g", foot, 1/1.28)
	}
	at := s.dabs[(Height/2-s.box.Min.Y)*finer*s.width()+(Width/2-s.box.Min.X+10)*finer]
	if u := 10.25 / 1.28; math.Abs(float64(at.u)-u) > 1e-3 {
		t.Errorf("u is %g, want %g", at.u, u)
	}
}

// Turned axes stay at right angles, and right-handed.
func TestTurnedFrames(t *testing.T) {
	f := upright.turned(90, 0, 0)
	if d := f.of(vec{0, 0, 1}).sub(vec{1, 0, 0}).length(); d > 1e-12 {
		t.Errorf("what points away points to %v after a quarter turn", f.of(vec{0, 0, 1}))
	}
	for _, f := range []frame{upright.turned(12, -31, 7), facing(vec{3, -2, 9})} {
		for i := range f {
			for j := range f {
				want := 0.0
				if i == j {
					want = 1
				}
				if math.Abs(f[i].dot(f[j])-want) > 1e-12 {
					t.Errorf("axes %d and %d of %v", i, j, f)
				}
			}
		}
		if f[0].cross(f[1]).sub(f[2]).length() > 1e-12 {
			t.Errorf("%v is a mirror image", f)
		}
	}
}
