package web

import (
	"bytes"
	"context"
	"crypto/tls"
	"flag"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"lintel/web/allow"
)

var attack = flag.Bool("attack", false, "guess from 200 addresses at the costs and by the clock of a real server")

// An attacked server is on a port of this machine, whose addresses 127.0.0.0/8 are all
// its own (RFC 1122, section 3.2.1.3): each may come from as many as it takes.
type attacked struct {
	*household
	base string
}

// underAttack has the house served as cmd/lintel does.
func underAttack(t *testing.T, h *household) attacked {
	t.Helper()
	inner, err := net.Listen("tcp4", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	server := &http.Server{Handler: h, ReadHeaderTimeout: 5 * time.Second, ReadTimeout: time.Minute,
		TLSNextProto: map[string]func(*http.Server, *tls.Conn, http.Handler){}}
	served := make(chan error, 1)
	go func() { served <- server.Serve(allow.Listen(inner)) }()
	t.Cleanup(func() {
		server.Close()
		<-served
	})
	return attacked{h, "http://" + inner.Addr().String()}
}

// from is somebody at an address.
func (a attacked) from(address string) *http.Client {
	d := net.Dialer{LocalAddr: &net.TCPAddr{IP: net.ParseIP(address)}, Timeout: 30 * time.Second}
	return &http.Client{
		Transport:     &http.Transport{DialContext: d.DialContext, DisableKeepAlives: true},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
		Timeout:       time.Minute,
	}
}

// signs sends a form of signing in, and returns the status, 0 for none.
func (a attacked) signs(ctx context.Context, c *http.Client, password string, cookies ...*http.Cookie) (int,
	[]*http.Cookie) {
	form := url.Values{"name": {"Odile"}, "password": {password}}
	r, err := http.NewRequestWithContext(ctx, "POST", a.base+"/sign-in", strings.NewReader(form.Encode()))
	if err != nil {
		return 0, nil
	}
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	for _, cookie := range cookies {
		r.AddCookie(cookie)
	}
	answer, err := c.Do(r)
	if err != nil {
		return 0, nil
	}
	defer answer.Body.Close()
	io.Copy(io.Discard, answer.Body)
	return answer.StatusCode, answer.Cookies()
}

// until signs in rightly, and again each second while it is told to come again.
func (a attacked) until(t *testing.T, c *http.Client, cookies ...*http.Cookie) (took time.Duration, tries int) {
	t.Helper()
	for began := time.Now(); time.Since(began) < 3*time.Minute; time.Sleep(time.Second) { // by a real clock
		tries++
		if status, _ := a.signs(t.Context(), c, password, cookies...); status == http.StatusSeeOther {
			return time.Since(began), tries
		}
	}
	t.Error("nobody gets in")
	return 0, tries
}

// TestSlowHeaders opens 1,000 connections from one address that never end their
// headers: another address is served at once.
func TestSlowHeaders(t *testing.T) {
	a := underAttack(t, newHouse(t))
	d := net.Dialer{LocalAddr: &net.TCPAddr{IP: net.ParseIP("127.0.0.2")}, Timeout: 30 * time.Second}
	for range 1000 {
		conn, err := d.DialContext(t.Context(), "tcp4", a.base[len("http://"):])
		if err != nil {
			t.Skip("SKIPPED: this machine has no such address: ", err)
		}
		defer conn.Close()
		io.WriteString(conn, "GET /healthz HTTP/1.1\r\nHost: x\r\nX-Slow: ")
	}
	answer, err := a.from("127.0.0.3").Get(a.base + "/healthz")
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	if body, err := io.ReadAll(answer.Body); err != nil || string(body) != "up\n" {
		t.Errorf("%q, %v", body, err)
	}
}

// TestAttack has 200 addresses guess once a second each, by the real clock and at real
// costs, while Odile signs in from a new device and from one that is known; and then 100
// addresses sign in at one moment. Its figures are in MEASUREMENTS.md.
func TestAttack(t *testing.T) {
	if !*attack {
		t.Skip("SKIPPED: takes two minutes of both cores; run it with -attack")
	}
	h, token := settledHouse(t)
	now := time.Now
	h.entry = newEntry(now)
	a := underAttack(t, h)
	_, known := a.signs(t.Context(), a.from("127.0.5.1"), password)
	resting := memory(t)
	ctx, stop := context.WithCancel(t.Context())
	answers, all := make(chan int, 1<<16), sync.WaitGroup{}
	for i := range 200 {
		all.Go(func() {
			c := a.from(fmt.Sprint("127.0.6.", i+1))
			for beat := time.NewTicker(time.Second); ctx.Err() == nil; {
				status, _ := a.signs(ctx, c, "a guess")
				answers <- status
				select {
				case <-beat.C:
				case <-ctx.Done():
				}
			}
		})
	}
	time.Sleep(2 * time.Second) // until the flood is at its height
	tookKnown, triesKnown := a.until(t, a.from("127.0.6.1"), known...)
	tookNew, triesNew := a.until(t, a.from("127.0.5.2"))
	began := time.Now()
	r := h.ask("PUT", "/api/v1/pin", strings.NewReader(`{"pin":"493817"}`), h.session(token),
		header("Content-Type", "application/json"))
	r.is(http.StatusOK)
	t.Logf("known device: in after %v (%d tries); new device: after %v (%d tries); a PIN with a session: after %v",
		tookKnown, triesKnown, tookNew, triesNew, time.Since(began))
	time.Sleep(30 * time.Second)
	again, tries := a.until(t, a.from("127.0.5.3"))
	stop()
	all.Wait()
	close(answers)
	count := make(map[int]int)
	for status := range answers {
		count[status]++
	}
	t.Logf("another new device, half a minute later: after %v (%d tries); answers to guesses: %v", again, tries, count)
	if looked := count[http.StatusUnauthorized]; looked > 200*allow.GuessesEach+allow.GuessesBesides {
		t.Errorf("%d guesses were looked at", looked)
	}
	t.Logf("memory in MiB: resting %d, highest in the flood %d, now %d", resting["VmRSS"], memory(t)["VmHWM"],
		memory(t)["VmRSS"])
	h.entry = newEntry(now)
	os.WriteFile("/proc/self/clear_refs", []byte("5"), 0) // the highest from here on (proc(5))
	before := memory(t)["VmRSS"]
	for i := range 100 {
		all.Go(func() { a.signs(t.Context(), a.from(fmt.Sprint("127.0.7.", i+1)), password) })
	}
	all.Wait()
	t.Logf("memory in MiB of 100 at one moment: before %d, highest %d, after %d", before, memory(t)["VmHWM"],
		memory(t)["VmRSS"])
}

// memory returns this process's sizes in MiB, by proc(5).
func memory(t *testing.T) map[string]int {
	t.Helper()
	text, err := os.ReadFile("/proc/self/status")
	if err != nil {
		t.Skip("SKIPPED: there is no /proc here")
	}
	sizes := make(map[string]int)
	for _, m := range regexp.MustCompile(`(?m)^(Vm\w+):\s+(\d+) kB`).FindAllSubmatch(bytes.TrimSpace(text), -1) {
		n, _ := strconv.Atoi(string(m[2])) // which it is
		sizes[string(m[1])] = n >> 10
	}
	return sizes
}
