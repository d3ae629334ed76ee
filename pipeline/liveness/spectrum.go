package liveness

import (
	"image"
	"image/color"
	"math"

	"gonum.org/v1/gonum/dsp/fourier"
)

// A spectrum is the power of a square patch at each frequency, or the mean
// power of several patches, so that what is the same all over them stands out.
//
// Each patch is taken less its mean and under a Hann window (von Hann's raised
// cosine, in two directions), which keeps a pure wave within two steps of its
// frequency. Averaging overlapping patches that way is Welch's method (P. D.
// Welch, The use of fast Fourier transform for the estimation of power spectra,
// IEEE Trans. Audio Electroacoust. 15, 1967).
type spectrum struct {
	n       int       // pixels along a side, even
	patches int       // how many are in it
	power   []float64 // sums by row of v = 0…n-1, u = 0…n/2; steps of 1/n cycles a pixel

	row    *fourier.FFT
	column *fourier.CmplxFFT
	hann   []float64
	real   []float64
	half   []complex128 // a row, then a column
	whole  []complex128
}

func newSpectrum(n int) *spectrum {
	s := &spectrum{n: n, power: make([]float64, n*(n/2+1)), row: fourier.NewFFT(n), column: fourier.NewCmplxFFT(n),
		hann: make([]float64, n), real: make([]float64, n), half: make([]complex128, n), whole: make([]complex128, n*(n/2+1))}
	for i := range s.hann {
		s.hann[i] = (1 - math.Cos(2*math.Pi*float64(i)/float64(n))) / 2
	}
	return s
}

// add adds a patch whose left upper corner is at x, y of a plane. The patch must
// lie within it.
func (s *spectrum) add(p plane, x, y int) {
	w := s.n/2 + 1
	mean := 0.0
	for dy := range s.n {
		for _, v := range p.row(x, y+dy, s.n) {
			mean += float64(v)
		}
	}
	mean /= float64(s.n * s.n)
	for dy := range s.n {
		for dx, v := range p.row(x, y+dy, s.n) {
			s.real[dx] = (float64(v) - mean) * s.hann[dx] * s.hann[dy]
		}
		s.row.Coefficients(s.whole[dy*w:(dy+1)*w], s.real)
	}
	for u := range w {
		for v := range s.n {
			s.half[v] = s.whole[v*w+u]
		}
		s.column.Coefficients(s.half, s.half)
		for v, c := range s.half {
			s.power[v*w+u] += real(c)*real(c) + imag(c)*imag(c)
		}
	}
	s.patches++
}

// at returns the mean power at a frequency, which may be negative or beyond
// half a cycle a pixel: a sampled picture's spectrum repeats, and a real one's
// is the same in opposite directions.
func (s *spectrum) at(u, v int) float64 {
	u, v = mod(u, s.n), mod(v, s.n)
	if u > s.n/2 {
		u, v = s.n-u, mod(-v, s.n)
	}
	return s.power[v*(s.n/2+1)+u] / float64(max(s.patches, 1))
}

func mod(a, n int) int {
	if 0 <= a && a < n {
		return a
	}
	return (a%n + n) % n
}

// rounding is the power at each frequency that comes of rounding the pixels to
// whole numbers, with an error spread evenly over one step: 1/12 by pixel
// (Bennett, Spectra of quantized signals, Bell Syst. Tech. J. 27, 1948), under
// the window.
func (s *spectrum) rounding() float64 {
	return float64(s.n*s.n) * (3. / 8) * (3. / 8) / 12
}

// amplitude returns that of a wave, in steps of luma, whose power this is.
func (s *spectrum) amplitude(power float64) float64 {
	return 2 * math.Sqrt(power) / (float64(s.n*s.n) / 4)
}

// A peak is a frequency with much more power than those around it.
type peak struct {
	u, v      float64 // cycles a pixel, u from 0 to 0.5, v from -0.5 to 0.5
	decibel   float64 // over the strongest but few of the frequencies around it
	amplitude float64 // in steps of luma
}

func (p peak) frequency() float64 { return math.Hypot(p.u, p.v) }

// angle is the direction across the lines, in degrees from -90 to 90.
func (p peak) angle() float64 { return math.Atan2(p.v, p.u) * 180 / math.Pi }

// peaks returns the narrow peaks of frequencies between two, in cycles a pixel,
// which are so many decibels over what is around them.
//
// Around are the frequencies from 4 to 6 steps off, and all but the fewest of
// them have to be weaker: the power of natural pictures falls with the
// frequency but has no narrow peaks (Field, Relations between the statistics of
// natural images and the response properties of cortical cells, J. Opt. Soc. Am.
// A 4, 1987), an edge makes a ridge through the ring on both sides, and the
// squares in which JPEG rounds make wide hills. Left out is where JPEG's squares
// of 8 pixels repeat: where both u and v are multiples of 1/8.
func (s *spectrum) peaks(from, to, decibel float64) (all []peak) {
	var ring [4]float64 // the strongest around
	n := float64(s.n)
	floor := s.rounding()
	for v := -s.n / 2; v < s.n/2; v++ {
	search:
		for u := 0; u <= s.n/2; u++ {
			f := math.Hypot(float64(u), float64(v)) / n
			if f < from || f > to || s.blocks(u, v) || (u == 0 || u == s.n/2) && v < 0 {
				continue
			}
			power := s.at(u, v)
			if !s.summit(u, v, power) {
				continue
			}
			ring = [4]float64{}
			least := (power+floor)/math.Pow(10, decibel/10) - floor
			for _, d := range around {
				if r := s.at(u+d.X, v+d.Y); r > ring[len(ring)-1] {
					i := len(ring) - 1
					for ; i > 0 && ring[i-1] < r; i-- {
						ring[i] = ring[i-1]
					}
					ring[i] = r
					if ring[len(ring)-1] > least {
						continue search
					}
				}
			}
			if db := 10 * math.Log10((power+floor)/(ring[len(ring)-1]+floor)); db >= decibel {
				all = append(all, peak{float64(u) / n, float64(v) / n, db, s.amplitude(power)})
			}
		}
	}
	return all
}

