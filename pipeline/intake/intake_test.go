package intake

import (
	"bytes"
	"context"
	"errors"
	"io/fs"
	"os"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/decoding"
	"lintel/store"
	"lintel/store/seal"
)

// A household is an intake with a real archive, and a clock that stands still
// until it is moved. Its bell is "gate".
type household struct {
	*Intake
	archive *store.Archive
	dir     string
	secret  string
	time    time.Time
}

func newHousehold(t *testing.T, limits Limits) *household {
	t.Helper()
	h := &household{dir: t.TempDir(), time: time.Date(2031, 5, 4, 18, 30, 0, 0, time.UTC)}
	now := func() time.Time { return h.time }
	var err error
	if h.archive, err = store.Open(t.Context(), h.dir, seal.Key{1}, now); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { h.archive.Close() })
	if h.secret, err = h.archive.AddBell(t.Context(), "gate"); err != nil {
		t.Fatal(err)
	}
	h.Intake = New(h.archive, now, limits)
	return h
}

// stillFiles lists the files of stills, kept or on their way in.
func stillFiles(t *testing.T, dir string) (files []string) {
	t.Helper()
	for _, folder := range []string{"incoming", "stills"} {
		err := fs.WalkDir(os.DirFS(dir), folder, func(path string, d fs.DirEntry, err error) error {
			if err == nil && !d.IsDir() {
				files = append(files, path)
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	return files
}

func TestAuthenticate(t *testing.T) {
	h := newHousehold(t, DefaultLimits)
	for _, test := range []struct {
		bell, secret string
		want         error
	}{
		{"gate", h.secret, nil},
		{"gate", h.secret + " ", ErrWrongSecret},
		{"gate", strings.ToLower(h.secret), ErrWrongSecret},
		{"gate", "", ErrWrongSecret},
		{"shed", h.secret, ErrUnknownBell},
		{"../gate", h.secret, ErrUnknownBell},
		{"", "", ErrUnknownBell},
	} {
		if err := h.Authenticate(t.Context(), test.bell, test.secret); !errors.Is(err, test.want) {
			t.Errorf("%q with %q: %v, want %v", test.bell, test.secret, err, test.want)
		}
	}
	if err := h.archive.RemoveBell(t.Context(), "gate"); err != nil {
		t.Fatal(err)
	}
	if err := h.Authenticate(t.Context(), "gate", h.secret); !errors.Is(err, ErrUnknownBell) {
		t.Errorf("removed: %v", err)
	}
}

// The bounds are those of the bells' interface: 1 to 64 characters of
// A-Z a-z 0-9 . _ - and a frame from 0 to 15.
func TestCheckNames(t *testing.T) {
	for _, test := range []struct {
		ring  string
		frame int
		want  error
	}{
		{"r", 0, nil},
		{"2031-05-04T18.30.00_Z", 15, nil},
		{strings.Repeat("r", 64), 7, nil},
		{"..", 0, nil}, // a name like any other: it never becomes a path
		{strings.Repeat("r", 65), 0, ErrBadRing},
		{"", 0, ErrBadRing},
		{"../r", 0, ErrBadRing},
		{"r\n", 0, ErrBadRing},
		{"r r", 0, ErrBadRing},
		{"r\x00", 0, ErrBadRing},
		{"r:1", 0, ErrBadRing},
		{"ř", 0, ErrBadRing},
		{"r", -1, ErrBadFrame},
		{"r", 16, ErrBadFrame},
	} {
		if err := CheckNames(test.ring, test.frame); !errors.Is(err, test.want) {
			t.Errorf("ring %q frame %d: %v, want %v", test.ring, test.frame, err, test.want)
		}
	}
}

func TestReceive(t *testing.T) {
	h := newHousehold(t, DefaultLimits)
	began := h.time
	whole, other := asJPEG(t, scene(160, 120)), asJPEG(t, scene(120, 160))
	cut, png := half(whole), asPNG(t, scene(96, 64))
	tests := []struct {
		name    string
		d       Delivery
		want    Receipt
		wantErr error
		visit   string // the first of a name finds out its id
	}{
		{"the first frame",
			Delivery{Bell: "gate", Ring: "r1", Frame: 0, TakenAt: began.Add(-2 * time.Minute), Body: whole},
			Receipt{Ring: "r1", Frame: 0, New: true, ClockSkew: -2 * time.Minute}, nil, "one"},
		{"again, a while later",
			Delivery{Bell: "gate", Ring: "r1", Frame: 0, TakenAt: began.Add(-2 * time.Minute), Body: whole},
			Receipt{Ring: "r1", Frame: 0, ClockSkew: -2 * time.Minute}, nil, "one"},
		{"again, with other bytes",
			Delivery{Bell: "gate", Ring: "r1", Frame: 0, TakenAt: began, Body: other},
			Receipt{}, house.ErrOtherBytes, ""},
		{"the next frame, cut in half",
			Delivery{Bell: "gate", Ring: "r1", Frame: 15, TakenAt: time.Time{}, Body: cut},
			Receipt{Ring: "r1", Frame: 15, New: true, Damaged: true}, nil, "one"},
		{"again, cut in half",
			Delivery{Bell: "gate", Ring: "r1", Frame: 15, TakenAt: time.Time{}, Body: cut},
			Receipt{Ring: "r1", Frame: 15, Damaged: true}, nil, "one"},
		{"again, whole this time",
			Delivery{Bell: "gate", Ring: "r1", Frame: 15, TakenAt: time.Time{}, Body: whole},
			Receipt{}, house.ErrOtherBytes, ""},
		{"another ring, the same picture",
			Delivery{Bell: "gate", Ring: "r2", Frame: 0, TakenAt: began.Add(time.Hour), Body: whole},
			Receipt{Ring: "r2", Frame: 0, New: true, ClockSkew: time.Hour - 6*time.Second}, nil, "two"},
		{"a PNG",
			Delivery{Bell: "gate", Ring: "r3", Frame: 1, TakenAt: time.Time{}, Body: png},
			Receipt{Ring: "r3", Frame: 1, New: true}, nil, "three"},
	}
	ids, kept := make(map[string]string), 0
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			got, err := h.Receive(t.Context(), test.d)
			if !errors.Is(err, test.wantErr) {
				t.Fatalf("%v, want %v", err, test.wantErr)
			}
			if ids[test.visit] == "" && test.want.New {
				ids[test.visit] = got.Visit
			}
			test.want.Visit, test.want.Kept = ids[test.visit], test.wantErr == nil
			if got != test.want {
				t.Errorf("%+v, want %+v", got, test.want)
			}
			if got.New {
				kept++
			}
			if files := stillFiles(t, h.dir); len(files) != kept {
				t.Errorf("%d files, want %d", len(files), kept)
			}
			if err != nil {
				return
			}
			want := mustClean(t, test.d.Body)
			if data, err := h.archive.ReadStill(t.Context(), got.Visit, got.Frame); err != nil ||
				!bytes.Equal(data, want.JPEG) {
				t.Errorf("%d bytes are kept, want %d; %v", len(data), len(want.JPEG), err)
			}
		})
		h.time = h.time.Add(time.Second)
	}
	checkFrames(t, h, began, ids)
}

// checkFrames checks what is kept of the first ring.
func checkFrames(t *testing.T, h *household, began time.Time, ids map[string]string) {
	t.Helper()
	v, err := h.archive.Visit(t.Context(), ids["one"])
	if err != nil || len(v.Stills) != 2 || len(ids) != 3 {
		t.Fatalf("visits %v, the first has %d stills; %v", ids, len(v.Stills), err)
	}
	first, last := v.Stills[0], v.Stills[1]
	if first.Width != 160 || first.Height != 120 || !first.ReceivedAt.Equal(began) ||
		!first.TakenAt.Equal(began.Add(-2*time.Minute)) || first.Damaged {
		t.Errorf("kept %+v", first)
	}
	if !last.TakenAt.IsZero() || !last.Damaged || last.Frame != 15 {
		t.Errorf("kept %+v", last)
	}
}

// Whatever is refused leaves nothing: no row, no file, and no turn to decode.
func TestReceiveRefuses(t *testing.T) {
	h := newHousehold(t, DefaultLimits)
	good := asJPEG(t, scene(64, 64))
	for name, test := range map[string]struct {
		bell, ring string
		frame      int
		body       []byte
		want       error // nil for any
	}{
		"a ring that climbs":         {"gate", "../r", 0, good, ErrBadRing},
		"a frame before the first":   {"gate", "r", -1, good, ErrBadFrame},
		"a frame after the last":     {"gate", "r", 16, good, ErrBadFrame},
		"nothing":                    {"gate", "r", 0, nil, ErrEmpty},
		"text":                       {"gate", "r", 0, []byte("not a picture"), ErrNotAPicture},
		"too many bytes":             {"gate", "r", 0, append(bytes.Clone(good), make([]byte, MaxBytes)...), ErrTooLarge},
		"30000 x 30000 in 10 kB":     {"gate", "r", 0, hugePNG(t), ErrTooManyPixels},
		"a bell that was never here": {"shed", "r", 0, good, nil},
	} {
		t.Run(name, func(t *testing.T) {
			got, err := h.Receive(t.Context(), Delivery{Bell: test.bell, Ring: test.ring, Frame: test.frame, Body: test.body})
			if err == nil || test.want != nil && !errors.Is(err, test.want) || got != (Receipt{}) {
				t.Errorf("%+v, %v; want %v", got, err, test.want)
			}
		})
	}
	if files := stillFiles(t, h.dir); len(files) != 0 {
		t.Errorf("left %q", files)
	}
	if n, err := h.archive.Revision(t.Context()); err != nil || n != 0 {
		t.Errorf("revision %d, %v", n, err)
	}
	end, err := decoding.Begin(t.Context(), "bell gate", MaxMemory)
	if err != nil {
		t.Fatalf("a turn was not given back: %v", err)
	}
	end()
}

// A bell that sends one frame several times at once, since it heard no answer,
// gets one visit and one still.
func TestReceiveAtOnce(t *testing.T) {
	h := newHousehold(t, DefaultLimits)
	body := asJPEG(t, scene(64, 64))
	receipts := make([]Receipt, 8)
	var receiving sync.WaitGroup
	for i := range receipts {
		receiving.Go(func() {
			var err error
			if receipts[i], err = h.Receive(t.Context(), Delivery{Bell: "gate", Ring: "r", Body: body}); err != nil {
				t.Error(err)
			}
		})
	}
	receiving.Wait()
	news := 0
	for _, r := range receipts {
		if r.Visit != receipts[0].Visit {
			t.Errorf("visits %s and %s", r.Visit, receipts[0].Visit)
		}
		if r.New {
			news++
		}
	}
	if files := stillFiles(t, h.dir); news != 1 || len(files) != 1 {
		t.Errorf("%d new receipts, %d files, want one of each", news, len(files))
	}
}

// The rate is a token bucket: common practice, no source.
func TestAllow(t *testing.T) {
	h := newHousehold(t, Limits{PerMinute: 30, Burst: 3, Underway: 1, Bytes: MaxBytes})
	const each = 2 * time.Second // at 30 a minute
	for _, step := range []struct {
		after time.Duration
		bell  string
		wait  time.Duration // 0 if allowed
	}{
		{0, "gate", 0},
		{0, "gate", 0},
		{0, "gate", 0},
		{0, "gate", each},
		{0, "gate", each}, // being refused costs nothing
		{0, "shed", 0},    // another bell has a rate of its own
		{each - time.Millisecond, "gate", time.Millisecond},
		{time.Millisecond, "gate", 0},
		{0, "gate", each},
		{time.Hour, "gate", 0}, // a long silence saves up no more than a burst
		{0, "gate", 0},
		{0, "gate", 0},
		{0, "gate", each},
	} {
		h.time = h.time.Add(step.after)
		done, wait, err := h.Allow(step.bell, -1)
		if err == nil {
			done()
		}
		wait = wait.Round(time.Microsecond) // the bucket counts in floating point
		if wait != step.wait || errors.Is(err, ErrTooOften) != (step.wait > 0) {
			t.Errorf("%v, %s: wait %v, %v; want %v", h.time.Format(time.TimeOnly), step.bell, wait, err, step.wait)
		}
	}

	h = newHousehold(t, DefaultLimits)
	for frame := range MaxFrame + 1 {
		if _, _, err := h.Allow("gate", 500<<10); err != nil {
			t.Errorf("a whole ring at once: frame %d: %v", frame, err)
		}
	}
}

// What is underway of one bell takes up memory, and is bounded in number and in
// bytes; another bell's is not.
func TestAllowUnderway(t *testing.T) {
	h := newHousehold(t, Limits{PerMinute: 60, Burst: 100, Underway: 4, Bytes: 3 * MaxBytes})
	allow := func(bell string, size int64, want error) (done func()) {
		t.Helper()
		done, wait, err := h.Allow(bell, size)
		if !errors.Is(err, want) || (wait > 0) != (want != nil) {
			t.Errorf("%s, %d bytes: wait %v, %v; want %v", bell, size, wait, err, want)
		}
		return done
	}
	var done []func()
	for range 3 {
		done = append(done, allow("gate", -1, nil)) // it does not say how much it sends
	}
	allow("gate", 1, ErrTooOften)
	allow("shed", -1, nil)
	done[0]()
	allow("gate", 1000, nil)
	allow("gate", -1, ErrTooOften)
	allow("gate", 1000, nil)
	allow("gate", 1000, ErrTooOften) // the fifth
	done[1]()
	allow("gate", 1000, nil)
}

// So many bells send at once, each as much as it may; one more waits, and takes the
// place of the first that is done with all that it sent.
func TestAllowBells(t *testing.T) {
	h := newHousehold(t, Limits{PerMinute: 60, Burst: 100, Underway: 4, Bytes: 3 * MaxBytes, Bells: 2})
	done := make(map[string]func())
	for _, step := range []struct {
		still, ends string // bell/still, and what ends before it comes
		want        error
	}{
		{"gate/0", "", nil},
		{"gate/1", "", nil},
		{"shed/0", "", nil},
		{"yard/0", "", ErrTooOften},
		{"gate/2", "", nil}, // it has its place
		{"yard/0", "gate/0", ErrTooOften},
		{"yard/0", "gate/1", ErrTooOften},
		{"yard/0", "gate/2", nil},
		{"gate/3", "", ErrTooOften},
		{"gate/3", "shed/0", nil},
	} {
		if step.ends != "" {
			done[step.ends]()
		}
		bell, _, _ := strings.Cut(step.still, "/")
		end, wait, err := h.Allow(bell, 1000)
		if done[step.still] = end; !errors.Is(err, step.want) || (wait > 0) != (err != nil) {
			t.Errorf("%s: wait %v, %v; want %v", step.still, wait, err, step.want)
		}
	}
}

// A bell's stills are decoded one at a time, and another bell's beside them.
func TestReceiveWaitsItsTurn(t *testing.T) {
	body := asJPEG(t, scene(64, 64))
	synctest.Test(t, func(t *testing.T) {
		h := newHousehold(t, DefaultLimits)
		if _, err := h.archive.AddBell(t.Context(), "shed"); err != nil {
			t.Fatal(err)
		}
		end, err := decoding.Begin(t.Context(), "bell gate", 0) // as if a still of the gate's were being decoded
		if err != nil {
			t.Fatal(err)
		}
		receive := func(ctx context.Context, bell, ring string) <-chan error {
			done := make(chan error, 1)
			go func() {
				_, err := h.Receive(ctx, Delivery{Bell: bell, Ring: ring, Body: body})
				done <- err
			}()
			synctest.Wait() // until it can't go on by itself
			return done
		}
		ctx, hangUp := context.WithCancel(t.Context())
		first, second := receive(t.Context(), "gate", "r1"), receive(ctx, "gate", "r2")
		if len(first)+len(second) > 0 {
			t.Fatal("a second still of the gate's is being decoded")
		}
		if err := <-receive(t.Context(), "shed", "r3"); err != nil {
			t.Errorf("another bell: %v", err)
		}
		hangUp()
		if err := <-second; !errors.Is(err, context.Canceled) {
			t.Errorf("the bell hung up: %v", err)
		}
		if files := stillFiles(t, h.dir); len(files) != 1 {
			t.Errorf("left %q", files)
		}
		end()
		if err := <-first; err != nil {
			t.Error(err)
		}
	})
}
