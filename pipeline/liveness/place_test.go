package liveness

import (
	"image"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"lintel/internal/python"
	"lintel/store"
)

// project draws a place, in metres to the right of, below and before the lens,
// as the projections are defined (f·tan t and f·t); it is written from the
// definitions and shares nothing with optics.
func project(l store.Lens, size image.Point, x, y, z float64) store.Point {
	tilt := l.Tilt * math.Pi / 180
	y, z = y*math.Cos(tilt)-z*math.Sin(tilt), y*math.Sin(tilt)+z*math.Cos(tilt)
	t, side := math.Atan2(math.Hypot(x, y), z), math.Hypot(x, y)
	half := l.Angle / 2 * math.Pi / 180
	r := float64(size.X) / 2 * t / half
	if l.Projection == store.Straight {
		r = float64(size.X) / 2 * math.Tan(t) / math.Tan(half)
	}
	if side == 0 {
		return store.Point{X: float64(size.X) / 2, Y: float64(size.Y) / 2}
	}
	return store.Point{X: float64(size.X)/2 + r*x/side, Y: float64(size.Y)/2 + r*y/side}
}

// stander is somebody before the bell who looks at it, eyes level, turned by
// yaw; the eyes' height is over the ground.
type stander struct {
	aside, ahead, height float64 // metres
	eyes                 float64 // metres between them
	yaw                  float64 // degrees
}

// landmarks returns dlib's five: the corners of the eye at the right of the
// picture, those of the one at the left, and the base of the nose.
func (s stander) landmarks(l store.Lens, size image.Point) (all []store.Point) {
	y := l.Height - s.height
	// Turned about the vertical axis, from facing the lens.
	turn := math.Atan2(s.aside, s.ahead) + s.yaw*math.Pi/180
	right := [2]float64{math.Cos(turn), -math.Sin(turn)}
	front := [2]float64{-math.Sin(turn), -math.Cos(turn)}
	at := func(across, down, before float64) store.Point {
		return project(l, size, s.aside+across*right[0]+before*front[0], y+down, s.ahead+across*right[1]+before*front[1])
	}
	e := s.eyes / 2
	return []store.Point{at(e+.015, 0, 0), at(e-.015, 0, 0), at(-e-.015, 0, 0), at(-e+.015, 0, 0), at(0, .042, .02*s.eyes/.063)}
}

func placeOf(l *store.Lens, size image.Point, landmarks []store.Point) store.Finding {
	return tidy(measurePlace((&scene{bounds: image.Rectangle{Max: size}}).view(store.Face{Box: image.Rect(10, 10, 90, 90), Landmarks: landmarks}, l)))
}

var size = image.Pt(1280, 1024)

// Persons stand, sit, stoop and are carried, and none of them is anywhere that
// is no place for a person. Straight lenses bend what they draw by up to 15 % at
// the left and right border (Brown's first term, a barrel), which nobody says of
// a bell's lens.
func TestPlaceOfPersons(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	lenses, seen := 0, 0
	for lenses < 400 {
		l := store.Lens{Angle: 50 + 120*r.Float64(), Projection: store.Equidistant, Height: 0.9 + 0.9*r.Float64(), Tilt: -20 + 40*r.Float64()}
		if l.Angle < 130 && lenses%2 == 0 {
			l.Projection = store.Straight
		}
		lenses++
		for _, who := range []struct {
			what         string
			height, eyes float64
		}{{"a tall man", 1.95, .070}, {"the widest eyes", 1.75, .078}, {"the narrowest of grown-ups", 1.4, .052}, {"somebody in a wheelchair", 1.15, .060},
			{"somebody stooping", 1.0, .063}, {"a child of eight", 1.15, .055}, {"a child of three", .85, .048}, {"a child on an arm", 1.4, .045},
			{"a child in a pushchair", .68, .043}, {"a child on shoulders", 2.0, .048}} {
			angle := (r.Float64() - .5) * l.Angle * math.Pi / 180 * .8
			away := .35 + 2.5*r.Float64()
			s := stander{away * math.Sin(angle), away * math.Cos(angle), who.height, who.eyes, 50 * (r.Float64() - .5)}
			landmarks := s.landmarks(l, size)
			bend := 0.
			if l.Projection == store.Straight {
				bend = -.15 * r.Float64()
			}
			off := false
			for i := range landmarks {
				x, y := landmarks[i].X-640, landmarks[i].Y-512
				k := (1 + bend*(x*x+y*y)/(640*640)) / (1 + bend)
				landmarks[i] = store.Point{X: 640 + k*x, Y: 512 + k*y}
				landmarks[i].X += r.NormFloat64() * .7
				landmarks[i].Y += r.NormFloat64() * .7
				off = off || !landmarks[i].Round().In(image.Rectangle{Max: size})
			}
			if off || s.ahead < .1 {
				continue // not on the still
			}
			f := placeOf(&l, size, landmarks)
			if f.Missing == Tiny {
				continue
			}
			seen++
			if f.Missing != "" || f.Score > 0 {
				t.Errorf("%s, %.2f m away, before %+v: %+v", who.what, away, l, f)
			}
		}
	}
	if seen < 1000 {
		t.Errorf("only %d were on the still", seen)
	}
}

