package liveness

import (
	"image"
	"math"
	"math/rand/v2"
	"testing"

	"lintel/internal/house"
)

// ringOf takes three frames of an even pattern with a camera whose noise has
// that deviation on a still, a quarter of it on a thumbnail.
func ringOf(r *rand.Rand, noise float64) (frames []Frame) {
	for n := range 3 {
		g := &Thumbnail{800, 640, image.NewGray(image.Rect(0, 0, 200, 160))}
		for y := range 160 {
			for x := range 200 {
				v := 120 + 30*math.Sin(float64(x)/5)*math.Cos(float64(y)/7) + noise/4*r.NormFloat64()
				g.Luma.Pix[y*200+x] = uint8(v + 0.5)
			}
		}
		frames = append(frames,
			Frame{n, g, []house.Face{{Box: image.Rect(320, 240, 480, 400), Descriptor: house.Descriptor{1},
				Liveness: &house.Liveness{}}}})
	}
	return frames
}

// copiesOn judges a ring and returns what was found on its first frame.
func copiesOn(t *testing.T, frames []Frame) house.Finding {
	t.Helper()
	JudgeRing(frames)
	f, ok := frames[0].Faces[0].Liveness.Finding(Copies)
	if !ok || f.Missing != "" && f.Score != 0 {
		t.Fatalf("found %+v", frames[0].Faces[0].Liveness)
	}
	return f
}

func TestCopies(t *testing.T) {
	for _, test := range []struct {
		name    string
		noise   float64
		change  func([]Frame)
		score   float64
		missing string
	}{
		{"three stills", 3, func([]Frame) {}, 0, ""},
		{"three stills of a quiet camera", 1, func([]Frame) {}, 0, ""},
		{"the first still twice", 3, func(f []Frame) { f[2].Thumbnail = f[0].Thumbnail }, 1, ""},
		{"the first still twice, shifted", 3, func(f []Frame) { f[2].Thumbnail = moved(f[0].Thumbnail, 5, -3) }, 1, ""},
		{"one still is there", 3, func(f []Frame) { f[1].Thumbnail, f[2].Thumbnail = nil, nil }, 0, Plain},
		{"no thumbnail has a pixel", 3, func(f []Frame) {
			for i := range f {
				f[i].Thumbnail = &Thumbnail{0, 0, image.NewGray(image.Rectangle{})}
			}
		}, 0, Sizes},
		{"all of different sizes", 3, func(f []Frame) {
			f[1].Thumbnail = &Thumbnail{720, 600, image.NewGray(image.Rect(0, 0, 180, 150))}
			f[2].Thumbnail = &Thumbnail{640, 640, image.NewGray(image.Rect(0, 0, 160, 160))}
		}, 0, Sizes},
		{"a face beyond the still", 3, func(f []Frame) { f[1].Faces[0].Box = image.Rect(-900, -900, -100, -100) }, 0, ""},
	} {
		frames := ringOf(rand.New(rand.NewPCG(19, 20)), test.noise)
		test.change(frames)
		if f := copiesOn(t, frames); f.Score != test.score || f.Missing != test.missing ||
			(Reasons(f) == nil) != (f.Score == 0 && f.Missing == "") {
			t.Errorf("%s: %+v", test.name, f)
		}
	}
}

// moved shifts a thumbnail, and repeats the border.
func moved(g *Thumbnail, dx, dy int) *Thumbnail {
	out := &Thumbnail{g.Width, g.Height, image.NewGray(g.Luma.Rect)}
	for y := range g.Luma.Rect.Dy() {
		for x := range g.Luma.Rect.Dx() {
			out.Luma.SetGray(x, y, g.Luma.GrayAt(min(max(x-dx, 0), g.Luma.Rect.Dx()-1),
				min(max(y-dy, 0), g.Luma.Rect.Dy()-1)))
		}
	}
	return out
}

// A ring with a frame that came twice is doubtful.
func TestCopiesCount(t *testing.T) {
	frames := ringOf(rand.New(rand.NewPCG(19, 20)), 3)
	copiesOn(t, frames)
	apart := frames[0].Faces[0].Liveness.Probability
	frames[2].Thumbnail = frames[0].Thumbnail
	copiesOn(t, frames)
	if l := frames[0].Faces[0].Liveness; apart >= weights.Alone.Doubtful || l.Level != house.Doubtful {
		t.Errorf("a picture by %.3f, and with copies %s by %.3f", apart, l.Level, l.Probability)
	}
}

func BenchmarkJudgeRing(b *testing.B) {
	frames := ringOf(rand.New(rand.NewPCG(13, 14)), 3)
	for b.Loop() {
		JudgeRing(frames)
	}
}
