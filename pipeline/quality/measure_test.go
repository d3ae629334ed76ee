package quality

import (
	"fmt"
	"image"
	"image/color"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"lintel/internal/house"
	"lintel/internal/python"
)

// faceAt returns a face that looks straight ahead, tilted clockwise by that
// many degrees: the proportions are of our own invention.
func faceAt(middle house.Point, eyes, roll float64) house.Face {
	sin, cos := math.Sincos(roll * math.Pi / 180)
	var f house.Face
	for _, p := range []house.Point{{X: .75}, {X: .25}, {X: -.75}, {X: -.25}, {Y: .65}} {
		f.Landmarks = append(f.Landmarks, house.Point{X: middle.X + eyes*(p.X*cos-p.Y*sin),
			Y: middle.Y + eyes*(p.X*sin+p.Y*cos)})
	}
	f.Box = image.Rect(0, 0, int(2.4*eyes), int(2.4*eyes)).Add(image.Pt(int(middle.X-1.2*eyes), int(middle.Y-.8*eyes)))
	return f
}

// grey draws a still by a function of the place.
func grey(w, h int, luma func(x, y int) float64) *image.Gray {
	still := image.NewGray(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			still.SetGray(x, y, color.Gray{uint8(math.Round(min(max(luma(x, y), 0), 255)))})
		}
	}
	return still
}

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s is %v, want %v within %v", what, got, want, tolerance)
	}
}

// Outside: numpy's mean and standard deviation, and the Laplacian of
// scipy.ndimage, over the same pixels.
func TestAgainstSciPy(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1, 2))
	p := plane{w: 31, h: 23}
	for i := range p.w * p.h {
		x, y := float64(i%p.w)-15, float64(i/p.w)-11
		p.luma = append(p.luma, 255*rnd.Float64()*rnd.Float64())
		p.in = append(p.in, x*x/190+y*y/100 < 1 && rnd.IntN(20) > 0)
	}
	p.luma[11*p.w+15], p.luma[11*p.w+16] = 0, 255
	var want struct {
		Mean, Deviation, Clipped float64
		Variances                []float64 // of the Laplacian and the second differences
	}
	python.Ask(t, "scipy", `
import sys, json, numpy as np
from scipy import ndimage
q = json.load(sys.stdin)
a = np.array(q["luma"]).reshape(q["h"], q["w"]); m = np.array(q["in"]).reshape(a.shape)
inner = ndimage.binary_erosion(m, np.ones((3, 3)))
second = lambda *k: ndimage.convolve(a, np.array(k))[inner].var()
variances = [ndimage.laplace(a)[inner].var(),
    second([0, 0, 0], [1, -2, 1], [0, 0, 0]), second([0, 1, 0], [0, -2, 0], [0, 1, 0]),
    second([1, 0, 0], [0, -2, 0], [0, 0, 1]), second([0, 0, 1], [0, -2, 0], [1, 0, 0])]
clipped = ((a[m] <= 5) | (a[m] >= 250)).mean()
print(json.dumps({"mean": a[m].mean(), "deviation": a[m].std(), "clipped": float(clipped), "variances": variances}))
`, map[string]any{"luma": p.luma, "in": p.in, "w": p.w, "h": p.h}, &want)
	mean, deviation := p.moments(image.Rect(0, 0, p.w, p.h))
	near(t, "the mean", mean, want.Mean, 1e-9)
	near(t, "the standard deviation", deviation, want.Deviation, 1e-9)
	near(t, "the clipped share", p.clipped(), want.Clipped, 1e-12)
	for i, v := range p.variances() {
		near(t, fmt.Sprintf("variance %d", i), v, want.Variances[i], 1e-7*want.Variances[i])
	}
	least := min(want.Variances[0], 4*want.Variances[1], 4*want.Variances[2], want.Variances[3], want.Variances[4])
	near(t, "the detail", p.detail(), least, 1e-7*least)
	if least < 1 || want.Clipped == 0 {
		t.Errorf("nothing to compare with: %+v", want)
	}
}

