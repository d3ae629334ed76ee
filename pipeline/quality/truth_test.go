package quality

import (
	"bytes"
	"image"
	"image/jpeg"
	"math"
	"slices"
	"sync"
	"testing"
	"time"

	"lintel/internal/doorstep"
	"lintel/internal/house"
)

// What is measured here is held against the truth that drawn stills come with, whose
// landmarks are where the drawn head has them: package doorstep is the judge, which
// knows nothing of this one. Bounds were set by other angles of other heads
// (MEASUREMENTS.md); these judge them. How far landmarks that were found are off is looked at in
// package face.

// A view is a drawn still as a bell sends it, with one visitor on it.
type view struct {
	truth doorstep.Face
	still *image.YCbCr
}

func draw(hour int, seed uint64, v doorstep.Visitor) view {
	drawn := doorstep.Scene{At: time.Date(2031, 6, 17, hour, 0, 0, 0, time.UTC), Seed: seed,
		Visitors: []doorstep.Visitor{v}}.Still()
	still, err := jpeg.Decode(bytes.NewReader(drawn.JPEG(85)))
	if err != nil {
		panic(err) // of our own coding
	}
	return view{drawn.Truth[0], still.(*image.YCbCr)}
}

func (v view) quality() house.Quality {
	f := house.Face{Box: v.truth.Box}
	for _, i := range []int{3, 2, 0, 1, 4} { // in dlib's order
		f.Landmarks = append(f.Landmarks, house.Point(v.truth.Landmarks[i]))
	}
	return Measure(v.still, f)
}

// Turned are all near the bell, with the head turned aside, and tilted is every other of
// them, further off, who looks at the bell with the head tilted.
type heads struct{ turned, tilted []view }

// drawn has two of them by each light, so that it is drawn once.
var drawn = sync.OnceValue(func() (h heads) {
	for i, who := range doorstep.People {
		hour := []int{8, 13, 18, 23}[i/2]
		h.turned = append(h.turned, draw(hour, uint64(i), doorstep.Visitor{Who: who, Distance: 0.7, Yaw: tilts[i]}))
		if i%2 == 0 {
			h.tilted = append(h.tilted, draw(hour, uint64(i), doorstep.Visitor{Who: who, Distance: 1.2, Roll: tilts[i]}))
		}
	}
	return h
})

var tilts = []float64{15, -25, 25, -5, -15, 30, 5, -30}

// Heads read as they are turned, within some degrees, and nearly as they are tilted.
func TestTruthOfPose(t *testing.T) {
	var yaws, rolls []float64
	for _, v := range drawn().turned {
		yaw := v.quality().Yaw
		t.Logf("%s: turned by %.0f reads %.1f", v.truth.Who.Name, v.truth.Yaw, yaw)
		yaws = append(yaws, math.Abs(yaw-v.truth.Yaw))
	}
	for _, v := range drawn().tilted {
		roll := v.quality().Roll
		t.Logf("%s: tilted by %.0f reads %.1f", v.truth.Who.Name, v.truth.Roll, roll)
		rolls = append(rolls, math.Abs(roll-v.truth.Roll))
	}
	if yaw, roll := slices.Max(yaws), slices.Max(rolls); yaw > 15 || roll > 1.5 {
		t.Errorf("turned heads read up to %.1f degrees off, tilted ones up to %.1f", yaw, roll)
	}
}

// As the package's comment says: a head that is turned by 20 degrees reads some 10 less
// looking down by 15, and as much more looking up.
func TestTruthOfPitch(t *testing.T) {
	reads := func(pitch float64) float64 {
		return draw(13, 1, doorstep.Visitor{Who: doorstep.People[2], Distance: 0.7, Yaw: 20, Pitch: pitch}).quality().Yaw
	}
	down, up := reads(-15), reads(15)
	t.Logf("turned by 20 reads %.1f looking down by 15, %.1f looking up", down, up)
	if math.Abs(up-down-20) > 10 {
		t.Errorf("turned by 20 reads %.1f looking down by 15, %.1f looking up", down, up)
	}
}

// A metre in the middle of the still is the focal length over the distance. What is
// measured lies beside it as far as somebody's eyes are not 63 mm apart.
func TestTruthOfDistance(t *testing.T) {
	const focal = 664 // pixels a radian there (package doorstep)
	for i := 0; i < len(doorstep.People); i += 2 {
		var apart [2]float64
		for k, v := range []view{drawn().turned[i], drawn().tilted[i/2]} {
			apart[k] = 63 * v.quality().PixelsPerMetre / (focal / v.truth.Distance) / math.Cos(v.truth.Yaw*math.Pi/180)
		}
		t.Logf("%s: eyes %.1f mm apart at 0.7 m, %.1f mm at 1.2 m", doorstep.People[i].Name, apart[0], apart[1])
		// Dodgson (2004): grown-ups' from 52 to 78 mm, children's from 40 on. From memory.
		if apart[0] < 45 || apart[0] > 78 || math.Abs(apart[0]-apart[1]) > .05*apart[0] {
			t.Errorf("%s: eyes %.1f mm apart at 0.7 m, %.1f mm at 1.2 m", doorstep.People[i].Name, apart[0], apart[1])
		}
	}
}

// The luma of a face is about that of the pixels between its brows and chin, added up
// as they are.
func TestTruthOfLuma(t *testing.T) {
	for _, v := range slices.Concat(drawn().tilted, drawn().turned) {
		want, got := v.lumaOfFace(), v.quality().Luma
		t.Logf("%s: %.1f, by plain adding up %.1f", v.truth.Who.Name, got, want)
		if math.Abs(got-want) > 6+.15*want {
			t.Errorf("%s: %.1f, by plain adding up %.1f", v.truth.Who.Name, got, want)
		}
	}
}

// lumaOfFace is the mean of the pixels that show the head, round the middle of the face.
func (v view) lumaOfFace() float64 {
	sum, n, box := 0, 0, v.truth.Box
	middle, r := box.Min.Add(box.Max).Div(2), box.Dx()*2/5
	for y := box.Min.Y; y < box.Max.Y; y++ {
		for x := box.Min.X; x < box.Max.X; x++ {
			d := image.Pt(x, y).Sub(middle)
			if d.X*d.X+d.Y*d.Y < r*r && v.truth.Mask.AlphaAt(x, y).A == 255 {
				sum, n = sum+int(v.still.Y[v.still.YOffset(x, y)]), n+1
			}
		}
	}
	return float64(sum) / float64(max(n, 1))
}
