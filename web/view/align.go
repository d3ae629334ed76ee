package view

import (
	"image"
	"image/color"
	"math"

	"golang.org/x/image/draw"
	"golang.org/x/image/math/f64"

	"lintel/internal/house"
)

// An aligned face is drawn so that the eyes lie on the same two points, whatever
// still it comes from: two of them side by side differ in the face alone.
const (
	AlignedWidth  = 320 // pixels
	AlignedHeight = 400
	alignedEyes   = 110 // pixels between the middles of the eyes
	alignedEyeY   = 165 // of both, from the top
)

// eyesOf returns the middles of the eyes, the one at the left of the still
// first, from landmarks in the order of dlib's 5-point predictor: two corners of
// one eye, two of the other, the base of the nose. Where there are none, the
// eyes are taken to be where they are in most boxes (common practice, no source).
func eyesOf(f house.Face) (left, right house.Point) {
	if len(f.Landmarks) >= 4 {
		l := f.Landmarks
		left, right = middle(l[2], l[3]), middle(l[0], l[1])
		if left.X > right.X {
			left, right = right, left
		}
		if math.Hypot(right.X-left.X, right.Y-left.Y) >= 1 { // also sorts out what is not a number
			return left, right
		}
	}
	at := func(x, y float64) house.Point {
		return house.Point{X: float64(f.Box.Min.X) + x*float64(f.Box.Dx()), Y: float64(f.Box.Min.Y) + y*float64(f.Box.Dy())}
	}
	return at(.3, .35), at(.7, .35)
}

func middle(a, b house.Point) house.Point { return house.Point{X: (a.X + b.X) / 2, Y: (a.Y + b.Y) / 2} }

// Align draws the face on a still turned, scaled and moved so that its eyes lie
// where those of every aligned face do. What lies beyond the still is black.
func Align(still image.Image, f house.Face) *image.RGBA {
	left, right := eyesOf(f)
	out := image.NewRGBA(image.Rect(0, 0, AlignedWidth, AlignedHeight))
	draw.Draw(out, out.Rect, image.NewUniform(color.Black), image.Point{}, draw.Src)
	dx, dy := right.X-left.X, right.Y-left.Y
	square := dx*dx + dy*dy
	if !(square >= 1) {
		return out
	}
	// The similarity takes the vector between the eyes to (alignedEyes, 0).
	cos, sin := alignedEyes*dx/square, -alignedEyes*dy/square
	x, y := (left.X+right.X)/2, (left.Y+right.Y)/2
	b := still.Bounds()
	x, y = x+float64(b.Min.X), y+float64(b.Min.Y) // faces are placed from the still's corner
	turn := f64.Aff3{
		cos, -sin, AlignedWidth/2 - (cos*x - sin*y),
		sin, cos, alignedEyeY - (sin*x + cos*y),
	}
	draw.CatmullRom.Transform(out, turn, still, around(b, x, y, math.Sqrt(square)), draw.Src, nil)
	return out
}

// around returns the part of a still that an aligned face shows, and little more.
func around(still image.Rectangle, x, y, eyes float64) image.Rectangle {
	reach := eyes / alignedEyes * math.Hypot(AlignedWidth/2, AlignedHeight-alignedEyeY)
	part := image.Rect(int(x-reach)-2, int(y-reach)-2, int(x+reach)+3, int(y+reach)+3)
	return part.Intersect(still)
}
