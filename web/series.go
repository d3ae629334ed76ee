package web

import "sync"

// A series counts what happens over and over, so that the log has a line of the first,
// the tenth, the hundredth: whoever makes it happen shall not fill the disk.
type series struct {
	mu    sync.Mutex
	times int
}

// count counts one more.
func (s *series) count() (times int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.times++
	return s.times
}

// worthALine reports whether it is told that something happened so many times.
func worthALine(times int) bool {
	for times >= 10 && times%10 == 0 {
		times /= 10
	}
	return times == 1
}
