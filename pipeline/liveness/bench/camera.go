package bench

import (
	"bytes"
	"fmt"
	"image"
	"image/jpeg"
	"math"
	"math/rand/v2"
)

// A camera is what happens to light behind the lens.
type camera struct {
	gain     float32    // exposure
	soft     [2]float64 // deviation of the lens' blur, in pixels: in the middle, in the corner
	white    float64    // electrons of what is white
	read     float64    // electrons of noise without light
	chroma   int        // how far colour is smoothed against noise, in pixels
	denoise  float32    // how much of the finest detail is taken for noise, 0 to 1
	sharpen  float32    // unsharp masking
	contrast float64    // of the tone curve over sRGB's, 0 to 0.3
	quality  int        // of the JPEG
}

// develop makes the still. moved is by how much the picture shifted while the
// shutter was open, in pixels.
func (c *camera) develop(r *rand.Rand, f *film, detail []*ripple) ([]byte, error) {
	pix := f.pix
	c.blur(pix)
	for _, d := range detail {
		d.add(pix)
	}
	c.expose(r, pix)
	still := c.tone(pix)
	var b bytes.Buffer
	if err := jpeg.Encode(&b, still, &jpeg.Options{Quality: c.quality}); err != nil {
		return nil, fmt.Errorf("encoding a still: %w", err)
	}
	return b.Bytes(), nil
}

// gaussian is half of a kernel of that deviation, from the middle on. What is
// lost by cutting it off and taking it at whole pixels only is made up for.
func gaussian(sigma float64) []float32 {
	k := make([]float32, int(math.Ceil(2.6*sigma))+1)
	at := sigma
	for range 12 {
		sum, variance := 0.0, 0.0
		for i := range k {
			v := math.Exp(-float64(i*i) / (2 * at * at))
			k[i] = float32(v)
			if i > 0 {
				v *= 2
			}
			sum, variance = sum+v, variance+v*float64(i*i)
		}
		for i := range k {
			k[i] /= float32(sum)
		}
		at *= sigma / math.Sqrt(variance/sum)
	}
	return k
}

// convolve blurs interleaved colours with half a kernel, both ways.
func convolve(pix []float32, w, h, n int, kernel []float32) {
	reach := len(kernel) - 1
	row := make([]float32, (w+2*reach)*n)
	for y := range h {
		line := pix[y*w*n : (y+1)*w*n]
		copy(row[reach*n:], line)
		for i := range reach {
			copy(row[i*n:(i+1)*n], line[:n])
			copy(row[(reach+w+i)*n:], line[(w-1)*n:])
		}
		for i := range line {
			at := i + reach*n
			v := kernel[0] * row[at]
			for k := 1; k <= reach; k++ {
				v += kernel[k] * (row[at-k*n] + row[at+k*n])
			}
			line[i] = v
		}
	}
	// Down: a ring of the rows that are still needed as they were.
	stride := w * n
	old := make([][]float32, 2*reach+1)
	for i := range old {
		old[i] = make([]float32, stride)
	}
	source := func(y int) []float32 { return old[(y+len(old))%len(old)] }
	load := func(y int) {
		copy(source(y), pix[min(max(y, 0), h-1)*stride:][:stride])
	}
	for y := -reach; y < reach; y++ {
		load(y)
	}
	for y := range h {
		load(y + reach)
		line := pix[y*stride : (y+1)*stride]
		mid := source(y)
		for i := range line {
			line[i] = kernel[0] * mid[i]
		}
		for k := 1; k <= reach; k++ {
			a, b, weight := source(y-k), source(y+k), kernel[k]
			for i := range line {
				line[i] += weight * (a[i] + b[i])
			}
		}
	}
}

// blur is the lens': sharpest in the middle.
func (c *camera) blur(pix []float32) {
	convolve(pix, Width, Height, 3, gaussian(c.soft[0]))
	more := math.Sqrt(max(c.soft[1]*c.soft[1]-c.soft[0]*c.soft[0], 0))
	if more < 0.2 {
		return
	}
	soft := append([]float32(nil), pix...)
	convolve(soft, Width, Height, 3, gaussian(more))
	for y := range Height {
		for x := range Width {
			k := float32(cornerShare(float64(x), float64(y)))
			i := 3 * (y*Width + x)
			for j := i; j < i+3; j++ {
				pix[j] += k * (soft[j] - pix[j])
			}
		}
	}
}

