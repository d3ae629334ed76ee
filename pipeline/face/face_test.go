package face

import (
	"bytes"
	"context"
	"errors"
	"image"
	"image/color"
	"image/jpeg"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"runtime"
	"slices"
	"sync"
	"testing"

	goface "github.com/Kagami/go-face"
	"github.com/disintegration/imaging"

	"lintel/internal/doorstep"
	"lintel/internal/house"
	"lintel/internal/supplies"
	"lintel/pipeline/match"
)

// Outside: dlib's example photographs and the boxes its author drew on them.
// That a box counts as found from an intersection over union of 0.5 is
// common practice since the PASCAL VOC challenge.
func TestLabelledPhotographs(t *testing.T) {
	f := open(t)
	photographs := labelled(t)
	labels, small, missed := 0, 0, 0
	for _, p := range photographs {
		faces := find(t, f, example(t, p.File))
		for _, b := range p.Boxes {
			labels++
			if b.Width < 40 {
				small++
			}
			if hit(faces, b.rectangle()) {
				continue
			}
			missed++
			if b.Width >= 40 {
				t.Errorf("%s: the face at %v, %d pixels wide, was not found", p.File, b.rectangle(), b.Width)
			} else {
				t.Logf("%s: the face at %v, below 40 pixels, was not found", p.File, b.rectangle())
			}
		}
	}
	t.Logf("%d labelled faces, %d of them below 40 pixels; %d missed", labels, small, missed)
	if labels != 43 { // counted in the two files
		t.Errorf("%d labelled faces were read, there are 43", labels)
	}
}

// Outside: dlib's example photograph of dogs, with no person on it.
func TestDogs(t *testing.T) {
	if faces := find(t, open(t), example(t, "dogs.jpg")); len(faces) != 0 {
		t.Errorf("%d faces found among dogs, the first at %v", len(faces), faces[0].Box)
	}
}

// Outside: dlib's dnn_face_recognition_ex.cpp says that there are 4 people on
// this photograph, and finds them by the same clustering.
func TestPeopleOnOnePhotograph(t *testing.T) {
	f := open(t)
	f.most = 48
	faces := find(t, f, example(t, "bald_guys.jpg"))
	bare, err := openBare(t).Find(readExample(t, "bald_guys.jpg"))
	if err != nil {
		t.Fatal(err)
	}
	missed := 0
	for _, b := range bare {
		if !hit(faces, b.Box) {
			missed++
			t.Logf("the face at %v was not found, a bare go-face call finds it", b.Box)
		}
	}
	if missed*10 > len(bare) {
		t.Errorf("%d of the %d faces were missed that a bare go-face call finds", missed, len(bare))
	}
	people := whisper(rand.New(rand.NewPCG(1, 1)), faces, 0.6)
	if got := len(slices.Compact(slices.Sorted(slices.Values(people)))); got != 4 {
		t.Errorf("the faces cluster into %d people, not 4: %v", got, people)
	}
	t.Logf("%d faces, %d by a bare call; people: %v", len(faces), len(bare), people)
}

// whisper clusters faces by the Chinese Whispers algorithm as dlib's
// chinese_whispers does: faces nearer than distance are neighbours, and each
// takes up, again and again and in random order, the label that most of its
// neighbours have.
func whisper(r *rand.Rand, faces []house.Face, distance float64) []int {
	labels := make([]int, len(faces))
	for i := range labels {
		labels[i] = i
	}
	for range 100 * len(faces) {
		i := r.IntN(len(faces))
		votes := make([]int, len(faces))
		for j := range faces {
			if match.Distance(&faces[i].Descriptor, &faces[j].Descriptor) < distance {
				votes[labels[j]]++
			}
		}
		labels[i] = slices.Index(votes, slices.Max(votes))
	}
	return labels
}

// Outside: a second go-face recognizer that gets the same bytes.
func TestSameDescriptorAsBareCall(t *testing.T) {
	f := open(t)
	overheard := listen(f)
	bare := openBare(t)
	compared := 0
	for _, name := range []string{"2008_002506.jpg", "2008_001322.jpg", "2009_004587.jpg", "2008_002470.jpg"} {
		overheard.crops = nil
		for _, face := range find(t, f, example(t, name)) {
			nearest := 1.0
			for _, crop := range overheard.crops {
				onCrop, err := bare.Find(crop)
				if err != nil {
					t.Fatal(err)
				}
				for _, b := range onCrop {
					nearest = min(nearest, match.Distance(&face.Descriptor, &b.Descriptor))
				}
			}
			compared++
			if nearest > 1e-5 {
				t.Errorf("%s: the descriptor of the face at %v is %g from that of a bare call on the same crop", name, face.Box,
					nearest)
			}
		}
	}
	if compared < 10 {
		t.Errorf("only %d faces were compared", compared)
	}
}

