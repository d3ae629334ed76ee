package fasnet

import (
	"math"

	"gonum.org/v1/gonum/blas/gonum"
)

// A filter makes out channels of in numbers each: a weighted sum, a bias, and a PReLU if it has slopes.
type filter struct {
	out, in int
	weights []float32 // out x in
	bias    []float32 // out
	slope   []float32 // out, or nil
}

func (f *filter) row(channel int) []float32 { return f.weights[channel*f.in : (channel+1)*f.in] }

// mix computes all channels of maps of the area from those in in.
func (f *filter) mix(out, in []float32, area int) {
	for c := range f.out {
		f.channel(out[c*area:(c+1)*area], in, c)
	}
}

// channel computes one channel: at each place, the weighted sum of all maps in in there.
func (f *filter) channel(out, in []float32, channel int) {
	area := len(out)
	clear(out)
	for i, w := range f.row(channel) {
		gonum.Implementation{}.Saxpy(area, w, in[i*area:(i+1)*area], 1, out, 1)
	}
	f.finish(out, channel)
}

// finish adds the channel's bias and bends what is negative by its slope.
func (f *filter) finish(out []float32, channel int) {
	bias := f.bias[channel]
	if f.slope == nil {
		for i := range out {
			out[i] += bias
		}
		return
	}
	slope := f.slope[channel]
	for i, v := range out {
		v += bias
		out[i] = max(v, 0) + slope*min(v, 0)
	}
}

// convolve slides a kernel over a map of the width wide, stride by stride, and puts a sum for each place into out.
func convolve(out, in, weights []float32, wide, kernel, stride int) {
	side := (wide-kernel)/stride + 1
	if kernel == 3 {
		convolve3(out, in, (*[9]float32)(weights), wide, side, stride)
		return
	}
	for y := range side {
		for x := range side {
			var sum float32
			for k := range kernel {
				row := in[(y*stride+k)*wide+x*stride:][:kernel]
				for i, w := range weights[k*kernel : (k+1)*kernel] {
					sum += w * row[i]
				}
			}
			out[y*side+x] = sum
		}
	}
}

func convolve3(out, in []float32, w *[9]float32, wide, side, stride int) {
	for y := range side {
		above := in[y*stride*wide:][:wide]
		level := in[(y*stride+1)*wide:][:wide]
		below := in[(y*stride+2)*wide:][:wide]
		for x := range side {
			i := x * stride
			a, l, b := above[i:i+3:i+3], level[i:i+3:i+3], below[i:i+3:i+3]
			out[y*side+x] = w[0]*a[0] + w[1]*a[1] + w[2]*a[2] +
				w[3]*l[0] + w[4]*l[1] + w[5]*l[2] +
				w[6]*b[0] + w[7]*b[1] + w[8]*b[2]
		}
	}
}

// neighbours lays out the crop's pixels for a convolution of 3 x 3 with stride 2 and zeros around: for each colour and
// each of the nine places in the kernel a map of what stands at that place.
func neighbours(out []float32, crop *Crop) {
	const half = Side / 2
	i := 0
	for colour := range 3 {
		for ky := range 3 {
			for kx := range 3 {
				for y := range half {
					for x := range half {
						sx, sy := 2*x+kx-1, 2*y+ky-1
						out[i] = 0
						if sx >= 0 && sy >= 0 { // the last is 79
							out[i] = crop[(colour*Side+sy)*Side+sx]
						}
						i++
					}
				}
			}
		}
	}
}

func mean(values []float32) float32 {
	var sum float32
	for _, v := range values {
		sum += v
	}
	return sum / float32(len(values))
}

func relu(values []float32) {
	for i, v := range values {
		values[i] = max(v, 0)
	}
}

func scale(values []float32, by float32) {
	for i := range values {
		values[i] *= by
	}
}

func sigmoid(v float32) float32 { return float32(1 / (1 + math.Exp(-float64(v)))) }
