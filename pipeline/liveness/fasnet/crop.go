package fasnet

import (
	"image"
	"image/color"
	"math"
)

// Side is the width and height of what a network looks at, in pixels.
const Side = 80

// Crop is a picture of Side x Side pixels as the networks want it: first all its blue, then its green, then its red,
// each row by row from the top, 0 to 255.
type Crop [3 * Side * Side]float32

// Window returns the box enlarged scale times about its centre. Where that would reach out of the picture it is made
// smaller, as far as need be and keeping its shape, and pushed inside. The sides returned are whole pixels, so that the
// shape may be a pixel off. Neither picture nor face may be empty.
//
// The networks were trained on windows of this very rule, down to the pixel given away at the right and lower edge.
func Window(picture, face image.Rectangle, scale float64) image.Rectangle {
	// The last pixel's number, not the number of pixels, bounds the window.
	lastX, lastY := float64(picture.Dx()-1), float64(picture.Dy()-1)
	w, h := float64(face.Dx()), float64(face.Dy())
	scale = min(lastY/h, lastX/w, scale)
	face = face.Sub(picture.Min)
	left, right := within(float64(face.Min.X)+w/2, w*scale, lastX)
	top, bottom := within(float64(face.Min.Y)+h/2, h*scale, lastY)
	return image.Rect(left, top, right+1, bottom+1).Add(picture.Min)
}

// within returns the first and the last pixel of a span about centre, pushed between 0 and last.
func within(centre, span, last float64) (int, int) {
	from, to := centre-span/2, centre+span/2
	if from < 0 {
		from, to = 0, to-from
	}
	if to > last {
		from, to = from-(to-last), last
	}
	return int(max(from, 0)), int(to)
}

// Cut returns the window of the picture, which must lie within it, resized to Side x Side by bilinear interpolation
// between the centres of the nearest pixels. Nothing is smoothed before, however much smaller it becomes: nor was it
// for the networks when they were trained. Nor were fractions kept: as with OpenCV's INTER_LINEAR on bytes, shares are
// whole 2048ths, and what is cut off after each step is a unit in one pixel of fourteen, to which the networks are not
// blind. (The steps' widths are from memory; they come out as OpenCV's to the last bit.)
func Cut(still image.Image, window image.Rectangle) *Crop {
	var crop Crop
	pixel := pixels(still)
	xs, ys := samples(window.Min.X, window.Dx()), samples(window.Min.Y, window.Dy())
	for y, v := range ys {
		for x, u := range xs {
			nearer, farther := pixel(u.at, v.at), pixel(u.next, v.at)
			below, belowFarther := pixel(u.at, v.next), pixel(u.next, v.next)
			for c := range 3 {
				upper := (nearer[c]*u.keep + farther[c]*u.give) >> 4
				lower := (below[c]*u.keep + belowFarther[c]*u.give) >> 4
				crop[(c*Side+y)*Side+x] = float32((upper*v.keep>>16 + lower*v.give>>16 + 2) >> 2)
			}
		}
	}
	return &crop
}

// A sample lies between two pixels of a row or column; beyond the centre of the first or last, both are that one.
type sample struct {
	at, next   int
	keep, give int32 // the shares of at and next, in 2048ths
}

// samples returns where Side pixels' centres lie among n pixels from the first one on.
func samples(first, n int) (s [Side]sample) {
	for i := range s {
		centre := float32((float64(i)+0.5)*float64(n)/Side - 0.5)
		at := int(math.Floor(float64(centre)))
		share := centre - float32(at)
		s[i] = sample{first + min(max(at, 0), n-1), first + min(at+1, n-1), in2048ths(1 - share), in2048ths(share)}
	}
	return s
}

func in2048ths(share float32) int32 { return int32(math.RoundToEven(float64(share * 2048))) }

type bgr [3]int32 // 0 to 255 each

// pixels returns how to read a pixel of the picture. Only the pixels needed are converted, at most 25,600 of a still of
// millions.
func pixels(still image.Image) func(x, y int) bgr {
	switch p := still.(type) {
	case *image.YCbCr:
		return func(x, y int) bgr {
			i, j := p.YOffset(x, y), p.COffset(x, y)
			r, g, b := color.YCbCrToRGB(p.Y[i], p.Cb[j], p.Cr[j])
			return bgr{int32(b), int32(g), int32(r)}
		}
	case *image.NRGBA:
		return func(x, y int) bgr {
			i := p.PixOffset(x, y)
			return bgr{int32(p.Pix[i+2]), int32(p.Pix[i+1]), int32(p.Pix[i])}
		}
	}
	return func(x, y int) bgr {
		r, g, b, _ := still.At(x, y).RGBA()
		return bgr{int32(b >> 8), int32(g >> 8), int32(r >> 8)}
	}
}
