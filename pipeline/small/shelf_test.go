package small

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"testing/synctest"

	"lintel/internal/house"
	"lintel/pipeline/redact"
)

// A drawer is an archive of one visit with one still, in memory.
type drawer struct {
	mu    sync.Mutex
	visit house.Visit
	data  []byte
	kept  []byte
	reads int           // of the still
	hold  chan struct{} // if set, reading the still waits for it
	fails error         // of keeping
}

func (d *drawer) Visit(context.Context, string) (house.Visit, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.visit, nil
}

func (d *drawer) ReadStill(context.Context, string, int) ([]byte, error) {
	if d.hold != nil {
		<-d.hold
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.reads++
	return d.data, nil
}

func (d *drawer) ReadSmall(_ context.Context, of house.Still) ([]byte, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.kept == nil || of.File != d.visit.Stills[0].File {
		return nil, house.ErrNotFound
	}
	return d.kept, nil
}

func (d *drawer) KeepSmall(_ context.Context, of house.Still, packed []byte) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	switch {
	case d.fails != nil:
		return d.fails
	case of.File != d.visit.Stills[0].File:
		return house.ErrNotFound
	}
	d.kept = packed
	return nil
}

// newDrawer returns one with a still of 1600 x 1200 pixels and the face A.
func newDrawer(t testing.TB) (d *drawer, shelf *Shelf, still house.Still, log *bytes.Buffer) {
	t.Helper()
	data, err := redact.EncodeAt(noisy(1600, 1200), 85)
	if err != nil {
		t.Fatal(err)
	}
	still = house.Still{Visit: "V", File: "F1", Width: 1600, Height: 1200, State: house.Done,
		Faces: []house.Face{{ID: "A", Box: image.Rect(700, 400, 900, 600)}}}
	d, log = &drawer{visit: house.Visit{ID: "V", Stills: []house.Still{still}}, data: data}, new(bytes.Buffer)
	return d, NewShelf(d, slog.New(slog.NewTextHandler(log, nil))), still, log
}

// wants asks for all pictures of a still, and wants each to be so wide, and the still to
// have been read so often by then.
func (d *drawer) wants(t *testing.T, shelf *Shelf, still house.Still, reads int) {
	t.Helper()
	for _, width := range []int{320, 640} {
		data, err := shelf.Still(t.Context(), still, width)
		if err != nil || sizeOf(t, data).X != width {
			t.Errorf("still of %d: %v", width, err)
		}
	}
	for _, size := range Sizes {
		data, err := shelf.Face(t.Context(), still, "A", size)
		if err != nil || sizeOf(t, data) != image.Pt(size, size) {
			t.Errorf("face of %d: %v", size, err)
		}
	}
	if d.reads != reads {
		t.Errorf("the still was read %d times, want %d", d.reads, reads)
	}
}

func TestMadeOnce(t *testing.T) {
	d, shelf, still, _ := newDrawer(t)
	d.wants(t, shelf, still, 1)
	d.wants(t, NewShelf(d, shelf.log), still, 1) // after a restart
	d.kept = []byte("not whole")
	d.wants(t, shelf, still, 2)
}

func TestMadeWhenExamined(t *testing.T) {
	d, shelf, still, _ := newDrawer(t)
	if err := shelf.Examined(t.Context(), still, noisy(1600, 1200)); err != nil {
		t.Fatal(err)
	}
	d.wants(t, shelf, still, 0)
}

// The widest pictures and those of a still that waits to be examined, whose faces are not
// known, are not kept.
func TestNotKept(t *testing.T) {
	d, shelf, still, _ := newDrawer(t)
	for _, width := range []int{960, 1280} {
		if data, err := shelf.Still(t.Context(), still, width); err != nil || sizeOf(t, data).X != width || d.kept != nil {
			t.Errorf("%d wide: %v, kept %d bytes", width, err, len(d.kept))
		}
	}
	d.visit.Stills[0].State = house.Pending
	if _, err := shelf.Still(t.Context(), still, 640); err != nil || d.kept != nil {
		t.Errorf("pending: %v, kept %d bytes", err, len(d.kept))
	}
	d.visit.Stills[0].State = house.Done
	if _, err := shelf.Still(t.Context(), still, 640); err != nil || d.kept == nil {
		t.Errorf("examined: %v, kept %d bytes", err, len(d.kept))
	}
}

func TestNeverLarger(t *testing.T) {
	d, shelf, still, _ := newDrawer(t)
	still.Width = 640
	if data, err := shelf.Still(t.Context(), still, 640); err != nil || !bytes.Equal(data, d.data) {
		t.Errorf("%d bytes, want the still's own %d; %v", len(data), len(d.data), err)
	}
}

// A picture is of the file that was asked about, or none.
func TestReplaced(t *testing.T) {
	d, shelf, still, _ := newDrawer(t)
	d.visit.Stills[0].File = "F2"
	for what, ask := range map[string]func() ([]byte, error){
		"still":    func() ([]byte, error) { return shelf.Still(t.Context(), still, 320) },
		"face":     func() ([]byte, error) { return shelf.Face(t.Context(), still, "A", 96) },
		"stranger": func() ([]byte, error) { return shelf.Face(t.Context(), d.visit.Stills[0], "B", 96) },
	} {
		if data, err := ask(); !errors.Is(err, house.ErrNotFound) || data != nil {
			t.Errorf("%s: %d bytes, %v", what, len(data), err)
		}
	}
	if err := shelf.Examined(t.Context(), still, noisy(1600, 1200)); err != nil {
		t.Error("what went meanwhile is no failure:", err)
	}
}

// A disk that takes nothing keeps nobody from looking.
func TestShownThoughNotKept(t *testing.T) {
	d, shelf, still, log := newDrawer(t)
	d.fails = fmt.Errorf("writing: %w", house.ErrNoSpace)
	if data, err := shelf.Face(t.Context(), still, "A", 96); err != nil || len(data) == 0 {
		t.Errorf("%d bytes, %v", len(data), err)
	}
	if !strings.Contains(log.String(), "keeping small pictures") {
		t.Errorf("the log says %s", log)
	}
}

// TestMadeForAllAtOnce has eight screens ask for pictures of a still at once: it is
// decoded once, and one of them that hangs up keeps none of the others from theirs.
func TestMadeForAllAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d, shelf, still, _ := newDrawer(t)
		d.hold = make(chan struct{})
		first, hangUp := context.WithCancel(t.Context())
		var waiting sync.WaitGroup
		for i := range 8 {
			ctx := t.Context()
			if i == 0 {
				ctx = first
			}
			waiting.Go(func() {
				if _, err := shelf.Face(ctx, still, "A", Sizes[i%3]); err != nil {
					t.Error(err)
				}
			})
			synctest.Wait() // so that the first one makes them
		}
		hangUp()
		close(d.hold)
		waiting.Wait()
		if d.reads != 1 {
			t.Errorf("the still was read %d times", d.reads)
		}
	})
}

func BenchmarkMake(b *testing.B) {
	_, _, still, _ := newDrawer(b)
	img := noisy(1600, 1200)
	for b.Loop() {
		if _, err := Make(img, still.Faces); err != nil {
			b.Fatal(err)
		}
	}
}
