package intake

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
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

// picture decodes a still.
func picture(tb testing.TB, s Still) image.Image {
	tb.Helper()
	m, err := s.Picture()
	if err != nil {
		tb.Fatal(err)
	}
	if m.Bounds().Size() != s.Size {
		tb.Fatalf("a picture of %v, %v said", m.Bounds().Size(), s.Size)
	}
	return m
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
	stored := picture(tb, s)
	switch stored.(type) {
	case *image.YCbCr, *image.Gray:
	default:
		tb.Errorf("the stored still decodes to %T", stored)
	}
	if stored.Bounds().Min != (image.Point{}) {
		tb.Errorf("bounds %v do not begin at (0, 0)", stored.Bounds())
	}
	for i, m := range markersOf(tb, s.JPEG) {
		switch m {
		case 0xc0, 0xc1, 0xc4, 0xda, 0xdb:
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

// allocated returns how many bytes f allocates.
func allocated(f func()) uint64 {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	f()
	runtime.ReadMemStats(&after)
	return after.TotalAlloc - before.TotalAlloc
}

func rgbToGrey(m image.Image) *image.Gray {
	g := image.NewGray(m.Bounds())
	draw.Draw(g, g.Rect, m, m.Bounds().Min, draw.Src)
	return g
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
