package redact

import (
	"fmt"
	"image"
	"testing"

	"github.com/disintegration/imaging"

	"lintel/internal/house"
)

func TestShrink(t *testing.T) {
	for _, test := range []struct {
		width, height, side int
		want                image.Point
	}{
		{320, 256, 160, image.Pt(160, 128)},
		{256, 320, 160, image.Pt(128, 160)},
		{300, 200, 100, image.Pt(100, 67)},
		{320, 240, 319, image.Pt(319, 239)},
		{333, 333, 7, image.Pt(7, 7)},
		{900, 2, 30, image.Pt(30, 1)},
		{50, 40, 1, image.Pt(1, 1)},
	} {
		for _, grey := range []bool{false, true} {
			var m image.Image = scene(test.width, test.height)
			if grey {
				m = asGrey(m)
			}
			small, w, h, err := Shrink(asJPEG(t, m, 90), test.side)
			if err != nil {
				t.Fatal(err)
			}
			got := decoded(t, small)
			if image.Pt(w, h) != test.want || got.Bounds() != (image.Rectangle{Max: test.want}) {
				t.Errorf("%d x %d to %d: said to be %d x %d, is %v, want %v", test.width, test.height, test.side, w, h,
					got.Bounds(), test.want)
			}
			if _, stays := got.(*image.Gray); stays != grey {
				t.Errorf("grey was %v and is %v", grey, stays)
			}
			if _, _, _, err := Shrink(small, test.side); err != nil {
				t.Errorf("shrunk again: %v", err)
			}
		}
	}
}

// A smaller still shows the same: each of its pixels is near the mean of those
// it stands for.
func TestShrinkShowsTheSame(t *testing.T) {
	m := imaging.Blur(scene(640, 480), 4) // smooth, so that filters agree
	small, w, h, err := Shrink(asJPEG(t, m, 95), 160)
	if err != nil {
		t.Fatal(err)
	}
	got, want := decoded(t, small), imaging.Resize(m, w, h, imaging.Box)
	if db := psnr(got, want, got.Bounds()); db < 35 {
		t.Errorf("within %.1f dB of plain means", db)
	}
}

// The order of masking and shrinking must not matter to what is hidden.
func TestShrunkStaysMasked(t *testing.T) {
	still := asJPEG(t, scene(640, 480), 85)
	masked, err := Mask(still, []house.Polygon{half})
	if err != nil {
		t.Fatal(err)
	}
	first, _, _, err := Shrink(masked, 320)
	if err != nil {
		t.Fatal(err)
	}
	small, _, _, err := Shrink(still, 320)
	if err != nil {
		t.Fatal(err)
	}
	second, err := Mask(small, []house.Polygon{half})
	if err != nil {
		t.Fatal(err)
	}
	for name, b := range map[string][]byte{"masked first": first, "shrunk first": second} {
		m := decoded(t, b)
		for y := range 240 {
			for x := range 160 {
				if luma(m, x, y) > 2 {
					t.Fatalf("%s: %v at %d, %d", name, m.At(x, y), x, y)
				}
			}
		}
	}
}

func BenchmarkShrink(b *testing.B) {
	still := asJPEG(b, scene(1280, 1024), 85)
	for _, side := range []int{1024, 640, 320} {
		b.Run(fmt.Sprint(side), func(b *testing.B) {
			b.ReportAllocs()
			n := 0
			for b.Loop() {
				small, _, _, err := Shrink(still, side)
				if err != nil {
					b.Fatal(err)
				}
				n = len(small)
			}
			b.ReportMetric(float64(n)/float64(len(still)), "bytes/before")
		})
	}
}
