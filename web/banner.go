package web

import (
	"context"
	"strings"
	"sync"
	"time"

	"lintel/internal/words"
	"lintel/pipeline/advice/policy"
)

// A trouble is what is wrong for all to see, by its code.
type trouble string

const (
	diskFull    trouble = "disk-full"    // a disk took no still
	clockBehind trouble = "clock-behind" // the server's, by so long
)

// troubles are in the order that they are said in.
var troubles = []trouble{diskFull, clockBehind}

// banner is what every screen has to say for as long as it lasts.
type banner struct {
	mu      sync.Mutex
	wrong   map[trouble]time.Duration // and by how long, 0 where that is no question
	changed chan struct{}             // closed when that changes; nil while nobody asked
}

// set says that something is wrong from now on, by so long.
func (b *banner) set(t trouble, by time.Duration) {
	b.change(func() bool {
		if before, wrong := b.wrong[t]; wrong && before == by {
			return false
		}
		if b.wrong == nil {
			b.wrong = make(map[trouble]time.Duration)
		}
		b.wrong[t] = by
		return true
	})
}

// end says that something is wrong no more.
func (b *banner) end(t trouble) {
	b.change(func() bool {
		_, wrong := b.wrong[t]
		delete(b.wrong, t)
		return wrong
	})
}

// change tells who waits where something changed.
func (b *banner) change(changes func() bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if changes() && b.changed != nil {
		close(b.changed)
		b.changed = nil
	}
}

// say says what is wrong of some troubles, "" for nothing, and returns a channel
// that is closed when any changes.
func (b *banner) say(w words.Words, of ...trouble) (text string, changed <-chan struct{}) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.changed == nil {
		b.changed = make(chan struct{})
	}
	var says []string
	for _, t := range of {
		if by, wrong := b.wrong[t]; wrong {
			says = append(says, w.Text("trouble-"+string(t), "Length", w.Length(by)))
		}
	}
	return strings.Join(says, " "), b.changed
}

// watchClock says that the server's clock is behind what the archive has, for as
// long as it is: then nothing is suggested, and what is kept goes late.
func (s *Server) watchClock(ctx context.Context) error {
	newest, err := s.Archive.Newest(ctx)
	if err != nil {
		return err
	}
	behind := newest.Sub(s.Now())
	if behind <= policy.MaxSkew {
		s.trouble.end(clockBehind)
		return nil
	}
	// In whole units: each change wakes every screen, which looks here again.
	unit := time.Minute
	if behind < 2*time.Minute {
		unit = time.Second
	}
	s.trouble.set(clockBehind, behind.Round(unit))
	return nil
}
