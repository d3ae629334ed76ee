package web

import (
	"sync"
	"time"
)

// quiet is the last ring at a time when nothing is kept, so that screens can
// say that somebody is at the door. It lives in memory only.
type quiet struct {
	mu      sync.Mutex
	bell    string
	at      time.Time
	rings   map[string]string // the last of each bell
	count   int               // of rings so far
	changed chan struct{}     // closed at the next ring; nil while nobody asked
}

// rang notes a ring, and reports whether it is one: further frames of the
// bell's last, and the same sent again, are none.
func (q *quiet) rang(bell, ring string, at time.Time) bool {
	q.mu.Lock()
	defer q.mu.Unlock()
	if last, rang := q.rings[bell]; rang && last == ring {
		return false
	}
	if q.rings == nil {
		q.rings = make(map[string]string)
	}
	q.bell, q.at, q.rings[bell] = bell, at, ring
	q.count++
	if q.changed != nil {
		close(q.changed)
		q.changed = nil
	}
	return true
}

// last returns the last ring, how many there were so far, and a channel that
// is closed at the next.
func (q *quiet) last() (bell string, at time.Time, count int, changed <-chan struct{}) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.changed == nil {
		q.changed = make(chan struct{})
	}
	return q.bell, q.at, q.count, q.changed
}