// Outside: scipy.ndimage.affine_transform draws the aligned face by itself,
// with linear interpolation, where the face has the aligned size.
func TestAlignAgainstSciPy(t *testing.T) {
	still := grey(200, 180, func(x, y int) float64 { return 120 + 60*math.Sin(float64(x)/7) + 50*math.Cos(float64(y)/5) })
	f := faceAt(house.Point{X: 95.3, Y: 70.8}, eyeSpacing, 17)
	e, ok := eyesOf(f.Landmarks, still.Rect.Size())
	if !ok {
		t.Fatal("no eyes")
	}
	got, cut := align(still, e)
	near(t, "what is cut", cut, 0, 0)
	var want []float64
	// The four samples of a pixel are the mean of four transforms.
	python.Ask(t, "scipy", `
import sys, json, numpy as np
from scipy import ndimage
q = json.load(sys.stdin)
a = np.array(q["luma"], dtype=float).reshape(180, 200)
c, s = np.cos(np.radians(17)), np.sin(np.radians(17))
m = np.array([[c, s], [-s, c]])  # rows are y, x
total = 0
for dy in (-.25, .25):
    for dx in (-.25, .25):
        zero = np.array([.5 + dy - q["y"], .5 + dx - q["x"]])
        offset = np.array([70.8, 95.3]) + m @ zero
        total = total + ndimage.affine_transform(a, m, offset=offset, output_shape=(q["h"], q["w"]), order=1) / 4
print(json.dumps(total.ravel().tolist()))
`, map[string]any{"luma": ints(still.Pix), "x": alignedX, "y": alignedY, "w": got.w, "h": got.h}, &want)
	compared := 0
	for i, v := range want {
		if got.in[i] {
			compared++
			if math.Abs(v-got.luma[i]) > 1e-3 { // luma is kept in 32 bits on the way
				t.Fatalf("pixel %d, %d is %v, want %v", i%got.w, i/got.w, got.luma[i], v)
			}
		}
	}
	if ellipse := math.Pi * halfWidth * halfHeight * eyeSpacing * eyeSpacing; math.Abs(float64(compared)-ellipse) >
		.02*ellipse {
		t.Errorf("%d pixels are within the face, an ellipse of %.0f", compared, ellipse)
	}
}

func ints(b []uint8) (list []int) {
	for _, v := range b {
		list = append(list, int(v))
	}
	return list
}

// A head is points in space, in millimetres: x to the right of the picture, y
// down, z towards the camera, the middle of the eyes in the middle. Corners of
// the eyes lie 30 and 92 mm apart, the outer ones further back; that is near
// Farkas, Anthropometry of the Head and Face (1994), from memory.
func head(noseDepth float64) [][3]float64 {
	return [][3]float64{{46, 0, -6}, {15, 0, 6}, {-46, 0, -6}, {-15, 0, 6}, {0, 42, noseDepth}}
}

// photographed nods a head (pitch, down), turns it about the vertical axis (yaw,
// the nose to the right) and tilts it clockwise (roll), and takes it with a
// camera at a distance in millimetres (a pinhole's perspective).
func photographed(points [][3]float64, yaw, pitch, roll, distance float64) (landmarks []house.Point) {
	sy, cy := math.Sincos(yaw * math.Pi / 180)
	sp, cp := math.Sincos(pitch * math.Pi / 180)
	sr, cr := math.Sincos(roll * math.Pi / 180)
	for _, p := range points {
		x, y, z := p[0], p[1]*cp+p[2]*sp, p[2]*cp-p[1]*sp
		x, z = x*cy+z*sy, z*cy-x*sy
		x, y = x*cr-y*sr, x*sr+y*cr
		k := distance / (distance - z)
		landmarks = append(landmarks, house.Point{X: 300 + 2*k*x, Y: 300 + 2*k*y})
	}
	return landmarks
}

// Outside: plain geometry of a head in space. The base of the nose lies 20 mm
// before the eyes by assumption, and 5 mm more or less move what is read.
func TestTurnedHeads(t *testing.T) {
	still := image.NewGray(image.Rect(0, 0, 600, 600))
	measure := func(landmarks []house.Point) house.Quality { return Measure(still, house.Face{Landmarks: landmarks}) }
	for _, roll := range []float64{-60, -25, 0, 10, 45} {
		for _, yaw := range []float64{-50, -30, -15, 0, 5, 20, 40} {
			q := measure(photographed(head(20), yaw, 0, roll, 1e9))
			near(t, "the roll", q.Roll, roll, 1e-4)
			// 61 mm lie between the eyes' middles here, 63 on average.
			sin, cos := math.Sincos(yaw * math.Pi / 180)
			near(t, "the yaw", q.Yaw, math.Atan(20*sin/(61*cos)*63/20)*180/math.Pi, 1e-4)
			near(t, "the distance of the eyes", q.EyeDistance, 2*61*cos, 1e-4)
			near(t, "the pixels per metre", q.PixelsPerMetre, 2*61*cos/.063, 1e-2)
		}
	}
	for _, yaw := range []float64{-40, -20, 0, 20, 40} {
		for _, depth := range []float64{15, 20, 25} {
			q := measure(photographed(head(depth), yaw, 0, 12, 1200))
			near(t, fmt.Sprintf("the yaw of a nose of %v mm", depth), q.Yaw, yaw, 4+.3*math.Abs(yaw))
		}
		// Looking down hides some of it, looking up shows more.
		down := math.Abs(measure(photographed(head(20), yaw, 15, 0, 1e9)).Yaw)
		up := math.Abs(measure(photographed(head(20), yaw, -15, 0, 1e9)).Yaw)
		if yaw != 0 && !(down < math.Abs(yaw) && math.Abs(yaw) < up) {
			t.Errorf("turned by %v, it reads %v looking down and %v looking up", yaw, down, up)
		}
		if math.Abs(yaw) == 20 {
			near(t, "the yaw of 20 looking down", down, 9, 1)
			near(t, "the yaw of 20 looking up", up, 29, 1)
		}
	}
}

