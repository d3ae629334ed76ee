package small

import (
	"bytes"
	"cmp"
	"flag"
	"fmt"
	"image"
	"image/jpeg"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/disintegration/imaging"

	"lintel/internal/doorstep"
	"lintel/internal/house"
	"lintel/internal/python"
	"lintel/pipeline/redact"
)

var qualities = flag.Bool("qualities", false, "measure pictures of every quality, for MEASUREMENTS.md")

// A judged is a picture and what scikit-image says of it: its structural similarity
// (Z. Wang and others, 2004) to the same part of the still, made as large by Pillow.
type judged struct {
	Still  string // path
	Square [4]int // the part of the still
	JPEG   []byte
	kind   string
	q      int
}

const judge = `
import base64, io, json, sys, numpy
from PIL import Image
from skimage.metrics import structural_similarity
answers = []
for q in json.load(sys.stdin):
    ours = Image.open(io.BytesIO(base64.b64decode(q["JPEG"]))).convert("RGB")
    still = Image.open(q["Still"]).convert("RGB").crop(q["Square"]).resize(ours.size, Image.LANCZOS)
    answers.append(structural_similarity(numpy.asarray(still), numpy.asarray(ours), channel_axis=2))
json.dump(answers, sys.stdout)
`

// TestAgainstPillow compares the pictures with what Pillow makes of the same parts of
// the still, by scikit-image's structural similarity. The bounds are a little below
// what was measured (MEASUREMENTS.md).
func TestAgainstPillow(t *testing.T) {
	python.With(t, "skimage")
	var all []judged
	for i, s := range doorsteps(t, 6) {
		path := filepath.Join(t.TempDir(), fmt.Sprintf("%d.jpg", i))
		if err := imaging.Save(s.image, path, imaging.JPEGQuality(100)); err != nil {
			t.Fatal(err)
		}
		for _, j := range s.pictures(t) {
			j.Still = path
			all = append(all, j)
		}
	}
	var alike []float64
	python.Ask(t, "skimage", judge, all, &alike)
	type kind struct {
		name string
		q    int
	}
	sums, bytes, counts := make(map[kind]float64), make(map[kind]int), make(map[kind]int)
	for i, j := range all {
		k := kind{j.kind, j.q}
		sums[k], bytes[k], counts[k] = sums[k]+alike[i], bytes[k]+len(j.JPEG), counts[k]+1
		if j.q == Quality && alike[i] < .9 {
			t.Errorf("%s: similarity %.3f", j.kind, alike[i])
		}
	}
	for k := range counts {
		t.Logf("%s, quality %d: similarity %.3f, %d bytes", k.name, k.q, sums[k]/float64(counts[k]), bytes[k]/counts[k])
	}
}

// A seen is a still, as it is decoded, and the face on it.
type seen struct {
	image image.Image
	face  image.Rectangle
}

// doorsteps draws stills of visitors from near to far, at all hours, as a bell sends them.
func doorsteps(t testing.TB, n int) (stills []seen) {
	t.Helper()
	for i := range n {
		drawn := doorstep.Scene{At: time.Date(2031, 6, 17, 6+3*i, 0, 0, 0, time.UTC), Seed: uint64(i),
			Visitors: []doorstep.Visitor{{Who: doorstep.People[i%len(doorstep.People)], Distance: 0.4 + 0.3*float64(i)}}}.Still()
		still, err := jpeg.Decode(bytes.NewReader(drawn.JPEG(85)))
		if err != nil {
			t.Fatal(err)
		}
		stills = append(stills, seen{still, drawn.Truth[0].Box})
	}
	return stills
}

// pictures makes those of a still at [Quality] and, if the flag is set, others.
func (s seen) pictures(t *testing.T) (all []judged) {
	t.Helper()
	made, err := Make(s.image, []house.Face{{ID: "F", Box: s.face}})
	if err != nil {
		t.Fatal(err)
	}
	for name, data := range made {
		part := s.image.Bounds()
		if strings.HasPrefix(name, "face") {
			part = Square(part, s.face)
		}
		j := judged{Square: [4]int{part.Min.X, part.Min.Y, part.Max.X, part.Max.Y}, JPEG: data, kind: name, q: Quality}
		all = append(all, j)
		if !*qualities {
			continue
		}
		before, err := jpeg.DecodeConfig(bytes.NewReader(data))
		if err != nil {
			t.Fatal(err)
		}
		for _, j.q = range []int{60, 70, 75, 85, 90} {
			reduced := redact.Reduced(imaging.Crop(s.image, part), before.Width, before.Height, isGrey(s.image), filter)
			if j.JPEG, err = redact.EncodeAt(reduced, j.q); err != nil {
				t.Fatal(err)
			}
			all = append(all, j)
		}
	}
	slices.SortFunc(all, func(a, b judged) int { return cmp.Compare(a.kind, b.kind) })
	return all
}
