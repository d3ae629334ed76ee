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
// between the centres of the nearest pixels. Nothing is smoothed before, however much smaller it becomes: neither was it
// for the networks when they were trained. The values are whole numbers.
func Cut(still image.Image, window image.Rectangle) *Crop {
	var crop Crop
	pixel := pixels(still)
	xs, ys := samples(window.Min.X, window.Dx()), samples(window.Min.Y, window.Dy())
	for y, v := range ys {
		for x, u := range xs {
			upper := mix(pixel(u.at, v.at), pixel(u.next, v.at), u.share)
			lower := mix(pixel(u.at, v.next), pixel(u.next, v.next), u.share)
			for c, value := range mix(upper, lower, v.share) {
				crop[(c*Side+y)*Side+x] = float32(math.Round(float64(value)))
			}
		}
	}
	return &crop
}

// Mirror returns the crop with left and right exchanged.
func (c *Crop) Mirror() *Crop {
	var m Crop
	for i := range c {
		row := i - i%Side
		m[i] = c[row+Side-1-i%Side]
	}
	return &m
}

// A sample lies between two pixels of a row or column, or on the first or last.
type sample struct {
	at, next int
	share    float32 // of next, 0 to 1
}

// samples returns where Side pixels' centres lie among n pixels from the first one on.
func samples(first, n int) (s [Side]sample) {
	for i := range s {
		at := (float64(i)+0.5)*float64(n)/Side - 0.5
		floor := math.Floor(at)
		s[i] = sample{int(floor), int(floor) + 1, float32(at - floor)}
		if s[i].at < 0 {
			s[i] = sample{0, 0, 0}
		}
		if s[i].at >= n-1 {
			s[i] = sample{n - 1, n - 1, 0}
		}
		s[i].at += first
		s[i].next += first
	}
	return s
}

type bgr [3]float32

func mix(a, b bgr, share float32) bgr {
	for c := range a {
		a[c] += (b[c] - a[c]) * share
	}
	return a
}

// pixels returns how to read a pixel of the picture. Only the pixels needed are converted, at most 25,600 of a still of
// millions.
func pixels(still image.Image) func(x, y int) bgr {
	switch p := still.(type) {
	case *image.YCbCr:
		return func(x, y int) bgr {
			i, j := p.YOffset(x, y), p.COffset(x, y)
			r, g, b := color.YCbCrToRGB(p.Y[i], p.Cb[j], p.Cr[j])
			return bgr{float32(b), float32(g), float32(r)}
		}
	case *image.NRGBA:
		return func(x, y int) bgr {
			i := p.PixOffset(x, y)
			return bgr{float32(p.Pix[i+2]), float32(p.Pix[i+1]), float32(p.Pix[i])}
		}
	}
	return func(x, y int) bgr {
		r, g, b, _ := still.At(x, y).RGBA()
		return bgr{float32(b >> 8), float32(g >> 8), float32(r >> 8)}
	}
}
