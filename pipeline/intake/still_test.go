package intake

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"image/png"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
)

// The pictures that the Go toolchain carries for its own tests serve as an
// outside source of kinds of JPEG and PNG that its encoders do not write. They
// are read where they are.

// goImage returns a file of $GOROOT/src/image, and skips the test where the
// toolchain came without sources.
func goImage(tb testing.TB, name string) []byte {
	tb.Helper()
	b, err := readGoImage(name)
	if err != nil {
		tb.Skipf("SKIPPED, the Go toolchain does not carry %s: %v", name, err)
	}
	return b
}

func readGoImage(name string) ([]byte, error) {
	root, err := exec.Command("go", "env", "GOROOT").Output()
	if err != nil {
		return nil, fmt.Errorf("asking for GOROOT: %w", err)
	}
	return os.ReadFile(filepath.Join(strings.TrimSpace(string(root)), "src", "image", filepath.FromSlash(name)))
}

// ycbcrFiles are those of the Go toolchain's JPEGs that need no new encoding.
var ycbcrFiles = []string{
	"video-001.jpeg",
	"video-001.221212.jpeg",
	"video-001.progressive.jpeg",
	"video-001.q50.410.jpeg",
	"video-001.q50.410.progressive.jpeg",
	"video-001.q50.411.jpeg",
	"video-001.q50.411.progressive.jpeg",
	"video-001.q50.420.jpeg",
	"video-001.q50.420.progressive.jpeg",
	"video-001.q50.422.jpeg",
	"video-001.q50.422.progressive.jpeg",
	"video-001.q50.440.jpeg",
	"video-001.q50.440.progressive.jpeg",
	"video-001.q50.444.jpeg",
	"video-001.q50.444.progressive.jpeg",
	"video-001.restart2.jpeg",
	"video-001.separate.dc.progression.jpeg",
	"video-001.separate.dc.progression.progressive.jpeg",
	"video-005.gray.jpeg",
	"video-005.gray.q50.2x2.jpeg",
	"video-005.gray.q50.2x2.progressive.jpeg",
	"video-005.gray.q50.jpeg",
	"video-005.gray.q50.progressive.jpeg",
}

var (
	red    = color.RGBA{200, 30, 40, 255}
	green  = color.RGBA{30, 170, 60, 255}
	blue   = color.RGBA{40, 50, 200, 255}
	yellow = color.RGBA{220, 210, 40, 255}
)

// scene draws an asymmetric picture, equally busy everywhere: a texture with
// red, green, blue and yellow squares in its upper left, upper right, lower
// left and lower right corner.
func scene(width, height int) *image.RGBA {
	m := image.NewRGBA(image.Rect(0, 0, width, height))
	rnd := rand.New(rand.NewPCG(1, 2))
	for y := range height {
		for x := range width {
			v := 140 + 60*math.Sin(float64(x)/11)*math.Cos(float64(y)/7) + 12*rnd.NormFloat64()
			u := 20 * math.Sin(float64(x+2*y)/31)
			clip := func(f float64) uint8 { return uint8(max(0, min(255, f))) }
			m.SetRGBA(x, y, color.RGBA{clip(v + u), clip(v), clip(v - u), 255})
		}
	}
	side := min(width, height) / 4
	for i, c := range []color.RGBA{red, green, blue, yellow} {
		at := image.Pt(i%2*(width-side), i/2*(height-side))
		draw.Draw(m, image.Rectangle{at, at.Add(image.Pt(side, side))}, image.NewUniform(c), image.Point{}, draw.Src)
	}
	return m
}

func asJPEG(tb testing.TB, m image.Image) []byte {
	tb.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: 85}); err != nil {
		tb.Fatal(err)
	}
	return b.Bytes()
}

func asPNG(tb testing.TB, m image.Image) []byte {
	tb.Helper()
	var b bytes.Buffer
	if err := png.Encode(&b, m); err != nil {
		tb.Fatal(err)
	}
	return b.Bytes()
}

