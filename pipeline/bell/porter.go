package bell

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"lintel/internal/house"
)

// An Archive is what a [Porter] needs of the store.
type Archive interface {
	Almanac
	Rules(context.Context) (house.Rules, error)
	Bells(context.Context) ([]house.Bell, error)
	Doors(context.Context) ([]house.Door, error)
	ParcelRules(context.Context) ([]house.ParcelRule, error)
	VisitsBetween(ctx context.Context, after, until time.Time, limit int) ([]house.Visit, error)
	MessageRules(ctx context.Context) (r house.MessageRules, decided bool, err error)
	Display(ctx context.Context, bell string) (d house.Display, known bool, err error)
	AddMessage(ctx context.Context, m house.Message) (id string, err error)
	CurrentMessage(ctx context.Context, bell string) (m house.Message, found bool, err error)
	MissMessages(ctx context.Context) (next time.Time, err error)
	Watch() (changed <-chan struct{}, stop func())
}

// A Publisher brings a page to a bell that listens, as JSON, and keeps nothing for
// one that does not.
type Publisher interface {
	PublishPage(ctx context.Context, bell string, page []byte) error
}

// A Porter sends what the household's rules say when somebody rings, while it runs.
type Porter struct {
	archive   Archive
	publisher Publisher // nil without one
	log       *slog.Logger
	now       func() time.Time
	zone      *time.Location // where the household named none

	told map[string][]byte // pages by bell, as they were published last; Run's alone

	woken  chan struct{} // holds one where there is something to do
	mu     sync.Mutex
	unkept []string // bells that rang at a time when nothing is kept
	listen []string // bells that began to listen
}

// NewPorter returns a porter. The publisher may be nil: then bells ask themselves.
func NewPorter(archive Archive, publisher Publisher, log *slog.Logger, now func() time.Time,
	zone *time.Location) *Porter {
	return &Porter{archive: archive, publisher: publisher, log: log, now: now, zone: zone,
		told: make(map[string][]byte), woken: make(chan struct{}, 1)}
}

// Unkept says that somebody rang at a time when nothing is kept, so that the
// archive will not tell of it.
func (p *Porter) Unkept(bell string) { p.note(&p.unkept, bell) }

// Listening says that a bell began to listen to what is published.
func (p *Porter) Listening(bell string) { p.note(&p.listen, bell) }

// mostNoted bounds what is noted between two rounds.
const mostNoted = 64

func (p *Porter) note(in *[]string, bell string) {
	p.mu.Lock()
	if len(*in) < mostNoted {
		*in = append(*in, bell)
	}
	p.mu.Unlock()
	select {
	case p.woken <- struct{}{}:
	default: // it is about to be looked at
	}
}

// noted takes what was noted since the last round.
func (p *Porter) noted() (unkept, listen []string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	unkept, listen, p.unkept, p.listen = p.unkept, p.listen, nil, nil
	return unkept, listen
}

// lookAgain is how long nothing has to change until all is looked at all the same.
const lookAgain = time.Minute

// Run sends and publishes until the context is done. Failures are logged.
func (p *Porter) Run(ctx context.Context) {
	changed, stop := p.archive.Watch()
	defer stop()
	ctx = house.By(ctx, house.ByItself)
	for {
		next, err := p.round(ctx)
		if ctx.Err() != nil {
			return
		}
		if err != nil {
			p.log.Error("sending messages to displays", "err", err)
		}
		wait := time.NewTimer(max(0, min(lookAgain, next.Sub(p.now()))))
		select {
		case <-ctx.Done():
		case <-changed:
		case <-p.woken:
		case <-wait.C:
		}
		wait.Stop()
	}
}

// Look does once what Run does with each change. It is for one that does not run.
func (p *Porter) Look(ctx context.Context) error {
	_, err := p.round(house.By(ctx, house.ByItself))
	return err
}

// round looks at all there is, once. It returns when to look again though nothing
// changes.
func (p *Porter) round(ctx context.Context) (next time.Time, err error) {
	next = p.now().Add(lookAgain)
	sooner := func(t time.Time) {
		if !t.IsZero() && t.Before(next) {
			next = t
		}
	}
	unkept, listen := p.noted()
	missed, err := p.archive.MissMessages(ctx)
	sooner(missed)
	waits, answered := p.answer(ctx, unkept)
	sooner(waits)
	ends, published := p.publish(ctx, listen)
	sooner(ends)
	return next, errors.Join(err, answered, published)
}

// lateAnswer is how old a ring may be that a rule answers: who rang has to be
// there still. examinedWithin is how long is waited to know who it is.
const (
	lateAnswer     = 30 * time.Second
	examinedWithin = 5 * time.Second
	manyVisits     = 20
)

// answer has the rules answer the rings of the last moments. It returns when one is
// answered at the latest that still waits to be examined.
func (p *Porter) answer(ctx context.Context, unkept []string) (next time.Time, err error) {
	rules, _, err := p.archive.MessageRules(ctx)
	if err != nil {
		return next, err
	}
	on := false
	for _, r := range rules.Rules {
		on = on || r.On
	}
	if !on {
		return next, nil
	}
	now := p.now()
	visits, err := p.archive.VisitsBetween(ctx, now.Add(-lateAnswer), now, manyVisits)
	if err != nil {
		return next, err
	}
	var failures []error
	for _, v := range visits {
		if len(v.Messages) > 0 || len(v.Stills) == 0 || !v.ImportedAt.IsZero() {
			continue // it was answered, or nobody rings now
		}
		if until := v.ReceivedAt.Add(examinedWithin); rules.Rules[house.MessageKnown].On && v.Pending() && now.Before(until) {
			next = until
			continue
		}
		failures = append(failures, p.send(ctx, rules, v))
	}
	for _, bell := range unkept {
		failures = append(failures, p.send(ctx, rules, house.Visit{Bell: bell}))
	}
	return next, errors.Join(failures...)
}