// Landmarks come in dlib's order, the eye at the right of the picture first;
// the other order is no other face.
func TestEyesInEitherOrder(t *testing.T) {
	still := grey(300, 300, func(x, y int) float64 { return float64(x ^ y) })
	f := faceAt(house.Point{X: 150, Y: 120}, 50, 9)
	g := faceAt(house.Point{X: 150, Y: 120}, 50, 9)
	l := g.Landmarks
	l[0], l[1], l[2], l[3] = l[2], l[3], l[0], l[1]
	a, b := Measure(still, f), Measure(still, g)
	near(t, "the roll", a.Roll, 9, 1e-9)
	if a != b {
		t.Errorf("%+v in one order, %+v in the other", a, b)
	}
}

// A picture and the same picture larger, its pixels repeated, measure the same
// once both are larger than the aligned face; and darker by a factor they
// differ in luma and contrast alone.
func TestComparable(t *testing.T) {
	wave := func(x, y int) float64 { return 120 + 50*math.Sin(float64(x)/3) + 40*math.Sin(float64(y)/4) }
	small := Measure(grey(300, 300, wave), faceAt(house.Point{X: 150, Y: 120}, 60, 0))
	large := Measure(grey(900, 900, func(x, y int) float64 {
		return wave(x/3, y/3)
	}), faceAt(house.Point{X: 451, Y: 361}, 180, 0))
	near(t, "the luma", large.Luma, small.Luma, .5)
	near(t, "the contrast", large.Contrast, small.Contrast, .002)
	near(t, "the sharpness", large.Sharpness, small.Sharpness, .1*small.Sharpness)
	near(t, "the pixels per metre", large.PixelsPerMetre, 3*small.PixelsPerMetre, 1e-9)

	dark := Measure(grey(300, 300, func(x, y int) float64 {
		return .5 * wave(x, y)
	}), faceAt(house.Point{X: 150, Y: 120}, 60, 0))
	near(t, "the luma", dark.Luma, small.Luma/2, .5)
	near(t, "the contrast", dark.Contrast, small.Contrast/2, .002)
	near(t, "the sharpness", dark.Sharpness, small.Sharpness, .05*small.Sharpness)
}

// Models of colour give the same numbers where the luma is the same, and a
// still may begin anywhere.
func TestColourModels(t *testing.T) {
	still := grey(240, 240, func(x, y int) float64 { return float64((x*x + 3*y*y) / 7 % 256) })
	f := faceAt(house.Point{X: 120, Y: 100}, 45, -5)
	want := Measure(still, f)
	ycc := image.NewYCbCr(still.Rect, image.YCbCrSubsampleRatio444)
	copy(ycc.Y, still.Pix)
	moved := image.NewNRGBA(still.Rect.Add(image.Pt(-30, 50)))
	paletted := image.NewPaletted(still.Rect, nil)
	for i := range 256 {
		paletted.Palette = append(paletted.Palette, color.Gray{uint8(i)})
	}
	for i, v := range still.Pix {
		ycc.Cb[i], ycc.Cr[i] = uint8(i), 90
		moved.Set(i%240-30, i/240+50, color.Gray{v})
		paletted.Pix[i] = v
	}
	for name, m := range map[string]image.Image{"YCbCr": ycc, "NRGBA": moved, "paletted": paletted} {
		if got := Measure(m, f); got != want {
			t.Errorf("%s: %+v, want %+v", name, got, want)
		}
	}
}

func TestCutAndClipped(t *testing.T) {
	// The middle of the eyes on the left border: the ellipse is cut in half.
	still := grey(300, 300, func(x, y int) float64 { return float64(60 + (x+y)%90) })
	q := Measure(still, faceAt(house.Point{X: -.5, Y: 120}, 50, 0))
	near(t, "what is cut", q.Cut, .5, .02)
	// The upper half of the ellipse white: all above its middle.
	middle := 120 + below*50.
	half := grey(300, 300, func(x, y int) float64 {
		if float64(y) < middle {
			return 255
		}
		return float64(60 + (x+y)%90)
	})
	q = Measure(half, faceAt(house.Point{X: 150, Y: 120}, 50, 0))
	near(t, "what is clipped", q.Clipped, .5, .02)
	near(t, "what is cut", q.Cut, 0, 0)
	q = Measure(grey(300, 300, func(x, y int) float64 { return 128 }), faceAt(house.Point{X: 150, Y: 120}, 50, 0))
	want := house.Quality{FaceWidth: 120, EyeDistance: 50, PixelsPerMetre: 50 / pupils, Luma: 128, Occlusion: 1}
	if q != want {
		t.Errorf("a plain face: %+v, want %+v", q, want)
	}
}

