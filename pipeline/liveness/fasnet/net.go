package fasnet

import (
	"fmt"
	"sync"
)

// Net is one network. It may be used by many goroutines at once.
type Net struct {
	Scale float64 // how much larger than the face's box the window is that the network wants to see

	stem      stage // two layers on the crop's pixels
	blocks    []block
	head      stage  // from the last maps to a number each
	embedding filter // these numbers to fewer
	classes   filter // those to the three logits

	scratch sync.Pool // of *scratch
}

// A stage makes maps of maps in two steps: it mixes the channels at each place, then each channel's neighbourhood.
type stage struct {
	mix    filter // out x in, or out x (in x 3 x 3) in the stem
	around filter // depthwise: out x (kernel x kernel)
	kernel int
	stride int
	pad    int // zeros around each map
}

// A block is a stage between a first and a last mixing, the latter without a PReLU.
type block struct {
	stage
	project  filter
	excite   *excitation // nil in most
	residual bool        // whether what went in is added to what comes out
}

// An excitation weighs each channel by what all channels are on average.
type excitation struct {
	squeeze, expand filter
}

// scratch is what one run needs besides the weights.
type scratch struct {
	maps, staged, projected []float32
	plane, padded           []float32 // one channel, without and with its zeros around
	means, squeezed         []float32 // a number for each channel
}

// The maps' widths, from the crop on: 80, 40, 20, 10, 5. A stage of stride 2 halves them.
func newNet(tensors map[string]tensor, scale float64) (*Net, error) {
	b := &builder{tensors: tensors, used: make(map[string]bool)}
	n := &Net{Scale: scale}
	n.stem = stage{kernel: 3, stride: 1, pad: 1}
	n.stem.mix = b.convolution("conv1.conv", "conv1.bn", "conv1.prelu", 3, 3)
	n.stem.around = b.around("conv2_dw", "conv2_dw.prelu", n.stem.mix.out, 3)
	channels := n.stem.mix.out
	for _, group := range []struct{ halving, residuals string }{
		{"conv_23", "conv_3"}, {"conv_34", "conv_4"}, {"conv_45", "conv_5"},
	} {
		halve := b.block(group.halving, channels, 2)
		channels = halve.project.out
		n.blocks = append(n.blocks, halve)
		for i := 0; ; i++ {
			name := fmt.Sprintf("%s.model.%d", group.residuals, i)
			if !b.has(name + ".conv.conv.weight") {
				break
			}
			same := b.block(name, channels, 1)
			if b.err == nil && same.project.out != channels {
				b.err = fmt.Errorf("%s makes %d channels of %d", name, same.project.out, channels)
			}
			n.blocks = append(n.blocks, same)
		}
	}
	n.head = stage{kernel: 5, stride: 1}
	n.head.mix = b.convolution("conv_6_sep.conv", "conv_6_sep.bn", "conv_6_sep.prelu", channels, 1)
	n.head.around = b.around("conv_6_dw", "", n.head.mix.out, n.head.kernel)
	n.embedding = b.linear("linear", "bn", n.head.mix.out)
	n.classes = b.linear("prob", "", n.embedding.out)
	if err := b.finish(); err != nil {
		return nil, err
	}
	if n.classes.out != len(Logits{}) {
		return nil, fmt.Errorf("%d classes, want %d", n.classes.out, len(Logits{}))
	}
	n.scratch.New = func() any { return n.newScratch() }
	return n, nil
}

func (b *builder) around(name, prelu string, channels, kernel int) filter {
	f := b.convolution(name+".conv", name+".bn", prelu, 1, kernel)
	if b.err == nil && f.out != channels {
		b.err = fmt.Errorf("%s is for %d channels, not %d", name, f.out, channels)
	}
	return f
}

