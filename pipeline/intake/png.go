package intake

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"image"
	"image/color"
	"image/png"
)

// A pngFile is a PNG whose header was read.
type pngFile struct {
	body        []byte
	config      image.Config
	orientation int
}

func parsePNG(body []byte) (*pngFile, error) {
	config, err := png.DecodeConfig(bytes.NewReader(body))
	if err != nil {
		return nil, fmt.Errorf("%w: the PNG breaks off or is broken at its beginning: %w", ErrNotAPicture, err)
	}
	if err := checkSize(config.Width, config.Height); err != nil {
		return nil, err
	}
	return &pngFile{body, config, pngOrientation(body)}, nil
}

// memory is what still takes: image/png's pixels, of up to 8 bytes, half as
// much again for the last pass of an interlaced picture, the canvas, and the
// picture turned.
func (p *pngFile) memory() int64 {
	pixel, canvas := int64(4), int64(4)
	switch p.config.ColorModel {
	case color.GrayModel:
		pixel, canvas = 1, 1
	case color.Gray16Model:
		pixel, canvas = 2, 1
	case color.RGBA64Model, color.NRGBA64Model:
		pixel = 8
	case color.RGBAModel:
		canvas = 0
	}
	if _, palette := p.config.ColorModel.(color.Palette); palette {
		pixel = 1
	}
	if bytes.Contains(p.body, []byte("tRNS")) && canvas < 4 { // one colour is transparent
		pixel, canvas = 4*pixel, 4
		if p.config.ColorModel == color.RGBAModel {
			pixel = 4
		}
	}
	const interlace = 28 // signature, length and type of IHDR, and its first 12 bytes
	if len(p.body) > interlace && p.body[interlace] != 0 {
		pixel += (pixel + 1) / 2
	}
	each := pixel + canvas
	if p.orientation != upright {
		each += 5
	}
	return each * p.pixels()
}

func (p *pngFile) pixels() int64 { return int64(p.config.Width) * int64(p.config.Height) }

// still makes a still of a whole PNG. A PNG's rows are compressed as one
// stream with checksums, and image/png gives nothing of one that is cut short.
func (p *pngFile) still() (Still, error) {
	img, err := png.Decode(bytes.NewReader(p.body))
	if err != nil {
		return Still{}, fmt.Errorf("%w: the PNG is cut short or broken (unlike a JPEG, it can not be kept in part): %w",
			ErrNotAPicture, err)
	}
	if _, opaque := img.(*image.RGBA); !opaque {
		img = onto(color.White, img.Bounds().Size(), img)
	}
	return encode(turn(img, p.orientation), false)
}

// pngOrientation returns the EXIF orientation in the eXIf chunk of a PNG, or
// upright if there is none.
func pngOrientation(body []byte) int {
	if o := exifOrientation(pngExif(body)); o != 0 {
		return o
	}
	return upright
}

// pngExif returns what is in the eXIf chunk of a PNG, nil without one.
func pngExif(body []byte) []byte {
	const head, checksum = 8, 4 // a chunk is length, type, data, checksum
	for b := body[len(pngMagic):]; len(b) >= head; {
		n := uint64(binary.BigEndian.Uint32(b))
		if n+head+checksum > uint64(len(b)) {
			break
		}
		if string(b[4:8]) == "eXIf" {
			return b[head : head+n]
		}
		b = b[head+n+checksum:]
	}
	return nil
}
