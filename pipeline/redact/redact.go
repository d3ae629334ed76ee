// Package redact takes out of a still what must not be seen: what lies under
// a privacy mask, the faces of others, and detail that need not be kept.
//
//	still, err = redact.Mask(still, masks)                  // what a bell must not show: black, before a still is kept
//	given, err := redact.Blur(still, facesOfOthers)         // in a copy that somebody is given of their own visits
//	small, width, height, err := redact.Shrink(still, 320)  // kept in the place of the first after some time
//
// What comes in is a still as the archive keeps it: one upright YCbCr or grey
// JPEG picture without metadata. What goes out is another such still. Nothing
// is changed in place. A still of which nothing has to be taken is returned as
// it is, to the byte, and not encoded anew.
//
// # Why what is taken can't be brought back
//
// The new still is computed without what is taken, not from it by a way that
// could be gone back. Two stills that differ only there become the same still,
// to the byte, and the tests say so. That rules out what is usual for faces, a
// blur or a coarse mosaic: both are functions of the face, and networks
// trained on such pictures name the people on them (R. McPherson and others,
// Defeating Image Obfuscation with Deep Learning, 2016).
//
// It takes more than the pixels asked for. JPEG codes blocks of 8 x 8 samples,
// which with halved colours is 16 x 16 pixels, and spreads what is in a block
// over all of it: where a block is black in part, the rest of it, a few dozen
// sums of a few unknown numbers, may be solved for those numbers, and they
// give the whole block. So each block that shows a part of what is taken goes
// whole.
package redact

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"slices"

	"lintel/pipeline/decoding"
)

// ErrNotAStill says that something is no picture as the archive keeps them.
var ErrNotAStill = errors.New("not a still as the archive keeps them")

// Quality is the JPEG quality of what [Mask] and [Blur] return, 1 to 100. At
// 95 what they did not touch differs from the still before by less than a grey
// level (root mean square; MEASUREMENTS.md), so that faces are found and
// compared as before, and a still can be masked again when its masks change.
const Quality = 95

// jfif follows the start of each still: it says that the components are YCbCr
// or grey (ITU-T T.871). image/jpeg leaves that to be guessed.
const jfif = "\xff\xe0\x00\x10JFIF\x00\x01\x01\x00\x00\x01\x00\x01\x00\x00"

// Encode returns a still as the archive keeps it, of [Quality], from what
// [MaskImage] returned.
func Encode(m image.Image) ([]byte, error) {
	return EncodeAt(m, Quality)
}

// EncodeAt is Encode for a quality from 1 to 100.
func EncodeAt(m image.Image, quality int) ([]byte, error) {
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: quality}); err != nil {
		return nil, fmt.Errorf("encoding a still: %w", err)
	}
	return slices.Insert(b.Bytes(), len("\xff\xd8"), []byte(jfif)...), nil
}

// turn waits until there is memory to decode a still, change a copy and encode
// that, and returns what gives it back. Others who wait take a moment each, so
// nobody has to be able to hurry it.
func turn(still []byte) (end func()) {
	end, err := decoding.Begin(context.Background(), "redact", 2*decoding.StillMemory(still))
	if err != nil {
		panic(err) // the background never ends
	}
	return end
}

// decode returns the picture of a still, which is its caller's to change.
func decode(still []byte) (image.Image, error) {
	m, err := jpeg.Decode(bytes.NewReader(still))
	if err != nil {
		return nil, fmt.Errorf("%w: %v", ErrNotAStill, err)
	}
	return m, nil
}

// header returns a still's width and height, and whether it is grey, from its header.
func header(still []byte) (size image.Point, grey bool, err error) {
	header, err := jpeg.DecodeConfig(bytes.NewReader(still))
	if err != nil {
		return image.Point{}, false, fmt.Errorf("%w: %v", ErrNotAStill, err)
	}
	if header.ColorModel != color.YCbCrModel && header.ColorModel != color.GrayModel {
		return image.Point{}, false, fmt.Errorf("%w: its colours are neither YCbCr nor grey", ErrNotAStill)
	}
	return image.Pt(header.Width, header.Height), header.ColorModel == color.GrayModel, nil
}

// A plane is the luma or one of the chroma samples of a picture.
type plane struct {
	pix    []byte
	stride int
	size   image.Point // in samples
	pixels image.Point // of the picture, that a sample stands for
	black  byte        // this plane's part of black
}

// planes returns those of a decoded still, luma first. They share its memory.
func planes(m image.Image) ([]plane, error) {
	if m.Bounds().Min != (image.Point{}) {
		return nil, fmt.Errorf("%w: its bounds begin at %v", ErrNotAStill, m.Bounds().Min)
	}
	one := image.Pt(1, 1)
	switch m := m.(type) {
	case *image.Gray:
		return []plane{{m.Pix, m.Stride, m.Rect.Max, one, 0}}, nil
	case *image.YCbCr:
		pixels, ok := map[image.YCbCrSubsampleRatio]image.Point{
			image.YCbCrSubsampleRatio444: {1, 1}, image.YCbCrSubsampleRatio440: {1, 2},
			image.YCbCrSubsampleRatio422: {2, 1}, image.YCbCrSubsampleRatio420: {2, 2},
			image.YCbCrSubsampleRatio411: {4, 1}, image.YCbCrSubsampleRatio410: {4, 2},
		}[m.SubsampleRatio]
		if !ok {
			break
		}
		size := cover(m.Rect, pixels).Max
		return []plane{
			{m.Y, m.YStride, m.Rect.Max, one, 0},
			{m.Cb, m.CStride, size, pixels, 128},
			{m.Cr, m.CStride, size, pixels, 128},
		}, nil
	}
	return nil, fmt.Errorf("%w: a %T", ErrNotAStill, m)
}

// cover returns the cells of the given size that have a part in r, which is
// not left of or above (0, 0).
func cover(r image.Rectangle, cell image.Point) image.Rectangle {
	return image.Rect(r.Min.X/cell.X, r.Min.Y/cell.Y, (r.Max.X+cell.X-1)/cell.X, (r.Max.Y+cell.Y-1)/cell.Y)
}

// row returns samples x0 to x1 of row y.
func (p plane) row(y, x0, x1 int) []byte {
	return p.pix[y*p.stride+x0 : y*p.stride+x1]
}

// block returns how many pixels of the picture, at the most, a coded block of
// one of its planes covers.
func block(planes []plane) image.Point {
	return planes[len(planes)-1].pixels.Mul(8)
}

// copied returns a copy of a decoded still.
func copied(m image.Image) (image.Image, error) {
	switch m := m.(type) {
	case *image.Gray:
		c := *m
		c.Pix = bytes.Clone(m.Pix)
		return &c, nil
	case *image.YCbCr:
		c := *m
		c.Y, c.Cb, c.Cr = bytes.Clone(m.Y), bytes.Clone(m.Cb), bytes.Clone(m.Cr)
		return &c, nil
	}
	return nil, fmt.Errorf("%w: a %T", ErrNotAStill, m)
}