func (b *builder) block(name string, in, stride int) block {
	k := block{stage: stage{kernel: 3, stride: stride, pad: 1}, residual: stride == 1}
	k.mix = b.convolution(name+".conv.conv", name+".conv.bn", name+".conv.prelu", in, 1)
	k.stage.around = b.around(name+".conv_dw", name+".conv_dw.prelu", k.mix.out, k.kernel)
	k.project = b.convolution(name+".project.conv", name+".project.bn", "", k.mix.out, 1)
	if se := name + ".se_module"; b.has(se + ".fc1.weight") {
		e := &excitation{squeeze: b.convolution(se+".fc1", se+".bn1", "", k.project.out, 1)}
		e.expand = b.convolution(se+".fc2", se+".bn2", "", e.squeeze.out, 1)
		if b.err == nil && e.expand.out != k.project.out {
			b.err = fmt.Errorf("%s is for %d channels, not %d", se, e.expand.out, k.project.out)
		}
		k.excite = e
	}
	return k
}

// newScratch makes room for the largest of the maps, and of the lists of a number for each channel.
func (n *Net) newScratch() *scratch {
	const half = Side / 2
	most := max(27, n.stem.mix.out) * half * half // the stem's nine neighbours of three colours, or what it makes
	wide := max(n.head.mix.out, n.embedding.out)
	side := half
	for _, b := range n.blocks {
		side = b.side(side)
		wide = max(wide, b.project.out)
		if b.excite != nil {
			wide = max(wide, b.excite.squeeze.out)
		}
		most = max(most, b.mix.out*side*side, b.project.out*side*side)
	}
	most = max(most, wide)
	return &scratch{
		maps: make([]float32, most), staged: make([]float32, most), projected: make([]float32, most),
		plane: make([]float32, half*half), padded: make([]float32, (half+2)*(half+2)),
		means: make([]float32, wide), squeezed: make([]float32, wide),
	}
}

// Run returns what the network makes of the crop.
func (n *Net) Run(crop *Crop) Logits {
	s := n.scratch.Get().(*scratch)
	defer n.scratch.Put(s)
	side := Side / 2
	neighbours(s.maps, crop)
	n.stem.run(s.staged, s.maps, side, s)
	s.maps, s.staged = s.staged, s.maps
	for i := range n.blocks {
		side = n.blocks[i].run(side, s)
	}
	n.head.run(s.staged, s.maps, side, s)
	n.embedding.mix(s.projected, s.staged, 1)
	var logits Logits
	n.classes.mix(logits[:], s.projected, 1)
	return logits
}

// side is how wide the stage's maps are, if those it gets are of the width in.
func (s *stage) side(in int) int { return (in+2*s.pad-s.kernel)/s.stride + 1 }

// run computes the stage's maps from those of the width side, a channel at a time.
func (s *stage) run(out, in []float32, side int, room *scratch) {
	area, made := side*side, s.side(side)*s.side(side)
	plane := room.plane[:area]
	wide := side + 2*s.pad
	padded := room.padded[:wide*wide]
	clear(padded)
	for c := range s.mix.out {
		s.mix.channel(plane, in, c)
		for y := range side {
			copy(padded[(y+s.pad)*wide+s.pad:], plane[y*side:(y+1)*side])
		}
		convolve(out[c*made:(c+1)*made], padded, s.around.row(c), wide, s.kernel, s.stride)
		s.around.finish(out[c*made:(c+1)*made], c)
	}
}

// run replaces the maps in the scratch by the block's and returns their width.
func (b *block) run(side int, s *scratch) int {
	b.stage.run(s.staged, s.maps, side, s)
	side = b.side(side)
	area := side * side
	b.project.mix(s.projected, s.staged, area)
	if b.excite != nil {
		b.excite.run(s.projected[:b.project.out*area], area, s)
	}
	if b.residual {
		for i, v := range s.projected[:b.project.out*area] {
			s.maps[i] += v
		}
	} else {
		s.maps, s.projected = s.projected, s.maps
	}
	return side
}

// run multiplies each channel by its weight.
func (e *excitation) run(maps []float32, area int, s *scratch) {
	means := s.means[:len(maps)/area]
	for c := range means {
		means[c] = mean(maps[c*area : (c+1)*area])
	}
	squeezed := s.squeezed[:e.squeeze.out]
	e.squeeze.mix(squeezed, means, 1)
	relu(squeezed)
	e.expand.mix(means, squeezed, 1)
	for c, m := range means {
		scale(maps[c*area:(c+1)*area], sigmoid(m))
	}
}
