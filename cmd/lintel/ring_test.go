package main

import (
	"bytes"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"
)

// A doorbell is a server that takes any still, and remembers what came.
type doorbell struct {
	mu    sync.Mutex
	rings []string
	came  []string // what was in the stills
	taken []time.Time
}

func (d *doorbell) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	d.mu.Lock()
	defer d.mu.Unlock()
	body, _ := io.ReadAll(r.Body)
	taken, err := time.Parse(time.RFC3339Nano, r.Header.Get("Lintel-Taken-At"))
	if err != nil || r.Header.Get("Lintel-Frame") != fmt.Sprint(len(d.came)) {
		w.WriteHeader(http.StatusBadRequest)
		return
	}
	d.rings, d.came, d.taken = append(d.rings, r.Header.Get("Lintel-Ring")), append(d.came, string(body)),
		append(d.taken, taken)
	w.WriteHeader(http.StatusCreated)
	w.Write([]byte("{}"))
}

// rings runs the command, and returns what came.
func rings(t *testing.T, want int, args ...string) (d *doorbell, complaint string) {
	t.Helper()
	d = new(doorbell)
	server := httptest.NewServer(d)
	defer server.Close()
	var out, errs bytes.Buffer
	args = append([]string{"ring", "--server", server.URL, "--secret", "SECRET"}, args...)
	if status := run(t.Context(), args, &out, &errs); status != want {
		t.Errorf("status %d, want %d: %s", status, want, &errs)
	}
	return d, errs.String()
}

// TestRingFromFolder sends a burst from a folder: of pictures from long ago as if
// they were taken now, and of a camera's when it took them. Other files, and
// pictures too near to each other, are passed over.
func TestRingFromFolder(t *testing.T) {
	dir := t.TempDir()
	old := time.Now().Add(-time.Hour)
	put := func(name string, at time.Time) {
		t.Helper()
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(name), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.Chtimes(path, at, at); err != nil {
			t.Fatal(err)
		}
	}
	for _, name := range []string{"1.jpg", "2.JPEG", "3.png", "4.jpg", "5.txt"} {
		put(name, old)
	}
	if err := os.Mkdir(filepath.Join(dir, "6.jpg"), 0o700); err != nil {
		t.Fatal(err)
	}
	before := time.Now()
	d, _ := rings(t, 0, dir)
	if want := []string{"2.JPEG", "3.png", "4.jpg"}; !slices.Equal(d.came, want) || len(slices.Compact(d.rings)) != 1 {
		t.Errorf("came %v, want %v, rings %v", d.came, want, d.rings)
	}
	for i, at := range d.taken {
		if at.Before(before) || i > 0 && at.Sub(d.taken[i-1]) < burstApart {
			t.Errorf("taken at %v, the first after %v", d.taken, before)
		}
	}
	for _, name := range []string{"6.jpeg", "7.jpg", "8.jpg"} { // copied just now
		put(name, time.Now())
	}
	if d, _ := rings(t, 0, dir); !slices.Equal(d.came, []string{"6.jpeg", "7.jpg", "8.jpg"}) {
		t.Errorf("of files copied just now came %v", d.came)
	}
	now := time.Now().Add(time.Second)
	for i := range 12 { // ten each second
		put(fmt.Sprintf("live-%02d.jpg", i), now.Add(time.Duration(i-12)*100*time.Millisecond))
	}
	d, _ = rings(t, 0, dir, "--frames", "2")
	if want := []string{"live-07.jpg", "live-11.jpg"}; !slices.Equal(d.came, want) {
		t.Errorf("came %v, want %v", d.came, want)
	}
	if gap := d.taken[1].Sub(d.taken[0]); gap != 400*time.Millisecond {
		t.Errorf("taken %v apart", gap)
	}
}

func TestRingRefused(t *testing.T) {
	dir := t.TempDir()
	for name, c := range map[string]struct {
		status int
		args   []string
		says   string
	}{
		"nothing there":     {2, []string{filepath.Join(dir, "none.jpg")}, "no such file"},
		"an empty folder":   {1, []string{dir}, "no picture"},
		"too many frames":   {2, []string{dir, "--frames", "17"}, "1 to 16"},
		"a folder and more": {2, []string{dir, dir}, "give it alone"},
	} {
		if d, complaint := rings(t, c.status, c.args...); !strings.Contains(complaint, c.says) || len(d.came) > 0 {
			t.Errorf("%s: %q, came %v", name, complaint, d.came)
		}
	}
}

// A frame that the server is too busy for is sent again when it says, a second later
// (RFC 9110, section 10.2.3), and nothing is lost.
func TestRingObeys(t *testing.T) {
	file := filepath.Join(t.TempDir(), "still.jpg")
	if err := os.WriteFile(file, []byte("still"), 0o600); err != nil {
		t.Fatal(err)
	}
	var told time.Time
	d := new(doorbell)
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if told.IsZero() {
			told = time.Now()
			w.Header().Set("Retry-After", "1")
			w.WriteHeader(http.StatusTooManyRequests)
			return
		}
		if waited := time.Since(told); waited < time.Second {
			t.Errorf("it was sent again after %s", waited)
		}
		d.ServeHTTP(w, r)
	}))
	defer server.Close()
	args := []string{"ring", "--server", server.URL, "--secret", "SECRET", file}
	if status := run(t.Context(), args, io.Discard, t.Output()); status != exitRight || len(d.came) != 1 {
		t.Errorf("status %d, %d stills came", status, len(d.came))
	}
}
