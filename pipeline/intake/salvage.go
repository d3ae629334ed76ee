package intake

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"slices"
	"sort"
)

// recovered is what could be had of a JPEG.
type recovered struct {
	image   image.Image // of the frame's full size
	data    []byte      // a JPEG of exactly these pixels; nil if there is none
	damaged bool
}

// salvage decodes f or, if f does not decode, as much of it as does.
//
// image/jpeg gives all or nothing, so salvage asks it for less: first for
// fewer scans, which leaves a coarser or a grey picture of full size, and
// failing that for fewer rows of the earliest scans. A decoder told that the
// picture is lower passes over the rest of the entropy-coded data and never
// meets the place where it breaks. Decoding is sequential, so what decodes in
// part also decodes in any smaller part, and bisection finds the most: one
// decode for a sound JPEG, never more than 20.
func (f *jpegFile) salvage() (recovered, error) {
	all, fewest := len(f.scans), f.scansNeeded()
	switch {
	case all == 0:
		return recovered{}, fmt.Errorf("%w: the JPEG breaks off before its picture begins", ErrNotAPicture)
	case fewest == 0:
		return recovered{}, fmt.Errorf("%w: the JPEG lacks tables or colours that its picture needs", ErrNotAPicture)
	}
	img, why := f.decode(all, f.frame.height)
	if why == nil {
		return f.atFullHeight(img, all), nil
	}

	// The last try that works in a bisection is the one that gives the most.
	fails := func(scans, height int) bool {
		m, err := f.decode(scans, height)
		if err == nil {
			img = m
		}
		return err != nil
	}
	tooMany := sort.Search(all-fewest, func(i int) bool { return fails(fewest+i, f.frame.height) })
	if img != nil {
		return f.atFullHeight(img, fewest+tooMany-1), nil
	}
	rows := (f.frame.height - 1) / f.frame.rowHeight // all but the last, which alone may be lower
	sort.Search(rows, func(i int) bool { return fails(fewest, (i+1)*f.frame.rowHeight) })
	if img == nil {
		return recovered{}, fmt.Errorf("%w: nothing of the JPEG decodes: %w", ErrNotAPicture, plain(why))
	}
	f.paintMissing(img, fewest)
	size := image.Pt(f.frame.width, f.frame.height)
	return recovered{image: onto(color.Gray{Y: 128}, size, img), damaged: true}, nil
}

// atFullHeight is what salvage returns if the first scans decode, to img.
func (f *jpegFile) atFullHeight(img image.Image, scans int) recovered {
	_, whole := f.coverage(scans)
	r := recovered{image: img, damaged: !whole}
	painted := f.paintMissing(img, scans)
	if (f.grey || f.ycc) && !painted {
		r.data = f.bytes(scans, f.frame.height)
	}
	return r
}

// scansNeeded returns how many of the scans it takes for there to be anything
// to see, or 0 if all of them are not enough. A YCbCr picture can do without
// Cb and Cr.
func (f *jpegFile) scansNeeded() int {
	for n := 1; n <= len(f.scans); n++ {
		seen, _ := f.coverage(n)
		if f.ycc && seen[0] || !slices.Contains(seen, false) {
			return n
		}
	}
	return 0
}

// paintMissing makes a picture of which the first scans lack Cb or Cr neutral
// there, where the decoder leaves it green, and reports whether it did.
func (f *jpegFile) paintMissing(img image.Image, scans int) bool {
	ycc, ok := img.(*image.YCbCr)
	if !ok {
		return false
	}
	seen, _ := f.coverage(scans)
	for i, plane := range [][]byte{ycc.Y, ycc.Cb, ycc.Cr} {
		if !seen[i] {
			for j := range plane {
				plane[j] = 128
			}
		}
	}
	return slices.Contains(seen, false)
}

// decode decodes the first scans at the given height.
func (f *jpegFile) decode(scans, height int) (image.Image, error) {
	return jpeg.Decode(bytes.NewReader(f.bytes(scans, height)))
}
