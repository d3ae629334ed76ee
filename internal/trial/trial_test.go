package trial

import (
	"context"
	"errors"
	"image"
	"image/jpeg"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"lintel/internal/house"
	"lintel/pipeline/liveness"
	"lintel/pipeline/match"
)

// folder lays out rings: the name of each file, and how bright it is.
func folder(t *testing.T, files map[string]uint8) string {
	t.Helper()
	dir := t.TempDir()
	for name, luma := range files {
		path := filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
			t.Fatal(err)
		}
		f, err := os.Create(path)
		if err != nil {
			t.Fatal(err)
		}
		img := image.NewGray(image.Rect(0, 0, 64, 48))
		for i := range img.Pix {
			img.Pix[i] = luma
		}
		if err := errors.Join(jpeg.Encode(f, img, nil), f.Close()); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

func TestRead(t *testing.T) {
	dir := folder(t, map[string]uint8{
		"bona-fide/ada-1/0.jpg": 1, "bona-fide/ada-1/1.JPG": 1, "bona-fide/.hidden/0.jpg": 1,
		"attack/print/p1/0.jpg": 1, "attack/print/p1/.1.jpg": 1, "attack/print/p1/notes.txt": 1,
		"attack/print/p2/a.jpeg": 1, "attack/screen/s1/0.jpg": 1, "attack/screen/empty/notes.txt": 1,
	})
	rings, err := Read(dir)
	if err != nil {
		t.Fatal(err)
	}
	got := make(map[string]int)
	for _, r := range rings {
		got[r.Species+"/"+r.Name] = len(r.Frames)
	}
	want := map[string]int{"/ada-1": 2, "print/p1": 1, "print/p2": 1, "screen/s1": 1}
	if !maps.Equal(got, want) {
		t.Errorf("read %v, want %v", got, want)
	}
	if n := len(Apart(rings)); n != 5 {
		t.Errorf("%d stills apart", n)
	}
	for _, files := range []map[string]uint8{{}, {"bona-fide/a/0.jpg": 1}, {"attack/print/p/0.jpg": 1}} {
		if _, err := Read(folder(t, files)); !errors.Is(err, ErrNoRings) {
			t.Errorf("%v: %v", files, err)
		}
	}
}

// byLuma finds a face on stills that are not black: two on white ones.
type byLuma struct{}

func (byLuma) Close() error { return nil }

func (byLuma) Find(_ context.Context, still image.Image) ([]house.Face, error) {
	r, _, _, _ := still.At(10, 10).RGBA()
	if r < 0x1000 {
		return nil, nil
	}
	faces := []house.Face{{Box: image.Rect(20, 10, 40, 30), Descriptor: house.Descriptor{1}}}
	if r > 0xe000 {
		faces = append(faces, house.Face{Box: image.Rect(0, 0, 50, 50), Descriptor: house.Descriptor{5}})
	}
	return faces, nil
}

func TestRun(t *testing.T) {
	dir := folder(t, map[string]uint8{
		"bona-fide/nobody/0.jpg": 0, "bona-fide/one/0.jpg": 100, "bona-fide/one/1.jpg": 100, "bona-fide/one/2.jpg": 0,
		"attack/print/two/0.jpg": 100, "attack/print/two/1.jpg": 255, "attack/print/broken/0.jpg": 100,
	})
	broken := filepath.Join(dir, "attack/print/broken/0.jpg")
	if err := os.WriteFile(broken, []byte("no picture"), 0o600); err != nil {
		t.Fatal(err)
	}
	rings, err := Read(dir)
	if err != nil {
		t.Fatal(err)
	}
	steps := 0
	outcomes, err := Run(t.Context(), rings, liveness.New(nil), func() (Finder, error) {
		return byLuma{}, nil
	}, func() { steps++ })
	if err != nil || steps != len(rings) {
		t.Fatalf("%d steps, %v", steps, err)
	}
	for i, o := range outcomes {
		want := map[string]struct{ stills, frames, unread int }{
			"nobody": {0, 0, 0}, "one": {2, 2, 0}, "two": {1, 1, 0}, "broken": {0, 0, 1},
		}[o.Name]
		frames := 0
		if o.Together != nil {
			frames = o.Together.Frames
		}
		if o.Name != rings[i].Name || len(o.Stills) != want.stills || frames != want.frames ||
			len(o.Unread) != want.unread {
			t.Errorf("%s: %d stills, %d frames, %v; want %+v", o.Name, len(o.Stills), frames, o.Unread, want)
		}
	}
	if _, err := Run(t.Context(), rings, liveness.New(nil), func() (Finder, error) {
		return nil, os.ErrNotExist
	}, nil); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("no finder: %v", err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := Run(ctx, rings, liveness.New(nil), func() (Finder, error) {
		return byLuma{}, nil
	}, nil); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}

// Worked by hand from the definitions of ISO/IEC 30107-3 (from memory): APCER of
// a species is the share of its attacks that are taken for persons, BPCER that
// of persons taken for attacks, non-responses are reported by themselves, and
// the worst species is reported.
func TestReport(t *testing.T) {
	outcome := func(species string, level house.LivenessLevel) Outcome {
		o := Outcome{Ring: Ring{Species: species}}
		if level != "" {
			o.Together = &house.Liveness{Level: level}
		}
		return o
	}
	r := ReportOn([]Outcome{
		outcome(BonaFide, house.NoSign), outcome(BonaFide, house.NoSign), outcome(BonaFide, house.Doubtful),
		outcome(BonaFide, ""),
		outcome("print", house.NoSign), outcome("print", house.Picture), outcome("print", ""),
		outcome("screen", house.Doubtful), outcome("screen", house.NoSign),
	}, Outcome.Attack)
	if want := (match.Rate{Errors: 1, N: 3}); r.BPCER != want {
		t.Errorf("BPCER %v, want %v", r.BPCER, want)
	}
	if want := map[string]match.Rate{"print": {Errors: 1, N: 2}, "screen": {Errors: 1, N: 2}}; !maps.Equal(
		r.APCER, want) {
		t.Errorf("APCER %v, want %v", r.APCER, want)
	}
	if want := map[string]int{BonaFide: 1, "print": 1}; !maps.Equal(r.NoFace, want) {
		t.Errorf("no face: %v, want %v", r.NoFace, want)
	}
	if r.WorstAPCER() != 0.5 || !slices.Equal(r.Species(), []string{"print", "screen"}) {
		t.Errorf("worst %g of %v", r.WorstAPCER(), r.Species())
	}
}
