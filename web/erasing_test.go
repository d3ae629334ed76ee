package web

import (
	"context"
	"net/http"
	"strings"
	"testing"
	"time"

	"lintel/store"
)

// over waits until an erasure that a form began is over, and returns the page
// that it leads to.
func (h *household) over(begun *answer, in option) *answer {
	h.t.Helper()
	address := begun.is(http.StatusSeeOther).Header.Get("Location")
	if !strings.HasPrefix(address, "/erasures/") {
		h.t.Fatalf("led to %s", address)
	}
	h.accepted.Wait()
	return h.get(h.get(address, in).is(http.StatusSeeOther).Header.Get("Location"), in).is(http.StatusOK)
}

// erasedBy waits until an erasure that the API began is over, and returns how it
// ended.
func (h *household) erasedBy(begun *answer, in option) (e erasureJSON) {
	h.t.Helper()
	begun.is(http.StatusAccepted).into(&e)
	h.accepted.Wait()
	h.get(begun.Header.Get("Location"), in).is(http.StatusOK).into(&e)
	return e
}

// TestLongErasure has an erasure take longer than any browser waits: it is
// answered at once, tells how far it is, and Drain waits for it.
func TestLongErasure(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	goOn, left := make(chan bool), 7
	x := &erasure{
		of: 10, back: "/visits", done: donePath,
		left: func(context.Context) (int, error) { return left, nil },
		run: func(context.Context) (store.Erased, error) {
			<-goOn
			return store.Erased{Visits: 9, Held: 1}, nil
		},
	}
	h.handler = http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { h.postedErasure(w, r, x) })
	var e erasureJSON
	h.ask("DELETE", "/api/v1/visits", nil).is(http.StatusAccepted).into(&e)
	h.handler = h.mux()
	if e.State != "running" || e.Of != 10 || e.Done != 3 {
		t.Errorf("begun as %+v", e)
	}
	left = 2
	page := h.get("/erasures/"+e.ID, in).is(http.StatusOK).says("8 of 10 visits done.").says("it goes on by itself")
	checkMarkup(t, string(page.body))
	if page.Header.Get("Refresh") == "" {
		t.Error("the page stays as it is")
	}
	h.get("/api/v1/erasures/NOSUCH", in).isProblem(http.StatusNotFound, "not-found")

	late, cancel := context.WithTimeout(t.Context(), 10*time.Millisecond)
	defer cancel()
	if err := h.Drain(late); err == nil {
		t.Error("the server did not wait for it")
	}
	close(goOn)
	if err := h.Drain(t.Context()); err != nil {
		t.Error(err)
	}
	h.get("/api/v1/erasures/"+e.ID, in).is(http.StatusOK).into(&e)
	if e.State != "done" || e.Done != 9 || e.Erased != (store.Erased{Visits: 9, Held: 1}) {
		t.Errorf("ended as %+v", e)
	}
	if to := h.get("/erasures/"+e.ID, in).is(http.StatusSeeOther).
		Header.Get("Location"); to != "/visits?erased=9&left=1" {
		t.Errorf("led to %s", to)
	}
	h.ask("DELETE", "/api/v1/visits?from=2001-05-04T00:00:00Z&until=2001-05-05T00:00:00Z", nil, in).
		isProblem(http.StatusServiceUnavailable, "stopping")
}
