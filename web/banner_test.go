package web

import (
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// fill takes all the room that a disk has, and returns what gives it back.
func fill(t *testing.T, dir string) (giveBack func()) {
	t.Helper()
	path := filepath.Join(dir, "filler")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for block := make([]byte, 4096); err == nil; {
		_, err = f.Write(block)
	}
	return func() { os.Remove(path) }
}

// TestFullDisk fills a small file system, which the kernel then reports as
// full, and asks for what a household asks for.
func TestFullDisk(t *testing.T) {
	dir := t.TempDir()
	if err := syscall.Mount("none", dir, "tmpfs", 0, "size=16m"); err != nil {
		t.Skipf("SKIPPED, a small file system can't be mounted here: %v", err)
	}
	t.Cleanup(func() { syscall.Unmount(dir, syscall.MNT_DETACH) })
	c := new(clock)
	c.micros.Store(time.Date(2031, 5, 4, 18, 30, 0, 0, time.UTC).UnixMicro())
	h := newHouseIn(t, filepath.Join(dir, "archive"), c, c.now)
	token := h.resident("Odile")
	in, code := h.session(token), h.pairingCode(token)
	visit := h.rung("R1", 0, still(t, 1)).Visit

	giveBack := fill(t, dir)
	h.ring("R2", 0, still(t, 2)).isProblem(507, "no-space")
	h.get("/", in).is(200).says("The disk is full")
	h.get("/api/v1/visits/"+visit+"/stills/0", in).is(200)
	if got := h.looked(); len(got) != 0 || !strings.Contains(h.log.String(), "not in the audit trail") {
		t.Errorf("looks noted %q; the log:\n%s", got, h.log)
	}
	d := readDocument(t)
	hold := `{"reason":"A claim","ends_at":"2031-06-01T00:00:00Z"}`
	a := h.ask("PUT", "/api/v1/visits/"+visit+"/hold", nil, in, sends(hold))
	a.isProblem(507, "no-space")
	d.checkAnswer(t, "PUT", "/api/v1/visits/{visit}/hold", a)
	h.ask("PUT", "/api/v1/visits/"+visit+"/parcel", nil, in, sends(`{"parcel":true}`)).isProblem(507, "no-space")
	h.ask("DELETE", "/api/v1/visits/"+visit, nil, in).isProblem(507, "no-space")
	period := h.ask("DELETE", "/api/v1/visits?from=2031-05-04T00:00:00Z&until=2031-05-05T00:00:00Z", nil, in)
	if e := h.erasedBy(period, in); e.State != "failed" || e.Why != "no-space" || e.Of != 1 || e.Done != 0 {
		t.Errorf("erasing a period: %+v", e)
	}
	h.get("/erasures/"+h.erasing.all[0].id, in).is(200).says("The disk is full").says("Make room")
	h.post("/visits/"+visit+"/hold", url.Values{"reason": {"A claim"}, "until": {"2031-06-01"}}, in, browser).
		is(507).says("What was kept before is safe").says("Make room")
	h.post("/pair", url.Values{"name": {"Hall"}, "code": {code}}).isProblem(507, "no-space")
	for _, page := range []string{"/visits", "/visits/" + visit, "/people"} {
		h.get(page, in).is(200)
	}

	giveBack()
	h.ring("R1", 0, still(t, 1)).is(200) // here already, so nothing is known
	h.get("/", in).is(200).says("The disk is full")
	h.ring("R2", 0, still(t, 2)).is(http.StatusCreated)
	if page := h.get("/", in).is(200); strings.Contains(string(page.body), "The disk is full") {
		t.Error("the page still says that the disk is full")
	}
	h.get("/api/v1/visits/"+visit+"/stills/0", in).is(200)
	if got := h.looked(); len(got) != 1 {
		t.Errorf("looks noted %q", got)
	}
	h.keeps(2)
}

// TestReadOnlyDisk lays a file system that the kernel lets nobody write over
// where stills come in, as a disk is that has turned read-only after an error.
func TestReadOnlyDisk(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	visit := h.rung("R1", 0, still(t, 1)).Visit
	incoming := filepath.Join(h.dir, "incoming")
	if err := syscall.Mount("none", incoming, "tmpfs", syscall.MS_RDONLY, ""); err != nil {
		t.Skipf("SKIPPED, a read-only file system can't be mounted here: %v", err)
	}
	defer syscall.Unmount(incoming, syscall.MNT_DETACH)
	h.ring("R2", 0, still(t, 2)).isProblem(507, "no-space")
	h.get("/", in).is(200).says("can’t be written")
	h.get("/api/v1/visits/"+visit+"/stills/0", in).is(200)
	h.get("/visits/"+visit, in).is(200)

	if err := syscall.Unmount(incoming, 0); err != nil {
		t.Fatal(err)
	}
	h.ring("R2", 0, still(t, 2)).is(http.StatusCreated)
	h.keeps(2)
}

// TestLiveTellsOfTrouble has a page connect before, while and after something
// is wrong.
func TestLiveTellsOfTrouble(t *testing.T) {
	inBubble(t, func(t *testing.T, h *liveHouse) {
		token := h.resident("Odile")
		before := h.connect(t, token, 0)
		h.trouble.set(diskFull, 0)
		h.trouble.set(diskFull, 0) // told once
		if m := before.next(); m.Type != "trouble" || m.Text != speak(language).Text("trouble-disk-full") {
			t.Errorf("told %+v", m)
		}
		while := h.connect(t, token, 0)
		if m := while.next(); m.Type != "trouble" || m.Text != speak(language).Text("trouble-disk-full") {
			t.Errorf("who connects is told %+v", m)
		}
		h.trouble.end(diskFull)
		for _, c := range []client{before, while} {
			if m := c.next(); m.Type != "trouble" || m.Text != "" {
				t.Errorf("told %+v", m)
			}
		}
		after := h.connect(t, token, 0)
		if m := after.next(); m.Type != "beat" {
			t.Errorf("who connects after is told %+v", m)
		}
	})
}

// TestLiveTellsOfTheClock has two pages connected while the server's clock is half
// a minute behind the newest visit. Each is told with a beat, and nothing between.
func TestLiveTellsOfTheClock(t *testing.T) {
	inBubble(t, func(t *testing.T, h *liveHouse) {
		h.rung("R1", 0, still(t, 1))
		h.Now = func() time.Time { return time.Now().Add(-30 * time.Second) }
		token := h.resident("Odile")
		known, err := h.archive.Revision(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		says := func(behind string) string {
			return "The server’s clock is " + behind + " behind the newest visit. Nothing is suggested until it is right. " +
				"Set it on the server."
		}
		clients := []client{h.connect(t, token, known), h.connect(t, token, known)}
		for _, want := range []string{says("30 seconds"), says("15 seconds"), ""} {
			for _, c := range clients {
				m := c.next()
				for m.Type == "beat" {
					m = c.next()
				}
				if m.Type != "trouble" || m.Text != want {
					t.Errorf("told %+v, want %q", m, want)
				}
			}
		}
		for _, c := range clients {
			if m := c.next(); m.Type != "beat" {
				t.Errorf("told %+v after that", m)
			}
		}
	})
}
