package main

import (
	"bufio"
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/store"
	"lintel/store/seal"
)

var bellDocs = filepath.Join("..", "..", "docs", "bell")

// A bellHouse is a household whose bell front has a display, with a program that may
// send it messages.
type bellHouse struct {
	*household
	mqtt          string // where the broker is
	secret, token string
}

func newBellHouse(t *testing.T) *bellHouse {
	t.Helper()
	h := &bellHouse{household: newHousehold(t)}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	h.mqtt = l.Addr().String()
	l.Close()
	h.secret = strings.TrimSpace(h.lintel("bell", "add", "front"))
	h.token = strings.TrimSpace(h.lintel("token", "add", "Desk", "--scope", "send-messages"))
	err = h.archive(func(a *store.Archive) error { return a.SetDisplay(t.Context(), "front", house.UsualDisplay) })
	if err != nil {
		t.Fatal(err)
	}
	return h
}

// archive looks into the household's archive, while a server may run.
func (h *bellHouse) archive(look func(*store.Archive) error) error {
	h.t.Helper()
	key, err := seal.ReadKey(h.key)
	if err != nil {
		return err
	}
	a, err := store.Open(h.t.Context(), h.data, key, time.Now)
	if err != nil {
		return err
	}
	return errors.Join(look(a), a.Close())
}

func (h *bellHouse) opens() { h.serve("--mqtt-listen", h.mqtt) }

// says sends a message to the bell's display.
func (h *bellHouse) says(text string) {
	h.t.Helper()
	body, err := json.Marshal(map[string]string{"text": text})
	if err != nil {
		h.t.Fatal(err)
	}
	req, err := http.NewRequestWithContext(h.t.Context(), "POST", h.url+"/api/v1/bells/front/message",
		bytes.NewReader(body))
	if err != nil {
		h.t.Fatal(err)
	}
	req.Header.Set("Authorization", "Bearer "+h.token)
	req.Header.Set("Content-Type", "application/json")
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		h.t.Fatal(err)
	}
	defer resp.Body.Close()
	if answer, _ := io.ReadAll(resp.Body); resp.StatusCode != http.StatusCreated {
		h.t.Fatalf("sending a message: %s %s", resp.Status, answer)
	}
}

// A street lies between a bell and the server. It notes what passes, and answers for
// the server where it is told to.
type street struct {
	*httptest.Server
	mu      sync.Mutex
	instead []int // statuses that the next stills are answered with
	passed  []passed
}

type passed struct {
	what, ring, frame, taken string
	status                   int
}

func newStreet(t *testing.T, to string) *street {
	t.Helper()
	server, err := url.Parse(to)
	if err != nil {
		t.Fatal(err)
	}
	s := new(street)
	proxy := httputil.NewSingleHostReverseProxy(server)
	proxy.ModifyResponse = func(r *http.Response) error {
		s.note(r.Request, r.StatusCode)
		return nil
	}
	proxy.ErrorHandler = func(http.ResponseWriter, *http.Request, error) { panic(http.ErrAbortHandler) }
	s.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if status := s.answers(r); status > 0 {
			w.Header().Set("Retry-After", "2")
			w.WriteHeader(status)
			return
		}
		proxy.ServeHTTP(w, r)
	}))
	t.Cleanup(s.Close)
	return s
}

func (s *street) note(r *http.Request, status int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.passed = append(s.passed, passed{r.Method + " " + r.URL.Path[strings.LastIndex(r.URL.Path, "/")+1:],
		r.Header.Get("Lintel-Ring"), r.Header.Get("Lintel-Frame"), r.Header.Get("Lintel-Taken-At"), status})
}

func (s *street) answers(r *http.Request) (status int) {
	s.mu.Lock()
	if len(s.instead) > 0 && strings.HasSuffix(r.URL.Path, "/stills") {
		status, s.instead = s.instead[0], s.instead[1:]
	}
	s.mu.Unlock()
	if status > 0 {
		s.note(r, status)
	}
	return status
}

func (s *street) answerWith(statuses ...int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.instead = statuses
}

// took returns what passed since it was asked last.
func (s *street) took() (all []passed) {
	s.mu.Lock()
	defer s.mu.Unlock()
	all, s.passed = s.passed, nil
	return all
}

// A board is the sketch at work.
type board struct {
	t     *testing.T
	in    io.Writer
	lines chan string
}

