package web

import (
	"sync"
	"time"
)

// A viewing is somebody's, at a visit.
type viewing struct {
	by    string // as the audit trail names them
	visit string
}

// viewLog remembers who looked at what within this hour, so that the audit trail
// has one entry of it and not one for each still of each page.
type viewLog struct {
	mu   sync.Mutex
	hour time.Time
	seen map[viewing]bool
}

// maxViewings bounds the memory they take; with more, some are noted again.
const maxViewings = 10_000

// first reports whether the look is the first of its kind within the hour, and
// remembers it.
func (l *viewLog) first(k viewing, now time.Time) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	hour := now.Truncate(time.Hour)
	if hour.Equal(l.hour) && l.seen[k] {
		return false
	}
	if !hour.Equal(l.hour) || len(l.seen) >= maxViewings {
		l.hour, l.seen = hour, make(map[viewing]bool)
	}
	l.seen[k] = true
	return true
}

// forget is for a look that could not be noted.
func (l *viewLog) forget(k viewing) {
	l.mu.Lock()
	defer l.mu.Unlock()
	delete(l.seen, k)
}
