package intake

import (
	"bytes"
	"encoding/binary"
	"errors"
	"image/color"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
)

// around are the moments before, at and after a bound.
var around = []time.Duration{-1, 0, 1}

// TestNamesBounds has the bounds of the bells' interface, before, at and after.
func TestNamesBounds(t *testing.T) {
	for n, want := range map[int]error{0: ErrBadRing, 1: nil, 2: nil, 63: nil, 64: nil, 65: ErrBadRing} {
		if err := CheckNames(strings.Repeat("r", n), 0); !errors.Is(err, want) {
			t.Errorf("a ring's id of %d: %v", n, err)
		}
	}
	for n, want := range map[int]error{-1: ErrBadFrame, 0: nil, 1: nil, 14: nil, 15: nil, 16: ErrBadFrame} {
		if err := CheckNames("r", n); !errors.Is(err, want) {
			t.Errorf("frame %d: %v", n, err)
		}
	}
}

// TestSizeBounds has sides of 65,500 pixels and 25 million in all at the most.
func TestSizeBounds(t *testing.T) {
	for _, test := range []struct {
		width, height int
		want          error
	}{
		{65_499, 1, nil}, {65_500, 1, nil}, {65_501, 1, ErrTooManyPixels},
		{1, 65_499, nil}, {1, 65_500, nil}, {1, 65_501, ErrTooManyPixels},
		{5000, 4999, nil}, {5000, 5000, nil}, {5000, 5001, ErrTooManyPixels}, {5001, 5000, ErrTooManyPixels},
	} {
		if err := checkSize(test.width, test.height); !errors.Is(err, test.want) {
			t.Errorf("%d x %d: %v", test.width, test.height, err)
		}
	}
}

// TestKeepable has an old still be worth keeping until the longest time that any rule keeps stills is over: 30 days
// by default.
func TestKeepable(t *testing.T) {
	now := time.Date(2031, 5, 4, 18, 30, 0, 0, time.UTC)
	rules := house.DefaultRules()
	rules.Zone = "Etc/UTC"
	for i, d := range around {
		if err := keepable(rules, now.AddDate(0, 0, -30).Add(d), now); !errors.Is(err, []error{ErrPast, ErrPast, nil}[i]) {
			t.Errorf("30 days old, by %v: %v", d, err)
		}
		if err := keepable(rules, now.Add(d), now); !errors.Is(err, []error{nil, nil, ErrFuture}[i]) {
			t.Errorf("of now, by %v: %v", d, err)
		}
	}
}

// TestSkew is how far a bell's clock is ahead, of one that said its time.
func TestSkew(t *testing.T) {
	now := time.Date(2031, 5, 4, 18, 30, 0, 0, time.UTC)
	if skew(now.Add(time.Second), now) != time.Second || skew(now.Add(-1), now) != -1 || skew(time.Time{}, now) != 0 {
		t.Error("a skew is not what the bell's clock is ahead")
	}
}

