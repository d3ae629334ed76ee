package allow

import (
	"sync"
	"time"

	"github.com/hashicorp/golang-lru/v2/simplelru"
)

// mostKeys is how many are remembered, of whatever kind: a few hundred bytes each.
const mostKeys = 4096

// Waits say how long to wait after wrong tries. NIST SP 800-63B, section 5.2.2
// (revision 3), names this way: a wait that grows, "e.g., 30 seconds up to an hour".
type Waits struct {
	Free   int           // how many may be wrong before there is a wait
	First  time.Duration // the wait after one more; each after that is twice as long
	Most   time.Duration // but no longer than this
	Forget time.Duration // all is forgotten when nothing was tried for so long
}

// after returns how long to wait after so many wrong tries.
func (w Waits) after(wrong int) time.Duration {
	if wrong < w.Free {
		return 0
	}
	wait := w.First
	for ; wrong > w.Free && wait < w.Most; wrong-- {
		wait *= 2
	}
	return min(wait, w.Most)
}

// Misses have each of many wait for its own wrong tries.
type Misses[K comparable] struct {
	now   func() time.Time
	waits Waits

	mu sync.Mutex
	of *simplelru.LRU[K, *missed]
}

type missed struct {
	wrong int
	last  time.Time
}

// NewMisses returns one in which nobody missed yet.
func NewMisses[K comparable](now func() time.Time, waits Waits) *Misses[K] {
	return &Misses[K]{now: now, waits: waits, of: newMemory[K, *missed](mostKeys, nil)}
}

// Try counts a try as wrong, and returns 0 if it may be made; or else counts
// nothing and returns how long to wait. [Misses.Right] takes the count back. So
// tries at the same moment count, too.
func (m *Misses[K]) Try(k K) (wait time.Duration) {
	m.mu.Lock()
	defer m.mu.Unlock()
	now := m.now()
	of, ok := m.of.Get(k)
	if !ok {
		of = new(missed)
		m.of.Add(k, of)
	}
	if now.Before(of.last) {
		of.last = now // the clock was set back: nobody waits for longer by that
	}
	if now.Sub(of.last) >= m.waits.Forget {
		of.wrong = 0
	}
	if wait := of.last.Add(m.waits.after(of.wrong)).Sub(now); of.wrong > 0 && wait > 0 {
		return wait
	}
	of.wrong++
	of.last = now
	return 0
}

// Clear forgets what one missed.
func (m *Misses[K]) Clear(k K) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.of.Remove(k)
}

// Right says that a try was right after all, or was not made. What was wrong before
// still counts: whoever has an account shall not clear themselves by it of guesses
// at another.
func (m *Misses[K]) Right(k K) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if of, ok := m.of.Peek(k); ok && of.wrong > 0 {
		of.wrong--
	}
}
