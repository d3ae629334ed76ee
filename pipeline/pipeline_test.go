package pipeline

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/liveness"
	"lintel/store"
	"lintel/store/seal"
)

// Every test runs in a bubble of package synctest. There, synctest.Wait waits
// until the pipeline can't go on by itself, and time stands still meanwhile:
// whatever only polling would find stays undone. A bubble also fails the test
// if a goroutine is left when it ends.

// A household is a pipeline on a real archive, with finders that see what the test
// tells them.
type household struct {
	t       *testing.T
	archive *store.Archive
	log     bytes.Buffer
	find    func(ctx context.Context, width int) ([]house.Face, error) // of the still with that width
	bell    string                                                     // that keep keeps stills of
	idle    func() <-chan struct{}                                     // the pipeline's Idle

	mu             sync.Mutex
	looking, most  int   // finders at work, and the most there ever were
	seen           []int // widths of the stills, in the order they were looked at
	opened, closed int
	told           int // stills that Examined was told of
}

func newHouse(t *testing.T) *household {
	h := &household{t: t, bell: "gate", find: func(context.Context, int) ([]house.Face, error) { return nil, nil }}
	var err error
	if h.archive, err = store.Open(t.Context(), t.TempDir(), seal.Key{1}, time.Now); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { h.archive.Close() })
	if _, err := h.archive.AddBell(t.Context(), "gate"); err != nil {
		t.Fatal(err)
	}
	return h
}

// A finder must not be used by two goroutines at a time.
type finder struct {
	house *household
	busy  bool
}

func (h *household) open() (Finder, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.opened++
	return &finder{house: h}, nil
}

func (f *finder) Find(ctx context.Context, still image.Image) ([]house.Face, error) {
	h, width := f.house, still.Bounds().Dx()
	h.mu.Lock()
	if f.busy {
		h.t.Error("one finder is used by two goroutines")
	}
	f.busy = true
	h.looking++
	h.most = max(h.most, h.looking)
	h.seen = append(h.seen, width)
	h.mu.Unlock()
	defer func() {
		h.mu.Lock()
		defer h.mu.Unlock()
		h.looking--
		f.busy = false
	}()
	return h.find(ctx, width)
}

func (f *finder) Close() error {
	f.house.mu.Lock()
	defer f.house.mu.Unlock()
	f.house.closed++
	return nil
}

// run runs a pipeline with that many workers. The function it returns stops
// the pipeline and waits for it.
func (h *household) run(archive Archive, workers int) (stop func()) {
	h.t.Helper()
	ctx, cancel := context.WithCancel(h.t.Context())
	log := slog.New(slog.NewTextHandler(&h.log, nil))
	steps := New(archive, log, h.open, liveness.New(nil), workers)
	steps.Idle = h.idle
	steps.Examined = func(context.Context, house.Still, image.Image, []house.Face, time.Duration) {
		h.mu.Lock()
		defer h.mu.Unlock()
		h.told++
	}
	done := make(chan error, 1)
	go func() { done <- steps.Run(ctx) }()
	synctest.Wait()
	return func() {
		h.t.Helper()
		cancel()
		if err := <-done; err != nil {
			h.t.Error(err)
		}
		if h.opened != workers || h.closed != workers || h.looking != 0 {
			h.t.Errorf("%d finders were opened, %d closed, %d are at work", h.opened, h.closed, h.looking)
		}
	}
}

// keep keeps a still of that width, as a ring of its own, and returns its
// visit.
func (h *household) keep(width int) (visit string) {
	h.t.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, image.NewGray(image.Rect(0, 0, width, 8)), nil); err != nil {
		h.t.Fatal(err)
	}
	visit, added, err := h.archive.Keep(h.t.Context(), house.NewStill{
		Bell: h.bell, Ring: fmt.Sprint(width), SentSHA256: sha256.Sum256(b.Bytes()),
		JPEG: b.Bytes(), Width: width, Height: 8,
		ReceivedAt: time.Now().Add(time.Duration(width) * time.Second), // so narrow ones come first
	})
	if err != nil || !added {
		h.t.Fatalf("added %v, %v", added, err)
	}
	return visit
}

func (h *household) still(visit string) house.Still {
	h.t.Helper()
	v, err := h.archive.Visit(h.t.Context(), visit)
	if err != nil {
		h.t.Fatal(err)
	}
	return v.Stills[0]
}

func (h *household) want(visit string, state house.StillState, attempts int) {
	h.t.Helper()
	if s := h.still(visit); s.State != state || s.Attempts != attempts {
		h.t.Errorf("still %d wide is %s after %d attempts, want %s after %d", s.Width, s.State, s.Attempts, state, attempts)
	}
}