// wholeStill is the most that the descriptor may change because go-face got a
// crop of about 110 pixels a face, and not the still: less than half of 0.45,
// the distance below which two stills are taken for the same person's.
// MEASUREMENTS.md has the distances measured.
const wholeStill = 0.2

// Outside: one go-face call on the whole still, of people of the Face Research
// Lab London Set.
func TestDescriptorNearThatOfTheWholeStill(t *testing.T) {
	f, bare := open(t), openBare(t)
	var distances []float64
	for _, name := range portraits(t)[:wholeStills] {
		raw, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		ours, err := findIn(f, raw)
		if err != nil || len(ours) != 1 {
			t.Fatalf("%s: %d faces, %v", name, len(ours), err)
		}
		theirs, err := bare.Find(raw)
		if err != nil || len(theirs) != 1 {
			t.Fatalf("%s: a bare call gives %d faces, %v", name, len(theirs), err)
		}
		if got := iou(ours[0].Box, theirs[0].Box); got < 0.5 {
			t.Errorf("%s: boxes %v and %v: intersection over union is %.2f", name, ours[0].Box, theirs[0].Box, got)
		}
		for i, p := range ours[0].Landmarks {
			if q := theirs[0].Landmarks[i]; max(p.X-q.X, q.X-p.X, p.Y-q.Y, q.Y-p.Y) > 0.05*float64(ours[0].Width()) {
				t.Errorf("%s: landmark %d is at %v, by a bare call at %v", name, i, p, q)
			}
		}
		d := match.Distance(&ours[0].Descriptor, &theirs[0].Descriptor)
		if d > wholeStill {
			t.Errorf("%s: the descriptor is %.3f from that of the whole still", name, d)
		}
		distances = append(distances, d)
	}
	slices.Sort(distances)
	t.Logf("distances of %d stills: median %.3f, most %.3f", len(distances), distances[len(distances)/2],
		distances[len(distances)-1])
}

// Outside: people of the Face Research Lab London Set, real faces, each at a
// place and of a width that is known, before an empty house. The bar, 95 of
// 100, is Lintel's own.
func TestSmallFaces(t *testing.T) {
	f := open(t)
	r := rand.New(rand.NewPCG(1, 1))
	porches := []image.Image{porch(doorstep.Front).Image, porch(doorstep.Garden).Image}
	found, all := 0, portraits(t)[:smallFaces]
	for i, name := range all {
		photo, err := imaging.Open(name)
		if err != nil {
			t.Fatal(err)
		}
		whole := find(t, f, photo)
		if len(whole) != 1 {
			t.Fatalf("%s: %d faces", name, len(whole))
		}
		raw, box := onAStill(t, r, porches[i%len(porches)], photo, whole[0].Box, 40)
		faces, err := findIn(f, raw)
		if err != nil {
			t.Fatal(err)
		}
		if hit(faces, box) {
			found++
		}
	}
	t.Logf("%d of %d faces of 40 pixels found", found, len(all))
	if found*100 < 95*len(all) {
		t.Errorf("%d of %d faces of 40 pixels found", found, len(all))
	}
}

// Outside: the boxes of go-face and the squares of pigo, two libraries that
// know nothing of each other, on dlib's example photographs.
func TestBoxRatio(t *testing.T) {
	f := open(t)
	var ratios []float64
	for _, p := range labelled(t) {
		still := example(t, p.File)
		f.planes.of(still)
		places := slices.Concat(f.here.search(f.planes.halved, largeClose),
			f.here.search(f.planes.reduced, mediumClose), f.here.search(f.planes.reduced, smallClose))
		for _, b := range p.Boxes {
			var at proposal // the likeliest there
			for _, p := range places {
				if p.score > at.score && image.Pt(p.x, p.y).In(b.rectangle()) {
					at = p
				}
			}
			if at.side == 0 {
				continue
			}
			faces, err := f.look(still, at)
			if err != nil {
				t.Fatal(err)
			}
			for _, face := range faces {
				if iou(face.Box, b.rectangle()) >= 0.5 {
					ratios = append(ratios, float64(face.Width())/float64(at.side))
				}
			}
		}
	}
	if len(ratios) < 30 {
		t.Fatalf("only %d faces to compare", len(ratios))
	}
	slices.Sort(ratios)
	n := len(ratios)
	t.Logf("box over square of %d faces: median %.3f, quartiles %.3f and %.3f", n, ratios[n/2], ratios[n/4],
		ratios[n*3/4])
	if median := ratios[n/2]; median < boxRatio-0.05 || median > boxRatio+0.05 {
		t.Errorf("the median of box over square is %.3f, boxRatio %.2f", median, boxRatio)
	}
}

