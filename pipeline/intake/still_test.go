package intake

import (
	"bytes"
	"encoding/binary"
	"errors"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"image/png"
	"math/rand/v2"
	"strings"
	"testing"

	"lintel/internal/python"
)

// The pictures that the Go toolchain carries for its own tests serve as an
// outside source of kinds of JPEG and PNG that its encoders do not write. They
// are read where they are.

var (
	red    = color.RGBA{200, 30, 40, 255}
	green  = color.RGBA{30, 170, 60, 255}
	blue   = color.RGBA{40, 50, 200, 255}
	yellow = color.RGBA{220, 210, 40, 255}
)

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
			if s.JPEG != nil {
				t.Error("a still came with the error")
			}
		})
	}
}

func half(b []byte) []byte { return b[:len(b)/2] }

func drop(b []byte, at int) []byte { return append(bytes.Clone(b[:at]), b[at+1:]...) }

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
			if db := psnr(rgbToGrey(picture(t, s)), rgbToGrey(want), want.Bounds()); db < 35 {
				t.Errorf("%.1f dB", db)
			}
			// Saturated colours suffer as their resolution is halved.
			if db := psnr(picture(t, s), want, want.Bounds()); db < 25 {
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
			if picture(t, s).Bounds() != test.want.Bounds() {
				t.Fatalf("bounds %v", picture(t, s).Bounds())
			}
			if db := psnr(picture(t, s), test.want, test.want.Bounds()); db < 35 {
				t.Errorf("%.1f dB", db)
			}
			_, wantGrey := test.want.(*image.Gray)
			if _, isGrey := picture(t, s).(*image.Gray); isGrey != wantGrey {
				t.Errorf("stored as %T", picture(t, s))
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
	if picture(t, interlaced).Bounds() != image.Rect(0, 0, 31, 31) {
		t.Fatalf("bounds %v", picture(t, interlaced).Bounds())
	}
	// The last pixels differ: their neighbours in the same JPEG block do.
	if db := psnr(picture(t, interlaced), picture(t, plain), image.Rect(0, 0, 16, 16)); db < 45 {
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
	checkCorners(t, picture(t, s), image.Pt(80, 96), blue, red, yellow, green)
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
	f.Add(withSegments(whole, segmentOf(0xdb, unusedSteps())))
	f.Add(insert(whole, len(whole)-2, secret))
	f.Add(insert(whole, bytes.Index(whole, []byte{0xff, 0xda}), segmentOf(0xdd, []byte{0, 1}))) // restarts that don't come
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
			samePixels(t, picture(t, s), want)
		case *image.YCbCr:
			// A JFIF or Adobe segment after the first scan changes only
			// image/jpeg's mind.
			if file.ycc {
				samePixels(t, picture(t, s), want)
			}
		}
	})
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

// Pictures of other kinds are refused by words that help, whatever their names say.
//
// Outside: Pillow writes WebP and AVIF where its libraries are there. The header of
// HEIC is from memory of ISO/IEC 23008-12, 10.2.
func TestOtherPictures(t *testing.T) {
	for _, c := range []struct {
		name string
		body []byte
		want error
	}{
		{"HEIC", []byte("\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic"), ErrHEIC},
		{"HEIC, by a compatible brand", []byte("\x00\x00\x00\x18ftypabcd\x00\x00\x00\x00mif1heic"), ErrHEIC},
		{"MP4", []byte("\x00\x00\x00\x18ftypisom\x00\x00\x00\x00mp41isom"), ErrNotAPicture},
		{"a box that breaks off", []byte("\x7f\xff\xff\xffftypisom\x00\x00\x00\x00mp4"), ErrNotAPicture},
		{"WebP", []byte("RIFF\x10\x00\x00\x00WEBPVP8L"), ErrWebP},
		{"WAVE", []byte("RIFF\x10\x00\x00\x00WAVEfmt "), ErrNotAPicture},
	} {
		if _, err := Clean(c.body); !errors.Is(err, c.want) {
			t.Errorf("%s: %v, want %v", c.name, err, c.want)
		}
	}
	var written map[string][]byte
	python.Ask(t, "PIL", `
import base64, io, json, sys
from PIL import Image
out = {}
for kind in json.load(sys.stdin):
    try:
        b = io.BytesIO()
        Image.new("RGB", (32, 32), (9, 90, 200)).save(b, kind)
        out[kind] = base64.b64encode(b.getvalue()).decode()
    except Exception:
        pass
json.dump(out, sys.stdout)`, []string{"WEBP", "AVIF"}, &written)
	for kind, body := range written {
		if _, err := Clean(body); !errors.Is(err, map[string]error{"WEBP": ErrWebP, "AVIF": ErrHEIC}[kind]) {
			t.Errorf("%s by Pillow: %v", kind, err)
		}
	}
	if len(written) == 0 {
		t.Skip("SKIPPED: this Pillow writes neither WebP nor AVIF")
	}
}
