package fasnet

import (
	"image"
	"image/color"
	"image/draw"
	"math"
	"math/rand/v2"
	"testing"

	"lintel/internal/python"
)

// Worked by hand from the rule in Window's comment.
func TestWindow(t *testing.T) {
	large, small, away := image.Rect(0, 0, 1000, 800), image.Rect(0, 0, 200, 100), image.Pt(1000, 500)
	for _, test := range []struct {
		name    string
		picture image.Rectangle
		face    image.Rectangle
		scale   float64
		want    image.Rectangle
	}{
		// Centre 500, 400; 54 and 108 either way: 446 to 554, and 292 to 508.
		{"room all around", large, image.Rect(480, 360, 520, 440), 2.7, image.Rect(446, 292, 555, 509)},
		// 40 wide about 10: -10 to 30, pushed to 0 to 40. About 50 down: 30 to 70.
		{"at the left edge", small, image.Rect(5, 45, 15, 55), 4, image.Rect(0, 30, 41, 71)},
		// The last pixels are 199 and 99.
		{"in the lower right corner", small, image.Rect(190, 90, 200, 100), 4, image.Rect(159, 59, 200, 100)},
		// Only 99/50 times fits in height: 99 wide about 100, 50.5 to 149.5.
		{"too tall", small, image.Rect(75, 25, 125, 75), 4, image.Rect(50, 0, 150, 100)},
		{"a picture not at the origin", large.Add(away), image.Rect(480, 360, 520, 440).Add(away), 2.7,
			image.Rect(446, 292, 555, 509).Add(away)},
		{"out of the picture", small, image.Rect(500, 500, 510, 510), 4, image.Rect(159, 59, 200, 100)},
	} {
		if got := Window(test.picture, test.face, test.scale); got != test.want {
			t.Errorf("%s: %v, want %v", test.name, got, test.want)
		}
	}
}

func TestWindowStaysInside(t *testing.T) {
	r := rand.New(rand.NewPCG(2, 2))
	for range 20000 {
		picture := image.Rect(0, 0, 1+r.IntN(600), 1+r.IntN(400)).Add(image.Pt(r.IntN(9), r.IntN(9)))
		x, y := r.IntN(900)-150, r.IntN(700)-150
		face := image.Rect(x, y, x+1+r.IntN(300), y+1+r.IntN(300))
		if w := Window(picture, face, 1+4*r.Float64()); w.Empty() || !w.In(picture) {
			t.Fatalf("window %v of face %v in picture %v", w, face, picture)
		}
	}
}

func TestCutOfOneColour(t *testing.T) {
	still := image.NewNRGBA(image.Rect(0, 0, 100, 90))
	colour := image.NewUniform(color.NRGBA{R: 200, G: 100, B: 50, A: 255})
	draw.Draw(still, still.Bounds(), colour, image.Point{}, draw.Src)
	crop := Cut(still, image.Rect(10, 20, 63, 88))
	for i, v := range crop {
		if want := []float32{50, 100, 200}[i/(Side*Side)]; v != want {
			t.Fatalf("number %d is %g, want %g", i, v, want)
		}
	}
}

// A picture of the crop's own size is taken as it is; one of twice the size, as the mean of four pixels each.
func TestCutByHand(t *testing.T) {
	same, twice := image.NewGray(image.Rect(0, 0, Side, Side)), image.NewGray(image.Rect(0, 0, 2*Side, 2*Side))
	r := rand.New(rand.NewPCG(4, 4))
	for i := range twice.Pix {
		twice.Pix[i] = uint8(r.IntN(256))
	}
	copy(same.Pix, twice.Pix)
	as, halved := Cut(same, same.Bounds()), Cut(twice, twice.Bounds())
	for y := range Side {
		for x := range Side {
			if got, want := as[y*Side+x], float32(same.GrayAt(x, y).Y); got != want {
				t.Fatalf("at %d, %d: %g, want %g", x, y, got, want)
			}
			sum := 0
			for _, p := range []image.Point{{0, 0}, {1, 0}, {0, 1}, {1, 1}} {
				sum += int(twice.GrayAt(2*x+p.X, 2*y+p.Y).Y)
			}
			if got := float64(halved[y*Side+x]); math.Abs(got-float64(sum)/4) > 0.75 {
				t.Fatalf("at %d, %d: %g, the mean is %g", x, y, got, float64(sum)/4)
			}
		}
	}
}

// How each kind of picture is read must not matter.
func TestPixels(t *testing.T) {
	still := image.NewYCbCr(image.Rect(3, 5, 20, 16), image.YCbCrSubsampleRatio420)
	r := rand.New(rand.NewPCG(6, 6))
	for _, plane := range [][]uint8{still.Y, still.Cb, still.Cr} {
		for i := range plane {
			plane[i] = uint8(r.IntN(256))
		}
	}
	plain := image.NewNRGBA(still.Bounds())
	draw.Draw(plain, plain.Bounds(), still, still.Bounds().Min, draw.Src)
	other := image.NewRGBA(still.Bounds())
	draw.Draw(other, other.Bounds(), still, still.Bounds().Min, draw.Src)
	for y := 5; y < 16; y++ {
		for x := 3; x < 20; x++ {
			a, b, c := pixels(still)(x, y), pixels(plain)(x, y), pixels(other)(x, y)
			if a != b || b != c {
				t.Fatalf("at %d, %d: %v, %v, %v", x, y, a, b, c)
			}
		}
	}
}

const resize = `
import cv2, json, numpy, sys
crops = []
for picture in json.load(sys.stdin):
    pixels = numpy.array(picture["Pixels"], dtype=numpy.uint8).reshape(picture["Height"], picture["Width"], 3)
    resized = cv2.resize(pixels, (80, 80), interpolation=cv2.INTER_LINEAR)
    crops.append(resized.transpose(2, 0, 1).flatten().tolist())
json.dump(crops, sys.stdout)
`

// OpenCV's resize must make the same of pictures larger and smaller than the crop, in every pixel.
func TestCutAgainstOpenCV(t *testing.T) {
	type picture struct {
		Width, Height int
		Pixels        []int // blue, green, red
	}
	r := rand.New(rand.NewPCG(8, 8))
	var asked []picture
	var crops []*Crop
	for _, size := range []image.Point{
		{80, 80}, {160, 160}, {1, 1}, {2, 3}, {57, 91}, {133, 79}, {301, 388}, {81, 40}, {240, 417},
	} {
		p := picture{Width: size.X, Height: size.Y}
		still := image.NewNRGBA(image.Rectangle{Max: size})
		for i := 0; i < len(still.Pix); i += 4 {
			b, g, red := r.IntN(256), r.IntN(256), r.IntN(256)
			p.Pixels = append(p.Pixels, b, g, red)
			copy(still.Pix[i:], []uint8{uint8(red), uint8(g), uint8(b), 255})
		}
		asked, crops = append(asked, p), append(crops, Cut(still, still.Bounds()))
	}
	var want []Crop
	python.Ask(t, "cv2", resize, asked, &want)
	for i, crop := range crops {
		apart := 0
		for k := range crop {
			if crop[k] != want[i][k] {
				apart++
			}
		}
		if apart > 0 {
			t.Errorf("%d x %d: %d of %d numbers differ", asked[i].Width, asked[i].Height, apart, len(crop))
		}
	}
}