// Where a still lies in a larger picture must not matter: a part of a picture
// whose bounds begin elsewhere has the same faces at the same places.
func TestPartOfPicture(t *testing.T) {
	f := open(t)
	photo := example(t, "2008_002506.jpg").(*image.YCbCr)
	part := image.Rect(80, 40, 480, 300) // even, so that the chroma is the same
	grey := image.NewGray(photo.Rect)
	for y := range photo.Rect.Dy() {
		copy(grey.Pix[y*grey.Stride:], photo.Y[y*photo.YStride:][:photo.Rect.Dx()])
	}
	nrgba := imaging.Clone(photo)
	shifted := *nrgba
	shifted.Rect = nrgba.Rect.Sub(image.Pt(1000, 77))
	for _, test := range []struct {
		name        string
		part, moved image.Image
	}{
		{"YCbCr", anew(photo.SubImage(part)), photo.SubImage(part)},
		{"grey", anew(grey.SubImage(part)), grey.SubImage(part)},
		{"NRGBA", anew(nrgba.SubImage(part)), nrgba.SubImage(part)},
		{"negative", nrgba, &shifted},
	} {
		want, got := find(t, f, test.part), find(t, f, test.moved)
		if len(want) != 3 {
			t.Errorf("%s: %d faces, the photograph has 3", test.name, len(want))
		}
		if !reflect.DeepEqual(want, got) {
			t.Errorf("%s: faces at %v, but %v on the part of a larger picture", test.name, boxes(want), boxes(got))
		}
	}
}

func TestStillsWithoutRoomForAFace(t *testing.T) {
	f := open(t)
	for _, size := range []image.Point{{}, {1, 1}, {0, 100}, {2, 5000}, {5000, 2}, {19, 19}, {20, 20}, {40, 41},
		{60000, 3}, {721, 1}, {1441, 90}} {
		rect := image.Rectangle{Max: size}
		noise := image.NewGray(rect)
		r := rand.New(rand.NewPCG(2, 2))
		for i := range noise.Pix {
			noise.Pix[i] = uint8(r.Uint32())
		}
		for _, still := range []image.Image{noise, image.NewYCbCr(rect, image.YCbCrSubsampleRatio420),
			image.NewNRGBA(rect)} {
			if faces := find(t, f, still); len(faces) != 0 {
				t.Errorf("%v %T: %d faces found", size, still, len(faces))
			}
		}
	}
}

// What Find allocates, beyond the memory that it owns, is for the crops: a
// picture of at most maxCrop a side and another as high as the part of the
// still that it was drawn from, four bytes a pixel, and what little the rest
// takes.
func TestAllocation(t *testing.T) {
	f := open(t)
	overheard := listen(f)
	for _, width := range []int{0, 40, 140, 300} {
		raw, _ := visitor(width, 0, 1)
		still, err := jpeg.Decode(bytes.NewReader(raw))
		if err != nil {
			t.Fatal(err)
		}
		overheard.crops = nil
		find(t, f, still) // takes up the memory that the next use again
		crops := len(overheard.crops)
		const times = 5
		var before, after runtime.MemStats
		overheard.deaf = true
		runtime.ReadMemStats(&before)
		for range times {
			find(t, f, still)
		}
		runtime.ReadMemStats(&after)
		overheard.deaf = false
		got := (after.TotalAlloc - before.TotalAlloc) / times
		bound := uint64(100<<10 + crops*4*maxCrop*(maxCrop+doorstep.Height))
		t.Logf("a face of %d pixels: %d crops, %d kB", width, crops, got>>10)
		if got > bound {
			t.Errorf("a face of %d pixels: %d bytes for %d crops, more than %d", width, got, crops, bound)
		}
	}
}

