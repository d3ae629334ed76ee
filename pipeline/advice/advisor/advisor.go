// Package advisor gives the advice: it gathers what a decision is made from,
// asks package policy, keeps what it says, and has a suggestion sent.
//
// What comes in are the archive's changes: a ring, a finding, a factor. For
// every visit of the last minute, and each door that its bell rings at, the
// advice is worked out anew, and kept if it differs. What is withheld may
// become a suggestion, when another still or a factor comes; a suggestion stays
// one until it is used, dismissed or expired.
//
// A message about a suggestion (package message) goes to each receiver of the
// door once, after the suggestion is durable, and never again: a crash in
// between loses the message, and nobody is let in by it. Nothing here opens
// anything.
package advisor

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"sync"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/advice/message"
	"lintel/pipeline/advice/policy"
	"lintel/pipeline/cluster"
	"lintel/pipeline/match"
)

// An Archive is what an [Advisor] needs of the store.
type Archive interface {
	LatestVisits(ctx context.Context, limit int) ([]house.Visit, error)
	Bells(context.Context) ([]house.Bell, error)
	TrialEnds(context.Context) (map[string]time.Time, error)
	Doors(context.Context) ([]house.Door, error)
	DoorRules(context.Context) ([]house.DoorRule, error)
	ParcelRules(context.Context) ([]house.ParcelRule, error)
	AdviceRules(context.Context) (house.AdviceRules, error)
	Rules(context.Context) (house.Rules, error)
	Persons(context.Context) ([]house.Person, error)
	FactorsSince(ctx context.Context, t time.Time) ([]house.Factor, error)
	MissesSince(ctx context.Context, t time.Time) ([]house.Miss, error)
	AdviceOn(ctx context.Context, visits ...string) ([]house.Advice, error)
	AddAdvice(ctx context.Context, d house.Advice, persons ...string) (id string, err error)
	Advice(ctx context.Context, id string) (house.Advice, error)
	ExpireAdvice(context.Context) (next time.Time, err error)
	Receivers(context.Context) ([]house.Receiver, error)
	match.Source
	Watch() (changed <-chan struct{}, stop func())
}

// A Publisher delivers messages to receivers. It does so at most once, and keeps
// nothing for whoever is not there.
type Publisher interface {
	Publish(ctx context.Context, receiver string, message []byte) error
}

// An Advisor gives advice while it runs.
type Advisor struct {
	archive   Archive
	publisher Publisher // nil without one
	log       *slog.Logger
	now       func() time.Time
	clock     *Clock
	gallery   *match.Current
	alike     alike

	woken   chan struct{} // holds one where somebody was refused
	mu      sync.Mutex
	refused map[string]time.Time // when a bell's secret was last wrong, by the bell's name
}

// New returns an advisor. The publisher may be nil: then nothing is sent.
func New(archive Archive, publisher Publisher, log *slog.Logger, now func() time.Time, clock *Clock) *Advisor {
	return &Advisor{archive: archive, publisher: publisher, log: log, now: now, clock: clock,
		gallery: match.NewCurrent(archive), woken: make(chan struct{}, 1), refused: make(map[string]time.Time)}
}

// Refused says that somebody just came in a bell's name with a wrong secret.
func (c *Advisor) Refused(bell string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.refused[bell] = c.now()
	select {
	case c.woken <- struct{}{}:
	default: // it is about to be looked at
	}
}

func (c *Advisor) refusedAt(bell string) time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.refused[bell]
}

// Run gives advice until the context is done. Failures are logged; what they
// leave undecided is withheld, since no advice is none.
func (c *Advisor) Run(ctx context.Context) {
	changed, stop := c.archive.Watch()
	defer stop()
	ctx = house.By(ctx, house.ByItself)
	for {
		next, err := c.archive.ExpireAdvice(ctx)
		if err == nil {
			err = c.consider(ctx)
		}
		if ctx.Err() != nil {
			return
		}
		if err != nil {
			c.log.Error("giving advice", "err", err)
		}
		wait := time.NewTimer(c.untilNext(next))
		select {
		case <-ctx.Done():
		case <-changed:
		case <-c.woken:
		case <-wait.C:
		}
		wait.Stop()
	}
}

// lookAgain is how long nothing has to change until the clock is looked at all
// the same.
const lookAgain = time.Minute

func (c *Advisor) untilNext(expiry time.Time) time.Duration {
	if expiry.IsZero() {
		return lookAgain
	}
	return max(0, min(lookAgain, expiry.Sub(c.now())))
}

// manyVisits is how many visits of one minute are considered at most, the
// newest first: a bell that rings more often is not one to give advice on.
const manyVisits = 20

