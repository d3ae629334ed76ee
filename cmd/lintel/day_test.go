package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"os"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"
)

// A day of a door takes 14 minutes 24 seconds at 100 times its speed.
var day = flag.Duration("day", 12*time.Second, "how long TestDay goes on, at a door's speed times 100; 864s is a day")

// A rung is a still that a bell sent at least once.
type rung struct {
	bell, ring string
	frame      int
	number     int  // of the studio's
	kept       bool // acknowledged
}

// A busyDay is a house with bells that have every trouble, and a server that is
// killed and started again.
type busyDay struct {
	*flooded
	studio studio
	bells  []string
	began  time.Time

	numbers atomic.Int64 // stills so far
	tries   atomic.Int64 // and how often one was sent

	mu       sync.Mutex
	sent     []*rung
	troubles map[string]int
}

// TestDay has three bells ring as at a door where somebody comes every minute,
// 100 times as fast, with the troubles of [busyDay.send] and restarts. In the end each
// still that was acknowledged is in the archive once, each other once or not at all,
// all show what was sent, and all are examined. The server's clock goes as ever.
func TestDay(t *testing.T) {
	if raceDetector || testing.Short() {
		t.Skip("SKIPPED: examining takes too long with the race detector, and it takes a while")
	}
	d := &busyDay{studio: newStudio(640), bells: []string{"gate", "garden", "yard"}, troubles: make(map[string]int)}
	d.flooded = newFlooded(t, d.bells...)
	d.began = time.Now()
	ctx, over := context.WithTimeout(t.Context(), *day)
	defer over()
	var living sync.WaitGroup
	for i, bell := range d.bells {
		living.Go(func() { d.rings(ctx, from(i), bell, rand.New(rand.NewPCG(3, uint64(i)))) })
	}
	restarts := d.restarts(ctx, rand.New(rand.NewPCG(4, 5)))
	living.Wait()
	d.untilAllExamined()
	d.checkBook()
	d.end(os.Interrupt)
	d.checkVerify()
	t.Logf("%s of a door: %d stills sent, %d acknowledged, %d restarts, troubles %v",
		100**day, len(d.sent), d.acknowledged(), restarts, d.troubles)
	for _, trouble := range []string{"cut", "answer unheard", "twice", "slow", "wrong clock", "other bytes"} {
		if d.troubles[trouble] == 0 || restarts == 0 {
			t.Errorf("%s: never; %d restarts", trouble, restarts)
		}
	}
}

// rings has a bell ring every second and a half or so, which is every few minutes of its day,
// until ctx ends; what it began it ends then.
func (d *busyDay) rings(ctx context.Context, client *http.Client, bell string, r *rand.Rand) {
	for n := 0; ctx.Err() == nil; n++ {
		ring := fmt.Sprintf("%s-%d", bell, n)
		for frame := range 1 + r.IntN(5) {
			s := &rung{bell: bell, ring: ring, frame: frame, number: int(d.numbers.Add(1))}
			d.mu.Lock()
			d.sent = append(d.sent, s)
			d.mu.Unlock()
			d.deliver(client, s, r)
		}
		select {
		case <-time.After(time.Duration(r.ExpFloat64() * 1.5 * float64(time.Second))):
		case <-ctx.Done():
		}
	}
}

// deliver sends a still until it is acknowledged, or until the bell gives up, as one
// in eight does after a failure.
func (d *busyDay) deliver(client *http.Client, s *rung, r *rand.Rand) {
	body := d.studio.still(s.number)
	for try := 0; ; try++ {
		a, err := d.send(client, s, body, r)
		if err == nil && (a.status == http.StatusCreated || a.status == http.StatusOK) {
			s.kept = true
			return
		}
		if try > 2 && r.IntN(8) == 0 {
			d.count("gave up")
			return
		}
		busy := a.status == http.StatusTooManyRequests || a.status == http.StatusServiceUnavailable
		if err == nil && !(busy && a.wait > 0) {
			d.t.Errorf("%s, frame %d: status %d, to wait %s", s.ring, s.frame, a.status, a.wait)
			return
		}
		if busy {
			d.count("told to wait")
		}
		<-time.After(max(a.wait, 100*time.Millisecond))
	}
}

func (d *busyDay) count(trouble string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.troubles[trouble]++
}

// errCut is that a bell's connection broke while it sent.
var errCut = errors.New("cut")

// A broken body breaks off, or comes slowly.
type broken struct {
	io.Reader
	slow bool
}

func (b broken) Read(p []byte) (int, error) {
	if b.slow {
		<-time.After(30 * time.Millisecond)
		p = p[:min(len(p), 4<<10)]
	}
	n, err := b.Reader.Read(p)
	if err == io.EOF && !b.slow {
		err = errCut
	}
	return n, err
}

