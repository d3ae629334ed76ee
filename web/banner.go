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
	clockUnsure trouble = "clock-unsure" // the server's, and nothing is deleted by it
	sweepWaits  trouble = "sweep-waits"  // for a resident
	diskLow     trouble = "disk-low"     // and is not full yet
)

// troubles are in the order that they are said in.
var troubles = []trouble{diskFull, diskLow, clockBehind, clockUnsure, sweepWaits}

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

// turn has something be wrong, or not.
func (b *banner) turn(t trouble, wrong bool) {
	if wrong {
		b.set(t, 0)
	} else {
		b.end(t)
	}
}

// nearlyFull reports whether a disk takes stills for not much longer: of a large one
// Upkeep alone says earlier that it fills up.
func nearlyFull(free, size int64) bool { return free < min(1<<30, size/20) }

// is reports whether something is wrong.
func (b *banner) is(t trouble) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	_, wrong := b.wrong[t]
	return wrong
}

// watchArchive says what everybody should know of the clock, the disk and sweeps.
func (s *Server) watchArchive(ctx context.Context) error {
	free, size, err := s.Archive.Disk()
	if err != nil {
		return err
	}
	s.trouble.turn(diskLow, nearlyFull(free, size) && !s.trouble.is(diskFull))
	waits, err := s.Archive.SweepWaits(ctx)
	if err != nil {
		return err
	}
	s.trouble.turn(sweepWaits, waits)
	return s.watchClock(ctx)
}

// watchClock says that the server's clock is behind what the archive has, for as
// long as it is: then nothing is suggested, and what is kept goes late; or that it is
// doubted for another reason.
func (s *Server) watchClock(ctx context.Context) error {
	doubt, err := s.Archive.LookAtClock(ctx)
	if err != nil {
		return err
	}
	s.trouble.turn(clockUnsure, doubt != "")
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
