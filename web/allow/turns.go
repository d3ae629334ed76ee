package allow

import (
	"cmp"
	"context"
	"errors"
	"slices"
	"sync"
	"time"

	"github.com/hashicorp/golang-lru/v2/simplelru"
)

// ErrBusy says that too many wait for their turn, or waited for too long.
var ErrBusy = errors.New("too many wait for their turn")

// Bounds of [Turns].
const (
	MostTurns = 64               // that wait for a turn, of all that are not known,
	TurnsEach = 4                // and of each
	TurnTime  = 10 * time.Second // that a turn is waited for
)

// Turns let a few do at once what takes much, and the others wait. Whoever asked for a
// turn least often in the last hour comes first, and where too many wait, whoever asked
// most often has to go for them. So nobody comes twice before another who waits came
// once, and one who is new is not kept waiting by those who ask all the time. Those who
// are known come before all others.
type Turns struct {
	now func() time.Time

	mu      sync.Mutex
	free    int
	waiting []*waiter
	asked   *simplelru.LRU[Who, asked]
}

// asked is how often somebody asked for a turn, and when last.
type asked struct {
	times int
	last  time.Time
}

// askMemory is how long nobody may ask for what they asked before to be forgotten.
const askMemory = time.Hour

// Who waits for a turn. Known are sessions and devices that showed who they are.
type Who struct {
	Name  string
	Known bool
}

type waiter struct {
	Who
	asked int           // how often before, and now
	turn  chan struct{} // closed when it has its turn
	out   chan struct{} // closed when it has to go for another
}

// NewTurns lets so many do it at once.
func NewTurns(now func() time.Time, atOnce int) *Turns {
	return &Turns{now: now, free: atOnce, asked: newMemory[Who, asked](mostKeys, nil)}
}

// Take waits for a turn, which ends when done is called, once. The error is ErrBusy,
// or the context's.
func (t *Turns) Take(ctx context.Context, who Who) (done func(), err error) {
	w, err := t.enter(who)
	if err != nil {
		return nil, err
	}
	late := time.NewTimer(TurnTime)
	defer late.Stop()
	select {
	case <-w.turn:
		return t.end, nil
	case <-w.out:
		return nil, ErrBusy
	case <-late.C:
		err = ErrBusy
	case <-ctx.Done():
		err = ctx.Err()
	}
	if !t.leave(w) {
		select {
		case <-w.turn: // it had come meanwhile
			t.end()
		default:
		}
	}
	return nil, err
}

// Waiting returns how many wait.
func (t *Turns) Waiting() int {
	t.mu.Lock()
	defer t.mu.Unlock()
	return len(t.waiting)
}

// enter has somebody wait, unless too many do.
func (t *Turns) enter(who Who) (*waiter, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	w := &waiter{who, t.ask(who), make(chan struct{}), make(chan struct{})}
	strangers, own := 0, 0
	most := w // of the strangers who asked most often, the last
	for _, other := range t.waiting {
		if other.Who == who {
			own++
		}
		if !other.Known {
			if strangers++; other.asked > most.asked {
				most = other
			}
		}
	}
	if own >= TurnsEach {
		return nil, ErrBusy
	}
	if !who.Known && strangers >= MostTurns {
		if most == w {
			return nil, ErrBusy
		}
		t.remove(most)
		close(most.out)
	}
	t.waiting = append(t.waiting, w)
	t.next()
	return w, nil
}

// ask counts that somebody asks, and returns how often they did.
func (t *Turns) ask(who Who) (times int) {
	now := t.now()
	a, ok := t.asked.Get(who)
	if ok && now.Sub(a.last) >= askMemory {
		a.times = 0
	}
	a.times++
	a.last = now
	t.asked.Add(who, a)
	return a.times
}

// leave reports whether somebody waited still.
func (t *Turns) leave(w *waiter) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.remove(w)
}

func (t *Turns) remove(w *waiter) (waited bool) {
	i := slices.Index(t.waiting, w)
	if i >= 0 {
		t.waiting = slices.Delete(t.waiting, i, i+1)
	}
	return i >= 0
}

func (t *Turns) end() {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.free++
	t.next()
}

// next gives turns to those who are next: the known before others, then those who
// asked least often, and of these who came first.
func (t *Turns) next() {
	for t.free > 0 && len(t.waiting) > 0 {
		w := slices.MinFunc(t.waiting, func(a, b *waiter) int {
			return cmp.Or(cmp.Compare(a.rank(), b.rank()), cmp.Compare(a.asked, b.asked))
		})
		t.remove(w)
		t.free--
		close(w.turn)
	}
}

func (w *waiter) rank() int {
	if w.Known {
		return 0
	}
	return 1
}
