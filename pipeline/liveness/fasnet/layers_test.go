package fasnet

import (
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// Sums of small whole numbers, worked by hand.
func TestConvolve(t *testing.T) {
	// 0 to 24, five to a row.
	var five []float32
	for i := range 25 {
		five = append(five, float32(i))
	}
	corners := []float32{1, 0, 2, 0, 0, 0, 3, 0, 4}
	all := slices.Repeat([]float32{1}, 25)
	for _, test := range []struct {
		name           string
		weights        []float32
		kernel, stride int
		want           []float32
	}{
		// At the upper left 1*0 + 2*2 + 3*10 + 4*12 = 82; a step adds 1+2+3+4 = 10, a row five times that.
		{"3 x 3", corners, 3, 1, []float32{82, 92, 102, 132, 142, 152, 182, 192, 202}},
		{"3 x 3, every second", corners, 3, 2, []float32{82, 102, 182, 202}},
		// 0 + ... + 24.
		{"5 x 5", all, 5, 1, []float32{300}},
		// 0 + 1 + 5 + 6 and so on.
		{"2 x 2, every third", all[:4], 2, 3, []float32{12, 24, 72, 84}},
	} {
		got := make([]float32, len(test.want))
		if convolve(got, five, test.weights, 5, test.kernel, test.stride); !slices.Equal(got, test.want) {
			t.Errorf("%s: %v, want %v", test.name, got, test.want)
		}
	}
}

func TestMix(t *testing.T) {
	f := filter{out: 2, in: 3, weights: []float32{1, 2, 3, -1, 0, 1}}
	f.bias, f.slope = []float32{10, -5}, []float32{0.5, 0.25}
	in := []float32{1, 2, 10, 20, 100, -200} // three maps of two places
	got := make([]float32, 4)
	f.mix(got, in, 2)
	// 1+20+300+10; 2+40-600+10 = -548, halved; -1+100-5; -2-200-5 = -207, quartered.
	if want := []float32{331, -274, 94, -51.75}; !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
}

// (x - 3) / sqrt(4 - epsilon + epsilon) * 6 + 1, where x is the weighted sum.
func TestNormalised(t *testing.T) {
	one := func(v float32) tensor { return tensor{[]int{1}, []float32{v}} }
	b := &builder{used: make(map[string]bool), tensors: map[string]tensor{
		"n.weight": one(6), "n.bias": one(1), "n.running_mean": one(3), "n.running_var": one(4 - 1e-5),
	}}
	f := b.normalised(tensor{[]int{1, 2}, []float32{1, -2}}, "n")
	if b.err != nil {
		t.Fatal(b.err)
	}
	got := make([]float32, 1)
	f.mix(got, []float32{10, 1}, 1)
	if want := (10-2-3)/2.0*6 + 1; math.Abs(float64(got[0])-want) > 1e-4 {
		t.Errorf("%g, want %g", got[0], want)
	}
}

func TestExcitation(t *testing.T) {
	e := &excitation{
		squeeze: filter{out: 2, in: 2, weights: []float32{1, 1, -1, 0}, bias: []float32{-1, 0}},
		expand:  filter{out: 2, in: 2, weights: []float32{0.5, 9, -0.5, 9}, bias: []float32{0, 0}},
	}
	maps := []float32{1, 3, 2, 0} // means 2 and 1: squeezed to 2 and -2, which becomes 0; expanded to 1 and -1
	e.run(maps, 2, &scratch{means: make([]float32, 2), squeezed: make([]float32, 2)})
	s := 1 / (1 + math.Exp(-1))
	for i, want := range []float64{s, 3 * s, 2 * (1 - s), 0} {
		if math.Abs(float64(maps[i])-want) > 1e-6 {
			t.Errorf("number %d is %g, want %g", i, maps[i], want)
		}
	}
}

func TestNeighbours(t *testing.T) {
	crop := noise(7)
	out := make([]float32, 27*40*40)
	neighbours(out, crop)
	at := func(colour, y, x int) float32 {
		if x < 0 || y < 0 || x >= Side || y >= Side {
			return 0
		}
		return crop[colour*Side*Side+y*Side+x]
	}
	for _, p := range [][3]int{{0, 0, 0}, {1, 0, 39}, {2, 39, 0}, {0, 39, 39}, {1, 20, 7}} {
		for k := range 9 {
			got := out[((p[0]*9+k)*40+p[1])*40+p[2]]
			if want := at(p[0], 2*p[1]+k/3-1, 2*p[2]+k%3-1); got != want {
				t.Errorf("colour, row, column %v, place %d of the kernel: %g, want %g", p, k, got, want)
			}
		}
	}
}

func TestClasses(t *testing.T) {
	for _, test := range []struct {
		logits Logits
		want   Classes
	}{
		{Logits{0, 0, 0}, Classes{1. / 3, 1. / 3, 1. / 3}},
		{Logits{0, float32(math.Log(2)), 0}, Classes{0.25, 0.5, 0.25}},
		{Logits{-3000, 3000, 0}, Classes{0, 1, 0}},
	} {
		for i, got := range test.logits.Classes() {
			if math.Abs(got-test.want[i]) > 1e-7 {
				t.Errorf("%v: %v, want %v", test.logits, test.logits.Classes(), test.want)
			}
		}
	}
	s := Scores{Near: Classes{0.1, 0.8, 0.1}, Wide: Classes{0.7, 0.2, 0.1}}
	if got := s.Live(); math.Abs(got-0.5) > 1e-12 {
		t.Errorf("live %g, want 0.5", got)
	}
}

// Tensors of other names, shapes or numbers give an error or a network that runs.
func FuzzNewNet(f *testing.F) {
	f.Add(0, 0, 4, 4)
	f.Add(3, 1, -1, 0)
	f.Add(17, 0, 1<<62, 4)
	f.Add(40, 9, 0, 7)
	whole := invented(rand.New(rand.NewPCG(3, 5)))
	names := slices.Sorted(maps.Keys(whole))
	f.Fuzz(func(t *testing.T, which, dimension, size, count int) {
		tensors := maps.Clone(whole)
		name := names[uint(which)%uint(len(names))]
		changed := tensor{slices.Clone(tensors[name].shape), tensors[name].data}
		if dimension >= 0 && dimension < len(changed.shape) {
			changed.shape[dimension] = size
		} else {
			changed.shape = append(changed.shape, size)
		}
		if count >= 0 && count < 1000 {
			changed.data = make([]float32, count)
		}
		tensors[name] = changed
		same := slices.Equal(changed.shape, whole[name].shape) && len(changed.data) == len(whole[name].data)
		net, err := newNet(tensors, 2)
		if same && err != nil {
			t.Fatal(err)
		}
		if err == nil {
			net.Run(new(Crop))
		}
		delete(tensors, name)
		if _, err := newNet(tensors, 2); err == nil {
			t.Errorf("a network without %s", name)
		}
		tensors[name], tensors["more.weight"] = whole[name], whole[name]
		if _, err := newNet(tensors, 2); err == nil {
			t.Error("a network with a tensor too many")
		}
	})
}
