package intake

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"image/color"
	"image/jpeg"
	"io"
)

// Marker codes, ITU-T T.81 table B.1; each follows a 0xff byte.
const (
	mSOF0  = 0xc0 // start of frame: baseline
	mSOF1  = 0xc1 // start of frame: extended sequential
	mSOF2  = 0xc2 // start of frame: progressive
	mDHT   = 0xc4 // Huffman tables
	mJPG   = 0xc8 // reserved
	mDAC   = 0xcc // arithmetic coding conditions
	mSOF15 = 0xcf
	mRST0  = 0xd0 // restart, 0 to 7
	mRST7  = 0xd7
	mSOI   = 0xd8 // start of image
	mEOI   = 0xd9 // end of image
	mSOS   = 0xda // start of scan
	mDQT   = 0xdb // quantization tables
	mDRI   = 0xdd // restart interval
	mAPP1  = 0xe1 // EXIF among others
	mAPP14 = 0xee // Adobe
)

// Bounds on the work one JPEG may cause. Progressive stills of common software
// have about ten scans.
const (
	maxScans    = 64
	maxSegments = 1024
)

// jfif is the APP0 segment that every still is stored with. It says that the
// components are YCbCr or grey (ITU-T T.871), whatever their identifiers are.
const jfif = "\xff\xe0\x00\x10JFIF\x00\x01\x01\x00\x00\x01\x00\x01\x00\x00"

// A jpegFile is a JPEG taken apart into marker segments. It holds those that
// decoding needs, in their order; its slices are the file's bytes.
type jpegFile struct {
	colours     string // the segment that says which colours the components are, or ""
	ycc         bool   // YCbCr
	frame       frame
	segments    []segment // tables and scans
	scans       int
	orientation int // EXIF's, 1 to 8
}

// A segment is a marker with its parameters and, for a scan, the entropy-coded
// data up to the next marker other than a restart.
type segment struct {
	marker  byte
	payload []byte
	entropy []byte
}

// A frame is what a start-of-frame segment says.
type frame struct {
	width, height int
	progressive   bool
	components    []component // 1, 3 or 4 of them
	across, down  int         // minimum coded units
}

// parseJPEG takes body apart, as far as it goes. It is as liberal as
// image/jpeg about bytes between segments and the unexpected end of the file.
// The frame of the jpegFile it returns is in bounds and of a kind that
// image/jpeg decodes. There may be no scans.
func parseJPEG(body []byte) (*jpegFile, error) {
	f := &jpegFile{}
	var adobe []byte
	for b := body[2:]; f.scans < maxScans && len(f.segments) < maxSegments; {
		s, rest, ok := nextSegment(b)
		if !ok {
			break
		}
		b = rest
		switch {
		case isFrame(s.marker):
			if f.frame.width != 0 {
				continue
			}
			var err error
			if f.frame, err = parseFrame(s); err != nil {
				return nil, err
			}
			continue
		case s.marker == mAPP1 && f.orientation == 0 && f.scans == 0:
			if tiff, found := bytes.CutPrefix(s.payload, []byte("Exif\x00\x00")); found {
				f.orientation = exifOrientation(tiff)
			}
			continue
		case s.marker == mAPP14 && f.scans == 0 && bytes.HasPrefix(s.payload, []byte("Adobe")):
			adobe = s.payload
			continue
		case s.marker == mSOS && f.frame.width != 0:
			f.scans++
		case s.marker == mDHT, s.marker == mDQT, s.marker == mDRI:
		default:
			continue
		}
		f.segments = append(f.segments, s)
	}
	if f.frame.width == 0 {
		return nil, fmt.Errorf("%w: the JPEG breaks off before it says how large its picture is", ErrNotAPicture)
	}
	if err := checkSize(f.frame.width, f.frame.height); err != nil {
		return nil, err
	}
	if f.orientation == 0 {
		f.orientation = upright
	}
	// What the components are is told by JFIF and Adobe segments and, failing
	// these, by the identifiers. image/jpeg knows.
	config, err := jpeg.DecodeConfig(bytes.NewReader(body))
	if err != nil {
		return nil, fmt.Errorf("%w: the JPEG is broken before its picture begins: %w", ErrNotAPicture, plain(err))
	}
	f.ycc = config.ColorModel == color.YCbCrModel
	switch {
	case f.ycc, config.ColorModel == color.GrayModel:
		f.colours = jfif
	case adobe != nil:
		f.colours = string(appendSegment(nil, segment{marker: mAPP14, payload: adobe}))
	}
	return f, nil
}

