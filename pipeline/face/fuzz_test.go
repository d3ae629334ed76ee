package face

import (
	"bytes"
	"encoding/binary"
	"image"
	"image/color"
	"image/color/palette"
	"image/jpeg"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/disintegration/imaging"

	"lintel/internal/house"
)

// FuzzFind goes through sizes, places in a larger picture and colour models
// of what a decoder may return.
func FuzzFind(f *testing.F) {
	for model := range uint8(models) {
		f.Add(model, uint8(0), uint16(280), uint16(210), uint16(3), uint16(5), uint16(275), uint16(201), uint64(model))
	}
	f.Add(uint8(1), uint8(1), uint16(1), uint16(1), uint16(0), uint16(0), uint16(1), uint16(1), uint64(1))
	f.Add(uint8(4), uint8(1), uint16(2000), uint16(5), uint16(1), uint16(1), uint16(1999), uint16(4), uint64(2))
	f.Add(uint8(2), uint8(0), uint16(800), uint16(300), uint16(201), uint16(0), uint16(800), uint16(299), uint64(3))
	f.Add(uint8(7), uint8(2), uint16(722), uint16(40), uint16(7), uint16(7), uint16(8), uint16(9), uint64(4))
	photo := imaging.Clone(example(f, "2008_002506.jpg"))
	finder := open(f)
	crops := listen(finder)
	f.Fuzz(func(t *testing.T, model, content uint8, w, h, x0, y0, x1, y1 uint16, seed uint64) {
		w, h = w%2100+1, h%2100+1
		if int(w)*int(h) > 1<<20 {
			return
		}
		still := pictureOf(photo, model, content, image.Rect(0, 0, int(w), int(h)), seed)
		if part := image.Rect(int(x0%w), int(y0%h), int(x1), int(y1)); !part.Empty() {
			still = still.(interface {
				SubImage(image.Rectangle) image.Image
			}).SubImage(part)
		}
		crops.crops = nil
		faces, err := finder.Find(t.Context(), still)
		if err != nil {
			t.Fatal(err)
		}
		checkFaces(t, still.Bounds().Size(), faces, crops.crops)
	})
}

// FuzzFindJPEG goes through what may become of a JPEG file. Its inputs are long,
// so -fuzzminimizetime 1s leaves more time for trying them.
func FuzzFindJPEG(f *testing.F) {
	small := imaging.Resize(imaging.Crop(example(f, "2008_002506.jpg"), image.Rect(110, 45, 230, 175)), 80, 0,
		imaging.Linear)
	grey := image.NewGray(small.Rect)
	for i := range grey.Pix {
		grey.Pix[i] = small.Pix[4*i+1]
	}
	for _, img := range []image.Image{small, grey, image.NewGray(image.Rect(0, 0, 1, 1)),
		image.NewNRGBA(image.Rect(0, 0, 3, 900))} {
		var b bytes.Buffer
		if err := jpeg.Encode(&b, img, nil); err != nil {
			f.Fatal(err)
		}
		f.Add(b.Bytes())
	}
	finder := open(f)
	crops := listen(finder)
	f.Fuzz(func(t *testing.T, raw []byte) {
		header, err := jpeg.DecodeConfig(bytes.NewReader(raw))
		if err != nil || header.Width*header.Height > 1<<20 {
			return
		}
		still, err := jpeg.Decode(bytes.NewReader(raw))
		if err != nil {
			return
		}
		crops.crops = nil
		faces, err := finder.Find(t.Context(), still)
		if err != nil {
			t.Fatal(err)
		}
		checkFaces(t, still.Bounds().Size(), faces, crops.crops)
	})
}

// checkFaces checks what must be true of the faces on any still, and of the
// crops that go-face got.
func checkFaces(t *testing.T, size image.Point, faces []house.Face, crops [][]byte) {
	t.Helper()
	for _, face := range faces {
		if face.Box.Empty() || !face.Box.In(image.Rectangle{Max: size}) {
			t.Errorf("a face at %v on a still of %v", face.Box, size)
		}
		if len(face.Landmarks) != 5 {
			t.Errorf("%d landmarks", len(face.Landmarks))
		}
		for _, p := range face.Landmarks {
			if !(p.X > float64(-size.X) && p.X < float64(2*size.X) && p.Y > float64(-size.Y) && p.Y < float64(2*size.Y)) {
				t.Errorf("a landmark at %v on a still of %v", p, size)
			}
		}
		length := 0.0
		for _, v := range face.Descriptor {
			length += float64(v) * float64(v)
		}
		// dlib's descriptors of faces are about 1 long; not every face here is one.
		if length = math.Sqrt(length); !(length > 0.1 && length < 10) {
			t.Errorf("a descriptor %g long", length)
		}
	}
	for _, crop := range crops {
		header, err := jpeg.DecodeConfig(bytes.NewReader(crop))
		if err != nil {
			t.Fatal(err)
		}
		if header.ColorModel != color.YCbCrModel || max(header.Width, header.Height) > maxCrop {
			t.Errorf("a crop of %dx%d pixels of another kind than go-face takes", header.Width, header.Height)
		}
	}
}

// models is how many colour models pictureOf knows.
const models = 12

// pictureOf makes a picture: a photograph for content 0, noise for 1, other
// patterns for the rest.
func pictureOf(photo *image.NRGBA, model, content uint8, rect image.Rectangle, seed uint64) image.Image {
	r := rand.New(rand.NewPCG(seed, uint64(content)))
	drawn := image.NewNRGBA(rect)
	switch content % 3 {
	case 0:
		drawn = imaging.Resize(photo, rect.Dx(), rect.Dy(), imaging.NearestNeighbor)
	case 1:
		for i := 0; i+8 <= len(drawn.Pix); i += 8 {
			binary.LittleEndian.PutUint64(drawn.Pix[i:], r.Uint64())
		}
	default:
		a, b := r.Uint32()|1, r.Uint32()
		for i := range drawn.Pix {
			drawn.Pix[i] = uint8(uint32(i) * a >> (b % 24))
		}
	}
	ratios := []image.YCbCrSubsampleRatio{
		image.YCbCrSubsampleRatio444, image.YCbCrSubsampleRatio422, image.YCbCrSubsampleRatio420,
		image.YCbCrSubsampleRatio440, image.YCbCrSubsampleRatio411, image.YCbCrSubsampleRatio410,
	}
	var still interface {
		image.Image
		Set(x, y int, c color.Color)
	}
	switch model %= models; model {
	case 0, 1, 2, 3, 4, 5:
		img := image.NewYCbCr(rect, ratios[model])
		for y := range rect.Dy() {
			for x := range rect.Dx() {
				c := color.YCbCrModel.Convert(drawn.At(x, y)).(color.YCbCr)
				img.Y[img.YOffset(x, y)], img.Cb[img.COffset(x, y)], img.Cr[img.COffset(x, y)] = c.Y, c.Cb, c.Cr
			}
		}
		return img
	case 6:
		return drawn
	case 7:
		still = image.NewGray(rect)
	case 8:
		still = image.NewGray16(rect)
	case 9:
		still = image.NewRGBA(rect)
	case 10:
		still = image.NewCMYK(rect)
	case 11:
		img := image.NewPaletted(rect, palette.WebSafe)
		for i := range img.Pix {
			img.Pix[i] = drawn.Pix[4*i] % uint8(len(palette.WebSafe))
		}
		return img
	}
	for y := range rect.Dy() {
		for x := range rect.Dx() {
			still.Set(x, y, drawn.At(x, y))
		}
	}
	return still
}
