// Package advisor gives the advice: it gathers what a decision is made from,
// asks package policy, keeps what it says, and has receivers told.
//
// What comes in are the archive's changes: a ring, a finding, a factor, a rule, an
// answer. For every visit of the last minute, and each door that its bell rings at,
// the advice is worked out anew, and kept if it differs. What is withheld may
// become a suggestion, when another still or a factor comes. A suggestion that is
// open is judged anew with each change, and each second, and what does not hold
// any more withdraws it; it stays one until then, or until it is used, dismissed or
// expired.
//
// A message about a suggestion (package message) goes to each receiver of the door
// after the suggestion is durable: at once, or after a resident confirmed it, as the
// door says. A receiver that was not there gets it when it begins to listen, while
// the suggestion is open; what comes twice has the same nonce, and receivers act on
// one once. Another message goes to all of them when it is withdrawn or dismissed.
// Nothing here opens anything.
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
	"lintel/pipeline/advice/policy"
	"lintel/pipeline/cluster"
	"lintel/pipeline/match"
)

// An Archive is what an [Advisor] needs of the store.
type Archive interface {
	VisitsBetween(ctx context.Context, after, until time.Time, limit int) ([]house.Visit, error)
	Visit(ctx context.Context, id string) (house.Visit, error)
	Newest(context.Context) (time.Time, error)
	Bells(context.Context) ([]house.Bell, error)
	TrialEnds(context.Context) (map[string]time.Time, error)
	BellHealths(context.Context) (map[string]house.Health, error)
	Doors(context.Context) ([]house.Door, error)
	DoorRules(context.Context) ([]house.DoorRule, error)
	ParcelRules(context.Context) ([]house.ParcelRule, error)
	AdviceRules(context.Context) (house.AdviceRules, error)
	Rules(context.Context) (house.Rules, error)
	Persons(context.Context) ([]house.Person, error)
	FactorsSince(ctx context.Context, t time.Time) ([]house.Factor, error)
	MissesSince(ctx context.Context, t time.Time) ([]house.Miss, error)
	AdviceOn(ctx context.Context, visits ...string) ([]house.Advice, error)
	AdviceUntil(ctx context.Context, t time.Time) ([]house.Advice, error)
	AddAdvice(ctx context.Context, d house.Advice, persons ...string) (id string, err error)
	WithdrawAdvice(ctx context.Context, d house.Advice, persons ...string) error
	Doubts(context.Context) ([]house.Doubt, error)
	KeepDoubt(context.Context, house.Doubt) error
	ForgiveSecrets(ctx context.Context, bell string) error
	ExpireAdvice(context.Context) (next time.Time, err error)
	Receivers(context.Context) ([]house.Receiver, error)
	match.Source
	Watch() (changed <-chan struct{}, stop func())
}

// A Publisher delivers messages to receivers that listen, and keeps nothing for
// whoever does not.
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
	secrets   *secrets

	keeping sync.Mutex          // held while doubts are written down, and forgotten
	kept    map[key]house.Doubt // as they were written down

	// Only Run uses these.
	recalled bool
	told     map[string]telling // by advice, until its time runs out

	woken  chan struct{} // holds one where there is something to do
	mu     sync.Mutex
	behind map[string]bool // receivers that do not know what is open
}

// New returns an advisor. The publisher may be nil: then nothing is sent.
func New(archive Archive, publisher Publisher, log *slog.Logger, now func() time.Time, clock *Clock) *Advisor {
	return &Advisor{archive: archive, publisher: publisher, log: log, now: now, clock: clock,
		gallery: match.NewCurrent(archive), kept: make(map[key]house.Doubt), told: make(map[string]telling),
		woken: make(chan struct{}, 1), secrets: newSecrets(now), behind: make(map[string]bool)}
}

func (c *Advisor) wake() {
	select {
	case c.woken <- struct{}{}:
	default: // it is about to be looked at
	}
}