func decodeJPEG(tb testing.TB, b []byte) image.Image {
	tb.Helper()
	m, err := jpeg.Decode(bytes.NewReader(b))
	if err != nil {
		tb.Fatalf("decoding: %v", err)
	}
	return m
}

func mustClean(tb testing.TB, body []byte) Still {
	tb.Helper()
	s, err := Clean(body)
	if err != nil {
		tb.Fatalf("Clean: %v", err)
	}
	return s
}

// samePixels compares two decoded JPEGs, colour by colour.
func samePixels(tb testing.TB, got, want image.Image) {
	tb.Helper()
	if got.Bounds() != want.Bounds() {
		tb.Fatalf("bounds %v, want %v", got.Bounds(), want.Bounds())
	}
	same := func(x, y int) bool { return got.At(x, y) == want.At(x, y) }
	if g, ok := got.(*image.YCbCr); ok { // as well, and faster
		if w, ok := want.(*image.YCbCr); ok {
			same = func(x, y int) bool { return g.YCbCrAt(x, y) == w.YCbCrAt(x, y) }
		}
	}
	for y := want.Bounds().Min.Y; y < want.Bounds().Max.Y; y++ {
		for x := want.Bounds().Min.X; x < want.Bounds().Max.X; x++ {
			if !same(x, y) {
				tb.Fatalf("pixel (%d, %d) is %v, want %v", x, y, got.At(x, y), want.At(x, y))
			}
		}
	}
}

// psnr returns the peak signal-to-noise ratio of two pictures within r, in dB,
// over all three colours.
func psnr(got, want image.Image, r image.Rectangle) float64 {
	var sum, n float64
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for x := r.Min.X; x < r.Max.X; x++ {
			r0, g0, b0, _ := got.At(x, y).RGBA()
			r1, g1, b1, _ := want.At(x, y).RGBA()
			for _, d := range []float64{float64(r0>>8) - float64(r1>>8), float64(g0>>8) - float64(g1>>8),
				float64(b0>>8) - float64(b1>>8)} {
				sum += d * d
				n++
			}
		}
	}
	return 10 * math.Log10(255*255/(sum/n))
}

// near reports whether two colours differ by no more than the encoder's error.
func near(a, b color.Color) bool {
	r0, g0, b0, _ := a.RGBA()
	r1, g1, b1, _ := b.RGBA()
	for _, d := range []int{int(r0>>8) - int(r1>>8), int(g0>>8) - int(g1>>8), int(b0>>8) - int(b1>>8)} {
		if d < -12 || d > 12 {
			return false
		}
	}
	return true
}

// checkStill checks what must hold for every still.
func checkStill(tb testing.TB, s Still) {
	tb.Helper()
	stored := decodeJPEG(tb, s.JPEG)
	samePixels(tb, s.Image, stored)
	switch stored.(type) {
	case *image.YCbCr, *image.Gray:
	default:
		tb.Errorf("the stored still decodes to %T", stored)
	}
	if s.Image.Bounds().Min != (image.Point{}) {
		tb.Errorf("bounds %v do not begin at (0, 0)", s.Image.Bounds())
	}
	for i, m := range markersOf(tb, s.JPEG) {
		switch m {
		case 0xc0, 0xc1, 0xc2, 0xc4, 0xda, 0xdb, 0xdd:
		case 0xe0:
			if i != 0 {
				tb.Errorf("an APP0 segment that is not the first")
			}
		default:
			tb.Errorf("marker %#x in a stored still", m)
		}
	}
	again, err := Clean(s.JPEG)
	if err != nil {
		tb.Fatalf("cleaning a still again: %v", err)
	}
	if !bytes.Equal(again.JPEG, s.JPEG) {
		tb.Errorf("cleaning a still again changes it: %d bytes, were %d", len(again.JPEG), len(s.JPEG))
	}
}

