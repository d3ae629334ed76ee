package intake

import (
	"bytes"
	"encoding/binary"
	"errors"
	"image"
	"image/jpeg"
	"strconv"
	"strings"
	"testing"
)

// The tests take files apart and put them together on their own, by ITU-T T.81,
// annex B.

// segmentOf lays out a marker segment (B.1.1.4).
func segmentOf(marker byte, payload []byte) []byte {
	b := []byte{0xff, marker}
	b = binary.BigEndian.AppendUint16(b, uint16(2+len(payload)))
	return append(b, payload...)
}

// withSegments puts segments behind the start of image.
func withSegments(body []byte, segments ...[]byte) []byte {
	return append(append(bytes.Clone(body[:2]), bytes.Join(segments, nil)...), body[2:]...)
}

// markersOf returns the markers between the start and the end of the image,
// without restarts. The end must be the end of b.
func markersOf(tb testing.TB, b []byte) (markers []byte) {
	tb.Helper()
	if !bytes.HasPrefix(b, []byte{0xff, 0xd8}) || !bytes.HasSuffix(b, []byte{0xff, 0xd9}) {
		tb.Fatal("a JPEG that does not begin with SOI and end with EOI")
	}
	for i := 2; i < len(b)-2; {
		if b[i] != 0xff {
			tb.Fatalf("no marker at %d of %d", i, len(b))
		}
		m := b[i+1]
		markers = append(markers, m)
		i += 2 + int(binary.BigEndian.Uint16(b[i+2:]))
		if m != 0xda {
			continue
		}
		for i < len(b)-2 && !endsScan(b[i:]) {
			i++
		}
	}
	return markers
}

// endsScan reports whether b begins with a marker other than a restart, or with
// the bytes that may fill the space before one (B.1.1.2). Such bytes before a
// restart are part of the scan.
func endsScan(b []byte) bool {
	if b[0] != 0xff || b[1] == 0 {
		return false
	}
	i := 1
	for b[i] == 0xff {
		i++
	}
	return b[i] < 0xd0 || b[i] > 0xd7
}

// afterScans returns where the entropy-coded data of each scan ends in a file
// without metadata or fill bytes.
func afterScans(b []byte) (ends []int) {
	for i := bytes.Index(b, []byte{0xff, 0xda}); i+1 < len(b); i++ {
		if b[i] != 0xff || b[i+1] == 0 || 0xd0 <= b[i+1] && b[i+1] <= 0xd7 || b[i+1] == 0xda {
			continue
		}
		ends = append(ends, i)
		for b[i+1] != 0xda { // tables
			if b[i+1] == 0xd9 {
				return ends
			}
			i += 2 + int(binary.BigEndian.Uint16(b[i+2:]))
		}
	}
	return ends
}

// dirty adds to a JPEG what Clean must drop: metadata before and between the
// scans, bytes that fill and bytes that belong to nothing, and all that follows
// the end.
func dirty(tb testing.TB, clean []byte) []byte {
	tb.Helper()
	gps := exifSegment(binary.BigEndian, 1)
	var b []byte
	from := 0
	for i, end := range afterScans(clean) {
		b = append(b, clean[from:end]...)
		b = append(b, gps...)
		b = append(b, segmentOf(0xfe, append([]byte("comment "+strconv.Itoa(i)), secretPlace...))...)
		b = append(b, 0xff, 0xff, 0xff) // fill bytes (B.1.1.2)
		from = end
	}
	b = append(b, clean[from:]...)
	b = append(b, clean...) // another picture, as after a multi-picture index
	b = append(b, "moving pictures"...)
	b = append(b, secretPlace...)
	return withSegments(b,
		gps,
		[]byte{0xff, 0xff, 0xff},
		segmentOf(0xe1, append([]byte("http://ns.adobe.com/xap/1.0/\x00"), secretPlace...)),
		segmentOf(0xe2, append([]byte("MPF\x00"), secretPlace...)),
		segmentOf(0xed, append([]byte("Photoshop 3.0\x00"), secretPlace...)),
		[]byte{0x01, 0x02}, // no segment's
		segmentOf(0xef, secretPlace),
		segmentOf(0xfe, append([]byte("a comment"), secretPlace...)),
	)
}