// send sends a still once, half of the time with one of a bell's troubles: a
// connection that is cut, an answer that is not heard, a network that brings a packet
// twice, slowly, or a clock that is years wrong.
func (d *busyDay) send(client *http.Client, s *rung, body []byte, r *rand.Rand) (answered, error) {
	req, err := d.request(d.t.Context(), s.bell, s.ring, s.frame, bytes.NewReader(body))
	if err != nil {
		return answered{}, err
	}
	switch d.tries.Add(1) % 12 {
	case 0:
		d.count("cut")
		req.Body = io.NopCloser(broken{Reader: bytes.NewReader(body[:r.IntN(len(body))])})
	case 1:
		d.count("answer unheard")
		ctx, hangUp := context.WithTimeout(d.t.Context(), time.Duration(r.IntN(80))*time.Millisecond)
		defer hangUp()
		req = req.WithContext(ctx)
	case 2:
		d.count("twice")
		again := req.Clone(d.t.Context())
		again.Body = io.NopCloser(bytes.NewReader(body))
		var second sync.WaitGroup
		second.Go(func() { post(client, again, d.began) })
		defer second.Wait()
	case 3:
		d.count("slow")
		req.Body = io.NopCloser(broken{bytes.NewReader(body), true})
	case 4:
		d.count("wrong clock")
		at := time.Date(1970+r.IntN(130), 1, 1, 0, 0, 0, 0, time.UTC)
		req.Header.Set("Lintel-Taken-At", at.Format(time.RFC3339))
	case 5:
		return d.sendOther(client, s, body)
	}
	return post(client, req, d.began)
}

// sendOther sends a still, and then another one in its name, which is refused.
func (d *busyDay) sendOther(client *http.Client, s *rung, body []byte) (answered, error) {
	first, err := d.request(d.t.Context(), s.bell, s.ring, s.frame, bytes.NewReader(body))
	if err != nil {
		return answered{}, err
	}
	a, err := post(client, first, d.began)
	if err != nil || a.status != http.StatusCreated && a.status != http.StatusOK {
		return a, err
	}
	d.count("other bytes")
	other := d.studio.still(s.number + 1<<20)
	second, err := d.request(d.t.Context(), s.bell, s.ring, s.frame, bytes.NewReader(other))
	if err != nil {
		return answered{}, err
	}
	if b, err := post(client, second, d.began); err == nil && (b.status < 400 || b.status >= 500 && b.status != 503) {
		d.t.Errorf("%s, frame %d: other bytes were answered %d", s.ring, s.frame, b.status)
	}
	return a, nil
}

// restarts ends the server every five seconds or so and starts it again, by turns
// killed and asked to stop, until ctx ends. It returns how often.
func (d *busyDay) restarts(ctx context.Context, r *rand.Rand) (n int) {
	for {
		select {
		case <-time.After(3*time.Second + time.Duration(r.IntN(4000))*time.Millisecond):
		case <-ctx.Done():
			return n
		}
		d.end([]os.Signal{syscall.SIGKILL, os.Interrupt}[n%2])
		d.start()
		n++
	}
}

func (d *busyDay) acknowledged() (n int) {
	for _, s := range d.sent {
		if s.kept {
			n++
		}
	}
	return n
}

// untilAllExamined waits until no still in the archive is pending.
func (d *busyDay) untilAllExamined() {
	d.t.Helper()
	poll := time.NewTicker(100 * time.Millisecond)
	defer poll.Stop()
	for {
		pending := 0
		for _, v := range d.book() {
			pending += len(v.Stills) - v.examined()
		}
		if pending == 0 {
			return
		}
		select {
		case <-poll.C:
		case <-time.After(time.Until(d.began.Add(*day + 3*time.Minute))):
			d.t.Fatalf("%d stills are not examined three minutes after the day", pending)
		}
	}
}

// checkBook accounts for every still. Outside: libjpeg-turbo's djpeg decodes what the
// archive has and what was sent.
func (d *busyDay) checkBook() {
	d.t.Helper()
	type place struct {
		ring  string
		frame int
	}
	sent := make(map[place]*rung)
	for _, s := range d.sent {
		sent[place{s.ring, s.frame}] = s
	}
	seen := make(map[place]bool)
	rings := make(map[string]bool)
	for _, v := range d.book() {
		if rings[v.Ring] {
			d.t.Errorf("two visits of ring %s", v.Ring)
		}
		rings[v.Ring] = true
		for _, still := range v.Stills {
			at := place{v.Ring, still.Frame}
			s := sent[at]
			if s == nil || s.bell != v.Bell || seen[at] || still.State != "done" {
				d.t.Errorf("%s of %s, frame %d: never sent, of another bell, there twice, or %s", v.Ring, v.Bell, still.Frame,
					still.State)
				continue
			}
			seen[at] = true
			kept := d.get(fmt.Sprintf("/api/v1/visits/%s/stills/%d", v.ID, still.Frame))
			if !bytes.Equal(pixels(d.t, kept), pixels(d.t, d.studio.still(s.number))) {
				d.t.Errorf("%s, frame %d shows something else", v.Ring, still.Frame)
			}
		}
	}
	for at, s := range sent {
		if s.kept && !seen[at] {
			d.t.Errorf("%s, frame %d was acknowledged and is not there", at.ring, at.frame)
		}
	}
}

// checkVerify has `lintel verify` look at all of the archive.
func (d *busyDay) checkVerify() {
	d.t.Helper()
	var report struct{ Stills, Lost, Left int }
	if err := json.Unmarshal([]byte(d.lintel("verify", "--json")), &report); err != nil {
		d.t.Fatal(err)
	}
	if report.Lost > 0 || report.Left > 0 || report.Stills < d.acknowledged() {
		d.t.Errorf("verify: %+v, with %d acknowledged", report, d.acknowledged())
	}
}