// Bad input: what is no face gives a width, and no other number.
func TestNoFace(t *testing.T) {
	still := image.NewGray(image.Rect(0, 0, 64, 48))
	five := faceAt(house.Point{X: 30, Y: 20}, 12, 0).Landmarks
	with := func(i int, p house.Point) []house.Point {
		l := slices.Clone(five)
		l[i] = p
		return l
	}
	for name, landmarks := range map[string][]house.Point{
		"none": nil, "one": five[:1], "four": five[:4], "six": append(slices.Clone(five), five[0]),
		"all in one place":  make([]house.Point, 5),
		"not a number":      with(0, house.Point{X: math.NaN()}),
		"infinite":          with(4, house.Point{Y: math.Inf(-1)}),
		"far from anything": with(2, house.Point{X: -1e300, Y: 1e300}),
	} {
		box := image.Rect(3, 4, 23, 24)
		if got := Measure(still, house.Face{Box: box, Landmarks: landmarks}); got != (house.Quality{FaceWidth: 20}) {
			t.Errorf("%s: %+v", name, got)
		}
	}
	for _, size := range []image.Point{{}, {1, 1}, {1, 700}, {700, 1}, {2, 2}} {
		q := Measure(image.NewGray(image.Rectangle{Max: size}), house.Face{Landmarks: five})
		checkSane(t, q)
	}
	outside := faceAt(house.Point{X: -100, Y: -100}, 12, 0)
	if q := Measure(still, outside); q.Cut != 1 || !Poor(q) {
		t.Errorf("a face beside the still: %+v", q)
	}
}

// checkSane checks that numbers are in their ranges, and so is the score.
func checkSane(t *testing.T, q house.Quality) {
	t.Helper()
	for _, r := range []struct {
		what         string
		v, low, high float64
	}{
		{"eyes", q.EyeDistance, 0, 1e9}, {"pixels per metre", q.PixelsPerMetre, 0, 1e11},
		{"sharpness", q.Sharpness, 0, 1e6},
		{"luma", q.Luma, 0, 255}, {"clipped", q.Clipped, 0, 1}, {"contrast", q.Contrast, 0, .5}, {"yaw", q.Yaw, -90, 90},
		{"roll", q.Roll, -90, 90}, {"occlusion", q.Occlusion, 0, 1}, {"cut", q.Cut, 0, 1},
	} {
		if !(r.v >= r.low && r.v <= r.high) {
			t.Errorf("%s is %v, beyond %v to %v", r.what, r.v, r.low, r.high)
		}
	}
	score, complaints := Judge(q)
	if !(score >= 0 && score <= 1) || score == 0 && len(complaints) == 0 {
		t.Errorf("a score of %v with complaints %v", score, complaints)
	}
}

// FuzzMeasure measures anything anywhere: numbers stay in their ranges.
func FuzzMeasure(f *testing.F) {
	f.Add(uint8(64), uint8(48), 40., 20., 20., 20., 26., 20., 8., 20., 14., 28., []byte("luma"))
	f.Add(uint8(0), uint8(0), 0., 0., 0., 0., 0., 0., 0., 0., 0., 0., []byte{})
	f.Add(uint8(1), uint8(9), 1e9, -1e9, 3., 4., math.NaN(), 1., math.Inf(1), 5., 0., 0., []byte{255})
	f.Add(uint8(255), uint8(255), 700., 700., -700., -700., 10., 10., 20., 20., 0., 0., []byte{0, 255})
	f.Fuzz(func(t *testing.T, w, h uint8, ax, ay, bx, by, cx, cy, dx, dy, nx, ny float64, luma []byte) {
		still := image.NewGray(image.Rect(-3, 5, int(w)-3, int(h)+5))
		for i := range still.Pix {
			if len(luma) > 0 {
				still.Pix[i] = luma[i%len(luma)]
			}
		}
		landmarks := []house.Point{{X: ax, Y: ay}, {X: bx, Y: by}, {X: cx, Y: cy}, {X: dx, Y: dy}, {X: nx, Y: ny}}
		q := Measure(still, house.Face{Box: image.Rect(int(w), 1, 0, int(h)), Landmarks: landmarks})
		checkSane(t, q)
	})
}
