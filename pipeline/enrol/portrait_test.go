package enrol_test

import (
	"bytes"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"testing"

	"lintel/pipeline/enrol"
)

// TestPortrait cuts faces out of a picture that is white where the face is, green
// around it and red where somebody else is: no red is ever on a portrait, and none
// is wider than it is kept.
func TestPortrait(t *testing.T) {
	beside := func(x int) []image.Rectangle { return []image.Rectangle{image.Rect(x, 300, x+100, 400)} }
	for name, test := range map[string]struct {
		face   image.Rectangle
		others []image.Rectangle
		want   image.Point
	}{
		"small, as it is":   {image.Rect(100, 100, 180, 180), nil, image.Pt(136, 136)}, // 80 * 1.7
		"large, smaller":    {image.Rect(200, 150, 600, 550), nil, image.Pt(384, 384)},
		"at the edge":       {image.Rect(0, 0, 100, 100), nil, image.Pt(135, 135)}, // 50 + 85, of 170
		"beside another":    {image.Rect(300, 300, 400, 400), beside(405), image.Pt(100, 100)},
		"far from another":  {image.Rect(300, 300, 400, 400), beside(600), image.Pt(170, 170)},
		"narrow, not wider": {image.Rect(300, 300, 360, 400), beside(362), image.Pt(60, 100)},
	} {
		t.Run(name, func(t *testing.T) {
			picture := image.NewRGBA(image.Rect(0, 0, 800, 700))
			fill := func(r image.Rectangle, c color.Color) {
				draw.Draw(picture, r, image.NewUniform(c), image.Point{}, draw.Src)
			}
			fill(picture.Bounds(), color.RGBA{G: 200, A: 255})
			fill(test.face, color.White)
			for _, other := range test.others {
				fill(other, color.RGBA{R: 255, A: 255})
			}
			cut, err := enrol.Portrait(picture, test.face, test.others)
			if err != nil {
				t.Fatal(err)
			}
			m, err := jpeg.Decode(bytes.NewReader(cut))
			if err != nil || m.Bounds().Size() != test.want {
				t.Fatalf("a portrait of %v, %v; want %v", m.Bounds().Size(), err, test.want)
			}
			for y := range m.Bounds().Dy() {
				for x := range m.Bounds().Dx() {
					if r, g, _, _ := m.At(x, y).RGBA(); r > 0xa000 && g < 0x6000 {
						t.Fatalf("somebody else is seen at %d, %d", x, y)
					}
				}
			}
		})
	}
}
