package doorstep

import (
	"bytes"
	"image"
	"math"
	"reflect"
	"runtime"
	"slices"
	"testing"
	"time"
)

// morning is at ten on a day in May, by a clock an hour before UTC.
var morning = time.Date(2026, time.May, 3, 10, 0, 0, 0, time.FixedZone("", 3600))

// porchWith is the front door under clouds with these visitors.
func porchWith(visitors ...Visitor) Scene {
	return Scene{Door: Front, At: morning, Sky: Overcast, Visitors: visitors, Seed: 7}
}

func TestSameSceneSameStill(t *testing.T) {
	s := porchWith(Visitor{Who: People[0], Distance: 0.7, Yaw: 12}, Visitor{Who: People[3], Distance: 1.2, Aside: -0.6})
	s.Sky, s.Door = Rain, Garden
	one := s.Still()
	before := runtime.GOMAXPROCS(1)
	two := s.Still()
	runtime.GOMAXPROCS(before)
	if !bytes.Equal(one.Image.Pix, two.Image.Pix) {
		t.Error("the same scene, drawn on one processor, is another still")
	}
	if !reflect.DeepEqual(one.Truth, two.Truth) {
		t.Error("the same scene has another truth")
	}
	s.Seed++
	if bytes.Equal(one.Image.Pix, s.Still().Image.Pix) {
		t.Error("another seed draws the same still")
	}
}

// TestTruth holds boxes, landmarks and masks against each other: landmarks lie in the box and on the
// head, in their order, and twice as far away a face is half as wide.
func TestTruth(t *testing.T) {
	for _, who := range People {
		var width float64
		for _, distance := range []float64{0.6, 1.2} {
			still := porchWith(Visitor{Who: who, Distance: distance, Aside: 0.1 * distance}).Still()
			if len(still.Truth) != 1 {
				t.Fatalf("%s: %d faces, want 1", who.Name, len(still.Truth))
			}
			face := still.Truth[0]
			checkFace(t, face)
			if got := float64(face.Box.Dx()); distance == 0.6 {
				width = got
			} else if r := width / got; r < 1.8 || r > 2.2 {
				t.Errorf("%s: %.2f times as wide at half the distance, want about 2", who.Name, r)
			}
		}
	}
}

func checkFace(t *testing.T, f Face) {
	t.Helper()
	for i, mark := range f.Landmarks {
		at := image.Pt(int(mark.X+0.5), int(mark.Y+0.5))
		if !at.In(f.Box) {
			t.Errorf("%s: %s at %v is not in %v", f.Who.Name, LandmarkNames[i], at, f.Box)
		}
		if f.Mask.AlphaAt(at.X, at.Y).A < 255 {
			t.Errorf("%s: %s at %v is not on the head", f.Who.Name, LandmarkNames[i], at)
		}
		if i > 0 && i < 4 && mark.X <= f.Landmarks[i-1].X {
			t.Errorf("%s: %s is not to the right of %s", f.Who.Name, LandmarkNames[i], LandmarkNames[i-1])
		}
	}
	if nose, eye := f.Landmarks[4], f.Landmarks[1]; nose.Y <= eye.Y {
		t.Errorf("%s: the nose at %.0f is above the eyes at %.0f", f.Who.Name, nose.Y, eye.Y)
	}
}

// TestMaskIsWhereTheHeadIs compares with the same light without a visitor: above the mouth, where
// neither shoulders nor shadows are, those pixels differ that the mask has, and no others.
func TestMaskIsWhereTheHeadIs(t *testing.T) {
	for _, v := range []Visitor{
		{Who: People[0], Distance: 0.6, Yaw: 15},
		{Who: People[1], Distance: 1.1, Aside: 0.4, Roll: 10},
	} {
		s := porchWith(v)
		p := plateOf(s)
		with, without := slices.Clone(p.pixels), p.pixels
		face := p.draw(s.actors(p), with, image.Rect(0, 0, Width, Height))[0]
		wrong, right := 0, 0
		for y := range int(face.Landmarks[4].Y) {
			for x := range Width {
				i := y*Width + x
				differs := with[3*i] != without[3*i] || with[3*i+1] != without[3*i+1] || with[3*i+2] != without[3*i+2]
				switch masked := face.Mask.Pix[i] > 0; {
				case masked != differs:
					wrong++
				case masked:
					right++
				}
			}
		}
		if wrong > 0 || right < face.Box.Dx()*face.Box.Dy()/2 {
			t.Errorf("%s: %d pixels of the mask differ, %d are wrong", v.Who.Name, right, wrong)
		}
	}
}

