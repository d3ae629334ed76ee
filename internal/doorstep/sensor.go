package doorstep

import (
	"image"
	"math"
	"math/rand/v2"
	"slices"
	"sync"
)

// A sensor makes a picture of the light that comes through the lens: small, cheap
// and by its own idea of how bright and how white.
type sensor struct {
	light []float32 // red, green, blue by pixel; it is overwritten
	faces []Face    // which it meters, as cameras do
	seed  uint64    // of what differs from ring to ring
	grain uint64    // seed of the noise
}

// What a small sensor of a bell is like; figures of our own choice.
const (
	grey       = 0.22    // what the mean of a picture is brought to
	slowest    = 60.0    // exposure up to which time alone makes up for the dark
	most       = 300.0   // exposure that gain reaches at most
	fullWell   = 24000.0 // electrons of white, at no gain, with what noise reduction does
	readNoise  = 1.2     // electrons
	veil       = 0.015   // share of light that the lens spreads over the picture
	onSkin     = 0.15    // how much white balance minds faces
	believes   = 0.9     // how far white balance follows the light
	evens      = 0.6     // how far bright and dark regions are brought together: 0 not, 1 all alike
	vignetting = 0.30    // how much darker corners are
	dim        = 0.17    // what the mean of the middle of faces is brought to at the least
	pale       = 0.20    // and at the most
	shoulder   = 0.5     // of white, above which light is held back
	contrast   = 0.4     // how far dark and bright are drawn apart at last
)

// develop is a part of the picture.
func (s sensor) develop(part image.Rectangle) *image.NRGBA {
	s.spread()
	exposure, gains := s.meter()
	white := fullWell / max(1, exposure/slowest) // electrons
	tones := tones()
	picture := image.NewNRGBA(part)
	rows(part.Dy(), func(row int) {
		y := part.Min.Y + row
		speckle := newSpeckle(s.grain, y)
		below := float64(y) - middleY
		line, pix := s.light[3*y*Width:][:3*Width], picture.Pix[row*picture.Stride:][:picture.Stride]
		for x := part.Min.X; x < part.Max.X; x++ {
			at, pixel := line[3*x:][:3], pix[4*(x-part.Min.X):][:4]
			off := ((float64(x)-middleX)*(float64(x)-middleX) + below*below) / (middleX*middleX + middleY*middleY)
			k := exposure * (1 - vignetting*off)
			// A colour pixel of the sensor is one of four: neighbours share most of their noise in
			// colour, and all three share some in brightness.
			common := speckle.next()
			for c := range 3 {
				e := float64(at[c]) * k * white
				e += math.Sqrt(max(e, 0)+readNoise*readNoise) * (0.75*common + 0.5*speckle.next())
				pixel[c] = tones.of(e / white * gains[c])
			}
			pixel[3] = 255
		}
	})
	return picture
}

// meter finds the exposure and the gains of red, green and blue: the picture's middle counts most, and as cameras
// do that look for faces, it gives them their light before all else.
func (s sensor) meter() (exposure float64, gains [3]float64) {
	var all, face sample
	for y := 4; y < Height; y += 8 {
		for x := 4; x < Width; x += 8 {
			at := s.light[3*(y*Width+x):]
			within := func(f Face) bool { return image.Pt(x, y).In(f.Box.Inset(f.Box.Dx() / 5)) }
			if slices.ContainsFunc(s.faces, within) {
				face.add(at, 1)
				continue
			}
			dx, dy := (float64(x)-middleX)/middleX, (float64(y)-middleY)/middleY
			all.add(at, 0.2+math.Exp(-4*(dx*dx+dy*dy)))
		}
	}
	mean, seen := all.mean(), face.mean()
	exposure, white := min(grey/mean.luminance(), most), mean
	if face.weight > 0 {
		white = mean.mix(seen.times(mean.luminance()/seen.luminance()), onSkin)
		exposure = min(max(exposure, dim/seen.luminance()), pale/seen.luminance(), most)
	}
	r := rand.New(rand.NewPCG(s.seed, 3))
	for c := range 3 {
		gain := math.Pow(white.luminance()/white[c], believes)
		gains[c] = min(max(gain, 0.6), 1.9) * (1 + 0.02*r.NormFloat64())
	}
	return exposure * (1 + 0.04*r.NormFloat64()), gains
}

// A sample is a mean of pixels in which bright ones count less.
type sample struct {
	roots  colour
	weight float64
}

func (s *sample) add(pixel []float32, weight float64) {
	for c := range 3 {
		s.roots[c] += weight * math.Sqrt(float64(pixel[c]))
	}
	s.weight += weight
}

// mean is above 0, also of no pixels.
func (s sample) mean() (c colour) {
	for k, root := range s.roots {
		c[k] = max(root/max(s.weight, 1e-9), 1e-6)
		c[k] *= c[k]
	}
	return c
}