func TestContext(t *testing.T) {
	f := open(t)
	ctx, cancel := context.WithCancel(t.Context())
	overheard := listen(f)
	overheard.before = cancel // with the first crop
	still := imaging.Resize(example(t, "2008_002506.jpg"), 1000, 0, imaging.Linear)
	for _, when := range []string{"while a face is looked at", "before"} {
		faces, err := f.Find(ctx, still)
		if !errors.Is(err, context.Canceled) || faces != nil {
			t.Errorf("ended %s: %d faces, error %v", when, len(faces), err)
		}
	}
	if len(overheard.crops) != 1 {
		t.Errorf("%d crops were looked at, 1 before the end", len(overheard.crops))
	}
	if _, err := f.Find(ctx, imaging.New(doorstep.Width, doorstep.Height, color.Gray{90})); !errors.Is(err, context.Canceled) {
		t.Errorf("a still with nothing to look at: error %v", err)
	}
	f.here, f.beside = nil, nil // what still searched now would panic, and the race detector see it
}

func TestDetectorFails(t *testing.T) {
	f := open(t)
	broken := errors.New("broken")
	listen(f).err = broken
	faces, err := f.Find(t.Context(), example(t, "2008_002506.jpg"))
	if !errors.Is(err, broken) || faces != nil {
		t.Errorf("%d faces, error %v", len(faces), err)
	}
	f.here, f.beside = nil, nil
}

func TestOpenWithoutModels(t *testing.T) {
	models := supplies.NeedModels(t)
	for _, test := range []struct{ name, leaveOut, breakUp string }{
		{name: "empty folder"},
		{name: "no cascade", leaveOut: "facefinder"},
		{name: "broken cascade", breakUp: "facefinder"},
		{name: "no landmarks", leaveOut: "shape_predictor_5_face_landmarks.dat"},
		{name: "broken landmarks", breakUp: "shape_predictor_5_face_landmarks.dat"},
	} {
		dir := t.TempDir()
		names, err := filepath.Glob(filepath.Join(models, "*"))
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range names {
			at := filepath.Join(dir, filepath.Base(name))
			switch base := filepath.Base(name); {
			case test.leaveOut == "" && test.breakUp == "", base == test.leaveOut:
			case base == test.breakUp:
				err = os.WriteFile(at, []byte("not a model, but longer than a header"), 0o600)
			default:
				err = os.Symlink(name, at)
			}
			if err != nil {
				t.Fatal(err)
			}
		}
		f, err := Open(dir)
		if !errors.Is(err, ErrModels) {
			t.Errorf("%s: error %v, want ErrModels", test.name, err)
		}
		if f != nil {
			f.Close()
		}
	}
}

// Two Finders at once find what each finds alone.
func TestFindersBeside(t *testing.T) {
	names := []string{"2008_002506.jpg", "2008_001322.jpg", "2009_004587.jpg"}
	alone := open(t)
	var want [][]house.Face
	for _, name := range names {
		want = append(want, find(t, alone, example(t, name)))
	}
	var beside sync.WaitGroup
	for _, f := range []*Finder{alone, open(t)} {
		beside.Go(func() {
			for i, name := range names {
				got, err := f.Find(t.Context(), example(t, name))
				if err != nil || !reflect.DeepEqual(got, want[i]) {
					t.Errorf("%s: faces at %v, alone at %v, error %v", name, boxes(got), boxes(want[i]), err)
				}
			}
		})
	}
	beside.Wait()
}

// eavesdropper notes what go-face is asked.
type eavesdropper struct {
	detector
	crops  [][]byte
	deaf   bool   // crops are not noted
	before func() // called before go-face is, if not nil
	err    error  // returned instead of go-face's answer, if not nil
}

// listen puts an eavesdropper between a Finder and its detector.
func listen(f *Finder) *eavesdropper {
	e := &eavesdropper{detector: f.detector}
	f.detector = e
	return e
}

func (e *eavesdropper) Recognize(crop []byte) ([]goface.Face, error) {
	if !e.deaf {
		e.crops = append(e.crops, slices.Clone(crop))
	}
	if e.before != nil {
		e.before()
	}
	if e.err != nil {
		return nil, e.err
	}
	return e.detector.Recognize(crop)
}
