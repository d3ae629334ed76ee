package redact

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"math"
	"math/rand/v2"
	"testing"
)

var faces = []struct {
	name  string
	boxes []image.Rectangle
}{
	{"one", []image.Rectangle{image.Rect(61, 43, 92, 75)}},
	{"one pixel", []image.Rectangle{image.Rect(61, 43, 62, 44)}},
	{"at a corner", []image.Rectangle{image.Rect(-20, -9, 13, 21)}},
	{"cut by the border", []image.Rectangle{image.Rect(180, 130, 300, 222)}},
	{"two far apart", []image.Rectangle{image.Rect(20, 20, 33, 31), image.Rect(150, 101, 171, 120)}},
	{"two close by", []image.Rectangle{image.Rect(60, 43, 82, 65), image.Rect(101, 50, 121, 71)}},
	{"one over the other", []image.Rectangle{image.Rect(60, 43, 102, 85), image.Rect(81, 60, 121, 101)}},
	{"most of the still", []image.Rectangle{image.Rect(30, 20, 190, 150)}},
	{"all of the still", []image.Rectangle{image.Rect(-5, -5, 1<<40, 1<<40)}},
}

// Stills that differ in nothing but the faces, coded by the bell at several
// qualities, become the same still: nothing of a face is left to be got back.
func TestNothingOfTheFaceIsLeft(t *testing.T) {
	size := image.Pt(211, 163)
	r := rand.New(rand.NewPCG(6, 1))
	for _, test := range faces {
		one, other := scene(size.X, size.Y), scene(size.X, size.Y)
		for _, box := range test.boxes {
			box = box.Intersect(one.Rect)
			box = box.Inset(-max(box.Dx(), box.Dy()) / 2).Intersect(one.Rect) // FaceMargin, by hand
			for y := box.Min.Y; y < box.Max.Y; y++ {
				for x := box.Min.X; x < box.Max.X; x++ {
					other.SetRGBA(x, y, color.RGBA{uint8(r.Uint32()), uint8(r.Uint32()), uint8(r.Uint32()), 255})
				}
			}
		}
		for _, pair := range [][2]image.Image{{one, other}, {asGrey(one), asGrey(other)}} {
			for _, quality := range []int{20, 100} {
				t.Run(fmt.Sprintf("%s/%T/%d", test.name, pair[0], quality), func(t *testing.T) {
					a, b := asJPEG(t, pair[0], quality), asJPEG(t, pair[1], quality)
					if bytes.Equal(a, b) {
						t.Fatal("the stills are the same before: nothing is tested")
					}
					if !bytes.Equal(blurred(t, a, test.boxes), blurred(t, b, test.boxes)) {
						t.Error("the face makes a difference")
					}
				})
			}
		}
	}
}

// The same for every kind of sampling, and for all that goes with the face.
func TestNothingOfTheFaceIsLeftInAnyPlane(t *testing.T) {
	r := rand.New(rand.NewPCG(6, 2))
	for _, test := range faces {
		for i, ratio := range append(ratios, 0) {
			one := noise(r, 211, 163, ratio, i == len(ratios))
			ps, err := planes(one)
			if err != nil {
				t.Fatal(err)
			}
			var gone []image.Rectangle
			for _, box := range test.boxes {
				gone = append(gone, grown(box, one.Bounds(), block(ps)))
			}
			other := edited(t, one, func(_ plane, pixels image.Rectangle, v byte) byte {
				for _, box := range gone {
					if pixels.Overlaps(box) {
						return uint8(r.Uint32())
					}
				}
				return v
			})
			a, b := copies(t, one), copies(t, other)
			if err := blur(a, test.boxes); err != nil {
				t.Fatal(err)
			}
			if err := blur(b, test.boxes); err != nil {
				t.Fatal(err)
			}
			if !samePicture(t, a, b) {
				t.Errorf("%s, %s: the face makes a difference", test.name, kind(one))
			}
			kept := edited(t, a, func(_ plane, _ image.Rectangle, v byte) byte { return v })
			restored := edited(t, one, func(_ plane, _ image.Rectangle, v byte) byte { return v })
			for _, m := range []image.Image{kept, restored} { // what is beyond the boxes must be the same in both
				blank(t, m, gone)
			}
			if !samePicture(t, kept, restored) {
				t.Errorf("%s, %s: something beyond the boxes changed", test.name, kind(one))
			}
		}
	}
}