func TestRunFinishesWhatWasLeft(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t)
		visitor, err := h.archive.AddPerson(t.Context(), "Tamsin Quill")
		if err != nil {
			t.Fatal(err)
		}
		consent := house.Consent{GivenBy: "Tamsin Quill", GivenAt: time.Now(), Scope: "being recognised"}
		if err := h.archive.RecordConsent(t.Context(), visitor.ID, consent); err != nil {
			t.Fatal(err)
		}
		face := house.Face{Box: image.Rect(1, 2, 5, 6), Landmarks: []house.Point{{X: 2, Y: 3}}}
		for i := range face.Descriptor {
			face.Descriptor[i] = float32(i%5) / 20
		}
		if err := h.archive.AddReference(t.Context(), house.Reference{Person: visitor.ID,
			Descriptor: face.Descriptor}); err != nil {
			t.Fatal(err)
		}
		var visits []string
		for width := 1; width <= 120; width++ { // more than the pipeline asks for at a time
			visits = append(visits, h.keep(width))
		}
		far := face
		far.Box = far.Box.Add(image.Pt(10, 0))
		far.Descriptor[0] += 0.8
		h.find = func(context.Context, int) ([]house.Face, error) { return []house.Face{face, far}, nil }

		defer h.run(h.archive, 2)()
		for _, visit := range visits {
			h.want(visit, house.Done, 1)
			faces := h.still(visit).Faces
			if len(faces) != 2 || faces[1].Match != nil || faces[0].Quality == nil || faces[0].Quality.FaceWidth != 4 {
				t.Fatalf("faces %+v", faces)
			}
			// on a blank still nothing is strong
			if m := faces[0].Match; m == nil || m.Name != "Tamsin Quill" || m.Distance != 0 || m.Band != "fair" {
				t.Fatalf("match %+v", m)
			}
		}
		slices.Sort(h.seen)
		if n := len(slices.Compact(h.seen)); n != 120 || len(h.seen) != 120 {
			t.Errorf("%d stills were looked at, %d times", n, len(h.seen))
		}
		if log := h.log.String(); strings.Contains(log, "Tamsin") || strings.Contains(log, visitor.ID) ||
			!strings.Contains(log, visits[0]) {
			t.Errorf("the log is to name visits and nobody: %s", log)
		}
	})
}

func TestRunTakesWhatComes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t)
		defer h.run(h.archive, 2)()
		for _, width := range []int{20, 10, 30} {
			began := time.Now()
			visit := h.keep(width)
			synctest.Wait()
			h.want(visit, house.Done, 1)
			if waited := time.Since(began); waited != 0 {
				t.Errorf("waited %v", waited)
			}
		}
		if want := []int{20, 10, 30}; !slices.Equal(h.seen, want) {
			t.Errorf("looked at %v, want %v", h.seen, want)
		}
	})
}

// An eventful archive keeps a still just after it was asked what is pending.
type eventful struct {
	*store.Archive
	event func()
}

func (e *eventful) PendingStills(ctx context.Context, limit int) ([]house.Still, error) {
	stills, err := e.Archive.PendingStills(ctx, limit)
	if e.event != nil {
		e.event()
		e.event = nil
	}
	return stills, err
}

func TestRunMissesNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t)
		var visit string
		defer h.run(&eventful{h.archive, func() { visit = h.keep(10) }}, 1)()
		h.want(visit, house.Done, 1)
	})
}

func TestRunOldestFirst(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t)
		for _, width := range []int{30, 10, 20} {
			h.keep(width)
		}
		h.run(h.archive, 1)()
		if want := []int{10, 20, 30}; !slices.Equal(h.seen, want) {
			t.Errorf("looked at %v, want %v", h.seen, want)
		}
	})
}

// A still that took the process down three times is given up: what happens in
// C++ can't be recovered from, only counted.
func TestRunGivesUp(t *testing.T) {
	broken := func(context.Context, int) ([]house.Face, error) { return nil, errors.New("no such luck") }
	for name, test := range map[string]struct {
		before   int // attempts
		find     func(context.Context, int) ([]house.Face, error)
		state    house.StillState
		attempts int
		looked   int
	}{
		"begun twice before":       {2, nil, house.Done, 3, 1},
		"begun three times before": {3, nil, house.Failed, 3, 0},
		"begun four times before":  {4, nil, house.Failed, 4, 0},
		"the finder fails":         {0, broken, house.Failed, 1, 1},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				h := newHouse(t)
				if test.find != nil {
					h.find = test.find
				}
				visit := h.keep(10)
				for range test.before {
					if err := h.archive.BeginExamination(t.Context(), h.still(visit).ID); err != nil {
						t.Fatal(err)
					}
				}
				defer h.run(h.archive, 1)()
				h.want(visit, test.state, test.attempts)
				if len(h.seen) != test.looked {
					t.Errorf("looked %d times, want %d", len(h.seen), test.looked)
				}
				h.find = func(context.Context, int) ([]house.Face, error) { return nil, nil }
				next := h.keep(20)
				synctest.Wait()
				h.want(next, house.Done, 1) // the pipeline goes on
			})
		})
	}
}