// TestAllowBounds fills what one bell may have underway, and how many bells may, to the last still and byte.
func TestAllowBounds(t *testing.T) {
	limits := Limits{PerMinute: 60, Burst: 99, Underway: 3, Bytes: 100, Bells: 2}
	new := func() *Intake { return New(nil, func() time.Time { return time.Unix(0, 0) }, limits) }
	allow := func(in *Intake, bell string, size int64, want error) (done func()) {
		t.Helper()
		done, wait, err := in.Allow(bell, size)
		if !errors.Is(err, want) || (err == nil) != (wait == 0) {
			t.Errorf("%d bytes of %s: %v, %v, want %v", size, bell, wait, err, want)
		}
		return done
	}
	in := new()
	allow(in, "gate", 1, nil)
	allow(in, "gate", 1, nil)
	end := allow(in, "gate", 1, nil)
	allow(in, "gate", 1, ErrTooOften)
	end()
	allow(in, "gate", 1, nil)

	in = new()
	end = allow(in, "gate", 100, nil)
	allow(in, "gate", 1, ErrTooOften)
	end()
	allow(in, "gate", 99, nil)
	allow(in, "gate", 2, ErrTooOften)
	allow(in, "gate", 1, nil)
	allow(in, "yard", 101, ErrTooOften)
	allow(in, "yard", -1, ErrTooOften) // counts as the most there can be

	in = new()
	first := allow(in, "gate", 1, nil)
	second := allow(in, "gate", 1, nil)
	allow(in, "yard", 1, nil)
	allow(in, "shed", 1, ErrTooOften)
	allow(in, "gate", 1, nil)() // it has something underway
	first()
	allow(in, "shed", 1, ErrTooOften)
	second()
	allow(in, "shed", 1, nil)

	limits = Limits{PerMinute: 60, Burst: 2, Underway: 9, Bytes: 3 * MaxBytes}
	in = new()
	allow(in, "gate", MaxBytes, nil)
	allow(in, "gate", MaxBytes+1, nil) // refused for its size elsewhere
	if _, wait, err := in.Allow("gate", 1); !errors.Is(err, ErrTooOften) || wait != time.Second {
		t.Errorf("the third at once: %v, %v", wait, err)
	}
}

// TestIdle has nothing taken in before the first still and after the last.
func TestIdle(t *testing.T) {
	in := New(nil, time.Now, DefaultLimits)
	idle := func() bool {
		select {
		case <-in.Idle():
			return true
		default:
			return false
		}
	}
	before := idle()
	one, two := in.take(), in.take()
	both := idle()
	one()
	last := idle()
	two()
	if !before || both || last || !idle() {
		t.Errorf("idle before %v, with two %v, with one %v, after %v", before, both, last, idle())
	}
}

// TestOrientationBounds takes the eight orientations of EXIF 2.32, 4.6.4.A, and no other number.
func TestOrientationBounds(t *testing.T) {
	for name, order := range byteOrders {
		for n := range uint16(10) {
			want := int(n)
			if n == 0 || n > 8 {
				want = 0
			}
			if got := exifOrientation(exifBlock(order, n)); got != want {
				t.Errorf("%s %d: %d", name, n, got)
			}
		}
	}
}

// TestTIFFHead has a header be 8 bytes, in either byte order (TIFF 6.0, page 13).
func TestTIFFHead(t *testing.T) {
	for text, want := range map[string]uint32{"MM\x00*\x00\x00\x00\x08": 8, "II*\x00\x09\x00\x00\x00": 9,
		"II*\x00\x09\x00\x00\x00 ": 9} {
		if order, first := tiffHead([]byte(text)); order == nil || first != want {
			t.Errorf("%q: %v, %d", text, order, first)
		}
	}
	for _, text := range []string{"MM\x00*\x00\x00\x00", "", "MM*\x00\x00\x00\x00\x08", "II\x00*\x08\x00\x00\x00"} {
		if order, _ := tiffHead([]byte(text)); order != nil {
			t.Errorf("%q is a header", text)
		}
	}
}

// TestDirectoryBounds has entries of 12 bytes as far as they are there, none where the directory is in the header.
func TestDirectoryBounds(t *testing.T) {
	tiff := append([]byte("MM\x00*\x00\x00\x00\x08\x00\x02"), make([]byte, 24)...)
	count := func(length int, offset uint32) (n int) {
		for range directory(tiff[:length], binary.BigEndian, offset) {
			n++
		}
		return n
	}
	for length, want := range map[int]int{9: 0, 10: 0, 21: 0, 22: 1, 33: 1, 34: 2} {
		if got := count(length, 8); got != want {
			t.Errorf("of %d bytes: %d entries, want %d", length, got, want)
		}
	}
	if got := count(34, 7); got != 0 {
		t.Errorf("%d entries within the header", got)
	}
	for range directory(tiff, binary.BigEndian, 8) {
		break
	}
}

