package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"image"
	"image/draw"
	"io"
	"net/http"
	"os"
	"os/exec"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/disintegration/imaging"

	"lintel/internal/doorstep"
	"lintel/internal/hostile"
)

var flood = flag.Duration("flood", 5*time.Second, "how long TestFlood and TestSilentTablets go on")

// served is set in a process of its own, to the arguments of a server's.
const served = "LINTEL_TEST_SERVED"

// TestServedProcess is that process, and passes in any other.
func TestServedProcess(t *testing.T) {
	if args := os.Getenv(served); args != "" {
		os.Exit(run(t.Context(), strings.Split(args, "\n"), os.Stdout, os.Stderr))
	}
}

// A flooded house has a server in a process of its own, and bells, such as
// "gate" and "stolen", whose secret was.
type flooded struct {
	*household
	process *os.Process
	end     func(os.Signal) // ends the process by a signal, once
	secrets map[string]string
	token   string // a program's, to see visits
}

func newFlooded(t *testing.T, bells ...string) *flooded {
	f := &flooded{household: newHousehold(t), secrets: make(map[string]string)}
	for _, bell := range bells {
		f.secrets[bell] = f.lintel("bell", "add", bell)
	}
	f.token = f.lintel("token", "add", "watch", "--scope", "read-visits")
	f.url = "http://" + f.listen
	f.start()
	t.Cleanup(func() { f.end(os.Interrupt) })
	return f
}

// start starts the server's process, and returns when it says where it serves.
func (f *flooded) start() {
	f.t.Helper()
	cmd := exec.Command(os.Args[0], "-test.run=^TestServedProcess$")
	cmd.Env = append(os.Environ(), served+"="+strings.Join(f.args("serve", "--listen", f.listen), "\n"))
	out, err := cmd.StdoutPipe()
	if err == nil {
		err = cmd.Start()
	}
	if err != nil {
		f.t.Fatal(err)
	}
	f.process = cmd.Process
	lines := bufio.NewReader(out)
	line, err := lines.ReadString('\n')
	var reading sync.WaitGroup
	reading.Go(func() { io.Copy(io.Discard, lines) })
	f.end = func(how os.Signal) {
		cmd.Process.Signal(how) // fails where it has ended
		reading.Wait()
		cmd.Wait() // fails by the signal
	}
	if err != nil {
		f.t.Fatalf("the server began with %q, %v", line, err)
	}
}

// ring sends a still and returns the answer's status, and the visit.
func (f *flooded) ring(ctx context.Context, bell, ring string, frame int, body []byte) (status int, visit string,
	err error) {
	r, err := f.request(ctx, bell, ring, frame, bytes.NewReader(body))
	if err != nil {
		return 0, "", err
	}
	a, err := post(http.DefaultClient, r, time.Now())
	return a.status, a.visit, err
}

// request is a still on its way.
func (f *flooded) request(ctx context.Context, bell, ring string, frame int, body io.Reader) (*http.Request, error) {
	r, err := http.NewRequestWithContext(ctx, "POST", f.url+"/api/v1/bells/"+bell+"/stills", body)
	if err != nil {
		return nil, err
	}
	r.Header.Set("Authorization", "Bearer "+f.secrets[bell])
	r.Header.Set("Content-Type", "image/jpeg")
	r.Header.Set("Lintel-Ring", ring)
	r.Header.Set("Lintel-Frame", fmt.Sprint(frame))
	return r, nil
}

// untilExamined waits until a visit's stills are examined.
func (f *flooded) untilExamined(visit string) {
	f.t.Helper()
	poll := time.NewTicker(10 * time.Millisecond)
	defer poll.Stop()
	for range poll.C {
		var v bookVisit
		if err := json.Unmarshal(f.get("/api/v1/visits/"+visit), &v); err != nil {
			f.t.Fatal(err)
		}
		if !v.pending() {
			return
		}
	}
}

// peak is the most memory that the server ever had, in MB (proc(5), VmHWM).
func (f *flooded) peak() (mb int) {
	f.t.Helper()
	status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", f.process.Pid))
	if err != nil {
		f.t.Skipf("SKIPPED: nothing tells the server's memory: %v", err)
	}
	_, rest, _ := strings.Cut(string(status), "VmHWM:")
	if _, err := fmt.Sscan(rest, &mb); err != nil {
		f.t.Fatal(err)
	}
	return mb >> 10
}

