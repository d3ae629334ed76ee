package bench

import "math"

// channels of a texture: red, green, blue, alpha, and how far it is clothing.
const channels = 5

// A texture is a picture on a surface, and smaller ones of it.
type texture struct {
	levels []level
	// perMM is how many texels of the largest are a millimetre of the surface,
	// and u0, v0 where its left upper corner is.
	perMM, u0, v0 float64
}

type level struct {
	w, h int
	pix  []float32 // multiplied by alpha
}

func newTexture(w, h int, pix []float32) *texture {
	t := &texture{levels: []level{{w, h, pix}}}
	for w > 16 && h > 16 && len(t.levels) < 6 {
		big := t.levels[len(t.levels)-1]
		w, h = big.w/2, big.h/2
		small := make([]float32, w*h*channels)
		for y := range h {
			for x := range w {
				a := (2*y*big.w + 2*x) * channels
				b := a + big.w*channels
				o := (y*w + x) * channels
				for c := range channels {
					small[o+c] = (big.pix[a+c] + big.pix[a+channels+c] + big.pix[b+c] + big.pix[b+channels+c]) / 4
				}
			}
		}
		t.levels = append(t.levels, level{w, h, small})
	}
	return t
}

// levelFor returns the level whose texels are about as large as a sample, for
// so many millimetres to a pixel.
func (t *texture) levelFor(foot float64) int {
	texels := foot / finer * t.perMM
	return min(max(int(math.Round(math.Log2(max(texels, 1e-3)))), 0), len(t.levels)-1)
}

// at returns what is at (u, v), between texels by bilinear interpolation, and
// nothing beyond the border, but below it what is there at the border.
func (t *texture) at(n int, u, v float32) (out [channels]float32) {
	l := &t.levels[n]
	k := float32(t.perMM) / float32(int(1)<<n)
	x, y := (u-float32(t.u0))*k-0.5, (v-float32(t.v0))*k-0.5
	if x < -1 || y < -1 || x >= float32(l.w) {
		return out
	}
	fx, fy := float32(math.Floor(float64(x))), float32(math.Floor(float64(y)))
	ix, iy := int(fx), int(fy)
	dx, dy := x-fx, y-fy
	for j := range 2 {
		for i := range 2 {
			px, py := min(max(ix+i, 0), l.w-1), min(max(iy+j, 0), l.h-1)
			k := (1 - dx + float32(i)*(2*dx-1)) * (1 - dy + float32(j)*(2*dy-1))
			o := (py*l.w + px) * channels
			p := l.pix[o : o+channels : o+channels]
			out[0] += k * p[0]
			out[1] += k * p[1]
			out[2] += k * p[2]
			out[3] += k * p[3]
			out[4] += k * p[4]
		}
	}
	return out
}

// toLinear is sRGB's transfer curve by level (IEC 61966-2-1).
var toLinear = func() (t [256]float32) {
	for i := range t {
		v := float64(i) / 255
		if v <= 0.04045 {
			t[i] = float32(v / 12.92)
		} else {
			t[i] = float32(math.Pow((v+0.055)/1.055, 2.4))
		}
	}
	return t
}()

// fromLinear is the other way round, for light of 0 to 1 in 4096 steps.
var fromLinear = func() (t [4097]uint8) {
	for i := range t {
		t[i] = uint8(math.Round(255 * encoded(float64(i)/4096)))
	}
	return t
}()

func encoded(v float64) float64 {
	if v <= 0.0031308 {
		return 12.92 * v
	}
	return 1.055*math.Pow(v, 1/2.4) - 0.055
}

// grain is noise over a square of so many cells, as a surface has it: even over
// the side, in octaves of their own.
const grainSide = 256

var grain = func() (g [grainSide * grainSide]float32) {
	x := uint64(0x9E3779B97F4A7C15)
	for i := range g {
		x ^= x << 13
		x ^= x >> 7
		x ^= x << 17
		g[i] = float32(x>>40)/float32(1<<24)*2 - 1
	}
	return g
}()

// grainAt is noise of -1 to 1 at a place in cells, smooth between them.
func grainAt(x, y float64) float64 {
	fx, fy := math.Floor(x), math.Floor(y)
	dx, dy := x-fx, y-fy
	dx, dy = dx*dx*(3-2*dx), dy*dy*(3-2*dy)
	ix, iy := int(fx)&(grainSide-1), int(fy)&(grainSide-1)
	jx, jy := (ix+1)&(grainSide-1), (iy+1)&(grainSide-1)
	a, b := float64(grain[iy*grainSide+ix]), float64(grain[iy*grainSide+jx])
	c, d := float64(grain[jy*grainSide+ix]), float64(grain[jy*grainSide+jx])
	top, bottom := a+(b-a)*dx, c+(d-c)*dx
	return top + (bottom-top)*dy
}

// fractal is noise in octaves from cells of the given size in millimetres down
// to those that a pixel of so many millimetres can show.
func fractal(x, y, size, foot float64) float64 {
	sum, weight := 0.0, 0.5
	for i := 0; size > foot && i < 5; i++ {
		// What is nearly as small as a pixel is averaged away.
		sum += weight * ramp(size/foot, 1, 2.5) * grainAt(x/size+float64(37*i), y/size+float64(91*i))
		size, weight = size*0.43, weight*0.75
	}
	return sum
}
