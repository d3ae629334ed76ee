package quality

import (
	"image"
	"math"

	"lintel/internal/house"
)

const (
	// pupils is the mean distance between an adult's pupils in metres: 63 mm,
	// most between 50 and 75. Dodgson, Variation and extrema of human
	// interpupillary distance (Proc. SPIE 5291, 2004), from memory.
	pupils = 0.063
	// noseDepth is how far the base of the nose lies before the eyes' centres,
	// as a share of their distance: 20 of 63 mm. Common practice, no source;
	// with 15 or 25 mm instead, a face turned by 20 degrees reads 15 or 25.
	noseDepth = 20. / 63
	// Luma up to nearlyBlack or from nearlyWhite on is clipped, or as good as.
	// JPEG blurs the ends of the scale by a few steps. Common practice, no source.
	nearlyBlack, nearlyWhite = 5, 250
)

// Measure measures a face on the still it was found on. Of the still it reads
// only what lies around the face. Whatever the face's landmarks are, it
// returns; without five that make a face, only the width is measured.
func Measure(still image.Image, f house.Face) house.Quality {
	q := house.Quality{FaceWidth: f.Width()}
	e, ok := eyesOf(f.Landmarks, still.Bounds().Size())
	if !ok {
		return q
	}
	q.EyeDistance = e.distance
	q.PixelsPerMetre = e.distance / pupils
	q.Roll = degrees(math.Asin(min(max(e.along.Y, -1), 1)))
	q.Yaw = degrees(math.Atan(e.aside / e.distance / noseDepth))
	aligned, cut := align(still, e)
	q.Cut = cut
	luma, deviation := aligned.moments(everywhere)
	q.Luma, q.Contrast = luma, deviation/255
	q.Clipped = aligned.clipped()
	if deviation > 0 {
		q.Sharpness = aligned.detail() / (deviation * deviation)
	}
	q.Occlusion = occlusion(aligned, deviation)
	return q
}

func degrees(radians float64) float64 { return radians * 180 / math.Pi }

// everywhere is all of an aligned face.
var everywhere = image.Rect(0, 0, alignedWidth, alignedHeight)

// moments returns the mean and the standard deviation (of a population) of the
// luma of those pixels in a rectangle that count; zeros if none does.
func (p plane) moments(in image.Rectangle) (mean, deviation float64) {
	var n, sum, squares float64
	in = in.Intersect(image.Rect(0, 0, p.w, p.h))
	for y := in.Min.Y; y < in.Max.Y; y++ {
		for i := y*p.w + in.Min.X; i < y*p.w+in.Max.X; i++ {
			if p.in[i] {
				n++
				sum += p.luma[i]
				squares += p.luma[i] * p.luma[i]
			}
		}
	}
	return momentsOf(n, sum, squares)
}

func momentsOf(n, sum, squares float64) (mean, deviation float64) {
	if n == 0 {
		return 0, 0
	}
	mean = sum / n
	return mean, math.Sqrt(max(0, squares/n-mean*mean))
}

// clipped returns the share of the pixels that count which are clipped.
func (p plane) clipped() float64 {
	n, clipped := 0, 0
	for i, v := range p.luma {
		if p.in[i] {
			n++
			if v <= nearlyBlack || v >= nearlyWhite {
				clipped++
			}
		}
	}
	return float64(clipped) / float64(max(n, 1))
}

// detail returns the variance of the Laplacian or, where it is less, that of
// the second difference along one direction: a face or a camera that moved
// blurs along that alone. Where detail lies in all directions, the Laplacian's
// variance is about 4 times that of a second difference along a side; and on a
// smooth picture one along a diagonal, over a way longer by √2, has 4 times
// that variance by itself.
func (p plane) detail() float64 {
	v := p.variances()
	return min(v[0], 4*v[1], 4*v[2], v[3], v[4])
}

// variances returns those of the Laplacian (the four neighbours less four times
// the pixel) and of the second differences along the rows, the columns and the
// two diagonals (both neighbours less twice the pixel), over inner pixels.
func (p plane) variances() (v [5]float64) {
	var n float64
	var sums, squares [5]float64
	for _, i := range p.inner() {
		twice := 2 * p.luma[i]
		row, column := p.luma[i-1]+p.luma[i+1]-twice, p.luma[i-p.w]+p.luma[i+p.w]-twice
		down, up := p.luma[i-p.w-1]+p.luma[i+p.w+1]-twice, p.luma[i-p.w+1]+p.luma[i+p.w-1]-twice
		n++
		for k, x := range [5]float64{row + column, row, column, down, up} {
			sums[k] += x
			squares[k] += x * x
		}
	}
	for k := range v {
		_, deviation := momentsOf(n, sums[k], squares[k])
		v[k] = deviation * deviation
	}
	return v
}

// inner returns the pixels that count and whose eight neighbours do.
func (p plane) inner() []int {
	list := make([]int, 0, len(p.luma))
	for y := 1; y < p.h-1; y++ {
		for i := y*p.w + 1; i < y*p.w+p.w-1; i++ {
			whole := true
			for d := -1; d <= 1; d++ {
				j := i + d*p.w
				whole = whole && p.in[j-1] && p.in[j] && p.in[j+1]
			}
			if whole {
				list = append(list, i)
			}
		}
	}
	return list
}

// parts are where every face has light and dark close together: the two eyes,
// the base of the nose, the mouth. Positions are in distances of the eyes from
// their middle.
var parts = []image.Rectangle{part(-.5, 0, .3, .18), part(.5, 0, .3, .18), part(0, .62, .3, .2), part(0, 1.1, .45, .25)}

func part(x, y, halfWidth, halfHeight float64) image.Rectangle {
	px := func(v, zero float64) int { return int(math.Round(v*eyeSpacing + zero)) }
	return image.Rect(px(x-halfWidth, alignedX), px(y-halfHeight, alignedY), px(x+halfWidth, alignedX),
		px(y+halfHeight, alignedY))
}

// plainest is the contrast of a part, as a share of the whole face's, under
// which it seems covered. See MEASUREMENTS.md.
const plainest = 0.3

// occlusion compares the contrast of the plainest part with that of the whole
// face, and returns how much less than plainest it is.
func occlusion(p plane, deviation float64) float64 {
	if deviation == 0 {
		return 1
	}
	least := math.Inf(1)
	for _, part := range parts {
		_, d := p.moments(part)
		least = min(least, d/deviation)
	}
	return max(0, 1-least/plainest)
}
