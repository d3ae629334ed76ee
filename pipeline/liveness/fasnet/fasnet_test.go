package fasnet

import (
	_ "embed"
	"errors"
	"image"
	_ "image/jpeg"
	"io/fs"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"sync"
	"testing"

	"lintel/internal/python"
	"lintel/models"
)

//go:embed testdata/minifasnet.py
var reference string

// nets loads the published networks from $LINTEL_NETS or $LINTEL_MODELS.
func nets(t testing.TB) (n *Nets, dir string) {
	t.Helper()
	for _, variable := range []string{"LINTEL_NETS", "LINTEL_MODELS"} {
		if dir = os.Getenv(variable); dir == "" {
			continue
		}
		n, err := Load(dir)
		if err == nil {
			return n, dir
		}
		if !errors.Is(err, fs.ErrNotExist) {
			t.Fatal(err)
		}
	}
	t.Skip("SKIPPED: the optional model files are neither in $LINTEL_NETS nor in $LINTEL_MODELS")
	return nil, ""
}

// portraits reads the first photographs of people's faces, and says where the face is: the photographs are taken alike.
func portraits(t testing.TB, n int) (stills []image.Image, faces []image.Rectangle) {
	t.Helper()
	paths, err := filepath.Glob(filepath.Join(os.Getenv("LINTEL_FACES"), "pairs", "*", "*.jpg"))
	if err != nil {
		t.Fatal(err)
	}
	if os.Getenv("LINTEL_FACES") == "" || len(paths) < n {
		t.Skip("SKIPPED: $LINTEL_FACES does not lead to photographs of faces")
	}
	for i, path := range paths[:n] {
		f, err := os.Open(path)
		if err != nil {
			t.Fatal(err)
		}
		still, _, err := image.Decode(f)
		f.Close()
		if err != nil {
			t.Fatalf("%s: %v", path, err)
		}
		b := still.Bounds()
		// Boxes of several sizes, some so large that their windows do not fit.
		size := b.Dx()/8 + i*b.Dx()/50
		middle := b.Min.Add(image.Pt(b.Dx()/2, b.Dy()/2))
		stills = append(stills, still)
		faces = append(faces, image.Rect(-size/2, -size*5/8, size/2, size*5/8).Add(middle))
	}
	return stills, faces
}

// PyTorch (Debian's python3-torch) must make the same of 20 faces as we do.
func TestNetsAgainstTorch(t *testing.T) {
	n, dir := nets(t)
	stills, faces := portraits(t, 20)
	crops := [][]*Crop{{noise(1)}, {noise(1)}}
	for i, still := range stills {
		crops[0] = append(crops[0], Cut(still, Window(still.Bounds(), faces[i], n.Near.Scale)))
		crops[1] = append(crops[1], Cut(still, Window(still.Bounds(), faces[i], n.Wide.Scale)))
	}
	question := map[string]any{"crops": crops, "nets": []any{
		map[string]string{"file": filepath.Join(dir, models.FaceAndEdge)},
		map[string]string{"file": filepath.Join(dir, models.FaceAndSurroundings)},
	}}
	var want [][]Logits
	python.Ask(t, "torch", reference, question, &want)
	t.Logf("PyTorch says of noise %v and %v", want[0][0], want[1][0])
	apart, apartLogits := 0.0, 0.0
	for k, net := range []*Net{n.Near, n.Wide} {
		for i, crop := range crops[k] {
			got := net.Run(crop)
			for c := range got {
				apart = max(apart, math.Abs(got.Classes()[c]-want[k][i].Classes()[c]))
				apartLogits = max(apartLogits, math.Abs(float64(got[c]-want[k][i][c])))
			}
		}
	}
	t.Logf("on %d faces at most %.2g apart in the classes' shares, %.2g in the logits", len(stills), apart, apartLogits)
	if apart > 1e-4 || apartLogits > 1e-3 {
		t.Errorf("%g apart in the classes' shares, %g in the logits", apart, apartLogits)
	}
}

