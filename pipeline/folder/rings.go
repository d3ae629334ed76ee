package folder

import (
	"crypto/rand"
	"time"

	"lintel/pipeline/intake"
)

// sameName is how long a ring that its files' names tell goes on without a file:
// cameras count from the beginning again.
const sameName = 10 * time.Minute

// rings are those that further files may belong to.
type rings struct {
	gap  time.Duration
	open map[string]*ring // by what the names say; "" for rings by time
}

type ring struct {
	id   string
	last time.Time
	used [intake.MaxFrame + 1]bool
}

func newRings(gap time.Duration) *rings { return &rings{gap: gap, open: make(map[string]*ring)} }

// place returns which frame of which ring a file is to be. The parts' time is when
// it was, by which files come in order.
func (r *rings) place(p Parts) (id string, frame int) {
	open := r.near(p)
	if open == nil || open.free(p.Frame) < 0 {
		open = &ring{id: "folder-" + rand.Text()}
		r.open[p.Ring] = open
	}
	frame = open.free(p.Frame)
	open.take(frame, p.At)
	return open.id, frame
}

// resume says that a file is a frame of a ring since an earlier run, so that those
// that follow join it.
func (r *rings) resume(p Parts, id string, frame int) {
	open := r.near(p)
	if open == nil || open.id != id {
		open = &ring{id: id}
		r.open[p.Ring] = open
	}
	open.take(frame, p.At)
}

// near is the ring that a file of that time may join, nil if there is none.
func (r *rings) near(p Parts) *ring {
	for key, open := range r.open { // those that are over make room
		if p.At.Sub(open.last) > max(r.gap, sameName) {
			delete(r.open, key)
		}
	}
	apart := r.gap
	if p.Ring != "" {
		apart = sameName
	}
	if open := r.open[p.Ring]; open != nil && p.At.Sub(open.last).Abs() <= apart {
		return open
	}
	return nil
}

// free is the frame that is wanted, if nothing has it, or else the first that
// nothing has; -1 if all are taken.
func (r *ring) free(wanted int) int {
	if wanted >= 0 && wanted < len(r.used) && !r.used[wanted] {
		return wanted
	}
	for i, used := range r.used {
		if !used {
			return i
		}
	}
	return -1
}

func (r *ring) take(frame int, at time.Time) {
	r.used[frame] = true
	if at.After(r.last) {
		r.last = at
	}
}
