package view

import (
	"image"
	"image/color"
	"image/draw"
	"math"
	"testing"

	"lintel/internal/house"
)

var red, blue = color.RGBA{200, 30, 40, 255}, color.RGBA{40, 50, 200, 255}

// drawn paints a face's eyes as dots, red at the left and blue at the right, on
// a grey still, and returns it with landmarks beside the dots.
func drawn(size, origin image.Point, left, right house.Point) (image.Image, house.Face) {
	still := image.NewRGBA(image.Rectangle{origin, origin.Add(size)})
	draw.Draw(still, still.Rect, image.NewUniform(color.Gray{120}), image.Point{}, draw.Src)
	dx, dy := right.X-left.X, right.Y-left.Y
	radius := math.Hypot(dx, dy) / 12
	for y := range size.Y {
		for x := range size.X {
			for eye, c := range map[house.Point]color.Color{left: red, right: blue} {
				if math.Hypot(float64(x)+.5-eye.X, float64(y)+.5-eye.Y) <= radius {
					still.Set(origin.X+x, origin.Y+y, c)
				}
			}
		}
	}
	corner := func(eye house.Point, by float64) house.Point { return house.Point{X: eye.X + by*dx, Y: eye.Y + by*dy} }
	return still, house.Face{Landmarks: []house.Point{
		corner(right, .15), corner(right, -.15), corner(left, -.15), corner(left, .15),
		{X: (left.X + right.X) / 2, Y: (left.Y+right.Y)/2 + dx/2}}}
}

// centre returns the centre of the pixels that are more of one colour than the other.
func centre(m *image.RGBA, of func(r, b int) bool) (x, y float64) {
	n := 0.
	for py := range m.Rect.Dy() {
		for px := range m.Rect.Dx() {
			c := m.RGBAAt(px, py)
			if of(int(c.R), int(c.B)) {
				x, y, n = x+float64(px)+.5, y+float64(py)+.5, n+1
			}
		}
	}
	return x / n, y / n
}

// TestAlign draws faces of several sizes, turned several ways. The eyes have to
// lie on the same two points each time, to half a pixel.
func TestAlign(t *testing.T) {
	for _, test := range []struct {
		name         string
		size, origin image.Point
		left, right  house.Point
	}{
		{"upright", image.Pt(640, 480), image.Point{}, house.Point{X: 280, Y: 200}, house.Point{X: 360, Y: 200}},
		{"tilted to the right", image.Pt(640, 480), image.Point{}, house.Point{X: 280, Y: 180},
			house.Point{X: 350, Y: 230}},
		{"tilted to the left", image.Pt(640, 480), image.Point{}, house.Point{X: 280, Y: 260}, house.Point{X: 350, Y: 200}},
		{"large", image.Pt(1280, 1024), image.Point{}, house.Point{X: 400, Y: 400}, house.Point{X: 800, Y: 430}},
		{"small", image.Pt(640, 480), image.Point{}, house.Point{X: 300, Y: 300}, house.Point{X: 324, Y: 303}},
		{"a part of a picture", image.Pt(640, 480), image.Pt(50, -30), house.Point{X: 280, Y: 180},
			house.Point{X: 350, Y: 230}},
		{"by the border", image.Pt(640, 480), image.Point{}, house.Point{X: 12, Y: 20}, house.Point{X: 70, Y: 25}},
	} {
		t.Run(test.name, func(t *testing.T) {
			still, f := drawn(test.size, test.origin, test.left, test.right)
			for _, swapped := range []bool{false, true} {
				if swapped { // the predictor's order of the two eyes does not matter
					f.Landmarks[0], f.Landmarks[1], f.Landmarks[2], f.Landmarks[3] = f.Landmarks[2], f.Landmarks[3],
						f.Landmarks[0],
						f.Landmarks[1]
				}
				out := Align(still, f)
				if out.Rect != image.Rect(0, 0, AlignedWidth, AlignedHeight) {
					t.Fatalf("bounds %v", out.Rect)
				}
				for what, eye := range map[string]struct {
					x  float64
					of func(r, b int) bool
				}{
					"left eye":  {(AlignedWidth - alignedEyes) / 2, func(r, b int) bool { return r > b+60 }},
					"right eye": {(AlignedWidth + alignedEyes) / 2, func(r, b int) bool { return b > r+60 }},
				} {
					if x, y := centre(out, eye.of); !(math.Hypot(x-eye.x, y-alignedEyeY) <= .5) {
						t.Errorf("%s at %.2f, %.2f, want %.1f, %d", what, x, y, eye.x, alignedEyeY)
					}
				}
			}
		})
	}
}

// TestAlignWithoutEyes has faces whose landmarks say nothing: they are placed
// by their box, and nothing goes wrong without one.
func TestAlignWithoutEyes(t *testing.T) {
	still, _ := drawn(image.Pt(160, 120), image.Point{}, house.Point{X: 58, Y: 41}, house.Point{X: 82, Y: 41})
	nan := house.Point{X: math.NaN(), Y: math.NaN()}
	same := house.Point{X: 50, Y: 50}
	box := image.Rect(40, 20, 100, 80)
	want := Align(still, house.Face{Box: box})
	for name, landmarks := range map[string][]house.Point{
		"too few": {same}, "no numbers": {nan, nan, nan, nan, nan}, "all at one place": {same, same, same, same, same},
	} {
		if got := Align(still, house.Face{Box: box, Landmarks: landmarks}); string(got.Pix) != string(want.Pix) {
			t.Errorf("%s: not as by the box", name)
		}
	}
	if x, _ := eyesOf(house.Face{Box: box}); x != (house.Point{X: 58, Y: 41}) {
		t.Errorf("the left eye of a box is at %v", x)
	}
	if out := Align(still, house.Face{}); out.RGBAAt(10, 10) != (color.RGBA{A: 255}) {
		t.Error("a face without a place is not black")
	}
	out := Align(still, house.Face{Box: image.Rect(5000, 5000, 5100, 5100)})
	if out.RGBAAt(10, 10) != (color.RGBA{A: 255}) {
		t.Error("a face off the still is not black")
	}
}