// TestExifTimeBounds has a fraction of up to nine digits, an offset where there is one, and no time before 1970.
func TestExifTimeBounds(t *testing.T) {
	zone := time.FixedZone("", 3600)
	for _, test := range []struct{ original, offset, fraction, want string }{
		{"2031:05:04 18:30:00", "", "", "2031-05-04T18:30:00+01:00"},
		{"2031:05:04 18:30:00", "+02:00", "", "2031-05-04T18:30:00+02:00"},
		{"2031:05:04 18:30:00", "two", "", "2031-05-04T18:30:00+01:00"},
		{"2031:05:04 18:30:00", "", "5", "2031-05-04T18:30:00.5+01:00"},
		{"2031:05:04 18:30:00", "", "123456789", "2031-05-04T18:30:00.123456789+01:00"},
		{"2031:05:04 18:30:00", "", "1234567890", "2031-05-04T18:30:00+01:00"},
		{"2031:05:04 18:30:00", "", "5x", "2031-05-04T18:30:00+01:00"},
		{"1970:01:01 00:00:00", "", "", "1970-01-01T00:00:00+01:00"}, {"1969:12:31 23:59:59", "", "", ""},
		{"2031:05:04", "", "", ""}, {"", "", "", ""},
	} {
		at, ok := exifTime(test.original, test.offset, test.fraction, zone)
		if ok != (test.want != "") || ok && at.Format(time.RFC3339Nano) != test.want {
			t.Errorf("%+v: %v, %v", test, at, ok)
		}
	}
}

// TestOver rounds a quotient up.
func TestOver(t *testing.T) {
	for n, want := range map[int]int{0: 0, 1: 1, 7: 1, 8: 1, 9: 2, 16: 2, 17: 3} {
		if got := over(n, 8); got != want {
			t.Errorf("%d over 8: %d", n, got)
		}
	}
}

// TestMarkers has the markers of ITU-T T.81, table B.1: frames are 0xC0 to 0xCF without 0xC4, 0xC8 and 0xCC, restarts
// 0xD0 to 0xD7.
func TestMarkers(t *testing.T) {
	for m := 0xb0; m <= 0xff; m++ {
		frame := m >= 0xc0 && m <= 0xcf && m != 0xc4 && m != 0xc8 && m != 0xcc
		if isFrame(byte(m)) != frame || isRestart(byte(m)) != (m >= 0xd0 && m <= 0xd7) {
			t.Errorf("%#x: a frame %v, a restart %v", m, isFrame(byte(m)), isRestart(byte(m)))
		}
	}
}

// TestOtherPictureBounds knows pictures of other kinds by the brands of a file type box, as far as it goes.
func TestOtherPictureBounds(t *testing.T) {
	box := func(size byte, brands string) string { return "\x00\x00\x00" + string(size) + "ftyp" + brands }
	for text, want := range map[string]error{
		"RIFF1234WEBP": ErrWebP, "RIFF1234WEB": nil, "RIFF1234WAVE": nil,
		box(16, "heic"): ErrHEIC, box(12, "hei"): nil, box(16, "isom"): nil, box(16, "avif\x00\x00\x00\x00"): ErrHEIC,
		box(20, "isom\x00\x00\x00\x00mif1"):     ErrHEIC,
		box(16, "isom\x00\x00\x00\x00mif1"):     nil, // beyond the box
		box(24, "isom\x00\x00\x00\x00isommif1"): ErrHEIC,
		box(99, "isom\x00\x00\x00\x00isommif1"): ErrHEIC, // it breaks off
		box(24, "isom\x00\x00\x00\x00isommif"):  nil,
	} {
		if err := otherPicture([]byte(text)); !errors.Is(err, want) {
			t.Errorf("%q: %v", text, err)
		}
	}
}