// TestCleanRefuses holds the reader of each error to words that help.
// Marker codes are those of ITU-T T.81, table B.1.
func TestCleanRefuses(t *testing.T) {
	whole := asJPEG(t, scene(64, 48))
	sof := bytes.Index(whole, []byte{0xff, 0xc0})
	edit := func(at int, with ...byte) []byte {
		b := bytes.Clone(whole)
		copy(b[at:], with)
		return b
	}
	tests := map[string]struct {
		body []byte
		want error
		says string
	}{
		"nothing":               {nil, ErrEmpty, "empty"},
		"too many bytes":        {make([]byte, MaxBytes+1), ErrTooLarge, "8388609 bytes"},
		"text":                  {[]byte("Dear bell, this is no picture."), ErrNotAPicture, `begins with "Dear bel"`},
		"GIF":                   {[]byte("GIF89a\x01\x00\x01\x00\x80\x00\x00"), ErrNotAPicture, "neither JPEG nor PNG"},
		"a JPEG's magic only":   {[]byte(jpegMagic), ErrNotAPicture, "breaks off"},
		"a JPEG cut before SOF": {whole[:sof], ErrNotAPicture, "breaks off"},
		"a JPEG cut in SOF":     {whole[:sof+6], ErrNotAPicture, "breaks off"},
		"a JPEG cut after SOF":  {whole[:sof+19], ErrNotAPicture, "breaks off"},
		"a JPEG cut at its data": {whole[:bytes.Index(whole, []byte{0xff, 0xda})+14], ErrNotAPicture,
			"nothing of the JPEG decodes"},
		"a JPEG without tables": {append([]byte("\xff\xd8"), whole[sof:]...), ErrNotAPicture, "lacks tables"},
		"too many pixels":       {edit(sof+5, 0x17, 0x70, 0x17, 0x70), ErrTooManyPixels, "6000 x 6000"},
		"too wide":              {edit(sof+5, 0x00, 0x01, 0xff, 0xdd), ErrTooManyPixels, "65501 x 1"},
		"no height":             {edit(sof+5, 0x00, 0x00), ErrNotAPicture, "how large"},
		"12 bits a sample":      {edit(sof+4, 12), ErrNotAPicture, "12 bits"},
		"lossless":              {edit(sof+1, 0xc3), ErrNotAPicture, "lossless"},
		"arithmetic":            {edit(sof+1, 0xc9), ErrNotAPicture, "arithmetic"},
		"two components": {append(append(bytes.Clone(whole[:sof]),
			"\xff\xc0\x00\x0e\x08\x00\x10\x00\x10\x02\x01\x11\x00\x02\x11\x00"...), whole[sof+19:]...), ErrNotAPicture,
			"2 colour components"},
		"a PNG's magic only":      {[]byte(pngMagic), ErrNotAPicture, "PNG breaks off"},
		"a PNG cut in half":       {half(asPNG(t, scene(64, 48))), ErrNotAPicture, "PNG is cut short"},
		"a PNG that lost a byte":  {drop(asPNG(t, scene(64, 48)), 100), ErrNotAPicture, "PNG is cut short"},
		"a PNG with many pixels":  {hugePNG(t), ErrTooManyPixels, "30000 x 30000"},
		"a JPEG named PNG":        {append([]byte(pngMagic), whole...), ErrNotAPicture, "PNG"},
		"a JPEG with garbage SOF": {edit(sof+9, 7), ErrNotAPicture, "header is broken"},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			s, err := Clean(test.body)
			if !errors.Is(err, test.want) {
				t.Fatalf("error %v, want %v", err, test.want)
			}
			if !strings.Contains(err.Error(), test.says) {
				t.Errorf("error %q does not say %q", err, test.says)
			}
			if s.JPEG != nil || s.Image != nil {
				t.Error("a still came with the error")
			}
		})
	}
}

func half(b []byte) []byte { return b[:len(b)/2] }

func drop(b []byte, at int) []byte { return append(bytes.Clone(b[:at]), b[at+1:]...) }

