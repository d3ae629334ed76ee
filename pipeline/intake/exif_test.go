package intake

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"image"
	"image/color"
	"strconv"
	"strings"
	"testing"
	"time"
)

// secretPlace are the bytes of a GPS position: latitude and longitude as three
// rationals each (EXIF 2.32, 4.6.6), of no place in particular.
var secretPlace = func() (b []byte) {
	for _, r := range []uint32{12, 1, 34, 1, 56789, 1000, 65, 1, 43, 1, 21987, 1000} {
		b = binary.BigEndian.AppendUint32(b, r)
	}
	return b
}()

// An exifEntry is an entry of an image file directory. Its value is in the
// entry if it fits into four bytes, and an offset if not (TIFF 6.0, page 14).
type exifEntry struct {
	tag, kind uint16
	count     uint32
	value     []byte
}

// exifBlock lays out an EXIF block (EXIF 2.32, 4.5 and 4.6): the first
// directory with a camera's name, the orientation and a pointer to a GPS
// directory, then the second directory, which describes a preview that lies
// otherwise.
func exifBlock(order binary.AppendByteOrder, orientation uint16) []byte {
	short := func(v uint16) []byte { return order.AppendUint16(nil, v) }
	long := func(v uint32) []byte { return order.AppendUint32(nil, v) }
	const (
		ascii, shortKind, longKind, rational = 2, 3, 4, 5
		gps                                  = 100
		preview                              = 200
		values                               = 300
	)
	place := secretPlace
	if order == binary.AppendByteOrder(binary.LittleEndian) {
		place = bytes.Clone(secretPlace)
		for i := 0; i < len(place); i += 4 {
			binary.LittleEndian.PutUint32(place[i:], binary.BigEndian.Uint32(place[i:]))
		}
	}

	b := []byte("MM")
	if order == binary.AppendByteOrder(binary.LittleEndian) {
		b = []byte("II")
	}
	b = order.AppendUint16(b, 42)
	b = order.AppendUint32(b, 8)
	directory := func(at int, next uint32, entries ...exifEntry) {
		b = append(b, make([]byte, at-len(b))...)
		b = order.AppendUint16(b, uint16(len(entries)))
		for _, e := range entries {
			b = order.AppendUint16(b, e.tag)
			b = order.AppendUint16(b, e.kind)
			b = order.AppendUint32(b, e.count)
			b = append(b, e.value...)
			b = append(b, make([]byte, 4-len(e.value))...)
		}
		b = order.AppendUint32(b, next)
	}
	directory(8, preview,
		exifEntry{0x010f, ascii, 4, []byte("Oak\x00")},
		exifEntry{0x0112, shortKind, 1, short(orientation)},
		exifEntry{0x8825, longKind, 1, long(gps)})
	directory(gps, 0,
		exifEntry{0x0000, 1, 4, []byte{2, 3, 0, 0}},
		exifEntry{0x0001, ascii, 2, []byte("N\x00")},
		exifEntry{0x0002, rational, 3, long(values)},
		exifEntry{0x0003, ascii, 2, []byte("E\x00")},
		exifEntry{0x0004, rational, 3, long(values + 24)})
	directory(preview, 0,
		exifEntry{0x0112, shortKind, 1, short(orientation%8 + 1)})
	b = append(b, make([]byte, values-len(b))...)
	return append(b, place...)
}

// exifSegment is the block as an APP1 segment.
func exifSegment(order binary.AppendByteOrder, orientation uint16) []byte {
	return segmentOf(0xe1, append([]byte("Exif\x00\x00"), exifBlock(order, orientation)...))
}

var byteOrders = map[string]binary.AppendByteOrder{
	"Motorola": binary.BigEndian,
	"Intel":    binary.LittleEndian,
}

// orientations is the table of the Orientation tag in EXIF 2.32, 4.6.4.A:
// which side of the scene the picture's first row and first column show.
var orientations = []struct{ row0, column0 string }{
	1: {"top", "left"},
	2: {"top", "right"},
	3: {"bottom", "right"},
	4: {"bottom", "left"},
	5: {"left", "top"},
	6: {"right", "top"},
	7: {"right", "bottom"},
	8: {"left", "bottom"},
}

func TestCleanTurnsUpright(t *testing.T) {
	const width, height = 128, 96
	colours := scene(width, height)
	opposite := map[string]string{"top": "bottom", "bottom": "top", "left": "right", "right": "left"}
	for orientation := 1; orientation <= 8; orientation++ {
		// The corners of the scene, from the corners of the picture.
		corners := make(map[string]color.Color)
		o := orientations[orientation]
		for i, c := range []color.Color{red, green, blue, yellow} { // row 0, row 0, last row, last row
			row, column := o.row0, o.column0
			if i/2 == 1 {
				row = opposite[row]
			}
			if i%2 == 1 {
				column = opposite[column]
			}
			if row == "left" || row == "right" {
				row, column = column, row
			}
			corners[row+" "+column] = c
		}
		size := image.Pt(width, height)
		if orientation >= 5 {
			size = image.Pt(height, width)
		}
		for name, order := range byteOrders {
			for kind, m := range map[string]image.Image{"colour": colours, "grey": rgbToGrey(colours)} {
				t.Run(strconv.Itoa(orientation)+" "+name+" "+kind, func(t *testing.T) {
					// Elsewhere a segment comes before EXIF's, and another EXIF after it.
					xmp := segmentOf(0xe1, []byte("http://ns.adobe.com/xap/1.0/\x00<x/>"))
					body := withSegments(asJPEG(t, m), xmp, exifSegment(order, uint16(orientation)), exifSegment(order, 3))
					s := mustClean(t, body)
					checkStill(t, s)
					if s.Damaged {
						t.Error("Damaged")
					}
					want := make([]color.Color, 4)
					for i, at := range []string{"top left", "top right", "bottom left", "bottom right"} {
						want[i] = corners[at]
						if kind == "grey" {
							want[i] = color.GrayModel.Convert(want[i])
						}
					}
					checkCorners(t, picture(t, s), size, want[0], want[1], want[2], want[3])
					if _, grey := picture(t, s).(*image.Gray); grey != (kind == "grey") {
						t.Errorf("stored as %T", picture(t, s))
					}
				})
			}
		}
	}
}