// build compiles the sketch for this machine, with the settings of a house.
func build(t *testing.T, server, secret string) (program string) {
	t.Helper()
	at, err := url.Parse(server)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	sketch, err := os.ReadFile(filepath.Join(bellDocs, "sketch", "sketch.ino"))
	if err != nil {
		t.Fatal(err)
	}
	settings, err := os.ReadFile(filepath.Join(bellDocs, "sketch", "settings.h"))
	if err != nil {
		t.Fatal(err)
	}
	for from, to := range map[string]string{"192.168.1.7": at.Hostname(), "8420": at.Port(),
		"what it printed below": secret} {
		if n := bytes.Count(settings, []byte(from)); n != 1 {
			t.Fatalf("settings.h has %s %d times", from, n)
		}
		settings = bytes.ReplaceAll(settings, []byte(from), []byte(to))
	}
	for name, text := range map[string][]byte{"sketch.ino": sketch, "settings.h": settings} {
		if err := os.WriteFile(filepath.Join(dir, name), text, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	program = filepath.Join(dir, "bell")
	stand := filepath.Join(bellDocs, "stand-ins")
	compiler := exec.CommandContext(t.Context(), cmp.Or(os.Getenv("CXX"), "g++"), "-std=c++17", "-Wall", "-Wextra",
		"-Werror", "-I", stand, "-o", program, "-x", "c++",
		filepath.Join(dir, "sketch.ino"), filepath.Join(stand, "host.cpp"))
	if text, err := compiler.CombinedOutput(); err != nil {
		t.Fatalf("compiling the sketch: %v\n%s", err, text)
	}
	return program
}

// starts runs the sketch; said is what happens to the board at once.
func starts(t *testing.T, program, said string) *board {
	t.Helper()
	c := exec.CommandContext(t.Context(), program)
	c.Env = append(os.Environ(), "BOARD_HURRY=10", "BOARD_PICTURE="+aVisitorsFile(t))
	in, err := c.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := c.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	c.Stderr = os.Stderr
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	b := &board{t: t, in: in, lines: make(chan string, 1000)}
	b.tell(said)
	go func() {
		defer close(b.lines)
		for lines := bufio.NewScanner(out); lines.Scan(); {
			b.lines <- lines.Text()
		}
	}()
	t.Cleanup(func() {
		in.Close() // which ends it
		if err := c.Wait(); err != nil && t.Context().Err() == nil {
			t.Errorf("the sketch ended with %v", err)
		}
	})
	return b
}

func (b *board) tell(word string) {
	b.t.Helper()
	if word == "" {
		return
	}
	if _, err := fmt.Fprintln(b.in, word); err != nil {
		b.t.Fatal(err)
	}
}

// until reads what the board prints up to a line that matches, and returns its groups.
func (b *board) until(pattern string) (groups []string) {
	b.t.Helper()
	p := regexp.MustCompile(pattern)
	over := time.After(time.Minute)
	var read []string
	for {
		select {
		case line, ok := <-b.lines:
			if groups = p.FindStringSubmatch(line); groups != nil {
				return groups
			}
			if read = append(read, line); ok {
				continue
			}
		case <-over:
		}
		b.t.Fatalf("no line matched %s: %q", pattern, read)
	}
}

// rung reads up to when a whole ring is kept and the display says so, and returns its id.
func (b *board) rung() (ring string) {
	b.t.Helper()
	ring = b.kept()
	b.until(`^\| {20}\|They know {11}`)
	return ring
}

// kept reads up to when a whole ring is kept, and returns its id. A still is kept with 201, or was before, 200, where
// the machine was too busy to answer the first time.
func (b *board) kept() (ring string) {
	b.t.Helper()
	for frame := range 3 {
		g := b.until(fmt.Sprintf(`^still ([0-9a-f]{16}) %d: 20[01]$`, frame))
		if frame > 0 && g[1] != ring {
			b.t.Errorf("frame %d is of ring %s, not %s", frame, g[1], ring)
		}
		ring = g[1]
	}
	return ring
}

// TestSketchDay has the sketch of docs/bell be a bell for a day: compiled for this
// machine, with stand-ins in place of the board's headers, and real sockets. It says
// nothing of a board, of which there was none.
func TestSketchDay(t *testing.T) {
	h := newBellHouse(t)
	h.opens()
	defer func() { h.stop() }()
	s := newStreet(t, h.url)
	b := starts(t, build(t, s.URL, h.secret), "touch")

	// Before anybody told it the time, and what to show: that comes at about the same moment.
	b.kept()
	for i, p := range ofStills(s.took()) {
		if (p.taken == "") != (i == 0) {
			t.Errorf("still %d was taken at %q: the time comes with the first answer", i, p.taken)
		}
	}
	b.until("^heartbeat$")

	b.tell("wifi-off")
	b.tell("touch")
	b.until(`\|One moment`)
	b.tell("wifi-on")
	b.rung()

	s.took()
	s.answerWith(429, 507, 503)
	b.tell("touch")
	for _, status := range []int{429, 507, 503} {
		g := b.until(fmt.Sprintf(`^still [0-9a-f]{16} 0: %d, again in (\d+) ms$`, status))
		if ms, err := strconv.Atoi(g[1]); err != nil || ms < 2000 {
			t.Errorf("%d: again in %d ms, though it was told to wait 2 s", status, ms)
		}
	}
	ring := b.rung()
	if all := ofStills(s.took()); len(all) != 6 || all[0].ring != ring || all[0].taken == "" {
		t.Errorf("of ring %s came %+v", ring, all)
	}

	h.stop()
	b.tell("touch")
	ring = b.until(`^still ([0-9a-f]{16}) 0: 0, again in \d+ ms$`)[1]
	h.opens()
	if again := b.rung(); again != ring {
		t.Errorf("the ring %s came as %s", ring, again)
	}

	h.says("Coming!")
	b.until(`^\| {20}\|      Coming!       \|`)
	b.until(`^shown \w+: 204$`)
	stopsWhenUnknown(t, h, s, b)
}

// stopsWhenUnknown gives the bell's address another secret: the sketch says so, and is
// silent from then on.
func stopsWhenUnknown(t *testing.T, h *bellHouse, s *street, b *board) {
	t.Helper()
	b.tell("wifi-off")
	b.tell("touch")
	b.until(`\|One moment`)
	h.lintel("bell", "remove", "front")
	h.lintel("bell", "add", "front")
	s.took()
	b.tell("wifi-on")
	b.until(`^\| {20}\|Wrong secret {8}`)
	b.tell("touch")
	b.tell("end")
	for line := range b.lines {
		t.Errorf("after a wrong secret it says %q", line)
	}
	if all := s.took(); len(all) != 1 || all[0].status != 401 {
		t.Errorf("with a wrong secret came %+v", all)
	}
}

func ofStills(all []passed) (stills []passed) {
	for _, p := range all {
		if p.what == "POST stills" {
			stills = append(stills, p)
		}
	}
	return stills
}