// hugePNG returns a PNG of about 10 kB that says it has 30000 x 30000 pixels.
func hugePNG(tb testing.TB) []byte {
	var rows bytes.Buffer
	z := zlib.NewWriter(&rows)
	if _, err := z.Write(make([]byte, 10<<20)); err != nil {
		tb.Fatal(err)
	}
	if err := z.Close(); err != nil {
		tb.Fatal(err)
	}
	header := binary.BigEndian.AppendUint32(nil, 30000)
	header = binary.BigEndian.AppendUint32(header, 30000)
	header = append(header, 1, 0, 0, 0, 0) // one bit grey
	b := append([]byte(pngMagic), pngChunk("IHDR", header)...)
	b = append(b, pngChunk("IDAT", rows.Bytes())...)
	return append(b, pngChunk("IEND", nil)...)
}

// pngChunk lays out a chunk as in the PNG specification, third edition, 5.3.
func pngChunk(kind string, data []byte) []byte {
	b := binary.BigEndian.AppendUint32(nil, uint32(len(data)))
	b = append(b, kind...)
	b = append(b, data...)
	return binary.BigEndian.AppendUint32(b, crc32.ChecksumIEEE(b[4:]))
}

func TestCleanRefusesHugePNGWithoutDecoding(t *testing.T) {
	body := hugePNG(t)
	if len(body) > 20_000 {
		t.Fatalf("the PNG has %d bytes", len(body))
	}
	n := allocated(func() {
		if _, err := Clean(body); !errors.Is(err, ErrTooManyPixels) {
			t.Errorf("error %v, want %v", err, ErrTooManyPixels)
		}
	})
	if n > 1<<20 {
		t.Errorf("%d bytes allocated", n)
	}
}

// allocated returns how many bytes f allocates.
func allocated(f func()) uint64 {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	f()
	runtime.ReadMemStats(&after)
	return after.TotalAlloc - before.TotalAlloc
}

// TestCleanStoresWithinBounds has a picture that at quality 95 has more than
// MaxBytes, so that a stored still could not be cleaned again.
func TestCleanStoresWithinBounds(t *testing.T) {
	if testing.Short() {
		t.Skip("SKIPPED with -short: a large picture")
	}
	t.Parallel()
	m := image.NewGray(image.Rect(0, 0, 3400, 3000))
	rnd := rand.New(rand.NewPCG(3, 4))
	for i := range m.Pix {
		m.Pix[i] = uint8(rnd.Uint32())
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: 50}); err != nil {
		t.Fatal(err)
	}
	body := withSegments(b.Bytes(), exifSegment(binary.BigEndian, 3))
	if len(body) > MaxBytes {
		t.Fatalf("the picture itself has %d bytes", len(body))
	}
	var best bytes.Buffer
	if err := jpeg.Encode(&best, m, &jpeg.Options{Quality: 95}); err != nil {
		t.Fatal(err)
	}
	if best.Len() <= MaxBytes {
		t.Fatalf("the picture is in bounds at quality 95: %d bytes", best.Len())
	}
	s := mustClean(t, body)
	if len(s.JPEG) > MaxBytes {
		t.Errorf("%d bytes stored", len(s.JPEG))
	}
}

// TestCleanRGBAndCMYK compares with the PNGs that the Go toolchain's tests
// hold these JPEGs against.
func TestCleanRGBAndCMYK(t *testing.T) {
	for _, kind := range []string{"rgb", "cmyk"} {
		t.Run(kind, func(t *testing.T) {
			body := goImage(t, "testdata/video-001."+kind+".jpeg")
			want, err := png.Decode(bytes.NewReader(goImage(t, "testdata/video-001."+kind+".png")))
			if err != nil {
				t.Fatal(err)
			}
			s := mustClean(t, body)
			checkStill(t, s)
			if s.Damaged {
				t.Error("Damaged")
			}
			if db := psnr(rgbToGrey(s.Image), rgbToGrey(want), want.Bounds()); db < 35 {
				t.Errorf("%.1f dB", db)
			}
			// Saturated colours suffer as their resolution is halved.
			if db := psnr(s.Image, want, want.Bounds()); db < 25 {
				t.Errorf("%.1f dB in colour", db)
			}
		})
	}
}

