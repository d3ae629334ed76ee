package broker

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"slices"
	"sync"
	"time"

	"golang.org/x/time/rate"

	"lintel/internal/house"
)

// An account is somebody who may connect. The token is kept while they are, to
// see that it still is theirs.
type account struct {
	id     string
	kind   accountKind
	token  string
	source house.Source // of a source
}

type accountKind string

const (
	sourceAccount   accountKind = "source"
	receiverAccount accountKind = "receiver"
)

// known reports whether there is an account of that name.
func (b *Broker) known(ctx context.Context, name string) (bool, error) {
	sources, err := b.Archive.Sources(ctx)
	if err != nil {
		return false, err
	}
	receivers, err := b.Archive.Receivers(ctx)
	if err != nil {
		return false, err
	}
	return slices.ContainsFunc(sources, func(s house.Source) bool { return s.ID == name }) ||
		slices.ContainsFunc(receivers, func(r house.Receiver) bool { return r.ID == name }), nil
}

func same(a, b string) bool { return subtle.ConstantTimeCompare([]byte(a), []byte(b)) == 1 }

// newName is a name for a connection that no other has.
func newName() string { return rand.Text() }

// failures bound how often somebody may give a wrong token: five times at once
// in a name from a network, and then once each half minute. Only failures are
// counted, so devices that reconnect often are not kept out, and only against
// that name from there, so nobody else is, either.
type failures struct {
	now func() time.Time

	mu sync.Mutex
	of map[origin]*rate.Limiter
}

// An origin is where attempts come from: the name is an account's, or empty for
// all names that are not.
type origin struct {
	from network
	name string
}

func newFailures(now func() time.Time) *failures {
	return &failures{now: now, of: make(map[origin]*rate.Limiter)}
}

const (
	failuresAtOnce = 5
	failureTime    = 30 * time.Second
	mostOrigins    = 1000 // bounds the memory they take
)

// mayTry reports whether an attempt may be made.
func (f *failures) mayTry(from network, name string) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	l := f.of[origin{from, name}]
	return l == nil || l.TokensAt(f.now()) >= 1
}

// count counts a failed attempt, and reports whether it was within bounds.
func (f *failures) count(from network, name string) bool {
	now, o := f.now(), origin{from, name}
	f.mu.Lock()
	defer f.mu.Unlock()
	l := f.of[o]
	if l == nil {
		f.makeRoom(now)
		l = rate.NewLimiter(rate.Every(failureTime), failuresAtOnce)
		f.of[o] = l
	}
	return l.AllowN(now, 1)
}

// makeRoom forgets those that have been quiet, and where all are busy any one.
func (f *failures) makeRoom(now time.Time) {
	if len(f.of) < mostOrigins {
		return
	}
	for o, l := range f.of {
		if l.TokensAt(now) >= failuresAtOnce {
			delete(f.of, o)
		}
	}
	for o := range f.of {
		if len(f.of) < mostOrigins {
			break
		}
		delete(f.of, o)
	}
}