// A small network of random weights must come out of PyTorch as it does here, on every machine that has PyTorch.
func TestInventedNetAgainstTorch(t *testing.T) {
	tensors := invented(rand.New(rand.NewPCG(3, 5)))
	net, err := newNet(tensors, 2)
	if err != nil {
		t.Fatal(err)
	}
	type shaped struct {
		Shape []int     `json:"shape"`
		Data  []float32 `json:"data"`
	}
	told := make(map[string]shaped)
	for name, x := range tensors {
		told[name] = shaped{x.shape, x.data}
	}
	crops := []*Crop{noise(1), noise(2)}
	question := map[string]any{"nets": []any{map[string]any{"tensors": told}}, "crops": [][]*Crop{crops}}
	var want [][]Logits
	python.Ask(t, "torch", reference, question, &want)
	t.Logf("PyTorch says %v", want[0])
	for i, crop := range crops {
		same(t, net.Run(crop), want[0][i])
	}
}

func same(t *testing.T, got, want Logits) {
	t.Helper()
	for c := range got {
		if math.Abs(float64(got[c]-want[c])) > 1e-4*max(1, math.Abs(float64(want[c]))) {
			t.Errorf("class %d: %g, PyTorch says %g", c, got[c], want[c])
		}
	}
}

// What PyTorch 1.13.1 said in the two tests above, for machines without it.
func TestInventedAsTorchSaid(t *testing.T) {
	net, err := newNet(invented(rand.New(rand.NewPCG(3, 5))), 2)
	if err != nil {
		t.Fatal(err)
	}
	same(t, net.Run(noise(1)), Logits{1.3887491, 8.877286, 8.515762})
	same(t, net.Run(noise(2)), Logits{-0.016100109, -3.568658, 0.3974468})
}

func TestPublishedAsTorchSaid(t *testing.T) {
	n, _ := nets(t)
	same(t, n.Near.Run(noise(1)), Logits{-2.6179903, 3.6493034, -1.0337167})
	same(t, n.Wide.Run(noise(1)), Logits{-1.0654082, 3.310315, -2.2464442})
}

func noise(seed uint64) *Crop {
	r := rand.New(rand.NewPCG(seed, 0))
	var c Crop
	for i := range c {
		c[i] = float32(r.IntN(256))
	}
	return &c
}

// invented returns the tensors of a network of few channels.
func invented(r *rand.Rand) map[string]tensor {
	tensors := make(map[string]tensor)
	add := func(name string, least, most float64, shape ...int) {
		x := tensor{shape, make([]float32, elements(shape))}
		for i := range x.data {
			x.data[i] = float32(least + (most-least)*r.Float64())
		}
		tensors[name] = x
	}
	norm := func(name string, n int) {
		add(name+".weight", 0.5, 1.5, n)
		add(name+".bias", -1, 1, n)
		add(name+".running_mean", -1, 1, n)
		add(name+".running_var", 0.5, 1.5, n)
	}
	conv := func(name string, prelu bool, shape ...int) {
		spread := math.Sqrt(3 / float64(elements(shape[1:]))) // keeps the size of what goes through
		add(name+".conv.weight", -spread, spread, shape...)
		norm(name+".bn", shape[0])
		if prelu {
			add(name+".prelu.weight", -0.2, 0.5, shape[0])
		}
	}
	block := func(name string, in, wide, out int, excited bool) {
		conv(name+".conv", true, wide, in, 1, 1)
		conv(name+".conv_dw", true, wide, 1, 3, 3)
		conv(name+".project", false, out, wide, 1, 1)
		if excited {
			add(name+".se_module.fc1.weight", -1, 1, 2, out, 1, 1)
			norm(name+".se_module.bn1", 2)
			add(name+".se_module.fc2.weight", -1, 1, out, 2, 1, 1)
			norm(name+".se_module.bn2", out)
		}
	}
	conv("conv1", true, 3, 3, 3, 3)
	conv("conv2_dw", true, 3, 1, 3, 3)
	block("conv_23", 3, 5, 4, false)
	block("conv_3.model.0", 4, 2, 4, false)
	block("conv_3.model.1", 4, 3, 4, true)
	block("conv_34", 4, 6, 5, false)
	block("conv_4.model.0", 5, 4, 5, true)
	block("conv_45", 5, 7, 4, false)
	block("conv_5.model.0", 4, 2, 4, false)
	conv("conv_6_sep", true, 9, 4, 1, 1)
	conv("conv_6_dw", false, 9, 1, 5, 5)
	add("linear.weight", -0.5, 0.5, 6, 9)
	norm("bn", 6)
	add("prob.weight", -0.5, 0.5, 3, 6)
	return tensors
}

