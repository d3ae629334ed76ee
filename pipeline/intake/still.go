package intake

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/draw"

	"github.com/disintegration/imaging"

	"lintel/internal/house"
	"lintel/pipeline/redact"
)

// Bounds on what a bell may send. They are checked against the picture's own
// header before any of it is decoded.
const (
	MaxBytes  = 8 << 20    // bytes of one still as sent
	MaxPixels = 25_000_000 // width times height
	maxSide   = 65_500     // pixels of either side, the most that common JPEG software takes
)

// What Clean refuses. The errors it returns wrap one of these and say more.
var (
	ErrEmpty         = errors.New("the still is empty")
	ErrTooLarge      = errors.New("the still is too large")
	ErrTooManyPixels = errors.New("the still has too many pixels")
	ErrNotAPicture   = errors.New("the still is not a picture that can be read")
)

const (
	jpegMagic = "\xff\xd8\xff"
	pngMagic  = "\x89PNG\r\n\x1a\n"
)

// A Still is a received picture made fit to keep.
type Still struct {
	// JPEG is what is stored: one upright YCbCr or grey JPEG picture with no
	// metadata, no preview and nothing after its end marker.
	JPEG []byte

	// Image is JPEG decoded: an *image.YCbCr or *image.Gray whose bounds
	// begin at (0, 0).
	Image image.Image

	// Damaged is set if part of the picture was missing or broken. That part
	// is mid-grey, lacks its colours, or is coarser than the rest.
	Damaged bool
}

// Clean makes a still of body, which must be a JPEG or PNG picture of at most
// [MaxBytes] bytes and [MaxPixels] pixels. Only the content decides which of
// the two it is.
//
// An upright YCbCr or grey JPEG keeps its entropy-coded data bit for bit, so
// that not a pixel changes. Everything else (a picture that EXIF says lies on
// its side, a PNG, a JPEG in RGB or CMYK) is decoded, turned upright, put on
// white where it was transparent, and encoded anew. A JPEG that is cut short
// or broken is kept as far as it decodes. Breakage that still decodes, to
// wrong pixels, goes unnoticed.
//
// Clean neither keeps nor changes body. Its errors wrap [ErrEmpty],
// [ErrTooLarge], [ErrTooManyPixels] or [ErrNotAPicture].
//
// Memory grows with the pixels. At [MaxPixels] an upright JPEG takes about 50
// MB, a turned or cut one 200 MB, a PNG 350 MB or more, a progressive JPEG 400
// to 550 MB and a cut progressive JPEG 800 MB (in CMYK a third more), so
// callers bound how many calls run at once. A 1.3 megapixel still takes a
// twentieth of that.
func Clean(body []byte) (Still, error) {
	switch {
	case len(body) == 0:
		return Still{}, ErrEmpty
	case len(body) > MaxBytes:
		return Still{}, fmt.Errorf("%w: %d bytes, the most is %d", ErrTooLarge, len(body), MaxBytes)
	case bytes.HasPrefix(body, []byte(jpegMagic)):
		return cleanJPEG(body)
	case bytes.HasPrefix(body, []byte(pngMagic)):
		return cleanPNG(body)
	}
	return Still{}, fmt.Errorf("%w: neither JPEG nor PNG, it begins with %q", ErrNotAPicture, body[:min(len(body), 8)])
}

// cleanJPEG stores the JPEG's own data if that shows the picture upright in
// every decoder, and a new encoding of the picture if it does not.
func cleanJPEG(body []byte) (Still, error) {
	f, err := parseJPEG(body)
	if err != nil {
		return Still{}, err
	}
	r, err := f.salvage()
	if err != nil {
		return Still{}, err
	}
	if r.data != nil && f.orientation == upright {
		return Still{JPEG: r.data, Image: r.image, Damaged: r.damaged}, nil
	}
	return encode(turn(r.image, f.orientation), r.damaged)
}

// encode makes a still of an upright picture. The encoded picture goes through
// cleanJPEG for its pixels and so that cleaning a still again changes no byte.
func encode(img image.Image, damaged bool) (Still, error) {
	if img, ok := img.(*image.CMYK); ok { // image/jpeg would encode CMYK pixel by pixel
		return encode(onto(color.White, img.Rect.Size(), img), damaged)
	}
	// Only stills of many megapixels need a lower quality to stay in bounds.
	var b bytes.Buffer
	for quality := 95; ; quality -= 15 {
		b.Reset()
		if err := imaging.Encode(&b, img, imaging.JPEG, imaging.JPEGQuality(quality)); err != nil {
			return Still{}, fmt.Errorf("encoding the still: %w", err)
		}
		if b.Len()+len(jfif) <= MaxBytes || quality == 20 {
			break
		}
	}
	still, err := cleanJPEG(b.Bytes())
	if err != nil {
		return Still{}, fmt.Errorf("reading the still just encoded: %w", err)
	}
	still.Damaged = damaged
	return still, nil
}

// Mask returns the still with all that the masks cover black, encoded anew; the
// still itself where there are none. Nothing that was there is in the result.
func (s Still) Mask(masks []house.Polygon) (Still, error) {
	if len(masks) == 0 {
		return s, nil
	}
	masked, err := redact.MaskImage(s.Image, masks)
	if err != nil {
		return Still{}, err
	}
	return encode(masked, s.Damaged)
}

// turn returns img, which lies as the EXIF orientation says, upright.
func turn(img image.Image, orientation int) image.Image {
	var turned *image.NRGBA
	switch orientation { // imaging's rotations are counter-clockwise
	case 2:
		turned = imaging.FlipH(img)
	case 3:
		turned = imaging.Rotate180(img)
	case 4:
		turned = imaging.FlipV(img)
	case 5:
		turned = imaging.Transpose(img)
	case 6:
		turned = imaging.Rotate270(img)
	case 7:
		turned = imaging.Transverse(img)
	case 8:
		turned = imaging.Rotate90(img)
	default:
		return img
	}
	if _, grey := img.(*image.Gray); !grey {
		return turned
	}
	grey := image.NewGray(turned.Rect)
	for i := range grey.Pix {
		grey.Pix[i] = turned.Pix[4*i]
	}
	return grey
}

// onto draws img at the upper left of a canvas of the given colour and size,
// which is grey if img is.
func onto(c color.Color, size image.Point, img image.Image) image.Image {
	r := image.Rectangle{Max: size}
	var canvas draw.Image
	switch img.(type) {
	case *image.Gray, *image.Gray16:
		canvas = image.NewGray(r)
	default:
		canvas = image.NewRGBA(r)
	}
	draw.Draw(canvas, r, image.NewUniform(c), image.Point{}, draw.Src)
	draw.Draw(canvas, r, img, img.Bounds().Min, draw.Over)
	return canvas
}

// checkSize refuses a picture with too many pixels.
func checkSize(width, height int) error {
	if width > maxSide || height > maxSide || int64(width)*int64(height) > MaxPixels {
		return fmt.Errorf("%w: %d x %d, the most is %d million in all and %d a side",
			ErrTooManyPixels, width, height, MaxPixels/1_000_000, maxSide)
	}
	return nil
}