func TestCleanPNG(t *testing.T) {
	opaque := scene(96, 80)
	deep := image.NewNRGBA64(opaque.Bounds())
	draw.Draw(deep, deep.Rect, opaque, image.Point{}, draw.Src)
	grey := image.NewGray(opaque.Bounds())
	draw.Draw(grey, grey.Rect, opaque, image.Point{}, draw.Src)
	grey16 := image.NewGray16(opaque.Bounds())
	draw.Draw(grey16, grey16.Rect, opaque, image.Point{}, draw.Src)
	clear := image.NewNRGBA(opaque.Bounds()) // red under half of nothing is pink on white
	draw.Draw(clear, clear.Rect, image.NewUniform(color.NRGBA{255, 0, 0, 128}), image.Point{}, draw.Src)
	pink := image.NewRGBA(opaque.Bounds())
	draw.Draw(pink, pink.Rect, image.NewUniform(color.RGBA{255, 127, 127, 255}), image.Point{}, draw.Src)
	paletted := image.NewPaletted(opaque.Bounds(), color.Palette{color.NRGBA{}, blue})
	white := image.NewRGBA(opaque.Bounds())
	draw.Draw(white, white.Rect, image.White, image.Point{}, draw.Src)

	tests := map[string]struct{ sent, want image.Image }{
		"RGB":                  {opaque, opaque},
		"16 bits":              {deep, opaque},
		"grey":                 {grey, grey},
		"16 bits grey":         {grey16, grey},
		"half transparent":     {clear, pink},
		"transparent, palette": {paletted, white},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			s := mustClean(t, asPNG(t, test.sent))
			checkStill(t, s)
			if s.Damaged {
				t.Error("Damaged")
			}
			if s.Image.Bounds() != test.want.Bounds() {
				t.Fatalf("bounds %v", s.Image.Bounds())
			}
			if db := psnr(s.Image, test.want, test.want.Bounds()); db < 35 {
				t.Errorf("%.1f dB", db)
			}
			_, wantGrey := test.want.(*image.Gray)
			if _, isGrey := s.Image.(*image.Gray); isGrey != wantGrey {
				t.Errorf("stored as %T", s.Image)
			}
		})
	}
}

// TestCleanInterlacedPNG has a pair of pictures from PngSuite (Willem van
// Schaik), as the Go toolchain carries it: the interlaced one shows the upper
// left 31 x 31 pixels of the other.
func TestCleanInterlacedPNG(t *testing.T) {
	interlaced := mustClean(t, goImage(t, "png/testdata/pngsuite/basn3p04-31i.png"))
	checkStill(t, interlaced)
	plain := mustClean(t, goImage(t, "png/testdata/pngsuite/basn3p04.png"))
	if interlaced.Image.Bounds() != image.Rect(0, 0, 31, 31) {
		t.Fatalf("bounds %v", interlaced.Image.Bounds())
	}
	// The last pixels differ: their neighbours in the same JPEG block do.
	if db := psnr(interlaced.Image, plain.Image, image.Rect(0, 0, 16, 16)); db < 45 {
		t.Errorf("%.1f dB", db)
	}
}

// TestCleanTurnsPNG puts the orientation where the PNG specification, third
// edition, 11.3.3.3 (eXIf) has it.
func TestCleanTurnsPNG(t *testing.T) {
	whole := asPNG(t, scene(96, 80))
	afterHeader := len(pngMagic) + 8 + 13 + 4
	body := append(bytes.Clone(whole[:afterHeader]), pngChunk("eXIf", exifBlock(binary.LittleEndian, 6))...)
	body = append(body, whole[afterHeader:]...)
	s := mustClean(t, body)
	checkStill(t, s)
	checkCorners(t, s.Image, image.Pt(80, 96), blue, red, yellow, green)
}

func checkCorners(t *testing.T, m image.Image, size image.Point, upperLeft, upperRight, lowerLeft,
	lowerRight color.Color) {
	t.Helper()
	if m.Bounds().Size() != size {
		t.Fatalf("size %v, want %v", m.Bounds().Size(), size)
	}
	for i, want := range []color.Color{upperLeft, upperRight, lowerLeft, lowerRight} {
		at := image.Pt(4+i%2*(size.X-9), 4+i/2*(size.Y-9))
		if got := m.At(at.X, at.Y); !near(got, want) {
			t.Errorf("at %v: %v, want %v", at, got, want)
		}
	}
}

