package intake

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"image/color"
	"image/png"
)

// cleanPNG makes a still of a whole PNG. A PNG's rows are compressed as one
// stream with checksums, and image/png gives nothing of one that is cut short.
func cleanPNG(body []byte) (Still, error) {
	config, err := png.DecodeConfig(bytes.NewReader(body))
	if err != nil {
		return Still{}, fmt.Errorf("%w: the PNG breaks off or is broken at its beginning: %w", ErrNotAPicture, err)
	}
	if err := checkSize(config.Width, config.Height); err != nil {
		return Still{}, err
	}
	img, err := png.Decode(bytes.NewReader(body))
	if err != nil {
		return Still{}, fmt.Errorf("%w: the PNG is cut short or broken (unlike a JPEG, it can not be kept in part): %w",
			ErrNotAPicture, err)
	}
	opaque := onto(color.White, img.Bounds().Size(), img)
	return encode(turn(opaque, pngOrientation(body)), false)
}

// pngOrientation returns the EXIF orientation in the eXIf chunk of a PNG that
// decodes, or upright if there is none.
func pngOrientation(body []byte) int {
	const head, checksum = 8, 4 // a chunk is length, type, data, checksum
	for b := body[len(pngMagic):]; len(b) >= head; {
		n := uint64(binary.BigEndian.Uint32(b))
		if n+head+checksum > uint64(len(b)) {
			break
		}
		if string(b[4:8]) == "eXIf" {
			if o := exifOrientation(b[head : head+n]); o != 0 {
				return o
			}
		}
		b = b[head+n+checksum:]
	}
	return upright
}
