package face

import (
	"bytes"
	"fmt"
	"image"
	"image/jpeg"
	"math"
	"math/rand/v2"
	"slices"
	"sync"
	"testing"
	"time"

	"lintel/internal/doorstep"
	"lintel/internal/house"
	"lintel/pipeline/quality"
)

// Outside, in all of this file: the truth that drawn stills come with (package
// doorstep), which says where each face is, how far and how it is turned. It says
// where boxes and landmarks lie on faces that are found. How many real faces are
// missed is for photographs to say: drawn ones are no evidence of that.
//
// Two lots of scenes are drawn. The bounds are the ends of what was measured on the first,
// moved outwards by about half of what lies between them; the second judges them, and was
// drawn once they stood.

// A meeting is a face of a drawn still, and what was found of it.
type meeting struct {
	scene   doorstep.Scene
	visitor doorstep.Visitor
	truth   doorstep.Face
	found   *house.Face // nil where it was not
	quality house.Quality
}

func (m meeting) String() string {
	return fmt.Sprintf("%s, %.1f m, turned %.0f, %.0f, %.0f, %s, sky %d, %v", m.truth.Who.Name, m.truth.Distance, m.truth.Yaw,
		m.truth.Pitch, m.truth.Roll, m.scene.At.Format("15:04"), m.scene.Sky, m.truth.Box)
}

// A lot is what was found on scenes of one seed.
type lot struct {
	met   []meeting
	false []image.Rectangle // faces where nobody is
}

var (
	lots     [2]lot
	lotsOnce sync.Once
)

// needScenes skips a test of drawn stills where too few would be drawn to judge by.
func needScenes(t *testing.T) {
	t.Helper()
	if drawnScenes == 0 {
		t.Skip("SKIPPED: too slow with the race detector; make test runs it without")
	}
}

// drawnLots draws both lots once a run, and looks for faces on them.
func drawnLots(t *testing.T) [2]lot {
	t.Helper()
	needScenes(t)
	f := open(t)
	lotsOnce.Do(func() {
		r := [2]*rand.Rand{rand.New(rand.NewPCG(0, 11)), rand.New(rand.NewPCG(5, 29))}
		for n := range drawnScenes {
			for i := range lots { // both by one light, which is drawn once
				lots[i].meet(t, f, sceneOf(r[i], n))
			}
		}
	})
	return lots
}

// sceneOf is two visitors side by side before the bell: near and far, by day and by night, turned as far as
// somebody turns who looks at it. Two in a row are by one light.
func sceneOf(r *rand.Rand, n int) doorstep.Scene {
	light := n / 2
	s := doorstep.Scene{Door: doorstep.Door(light % 2), Sky: doorstep.Sky(light % 3), Seed: r.Uint64(),
		At: time.Date(2031, 6, 1, []int{7, 13, 18, 23}[light%4], 0, 0, 0, time.UTC)}
	for k := range 2 {
		d := []float64{0.5, 0.8, 1.1, 1.5}[r.IntN(4)]
		s.Visitors = append(s.Visitors, doorstep.Visitor{
			Who: doorstep.People[(2*n+3*k+r.IntN(2))%len(doorstep.People)], Distance: d,
			Aside: d * (0.6*float64(k) - 0.3 + 0.3*(r.Float64()-.5)), Yaw: 40 * (r.Float64() - .5), Pitch: 20 * (r.Float64() - .5),
			Roll: 10 * (r.Float64() - .5), Smile: r.Float64(), Glasses: r.IntN(4) == 0,
		})
	}
	return s
}

func (l *lot) meet(t *testing.T, f *Finder, s doorstep.Scene) {
	t.Helper()
	drawn := s.Still()
	still, err := jpeg.Decode(bytes.NewReader(drawn.JPEG(85)))
	if err != nil {
		t.Fatal(err)
	}
	faces := find(t, f, still)
	for _, truth := range drawn.Truth {
		m := meeting{scene: s, truth: truth}
		m.visitor = s.Visitors[slices.IndexFunc(s.Visitors, func(v doorstep.Visitor) bool { return v.Who == truth.Who })]
		if i := slices.IndexFunc(faces, func(f house.Face) bool { return iou(f.Box, truth.Box) > .25 }); i >= 0 {
			m.found, m.quality = &faces[i], quality.Measure(still, faces[i])
		}
		l.met = append(l.met, m)
	}
	for _, found := range faces {
		if !slices.ContainsFunc(drawn.Truth, func(f doorstep.Face) bool { return iou(f.Box, found.Box) > .25 }) {
			l.false = append(l.false, found.Box)
		}
	}
}

// A spread is numbers in order.
type spread []float64

// spreadOf gathers a number of each face that was found.
func spreadOf(l lot, number func(meeting) float64) (s spread) {
	for _, m := range l.met {
		if m.found != nil {
			s = append(s, number(m))
		}
	}
	slices.Sort(s)
	return s
}

func (s spread) at(q float64) float64 { return s[min(int(q*float64(len(s))), len(s)-1)] }

