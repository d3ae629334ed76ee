package face

import (
	"image"
	"testing"

	"github.com/disintegration/imaging"
)

// Outside: imaging's box filter, which averages over the same squares.
func TestReducedLuma(t *testing.T) {
	photo := example(t, "2008_002506.jpg").(*image.YCbCr)
	grey := &image.Gray{Pix: photo.Y, Stride: photo.YStride, Rect: photo.Rect}
	for _, k := range []int{1, 2, 3, 5} {
		part := grey.SubImage(image.Rect(7, 9, 7+60*k, 9+40*k)).(*image.Gray)
		var got plane
		got.reduce(part, 60)
		if got.w != 60 || got.h != 40 || got.factor != k {
			t.Fatalf("a plane of %dx%d, reduced by %d, want 60x40 and %d", got.w, got.h, got.factor, k)
		}
		want := imaging.Resize(part, 60, 40, imaging.Box)
		for i, v := range got.pix {
			if d := int(v) - int(want.Pix[4*i]); d < -1 || d > 1 {
				t.Fatalf("reduced by %d: pixel %d is %d, want %d", k, i, v, want.Pix[4*i])
			}
		}
	}
}

func TestPlaneSizes(t *testing.T) {
	var p planes // of one still after the other
	for _, test := range []struct {
		w, h                     int // of the still
		fineW, fineH, factor     int
		coarseW, coarseH, coarse int
	}{
		{1280, 1024, 640, 512, 2, 320, 256, 4},
		{720, 720, 720, 720, 1, 360, 360, 2},
		{721, 10, 360, 5, 2, 180, 2, 4},
		{1, 1, 1, 1, 1, 1, 1, 1},
		{3, 3, 3, 3, 1, 1, 1, 2},
		{5000, 2, 714, 0, 7, 357, 0, 14},
		{0, 0, 0, 0, 1, 0, 0, 1},
	} {
		p.of(image.NewGray(image.Rect(0, 0, test.w, test.h)))
		fine, coarse := p.reduced, p.halved
		if fine.w != test.fineW || fine.h != test.fineH || fine.factor != test.factor {
			t.Errorf("%dx%d: fine plane of %dx%d, reduced by %d", test.w, test.h, fine.w, fine.h, fine.factor)
		}
		if coarse.w != test.coarseW || coarse.h != test.coarseH || coarse.factor != test.coarse {
			t.Errorf("%dx%d: coarse plane of %dx%d, reduced by %d", test.w, test.h, coarse.w, coarse.h, coarse.factor)
		}
	}
}

func TestWidened(t *testing.T) {
	got := plane{pix: []uint8("what was there before")}
	got.widen(plane{pix: []uint8{1, 2, 3, 4}, w: 2, h: 2, factor: 3}, 1)
	want := "\x01\x01\x02\x02" + "\x01\x01\x02\x02" + "\x03\x03\x04\x04" + "\x03\x03\x04\x04"
	if string(got.pix) != want || got.w != 4 || got.h != 4 || got.factor != 3 || got.margin != 1 {
		t.Errorf("got %+v", got)
	}
}

// A face whose box touches the border is found on each of the four sides.
func TestFaceAtTheBorder(t *testing.T) {
	f := open(t)
	photo := example(t, "2008_002506.jpg")
	face := image.Rect(329, 78, 438, 187) // as dlib's author labelled it
	for _, test := range []struct {
		name string
		part image.Rectangle
	}{
		{"left", image.Rect(face.Min.X, 0, 500, 375)},
		{"right", image.Rect(0, 0, face.Max.X, 375)},
		{"top", image.Rect(0, face.Min.Y, 500, 375)},
		{"bottom", image.Rect(0, 0, 500, face.Max.Y)},
	} {
		if faces := find(t, f, imaging.Crop(photo, test.part)); !hit(faces, face.Sub(test.part.Min)) {
			t.Errorf("%s: faces at %v, want one at %v", test.name, boxes(faces), face.Sub(test.part.Min))
		}
	}
}