func TestShown(t *testing.T) {
	v := Visitor{Who: People[2], Distance: 0.5, Shows: Shown{Print, People[6]}}
	faces := porchWith(v).Still().Truth
	if len(faces) != 1 || faces[0].Shown != Print || faces[0].Who != People[6] {
		t.Fatalf("a print before the face of who holds it: %+v, want the shown face alone", faces)
	}
	checkFace(t, faces[0])
	v.Distance, v.Shows.As = 0.35, Phone
	faces = porchWith(v).Still().Truth
	if len(faces) != 2 || faces[0].Shown != Phone || faces[1].Shown != Nothing || faces[1].Who != People[2] {
		t.Fatalf("a phone beside the face of who holds it: %+v, want both, the phone's at the left", faces)
	}
	for _, f := range faces {
		checkFace(t, f)
	}
}

func TestBurst(t *testing.T) {
	s := porchWith(Visitor{Who: People[5], Distance: 0.8})
	burst := s.Burst(4, 400*time.Millisecond)
	if !reflect.DeepEqual(burst[0], s) {
		t.Errorf("a burst begins with %+v, want the scene itself", burst[0])
	}
	for i, next := range burst[1:] {
		was, is := s.Visitors[0], next.Visitors[0]
		if next.At.Sub(s.At) != time.Duration(i+1)*400*time.Millisecond {
			t.Errorf("still %d is taken at %v", i+1, next.At)
		}
		if is.Yaw == was.Yaw || math.Abs(is.Yaw-was.Yaw) > swayYaw || math.Abs(is.Distance-was.Distance) > swayNear {
			t.Errorf("still %d: %+v, want somebody who stands about as before", i+1, is)
		}
	}
	if !reflect.DeepEqual(burst, s.Burst(4, 400*time.Millisecond)) {
		t.Error("the same ring goes otherwise the second time")
	}
}

// TestCovered counts how much of the light is taken away.
func TestCovered(t *testing.T) {
	p := plateOf(porchWith())
	for _, covered := range []float64{0, 0.25, 0.5, 0.75, 1} {
		light, free := slices.Clone(p.pixels), p.pixels
		Scene{Covered: covered, Seed: 3}.cover(light)
		n := 0
		for i := 1; i < len(light); i += 3 {
			if light[i] < free[i]/2 {
				n++
			}
		}
		if got := float64(n) / (Width * Height); math.Abs(got-covered) > 0.1 {
			t.Errorf("covered %.2f: %.2f of the picture is dark", covered, got)
		}
	}
}

func BenchmarkStill(b *testing.B) {
	s := porchWith(Visitor{Who: People[0], Distance: 0.8})
	s.Sky = Clear
	s.Still()
	for b.Loop() {
		s.Still()
	}
}

func BenchmarkPlate(b *testing.B) {
	stages[Front]()
	for b.Loop() {
		newPlate(Front, Clear, morning)
	}
}

func BenchmarkStage(b *testing.B) {
	for b.Loop() {
		newStage(Front)
	}
}

// TestHead finds the whole head on the part that is drawn for enrolling, where the whole still has it, and nearly in
// its colours: bodies that are beyond it may weigh in the exposure.
func TestHead(t *testing.T) {
	s := porchWith(Visitor{Who: People[3], Distance: 0.65, Aside: 0.1, Yaw: 10})
	part, whole := s.Head(), s.Still()
	bounds := part.Image.Bounds()
	if !reflect.DeepEqual(part.Truth[0].Landmarks, whole.Truth[0].Landmarks) || !part.Truth[0].Box.In(bounds) {
		t.Errorf("the face is at %v, on the whole still at %v", part.Truth[0].Box, whole.Truth[0].Box)
	}
	if n := bounds.Dx() * bounds.Dy(); n > Width*Height/2 {
		t.Errorf("%v is no part", bounds)
	}
	off, pixels := 0.0, 0
	for y := bounds.Min.Y; y < bounds.Max.Y; y++ {
		for x := bounds.Min.X; x < bounds.Max.X; x++ {
			if whole.Truth[0].Mask.AlphaAt(x, y) != part.Truth[0].Mask.AlphaAt(x, y) {
				t.Fatalf("the head differs at %d, %d", x, y)
			}
			if part.Truth[0].Mask.AlphaAt(x, y).A == 255 {
				off += math.Abs(float64(part.Image.NRGBAAt(x, y).G) - float64(whole.Image.NRGBAAt(x, y).G))
				pixels++
			}
		}
	}
	if off /= float64(max(pixels, 1)); pixels < 10000 || off > 12 {
		t.Errorf("%d pixels of the head differ by %.1f of 255 on average", pixels, off)
	}
	if empty := porchWith().Head(); empty.Image.Bounds() != image.Rect(0, 0, Width, Height) {
		t.Errorf("where nobody is there, %v is drawn", empty.Image.Bounds())
	}
}
