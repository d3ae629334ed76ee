// Package recognise tries to find and recognise, with the models that Lintel
// goes by, faces that package redact has taken out. It holds tests alone, so
// that those of package redact need neither models nor C libraries.
package recognise

import (
	"bytes"
	"image"
	"image/jpeg"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/disintegration/imaging"

	"lintel/internal/doorstep"
	"lintel/internal/house"
	"lintel/internal/supplies"
	"lintel/pipeline/face"
	"lintel/pipeline/match"
	"lintel/pipeline/redact"
)

// same is dlib's own bar: two descriptors nearer than this are one person's
// (dnn_face_recognition_ex.cpp).
const same = 0.6

func open(t *testing.T) *face.Finder {
	t.Helper()
	if race {
		t.Skip("SKIPPED: too slow with the race detector; runs without")
	}
	f, err := face.Open(supplies.NeedModels(t))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	return f
}

func find(t *testing.T, f *face.Finder, still []byte) []house.Face {
	t.Helper()
	m, err := jpeg.Decode(bytes.NewReader(still))
	if err != nil {
		t.Fatal(err)
	}
	faces, err := f.Find(t.Context(), m)
	if err != nil {
		t.Fatal(err)
	}
	return faces
}

// bare is the detector without the search for places that package face puts
// before it: it may find a face that this passes over.
func bare(t *testing.T) *face.Bare {
	t.Helper()
	b, err := face.OpenBare(supplies.NeedModels(t))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { b.Close() })
	return b
}

// at returns the face of a box, or one that lies mostly within it.
func at(faces []house.Face, box image.Rectangle) (house.Face, bool) {
	i := slices.IndexFunc(faces, func(f house.Face) bool {
		both := f.Box.Intersect(box)
		return 2*both.Dx()*both.Dy() >= min(f.Box.Dx()*f.Box.Dy(), box.Dx()*box.Dy())
	})
	if i < 0 {
		return house.Face{}, false
	}
	return faces[i], true
}

// Outside: dlib's example photographs of several people, and its detector and
// network, with Lintel's search for places and without. On each photograph, all
// but one are blurred in turn, as in an export: that one is recognised as before,
// and none of the others is.
func TestOthersInAnExport(t *testing.T) {
	f, bare := open(t), bare(t)
	names, err := filepath.Glob(filepath.Join(supplies.NeedModels(t), "examples", "2*.jpg"))
	if err != nil {
		t.Fatal(err)
	}
	if len(names) == 0 {
		t.Skip("SKIPPED: dlib's example photographs are missing, so nothing was blurred on them; `make test` fetches them")
	}
	var seen blurrings
	for _, name := range names {
		still, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		faces := find(t, f, still)
		for i, one := range faces {
			if others := slices.Delete(slices.Clone(faces), i, i+1); len(others) > 0 {
				seen.blur(t, f, bare, filepath.Base(name), still, one, others)
			}
		}
	}
	t.Logf("%d faces blurred; of %d others all but %d recognised, which were too close", seen.hidden,
		seen.left+seen.tooClose, seen.tooClose)
	if seen.hidden < 50 || seen.left < 10 {
		t.Errorf("only %d blurred faces and %d others: too few to show anything", seen.hidden, seen.left)
	}
}

// blurrings count what became of faces.
type blurrings struct{ hidden, left, tooClose int }

// blur blurs all faces of a still but one, and looks for each again.
func (n *blurrings) blur(t *testing.T, f *face.Finder, bare *face.Bare, name string, still []byte,
	one house.Face, others []house.Face) {
	t.Helper()
	var boxes []image.Rectangle
	for _, other := range others {
		boxes = append(boxes, other.Box)
	}
	blurred, err := redact.Blur(still, boxes)
	if err != nil {
		t.Fatal(err)
	}
	hidden, err := redact.Hidden(still, boxes)
	if err != nil {
		t.Fatal(err)
	}
	passed, err := bare.Find(blurred)
	if err != nil {
		t.Fatal(err)
	}
	after := append(find(t, f, blurred), passed...)
	for _, other := range others {
		n.hidden++
		if found, ok := at(after, other.Box); ok {
			t.Errorf("%s: there is still a face at %v, %.2f from the one that was blurred", name, other.Box,
				match.Distance(&found.Descriptor, &other.Descriptor))
		}
	}
	for _, found := range after {
		if _, ok := at([]house.Face{found}, one.Box); ok {
			continue
		}
		for _, other := range others {
			if d := match.Distance(&found.Descriptor, &other.Descriptor); d < same {
				t.Errorf("%s: the face at %v is %.2f from one that was blurred", name, found.Box, d)
			}
		}
	}
	found, ok := at(after, one.Box)
	switch {
	case ok && match.Distance(&found.Descriptor, &one.Descriptor) < same:
		n.left++
	case slices.ContainsFunc(hidden, func(r image.Rectangle) bool { return r.Inset(-redact.Reach).Overlaps(one.Box) }):
		n.tooClose++ // cheek by cheek: the other's margin goes over it
	default:
		t.Errorf("%s: the face at %v, not blurred, is not recognised: found %v", name, one.Box, ok)
	}
}

// Outside: photographs of the Face Research Lab London Set, each made as large as
// its face has to be, and dlib's detector and network. Each face is found before.
func TestBlurredFacesAreNotFound(t *testing.T) {
	f := open(t)
	dir, ok := supplies.Faces()
	if !ok {
		t.Skipf("SKIPPED: no photographs in %s, so no real face was blurred; LINTEL_FACES names their folder",
			filepath.Join(dir, "pairs"))
	}
	names, err := filepath.Glob(filepath.Join(dir, "pairs", "*", "neutral.jpg"))
	if err != nil || len(names) < 8 {
		t.Fatalf("%d photographs, %v", len(names), err)
	}
	porch := doorstep.Scene{At: time.Date(2031, 6, 17, 12, 0, 0, 0, time.UTC), Seed: 7}.Still().Image
	for _, width := range []int{40, 100, 300, 600} {
		found := 0
		for _, name := range names[:8] {
			photo, err := imaging.Open(name)
			if err != nil {
				t.Fatal(err)
			}
			// On these photographs of 700 pixels a face is about 300 wide.
			still, err := redact.Encode(imaging.OverlayCenter(porch, imaging.Resize(photo, 700*width/300, 0, imaging.Lanczos),
				1))
			if err != nil {
				t.Fatal(err)
			}
			seen := find(t, f, still)
			if len(seen) != 1 {
				continue
			}
			found++
			before := seen[0]
			blurred, err := redact.Blur(still, []image.Rectangle{before.Box})
			if err != nil {
				t.Fatal(err)
			}
			for _, after := range find(t, f, blurred) {
				if d := match.Distance(&before.Descriptor, &after.Descriptor); d < same || after.Box.Overlaps(before.Box) {
					t.Errorf("%d pixels: a face at %v, %.2f from the one that was blurred", width, after.Box, d)
				}
			}
		}
		t.Logf("%d pixels: %d of %d faces found before, and blurred", width, found, 8)
		if found < 4 {
			t.Errorf("%d pixels: only %d of %d faces found before", width, found, 8)
		}
	}
}
