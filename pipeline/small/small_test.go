package small

import (
	"bytes"
	"image"
	"image/color"
	"image/jpeg"
	seeded "math/rand"
	"math/rand/v2"
	"testing"
	"testing/quick"

	"lintel/internal/house"
	"lintel/pipeline/decoding"
	"lintel/pipeline/redact"
)

// noisy returns a picture without an even part.
func noisy(width, height int) *image.YCbCr {
	m := image.NewYCbCr(image.Rect(0, 0, width, height), image.YCbCrSubsampleRatio420)
	r := rand.New(rand.NewPCG(3, 3))
	for _, plane := range [][]byte{m.Y, m.Cb, m.Cr} {
		for i := range plane {
			plane[i] = byte(100 + r.IntN(100))
		}
	}
	return m
}

func sizeOf(t *testing.T, data []byte) image.Point {
	t.Helper()
	c, err := jpeg.DecodeConfig(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	return image.Pt(c.Width, c.Height)
}

func TestMake(t *testing.T) {
	for name, test := range map[string]struct {
		still image.Image
		faces []house.Face
		want  map[string]image.Point
	}{
		"large": {noisy(1600, 1200), []house.Face{{ID: "A", Box: image.Rect(700, 400, 900, 610)}},
			map[string]image.Point{"still-320": {320, 240}, "still-640": {640, 480},
				"face-A-96": {96, 96}, "face-A-192": {192, 192}, "face-A-384": {384, 384}}},
		"without faces": {noisy(1600, 1200), nil,
			map[string]image.Point{"still-320": {320, 240}, "still-640": {640, 480}}},
		"as wide as a picture": {noisy(640, 481), nil, map[string]image.Point{"still-320": {320, 241}}},
		"small face": {noisy(300, 200), []house.Face{{ID: "A", Box: image.Rect(10, 10, 60, 70)}},
			map[string]image.Point{"face-A-96": {96, 96}, "face-A-192": {120, 120}}},
		"tiny face": {noisy(300, 200), []house.Face{{ID: "A", Box: image.Rect(290, 190, 310, 210)}},
			map[string]image.Point{"face-A-96": {40, 40}}},
		"grey, two faces": {image.NewGray(image.Rect(0, 0, 330, 200)),
			[]house.Face{{ID: "A", Box: image.Rect(0, 0, 30, 30)}, {ID: "B", Box: image.Rect(9, 0, 99, 90)}},
			map[string]image.Point{"still-320": {320, 194}, "face-A-96": {60, 60},
				"face-B-96": {96, 96}, "face-B-192": {180, 180}}},
		"no pixel of a face": {noisy(30, 20), []house.Face{{ID: "A"}}, map[string]image.Point{}},
	} {
		t.Run(name, func(t *testing.T) {
			made, err := Make(test.still, test.faces)
			if err != nil || len(made) != len(test.want) {
				t.Errorf("made %d, want %d; %v", len(made), len(test.want), err)
			}
			for name, data := range made {
				if got := sizeOf(t, data); got != test.want[name] {
					t.Errorf("%s is %v, want %v", name, got, test.want[name])
				}
			}
			packed, err := made.pack()
			if err != nil {
				t.Fatal(err)
			}
			again, err := unpack(packed)
			if err != nil || len(again) != len(made) {
				t.Errorf("unpacked %d of %d, %v", len(again), len(made), err)
			}
			for name, data := range made {
				if !bytes.Equal(again[name], data) {
					t.Errorf("%s is another after packing", name)
				}
			}
		})
	}
}

func TestFaceOfNoMorePixels(t *testing.T) {
	made, err := Make(noisy(300, 200), []house.Face{{ID: "A", Box: image.Rect(10, 10, 60, 70)}})
	if err != nil {
		t.Fatal(err)
	}
	for size, want := range map[int]int{96: 96, 192: 120, 384: 120} {
		if got := sizeOf(t, made.Face("A", size)); got != image.Pt(want, want) {
			t.Errorf("asked for %d: %v", size, got)
		}
	}
	if made.Face("B", 96) != nil {
		t.Error("a face that nobody has")
	}
}

// A square lies on the still, whatever face is said to be there, and has the whole
// face where there is room.
func TestSquareProperty(t *testing.T) {
	bounds := image.Rect(0, 0, 640, 480)
	err := quick.Check(func(x, y int16, w, h uint8) bool {
		face := image.Rect(int(x), int(y), int(x)+int(w), int(y)+int(h))
		s := Square(bounds, face)
		return s.In(bounds) && s.Dx() == s.Dy() &&
			(!face.In(bounds) || 2*max(face.Dx(), face.Dy()) > 480 || face.In(s))
	}, &quick.Config{Rand: seeded.New(seeded.NewSource(19)), MaxCount: 5000})
	if err != nil {
		t.Error(err)
	}
}

// TestMaskedIsBlack masks a part of a still and looks at all its pictures: what was
// black there is black here, but for the border, where a pixel is made of both. That is
// as far as the filter reaches, a pixel each time that a picture is reduced (from
// memory), and as a block of halved colours does (16, ITU-T T.81, A.2.4).
func TestMaskedIsBlack(t *testing.T) {
	data, err := redact.Encode(noisy(1600, 1200))
	if err != nil {
		t.Fatal(err)
	}
	masked := house.Polygon{{X: .25, Y: .25}, {X: .75, Y: .25}, {X: .75, Y: .75}, {X: .25, Y: .75}}
	if data, err = redact.Mask(data, []house.Polygon{masked}); err != nil {
		t.Fatal(err)
	}
	still, err := jpeg.Decode(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	face := image.Rect(300, 500, 500, 700) // half of it is masked
	made, err := Make(still, []house.Face{{ID: "A", Box: face}})
	if err != nil {
		t.Fatal(err)
	}
	for name, data := range made {
		part := image.Rect(0, 0, 1600, 1200)
		if name[:4] == "face" {
			part = Square(part, face)
		}
		m, err := jpeg.Decode(bytes.NewReader(data))
		if err != nil {
			t.Fatal(err)
		}
		scale := float64(m.Bounds().Dx()) / float64(part.Dx())
		at := func(v, from, margin int) int { return int(float64(v-from)*scale) + margin }
		const reach = 3 + 16 // reduced three times at most
		black := image.Rect(at(400, part.Min.X, reach), at(300, part.Min.Y, reach), at(1200, part.Min.X, -reach),
			at(900, part.Min.Y, -reach)).Intersect(m.Bounds())
		if black.Empty() {
			t.Fatalf("%s shows nothing of the mask", name)
		}
		for y := black.Min.Y; y < black.Max.Y; y++ {
			for x := black.Min.X; x < black.Max.X; x++ {
				if g := color.GrayModel.Convert(m.At(x, y)).(color.Gray); g.Y > 0 {
					t.Fatalf("%s at %d, %d: grey %d", name, x, y, g.Y)
				}
			}
		}
	}
}

// Pictures are stills as the archive keeps them: of one scan, without metadata.
func TestNothingBesidesThePicture(t *testing.T) {
	made, err := Make(noisy(700, 500), []house.Face{{ID: "A", Box: image.Rect(100, 100, 200, 200)}})
	if err != nil {
		t.Fatal(err)
	}
	for name, data := range made {
		for i := 2; data[i+1] != 0xda; i += 2 + int(data[i+2])<<8 + int(data[i+3]) { // SOS (ITU-T T.81, table B.1)
			if marker := data[i+1]; marker > 0xe0 && marker <= 0xef || marker == 0xfe { // APP1 to APP15, COM
				t.Errorf("%s has a segment %#x", name, marker)
			}
		}
		if decoding.StillMemory(data) == 0 {
			t.Errorf("%s has no header", name)
		}
	}
}

func FuzzUnpack(f *testing.F) {
	packed, err := Pictures{"still-320": []byte("x")}.pack()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(packed)
	f.Add([]byte("PK"))
	f.Fuzz(func(t *testing.T, data []byte) {
		if p, err := unpack(data); err == nil {
			p.Face("A", 96)
		}
	})
}