func TestExifOrientationOfGarbage(t *testing.T) {
	whole := exifBlock(binary.BigEndian, 6)
	if got := exifOrientation(whole); got != 6 {
		t.Fatalf("orientation %d of a sound block, want 6", got)
	}
	edit := func(at int, with ...byte) []byte {
		b := bytes.Clone(whole)
		copy(b[at:], with)
		return b
	}
	const entry = 8 + 2 + 12 // the orientation's, the second
	tests := map[string][]byte{
		"nothing":                        nil,
		"header only":                    whole[:8],
		"no byte order":                  edit(0, 'X', 'X'),
		"byte order of the other":        edit(0, 'I', 'I'),
		"no TIFF":                        edit(3, 43),
		"a directory in the header":      edit(4, 0, 0, 0, 4),
		"a directory past the end":       edit(4, 0xff, 0xff, 0xff, 0xff),
		"a directory at the very end":    edit(4, 0, 0, byte(len(whole)>>8), byte(len(whole)-1)),
		"cut within the entry":           whole[:entry+10],
		"no entries":                     edit(8, 0, 0),
		"only the second directory's":    edit(entry, 0x01, 0x13),
		"a long":                         edit(entry+3, 4),
		"two values":                     edit(entry+7, 2),
		"orientation 0":                  edit(entry+9, 0),
		"orientation 9":                  edit(entry+9, 9),
		"orientation 6 in the high byte": edit(entry+8, 6, 0),
	}
	for name, block := range tests {
		t.Run(name, func(t *testing.T) {
			if got := exifOrientation(block); got != 0 {
				t.Errorf("orientation %d", got)
			}
			// The picture itself is kept as it is.
			body := withSegments(asJPEG(t, scene(32, 16)), segmentOf(0xe1, append([]byte("Exif\x00\x00"), block...)))
			s := mustClean(t, body)
			checkStill(t, s)
			samePixels(t, picture(t, s), decodeJPEG(t, body))
		})
	}
}

// TestExiftoolAgrees has exiftool (Phil Harvey), where it is installed, read
// what the tests write, so that they prove something, and find nothing in what
// Clean stores.
func TestExiftoolAgrees(t *testing.T) {
	for name, order := range byteOrders {
		t.Run(name, func(t *testing.T) {
			body := withSegments(asJPEG(t, scene(64, 48)), exifSegment(order, 8))
			read := func(b []byte) map[string]any {
				var tags []map[string]any
				if err := json.Unmarshal(outside(t, b, "exiftool", "-json", "-n", "-G0", "-"), &tags); err != nil {
					t.Fatal(err)
				}
				return tags[0]
			}
			sent := read(body)
			if sent["EXIF:Orientation"] != 8.0 || sent["EXIF:GPSLatitude"] == nil || sent["EXIF:Make"] != "Oak" {
				t.Fatalf("exiftool does not read the test's EXIF: %v", sent)
			}
			stored := read(mustClean(t, body).JPEG)
			for tag := range stored {
				group, _, _ := strings.Cut(tag, ":")
				switch group {
				case "SourceFile", "ExifTool", "File", "JFIF", "Composite":
				default:
					t.Errorf("exiftool still finds %s = %v", tag, stored[tag])
				}
			}
		})
	}
}

func FuzzOrientation(f *testing.F) {
	f.Add(exifBlock(binary.BigEndian, 6))
	f.Add(exifBlock(binary.LittleEndian, 3))
	f.Fuzz(func(t *testing.T, block []byte) {
		if o := exifOrientation(block); o < 0 || o > 8 {
			t.Errorf("orientation %d", o)
		}
	})
}

// No block makes TakenAt fail, and no time is one that can't be written.
func FuzzTakenAt(f *testing.F) {
	f.Add(exifBlock(binary.BigEndian, 6), "2027:02:03 16:05:06", "+01:00", "25")
	f.Add(exifBlock(binary.LittleEndian, 3), "0000:00:00 00:00:00", "Z", "x")
	f.Fuzz(func(t *testing.T, block []byte, original, offset, fraction string) {
		body := withSegments(asJPEG(t, scene(8, 8)), appendSegment(nil, segment{marker: mAPP1,
			payload: append([]byte("Exif\x00\x00"), block[:min(len(block), 60_000)]...)}))
		TakenAt(body, time.UTC)
		if at, ok := exifTime(original, offset, fraction, time.UTC); ok && (at.Year() < 1970 || at.Year() > 9999) {
			t.Errorf("%q %q %q is %s", original, offset, fraction, at)
		}
	})
}