// Each of these is where no person is; the distance and the height are those
// that it was drawn at, for eyes that are 63.36 mm apart.
func TestPlaceOfPictures(t *testing.T) {
	level := store.Lens{Angle: 100, Projection: store.Straight, Height: 1.4}
	up := store.Lens{Angle: 150, Projection: store.Equidistant, Height: 1.2, Tilt: -20}
	for _, test := range []struct {
		what string
		lens store.Lens
		stander
		says string
	}{
		{"a page before the lens", level, stander{0, .10, 1.42, .06336, 0}, "By its size this face is 10 cm from the bell: no person stands that near."},
		{"a banner above", level, stander{.3, 4, 4.2, .06336, 0}, "its eyes 4.2 m above the ground: no place for a person."},
		{"a small picture held high", up, stander{.2, 1.3, 3.5, .06336, 0}, "3.5 m above the ground"},
		{"far below", level, stander{0, 3, -1, .06336, 0}, "its eyes 1.0 m below the ground"},
	} {
		f := placeOf(&test.lens, size, test.landmarks(test.lens, size))
		if f.Missing != "" || !(f.Score > 0) || len(f.Values) != 2 || f.Region == nil {
			t.Errorf("%s: %+v", test.what, f)
			continue
		}
		away := math.Hypot(math.Hypot(test.aside, test.ahead), test.lens.Height-test.height)
		// The eyes' line is level and faces the lens but for looking up or down.
		if math.Abs(f.Values[0]/away-1) > .03 || math.Abs(f.Values[1]-test.height) > .03*away {
			t.Errorf("%s is %.3f m away at %.3f m, and read as %v", test.what, away, test.height, f.Values)
		}
		f.Sign = Place
		if says := Says(f); !strings.Contains(says, test.says) {
			t.Errorf("%s: %q", test.what, says)
		}
	}
}

func TestPlaceMissing(t *testing.T) {
	lens := store.Lens{Angle: 100, Projection: store.Straight, Height: 1.4}
	five := stander{0, 1, 1.6, .063, 0}.landmarks(lens, size)
	small := stander{0, 9, 1.6, .063, 0}.landmarks(lens, size)
	nan := append([]store.Point{{X: math.NaN(), Y: 3}}, five[1:]...)
	for _, test := range []struct {
		lens      *store.Lens
		landmarks []store.Point
		want      string
	}{{nil, five, NoLens}, {&store.Lens{}, five, NoLens}, {&lens, nil, NoEyes}, {&lens, five[:3], NoEyes}, {&lens, nan, NoEyes}, {&lens, small, Tiny}, {&lens, five, ""}, {&lens, five[:4], ""}} {
		if f := placeOf(test.lens, size, test.landmarks); f.Missing != test.want || f.Score != 0 {
			t.Errorf("%v with %v: %+v, want %q", test.landmarks, test.lens, f, test.want)
		}
	}
}