// consider works out the advice on every visit of the last minute.
func (c *Advisor) consider(ctx context.Context) error {
	c.clock.look()
	doors, err := c.archive.Doors(ctx)
	if err != nil || len(doors) == 0 {
		return err
	}
	visits, err := c.archive.LatestVisits(ctx, manyVisits)
	if err != nil {
		return err
	}
	visits = slices.DeleteFunc(visits, func(v house.Visit) bool {
		return c.now().Sub(v.ReceivedAt) >= policy.MaxAge || len(v.Stills) == 0
	})
	if len(visits) == 0 {
		return nil
	}
	s, err := c.gather(ctx)
	if err != nil {
		return err
	}
	var failures []error
	for _, v := range visits {
		for _, door := range doors {
			if door.Bell == v.Bell {
				failures = append(failures, c.decide(ctx, s.at(v, door, c.refusedAt(v.Bell), c.now())))
			}
		}
	}
	return errors.Join(failures...)
}

// decide keeps the advice on a visit at a door, if it is not what was kept
// before, and sends a suggestion.
func (c *Advisor) decide(ctx context.Context, in policy.Input) error {
	v, door, advice := in.Visit, in.Door, adviceOn(in)
	before, err := c.archive.AdviceOn(ctx, v.ID)
	if err != nil {
		return err
	}
	i := slices.IndexFunc(before, func(d house.Advice) bool { return d.Door == door.ID })
	if i >= 0 &&
		(before[i].State != house.Withheld || advice.State == house.Withheld && sameConditions(before[i], advice)) {
		return nil
	}
	id, err := c.archive.AddAdvice(ctx, advice, toldOf(v, in.Alike)...)
	if errors.Is(err, house.ErrTaken) || errors.Is(err, house.ErrNotFound) {
		return nil // it was used, or erased, meanwhile: the change brings us here again
	}
	if err != nil {
		return err
	}
	c.log.Info("advice", "visit", v.ID, "door", door.ID, "state", string(advice.State))
	if advice.State != house.Suggested {
		return nil
	}
	return c.send(ctx, id, v.Bell)
}

// adviceOn is for a person who is known, or else for a parcel that is expected.
func adviceOn(in policy.Input) house.Advice {
	person := policy.Decide(in)
	if !in.Door.Parcel || person.State == house.Suggested {
		return person
	}
	parcel := policy.DecideParcel(in)
	if parcel.State == house.Suggested || parcel.Parcel != "" && person.Person == "" {
		return parcel
	}
	return person
}

// sameConditions reports whether the same conditions are met. What they say may
// differ by the seconds that have gone.
func sameConditions(a, b house.Advice) bool {
	return a.Person == b.Person && a.Parcel == b.Parcel &&
		slices.EqualFunc(a.Conditions, b.Conditions, func(x, y house.Condition) bool {
			return x.Code == y.Code && x.Met == y.Met
		})
}

// toldOf lists the persons whom the advice on a visit may name.
func toldOf(v house.Visit, alike map[string][]string) []string {
	told := make(map[string]bool)
	for _, s := range v.Stills {
		for _, f := range s.Faces {
			if f.Match != nil {
				told[f.Match.Person] = true
				for _, other := range alike[f.Match.Person] {
					told[other] = true
				}
			}
		}
	}
	return slices.Sorted(maps.Keys(told))
}

// send sends the message of a suggestion to each receiver of its door.
func (c *Advisor) send(ctx context.Context, id, bell string) error {
	if c.publisher == nil {
		return nil
	}
	advice, err := c.archive.Advice(ctx, id)
	if err != nil {
		return err
	}
	receivers, err := c.archive.Receivers(ctx)
	if err != nil {
		return err
	}
	var failures []error
	for _, r := range receivers {
		if r.Door != advice.Door {
			continue
		}
		text, err := message.Sign(advice, bell, r.ID, message.Key(r.Key))
		if err == nil {
			err = c.publisher.Publish(ctx, r.ID, text)
		}
		if err != nil {
			failures = append(failures, fmt.Errorf("sending to receiver %s: %w", r.ID, err))
		}
	}
	return errors.Join(failures...)
}

// alike remembers who is easily confused with whom, until the gallery changes.
type alike struct {
	mu       sync.Mutex
	known    bool
	revision int64
	persons  map[string][]string
}

func (c *Advisor) doubles(ctx context.Context) (map[string][]string, error) {
	c.alike.mu.Lock()
	defer c.alike.mu.Unlock()
	revision, err := c.archive.GalleryRevision(ctx)
	if err != nil {
		return nil, err
	}
	if c.alike.known && c.alike.revision == revision {
		return c.alike.persons, nil
	}
	references, err := c.archive.Gallery(ctx)
	if err != nil {
		return nil, err
	}
	gallery, err := c.gallery.Gallery(ctx)
	if err != nil {
		return nil, err
	}
	c.alike.known, c.alike.revision, c.alike.persons = true, revision, cluster.Alike(references, gallery.BandOf)
	return c.alike.persons, nil
}