// cornerShare is how far out a pixel is, squared: 0 in the middle, 1 in a
// corner.
func cornerShare(x, y float64) float64 {
	x, y = x-Width/2, y-Height/2
	return (x*x + y*y) / ((Width*Width + Height*Height) / 4)
}

// softAt is the deviation of the lens' blur at a pixel.
func (c *camera) softAt(x, y float64) float64 {
	k := cornerShare(x, y)
	return math.Sqrt(c.soft[0]*c.soft[0]*(1-k) + c.soft[1]*c.soft[1]*k)
}

// normals are drawn once; noise takes them from random places.
var normals = func() (n [1 << 16]float32) {
	r := rand.New(rand.NewPCG(20, 26))
	for i := range n {
		n[i] = float32(r.NormFloat64())
	}
	return n
}()

// expose turns light to a sensor's signal of 0 to 1, with shot and read noise.
func (c *camera) expose(r *rand.Rand, pix []float32) {
	white, read2 := float32(c.white), float32(c.read*c.read)
	// The deviation by signal, in 1024 steps.
	var deviation [1025]float32
	for i := range deviation {
		deviation[i] = float32(math.Sqrt(float64(float32(i)/1024*white+read2))) / white
	}
	for i := range pix {
		if i&4095 == 0 { // another run of the table
			r.Uint64()
		}
		v := min(max(pix[i]*c.gain, 0), 1.5)
		pix[i] = v
	}
	seed := r.Uint64() | 1
	for i := range pix {
		seed ^= seed << 13
		seed ^= seed >> 7
		seed ^= seed << 17
		v := pix[i]
		v += deviation[int(min(v, 1)*1024)] * normals[seed>>48]
		pix[i] = min(max(v, 0), 1)
	}
}

// tone makes sRGB of the signal, as a cheap camera would: colour smoothed,
// detail smoothed and sharpened again, a curve.
func (c *camera) tone(pix []float32) *image.YCbCr {
	var curve [4097]float32
	for i := range curve {
		v := encoded(float64(i) / 4096)
		s := v * v * (3 - 2*v)
		curve[i] = float32(255 * (v + c.contrast*(s-v)))
	}
	luma := make([]float32, Width*Height)
	cb, cr := make([]float32, Width*Height), make([]float32, Width*Height)
	for i := range luma {
		r := curve[int(pix[3*i]*4096)]
		g := curve[int(pix[3*i+1]*4096)]
		b := curve[int(pix[3*i+2]*4096)]
		y := 0.299*r + 0.587*g + 0.114*b
		luma[i], cb[i], cr[i] = y, (b-y)*0.564, (r-y)*0.713
	}
	if c.denoise > 0 || c.sharpen > 0 {
		c.refine(luma)
	}
	still := image.NewYCbCr(image.Rect(0, 0, Width, Height), image.YCbCrSubsampleRatio420)
	for i, v := range luma {
		still.Y[i] = level8(v)
	}
	half(still.Cb, cb, c.chroma)
	half(still.Cr, cr, c.chroma)
	return still
}

func level8(v float32) uint8 { return uint8(min(max(v+0.5, 0), 255)) }

// half makes a plane of colour half as wide and high, and smooths it.
func half(to []uint8, plane []float32, by int) {
	w, h := Width/2, Height/2
	small := make([]float32, w*h)
	for y := range h {
		for x := range w {
			i := 2*y*Width + 2*x
			small[y*w+x] = (plane[i] + plane[i+1] + plane[i+Width] + plane[i+Width+1]) / 4
		}
	}
	if by > 0 {
		small = smooth(small, w, h, by)
	}
	for i, v := range small {
		to[i] = level8(v + 128)
	}
}

// refine takes small differences for noise and makes large ones larger.
func (c *camera) refine(luma []float32) {
	soft := append([]float32(nil), luma...)
	convolve(soft, Width, Height, 1, gaussian(0.9))
	edge := float32(3 + 400/math.Sqrt(c.white)) // grey levels that are more than noise
	for i, v := range luma {
		d := v - soft[i]
		a := d / edge
		a *= a
		big := a / (1 + a) // 0 for small differences, 1 for large ones
		luma[i] = soft[i] + d*((1-c.denoise)*(1-big)+(1+c.sharpen)*big)
	}
}