// nextSegment returns the first segment in b that is whole, and what follows
// it. Bytes before it are passed over. There is none after the end of the
// image, or where another image starts.
func nextSegment(b []byte) (s segment, rest []byte, ok bool) {
	for i := 0; i+4 <= len(b); i++ {
		marker := b[i+1]
		if b[i] != 0xff || marker == 0xff || marker < mSOF0 || isRestart(marker) {
			continue // not a marker, or one that stands alone
		}
		if marker == mEOI || marker == mSOI {
			break
		}
		n := int(binary.BigEndian.Uint16(b[i+2:]))
		if n < 2 || i+2+n > len(b) {
			break
		}
		s = segment{marker: marker, payload: b[i+4 : i+2+n]}
		rest = b[i+2+n:]
		if marker == mSOS {
			s.entropy = entropyCoded(rest)
			rest = rest[len(s.entropy):]
		}
		return s, rest, true
	}
	return segment{}, nil, false
}

// entropyCoded returns the beginning of b up to the first marker that is not a
// restart. In entropy-coded data 0x00 follows each 0xff that is no marker
// (ITU-T T.81, B.1.1.5).
func entropyCoded(b []byte) []byte {
	for i := 0; ; {
		n := bytes.IndexByte(b[i:], 0xff)
		if n < 0 {
			return b
		}
		start := i + n
		i = start + 1
		for i < len(b) && b[i] == 0xff { // fill bytes (B.1.1.2)
			i++
		}
		stuffed := i < len(b) && b[i] == 0 && i == start+1
		if i == len(b) || !stuffed && !isRestart(b[i]) {
			return b[:start]
		}
	}
}

// parseFrame reads a start-of-frame segment (ITU-T T.81, B.2.2).
func parseFrame(s segment) (frame, error) {
	refuse := func(why string) (frame, error) {
		return frame{}, fmt.Errorf("%w: a kind of JPEG that %s; set the camera to plain (baseline) JPEG",
			ErrNotAPicture, why)
	}
	p := s.payload
	switch {
	case s.marker > mSOF2:
		return refuse("is lossless, hierarchical or arithmetic coded")
	case len(p) < 6 || len(p) != 6+3*int(p[5]):
		return frame{}, fmt.Errorf("%w: the JPEG's header is broken", ErrNotAPicture)
	case p[0] != 8:
		return refuse(fmt.Sprintf("has %d bits a sample instead of 8", p[0]))
	case p[5] != 1 && p[5] != 3 && p[5] != 4:
		return refuse(fmt.Sprintf("has %d colour components", p[5]))
	}
	f := frame{
		height:      int(binary.BigEndian.Uint16(p[1:])),
		width:       int(binary.BigEndian.Uint16(p[3:])),
		progressive: s.marker == mSOF2,
	}
	if f.width == 0 || f.height == 0 {
		return refuse("does not say how large its picture is")
	}
	for c := p[6:]; len(c) > 0; c = c[3:] {
		f.components = append(f.components, component{id: c[0], h: int(c[1] >> 4), v: int(c[1] & 0x0f), table: c[2]})
	}
	f.measure()
	return f, nil
}

// measure works out how many blocks there are (A.1.1, A.2). Of one component
// the sampling factors mean nothing. image/jpeg takes only frames whose first
// component has the largest, and none of the factors 0 and 3.
func (f *frame) measure() {
	if len(f.components) == 1 {
		f.components[0].h, f.components[0].v = 1, 1
	}
	h, v := max(f.components[0].h, 1), max(f.components[0].v, 1)
	f.across, f.down = over(f.width, 8*h), over(f.height, 8*v)
	for i := range f.components {
		c := &f.components[i]
		c.across, c.down = f.across*c.h, f.down*c.v
		c.wide, c.high = over(over(f.width*c.h, h), 8), over(over(f.height*c.v, v), 8)
		c.black = i == 3
	}
}

// over is n / by, rounded up.
func over(n, by int) int { return (n + by - 1) / by }

func appendSegment(b []byte, s segment) []byte {
	b = append(b, 0xff, s.marker)
	b = binary.BigEndian.AppendUint16(b, uint16(2+len(s.payload)))
	return append(b, s.payload...)
}

// isFrame tells the start-of-frame markers from others in their range.
func isFrame(marker byte) bool {
	return mSOF0 <= marker && marker <= mSOF15 && marker != mDHT && marker != mJPG && marker != mDAC
}

func isRestart(marker byte) bool {
	return mRST0 <= marker && marker <= mRST7
}

// plain puts the commonest of the decoder's errors in plain words.
func plain(err error) error {
	if errors.Is(err, io.ErrUnexpectedEOF) {
		return errors.New("it breaks off")
	}
	return err
}
