package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"io"
	"net"
	"net/http"
	"os/exec"
	"slices"
	"strconv"
	"sync"
	"testing"
	"time"

	"github.com/disintegration/imaging"
	"github.com/gorilla/websocket"
)

// A studio makes stills that can be told from each other.
type studio struct{ scene *image.NRGBA }

// newStudio has a visitor by night, on stills so wide.
func newStudio(width int) studio {
	return studio{imaging.Resize(visitorAt(22).Image, width, 0, imaging.Lanczos)}
}

// still is the n-th, and always the same: n is in its corner, 24 squares of black
// and white.
func (s studio) still(n int) []byte {
	marked := image.NewNRGBA(s.scene.Rect)
	copy(marked.Pix, s.scene.Pix)
	for bit := range 24 {
		at := image.Rect(0, 0, 16, 16).Add(image.Pt(bit%8*16, bit/8*16))
		shade := color.Gray{uint8(n >> bit & 1 * 255)}
		draw.Draw(marked, at, image.NewUniform(shade), image.Point{}, draw.Src)
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, marked, &jpeg.Options{Quality: 85}); err != nil {
		panic(err) // a buffer takes everything
	}
	return b.Bytes()
}

// pixels are what libjpeg-turbo's djpeg sees in a JPEG, the judge here, which has
// nothing of the project's.
func pixels(t *testing.T, picture []byte) []byte {
	t.Helper()
	djpeg, err := exec.LookPath("djpeg")
	if err != nil {
		t.Skip("SKIPPED: djpeg is missing; `make test` installs it")
	}
	cmd := exec.Command(djpeg, "-pnm")
	cmd.Stdin = bytes.NewReader(picture)
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("djpeg: %v", err)
	}
	return out
}

// from returns a client that comes from an address of its own, 127.1.0.n, as each
// bell of a house does (RFC 6890 has all of 127.0.0.0/8 for loopback).
func from(n int) *http.Client {
	dial := net.Dialer{LocalAddr: &net.TCPAddr{IP: net.IPv4(127, 1, byte(n>>8), byte(n))}}
	return &http.Client{Timeout: time.Minute, Transport: &http.Transport{DialContext: dial.DialContext}}
}

// An answered is how a still was answered: when it was sent, how long it took, what
// the status was, and how long to wait, where that was said.
type answered struct {
	at, took time.Duration
	status   int
	wait     time.Duration
	visit    string
}

// post sends a request and returns how it was answered.
func post(bell *http.Client, r *http.Request, began time.Time) (answered, error) {
	a := answered{at: time.Since(began)}
	resp, err := bell.Do(r)
	if err != nil {
		return a, err
	}
	defer resp.Body.Close()
	var receipt struct{ Visit string }
	err = json.NewDecoder(resp.Body).Decode(&receipt)
	io.Copy(io.Discard, resp.Body)
	a.took, a.status, a.visit = time.Since(began)-a.at, resp.StatusCode, receipt.Visit
	seconds, _ := strconv.Atoi(resp.Header.Get("Retry-After"))
	a.wait = time.Duration(seconds) * time.Second
	return a, err
}

// untilKept sends a still again, as a bell that obeys does, until it is kept, and
// returns all answers, that one last.
func (f *flooded) untilKept(ctx context.Context, bell *http.Client, name, ring string, frame int, body []byte,
	began time.Time) (all []answered, err error) {
	for {
		r, err := f.request(ctx, name, ring, frame, bytes.NewReader(body))
		if err != nil {
			return all, err
		}
		a, err := post(bell, r, began)
		if err != nil {
			return all, err
		}
		all = append(all, a)
		switch {
		case a.status == http.StatusCreated || a.status == http.StatusOK:
			return all, nil
		case a.status != http.StatusTooManyRequests || a.wait == 0:
			return all, fmt.Errorf("%s, ring %s: status %d, to wait %s", name, ring, a.status, a.wait)
		}
		select {
		case <-time.After(a.wait):
		case <-ctx.Done():
			return all, ctx.Err()
		}
	}
}

// A toldOf is what a tablet was told of a visit, and when.
type toldOf struct {
	Visit struct{ ID string }
	at    time.Duration
}

