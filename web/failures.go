package web

import (
	"cmp"
	"context"
	"strconv"
	"sync"
	"time"

	"lintel/internal/house"
)

// failures count attempts to come in that failed, of each kind and account within
// this hour, so that the audit trail tells of them and nobody fills the disk with
// it: it has an entry of the first, the tenth, the hundredth and so on. There are
// as many kinds as residents, and few more.
type failures struct {
	mu     sync.Mutex
	hour   time.Time
	counts map[string]int
}

// count counts one, and returns how many there are within the hour, and whether
// that is to be told.
func (f *failures) count(of string, now time.Time) (n int, tell bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if hour := now.Truncate(time.Hour); !hour.Equal(f.hour) {
		f.hour, f.counts = hour, make(map[string]int)
	}
	f.counts[of]++
	return f.counts[of], worthALine(f.counts[of])
}

// noteFailure has the audit trail tell of an attempt that failed: of a sign-in, a
// pairing or a link, and as which resident, "" for nobody known. A disk that takes no note of it changes no answer.
func (s *Server) noteFailure(ctx context.Context, of, whom string) {
	subject := of + " " + cmp.Or(whom, "unknown")
	n, tell := s.failures.count(subject, s.Now())
	if !tell {
		return
	}
	ctx = house.By(context.WithoutCancel(ctx), house.ByItself)
	if err := s.Archive.Note(ctx, "missed", subject+" count "+strconv.Itoa(n)); err != nil {
		s.Log.Error("noting an attempt that failed", "err", err)
	}
}
