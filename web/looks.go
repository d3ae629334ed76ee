package web

import (
	"sync"
	"time"

	"lintel/internal/house"
)

// A look is somebody's, at a visit.
type look struct {
	by    house.Session
	visit string
}

// looks remembers who looked at what within this hour, so that the audit trail
// has one entry of it and not one for each still of each page.
type looks struct {
	mu   sync.Mutex
	hour time.Time
	seen map[look]bool
}

// maxLooks bounds the memory they take; with more, some are noted again.
const maxLooks = 10_000

// first reports whether the look is the first of its kind within the hour, and
// remembers it.
func (l *looks) first(k look, now time.Time) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	hour := now.Truncate(time.Hour)
	if hour.Equal(l.hour) && l.seen[k] {
		return false
	}
	if !hour.Equal(l.hour) || len(l.seen) >= maxLooks {
		l.hour, l.seen = hour, make(map[look]bool)
	}
	l.seen[k] = true
	return true
}

// forget is for a look that could not be noted.
func (l *looks) forget(k look) {
	l.mu.Lock()
	defer l.mu.Unlock()
	delete(l.seen, k)
}