// FuzzClean checks that no body makes Clean panic, that each still is fit to
// keep, and that a body that image/jpeg decodes to YCbCr or grey keeps its
// pixels.
func FuzzClean(f *testing.F) {
	m := scene(48, 40)
	whole := asJPEG(f, m)
	f.Add(whole)
	f.Add(half(whole))
	f.Add(asJPEG(f, rgbToGrey(m)))
	f.Add(asPNG(f, m))
	f.Add(withSegments(whole, exifSegment(binary.BigEndian, 6)))
	f.Add(withSegments(whole, exifSegment(binary.LittleEndian, 1), segmentOf(0xfe, []byte("a comment"))))
	for _, name := range ycbcrFiles {
		if b, err := readGoImage("testdata/" + name); err == nil && len(b) < 5000 {
			f.Add(b)
			f.Add(b[:len(b)*2/3])
		}
	}
	f.Fuzz(func(t *testing.T, body []byte) {
		if c, _, err := image.DecodeConfig(bytes.NewReader(body)); err == nil && c.Width*c.Height > 1<<18 {
			t.Skip("correct or not, large pictures would slow the search for others")
		}
		s, err := Clean(body)
		if err != nil {
			for _, want := range []error{ErrEmpty, ErrTooLarge, ErrTooManyPixels, ErrNotAPicture} {
				if errors.Is(err, want) {
					return
				}
			}
			t.Fatalf("an error of no kind: %v", err)
		}
		checkStill(t, s)
		file, err := parseJPEG(body)
		if err != nil || file.orientation != upright || s.Damaged {
			return
		}
		want, err := jpeg.Decode(bytes.NewReader(body))
		if err != nil {
			return
		}
		switch want.(type) {
		case *image.Gray:
			samePixels(t, s.Image, want)
		case *image.YCbCr:
			// A JFIF or Adobe segment after the first scan changes only
			// image/jpeg's mind.
			if file.ycc {
				samePixels(t, s.Image, want)
			}
		}
	})
}

func rgbToGrey(m image.Image) *image.Gray {
	g := image.NewGray(m.Bounds())
	draw.Draw(g, g.Rect, m, m.Bounds().Min, draw.Src)
	return g
}

// BenchmarkClean cleans a still as a bell sends it, each way there is.
func BenchmarkClean(b *testing.B) {
	m := scene(1280, 1024)
	whole := asJPEG(b, m)
	bodies := []struct {
		name string
		body []byte
	}{
		{"upright", withSegments(whole, exifSegment(binary.BigEndian, 1))},
		{"on its side", withSegments(whole, exifSegment(binary.BigEndian, 6))},
		{"cut at 60 percent", whole[:len(whole)*6/10]},
		{"grey, cut at 60 percent", func() []byte { g := asJPEG(b, rgbToGrey(m)); return g[:len(g)*6/10] }()},
		{"PNG", asPNG(b, m)},
	}
	b.Run("image jpeg alone", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			if _, err := jpeg.Decode(bytes.NewReader(whole)); err != nil {
				b.Fatal(err)
			}
		}
	})
	for _, test := range bodies {
		b.Run(test.name, func(b *testing.B) {
			b.ReportAllocs()
			b.SetBytes(int64(len(test.body)))
			for b.Loop() {
				mustClean(b, test.body)
			}
		})
	}
}

// outside runs a program that is no part of this project on body, and skips
// the test where it is not installed.
func outside(tb testing.TB, body []byte, name string, args ...string) []byte {
	tb.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		tb.Skipf("SKIPPED, %s is not installed: %v", name, err)
	}
	cmd := exec.Command(path, args...)
	cmd.Stdin = bytes.NewReader(body)
	var stderr strings.Builder
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil {
		tb.Fatalf("%s: %v\n%s", name, err, stderr.String())
	}
	return out
}