// TestFlood sends eight hostile stills a second with one bell's secret, and
// rings at another bell meanwhile. Five seconds by default; -flood 1m for what
// MEASUREMENTS.md has.
func TestFlood(t *testing.T) {
	if raceDetector || testing.Short() {
		t.Skip("SKIPPED: times and memory mean nothing with the race detector, and it takes a while")
	}
	f := newFlooded(t, "gate", "stolen")
	doorbell := aVisitor().JPEG(85)
	before := f.peak()
	alone := f.rings(t.Context(), doorbell, "alone", 5*time.Second)
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	answers := f.floods(ctx)
	beside := f.rings(t.Context(), doorbell, "beside", *flood)
	stop()
	t.Logf("hostile stills by the answer's status, -1 for none within 10 s: %v", answers())
	t.Logf("another bell's ring is answered, alone %v, and beside %v; memory before %d MB, at most %d MB", alone, beside,
		before, f.peak())
	if len(beside) == 0 || slices.Max(beside) > max(maxAnswer, 20*slices.Max(alone)) {
		t.Errorf("another bell's ring was answered within %v", beside)
	}
	if mb := f.peak(); mb > 600 {
		t.Errorf("the server took %d MB", mb)
	}
}

// maxAnswer is the most that another bell's ring may take, or 20 times what it
// takes alone, with room for a machine that does other things beside.
const maxAnswer = 2 * time.Second

// rings rings at the gate every second and a half for so long, and returns how
// long each answer took, the longest last.
func (f *flooded) rings(ctx context.Context, still []byte, name string, during time.Duration) (took []time.Duration) {
	f.t.Helper()
	every := time.NewTicker(1500 * time.Millisecond)
	defer every.Stop()
	for began := time.Now(); time.Since(began) < during; <-every.C {
		sent := time.Now()
		status, _, err := f.ring(ctx, "gate", fmt.Sprintf("%s-%d", name, len(took)), 0, still)
		if err != nil || status != http.StatusCreated {
			f.t.Fatalf("status %d, %v", status, err)
		}
		took = append(took, time.Since(sent).Round(time.Millisecond))
	}
	slices.Sort(took)
	return took
}

// floods sends hostile stills until ctx ends, each as another ring's, and returns
// a function that waits for the last and says how many were answered in which way.
func (f *flooded) floods(ctx context.Context) (answers func() map[int]int) {
	var sending sync.WaitGroup
	var mu sync.Mutex
	got := make(map[int]int)
	pictures := hostile.Pictures()
	sending.Go(func() {
		every := time.NewTicker(time.Second / 8)
		defer every.Stop()
		for n := 0; ; n++ {
			select {
			case <-every.C:
			case <-ctx.Done():
				return
			}
			sending.Go(func() {
				patient, hangUp := context.WithTimeout(f.t.Context(), 10*time.Second)
				defer hangUp()
				body := pictures[n%len(pictures)].Body
				status, _, err := f.ring(patient, "stolen", fmt.Sprint("flood-", n), 0, body)
				if err != nil {
					status = -1
				}
				mu.Lock()
				defer mu.Unlock()
				got[status]++
			})
		}
	})
	return func() map[int]int {
		sending.Wait()
		return got
	}
}

// TestThrong has one bell send twelve stills of 48 faces each, and waits for what
// is found on another's, which rings when they are kept.
func TestThrong(t *testing.T) {
	if raceDetector || testing.Short() {
		t.Skip("SKIPPED: times mean nothing with the race detector, and it takes a while")
	}
	f := newFlooded(t, "gate", "stolen")
	still, crowd := aVisitor().JPEG(85), crowdStill()
	find := func(ring string) time.Duration {
		began := time.Now()
		status, visit, err := f.ring(t.Context(), "gate", ring, 0, still)
		if err != nil || status != http.StatusCreated {
			t.Fatalf("status %d, %v", status, err)
		}
		f.untilExamined(visit)
		return time.Since(began).Round(time.Millisecond)
	}
	find("first") // the models are loaded
	alone := find("alone")
	var last atomic.Value
	var sending sync.WaitGroup
	for frame := range 12 {
		sending.Go(func() {
			status, visit, err := f.ring(t.Context(), "stolen", "crowd", frame, crowd)
			if err != nil || status != http.StatusCreated {
				t.Errorf("status %d, %v", status, err)
			}
			last.Store(visit)
		})
	}
	sending.Wait()
	began := time.Now()
	beside := find("beside")
	f.untilExamined(last.Load().(string))
	throng := time.Since(began).Round(time.Millisecond)
	t.Logf("findings come after %v alone, after %v beside a throng that takes %v", alone, beside, throng)
	if beside > throng/4+time.Second { // how long it is depends on the machine; that it does not wait for all does not
		t.Errorf("another bell's findings came after %v of the throng's %v", beside, throng)
	}
}

// crowdStill shows a drawn visitor's face 48 times.
func crowdStill() []byte {
	near := aVisitor()
	face := imaging.Resize(imaging.Crop(near.Image, near.Truth[0].Box.Inset(-near.Truth[0].Box.Dx()/5)), doorstep.Width/8, 0,
		imaging.Lanczos)
	crowd := doorstep.Still{Image: image.NewNRGBA(near.Image.Rect)}
	for i := range 48 {
		at := image.Pt(i%8*doorstep.Width/8, i/8*doorstep.Height/6)
		draw.Draw(crowd.Image, face.Rect.Add(at), face, image.Point{}, draw.Src)
	}
	return crowd.JPEG(85)
}