// On a still that was turned, whatever its own blocks are, no block of 16
// pixels that shows a part of a face is left in part, however small the face.
func TestFaceOnATurnedStill(t *testing.T) {
	r := rand.New(rand.NewPCG(6, 3))
	for range 60 {
		at, side := image.Pt(20+r.IntN(150), 20+r.IntN(100)), 1+r.IntN(40)
		face := image.Rectangle{at, at.Add(image.Pt(side, side))}
		phase := image.Pt(r.IntN(16), r.IntN(16))
		one := noise(r, 211, 163, image.YCbCrSubsampleRatio444, r.IntN(2) == 0)
		other := edited(t, one, func(_ plane, pixels image.Rectangle, v byte) byte {
			at := image.Pt((pixels.Min.X+phase.X)/16*16, (pixels.Min.Y+phase.Y)/16*16).Sub(phase)
			if face.Overlaps(image.Rectangle{at, at.Add(image.Pt(16, 16))}) {
				return uint8(r.Uint32())
			}
			return v
		})
		for _, m := range []image.Image{one, other} {
			if err := blur(m, []image.Rectangle{face}); err != nil {
				t.Fatal(err)
			}
		}
		if !samePicture(t, one, other) {
			t.Errorf("%s, a face at %v, blocks at %v: the face makes a difference", kind(one), face, phase)
		}
	}
}

func copies(tb testing.TB, m image.Image) image.Image {
	tb.Helper()
	c, err := copied(m)
	if err != nil {
		tb.Fatal(err)
	}
	return c
}

func blank(tb testing.TB, m image.Image, boxes []image.Rectangle) {
	tb.Helper()
	ps, err := planes(m)
	if err != nil {
		tb.Fatal(err)
	}
	for _, p := range ps {
		for _, b := range boxes {
			for y, r := cover(b, p.pixels).Min.Y, cover(b, p.pixels); y < r.Max.Y; y++ {
				clear(p.row(y, r.Min.X, r.Max.X))
			}
		}
	}
}

func blurred(tb testing.TB, still []byte, boxes []image.Rectangle) []byte {
	tb.Helper()
	b, err := Blur(still, boxes)
	if err != nil {
		tb.Fatal(err)
	}
	return b
}

// The patch passes for a part of the picture: on one colour it is that colour,
// between two it goes from the one to the other.
func TestBlurLooksLikeItsSurroundings(t *testing.T) {
	m := image.NewRGBA(image.Rect(0, 0, 320, 240))
	for y := range 240 {
		for x := range 320 {
			c := color.RGBA{200, 60, 60, 255}
			if x >= 160 {
				c = color.RGBA{60, 60, 200, 255}
			}
			if image.Pt(x, y).In(image.Rect(150, 110, 170, 130)) {
				c = color.RGBA{0, 255, 0, 255} // the face
			}
			m.SetRGBA(x, y, c)
		}
	}
	after := decoded(t, blurred(t, asJPEG(t, m, 95), []image.Rectangle{image.Rect(150, 110, 170, 130)}))
	last := 255.0
	for x := 130; x < 190; x++ {
		r, g, b, _ := after.At(x, 120).RGBA()
		if g>>8 > 80 {
			t.Errorf("at %d it is %v: of the face's colour", x, after.At(x, 120))
		}
		if x%4 == 0 { // the coding adds its own ripple
			if red := float64(r>>8) - float64(b>>8); red > last+8 {
				t.Errorf("at %d it is %v, redder than before it", x, after.At(x, 120))
			} else {
				last = red
			}
		}
	}
	if math.Abs(last) < 60 {
		t.Errorf("right of the patch, red less blue is %.0f", last)
	}
	whole := decoded(t, blurred(t, asJPEG(t, scene(50, 50), 95), []image.Rectangle{image.Rect(0, 0, 50, 50)}))
	for i := range 50 {
		if r, g, b, _ := whole.At(i, i).RGBA(); r>>8 != 128 || g>>8 != 128 || b>>8 != 128 {
			t.Errorf("with nothing around it, it is %v and not grey", whole.At(i, i))
		}
	}
}

func BenchmarkBlur(b *testing.B) {
	still := asJPEG(b, scene(1280, 1024), 85)
	for _, test := range []struct {
		name  string
		boxes []image.Rectangle
	}{
		{"one-of-100", []image.Rectangle{image.Rect(600, 400, 700, 500)}},
		{"one-of-500", []image.Rectangle{image.Rect(400, 300, 900, 800)}},
		{"nine-of-100", grid(3, 100)},
	} {
		b.Run(test.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := Blur(still, test.boxes); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func grid(n, side int) (boxes []image.Rectangle) {
	for i := range n * n {
		at := image.Pt(100+i%n*400, 100+i/n*300)
		boxes = append(boxes, image.Rectangle{at, at.Add(image.Pt(side, side))})
	}
	return boxes
}
