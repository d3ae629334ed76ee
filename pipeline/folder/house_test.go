package folder

import (
	"bytes"
	"context"
	"image"
	"image/jpeg"
	"log/slog"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/intake"
	"lintel/store"
	"lintel/store/seal"
)

// began is when the tests' server starts.
var began = time.Date(2027, 2, 3, 16, 0, 0, 0, time.UTC)

// A household is an archive with the bell "gate", a folder of its stills, and a
// clock that stands still.
type household struct {
	*intake.Intake
	t       *testing.T
	archive *store.Archive
	dir     string
	now     time.Time
	full    bool // whether the disk takes nothing
	watcher *Watcher
}

func newHousehold(t *testing.T) *household {
	t.Helper()
	h := &household{t: t, dir: t.TempDir(), now: began}
	var err error
	h.archive, err = store.Open(t.Context(), t.TempDir(), seal.Key{1}, h.clock)
	h.must(err)
	t.Cleanup(func() { h.archive.Close() })
	_, err = h.archive.AddBell(t.Context(), "gate")
	h.must(err)
	h.Intake = intake.New(h.archive, h.clock, intake.DefaultLimits)
	h.start(Watch{})
	return h
}

func (h *household) clock() time.Time { return h.now }

func (h *household) must(err error) {
	h.t.Helper()
	if err != nil {
		h.t.Fatal(err)
	}
}

// Receive fails where the disk is full.
func (h *household) Receive(ctx context.Context, d intake.Delivery) (intake.Receipt, error) {
	if h.full {
		return intake.Receipt{}, house.ErrNoSpace
	}
	return h.Intake.Receive(ctx, d)
}

// start starts the server anew, with that watch of the folder.
func (h *household) start(w Watch) {
	w.Bell, w.Dir = "gate", h.dir
	if w.Gap == 0 {
		w.Gap = Gap
	}
	h.watcher = NewWatcher(w, h.archive, h, slog.New(slog.DiscardHandler), h.clock)
}

// look has the watcher look, and returns how long it wants to wait.
func (h *household) look() time.Duration {
	h.t.Helper()
	_, wait := h.watcher.look(h.t.Context())
	return wait
}

// begin looks for the first time, a second before anything else.
func (h *household) begin() {
	h.t.Helper()
	h.look()
	h.now = h.now.Add(time.Second)
}

// settle looks, lets time go by and looks again.
func (h *household) settle() {
	h.t.Helper()
	h.look()
	h.now = h.now.Add(Settle)
	h.look()
}

// write writes a file as it is now, by the server's clock.
func (h *household) write(name string, body []byte) string {
	h.t.Helper()
	path := filepath.Join(h.dir, filepath.FromSlash(name))
	h.must(os.MkdirAll(filepath.Dir(path), 0o755))
	h.must(os.WriteFile(path, body, 0o644))
	h.must(os.Chtimes(path, h.now, h.now))
	return path
}

// visits are those of the archive, the oldest first.
func (h *household) visits() (all []house.Visit) {
	h.t.Helper()
	latest, err := h.archive.LatestVisits(h.t.Context(), 100)
	h.must(err)
	for i := range latest {
		all = append(all, latest[len(latest)-1-i])
	}
	return all
}

// wantFrames checks how many visits there are, each with how many stills.
func (h *household) wantFrames(want ...int) []house.Visit {
	h.t.Helper()
	all := h.visits()
	var got []int
	for _, v := range all {
		got = append(got, len(v.Stills))
	}
	if len(got) != len(want) {
		h.t.Fatalf("visits with %v stills, want %v", got, want)
	}
	for i := range want {
		if got[i] != want[i] {
			h.t.Fatalf("visits with %v stills, want %v", got, want)
		}
	}
	return all
}

// picture is a JPEG like no other of another number.
func picture(t testing.TB, number int) []byte {
	t.Helper()
	m := image.NewRGBA(image.Rect(0, 0, 128, 96))
	noise := rand.New(rand.NewPCG(1, uint64(number)))
	for i := range m.Pix {
		m.Pix[i] = byte(noise.Uint32())
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, nil); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func chtimes(path string, at time.Time) error { return os.Chtimes(path, at, at) }