// The focal length is the projection solved at the border: 1280 pixels over 90
// degrees are 640/tan(45°), over 180 degrees 640/(π/2).
func TestFocalLength(t *testing.T) {
	for _, test := range []struct {
		lens store.Lens
		want float64
	}{
		{store.Lens{Angle: 90, Projection: store.Straight}, 640},
		{store.Lens{Angle: 60, Projection: store.Straight}, 640 * math.Sqrt(3)},
		{store.Lens{Angle: 180, Projection: store.Equidistant}, 1280 / math.Pi},
	} {
		o := opticsOf(test.lens, size)
		if math.Abs(o.focal-test.want) > 1e-9 {
			t.Errorf("%+v: %v, want %v", test.lens, o.focal, test.want)
		}
		d, ok := o.see(store.Point{X: 1280, Y: 512})
		if angle := math.Atan2(d[0], d[2]) * 180 / math.Pi; !ok || math.Abs(angle-test.lens.Angle/2) > 1e-9 {
			t.Errorf("%+v: the border is at %v", test.lens, angle)
		}
	}
	// 63.36 mm at a metre, over 640 pixels of focal length.
	if w := FaceAt(store.Lens{Angle: 90, Projection: store.Straight}, 1280, 1); math.Abs(w/boxWidth-640*.06336) > 1e-9 {
		t.Errorf("eyes a metre away are %v pixels apart", w/boxWidth)
	}
}

// Towards the border a straight lens draws an angle longer, by 1/cos²(t)
// outwards and by 1/cos(t) across, and an equidistant one by 1 and t/sin(t):
// the derivatives of f·tan(t) and f·t, and what is drawn all round over what is
// there. The distance by the angle stays the same.
func TestPlaceTowardsTheBorder(t *testing.T) {
	for _, p := range []store.Projection{store.Straight, store.Equidistant} {
		lens := store.Lens{Angle: 120, Projection: p, Height: 1.5}
		o := opticsOf(lens, size)
		for _, degrees := range []float64{0, 15, 30, 50} {
			at := degrees * math.Pi / 180
			outwards, across := 1., 1.
			if p == store.Straight {
				outwards, across = 1/(math.Cos(at)*math.Cos(at)), 1/math.Cos(at)
			} else if at > 0 {
				across = at / math.Sin(at)
			}
			// Small, so that the scale at one place is what counts.
			const eyes = 1e-4
			s := stander{math.Sin(at), math.Cos(at), 1.5, eyes, 0}
			e := eyes / 2
			lying := [2]store.Point{
				project(lens, size, s.aside-e*math.Cos(at), 0, s.ahead+e*math.Sin(at)),
				project(lens, size, s.aside+e*math.Cos(at), 0, s.ahead-e*math.Sin(at)),
			}
			standing := [2]store.Point{project(lens, size, s.aside, -e, s.ahead), project(lens, size, s.aside, e, s.ahead)}
			for _, test := range []struct {
				eyes [2]store.Point
				want float64
			}{{lying, outwards}, {standing, across}} {
				span := math.Hypot(test.eyes[0].X-test.eyes[1].X, test.eyes[0].Y-test.eyes[1].Y)
				if got := span / (eyes * o.focal); math.Abs(got-test.want) > 1e-5 {
					t.Errorf("%s at %v degrees: drawn %v times as long, want %v", p, degrees, got, test.want)
				}
				b, ok := o.bearing(test.eyes, span, nil)
				if d := away(eyes, b.apart); !ok || math.Abs(d-1) > 1e-5 {
					t.Errorf("%s at %v degrees: %v m away, want 1", p, degrees, d)
				}
			}
		}
	}
}

