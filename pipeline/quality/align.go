package quality

import (
	"image"
	"image/color"
	"math"

	"lintel/internal/house"
)

// The aligned face, in multiples of the distance between the eyes: an ellipse
// around a point below the middle of the eyes, from the hairline to the chin
// and from temple to temple. Common practice, no source; wider ones take in
// hair and what is behind the head.
const (
	eyeSpacing = 40   // pixels between the eyes' centres on an aligned face
	halfWidth  = 0.95 // of the ellipse
	halfHeight = 1.25 // of the ellipse
	below      = 0.45 // its centre below the middle of the eyes
)

// An eyes is what the landmarks say of the two eyes and the nose.
type eyes struct {
	middle   house.Point // between the centres of the two
	distance float64     // of the centres, in pixels
	along    house.Point // of length 1, from the eye at the left of the picture to the other
	aside    float64     // the base of the nose along the line of the eyes, from the middle, in pixels
}

// eyesOf reads the landmarks: two corners of each eye and the base of the
// nose, as dlib's five-point predictor orders them. It reports false where
// they make no face on a still of that size.
func eyesOf(landmarks []house.Point, still image.Point) (e eyes, ok bool) {
	if len(landmarks) != 5 {
		return e, false
	}
	limit := 4 * float64(max(still.X, still.Y)) // a face cut by the border has some beyond it
	for _, p := range landmarks {
		if !(math.Abs(p.X) <= limit && math.Abs(p.Y) <= limit) { // or not a number
			return e, false
		}
	}
	left, right := between(landmarks[2], landmarks[3]), between(landmarks[0], landmarks[1])
	if left.X > right.X {
		left, right = right, left
	}
	e.middle, e.distance = between(left, right), math.Hypot(right.X-left.X, right.Y-left.Y)
	if e.distance < 1 {
		return e, false
	}
	e.along = house.Point{X: (right.X - left.X) / e.distance, Y: (right.Y - left.Y) / e.distance}
	nose := landmarks[4]
	e.aside = (nose.X-e.middle.X)*e.along.X + (nose.Y-e.middle.Y)*e.along.Y
	return e, true
}

func between(a, b house.Point) house.Point {
	return house.Point{X: (a.X + b.X) / 2, Y: (a.Y + b.Y) / 2}
}

// at returns the place on the still that lies x along the line of the eyes and
// y below it, both in pixels from the middle.
func (e eyes) at(x, y float64) house.Point {
	return house.Point{X: e.middle.X + x*e.along.X - y*e.along.Y, Y: e.middle.Y + x*e.along.Y + y*e.along.X}
}

// A plane is a grey picture in which some pixels count and others do not.
type plane struct {
	luma []float64 // 0 to 255, row by row
	in   []bool    // whether the pixel counts
	w, h int
}

// The aligned face's size in pixels, with a border for the Laplacian's reach,
// and where the middle of the eyes is on it.
const (
	alignedWidth  = 2*eyeSpacing*halfWidth + 2
	alignedHeight = 2*eyeSpacing*halfHeight + 2
	alignedX      = alignedWidth / 2.
	alignedY      = alignedHeight/2. - below*eyeSpacing
)

// align draws the face upright at the one size. cut is the share of it that
// lies beyond the still's border.
func align(still image.Image, e eyes) (p plane, cut float64) {
	scale := e.distance / eyeSpacing // pixels of the still for one here
	part := reduce(still, e.bounds(), max(1, int(math.Ceil(scale/2))))
	p = plane{make([]float64, alignedWidth*alignedHeight), make([]bool, alignedWidth*alignedHeight), alignedWidth,
		alignedHeight}
	inside, beyond := 0, 0
	for y := range p.h {
		for x := range p.w {
			dx, dy := float64(x)+.5-alignedX, float64(y)+.5-alignedY
			if !inEllipse(dx/eyeSpacing, dy/eyeSpacing) {
				continue
			}
			i := y*p.w + x
			if p.luma[i], p.in[i] = part.mean(e, dx*scale, dy*scale, scale); p.in[i] {
				inside++
			} else {
				beyond++
			}
		}
	}
	return p, float64(beyond) / float64(inside+beyond)
}

