// Package decoding shares out the memory that decoding pictures takes.
//
//	end, err := decoding.Begin(ctx, "bell front", 40<<20)
//	if err != nil { … } // ctx ended while others were decoding
//	defer end()
//	… // decode, and let go of what was decoded
//
// What comes in is who wants to decode, and how many bytes that takes, which
// the picture's header tells ([StillMemory]). What goes out is a turn. Whoever
// decodes what somebody else sent takes one, so that no number of pictures, sent
// by however many, takes more than the [Budget] has: there is one for the
// process, since memory is.
//
// Turns are fair. Each asker has one at a time, and those who wait have theirs
// one after the other, whatever one of them asks for. A quarter of the budget is
// for small pictures alone, as a doorbell's are: they never wait for a large
// one of somebody else's.
package decoding

import (
	"context"
	"fmt"
	"slices"
	"sync"
)

// Usual is how many bytes the process's budget has unless [SetBudget] says
// otherwise.
const Usual = 256 << 20

var process = NewBudget(Usual)

// Begin waits for a turn of the process's budget; see [Budget.Begin].
func Begin(ctx context.Context, who string, memory int64) (end func(), err error) {
	return process.Begin(ctx, who, memory)
}

// SetBudget says how many bytes the process's budget has. It is for the start
// of a program, before anything is decoded.
func SetBudget(bytes int64) { process = NewBudget(bytes) }

// A Budget is an amount of memory. It is safe for use by several goroutines.
type Budget struct {
	mu           sync.Mutex
	small, large lane
}

// A lane is a part of the budget, with those who wait for it.
type lane struct {
	size, free int64
	order      []string // who waits, the one whose turn is next first
	waiting    map[string][]*turn
	decoding   map[string]bool
}

type turn struct {
	who    string
	memory int64
	begun  chan struct{} // closed when it begins
}

// NewBudget returns a budget of so many bytes.
func NewBudget(bytes int64) *Budget {
	return &Budget{small: newLane(bytes / 4), large: newLane(bytes - bytes/4)}
}

func newLane(size int64) lane {
	return lane{size: size, free: size, waiting: make(map[string][]*turn), decoding: make(map[string]bool)}
}

// Begin waits until it is who's turn and there are so many bytes to be had, and
// returns a function that ends the turn, which must be called once. More than
// there ever are count as all there are. The error wraps the context's, if that
// ends before.
//
// Who is whoever should not keep others waiting: a bell, or the residents.
func (b *Budget) Begin(ctx context.Context, who string, memory int64) (end func(), err error) {
	l := &b.large
	if memory <= b.small.size/2 {
		l = &b.small
	}
	t := &turn{who, max(0, min(memory, l.size)), make(chan struct{})}
	b.mu.Lock()
	l.queue(t)
	l.begin()
	b.mu.Unlock()
	end = func() {
		b.mu.Lock()
		defer b.mu.Unlock()
		l.end(t)
	}
	select {
	case <-t.begun:
		return end, nil
	case <-ctx.Done():
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if !l.leave(t) {
		l.end(t) // it began just now
	}
	return nil, fmt.Errorf("waiting for a turn to decode: %w", ctx.Err())
}

func (l *lane) queue(t *turn) {
	if len(l.waiting[t.who]) == 0 {
		l.order = append(l.order, t.who)
	}
	l.waiting[t.who] = append(l.waiting[t.who], t)
}

// begin lets turns begin as long as there is room. The next in order waits for
// room and lets nobody pass, lest a large picture wait forever for small ones;
// who is decoding already is passed over.
func (l *lane) begin() {
	for i := 0; i < len(l.order); {
		who := l.order[i]
		if l.decoding[who] {
			i++
			continue
		}
		t := l.waiting[who][0]
		if t.memory > l.free {
			return
		}
		l.free -= t.memory
		l.decoding[who] = true
		close(t.begun)
		l.remove(t)
		if len(l.waiting[who]) > 0 { // and now the others'
			l.order = append(slices.Delete(l.order, i, i+1), who)
		}
	}
}

func (l *lane) end(t *turn) {
	l.free += t.memory
	delete(l.decoding, t.who)
	l.begin()
}

// leave takes a turn out that has not begun, and reports whether it was there.
func (l *lane) leave(t *turn) bool {
	select {
	case <-t.begun:
		return false
	default:
	}
	l.remove(t)
	l.begin()
	return true
}

// remove takes a turn out of its asker's queue, and the asker out of the order
// where it was the last.
func (l *lane) remove(t *turn) {
	queue := slices.DeleteFunc(l.waiting[t.who], func(other *turn) bool { return other == t })
	if len(queue) > 0 {
		l.waiting[t.who] = queue
		return
	}
	delete(l.waiting, t.who)
	l.order = slices.DeleteFunc(l.order, func(who string) bool { return who == t.who })
}
