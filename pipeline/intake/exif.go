package intake

import "encoding/binary"

// upright is the EXIF orientation of a picture whose first row is its top and
// whose first column is its left side.
const upright = 1

// exifOrientation returns the orientation, 1 to 8, that the first directory of
// an EXIF block gives, or 0 if it gives none. The block begins with its TIFF
// header. Later directories describe other things, such as the preview.
//
// github.com/disintegration/imaging reads orientation as well, but not that of
// a PNG, nor where another APP1 segment comes first, and does not tell what it
// read.
func exifOrientation(tiff []byte) int {
	const (
		header         = 8
		entry          = 12 // tag, type, count, value
		tagOrientation = 0x0112
		typeShort      = 3
	)
	if len(tiff) < header {
		return 0
	}
	var order binary.ByteOrder
	switch string(tiff[:4]) {
	case "II*\x00":
		order = binary.LittleEndian
	case "MM\x00*":
		order = binary.BigEndian
	default:
		return 0
	}
	offset := uint64(order.Uint32(tiff[4:]))
	if offset < header || offset+2 > uint64(len(tiff)) {
		return 0
	}
	directory := tiff[offset:]
	entries := order.Uint16(directory)
	directory = directory[2:]
	for ; entries > 0 && len(directory) >= entry; entries-- {
		if order.Uint16(directory) == tagOrientation &&
			order.Uint16(directory[2:]) == typeShort && order.Uint32(directory[4:]) == 1 {
			if o := int(order.Uint16(directory[8:])); 1 <= o && o <= 8 {
				return o
			}
			return 0
		}
		directory = directory[entry:]
	}
	return 0
}