// inEllipse reports whether a place, in distances of the eyes from their
// middle, lies within the face.
func inEllipse(x, y float64) bool {
	x, y = x/halfWidth, (y-below)/halfHeight
	return x*x+y*y < 1
}

// bounds returns the part of a still that an aligned face is drawn from.
func (e eyes) bounds() image.Rectangle {
	r := e.distance / eyeSpacing * math.Hypot(alignedWidth, alignedHeight) / 2
	c := e.at(0, below*e.distance)
	return image.Rect(int(c.X-r)-1, int(c.Y-r)-1, int(c.X+r)+2, int(c.Y+r)+2)
}

// A reduced is the luma of a part of a still, averaged over squares.
type reduced struct {
	pix    []float32
	w, h   int
	origin image.Point // of the part, from the still's left upper corner
	factor float64     // side of a square in pixels of the still
}

// reduce averages the luma of a part of the still over squares of k pixels a side.
func reduce(still image.Image, part image.Rectangle, k int) reduced {
	b := still.Bounds()
	part = part.Intersect(image.Rectangle{Max: b.Size()})
	r := reduced{w: part.Dx() / k, h: part.Dy() / k, origin: part.Min, factor: float64(k)}
	r.pix = make([]float32, r.w*r.h)
	row := lumaRows(still, part.Add(b.Min))
	sums := make([]int, r.w)
	for y := range r.h {
		clear(sums)
		for dy := range k {
			values := row(y*k + dy)
			for x := range sums {
				for _, v := range values[x*k : x*k+k] {
					sums[x] += int(v)
				}
			}
		}
		for x, s := range sums {
			r.pix[y*r.w+x] = float32(s) / float32(k*k)
		}
	}
	return r
}

// lumaRows returns a function that gives a row of a part's luma; the row is
// good until the next call. A JPEG's luma is there already.
func lumaRows(still image.Image, part image.Rectangle) func(y int) []uint8 {
	switch img := still.(type) {
	case *image.YCbCr:
		return func(y int) []uint8 { return img.Y[img.YOffset(part.Min.X, part.Min.Y+y):][:part.Dx()] }
	case *image.Gray:
		return func(y int) []uint8 { return img.Pix[img.PixOffset(part.Min.X, part.Min.Y+y):][:part.Dx()] }
	}
	row := make([]uint8, part.Dx())
	return func(y int) []uint8 {
		for x := range row {
			row[x] = color.GrayModel.Convert(still.At(part.Min.X+x, part.Min.Y+y)).(color.Gray).Y
		}
		return row
	}
}

// mean averages four places within the square that a pixel of the aligned face
// covers, at x and y from the middle of the eyes: with one alone, detail finer
// than the square would be taken for coarser detail. It reports false for a
// square that is not wholly on the still.
func (r *reduced) mean(e eyes, x, y, side float64) (luma float64, ok bool) {
	for _, d := range [4][2]float64{{-1, -1}, {1, -1}, {-1, 1}, {1, 1}} {
		v, ok := r.sample(e.at(x+d[0]*side/4, y+d[1]*side/4))
		if !ok {
			return 0, false
		}
		luma += v / 4
	}
	return luma, true
}

// sample returns the luma between the four pixels around a place (bilinear).
func (r *reduced) sample(p house.Point) (luma float64, ok bool) {
	middle := (r.factor - 1) / 2 // of a square, from its first pixel
	x, y := (p.X-float64(r.origin.X)-middle)/r.factor, (p.Y-float64(r.origin.Y)-middle)/r.factor
	if !(x >= -1 && y >= -1 && x <= float64(r.w) && y <= float64(r.h)) || len(r.pix) == 0 {
		return 0, false
	}
	x, y = min(max(x, 0), float64(r.w-1)), min(max(y, 0), float64(r.h-1))
	x0, y0 := int(x), int(y)
	x1, y1 := min(x0+1, r.w-1), min(y0+1, r.h-1)
	fx, fy := x-float64(x0), y-float64(y0)
	upper := float64(r.pix[y0*r.w+x0])*(1-fx) + float64(r.pix[y0*r.w+x1])*fx
	lower := float64(r.pix[y1*r.w+x0])*(1-fx) + float64(r.pix[y1*r.w+x1])*fx
	return upper*(1-fy) + lower*fy, true
}