// Run gives advice until the context is done. Failures are logged; what they
// leave undecided is withheld, since no advice is none.
func (c *Advisor) Run(ctx context.Context) {
	changed, stop := c.archive.Watch()
	defer stop()
	ctx = house.By(ctx, house.ByItself)
	for {
		next, err := c.round(ctx)
		if ctx.Err() != nil {
			return
		}
		if err != nil {
			c.log.Error("giving advice", "err", err)
		}
		begins, err := c.nextFactor(ctx)
		if err != nil && ctx.Err() == nil {
			c.log.Error("giving advice", "err", err)
		}
		wait := time.NewTimer(c.untilNext(next, begins))
		select {
		case <-ctx.Done():
		case <-changed:
		case <-c.woken:
		case <-wait.C:
		}
		wait.Stop()
	}
}

// Look does once what Run does with each change. It is for one that does not run, as
// while time is played faster than it goes.
func (c *Advisor) Look(ctx context.Context) error {
	_, err := c.round(house.By(ctx, house.ByItself))
	return err
}

// round looks at all there is, once. It returns when the next suggestion expires,
// the zero time if none is open.
func (c *Advisor) round(ctx context.Context) (next time.Time, err error) {
	if err := c.recall(ctx); err != nil {
		return next, err
	}
	c.clock.look()
	kept := c.keepDoubts(ctx)
	if next, err = c.archive.ExpireAdvice(ctx); err != nil {
		return next, errors.Join(kept, err)
	}
	if err := c.consider(ctx); err != nil {
		return next, errors.Join(kept, err) // and nothing is told that may not hold any more
	}
	return next, errors.Join(kept, c.tell(ctx))
}

// lookAgain is how long nothing has to change until the clock is looked at all
// the same, and lookWhileOpen how long where a suggestion is open, as rules end by
// the hour.
const (
	lookAgain     = time.Minute
	lookWhileOpen = time.Second
)

// untilNext is how long to wait where a suggestion expires, and a factor begins to
// count; zero times for none.
func (c *Advisor) untilNext(expiry, begins time.Time) time.Duration {
	wait := lookAgain
	if !begins.IsZero() {
		wait = min(wait, begins.Sub(c.now()))
	}
	if !expiry.IsZero() {
		wait = min(wait, lookWhileOpen, expiry.Sub(c.now()))
	}
	return max(0, wait)
}

// nextFactor returns when the next factor begins to count: an arrival may a moment
// after its report, when the person can be at the door. Nothing else changes then
// that would wake the advisor.
func (c *Advisor) nextFactor(ctx context.Context) (begins time.Time, err error) {
	now := c.now()
	factors, err := c.archive.FactorsSince(ctx, now)
	if err != nil {
		return begins, fmt.Errorf("looking for factors to come: %w", err)
	}
	for _, f := range factors { // by when they begin
		if f.At.After(now) {
			return f.At, nil
		}
	}
	return begins, nil
}

// manyVisits is how many visits are considered at most, the newest first: a bell
// that rings more often is not one to give advice on. Those of the last minute are;
// and up to lateExamined what was said of one before its stills were examined is
// said anew.
const (
	manyVisits   = 20
	lateExamined = 10 * time.Minute
)

// consider works out the advice on every visit of the last minute, and on those
// with a suggestion that is open.
func (c *Advisor) consider(ctx context.Context) error {
	doors, err := c.archive.Doors(ctx)
	if err != nil {
		return err
	}
	open, err := c.open(ctx)
	if err != nil || len(doors) == 0 && len(open) == 0 {
		return err
	}
	now := c.now()
	visits, err := c.archive.VisitsBetween(ctx, now.Add(-lateExamined), now, manyVisits)
	if err != nil {
		return err
	}
	visits = slices.DeleteFunc(visits, func(v house.Visit) bool {
		return len(v.Stills) == 0 || !v.ImportedAt.IsZero() // nobody rings by an old one
	})
	if len(visits) == 0 && len(open) == 0 {
		return nil
	}
	s, err := c.gather(ctx)
	if err != nil {
		return err
	}
	var failures []error
	for _, d := range open {
		failures = append(failures, c.judgeAnew(ctx, s, d, doors))
	}
	for _, v := range visits {
		for _, door := range doors {
			if door.Bell == v.Bell {
				failures = append(failures, c.decide(ctx, s.at(v, door, c.secrets.at(v.Bell), c.now())))
			}
		}
	}
	return errors.Join(failures...)
}

