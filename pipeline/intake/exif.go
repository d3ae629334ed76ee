package intake

import (
	"bytes"
	"encoding/binary"
	"iter"
	"strings"
	"time"
)

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
		tagOrientation = 0x0112
		typeShort      = 3
	)
	order, first := tiffHead(tiff)
	if order == nil {
		return 0
	}
	for entry := range directory(tiff, order, first) {
		if order.Uint16(entry) == tagOrientation && order.Uint16(entry[2:]) == typeShort && order.Uint32(entry[4:]) == 1 {
			if o := int(order.Uint16(entry[8:])); 1 <= o && o <= 8 {
				return o
			}
			return 0
		}
	}
	return 0
}

const tiffHeader = 8 // bytes

// tiffHead returns the byte order of a TIFF file and where its first directory is;
// nil if it is none.
func tiffHead(tiff []byte) (order binary.ByteOrder, first uint32) {
	if len(tiff) < tiffHeader {
		return nil, 0
	}
	switch string(tiff[:4]) {
	case "II*\x00":
		order = binary.LittleEndian
	case "MM\x00*":
		order = binary.BigEndian
	default:
		return nil, 0
	}
	return order, order.Uint32(tiff[4:])
}

// directory goes over the entries of the directory at an offset, as far as they
// are there: 12 bytes each, of tag, type, count and value.
func directory(tiff []byte, order binary.ByteOrder, offset uint32) iter.Seq[[]byte] {
	return func(yield func([]byte) bool) {
		const size = 12
		if offset < tiffHeader || uint64(offset)+2 > uint64(len(tiff)) {
			return
		}
		entries := tiff[offset+2:]
		for n := order.Uint16(tiff[offset:]); n > 0 && len(entries) >= size; n-- {
			if !yield(entries[:size]) {
				return
			}
			entries = entries[size:]
		}
	}
}

// TakenAt returns when a JPEG or PNG picture was taken, as its EXIF block says by
// DateTimeOriginal and, where they are there, OffsetTimeOriginal and
// SubSecTimeOriginal (CIPA DC-008, 4.6.6.3 and 4.6.6.4). A time without an offset is
// in the zone. It is not ok where the picture does not say.
func TakenAt(body []byte, zone *time.Location) (at time.Time, ok bool) {
	tiff := exifOf(body)
	order, first := tiffHead(tiff)
	if order == nil {
		return at, false
	}
	const (
		tagExif     = 0x8769 // where the directory of the picture's taking is
		tagOriginal = 0x9003
		tagOffset   = 0x9011
		tagSubSec   = 0x9291
	)
	var original, offset, fraction string
	for entry := range directory(tiff, order, first) {
		if order.Uint16(entry) != tagExif {
			continue
		}
		for entry := range directory(tiff, order, order.Uint32(entry[8:])) {
			switch order.Uint16(entry) {
			case tagOriginal:
				original = exifText(tiff, order, entry)
			case tagOffset:
				offset = exifText(tiff, order, entry)
			case tagSubSec:
				fraction = exifText(tiff, order, entry)
			}
		}
	}
	return exifTime(original, offset, fraction, zone)
}

// exifTime puts the parts of a time together. What is wrong with the fraction or
// the offset spoils no time.
func exifTime(original, offset, fraction string, zone *time.Location) (at time.Time, ok bool) {
	const layout = "2006:01:02 15:04:05"
	if n := len(fraction); n > 0 && n <= 9 && strings.Trim(fraction, "0123456789") == "" {
		original += "." + fraction
	}
	at, err := time.Parse(layout+"-07:00", original+offset)
	if offset == "" || err != nil {
		at, err = time.ParseInLocation(layout, original, zone)
	}
	return at, err == nil && at.Year() >= 1970
}

// exifText is the value of an entry of type ASCII, "" if it is none or too long to
// be of a time.
func exifText(tiff []byte, order binary.ByteOrder, entry []byte) string {
	const typeASCII, longest = 2, 64
	n := uint64(order.Uint32(entry[4:]))
	if order.Uint16(entry[2:]) != typeASCII || n > longest {
		return ""
	}
	value := entry[8:]
	if n > 4 { // it is elsewhere, and its offset here
		at := uint64(order.Uint32(value))
		if at+n > uint64(len(tiff)) {
			return ""
		}
		value = tiff[at:]
	}
	return strings.Trim(string(value[:n]), "\x00 ")
}

// exifOf returns the EXIF block of a JPEG or a PNG, from its TIFF header on; nil
// where there is none before the picture.
func exifOf(body []byte) []byte {
	switch {
	case bytes.HasPrefix(body, []byte(jpegMagic)):
		for b, n := body[2:], 0; n < maxSegments; n++ {
			s, rest, ok := nextSegment(b)
			if !ok || s.marker == mSOS {
				return nil
			}
			if tiff, found := bytes.CutPrefix(s.payload, []byte("Exif\x00\x00")); s.marker == mAPP1 && found {
				return tiff
			}
			b = rest
		}
	case bytes.HasPrefix(body, []byte(pngMagic)):
		return pngExif(body)
	}
	return nil
}
