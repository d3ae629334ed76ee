package liveness

import (
	"image"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"lintel/internal/house"
)

// noise is a still with something to see everywhere.
func noise(w, h int, mean uint8) *image.Gray {
	r := rand.New(rand.NewPCG(1, uint64(w)))
	img := image.NewGray(image.Rect(0, 0, w, h))
	for i := range img.Pix {
		img.Pix[i] = uint8(int(mean)*3/4 + r.IntN(int(mean)/2+1))
	}
	return img
}

// faceIn is a face whose eyes are level.
func faceIn(box image.Rectangle) house.Face {
	at := func(x, y float64) house.Point {
		return house.Point{X: float64(box.Min.X) + x*float64(box.Dx()), Y: float64(box.Min.Y) + y*float64(box.Dy())}
	}
	return house.Face{
		Box:        box,
		Landmarks:  []house.Point{at(.8, .3), at(.65, .3), at(.2, .3), at(.35, .3), at(.5, .6)},
		Descriptor: house.Descriptor{1},
	}
}

// What can't be looked for is said, with the finding and with the judgement.
func TestCantTell(t *testing.T) {
	middle := image.Rect(540, 400, 740, 600)
	for _, test := range []struct {
		name  string
		still image.Image
		face  house.Face
		want  []string
		sign  string // one whose finding is missing
	}{
		{"one still", noise(1280, 1024, 120), faceIn(middle), []string{NoNetwork, OneFrame}, Network},
		{"a tiny face", noise(1280, 1024, 120), faceIn(image.Rect(600, 400, 620, 420)), []string{Tiny, OneFrame}, Detail},
		{"dark", noise(1280, 1024, 8), faceIn(middle), []string{Dark, OneFrame}, Detail},
		{"no eyes", noise(1280, 1024, 120), house.Face{Box: middle}, []string{NoEyes, OneFrame}, Edges},
		{"at the border", noise(1280, 1024, 120), faceIn(image.Rect(-150, 400, 50, 600)), []string{Border, OneFrame},
			Network},
	} {
		faces := []house.Face{test.face}
		New(nil).Examine(test.still, faces)
		l := faces[0].Liveness
		for _, why := range test.want {
			if !slices.Contains(l.CantTell, why) {
				t.Errorf("%s: can't tell %v, want %v", test.name, l.CantTell, test.want)
			}
		}
		f, looked := l.Finding(test.sign)
		if !looked || f.Missing == "" || f.Score != 0 || Reasons(f) == nil {
			t.Errorf("%s: %s found %+v", test.name, test.sign, f)
		}
	}
	New(nil).Examine(noise(64, 48, 120), nil) // no face, and no still to speak of
}

// Two faces are judged each by itself, over the frames that they are on.
func TestTwoFaces(t *testing.T) {
	var frames []Frame
	for n := range 3 {
		still := noise(1280, 1024, 120)
		ada, bo := faceIn(image.Rect(200+5*n, 300, 400+5*n, 500)), faceIn(image.Rect(800, 300, 1000, 500))
		bo.Descriptor = house.Descriptor{-1}
		faces := []house.Face{ada, bo}
		if n == 2 {
			faces = faces[:1] // Bo has gone
		}
		New(nil).Examine(still, faces)
		frames = append(frames, Frame{Number: n, Thumbnail: NewThumbnail(still), Faces: faces})
	}
	JudgeRing(frames)
	for n, frame := range frames {
		for i, f := range frame.Faces {
			if want := []int{3, 2}[i]; f.Liveness.Frames != want {
				t.Errorf("frame %d, face %d: judged by %d frames, want %d", n, i, f.Liveness.Frames, want)
			}
		}
	}
	// Once more, with another frame, says the same of the frames before but for
	// how many they are.
	before := len(frames[0].Faces[0].Liveness.Findings)
	JudgeRing(frames)
	if after := len(frames[0].Faces[0].Liveness.Findings); after != before {
		t.Errorf("%d findings, and judged again %d", before, after)
	}
}