// open lists the suggestions that are open.
func (c *Advisor) open(ctx context.Context) ([]house.Advice, error) {
	all, err := c.archive.AdviceUntil(ctx, c.now())
	return slices.DeleteFunc(all, func(d house.Advice) bool { return d.State != house.Suggested }), err
}

// judgeAnew withdraws a suggestion if what it rested on does not hold any more.
func (c *Advisor) judgeAnew(ctx context.Context, s situation, d house.Advice, doors []house.Door) error {
	v, err := c.archive.Visit(ctx, d.Visit)
	if err != nil && !errors.Is(err, house.ErrNotFound) {
		return err
	}
	var door house.Door // not known once it is gone
	if i := slices.IndexFunc(doors, func(at house.Door) bool { return at.ID == d.Door }); i >= 0 {
		door = doors[i]
	}
	in := s.at(v, door, c.secrets.at(v.Bell), c.now())
	in.Open = &d
	anew := policy.Decide(in)
	if d.Parcel != "" {
		anew = policy.DecideParcel(in)
	}
	if anew.State == house.Suggested && anew.Person == d.Person && anew.Parcel == d.Parcel {
		return nil
	}
	d.Conditions = anew.Conditions
	err = c.archive.WithdrawAdvice(ctx, d, toldOf(v, in.Alike)...)
	if errors.Is(err, house.ErrTaken) || errors.Is(err, house.ErrNotFound) {
		return nil // it was answered, or erased, meanwhile
	}
	if err == nil {
		c.log.Info("advice", "visit", d.Visit, "door", d.Door, "state", string(house.Withdrawn))
	}
	return err
}

// decide keeps the advice on a visit at a door, if it is not what was kept
// before.
func (c *Advisor) decide(ctx context.Context, in policy.Input) error {
	v, door := in.Visit, in.Door
	before, err := c.archive.AdviceOn(ctx, v.ID)
	if err != nil {
		return err
	}
	in.Elsewhere = slices.ContainsFunc(before,
		func(d house.Advice) bool { return d.Door != door.ID && d.State != house.Withheld })
	advice := adviceOn(in)
	i := slices.IndexFunc(before, func(d house.Advice) bool { return d.Door == door.ID })
	if late := in.Now.Sub(v.ReceivedAt) >= policy.MaxAge; late && (i < 0 || !policy.Awaits(before[i])) {
		return nil
	}
	if i >= 0 && (before[i].State != house.Withheld || policy.Same(before[i], advice)) {
		return nil
	}
	if advice.State == house.Suggested && door.TellsAtOnce() {
		advice.ReleasedAt = advice.At
	}
	_, err = c.archive.AddAdvice(ctx, advice, toldOf(v, in.Alike)...)
	if errors.Is(err, house.ErrTaken) || errors.Is(err, house.ErrNotFound) {
		return nil // it was used, or erased, meanwhile: the change brings us here again
	}
	if err == nil {
		c.log.Info("advice", "visit", v.ID, "door", door.ID, "state", string(advice.State))
	}
	return err
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

// toldOf lists the persons whom the advice on a visit may name.
func toldOf(v house.Visit, alike map[string][]string) []string {
	told := make(map[string]bool)
	for _, s := range v.Stills {
		for _, f := range s.Faces {
			if f.Said != nil && f.Said.Person != "" {
				told[f.Said.Person] = true
			}
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