// spread lets some light stray: a veil over all. And as such sensors expose twice, for what is bright and for what
// is dark, it brings bright and dark regions nearer to each other.
func (s sensor) spread() {
	const step = 16
	w, h := Width/step, Height/step
	small := make([]float32, 3*w*h)
	for y := range h * step {
		line := s.light[3*y*Width:][:3*w*step]
		sums := small[3*(y/step)*w:][:3*w]
		for x := 0; x < w*step; x++ {
			sum, at := sums[x/step*3:][:3], line[3*x:][:3]
			for c := range 3 {
				sum[c] += at[c] / (step * step)
			}
		}
	}
	for range 3 {
		small = blurred(blurred(small, w, h, 3, 3*w), h, w, 3*w, 3)
	}
	lift := lifts(small)
	// The factor beside the colours, so that the four of a coarse pixel are mixed alike.
	coarse := make([][4]float32, w*h)
	for i := range coarse {
		coarse[i] = [4]float32{small[3*i], small[3*i+1], small[3*i+2], lift[i]}
	}
	rows(Height, func(y int) {
		// Between the middles of the coarse pixels.
		v := min(max((float32(y)+0.5)/step-0.5, 0), float32(h-1)-0.001)
		fv := v - float32(int(v))
		upper, lower := coarse[int(v)*w:][:w], coarse[int(v)*w+w:][:w]
		line := s.light[3*y*Width:][:3*Width]
		for x := range Width {
			u := min(max((float32(x)+0.5)/step-0.5, 0), float32(w-1)-0.001)
			i, fu := int(u), u-float32(int(u))
			a, b, c, d := (1-fu)*(1-fv), fu*(1-fv), (1-fu)*fv, fu*fv
			p, q, r, t := &upper[i], &upper[i+1], &lower[i], &lower[i+1]
			k := a*p[3] + b*q[3] + c*r[3] + d*t[3]
			for n := range 3 {
				at := &line[3*x+n]
				haze := a*p[n] + b*q[n] + c*r[n] + d*t[n]
				*at = k * (*at + veil*(haze-*at))
			}
		}
	})
}

// lifts are the factors by which regions are made brighter or darker.
func lifts(small []float32) []float32 {
	lift := make([]float32, len(small)/3)
	mean := 0.0
	for i := range lift {
		c := colour{float64(small[3*i]), float64(small[3*i+1]), float64(small[3*i+2])}
		lift[i] = float32(math.Log(max(c.luminance(), 1e-9)))
		mean += float64(lift[i]) / float64(len(lift))
	}
	for i, l := range lift {
		lift[i] = float32(math.Exp(evens * (mean - float64(l))))
	}
	return lift
}

// blurred is a picture of three colours with each line of n pixels blurred; pixels lie along apart, lines between.
func blurred(in []float32, n, lines, along, between int) []float32 {
	const radius = 6
	out := make([]float32, len(in))
	for line := range lines {
		for c := range 3 {
			for i := range n {
				sum := float32(0)
				for d := -radius; d <= radius; d++ {
					sum += in[line*between+min(max(i+d, 0), n-1)*along+c]
				}
				out[line*between+i*along+c] = sum / (2*radius + 1)
			}
		}
	}
	return out
}

// tones are the sRGB curve (IEC 61966-2-1) with a shoulder, by the root of a quarter of the light.
var tones = sync.OnceValue(func() *curve {
	var t curve
	for i := range t {
		v := float64(i) / 4095
		v *= v * 4
		if v > shoulder {
			v = 1 - (1-shoulder)*math.Exp((shoulder-v)/(1-shoulder))
		}
		if v <= 0.0031308 {
			v *= 12.92
		} else {
			v = 1.055*math.Pow(v, 1/2.4) - 0.055
		}
		v = min(max(v, 0), 1)
		t[i] = uint8(255*mix(v, ease(v), contrast) + 0.5)
	}
	return &t
})

// A curve gives the picture's values, by the root of light.
type curve [4096]uint8

func (t *curve) of(v float64) uint8 {
	return t[int(4095*math.Sqrt(min(max(v/4, 0), 1)))]
}

// A speckle is a row's noise: numbers of the normal distribution out of a table, from places that the seed decides.
type speckle struct {
	state uint64
	table *[1 << 14]float32
}

var normal = sync.OnceValue(func() *[1 << 14]float32 {
	r := rand.New(rand.NewPCG(1, 2))
	var t [1 << 14]float32
	for i := range t {
		t[i] = float32(r.NormFloat64())
	}
	return &t
})

func newSpeckle(seed uint64, row int) speckle {
	return speckle{mixed(seed*0x9e3779b97f4a7c15 + uint64(row) + 1), normal()}
}

func (g *speckle) next() float64 {
	g.state = g.state*6364136223846793005 + 1442695040888963407 // Knuth's MMIX
	return float64(g.table[g.state>>50])
}
