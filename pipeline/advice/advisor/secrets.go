package advisor

import (
	"context"
	"net/netip"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/hashicorp/golang-lru/v2/simplelru"

	"lintel/internal/house"
	"lintel/pipeline/advice/policy"
)

// Wrong secrets in a bell's name say something of a ring where they came from the
// network that the ring came from: somebody has taken the bell's place on its cable, or
// tries which of the secrets they found is the right one. Then nothing is suggested for
// [policy.AfterRefusal]. From anywhere else they say nothing: a secret has 130 random
// bits, so that whoever guesses comes no nearer, and if they withheld, anybody on the
// network could turn suggestions off. A run of them is shown, and withholds nothing.
const (
	runOf        = 5 // within runWithin, to be shown
	runWithin    = 10 * time.Minute
	seriesEnds   = time.Hour // after the last, or shown no more
	mostNetworks = 256       // of one bell's series
	mostHeard    = 8         // networks of one bell
)

// secrets are what came in the bells' names lately, with a right secret or a wrong one.
type secrets struct {
	now func() time.Time

	mu    sync.Mutex
	wrong map[string]*series // by the bell's name, as is heard
	heard map[string]*networks
}

// networks are when something came from each last.
type networks = simplelru.LRU[netip.Prefix, time.Time]

func newNetworks(most int) *networks {
	n, err := simplelru.NewLRU[netip.Prefix, time.Time](most, nil)
	if err != nil {
		panic("advisor: no networks at all") // only if most is not positive
	}
	return n
}

// A series is wrong secrets in one bell's name with less than [seriesEnds] between them.
type series struct {
	house.Doubt
	shown  bool
	lately []time.Time // the last runOf
	from   *networks
	before int // networks that were counted before the server started
}

// seen reports whether the series is shown now.
func (w *series) seen(now time.Time) bool { return w.shown && now.Sub(w.At) < seriesEnds }

func newSecrets(now func() time.Time) *secrets {
	return &secrets{now: now, wrong: make(map[string]*series), heard: make(map[string]*networks)}
}

// refuse counts a wrong secret. It returns the how many-eth of its series it is, and
// whether anything is judged or shown in another way by it.
func (s *secrets) refuse(bell string, from netip.Prefix) (times int, changes bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	now := s.now()
	w := s.wrong[bell]
	if w == nil || now.Sub(w.At) >= seriesEnds {
		w = &series{Doubt: house.Doubt{Kind: house.DoubtSecret, Bell: bell, Since: now}, from: newNetworks(mostNetworks)}
		s.wrong[bell] = w
	}
	w.At = now
	w.Times++
	w.from.Add(from, now)
	w.Networks = max(w.before, w.Networks, w.from.Len())
	if w.lately = append(w.lately, now); len(w.lately) > runOf {
		w.lately = slices.Delete(w.lately, 0, 1)
	}
	if len(w.lately) == runOf && now.Sub(w.lately[0]) < runWithin && !w.shown {
		w.shown, changes = true, true
	}
	if at, ok := s.heardFrom(bell).Peek(from); ok && now.Sub(at) < policy.AfterRefusal {
		w.Own, w.shown, changes = now, true, true
	}
	return w.Times, changes
}

// hear notes a right secret, and reports whether one is judged in another way by it.
func (s *secrets) hear(bell string, from netip.Prefix) (changes bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	now := s.now()
	s.heardFrom(bell).Add(from, now)
	w := s.wrong[bell]
	if w == nil {
		return false
	}
	at, ok := w.from.Peek(from)
	if !ok || now.Sub(at) >= policy.AfterRefusal || !at.After(w.Own) {
		return false
	}
	w.Own, w.shown = at, true
	return true
}

func (s *secrets) heardFrom(bell string) *networks {
	if s.heard[bell] == nil {
		s.heard[bell] = newNetworks(mostHeard)
	}
	return s.heard[bell]
}

// recall takes up what was kept before the last start.
func (s *secrets) recall(d house.Doubt) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.wrong[d.Bell] == nil {
		s.wrong[d.Bell] = &series{Doubt: d, shown: true, from: newNetworks(mostNetworks), before: d.Networks}
	}
}

// shown lists what is shown, by the bells' names.
func (s *secrets) shown() (all []house.Doubt) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, w := range s.wrong {
		if w.seen(s.now()) {
			all = append(all, w.Doubt)
		}
	}
	slices.SortFunc(all, func(a, b house.Doubt) int { return strings.Compare(a.Bell, b.Bell) })
	return all
}

// at is what is shown of a bell, all zero for nothing.
func (s *secrets) at(bell string) house.Doubt {
	s.mu.Lock()
	defer s.mu.Unlock()
	if w := s.wrong[bell]; w != nil && w.seen(s.now()) {
		return w.Doubt
	}
	return house.Doubt{}
}

func (s *secrets) forgive(bell string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.wrong, bell)
}

// Refused says that somebody just came in a bell's name with a wrong secret, and from
// which network. It returns how many did in a row.
func (c *Advisor) Refused(bell string, from netip.Prefix) (times int) {
	times, changes := c.secrets.refuse(bell, from)
	if changes {
		c.wake()
	}
	return times
}

// Heard says that a bell just came with its own secret, and from which network.
func (c *Advisor) Heard(bell string, from netip.Prefix) {
	if c.secrets.hear(bell, from) {
		c.wake()
	}
}

// Tried lists the bells in whose names wrong secrets come, one after the other, or from
// where the bell itself comes.
func (c *Advisor) Tried() []house.Doubt { return c.secrets.shown() }

// Forgive forgets the wrong secrets that came in a bell's name until now.
func (c *Advisor) Forgive(ctx context.Context, bell string) error {
	c.keeping.Lock()
	defer c.keeping.Unlock()
	if err := c.archive.ForgiveSecrets(ctx, bell); err != nil {
		return err
	}
	c.secrets.forgive(bell)
	delete(c.kept, key{house.DoubtSecret, bell})
	c.wake()
	return nil
}
