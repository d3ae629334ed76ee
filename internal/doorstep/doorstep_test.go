package doorstep

import (
	"image"
	"image/color"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/disintegration/imaging"
)

// portrait is a grey picture whose face is a white disc.
func portrait() *Portrait {
	img := imaging.New(700, 800, color.Gray{100})
	face := image.Rect(200, 250, 480, 530)
	middle := face.Min.Add(face.Max).Div(2)
	for y := face.Min.Y; y < face.Max.Y; y++ {
		for x := face.Min.X; x < face.Max.X; x++ {
			if math.Hypot(float64(x-middle.X), float64(y-middle.Y)) < 140 {
				img.Set(x, y, color.White)
			}
		}
	}
	return &Portrait{img, face}
}

func background() image.Image { return imaging.New(900, 700, color.Black) }

// The box that Paint returns is the one the white disc fills.
func TestPaintedBoxIsTheFaces(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	for _, test := range []struct {
		width   int
		degrees float64
	}{{1, 0}, {40, 0}, {333, 0}, {MaxWidth, 0}, {41, 20}, {MaxWidth, -33}} {
		p := *portrait()
		if test.degrees != 0 {
			p = p.Rotated(test.degrees)
		}
		still, box := Paint(r, background(), &p, test.width)
		if still.Rect != image.Rect(0, 0, Width, Height) {
			t.Fatalf("the still's bounds are %v", still.Rect)
		}
		if !box.In(still.Rect) || box.Dx() < test.width-1 || box.Dx() > test.width+1 {
			t.Errorf("%v: the box is %v", test, box)
		}
		if got := bright(still); test.width > 10 && !near(got, box, 3) {
			t.Errorf("%v: the box is %v, the face at %v", test, box, got)
		}
	}
}

// bright is the box around all pixels that are nearly white.
func bright(img *image.NRGBA) (box image.Rectangle) {
	for y := range img.Rect.Dy() {
		for x := range img.Rect.Dx() {
			if img.Pix[img.PixOffset(x, y)] > 180 {
				box = box.Union(image.Rect(x, y, x+1, y+1))
			}
		}
	}
	return box
}

func near(a, b image.Rectangle, by int) bool { return a.In(b.Inset(-by)) && b.In(a.Inset(-by)) }

func TestPaintWithoutFace(t *testing.T) {
	still, box := Paint(rand.New(rand.NewPCG(1, 1)), background(), nil, 0)
	if still.Rect != image.Rect(0, 0, Width, Height) || !box.Empty() {
		t.Errorf("bounds %v, box %v", still.Rect, box)
	}
}

func TestSameSeedPaintsTheSame(t *testing.T) {
	paint := func(seed uint64) (*image.NRGBA, image.Rectangle) {
		return Paint(rand.New(rand.NewPCG(seed, 0)), background(), portrait(), 100)
	}
	a, boxA := paint(1)
	b, boxB := paint(1)
	c, boxC := paint(2)
	if boxA != boxB || !slices.Equal(a.Pix, b.Pix) {
		t.Error("the same seed painted another still")
	}
	if boxA == boxC || slices.Equal(a.Pix, c.Pix) {
		t.Error("another seed painted the same still")
	}
}

// A background has to be smooth: no neighbours differ as those of a line do.
func TestBackgroundIsBlurred(t *testing.T) {
	sharp := image.NewGray(image.Rect(0, 0, 900, 700))
	for i := range sharp.Pix {
		sharp.Pix[i] = uint8(i % 900 / 30 % 2 * 255) // stripes
	}
	still := Background(rand.New(rand.NewPCG(3, 3)), sharp)
	most := 0
	for y := range Height {
		for x := 1; x < Width; x++ {
			d := int(still.NRGBAAt(x, y).R) - int(still.NRGBAAt(x-1, y).R)
			most = max(most, d, -d)
		}
	}
	if most == 0 || most > 40 {
		t.Errorf("neighbours differ by up to %d", most)
	}
}

func TestNoise(t *testing.T) {
	still := Plain(color.Gray{128})
	Noise(rand.New(rand.NewPCG(1, 1)), still, 8)
	var sum, squares float64
	for i, v := range still.Pix {
		if i%4 == 3 {
			if v != 255 {
				t.Fatal("the noise is transparent")
			}
			continue
		}
		d := float64(v) - 128
		sum, squares = sum+d, squares+d*d
	}
	n := float64(len(still.Pix) / 4 * 3)
	// Truncated to whole levels, the mean is half a level lower.
	if mean, deviation := sum/n, math.Sqrt(squares/n); math.Abs(mean+0.5) > 0.05 || math.Abs(deviation-8) > 0.1 {
		t.Errorf("mean %.3f and deviation %.3f, want -0.5 and 8", mean, deviation)
	}
}
