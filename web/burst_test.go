package web

import (
	"fmt"
	"net/http"
	"slices"
	"testing"
	"time"

	"lintel/pipeline/review"
)

// orders are all that five frames can come in.
func orders(left []int, so []int) (all [][]int) {
	if len(left) == 0 {
		return [][]int{slices.Clone(so)}
	}
	for i, frame := range left {
		all = append(all, orders(slices.Delete(slices.Clone(left), i, i+1), append(so, frame))...)
	}
	return all
}

// hears reads a tablet's messages as they come, and passes on all but beats, until the
// function that it returns is called.
func (c client) hears() (told <-chan event, end func()) {
	all, ended := make(chan event, 16), make(chan struct{})
	go func() {
		defer close(ended)
		for {
			var m event
			if c.ReadJSON(&m) != nil {
				return
			}
			if m.Type != "beat" {
				all <- m
			}
		}
	}()
	return all, func() {
		c.Close()
		<-ended
	}
}

// In whichever order the frames of a ring come, a tablet hears of the first at once,
// of each further one as it comes, and of what comes twice nothing.
func TestLiveBurstOrders(t *testing.T) {
	inBubble(t, func(t *testing.T, h *liveHouse) {
		h.resident("Odile")
		told, end := h.connect(t, h.tablet("Hall", "Odile"), 0).hears()
		defer end()
		bodies := make([][]byte, 5)
		for i := range bodies {
			bodies[i] = still(t, uint8(i+1))
		}
		for n, order := range orders([]int{0, 1, 2, 3, 4}, nil) {
			ring := fmt.Sprint("R", n)
			var revision int64
			for i, frame := range order {
				began := time.Now()
				h.rung(ring, frame, bodies[frame])
				m := <-told
				if m.Visit == nil || len(m.Visit.Stills) != i+1 || m.Visit.Ring != ring || m.Revision <= revision ||
					time.Since(began) > 0 {
					t.Fatalf("order %v, frame %d: %d stills of %s, revision %d after %d, %s late", order, frame,
						len(m.Visit.Stills), m.Visit.Ring, m.Revision, revision, time.Since(began))
				}
				revision = m.Revision
				h.ring(ring, frame, bodies[frame]).is(http.StatusOK) // twice, and nothing is told of it
			}
			h.ring(ring, order[0], bodies[(order[0]+1)%5]).isProblem(http.StatusConflict, "other-bytes")
			time.Sleep(11 * time.Second) // as often as a bell may send
			if len(told) > 0 {
				t.Fatalf("order %v: told of what came twice: %+v", order, <-told)
			}
		}
	})
}

// A frame that comes late joins its visit, and is told of; the visit stays where it
// was in time, and nobody rings anew.
func TestLiveLateFrames(t *testing.T) {
	inBubble(t, func(t *testing.T, h *liveHouse) {
		h.resident("Odile")
		told, end := h.connect(t, h.tablet("Hall", "Odile"), 0).hears()
		defer end()
		began := time.Now()
		first := h.rung("R", 1, still(t, 1)) // frame 0 never came yet
		at := (<-told).Visit.ReceivedAt
		p := h.enrolled("Ilse Amberg")
		record(t, h.archive, first.Visit, 0, face(10, 50, p, 0.0005, "fair"))
		if m := <-told; m.Visit.Outcome != review.Someone {
			t.Errorf("%+v", m.Visit)
		}
		for i, after := range []time.Duration{4 * time.Second, 6 * time.Second, 10 * time.Minute} {
			frame := []int{0, 2, 3}[i]
			for time.Since(began) < after {
				time.Sleep(min(time.Second, after-time.Since(began)))
			}
			if r := h.rung("R", frame, still(t, uint8(10+i))); r.Visit != first.Visit {
				t.Errorf("after %s: another visit", after)
			}
			m := <-told
			if m.Visit == nil || !m.Visit.ReceivedAt.Equal(at) || len(m.Visit.Stills) != i+2 {
				t.Errorf("after %s: %+v", after, m)
			}
			record(t, h.archive, first.Visit, slices.IndexFunc(m.Visit.Stills, func(s stillJSON) bool {
				return s.Frame == frame
			}), face(10, 50, p, 0.0005, "fair"))
			<-told
		}
	})
}