// Frames that differ in size say so, and a ring of one frame does, too.
func TestFramesOfOtherSize(t *testing.T) {
	var frames []Frame
	for n, size := range []image.Point{{1280, 1024}, {640, 512}} {
		still := noise(size.X, size.Y, 120)
		faces := []house.Face{faceIn(image.Rect(size.X/3, size.Y/3, size.X/2, size.Y/2))}
		New(nil).Examine(still, faces)
		frames = append(frames, Frame{Number: n, Thumbnail: NewThumbnail(still), Faces: faces})
	}
	JudgeRing(frames)
	for _, f := range frames {
		if l := f.Faces[0].Liveness; !slices.Contains(l.CantTell, Sizes) || slices.Contains(l.CantTell, OneFrame) {
			t.Errorf("frame %d: can't tell %v", f.Number, l.CantTell)
		}
	}
	JudgeRing(frames[:1])
	if l := frames[0].Faces[0].Liveness; !slices.Contains(l.CantTell, OneFrame) || l.Frames != 1 {
		t.Errorf("alone again: %+v", l)
	}
}

// The shipped weights are what the package says of them.
func TestShippedWeights(t *testing.T) {
	for name, r := range map[string]Regression{"networks": weights.Networks, "alone": weights.Alone} {
		if len(r.Weights) == 0 || !(0 < r.Doubtful && r.Doubtful <= r.Picture && r.Picture < 1) {
			t.Errorf("%s: %+v", name, r)
		}
		for sign, weight := range r.Weights {
			if weight < 0 {
				t.Errorf("%s: the weight of %s is %g", name, sign, weight)
			}
			if !slices.Contains([]string{Network, Edges, Detail, Copies, Repeat}, sign) {
				t.Errorf("%s: nobody knows the sign %s", name, sign)
			}
		}
		if p := logistic(r.LogOdds(map[string]float64{Network: -1})); r.level(p) != house.NoSign {
			t.Errorf("%s: nothing found makes %s", name, r.level(p))
		}
		// The networks may be as sure as they like of a person: a still that was there before is a copy.
		if p := logistic(r.LogOdds(map[string]float64{Repeat: 1, Network: -surest})); r.level(p) != house.Picture {
			t.Errorf("%s: a plain copy makes %s", name, r.level(p))
		}
	}
}

func TestSignsAnywhere(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 9))
	for range 300 {
		w, h := 1+r.IntN(300), 1+r.IntN(300)
		at := image.Pt(r.IntN(9)-4, r.IntN(9)-4)
		var still image.Image
		switch bounds := image.Rect(0, 0, w, h).Add(at); r.IntN(4) {
		case 0:
			img := image.NewGray(bounds)
			for i := range img.Pix {
				img.Pix[i] = uint8(r.Uint32())
			}
			still = img
		case 1:
			img := image.NewNRGBA(bounds)
			for i := range img.Pix {
				img.Pix[i] = uint8(r.Uint32())
			}
			still = img
		default:
			ratios := []image.YCbCrSubsampleRatio{image.YCbCrSubsampleRatio444, image.YCbCrSubsampleRatio422,
				image.YCbCrSubsampleRatio420}
			img := image.NewYCbCr(bounds.Union(bounds.Sub(at)).Union(image.Rect(0, 0, 1, 1)).Intersect(image.Rect(0, 0, 999,
				999)), ratios[r.IntN(3)])
			for i := range img.Y {
				img.Y[i] = uint8(r.Uint32())
			}
			still = img.SubImage(bounds)
		}
		box := image.Rect(r.IntN(500)-100, r.IntN(500)-100, r.IntN(500)-100, r.IntN(500)-100)
		for _, s := range signs {
			if still.Bounds().Empty() {
				continue
			}
			f := s.measure(newScene(still).view(house.Face{Box: box}))
			if math.IsNaN(f.Score) || f.Score < 0 || f.Score > 1 {
				t.Fatalf("%s on %v, box %v: score %v", s.code, still.Bounds(), box, f.Score)
			}
			if (f.Score > 0) != (f.Region != nil) {
				t.Errorf("%s: score %v, region %v", s.code, f.Score, f.Region)
			}
			if Reasons(f) == nil && f.Missing == "" && f.Score > 0 {
				t.Errorf("%s says nothing of %v", s.code, f)
			}
		}
	}
}

// BenchmarkSpectralSigns takes a still of the usual size and a face as near as
