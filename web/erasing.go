package web

import (
	"context"
	"crypto/rand"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"sync"

	"lintel/internal/house"
	"lintel/store"
)

// erasing is the erasures that were begun since the server started. One of
// thousands of visits takes minutes, which no browser waits for: it is begun,
// its address is answered at once, and it goes on by itself. Drain waits for it.
type erasing struct {
	mu  sync.Mutex
	all []*erasure // the newest last
}

// shownErasures is how many are remembered.
const shownErasures = 50

// An erasure takes visits, or a person's name from them.
type erasure struct {
	id string
	of int // visits there were to erase, or to take the name from
	// left counts those that are still to go, and run has them go.
	left func(context.Context) (int, error)
	run  func(context.Context) (store.Erased, error)
	// done is where a page goes afterwards, and back where else.
	done func(store.Erased) string
	back string

	mu     sync.Mutex // guards what follows
	state  string     // running, done or failed
	erased store.Erased
	why    string // it failed: no-space or internal
}

// An erasureJSON says how far an erasure is: the API's view.
type erasureJSON struct {
	ID     string       `json:"id"`
	State  string       `json:"state"`         // running, done or failed
	Of     int          `json:"of"`            // visits there were to erase, or to take a name from
	Done   int          `json:"done"`          // of these
	Erased store.Erased `json:"erased"`        // what went, once it is over
	Why    string       `json:"why,omitempty"` // it failed: no-space or internal
}

func (x *erasure) json(ctx context.Context) (erasureJSON, error) {
	x.mu.Lock()
	j := erasureJSON{x.id, x.state, x.of, x.erased.Visits + x.erased.Unnamed, x.erased, x.why}
	x.mu.Unlock()
	if j.State != "running" {
		return j, nil
	}
	left, err := x.left(ctx)
	j.Done = min(max(0, x.of-left), x.of) // more may have come meanwhile
	return j, err
}

func (x *erasure) address() string { return "/erasures/" + url.PathEscape(x.id) }

// beginErasure begins an erasure. The error is errStopping.
func (s *Server) beginErasure(r *http.Request, x *erasure) error {
	finished, ok := s.accept()
	if !ok {
		return errStopping
	}
	x.id, x.state = rand.Text(), "running"
	s.erasing.mu.Lock()
	s.erasing.all = append(s.erasing.all[max(0, len(s.erasing.all)+1-shownErasures):], x)
	s.erasing.mu.Unlock()
	ctx := context.WithoutCancel(r.Context()) // with who asked, for the audit trail
	go func() {
		defer finished()
		e, err := x.run(ctx)
		if err == nil || e != (store.Erased{}) {
			s.erased()
		}
		x.mu.Lock()
		defer x.mu.Unlock()
		x.state, x.erased = "done", e
		if err != nil {
			x.state, x.why = "failed", "internal"
			if errors.Is(err, house.ErrNoSpace) {
				x.why = "no-space"
			}
			s.Log.Error("erasing came to a halt", "visits", e.Visits, "unnamed", e.Unnamed, "err", err)
		}
	}()
	return nil
}

// erasureOf returns the erasure that the address names. The error is
// errNoErasure.
func (s *Server) erasureOf(r *http.Request) (*erasure, erasureJSON, error) {
	s.erasing.mu.Lock()
	i := slices.IndexFunc(s.erasing.all, func(x *erasure) bool { return x.id == r.PathValue("erasure") })
	var x *erasure
	if i >= 0 {
		x = s.erasing.all[i]
	}
	s.erasing.mu.Unlock()
	if x == nil {
		return nil, erasureJSON{}, errNoErasure
	}
	j, err := x.json(r.Context())
	return x, j, err
}

// beginOnPage begins an erasure, and leads to where it is told how far it is.
func (s *Server) beginOnPage(w http.ResponseWriter, r *http.Request, x *erasure) error {
	if err := s.beginErasure(r, x); err != nil {
		return err
	}
	return redirect(w, r, x.address())
}