func TestRunStops(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t)
		visits := []string{h.keep(10), h.keep(20), h.keep(30), h.keep(40)}
		goOn := make(chan struct{})
		h.find = func(ctx context.Context, _ int) ([]house.Face, error) {
			<-goOn
			return nil, ctx.Err() // stopping must not cut it short
		}
		stop := h.run(h.archive, 2)
		stopped := make(chan struct{})
		go func() {
			defer close(stopped)
			stop()
		}()
		synctest.Wait()
		goOn <- struct{}{} // one worker is free, and must take no other still
		synctest.Wait()
		select {
		case <-stopped:
			t.Error("stopped before the stills at hand were finished")
		default:
		}
		close(goOn)
		<-stopped
		h.want(visits[0], house.Done, 1)
		h.want(visits[1], house.Done, 1)
		h.want(visits[2], house.Pending, 0)
		h.want(visits[3], house.Pending, 0)

		h.opened, h.closed = 0, 0
		h.run(h.archive, 1)() // the next start
		h.want(visits[2], house.Done, 1)
		h.want(visits[3], house.Done, 1)
	})
}

func TestRunBoundsWorkers(t *testing.T) {
	for _, workers := range []int{1, 3} {
		synctest.Test(t, func(t *testing.T) {
			h := newHouse(t)
			goOn := make(chan struct{})
			h.find = func(context.Context, int) ([]house.Face, error) {
				<-goOn
				return nil, nil
			}
			for width := range 8 {
				h.keep(width + 1)
			}
			stop := h.run(h.archive, workers)
			if h.looking != workers {
				t.Errorf("%d finders are at work, want %d", h.looking, workers)
			}
			close(goOn)
			synctest.Wait()
			stop()
			if h.most != workers || len(h.seen) != 8 {
				t.Errorf("%d finders at once, want %d; %d stills, want 8", h.most, workers, len(h.seen))
			}
		})
	}
}

// A flaky archive fails some calls.
type flaky struct {
	*store.Archive
	begins, records int // how many calls fail yet
}

var errFlaky = errors.New("the disk is away")

func (f *flaky) BeginExamination(ctx context.Context, still string) error {
	if f.begins--; f.begins >= 0 {
		return errFlaky
	}
	return f.Archive.BeginExamination(ctx, still)
}

func (f *flaky) Record(ctx context.Context, still string, state house.StillState, faces []house.Face) error {
	if f.records--; f.records >= 0 {
		return errFlaky
	}
	return f.Archive.Record(ctx, still, state, faces)
}

// What the archive could not take stays pending, and is tried again with the
// next change, not at once and for ever.
func TestRunTriesAgain(t *testing.T) {
	for name, test := range map[string]struct {
		archive       flaky
		before, after int // attempts
	}{
		"beginning fails": {flaky{begins: 1}, 0, 1},
		"recording fails": {flaky{records: 1}, 1, 2},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				h := newHouse(t)
				first := h.keep(10)
				test.archive.Archive = h.archive
				defer h.run(&test.archive, 1)()
				h.want(first, house.Pending, test.before)
				second := h.keep(20)
				synctest.Wait()
				h.want(first, house.Done, test.after)
				h.want(second, house.Done, 1)
				if h.mu.Lock(); h.told != 2 {
					t.Errorf("told of %d stills that were examined, want 2", h.told)
				}
				h.mu.Unlock()
			})
		})
	}
}

func TestRunWithoutFinders(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t)
		visit := h.keep(10)
		missing := errors.New("no models")
		open := func() (Finder, error) {
			if h.opened == 2 {
				return nil, missing
			}
			return h.open()
		}
		if err := New(h.archive, slog.New(slog.DiscardHandler), open, liveness.New(nil),
			3).Run(t.Context()); !errors.Is(err,
			missing) {
			t.Errorf("%v, want %v", err, missing)
		}
		if h.closed != 2 {
			t.Errorf("%d finders were closed, want 2", h.closed)
		}
		h.want(visit, house.Pending, 0)
	})
}

// Examinations wait while stills are being taken in, and no longer than patience.
func TestRunGivesWay(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h, idle := newHouse(t), make(chan struct{})
		h.idle = func() <-chan struct{} { return idle }
		stop := h.run(h.archive, 1)
		defer stop()
		looked := func(want int) {
			t.Helper()
			synctest.Wait()
			if h.mu.Lock(); len(h.seen) != want {
				t.Errorf("%d stills were looked at, want %d", len(h.seen), want)
			}
			h.mu.Unlock()
		}
		h.keep(20)
		looked(0)
		time.Sleep(patience)
		looked(1)
		h.keep(30)
		looked(1)
		close(idle)
		looked(2)
	})
}