// Many at once must say what one says alone.
func TestRunAtOnce(t *testing.T) {
	net, err := newNet(invented(rand.New(rand.NewPCG(3, 5))), 2)
	if err != nil {
		t.Fatal(err)
	}
	alone := []Logits{net.Run(noise(1)), net.Run(noise(2))}
	if alone[0] == alone[1] {
		t.Fatal("two crops have the same logits")
	}
	var all sync.WaitGroup
	for i := range 8 {
		all.Go(func() {
			for range 4 {
				if got := net.Run(noise(uint64(1 + i%2))); got != alone[i%2] {
					t.Errorf("crop %d: %v, alone %v", i%2, got, alone[i%2])
				}
			}
		})
	}
	all.Wait()
}

func TestLoadErrors(t *testing.T) {
	dir := t.TempDir()
	if _, err := Load(dir); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("of an empty directory: %v", err)
	}
	// A pickle that would have its reader fill the memory is not read at all: its sum is wrong.
	hostile := []byte("\x80\x02\x8e\xff\xff\xff\xff\xff\xff\xff\x7f")
	if err := os.WriteFile(filepath.Join(dir, models.FaceAndEdge), hostile, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Load(dir); !errors.Is(err, models.ErrMismatch) {
		t.Errorf("of other bytes: %v", err)
	}
}

func TestScoreOfNothing(t *testing.T) {
	net, err := newNet(invented(rand.New(rand.NewPCG(3, 5))), 2)
	if err != nil {
		t.Fatal(err)
	}
	both := &Nets{Near: net, Wide: net}
	still := image.NewNRGBA(image.Rect(0, 0, 40, 30))
	for _, test := range []struct {
		name  string
		still image.Image
		face  image.Rectangle
		err   error
	}{
		{"no face", still, image.Rectangle{}, ErrEmpty},
		{"no picture", new(image.NRGBA), image.Rect(0, 0, 5, 5), ErrEmpty},
		{"one pixel", image.NewNRGBA(image.Rect(7, 7, 8, 8)), image.Rect(0, 0, 5, 5), nil},
		{"a face far out of the picture", still, image.Rect(900, 900, 950, 950), nil},
		{"a face larger than the picture", still, image.Rect(-100, -100, 200, 200), nil},
	} {
		if _, err := both.Score(test.still, test.face); !errors.Is(err, test.err) {
			t.Errorf("%s: %v, want %v", test.name, err, test.err)
		}
	}
}

func BenchmarkScore(b *testing.B) {
	n, _ := nets(b)
	still := image.NewYCbCr(image.Rect(0, 0, 1280, 960), image.YCbCrSubsampleRatio420)
	r := rand.New(rand.NewPCG(1, 1))
	for i := range still.Y {
		still.Y[i] = uint8(r.IntN(256))
	}
	face := image.Rect(500, 300, 620, 460)
	for b.Loop() {
		if _, err := n.Score(still, face); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkRun(b *testing.B) {
	n, _ := nets(b)
	crop := noise(1)
	b.Run("near", func(b *testing.B) {
		for b.Loop() {
			n.Near.Run(crop)
		}
	})
	b.Run("wide", func(b *testing.B) {
		for b.Loop() {
			n.Wide.Run(crop)
		}
	})
}

func BenchmarkLoad(b *testing.B) {
	_, dir := nets(b)
	for b.Loop() {
		if _, err := Load(dir); err != nil {
			b.Fatal(err)
		}
	}
}