// TestPNGMemory works out by hand what image/png takes, byte by byte of a pixel: what it decodes to, its canvas, the
// last pass of an interlaced one, and the picture turned.
func TestPNGMemory(t *testing.T) {
	plain, clear := make([]byte, 40), append(make([]byte, 40), "tRNS"...)
	interlaced := make([]byte, 40)
	interlaced[28] = 1
	for _, test := range []struct {
		what        string
		model       color.Model
		body        []byte
		orientation int
		want        int64
	}{
		{"grey", color.GrayModel, plain, 1, 2}, {"grey of 16 bits", color.Gray16Model, plain, 1, 3},
		{"RGB", color.RGBAModel, plain, 1, 4}, {"RGBA", color.NRGBAModel, plain, 1, 8},
		{"RGBA of 16 bits", color.NRGBA64Model, plain, 1, 12}, {"RGB of 16 bits", color.RGBA64Model, plain, 1, 12},
		{"palette", color.Palette{}, plain, 1, 5}, {"palette, transparent", color.Palette{}, clear, 1, 5},
		{"grey, one transparent", color.GrayModel, clear, 1, 8}, {"RGB, one transparent", color.RGBAModel, clear, 1, 8},
		{"grey of 16 bits, one transparent", color.Gray16Model, clear, 1, 12},
		{"interlaced grey", color.GrayModel, interlaced, 1, 3}, {"interlaced RGB", color.RGBAModel, interlaced, 1, 6},
		{"interlaced RGB, cut", color.RGBAModel, interlaced[:28], 1, 4}, {"turned", color.RGBAModel, plain, 6, 9},
	} {
		p := &pngFile{body: test.body, orientation: test.orientation}
		p.config.ColorModel, p.config.Width, p.config.Height = test.model, 7, 11
		if got := p.memory(); got != 77*test.want {
			t.Errorf("%s: %d, want %d", test.what, got, 77*test.want)
		}
	}
}

// TestScanBounds takes 64 scans of a JPEG and 1024 segments in all, and no more. A scan here has no parameters, which
// nobody looks at yet.
func TestScanBounds(t *testing.T) {
	whole := asJPEG(t, scene(16, 16))
	at := bytes.Index(whole, []byte{0xff, mSOS})
	head, scan := string(whole[:at]), string(whole[at:])
	taken := func(body string) (scans, segments int) {
		f, err := parseJPEG([]byte(body))
		if err != nil {
			t.Fatal(err)
		}
		return f.scans, len(f.segments)
	}
	for n, want := range map[int]int{1: 1, 63: 63, 64: 64, 65: 64, 200: 64} {
		if got, _ := taken(head + strings.Repeat("\xff\xda\x00\x02", n)); got != want {
			t.Errorf("of %d scans %d are taken", n, got)
		}
	}
	_, before := taken(head + scan)
	for n, want := range map[int]int{1023: 1023, 1024: 1024, 1025: 1024} {
		if _, got := taken(head + strings.Repeat("\xff\xdd\x00\x04\x00\x00", n-before) + scan); got != want {
			t.Errorf("of %d segments %d are taken", n, got)
		}
	}
}

// TestJPEGMemory works out by hand what decoding takes, as the comment on memory has it: two bytes of each
// coefficient, or a byte of each sample with four of each pixel that is no YCbCr, and as many on another canvas.
func TestJPEGMemory(t *testing.T) {
	for _, test := range []struct {
		components int // of 16 x 16 each, four blocks
		colours    string
		want       int64
	}{
		{1, jfif, 2 * 256}, {3, jfif, 2 * 768}, {3, "", 768 + 4*256}, {4, "", 1024 + 4*256 + 4*256},
		{4, jfif, 1024 + 4*256},
	} {
		f := &jpegFile{colours: test.colours, orientation: upright, frame: frame{width: 16, height: 16}}
		for range test.components {
			f.frame.components = append(f.frame.components, component{across: 2, down: 2})
		}
		if got := f.memory(); got != test.want {
			t.Errorf("%d components, %d bytes of colours: %d, want %d", test.components, len(test.colours), got, test.want)
		}
	}
}