// around are the steps to what a peak is compared with.
var around = func() (ring []image.Point) {
	for y := -6; y <= 6; y++ {
		for x := -6; x <= 6; x++ {
			if r := x*x + y*y; r >= 16 && r <= 36 {
				ring = append(ring, image.Pt(x, y))
			}
		}
	}
	return ring
}()

// summit reports whether no neighbour has more power.
func (s *spectrum) summit(u, v int, power float64) bool {
	for dv := -1; dv <= 1; dv++ {
		for du := -1; du <= 1; du++ {
			if s.at(u+du, v+dv) > power {
				return false
			}
		}
	}
	return true
}

// blocks reports whether a frequency is one of those at which squares of 8
// pixels repeat or, where there is room between them, within a step of one.
func (s *spectrum) blocks(u, v int) bool {
	near := func(i int) bool {
		off := mod(i, s.n/8)
		return min(off, s.n/8-off) <= min(s.n/64, 1)
	}
	return near(u) && near(v)
}

// A plane is a part of a still in one channel, by row, from the left upper
// corner at. One pixel of it is scale pixels of the still along a side.
type plane struct {
	pix    []uint8
	stride int
	size   image.Point
	at     image.Point
	scale  int
}

func (p plane) row(x, y, n int) []uint8 { return p.pix[y*p.stride+x : y*p.stride+x+n] }

// lumaPlane is the whole still.
func (s *scene) lumaPlane() plane {
	return plane{pix: s.luma, stride: s.stride, size: s.bounds.Size(), at: s.bounds.Min, scale: 1}
}

// chromaPlanes returns the colour differences of a part of the still, half as
// wide and high, as most cameras keep them.
func (s *scene) chromaPlanes(part image.Rectangle) (blue, red plane) {
	part = part.Intersect(s.bounds)
	part.Min.X += part.Min.X & 1
	part.Min.Y += part.Min.Y & 1
	w, h := max(part.Dx()/2, 0), max(part.Dy()/2, 0)
	blue = plane{make([]uint8, w*h), w, image.Pt(w, h), part.Min, 2}
	red = plane{make([]uint8, w*h), w, image.Pt(w, h), part.Min, 2}
	img, _ := s.still.(*image.YCbCr)
	for y := range h {
		for x := range w {
			i, at := y*w+x, part.Min.Add(image.Pt(2*x, 2*y))
			if img != nil && img.SubsampleRatio == image.YCbCrSubsampleRatio420 {
				c := img.COffset(at.X, at.Y)
				blue.pix[i], red.pix[i] = img.Cb[c], img.Cr[c]
				continue
			}
			var r, g, b float64
			for _, d := range [...]image.Point{{0, 0}, {1, 0}, {0, 1}, {1, 1}} {
				dr, dg, db := s.rgbAt(at.X+d.X, at.Y+d.Y)
				r, g, b = r+dr/4, g+dg/4, b+db/4
			}
			_, blue.pix[i], red.pix[i] = color.RGBToYCbCr(uint8(r+.5), uint8(g+.5), uint8(b+.5))
		}
	}
	return blue, red
}

// spectrumOver returns the spectrum of patches of n pixels a side spread over a
// rectangle of the still, at most three by three of them. The window leaves
// half of a patch's width to count, so the patches reach over the rectangle by
// a quarter. Those that reach over the plane are moved into it; nil if the
// plane is smaller than a patch.
func spectrumOver(p plane, over image.Rectangle, n int) *spectrum {
	if p.size.X < n || p.size.Y < n {
		return nil
	}
	s := newSpectrum(n)
	over = image.Rectangle{over.Min.Sub(p.at).Div(p.scale), over.Max.Sub(p.at).Div(p.scale)}
	for _, y := range starts(over.Min.Y, over.Max.Y, n, p.size.Y) {
		for _, x := range starts(over.Min.X, over.Max.X, n, p.size.X) {
			s.add(p, x, y)
		}
	}
	return s
}

// starts returns where patches along one side begin.
func starts(from, to, n, size int) (at []int) {
	from, to = from-n/4, to-3*n/4 // of the first and the last
	if to <= from {
		from = (from + to) / 2
		to = from
	}
	count := min(1+(to-from+n/2-1)/(n/2), 3)
	for i := range count {
		x := from + (to-from)*i/max(count-1, 1)
		at = append(at, min(max(x, 0), size-n))
	}
	return at
}
