package liveness

import (
	"image"
	"image/color"
	"math"

	"lintel/internal/house"
	"lintel/pipeline/liveness/fasnet"
)

// A scene is a still made ready for measuring.
type scene struct {
	still  image.Image
	bounds image.Rectangle
	luma   []uint8 // by row, as JPEG defines it
	stride int
}

func newScene(still image.Image) *scene {
	s := &scene{still: still, bounds: still.Bounds()}
	switch img := still.(type) {
	case *image.YCbCr:
		s.luma, s.stride = img.Y[img.YOffset(s.bounds.Min.X, s.bounds.Min.Y):], img.YStride
	case *image.Gray:
		s.luma, s.stride = img.Pix[img.PixOffset(s.bounds.Min.X, s.bounds.Min.Y):], img.Stride
	default:
		s.stride = s.bounds.Dx()
		s.luma = make([]uint8, s.bounds.Dx()*s.bounds.Dy())
		for y := range s.bounds.Dy() {
			for x := range s.bounds.Dx() {
				r, g, b, _ := still.At(s.bounds.Min.X+x, s.bounds.Min.Y+y).RGBA()
				s.luma[y*s.stride+x], _, _ = color.RGBToYCbCr(uint8(r>>8), uint8(g>>8), uint8(b>>8))
			}
		}
	}
	return s
}

// lumaAt returns the luma, 0 to 255, of a pixel; beyond the border, of the
// nearest.
func (s *scene) lumaAt(x, y int) float64 {
	x = min(max(x-s.bounds.Min.X, 0), s.bounds.Dx()-1)
	y = min(max(y-s.bounds.Min.Y, 0), s.bounds.Dy()-1)
	return float64(s.luma[y*s.stride+x])
}

// lumaBetween returns the luma between pixels, bilinear.
func (s *scene) lumaBetween(x, y float64) float64 {
	fx, fy := math.Floor(x), math.Floor(y)
	dx, dy := x-fx, y-fy
	ix, iy := int(fx), int(fy)
	top := s.lumaAt(ix, iy)*(1-dx) + s.lumaAt(ix+1, iy)*dx
	bottom := s.lumaAt(ix, iy+1)*(1-dx) + s.lumaAt(ix+1, iy+1)*dx
	return top*(1-dy) + bottom*dy
}

// rgbAt returns the colour of a pixel as it is encoded (sRGB), 0 to 255 each;
// beyond the border, of the nearest.
func (s *scene) rgbAt(x, y int) (r, g, b float64) {
	x = min(max(x, s.bounds.Min.X), s.bounds.Max.X-1)
	y = min(max(y, s.bounds.Min.Y), s.bounds.Max.Y-1)
	if img, ok := s.still.(*image.YCbCr); ok {
		c := img.COffset(x, y)
		rr, gg, bb := color.YCbCrToRGB(img.Y[img.YOffset(x, y)], img.Cb[c], img.Cr[c])
		return float64(rr), float64(gg), float64(bb)
	}
	rr, gg, bb, _ := s.still.At(x, y).RGBA()
	return float64(rr >> 8), float64(gg >> 8), float64(bb >> 8)
}

// meanLuma is that of every other pixel of a rectangle within the still.
func (s *scene) meanLuma(r image.Rectangle) float64 {
	r = r.Intersect(s.bounds).Sub(s.bounds.Min)
	sum, n := 0, 0
	for y := r.Min.Y; y < r.Max.Y; y += 2 {
		for x := r.Min.X; x < r.Max.X; x += 2 {
			sum += int(s.luma[y*s.stride+x])
			n++
		}
	}
	return float64(sum) / float64(max(n, 1))
}

// darkest is the mean luma of a face below which noise and rounding are all
// there is.
const darkest = 24

// A view is what a sign looks at: one face on a still.
type view struct {
	*scene
	face house.Face
	nets *fasnet.Nets // nil where their files are not there

	// eyes are the middles of the eyes, left one of the picture first, and
	// span the distance between them in pixels; 0 if they were not made out.
	eyes [2]house.Point
	span float64
}

func (s *scene) view(face house.Face) *view {
	v := &view{scene: s, face: face}
	if len(face.Landmarks) >= 4 {
		l := face.Landmarks
		one := house.Point{X: (l[0].X + l[1].X) / 2, Y: (l[0].Y + l[1].Y) / 2}
		other := house.Point{X: (l[2].X + l[3].X) / 2, Y: (l[2].Y + l[3].Y) / 2}
		if one.X > other.X {
			one, other = other, one
		}
		v.eyes, v.span = [2]house.Point{one, other}, math.Hypot(one.X-other.X, one.Y-other.Y)
	}
	return v
}

// upright returns a place on the still that is so many eye spans to the right
// of and below the middle of the eyes, with the head held upright.
func (v *view) upright(right, down float64) house.Point {
	mx, my := (v.eyes[0].X+v.eyes[1].X)/2, (v.eyes[0].Y+v.eyes[1].Y)/2
	ex, ey := v.eyes[1].X-v.eyes[0].X, v.eyes[1].Y-v.eyes[0].Y // one span along the eyes
	return house.Point{X: mx + right*ex - down*ey, Y: my + right*ey + down*ex}
}

// missing is the finding of a sign that could not be looked for.
func missing(why string) house.Finding { return house.Finding{Missing: why} }

// tidy rounds a finding to what is worth keeping.
func tidy(f house.Finding) house.Finding {
	round := func(v float64) float64 {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return 0
		}
		return math.Round(v*1e4) / 1e4
	}
	f.Score = round(min(max(f.Score, 0), 1))
	for i, v := range f.Values {
		f.Values[i] = round(v)
	}
	for i, p := range f.Region {
		f.Region[i] = house.Point{X: math.Round(p.X), Y: math.Round(p.Y)}
	}
	return f
}

// ramp is 0 up to from, 1 from to on, and on a straight line in between.
func ramp(v, from, to float64) float64 { return min(max((v-from)/(to-from), 0), 1) }
