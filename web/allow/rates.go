package allow

import (
	"sync"
	"time"

	"github.com/hashicorp/golang-lru/v2/simplelru"
	"golang.org/x/time/rate"
)

// Rates let each of many do something so many times at once, and once each
// interval after that.
type Rates[K comparable] struct {
	now    func() time.Time
	every  time.Duration
	atOnce int

	mu sync.Mutex
	of *simplelru.LRU[K, *rate.Limiter]
}

// NewRates returns one in which nobody did anything yet.
func NewRates[K comparable](now func() time.Time, every time.Duration, atOnce int) *Rates[K] {
	return &Rates[K]{now: now, every: every, atOnce: atOnce, of: newMemory[K, *rate.Limiter](mostKeys, nil)}
}

// Allow counts one, and reports whether it is within the rate.
func (r *Rates[K]) Allow(k K) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	l, ok := r.of.Get(k)
	if !ok {
		l = rate.NewLimiter(rate.Every(r.every), r.atOnce)
		r.of.Add(k, l)
	}
	return l.AllowN(r.now(), 1)
}

// May reports whether one more would be within the rate, and counts nothing.
func (r *Rates[K]) May(k K) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	l, ok := r.of.Peek(k)
	return !ok || l.TokensAt(r.now()) >= 1
}
