// Package photographs looks for signs of a picture on photographs of real
// people, read where they are. It holds tests alone, so that those of package
// liveness need neither models nor C libraries.
package photographs

import (
	"bytes"
	"image"
	"image/color"
	"image/jpeg"
	"math/bits"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/disintegration/imaging"

	"lintel/internal/house"
	"lintel/internal/supplies"
	"lintel/pipeline/face"
	"lintel/pipeline/liveness"
	"lintel/pipeline/liveness/fasnet"
	"lintel/pipeline/match"
)

// A portrait is of one person, whose folder it is in.
type portrait struct {
	person, name string
	image        image.Image
	face         house.Face
}

// portraits reads the 136 portraits of the Face Research Lab London Set that are
// beside the project, every step-th person's. Nothing of package liveness was
// fitted to them.
func portraits(t testing.TB, step int) (all []portrait) {
	t.Helper()
	if race {
		t.Skip("SKIPPED: too slow with the race detector; runs without")
	}
	dir, ok := supplies.Faces()
	if !ok {
		t.Skip("SKIPPED: no photographs; LINTEL_FACES names the folder that holds pairs/<id>/*.jpg")
	}
	finder, err := face.Open(supplies.NeedModels(t))
	if err != nil {
		t.Fatal(err)
	}
	defer finder.Close()
	persons, err := filepath.Glob(filepath.Join(dir, "pairs", "*"))
	if err != nil || len(persons) == 0 {
		t.Fatalf("%d persons, %v", len(persons), err)
	}
	for i := 0; i < len(persons); i += step {
		for _, name := range []string{"neutral.jpg", "smiling.jpg"} {
			img, err := imaging.Open(filepath.Join(persons[i], name))
			if err != nil {
				t.Fatal(err)
			}
			if f, ok := only(t, finder, img); ok {
				all = append(all, portrait{filepath.Base(persons[i]), name, img, f})
			}
		}
	}
	return all
}

func only(t testing.TB, finder *face.Finder, img image.Image) (f house.Face, ok bool) {
	t.Helper()
	faces, err := finder.Find(t.Context(), img)
	if err != nil {
		t.Fatal(err)
	}
	if len(faces) != 1 {
		return f, false
	}
	faces[0].ImageHash = liveness.LookOf(img, faces[0])
	return faces[0], true
}

func nets(t testing.TB) *fasnet.Nets {
	t.Helper()
	dir := os.Getenv("LINTEL_NETS")
	if dir == "" {
		dir = supplies.NeedModels(t)
	}
	n, err := fasnet.Load(dir)
	if err != nil {
		t.Skipf("SKIPPED: the networks' files are not here: %v", err)
	}
	return n
}

// TestPersonsAreNoPictures: whoever stands there in person is taken for a
// picture on at most 5 of 100 stills (BPCER as ISO/IEC 30107-3 defines it).
func TestPersonsAreNoPictures(t *testing.T) {
	signs := liveness.New(nets(t))
	doubted := match.Rate{}
	for _, p := range portraits(t, 1) {
		faces := []house.Face{p.face}
		signs.Examine(p.image, faces)
		doubted.N++
		if l := faces[0].Liveness; l.Level != house.NoSign {
			doubted.Errors++
			t.Logf("%s/%s: %s, %.3f", p.person, p.name, l.Level, l.Probability)
		}
	}
	t.Logf("%d of %d persons were taken for pictures, %s", doubted.Errors, doubted.N, doubted.IntervalString())
	if doubted.N < 100 || doubted.Value() > 0.05 {
		t.Errorf("%d of %d persons were taken for pictures", doubted.Errors, doubted.N)
	}
}

// TestCopiesAreKnown: a still that was there before is known again, packed anew
// or made smaller, and another picture of the same person is not taken for a
// copy.
func TestCopiesAreKnown(t *testing.T) {
	all := portraits(t, 4)
	finder, err := face.Open(supplies.NeedModels(t))
	if err != nil {
		t.Fatal(err)
	}
	defer finder.Close()
	began := time.Date(2031, 5, 6, 7, 8, 9, 0, time.UTC)
	repeats := func(f, earlier house.Face) bool {
		f.Liveness = &house.Liveness{}
		liveness.Repeats(&f, []house.NearDuplicate{{Face: earlier, Visit: "before", At: began}}, began.Add(time.Hour))
		_, found := f.Liveness.Finding(liveness.Repeat)
		return found
	}
	var copies, known, others int
	for i, p := range all {
		for _, o := range all[i+1:] {
			if o.person == p.person {
				others++
				if repeats(o.face, p.face) {
					t.Errorf("%s: smiling is taken for a copy of not smiling", p.person)
				}
				t.Logf("%s: another picture differs in %d bits and is %.3f apart", p.person,
					bits.OnesCount64(uint64(o.face.ImageHash^p.face.ImageHash)),
					match.Distance(&o.face.Descriptor, &p.face.Descriptor))
			}
		}
		for _, way := range []struct{ width, quality int }{{700, 85}, {700, 60}, {550, 75}} {
			var packed bytes.Buffer
			if err := jpeg.Encode(&packed, imaging.Resize(p.image, way.width, 0, imaging.Lanczos),
				&jpeg.Options{Quality: way.quality}); err != nil {
				t.Fatal(err)
			}
			img, err := jpeg.Decode(&packed)
			if err != nil {
				t.Fatal(err)
			}
			if again, ok := only(t, finder, img); ok {
				copies++
				if repeats(again, p.face) {
					known++
				}
				t.Logf("copy %d at %d: %d bits and %.3f apart", way.width, way.quality,
					bits.OnesCount64(uint64(again.ImageHash^p.face.ImageHash)),
					match.Distance(&again.Descriptor, &p.face.Descriptor))
			}
		}
	}
	t.Logf("%d of %d copies were known; %d other pictures of the same persons", known, copies, others)
	if known*10 < copies*8 || copies < 50 || others < 15 {
		t.Errorf("%d of %d copies were known, %d others", known, copies, others)
	}
}

// BenchmarkExamine looks for all signs of one still, 1280 by 1024 pixels with
// one face, with the networks and without.
func BenchmarkExamine(b *testing.B) {
	p := portraits(b, 68)[0]
	still := image.NewYCbCr(image.Rect(0, 0, 1280, 1024), image.YCbCrSubsampleRatio420)
	at := image.Pt(290, 162)
	for y := range 1024 {
		for x := range 1280 {
			r, g, bl, _ := p.image.At(min(max(x-at.X, 0), 699), min(max(y-at.Y, 0), 699)).RGBA()
			yy, cb, cr := color.RGBToYCbCr(uint8(r>>8), uint8(g>>8), uint8(bl>>8))
			c := still.COffset(x, y)
			still.Y[still.YOffset(x, y)], still.Cb[c], still.Cr[c] = yy, cb, cr
		}
	}
	f := p.face
	f.Box = f.Box.Add(at)
	f.Landmarks = slices.Clone(f.Landmarks)
	for i := range f.Landmarks {
		f.Landmarks[i].X += float64(at.X)
		f.Landmarks[i].Y += float64(at.Y)
	}
	for name, signs := range map[string]*liveness.Examiner{"networks": liveness.New(nets(b)),
		"alone": liveness.New(nil)} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				signs.Examine(still, []house.Face{f})
			}
		})
	}
}