// send sends what the first rule says that is on and fits, if one is. A visit
// without an id is one of which nothing is kept.
func (p *Porter) send(ctx context.Context, rules house.MessageRules, v house.Visit) error {
	if _, has, err := p.archive.Display(ctx, v.Bell); err != nil || !has {
		return err
	}
	now, zone, err := p.clock(ctx)
	if err != nil {
		return err
	}
	parcel, err := p.expectsParcel(ctx, v.Bell)
	if err != nil {
		return err
	}
	known := surelyKnown(v)
	name, fits := choose(rules, situation{known: known.Person != "", quiet: rules.QuietAt(now, zone), parcel: parcel})
	if !fits {
		return nil
	}
	values, err := Now(ctx, p.archive, now, zone)
	if err != nil {
		return err
	}
	rule := rules.Rules[name]
	m := house.Message{Bell: v.Bell, Visit: v.ID, Rule: name, Until: now.Add(time.Duration(rule.Seconds) * time.Second)}
	for _, place := range house.Places(rule.Text) {
		if place == house.PlaceName {
			values.Name, m.Person = known.Name, known.Person
		}
	}
	m.Text = Fill(rule.Text, values)
	_, err = p.archive.AddMessage(ctx, m)
	if errors.Is(err, house.ErrTaken) || errors.Is(err, house.ErrNotFound) || errors.Is(err, house.ErrNoDisplay) {
		return nil // it was answered, or went, meanwhile
	}
	if err == nil {
		p.log.Info("sent a message by a rule", "bell", v.Bell, "visit", v.ID, "rule", string(name))
	}
	return err
}

// clock returns the time, and the household's zone.
func (p *Porter) clock(ctx context.Context) (time.Time, *time.Location, error) {
	rules, err := p.archive.Rules(ctx)
	if err != nil || rules.Zone == "" {
		return p.now(), p.zone, err
	}
	return p.now(), rules.Location(), nil
}

// expectsParcel reports whether a parcel is expected now at a door of the bell.
func (p *Porter) expectsParcel(ctx context.Context, bell string) (bool, error) {
	parcels, err := p.archive.ParcelRules(ctx)
	if err != nil || len(parcels) == 0 {
		return false, err
	}
	doors, err := p.archive.Doors(ctx)
	if err != nil {
		return false, err
	}
	at := make(map[string]bool)
	for _, d := range doors {
		at[d.ID] = d.Bell == bell
	}
	now := p.now()
	for _, r := range parcels {
		if at[r.Door] && r.UsedBy == "" && !now.Before(r.From) && now.Before(r.To) {
			return true, nil
		}
	}
	return false, nil
}

// surelyKnown is who rang, if that is one person who was matched strongly, and
// nothing speaks for a picture; else nobody.
func surelyKnown(v house.Visit) (known house.Match) {
	for _, s := range v.Stills {
		for _, f := range s.Faces {
			switch {
			case f.Liveness != nil && f.Liveness.Level.Warns():
				return house.Match{}
			case f.Recognised() == nil || f.Match.Band != "strong":
				continue
			case known.Person != "" && known.Person != f.Match.Person:
				return house.Match{}
			}
			known = *f.Match
		}
	}
	return known
}

// A situation is what rules ask for.
type situation struct{ known, quiet, parcel bool }

// choose returns the first rule that is on and fits.
func choose(rules house.MessageRules, s situation) (name house.MessageRuleName, fits bool) {
	holds := map[house.MessageRuleName]bool{house.MessageKnown: s.known, house.MessageAway: true,
		house.MessageQuiet: s.quiet, house.MessageParcel: s.parcel, house.MessageGreeting: true}
	for _, name := range house.MessageRuleNames {
		if rules.Rules[name].On && holds[name] {
			return name, true
		}
	}
	return "", false
}

// publish tells of what each display has to show, where that is not what was told
// before, or the bell began to listen. It returns when the first message ends.
func (p *Porter) publish(ctx context.Context, listen []string) (next time.Time, err error) {
	if p.publisher == nil {
		return next, nil
	}
	for _, bell := range listen {
		delete(p.told, bell)
	}
	bells, err := p.archive.Bells(ctx)
	if err != nil {
		return next, err
	}
	var failures []error
	for _, b := range bells {
		d, has, err := p.archive.Display(ctx, b.Address)
		if err != nil || !has {
			failures = append(failures, err)
			continue
		}
		m, _, err := p.archive.CurrentMessage(ctx, b.Address)
		if err != nil {
			failures = append(failures, err)
			continue
		}
		if m.ID != "" && (next.IsZero() || m.Until.Before(next)) {
			next = m.Until
		}
		page := NewPage(d, m, p.now()).JSON()
		if bytes.Equal(p.told[b.Address], page) {
			continue
		}
		if err := p.publisher.PublishPage(ctx, b.Address, page); err != nil {
			failures = append(failures, fmt.Errorf("bell %s: %w", b.Address, err))
			continue
		}
		p.told[b.Address] = page
	}
	return next, errors.Join(failures...)
}