func (s spread) String() string {
	return fmt.Sprintf("least %.3f, 10 %% %.3f, median %.3f, 90 %% %.3f, most %.3f, of %d", s[0], s.at(.1), s.at(.5), s.at(.9),
		s[len(s)-1], len(s))
}

// within fails the test where the median or one of the ends lies beyond.
func (s spread) within(t *testing.T, what string, median, ends [2]float64) {
	t.Helper()
	t.Logf("%s: %s", what, s)
	if m := s.at(.5); m < median[0] || m > median[1] || s[0] < ends[0] || s[len(s)-1] > ends[1] {
		t.Errorf("%s: %s; a median of %v and ends of %v are allowed", what, s, median, ends)
	}
}

// Faces that are found are at their places and of their sizes, and none is found where
// nobody is. Of faces of 60 pixels and more all should be found; one of a lot may be missed (MEASUREMENTS.md).
func TestTruthOfBoxes(t *testing.T) {
	for i, l := range drawnLots(t) {
		all, found := 0, 0
		for _, m := range l.met {
			if m.truth.Box.Dx() < 60 {
				continue
			}
			if all++; m.found != nil {
				found++
			} else {
				t.Logf("lot %d: not found: %v", i, m)
			}
		}
		t.Logf("lot %d: %d of %d faces found", i, found, all)
		if all < 3*drawnScenes/2 || found < all-1 || len(l.false) > 0 {
			t.Errorf("lot %d: %d of %d faces found; and some where nobody is: %v", i, found, all, l.false)
		}
		wide := func(m meeting) float64 { return float64(m.truth.Box.Dx()) }
		spreadOf(l, func(m meeting) float64 { return float64(m.found.Width()) / wide(m) }).
			within(t, fmt.Sprintf("lot %d: width over the true one", i), [2]float64{.95, 1.2}, [2]float64{.8, 1.5})
		spreadOf(l, func(m meeting) float64 { return aside(m.found.Box, m.truth.Box) / wide(m) }).
			within(t, fmt.Sprintf("lot %d: middle to the right, in true widths", i), [2]float64{-.15, .15}, [2]float64{-.35, .3})
		spreadOf(l, func(m meeting) float64 { return below(m.found.Box, m.truth.Box) / wide(m) }).
			within(t, fmt.Sprintf("lot %d: middle below, in true widths", i), [2]float64{-.2, 0}, [2]float64{-.32, .1})
	}
}

func aside(a, b image.Rectangle) float64 { return float64(a.Min.X+a.Max.X-b.Min.X-b.Max.X) / 2 }
func below(a, b image.Rectangle) float64 { return float64(a.Min.Y+a.Max.Y-b.Min.Y-b.Max.Y) / 2 }

// Nobody is found on empty porches, in any light.
func TestTruthOfEmptyPorches(t *testing.T) {
	needScenes(t)
	f := open(t)
	for n := range drawnScenes {
		s := doorstep.Scene{Door: doorstep.Door(n % 2), Sky: doorstep.Sky(n % 3), Seed: uint64(n),
			At:      time.Date(2031, time.Month(1+n%12), 1+n, (3*n+5)%24, 0, 0, 0, time.UTC),
			Covered: []float64{0, 0, 0, .4}[n%4]}
		faces, err := findIn(f, s.Still().JPEG(85))
		if err != nil {
			t.Fatal(err)
		}
		if len(faces) > 0 {
			t.Errorf("door %d, sky %d, %s: faces at %v", s.Door, s.Sky, s.At.Format("Jan 2, 15:04"), boxes(faces))
		}
	}
}

// landmarks are those of the truth, in the order that dlib has them: the corners of the
// eye at the right of the picture, those of the other, the base of the nose.
func landmarks(truth doorstep.Face) (list []house.Point) {
	for _, i := range []int{3, 2, 0, 1, 4} {
		list = append(list, house.Point(truth.Landmarks[i]))
	}
	return list
}

// eyesApart is how far the middles of the true eyes are apart, in pixels.
func eyesApart(truth doorstep.Face) float64 {
	l := truth.Landmarks
	return math.Hypot(l[0].X+l[1].X-l[2].X-l[3].X, l[0].Y+l[1].Y-l[2].Y-l[3].Y) / 2
}

// Landmarks are where they are, in distances of the eyes.
func TestTruthOfLandmarks(t *testing.T) {
	for i, l := range drawnLots(t) {
		for k, name := range []string{"outer corner, right", "inner corner, right", "outer corner, left", "inner corner, left",
			"base of the nose"} {
			spreadOf(l, func(m meeting) float64 {
				want := landmarks(m.truth)[k]
				return math.Hypot(m.found.Landmarks[k].X-want.X, m.found.Landmarks[k].Y-want.Y) / eyesApart(m.truth)
			}).within(t, fmt.Sprintf("lot %d: %s, off", i, name), [2]float64{0, .1}, [2]float64{0, .2})
		}
		spreadOf(l, func(m meeting) float64 { return m.quality.EyeDistance / eyesApart(m.truth) }).
			within(t, fmt.Sprintf("lot %d: distance of the eyes over the true one", i), [2]float64{.92, 1.05}, [2]float64{.78, 1.12})
	}
}