// Outside: OpenCV's projectPoints and fisheye.projectPoints, without their
// distortions, draw straight and equidistant (docs of calib3d).
func TestOpticsAgainstOpenCV(t *testing.T) {
	withoutRaces(t)
	type question struct {
		Focal  float64
		Places [][3]float64
		Tilt   float64
	}
	const program = `
import sys, json, numpy as np, cv2
q = json.load(sys.stdin)
f = q["Focal"]
k = np.array([[f, 0, 640], [0, f, 512], [0, 0, 1]], dtype=np.float64)
p = np.array(q["Places"], dtype=np.float64).reshape(-1, 1, 3)
r = np.array([[q["Tilt"], 0, 0]], dtype=np.float64)
zero = np.zeros((1, 3), dtype=np.float64)
straight, _ = cv2.projectPoints(p, r, zero, k, np.zeros(4))
fish, _ = cv2.fisheye.projectPoints(p, r.reshape(1, 1, 3), zero.reshape(1, 1, 3), k, np.zeros((4, 1)))
json.dump({"Straight": straight.reshape(-1, 2).tolist(), "Equidistant": fish.reshape(-1, 2).tolist()}, sys.stdout)
`
	r := rand.New(rand.NewPCG(2, 2))
	for _, lens := range []store.Lens{{Angle: 70, Tilt: 0}, {Angle: 110, Tilt: 15}, {Angle: 140, Tilt: -25}} {
		var places [][3]float64
		for range 50 {
			places = append(places, [3]float64{2*r.Float64() - 1, 1.4*r.Float64() - .7, .6 + 2*r.Float64()})
		}
		for _, p := range []store.Projection{store.Straight, store.Equidistant} {
			lens.Projection = p
			o := opticsOf(lens, size)
			var drawn struct{ Straight, Equidistant [][2]float64 }
			// A camera that looks down turns what it sees up: about x, by the tilt.
			python.Ask(t, "cv2", program, question{o.focal, places, lens.Tilt * math.Pi / 180}, &drawn)
			points := drawn.Straight
			if p == store.Equidistant {
				points = drawn.Equidistant
			}
			for i, place := range places {
				d, ok := o.see(store.Point{X: points[i][0], Y: points[i][1]})
				length := math.Sqrt(place[0]*place[0] + place[1]*place[1] + place[2]*place[2])
				want := direction{place[0] / length, place[1] / length, place[2] / length}
				if off := d.plus(-1, want).length(); !ok || off > 1e-6 {
					t.Errorf("%+v: %v is seen at %v, want %v", lens, place, d, want)
				}
			}
		}
	}
}

// FuzzPlace measures any landmarks with any lens: no panic, and every number is
// one.
func FuzzPlace(f *testing.F) {
	f.Add(100., 1.4, 0., true, 600., 400., 660., 401., 630., 440.)
	f.Add(200., .3, 60., false, -1e300, 5., 1e300, 5., 0., 0.)
	f.Add(20., 3., -45., true, 1., 1., 1., 1., math.Inf(1), math.NaN())
	f.Fuzz(func(t *testing.T, angle, height, tilt float64, straight bool, x1, y1, x2, y2, x3, y3 float64) {
		lens := store.Lens{Angle: angle, Projection: store.Equidistant, Height: height, Tilt: tilt}
		if straight {
			lens.Projection = store.Straight
		}
		one, other := store.Point{X: x1, Y: y1}, store.Point{X: x2, Y: y2}
		landmarks := []store.Point{one, one, other, other, {X: x3, Y: y3}}
		finding := measurePlace((&scene{bounds: image.Rectangle{Max: size}}).view(store.Face{Landmarks: landmarks}, &lens))
		for _, v := range append(finding.Values, finding.Score) {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				t.Errorf("%+v of %v with %+v", finding, landmarks, lens)
			}
		}
		if finding.Score < 0 || finding.Score > 1 || (finding.Missing != "") == (finding.Values != nil) {
			t.Errorf("%+v", finding)
		}
		finding.Sign = Place
		if Says(finding) == "" {
			t.Errorf("nothing is said of %+v", finding)
		}
		fit, err := FitLens(lens, Unknown{Tilt: true}, []Helper{{1.75, []Seen{{landmarks, size}}}})
		if err == nil && fit.Lens.Check() != nil {
			t.Errorf("fitted %+v", fit)
		}
	})
}
