package web

import (
	"context"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/bell"
)

const displayPath = "/api/v1/bells/gate/display"

// withDisplay is a house whose gate has the usual display, with a resident.
func withDisplay(t *testing.T, now func() time.Time, c *clock) (h *household, in option) {
	t.Helper()
	h = newHouseAt(t, c, now)
	if err := h.archive.SetDisplay(t.Context(), "gate", house.UsualDisplay); err != nil {
		t.Fatal(err)
	}
	return h, h.session(h.resident("Odile"))
}

func fixed() (*clock, func() time.Time) {
	c := new(clock)
	c.micros.Store(time.Date(2031, 5, 4, 18, 30, 0, 0, time.UTC).UnixMicro())
	return c, c.now
}

// poll asks as the gate does, and returns what it has to show.
func (h *household) poll(query, tag string) (page bell.Page, a *answer) {
	h.t.Helper()
	a = h.get(displayPath+query, header("Authorization", "Bearer "+h.bell), header("If-None-Match", tag))
	if a.StatusCode == http.StatusOK {
		a.into(&page)
	}
	return page, a
}

// text is what a page's lines say.
func text(p bell.Page) string { return strings.Join(strings.Fields(strings.Join(p.Lines, " ")), " ") }

// TestDisplayDay goes through a ring: a tap, the bell shows it, and it is cleared.
//
// Outside: entity tags are compared by RFC 9110, sections 8.8.3 and 13.1.2; the
// document of the API judges each answer.
func TestDisplayDay(t *testing.T) {
	c, now := fixed()
	h, in := withDisplay(t, now, c)
	d := readDocument(t)
	visit := h.rung("R1", 0, still(t, 1)).Visit
	empty, a := h.poll("", "")
	a.is(200)
	d.checkAnswer(t, "GET", "/api/v1/bells/gate/display", a)
	tag := a.Header.Get("ETag")
	if text(empty) != "" || empty.Message != "" || len(empty.Bytes) != 80 || strings.Trim(string(empty.Bytes), " ") != "" {
		t.Errorf("with no message: %+v", empty)
	}
	_, a = h.poll("", tag)
	a.is(304)
	if len(a.body) > 0 || a.Header.Get("ETag") != tag {
		t.Errorf("304 with %q, tag %s", a.body, a.Header.Get("ETag"))
	}
	_, a = h.poll("", `"other", W/`+tag)
	a.is(304)

	h.get("/", in).is(200).says("Say to who rang").says("No, thank you.")
	a = h.post("/visits/"+visit+"/message", url.Values{"text": {"No, thank you."}, "now": {"true"}}, in).is(303)
	if to := a.Header.Get("Location"); to != "/" {
		t.Errorf("it leads to %s", to)
	}
	page, a := h.poll("", tag)
	a.is(200)
	if text(page) != "No, thank you." || !page.Until.Equal(now().Add(time.Minute)) || string(page.Bytes[20:40]) !=
		"   No, thank you.   " {
		t.Errorf("%+v", page)
	}
	h.get("/visits/"+visit, in).is(200).says("has not said yet")
	shown := func(id string) *answer {
		return h.ask("POST", displayPath+"/"+id+"/shown", nil, header("Authorization", "Bearer "+h.bell))
	}
	shown(page.Message).is(204)
	shown("NOSUCH").isProblem(404, "unknown-message")
	h.get("/visits/"+visit, in).is(200).says("Shown at 18:30:00.").says("Odile sent this")
	h.get("/visits/"+visit, h.session(h.tablet("Hall", "Odile"))).is(200).says("Somebody of the household sent this")
	v := h.visit(visit, h.resident("Perrin"))
	if len(v.Messages) != 1 || v.Messages[0].Text != "No, thank you." || v.Messages[0].ShownAt.IsZero() {
		t.Errorf("the visit has %+v", v.Messages)
	}
	h.post("/visits/"+visit+"/message/clear", nil, in).is(303)
	if page, _ := h.poll("", ""); page.Message != "" {
		t.Errorf("after it was cleared: %+v", page)
	}
	h.post("/visits/"+visit+"/message", url.Values{"text": {"No, thank you."}}, in).is(303)
	c.advance(time.Minute)
	if page, _ := h.poll("", ""); page.Message != "" || page.Bytes[0] != ' ' {
		t.Errorf("after its time: %+v", page)
	}
}

// TestDisplaySecrets refuses all but the bell.
func TestDisplaySecrets(t *testing.T) {
	c, now := fixed()
	h, in := withDisplay(t, now, c)
	other, err := h.archive.AddBell(t.Context(), "yard")
	if err != nil {
		t.Fatal(err)
	}
	id := h.shows("Coming")
	for name, test := range map[string]struct {
		as     option
		status int
		kind   string
	}{
		"nobody":         {func(*http.Request) {}, 401, "wrong-secret"},
		"another secret": {header("Authorization", "Bearer "+h.secret(other)), 401, "wrong-secret"},
		"a resident":     {in, 401, "wrong-secret"},
	} {
		t.Run(name, func(t *testing.T) {
			h.within(t)
			h.get(displayPath, test.as).isProblem(test.status, test.kind)
			h.ask("POST", displayPath+"/"+id+"/shown", nil, test.as).isProblem(test.status, test.kind)
		})
	}
	h.get("/api/v1/bells/yard/display", header("Authorization", "Bearer "+other)).isProblem(409, "no-display")
	h.ask("POST", "/api/v1/bells/yard/display/"+id+"/shown", nil, header("Authorization", "Bearer "+other)).
		isProblem(404, "unknown-message")
	h.get("/api/v1/bells/nobody/display", header("Authorization", "Bearer "+other)).isProblem(404, "unknown-bell")
	for _, bad := range []string{"?wait=61", "?wait=-1", "?wait=x"} {
		_, a := h.poll(bad, "")
		a.isProblem(400, "bad-query")
	}
	if err := h.archive.RemoveBell(context.Background(), "gate"); err != nil {
		t.Fatal(err)
	}
	_, a := h.poll("", "")
	a.isProblem(404, "unknown-bell")
}

