package fasnet

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/nlpodyssey/gopickle/pytorch"
	"github.com/nlpodyssey/gopickle/types"
)

// A tensor is an array of numbers, the last index running fastest.
type tensor struct {
	shape []int
	data  []float32
}

// readChecked reads a state dictionary that PyTorch saved, and returns its tensors of fractional numbers by name. The
// file's SHA-256 must have been compared: the library reads pickles, and panics or fills the memory on hostile ones.
func readChecked(path string) (map[string]tensor, error) {
	read, err := pytorch.Load(path)
	if err != nil {
		return nil, fmt.Errorf("reading PyTorch's state dictionary: %w", err)
	}
	dict, ok := read.(*types.OrderedDict)
	if !ok {
		return nil, fmt.Errorf("reading PyTorch's state dictionary: found a %T", read)
	}
	tensors := make(map[string]tensor)
	for key, entry := range dict.Map {
		name, _ := key.(string)
		t, ok := entry.Value.(*pytorch.Tensor)
		if !ok {
			return nil, fmt.Errorf("reading PyTorch's state dictionary: %q is a %T", name, entry.Value)
		}
		storage, ok := t.Source.(*pytorch.FloatStorage)
		if !ok {
			continue // how many batches a layer was trained on
		}
		end := t.StorageOffset + elements(t.Size)
		if end > len(storage.Data) || !slices.Equal(t.Stride, strides(t.Size)) {
			return nil, fmt.Errorf("reading PyTorch's state dictionary: %q is not laid out in order", name)
		}
		// Networks that were trained on several processors at once have the prefix.
		tensors[strings.TrimPrefix(name, "module.")] = tensor{t.Size, storage.Data[t.StorageOffset:end]}
	}
	return tensors, nil
}

// elements is how many numbers a tensor of the shape has.
func elements(shape []int) int {
	n := 1
	for _, d := range shape {
		n *= d
	}
	return n
}

// strides is how far apart neighbours along each dimension lie in a tensor of the shape that has no gaps.
func strides(shape []int) []int {
	s := make([]int, len(shape))
	step := 1
	for i, d := range slices.Backward(shape) {
		s[i] = step
		step *= d
	}
	return s
}

// A builder makes layers of tensors. After its first error it makes empty ones.
type builder struct {
	tensors map[string]tensor
	used    map[string]bool
	err     error
}

func (b *builder) has(name string) bool {
	_, ok := b.tensors[name]
	return ok
}

// take returns the tensor of the name. Its shape must be the one given, where anything stands for itself.
func (b *builder) take(name string, shape ...int) tensor {
	t, ok := b.tensors[name]
	if b.err == nil && !ok {
		b.err = fmt.Errorf("no tensor %q", name)
	}
	if b.err != nil {
		return tensor{shape: make([]int, len(shape))}
	}
	same := slices.EqualFunc(t.shape, shape, func(is, want int) bool {
		return is == want || want == anything && 0 < is && is <= len(t.data)
	})
	if !same || len(t.data) != elements(t.shape) {
		b.err = fmt.Errorf("tensor %q has shape %v and %d numbers, not shape %v", name, t.shape, len(t.data), shape)
		return tensor{shape: make([]int, len(shape))}
	}
	b.used[name] = true
	return t
}

const anything = -1

// finish returns the first error, or one if tensors are left: then the network is another one.
func (b *builder) finish() error {
	for name := range b.tensors {
		if b.err == nil && !b.used[name] {
			b.err = fmt.Errorf("nothing is known of tensor %q", name)
		}
	}
	return b.err
}

// convolution makes a filter of the convolution and normalisation of the names, and of the PReLU unless its name is "".
func (b *builder) convolution(conv, norm, prelu string, in, kernel int) filter {
	t := b.take(conv+".weight", anything, in, kernel, kernel)
	f := b.normalised(t, norm)
	if prelu != "" {
		f.slope = b.take(prelu+".weight", f.out).data
	}
	return f
}

// linear makes a filter of a fully connected layer and, unless its name is "", of the normalisation after it.
func (b *builder) linear(name, norm string, in int) filter {
	t := b.take(name+".weight", anything, in)
	if norm == "" {
		return filter{out: t.shape[0], in: in, weights: t.data, bias: make([]float32, t.shape[0])}
	}
	return b.normalised(t, norm)
}

// normalised folds the normalisation (x - mean) / sqrt(variance + epsilon) * weight + bias of each output into the
// weights that x is computed with, and a bias.
func (b *builder) normalised(t tensor, norm string) filter {
	const epsilon = 1e-5 // PyTorch's own, which the networks were trained with
	out := t.shape[0]
	weight, bias := b.take(norm+".weight", out).data, b.take(norm+".bias", out).data
	mean, variance := b.take(norm+".running_mean", out).data, b.take(norm+".running_var", out).data
	f := filter{weights: slices.Clone(t.data)}
	if b.err != nil {
		return f
	}
	f.out, f.in = out, len(t.data)/out
	f.bias = make([]float32, out)
	for o := range out {
		scale := float64(weight[o]) / math.Sqrt(float64(variance[o])+epsilon)
		for i, w := range f.row(o) {
			f.row(o)[i] = float32(float64(w) * scale)
		}
		f.bias[o] = float32(float64(bias[o]) - float64(mean[o])*scale)
	}
	return f
}
