package face

import (
	"errors"
	"image"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"

	pigo "github.com/esimov/pigo/core"

	"lintel/internal/supplies"
)

// Outside: package pigo's own scan with the same file. The squares are the
// same, in the same order, with the same scores to the last bit.
func TestSquaresAgainstPigo(t *testing.T) {
	sc, reference := openCascade(t)
	searches := []search{largeFirst, largeSecond, smallFirst, largeClose, mediumClose, smallClose,
		{min: 9, max: 40, step: 0.06, growth: 1.07}}
	var drawn planes
	squares := 0
	for _, p := range labelled(t)[:photographsAgainstPigo] {
		drawn.of(example(t, p.File))
		for _, plane := range []plane{drawn.coarse, drawn.fine} {
			for _, part := range []image.Rectangle{image.Rect(0, 0, plane.w, plane.h),
				image.Rect(31, 17, plane.w-50, plane.h-3)} {
				for _, s := range searches {
					s.max = min(s.max, part.Dx(), part.Dy())
					pixels := plane.pix[part.Min.Y*plane.w+part.Min.X:]
					got := sc.squares(pixels, part.Dx(), part.Dy(), plane.w, s)
					want := reference.RunCascade(pigo.CascadeParams{
						MinSize: s.min, MaxSize: s.max, ShiftFactor: s.step, ScaleFactor: s.growth,
						ImageParams: pigo.ImageParams{Pixels: pixels, Rows: part.Dy(), Cols: part.Dx(), Dim: plane.w},
					}, 0)
					if !slices.Equal(got, want) {
						t.Fatalf("%s, %v of a plane of %dx%d, %+v: %d squares, pigo finds %d", p.File, part, plane.w, plane.h, s,
							len(got), len(want))
					}
					squares += len(got)
				}
			}
		}
	}
	if squares < 500 {
		t.Errorf("only %d squares to compare", squares)
	}
	t.Logf("%d squares", squares)
}

// Outside: package pigo, on noise of all sizes, where the scan has a border and
// little else.
func TestSquaresOfSmallPlanes(t *testing.T) {
	sc, reference := openCascade(t)
	r := rand.New(rand.NewPCG(3, 4))
	for range 300 {
		w, h := r.IntN(50), r.IntN(50)
		pixels := make([]uint8, w*h)
		for i := range pixels {
			pixels[i] = uint8(r.Uint32() >> r.IntN(8))
		}
		s := search{min: 1 + r.IntN(12), max: min(w, h), step: 0.2 * r.Float64(), growth: 1 + 0.3*r.Float64()}
		got := sc.squares(pixels, w, h, w, s)
		want := reference.RunCascade(pigo.CascadeParams{
			MinSize: s.min, MaxSize: s.max, ShiftFactor: s.step, ScaleFactor: s.growth,
			ImageParams: pigo.ImageParams{Pixels: pixels, Rows: h, Cols: w, Dim: w},
		}, 0)
		if !slices.Equal(got, want) {
			t.Fatalf("a plane of %dx%d, %+v: squares %v, pigo finds %v", w, h, s, got, want)
		}
	}
}

func TestParseCascadeErrors(t *testing.T) {
	raw := readCascade(t)
	deeper := slices.Clone(raw)
	deeper[8]++
	none := slices.Clone(raw)
	clear(none[12:16])
	many := slices.Clone(raw)
	copy(many[12:], "\xff\xff\xff\xff")
	for name, broken := range map[string][]byte{
		"empty": nil, "a header's part": raw[:15], "a header": raw[:16], "cut": raw[:len(raw)-1],
		"deeper trees": deeper, "no tree": none, "too many trees": many,
	} {
		if _, err := parseCascade(broken); !errors.Is(err, errCascade) {
			t.Errorf("%s: error %v, want %v", name, err, errCascade)
		}
	}
}

// FuzzCascade checks that whatever file is taken can be run: no comparison
// reaches beyond the plane.
func FuzzCascade(f *testing.F) {
	raw := readCascade(f)
	two := slices.Clone(raw[:16+2*512])
	copy(two[12:], "\x02\x00\x00\x00")
	f.Add(two)
	f.Add(raw[:16])
	f.Add([]byte{})
	pixels := make([]uint8, 70*60)
	r := rand.New(rand.NewPCG(5, 6))
	for i := range pixels {
		pixels[i] = uint8(r.Uint32())
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		c, err := parseCascade(raw)
		if err != nil {
			if !errors.Is(err, errCascade) {
				t.Error(err)
			}
			return
		}
		newScanner(c).squares(pixels, 70, 60, 70, search{min: 1, max: 60, step: 0.1, growth: 1.2})
	})
}

func openCascade(t *testing.T) (*scanner, *pigo.Pigo) {
	t.Helper()
	raw := readCascade(t)
	c, err := parseCascade(raw)
	if err != nil {
		t.Fatal(err)
	}
	reference, err := pigo.NewPigo().Unpack(raw)
	if err != nil {
		t.Fatal(err)
	}
	return newScanner(c), reference
}

func readCascade(t testing.TB) []byte {
	t.Helper()
	raw, err := os.ReadFile(filepath.Join(supplies.NeedModels(t), "facefinder"))
	if err != nil {
		t.Fatal(err)
	}
	return raw
}