// TestLongPoll answers when what is shown changes, and says so when it does not.
func TestLongPoll(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h, in := withDisplay(t, time.Now, new(clock))
		began := time.Now()
		after := func(want time.Duration) {
			t.Helper()
			if took := time.Since(began); took != want {
				t.Errorf("answered after %v, want %v", took, want)
			}
			began = time.Now()
		}
		_, a := h.poll("?wait=60", "")
		a.is(200)
		after(0) // it knows nothing yet
		tag := a.Header.Get("ETag")
		_, a = h.poll("?wait=7", tag)
		a.is(304)
		after(7 * time.Second)

		var later sync.WaitGroup
		later.Go(func() {
			time.Sleep(3 * time.Second)
			h.ask("POST", "/api/v1/bells/gate/message", strings.NewReader(`{"text":"Coming","seconds":20}`), in).is(201)
		})
		page, a := h.poll("?wait=60", tag)
		later.Wait()
		if a.is(200); text(page) != "Coming" {
			t.Errorf("%+v", page)
		}
		after(3 * time.Second)
		if page, a = h.poll("?wait=60", a.Header.Get("ETag")); page.Message != "" {
			t.Errorf("%+v", page)
		}
		after(20 * time.Second) // the message ended

		later.Go(func() {
			time.Sleep(time.Second)
			if err := h.archive.RemoveBell(context.Background(), "gate"); err != nil {
				t.Error(err)
			}
			h.ask("PUT", "/api/v1/messages", strings.NewReader(sentMessages), in).is(200) // which wakes it
		})
		_, a = h.poll("?wait=60", a.Header.Get("ETag"))
		later.Wait()
		a.isProblem(404, "unknown-bell")
	})
}

// TestLongPollEnds ends what is held back when the server stops, or the bell goes.
func TestLongPollEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h, _ := withDisplay(t, time.Now, new(clock))
		_, a := h.poll("", "")
		tag, began := a.Header.Get("ETag"), time.Now()
		gone, leave := context.WithCancel(t.Context())
		var waiting sync.WaitGroup
		waiting.Go(func() {
			h.get(displayPath+"?wait=60", header("Authorization", "Bearer "+h.bell), header("If-None-Match", tag),
				func(r *http.Request) { *r = *r.WithContext(gone) })
		})
		synctest.Wait()
		leave()
		waiting.Wait()
		waiting.Go(func() { h.poll("?wait=60", tag) })
		synctest.Wait()
		if err := h.Drain(t.Context()); err != nil {
			t.Error(err)
		}
		waiting.Wait()
		if took := time.Since(began); took > 0 {
			t.Errorf("it took %v", took)
		}
		_, a = h.poll("?wait=60", tag)
		a.isProblem(503, "stopping")
	})
}

// TestPollsAreBounded has a hundred questions wait at once: four do.
func TestPollsAreBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h, _ := withDisplay(t, time.Now, new(clock))
		_, a := h.poll("", "")
		tag := a.Header.Get("ETag")
		var mu sync.Mutex
		answered := make(map[int]int)
		var all sync.WaitGroup
		for range 100 {
			all.Go(func() {
				_, a := h.poll("?wait=60", tag)
				mu.Lock()
				defer mu.Unlock()
				answered[a.StatusCode]++
				if a.StatusCode == http.StatusTooManyRequests && a.Header.Get("Retry-After") == "" {
					t.Error("429 without Retry-After")
				}
			})
		}
		synctest.Wait()
		mu.Lock()
		if answered[429] != 100-mostPolls || len(answered) != 1 {
			t.Errorf("while %d may wait: %v", mostPolls, answered)
		}
		mu.Unlock()
		all.Wait()
		if answered[304] != mostPolls {
			t.Errorf("in the end: %v", answered)
		}
		time.Sleep(time.Minute)
		if _, a = h.poll("?wait=1", tag); a.StatusCode != 304 {
			t.Errorf("afterwards: %d", a.StatusCode)
		}
	})
}

// TestLongPollOutlastsTimeouts waits longer than the server lets other requests
// take, over TCP.
func TestLongPollOutlastsTimeouts(t *testing.T) {
	c, now := fixed()
	h, _ := withDisplay(t, now, c)
	_, a := h.poll("", "")
	server := httptest.NewUnstartedServer(h)
	server.Config.ReadTimeout, server.Config.WriteTimeout = 300*time.Millisecond, 300*time.Millisecond
	server.Start()
	t.Cleanup(server.Close)
	r, err := http.NewRequestWithContext(t.Context(), "GET", server.URL+displayPath+"?wait=1", nil)
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Authorization", "Bearer "+h.bell)
	r.Header.Set("If-None-Match", a.Header.Get("ETag"))
	response, err := server.Client().Do(r)
	if err != nil {
		t.Fatal(err)
	}
	response.Body.Close()
	if response.StatusCode != http.StatusNotModified {
		t.Errorf("status %d", response.StatusCode)
	}
}
