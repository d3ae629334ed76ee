package intake

import (
	"bytes"
	"encoding/base64"
	"image"
	"image/color"
	"testing"

	"lintel/internal/python"
)

// secret is hidden wherever a file has room for it. It has no 0xff.
var secret = []byte("the spare key is under the third stone")

// A hiding place is a picture with something in it that no decoder shows, and the
// same without.
type hidingPlace struct{ with, without []byte }

// jpegPlaces has all places of a JPEG that ITU-T T.81 leaves room in.
func jpegPlaces(t *testing.T) map[string]hidingPlace {
	whole := asJPEG(t, scene(133, 77))
	restarts := goImage(t, "testdata/video-001.restart2.jpeg")
	progressive := goImage(t, "testdata/video-001.progressive.jpeg")
	scan := bytes.Index(whole, []byte{0xff, 0xda})
	places := map[string]hidingPlace{
		"after the end":        {append(bytes.Clone(whole), secret...), whole},
		"a comment":            {withSegments(whole, segmentOf(0xfe, secret)), whole},
		"application data":     {withSegments(whole, segmentOf(0xe2, secret), segmentOf(0xef, secret)), whole},
		"a table of no use":    {withSegments(whole, segmentOf(0xdb, unusedSteps())), whole},
		"codes of no use":      {insert(whole, scan, segmentOf(0xc4, unusedCodes(0x13))), whole},
		"codes beside":         {insert(whole, scan, segmentOf(0xc4, codesBeside(t, whole))), whole},
		"empty segments":       {withSegments(whole, segmentOf(0xfe, nil), segmentOf(0xe5, nil)), whole},
		"between segments":     {insert(whole, scan, secret), whole},
		"fill bytes":           {insert(whole, scan, bytes.Repeat([]byte{0xff}, 77)), whole},
		"after the last block": {insert(whole, len(whole)-2, secret), whole},
		"in JFIF":              {withSegments(whole, append([]byte(jfif[:12]), "\x11\x22\x33\x44\x00\x00"...)), whole},
		"steps of no use":      stepsOfNoUse(t),
		"identifiers":          identifiers(whole),
		"beyond the edge":      beyondTheEdge(t),
		"padding bits":         {padded(restarts), restarts},
		"before restarts":      {beforeRestarts(restarts, secret), restarts},
		"between scans":        {betweenScans(progressive, secret), progressive},
	}
	for _, name := range ycbcrFiles {
		b := goImage(t, "testdata/"+name)
		places[name] = hidingPlace{dirty(t, b), b}
	}
	return places
}

// Of what is hidden nothing is stored: with it and without, the same bytes are.
// Outside: libjpeg-turbo's djpeg and, through Pillow, Python's decoder see the
// same pixels in what is stored as in what was sent.
func TestNothingHides(t *testing.T) {
	for name, place := range jpegPlaces(t) {
		t.Run(name, func(t *testing.T) {
			if bytes.Equal(place.with, place.without) {
				t.Fatal("nothing is hidden")
			}
			with, without := mustClean(t, place.with), mustClean(t, place.without)
			checkStill(t, with)
			if !bytes.Equal(with.JPEG, without.JPEG) {
				t.Error("what is stored differs")
			}
			if bytes.Contains(with.JPEG, secret[:8]) {
				t.Error("the secret is stored")
			}
			if with.Damaged {
				t.Error("Damaged")
			}
			t.Run("djpeg", func(t *testing.T) {
				if want := outside(t, place.without, "djpeg", "-pnm"); !bytes.Equal(outside(t, with.JPEG, "djpeg", "-pnm"), want) {
					t.Error("djpeg sees other pixels")
				}
			})
			t.Run("Pillow", func(t *testing.T) { samePillow(t, place.without, with.JPEG) })
		})
	}
}

// samePillow has Pillow compare two pictures, pixel by pixel.
func samePillow(t *testing.T, sent, stored []byte) {
	t.Helper()
	const program = `
import base64, io, json, sys
from PIL import Image, ImageChops
a, b = (Image.open(io.BytesIO(base64.b64decode(x))) for x in json.load(sys.stdin))
json.dump(a.mode == b.mode and a.size == b.size and ImageChops.difference(a, b).getbbox() is None, sys.stdout)`
	same := false
	python.Ask(t, "PIL", program, []string{base64.StdEncoding.EncodeToString(sent),
		base64.StdEncoding.EncodeToString(stored)}, &same)
	if !same {
		t.Error("Pillow sees other pixels")
	}
}

func insert(b []byte, at int, what []byte) []byte {
	return append(append(bytes.Clone(b[:at]), what...), b[at:]...)
}

// unusedSteps is a quantization table that no component has.
func unusedSteps() []byte { return append([]byte{3}, bytes.Repeat(secret, 2)[:64]...) }

// unusedCodes is a table of 16-bit codes.
func unusedCodes(where byte) []byte {
	p := append([]byte{where}, make([]byte, 16)...)
	p[16] = byte(len(secret))
	return append(p, secret...)
}

// codesBeside is the picture's own first table with 16-bit codes that nothing is
// coded with.
func codesBeside(t *testing.T, whole []byte) []byte {
	at := bytes.Index(whole, []byte{0xff, 0xc4})
	if at < 0 {
		t.Fatal("no tables")
	}
	p := bytes.Clone(whole[at+4:])
	values := 0
	for _, n := range p[1:17] {
		values += int(n)
	}
	p = p[:17+values]
	p[16] += byte(len(secret))
	return append(p, secret...)
}