// TestCleanIsLossless strips JPEGs of every kind that is stored as it came.
// The pixels are compared with those image/jpeg gives for the original, and
// where it is installed with what djpeg (libjpeg-turbo) makes of both.
func TestCleanIsLossless(t *testing.T) {
	tests := map[string]func(testing.TB) []byte{
		"own":      func(tb testing.TB) []byte { return asJPEG(tb, scene(133, 77)) },
		"own grey": func(tb testing.TB) []byte { return asJPEG(tb, rgbToGrey(scene(133, 77))) },
	}
	for _, name := range ycbcrFiles {
		tests[name] = func(tb testing.TB) []byte { return goImage(tb, "testdata/"+name) }
	}
	for name, read := range tests {
		t.Run(name, func(t *testing.T) {
			whole := read(t)
			body := dirty(t, whole)
			s := mustClean(t, body)
			checkStill(t, s)
			if s.Damaged {
				t.Error("Damaged")
			}
			samePixels(t, picture(t, s), decodeJPEG(t, whole))
			if bytes.Contains(s.JPEG, secretPlace) {
				t.Error("the GPS position is still there")
			}
			if bytes.Contains(s.JPEG, []byte("comment")) {
				t.Error("a comment is still there")
			}
			t.Run("djpeg", func(t *testing.T) {
				want := outside(t, whole, "djpeg", "-pnm")
				if got := outside(t, s.JPEG, "djpeg", "-pnm"); !bytes.Equal(got, want) {
					t.Error("djpeg sees other pixels than in the original")
				}
			})
		})
	}
}

// TestCleanAdobe has the transform byte of Adobe's APP14 segment decide the
// colours, as Adobe's technical note 5116 says: 0 is RGB, 1 is YCbCr. With
// JFIF the components are YCbCr whatever Adobe says (libjpeg, jdapimin.c).
func TestCleanAdobe(t *testing.T) {
	whole := asJPEG(t, scene(64, 48))
	adobe := func(transform byte) []byte {
		return segmentOf(0xee, []byte{'A', 'd', 'o', 'b', 'e', 0, 100, 0, 0, 0, 0, transform})
	}
	tests := map[string]struct {
		body     []byte
		lossless bool
	}{
		"YCbCr":        {withSegments(whole, adobe(1)), true},
		"RGB":          {withSegments(whole, adobe(0)), false},
		"RGB and JFIF": {withSegments(whole, []byte(jfif), adobe(0)), true},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			s := mustClean(t, test.body)
			checkStill(t, s)
			want := decodeJPEG(t, test.body)
			if test.lossless {
				samePixels(t, picture(t, s), want)
				return
			}
			if _, ok := want.(*image.RGBA); !ok {
				t.Fatalf("image/jpeg decodes the test's RGB to %T", want)
			}
			if db := psnr(picture(t, s), want, want.Bounds()); db < 30 {
				t.Errorf("%.1f dB", db)
			}
		})
	}
}

// TestCleanBoundsScans sends a progressive JPEG that repeats its last scan more
// often than any software does. ITU-T T.81, G.1.1.1 has each bit of a coefficient
// once, so the second is a mistake already, and the picture before it is kept.
func TestCleanBoundsScans(t *testing.T) {
	whole := goImage(t, "testdata/video-001.q50.420.progressive.jpeg")
	ends := afterScans(whole)
	last := whole[ends[len(ends)-2]:ends[len(ends)-1]]
	body := append(bytes.Clone(whole[:len(whole)-2]), bytes.Repeat(last, 1000)...)
	body = append(body, 0xff, 0xd9)
	f, err := parseJPEG(body)
	if err != nil {
		t.Fatal(err)
	}
	if f.scans != maxScans {
		t.Errorf("%d scans are gone through", f.scans)
	}
	if err := newDecoder(f).decode(f); err != errScan {
		t.Errorf("error %v, want %v", err, errScan)
	}
	s := mustClean(t, body)
	checkStill(t, s)
	samePixels(t, picture(t, s), decodeJPEG(t, whole))
}

// TestCleanMeasuresFirst checks that a picture is measured before memory is
// taken for it.
func TestCleanMeasuresFirst(t *testing.T) {
	body := asJPEG(t, scene(64, 48))
	copy(body[bytes.Index(body, []byte{0xff, 0xc0})+5:], "\xff\xdc\xff\xdc") // 65500 x 65500
	n := allocated(func() {
		if _, err := Clean(body); !errors.Is(err, ErrTooManyPixels) {
			t.Errorf("error %v, want %v", err, ErrTooManyPixels)
		}
	})
	if n > 1<<16 {
		t.Errorf("%d bytes allocated for a picture that is refused", n)
	}
}

// TestCleanLeavesBody checks that body is neither changed nor kept.
func TestCleanLeavesBody(t *testing.T) {
	for _, body := range [][]byte{
		asJPEG(t, scene(64, 48)),
		half(asJPEG(t, scene(200, 150))),
		asPNG(t, scene(64, 48)),
	} {
		before := bytes.Clone(body)
		s := mustClean(t, body)
		if !bytes.Equal(body, before) {
			t.Error("body is changed")
		}
		clear(body)
		if _, err := jpeg.Decode(bytes.NewReader(s.JPEG)); err != nil {
			t.Errorf("the still shares body's bytes: %v", err)
		}
	}
}

func TestErrorsSpareTheReaderEOF(t *testing.T) {
	_, err := Clean(asJPEG(t, scene(64, 48))[:300])
	if err == nil || strings.Contains(err.Error(), "EOF") {
		t.Errorf("error %v", err)
	}
}
