package intake

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"slices"

	"github.com/disintegration/imaging"

	"lintel/internal/house"
	"lintel/pipeline/redact"
)

// Bounds on what a bell may send. They are checked against the picture's own
// header before any of it is decoded.
const (
	MaxBytes  = 8 << 20    // bytes of one still as sent
	MaxPixels = 25_000_000 // width times height
	MaxMemory = 192 << 20  // bytes that decoding it may take
	maxSide   = 65_500     // pixels of either side, the most that common JPEG software takes
)

// What Clean refuses by its own words. These are pictures, of kinds that are not
// decoded here.
var (
	ErrHEIC error = house.Refusal("still-heic") // ISO/IEC 23008-12: HEIC, HEIF or AVIF
	ErrWebP error = house.Refusal("still-webp")
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
	// JPEG is what is stored: one upright YCbCr or grey picture, coded as
	// baseline JPEG from its coefficients alone. Nothing else of what was
	// sent is in it.
	JPEG []byte

	// Size is the picture's, in pixels.
	Size image.Point

	// Damaged is set if part of the picture was missing or broken. That part
	// is mid-grey, lacks its colours, or is coarser than the rest.
	Damaged bool
}

// Picture decodes the still, to an *image.YCbCr or *image.Gray whose bounds
// begin at (0, 0).
func (s Still) Picture() (image.Image, error) {
	m, err := jpeg.Decode(bytes.NewReader(s.JPEG))
	if err != nil {
		return nil, fmt.Errorf("decoding a still: %w", err)
	}
	return m, nil
}

// A Sent is a picture whose header was read and found within bounds, and of
// which nothing was decoded yet.
type Sent struct {
	format format
	size   int64 // bytes as sent
}

// A format is what a picture came in.
type format interface {
	memory() int64
	pixels() int64
	still() (Still, error)
}

// Open reads the header of body, which must be a JPEG or PNG picture of at most
// [MaxBytes] bytes and [MaxPixels] pixels, to be decoded in at most [MaxMemory]
// bytes. Only the content decides which of the two it is.
//
// It does not keep body longer than the Sent, and never changes it. The errors
// of Open and of [Sent.Clean] wrap [ErrEmpty], [ErrTooLarge],
// [ErrTooManyPixels] or [ErrNotAPicture], or are [ErrHEIC] or [ErrWebP].
func Open(body []byte) (Sent, error) {
	switch {
	case len(body) == 0:
		return Sent{}, ErrEmpty
	case len(body) > MaxBytes:
		return Sent{}, fmt.Errorf("%w: %d bytes, the most is %d", ErrTooLarge, len(body), MaxBytes)
	case bytes.HasPrefix(body, []byte(jpegMagic)):
		f, err := parseJPEG(body)
		if err != nil {
			return Sent{}, err
		}
		return bounded(f, body)
	case bytes.HasPrefix(body, []byte(pngMagic)):
		p, err := parsePNG(body)
		if err != nil {
			return Sent{}, err
		}
		return bounded(p, body)
	}
	if err := otherPicture(body); err != nil {
		return Sent{}, err
	}
	return Sent{}, fmt.Errorf("%w: neither JPEG nor PNG, it begins with %q", ErrNotAPicture, body[:min(len(body), 8)])
}

// otherPicture knows pictures of other kinds by how they begin: a file type box
// (ISO/IEC 14496-12, 4.3) with a brand of ISO/IEC 23008-12 or of AVIF, or a RIFF
// container of WebP (RFC 9649, 2.4).
func otherPicture(body []byte) error {
	const head = 16 // size, "ftyp", major brand, minor version; compatible brands follow
	if len(body) >= 12 && string(body[:4]) == "RIFF" && string(body[8:12]) == "WEBP" {
		return ErrWebP
	}
	if len(body) < 12 || string(body[4:8]) != "ftyp" {
		return nil
	}
	end := min(uint64(binary.BigEndian.Uint32(body)), uint64(len(body)), 256)
	brands := body[8:12]
	if end > head {
		brands = append(slices.Clone(brands), body[head:end]...)
	}
	for ; len(brands) >= 4; brands = brands[4:] {
		switch string(brands[:4]) {
		case "heic", "heix", "heim", "heis", "hevc", "hevx", "mif1", "msf1", "avif", "avis":
			return ErrHEIC
		}
	}
	return nil
}