// dial opens a live connection from an address of its own.
func (f *flooded) dial(n int) *websocket.Conn {
	f.t.Helper()
	local := net.Dialer{LocalAddr: &net.TCPAddr{IP: net.IPv4(127, 2, byte(n>>8), byte(n))}}
	dialer := websocket.Dialer{NetDialContext: local.DialContext, HandshakeTimeout: time.Minute}
	conn, _, err := dialer.DialContext(f.t.Context(), "ws://"+f.listen+"/api/v1/live?since=0",
		http.Header{"Authorization": {"Bearer " + f.token}})
	if err != nil {
		f.t.Fatal(err)
	}
	return conn
}

// listens has a tablet listen, until it is hung up; then it says what it was told.
func (f *flooded) listens(began time.Time) (hungUp func() []toldOf) {
	f.t.Helper()
	conn := f.dial(0)
	var listening sync.WaitGroup
	var all []toldOf
	listening.Go(func() {
		for {
			var h toldOf
			if conn.ReadJSON(&h) != nil {
				return
			}
			h.at = time.Since(began)
			all = append(all, h)
		}
	})
	return func() []toldOf {
		conn.Close()
		listening.Wait()
		return all
	}
}

// follow asks what changed until so many stills are examined, and returns the
// visits in the order of their first findings.
func (f *flooded) follow(stills int) (found []string) {
	f.t.Helper()
	done, known := make(map[string]int), int64(0)
	for poll := time.NewTicker(50 * time.Millisecond); ; <-poll.C {
		var page struct{ Visits []bookVisit }
		if err := json.Unmarshal(f.get(fmt.Sprintf("/api/v1/visits?limit=100&since=%d", known)), &page); err != nil {
			f.t.Fatal(err)
		}
		for _, v := range page.Visits { // in the order of their changes
			known = max(known, v.Revision)
			if done[v.ID] == 0 && v.examined() > 0 {
				found = append(found, v.ID)
			}
			done[v.ID] = v.examined()
		}
		sum := 0
		for _, n := range done {
			sum += n
		}
		if sum >= stills {
			poll.Stop()
			return found
		}
	}
}

// A quantile of durations, 0 to 1, the nearest rank.
func quantile(all []time.Duration, q float64) time.Duration {
	if len(all) == 0 {
		return 0
	}
	all = slices.Sorted(slices.Values(all))
	return all[min(int(q*float64(len(all))), len(all)-1)].Round(time.Millisecond)
}

// shape says a distribution in a few words.
func shape(all []time.Duration) string {
	return fmt.Sprintf("%d: median %s, p95 %s, p99 %s, longest %s", len(all), quantile(all, .5), quantile(all, .95),
		quantile(all, .99), quantile(all, 1))
}

// A bookVisit is a visit as the API has it.
type bookVisit struct {
	ID, Bell, Ring string
	Revision       int64
	ReceivedAt     time.Time `json:"received_at"`
	Stills         []struct {
		Frame   int
		Present bool
		State   string
	}
}

// examined is how many stills of the visit have findings.
func (v bookVisit) examined() (n int) {
	for _, s := range v.Stills {
		if s.State == "done" {
			n++
		}
	}
	return n
}

// pending reports whether a still of the visit waits to be examined.
func (v bookVisit) pending() bool {
	for _, s := range v.Stills {
		if s.State == "pending" {
			return true
		}
	}
	return false
}

// get asks the API for what the program may see.
func (f *flooded) get(path string) []byte {
	f.t.Helper()
	r, err := http.NewRequestWithContext(f.t.Context(), "GET", f.url+path, nil)
	if err != nil {
		f.t.Fatal(err)
	}
	r.Header.Set("Authorization", "Bearer "+f.token)
	resp, err := http.DefaultClient.Do(r)
	if err != nil {
		f.t.Fatal(err)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err != nil || resp.StatusCode != http.StatusOK {
		f.t.Fatalf("%s: status %d, %v", path, resp.StatusCode, err)
	}
	return body
}

// book reads all visits, page by page.
func (f *flooded) book() (all []bookVisit) {
	f.t.Helper()
	for next := ""; ; {
		var page struct {
			Visits []bookVisit
			Next   string
		}
		if err := json.Unmarshal(f.get("/api/v1/visits?limit=100&cursor="+next), &page); err != nil {
			f.t.Fatal(err)
		}
		all = append(all, page.Visits...)
		if next = page.Next; next == "" {
			return all
		}
	}
}