// stepsOfNoUse is a grey picture, of which nothing is coded but averages, with a
// secret for the 63 other steps.
func stepsOfNoUse(t *testing.T) hidingPlace {
	m := image.NewGray(image.Rect(0, 0, 64, 48))
	for i := range m.Pix {
		m.Pix[i] = 77
	}
	without := asJPEG(t, m)
	with := bytes.Clone(without)
	copy(with[bytes.Index(with, []byte{0xff, 0xdb})+6:], bytes.Repeat(secret, 2)[:63])
	return hidingPlace{with, without}
}

// identifiers calls the components what it likes; a JFIF segment says what they
// are.
func identifiers(whole []byte) hidingPlace {
	without := withSegments(whole, []byte(jfif))
	with := bytes.Clone(without)
	sof, sos := bytes.Index(with, []byte{0xff, 0xc0}), bytes.Index(with, []byte{0xff, 0xda})
	for i, c := range []byte("key") {
		with[sof+10+3*i], with[sos+5+2*i] = c, c
	}
	return hidingPlace{with, without}
}

// beyondTheEdge codes 32 x 32 pixels and says that there are 17 x 17: the last
// blocks of luma show nothing. Pixels differ there only.
func beyondTheEdge(t *testing.T) hidingPlace {
	draw := func(hidden uint8) []byte {
		m := image.NewRGBA(image.Rect(0, 0, 32, 32))
		for y := range 32 {
			for x := range 32 {
				v := uint8(100 + 3*x + y)
				if x >= 24 || y >= 24 {
					v = hidden * uint8(x^y)
				}
				m.SetRGBA(x, y, color.RGBA{v, v, v, 255})
			}
		}
		b := asJPEG(t, m)
		copy(b[bytes.Index(b, []byte{0xff, 0xc0})+5:], "\x00\x11\x00\x11")
		return b
	}
	return hidingPlace{draw(5), draw(3)}
}

// padded has 0 where the last byte before each restart is filled with 1, if it is
// (F.1.2.3).
func padded(b []byte) []byte {
	b = bytes.Clone(b)
	for i := bytes.Index(b, []byte{0xff, 0xda}) + 14; i+1 < len(b); i++ {
		if b[i] == 0xff && 0xd0 <= b[i+1] && b[i+1] <= 0xd7 && b[i-1] != 0 && b[i-1]&1 == 1 {
			b[i-1] &^= 1 // where the block ends with a 1 of its own, checkStill and the decoders notice
			if !samePadding(b, i) {
				b[i-1] |= 1
			}
		}
	}
	return b
}

// samePadding reports whether the bit before a restart was padding: whether
// the picture decodes as before without it.
func samePadding(b []byte, at int) bool {
	with, without := bytes.Clone(b), bytes.Clone(b)
	with[at-1] |= 1
	one, errOne := Clean(with)
	other, errOther := Clean(without)
	return errOne == nil && errOther == nil && bytes.Equal(one.JPEG, other.JPEG)
}

// beforeRestarts puts something before each restart.
func beforeRestarts(b, what []byte) []byte {
	var out []byte
	from := bytes.Index(b, []byte{0xff, 0xda}) + 14
	out = append(out, b[:from]...)
	for i := from; i < len(b); i++ {
		if i+1 < len(b) && b[i] == 0xff && 0xd0 <= b[i+1] && b[i+1] <= 0xd7 {
			out = append(out, what...)
		}
		out = append(out, b[i])
	}
	return out
}

// betweenScans puts something behind the data of each scan.
func betweenScans(b, what []byte) []byte {
	var out []byte
	from := 0
	for _, end := range afterScans(b) {
		out = append(append(out, b[from:end]...), what...)
		from = end
	}
	return append(out, b[from:]...)
}

// A PNG is coded anew as JPEG, from what is seen of it on white.
func TestNothingHidesInPNG(t *testing.T) {
	colours := color.Palette{red, green, blue, color.NRGBA{}}
	paletted := image.NewPaletted(image.Rect(0, 0, 60, 40), colours)
	for i := range paletted.Pix {
		paletted.Pix[i] = uint8(i / 7 % 4)
	}
	more := *paletted
	more.Palette = append(colours[:4:4], color.RGBA{'k', 'e', 'y', 255}, color.RGBA{'s', 't', 'o', 255})
	clear := func(c color.NRGBA) []byte {
		m := image.NewNRGBA(image.Rect(0, 0, 60, 40))
		for i := range 60 * 40 {
			m.SetNRGBA(i%60, i/60, color.NRGBA{c.R, c.G, c.B, uint8(i % 2 * 255)})
			if i%2 == 1 {
				m.SetNRGBA(i%60, i/60, color.NRGBA{9, 99, 199, 255})
			}
		}
		return asPNG(t, m)
	}
	plain := asPNG(t, paletted)
	afterHeader := len(pngMagic) + 8 + 13 + 4
	chunks := insert(plain, afterHeader, bytes.Join([][]byte{
		pngChunk("tEXt", append([]byte("Comment\x00"), secret...)), pngChunk("prVt", secret),
		pngChunk("iTXt", append([]byte("Comment\x00\x00\x00\x00\x00"), secret...)),
	}, nil))
	for name, place := range map[string]hidingPlace{
		"chunks":          {chunks, plain},
		"after the end":   {append(bytes.Clone(plain), secret...), plain},
		"palette":         {asPNG(t, &more), plain},
		"under no colour": {clear(color.NRGBA{R: 'k', G: 'e', B: 'y'}), clear(color.NRGBA{})},
	} {
		with, without := mustClean(t, place.with), mustClean(t, place.without)
		if bytes.Equal(place.with, place.without) || !bytes.Equal(with.JPEG, without.JPEG) ||
			bytes.Contains(with.JPEG, secret[:8]) {
			t.Errorf("%s: what is stored differs", name)
		}
	}
}