func bounded(p format, body []byte) (Sent, error) {
	s := Sent{p, int64(len(body))}
	if s.Memory() > MaxMemory {
		return Sent{}, fmt.Errorf("%w: decoding it would take %d MB, the most is %d", ErrTooManyPixels, s.Memory()>>20,
			MaxMemory>>20)
	}
	return s, nil
}

// Memory is how many bytes Clean takes at the most, [MaxMemory] or fewer. It
// grows with the pixels: 5 MB for a usual still of 1.3 million, 38 MB for a
// JPEG of 12 million from a telephone, three times as much where it lies on
// its side.
func (s Sent) Memory() int64 { return s.format.memory() + 2*s.size }

// maskMemory is how many bytes Mask takes: the picture, and a copy of it.
func (s Sent) maskMemory() int64 { return 6*s.format.pixels() + 2*s.size }

// Clean makes a still of what was sent.
//
// An upright YCbCr or grey JPEG is coded anew from its coefficients, so that
// not a pixel changes. Everything else (a picture that EXIF says lies on its
// side, a PNG, a JPEG in RGB or CMYK) is decoded, turned upright, put on white
// where it was transparent, and encoded anew. A JPEG that is cut short or
// broken is kept as far as it decodes. Breakage that still decodes, to wrong
// pixels, goes unnoticed.
func (s Sent) Clean() (Still, error) { return s.format.still() }

// Clean is [Open] and [Sent.Clean] in one, for who cleans one picture at a time.
func Clean(body []byte) (Still, error) {
	s, err := Open(body)
	if err != nil {
		return Still{}, err
	}
	return s.Clean()
}

// memory is what still takes: first the coefficients, two bytes each, then,
// where the picture has to be coded in another way, its pixels. These are a
// byte for each sample, four for each pixel where a JPEG is no YCbCr, as many
// where it is put on another canvas, and as many where it is turned.
func (f *jpegFile) memory() int64 {
	var samples int64
	for _, c := range f.frame.components {
		samples += 64 * int64(c.across) * int64(c.down)
	}
	shown := samples
	if f.colours != jfif {
		shown += 4 * f.pixels()
	}
	if len(f.frame.components) == 4 {
		shown += 4 * f.pixels()
	}
	if f.orientation != upright {
		shown += 5 * f.pixels()
	}
	return max(2*samples, shown)
}

func (f *jpegFile) pixels() int64 { return int64(f.frame.width) * int64(f.frame.height) }

// still stores the JPEG's own coefficients if they show the picture upright in
// every decoder, and a new encoding of the picture if they do not.
func (f *jpegFile) still() (Still, error) {
	s, err := f.recode()
	if err != nil || f.colours == jfif && f.orientation == upright && len(s.JPEG) <= MaxBytes {
		return s, err
	}
	m, err := s.Picture()
	if err != nil {
		return Still{}, fmt.Errorf("%w: %w", ErrNotAPicture, err)
	}
	return encode(turn(m, f.orientation), s.Damaged)
}

// recode codes f anew, or as much of it as decodes. All of f that is there is
// gone through once: what breaks off is kept up to there, be it rows or, of a
// progressive picture, the last bits of all.
func (f *jpegFile) recode() (Still, error) {
	if f.scans == 0 {
		return Still{}, fmt.Errorf("%w: the JPEG breaks off before its picture begins", ErrNotAPicture)
	}
	d := newDecoder(f)
	why := d.decode(f)
	s := Still{Size: image.Pt(f.frame.width, f.frame.height)}
	for i := range d.components {
		c := &d.components[i]
		s.Damaged = s.Damaged || !c.whole()
		switch {
		case c.rows > 0 || f.ycc && i > 0: // without Cb and Cr it is a grey picture
		case c.blocks == nil && (why == nil || why == errTable):
			return Still{}, fmt.Errorf("%w: the JPEG lacks tables or colours that its picture needs", ErrNotAPicture)
		default:
			return Still{}, fmt.Errorf("%w: nothing of the JPEG decodes: %w", ErrNotAPicture, why)
		}
	}
	if f.colours != jfif {
		d.dropPart()
	}
	var err error
	s.JPEG, err = d.baseline(f)
	return s, err
}

// encode makes a still of an upright picture. The encoded picture is coded once
// more, so that cleaning a still again changes no byte.
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
	f, err := parseJPEG(b.Bytes())
	if err != nil {
		return Still{}, fmt.Errorf("reading the still just encoded: %w", err)
	}
	still, err := f.recode()
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
	m, err := s.Picture()
	if err != nil {
		return Still{}, err
	}
	masked, err := redact.MaskImage(m, masks)
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
