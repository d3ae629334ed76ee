package main

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"lintel/internal/fortnight"
	"lintel/internal/house"
	"lintel/pipeline/enrol"
	"lintel/pipeline/match"
	"lintel/pipeline/review"
)

// A demo is the house of a story: a server, what is known of its household, and the
// way there.
type demo struct {
	*server
	g         *globals
	clock     *playedClock
	way       way
	portraits enrolFinder // beside the server's, until the past is filled
	review    *review.Review

	resident  house.Resident
	password  string
	household fortnight.Household
	secrets   map[string]string // of bells, by address
	doors     map[string]string // ids, by name
	persons   map[string]string // ids, by name
	phones    map[string]string // tokens, by the name of whose it is
	visits    map[string]string // ids, by ring
	receivers []demoReceiver
	day       string // that was seen to last

	mu   sync.Mutex
	seen map[string]bool // stills that were examined and looked at, by id
	saw  chan struct{}   // holds one where there are more
}

// A way is how what a household's devices send reaches the server.
type way interface {
	still(ctx context.Context, bell, ring string, number int, f fortnight.Frame) error
	beat(ctx context.Context, bell string, text []byte) error
	report(ctx context.Context, person string, text []byte) error
	// showed has the bells' displays say what they show.
	showed(ctx context.Context) error
}

func newDemo(g *globals, s *server, clock *playedClock) *demo {
	d := &demo{server: s, g: g, clock: clock, portraits: enrolFinder{models: g.Models},
		review:  review.New(s.archive, match.NewCurrent(s.archive), clock.Now),
		secrets: make(map[string]string), doors: make(map[string]string), persons: make(map[string]string),
		phones: make(map[string]string), visits: make(map[string]string),
		seen: make(map[string]bool), saw: make(chan struct{}, 1)}
	s.steps.Examined = d.examined
	d.way = within{d}
	return d
}

// fill plays what was before now: with a clock that is set to each event, and parts
// that are asked one after the other. Only stills are examined beside it.
func (d *demo) fill(ctx context.Context, player *fortnight.Player, now time.Time) error {
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	examined := make(chan error, 1)
	go func() {
		defer stop() // nothing would be examined any more
		examined <- d.steps.Run(ctx)
	}()
	var p *progress
	err := player.Fill(ctx, now, func(done, of int) {
		if p == nil {
			p = d.g.newProgress("demo-filling", of)
		}
		p.step()
	})
	if p != nil {
		p.end()
	}
	stop()
	return errors.Join(<-examined, err, d.portraits.Close())
}

// as is the resident who does something.
func (d *demo) as(ctx context.Context) context.Context {
	return house.By(ctx, "resident "+d.resident.ID)
}

func (d *demo) SetUp(ctx context.Context, h fortnight.Household) (err error) {
	d.household = h
	if d.resident, d.password, err = d.pages.AddDemoResident(ctx, h.Resident); err != nil {
		return err
	}
	ctx = d.as(ctx)
	_, err = d.archive.PairTablet(ctx, say.Text("demo-tablet"), d.resident.ID)
	h.Keep.Zone = zoneName(d.clock.Now().Location())
	err = errors.Join(err, d.archive.SetStarted(ctx, true), d.archive.SetRules(ctx, h.Keep),
		d.archive.SetAdviceRules(ctx, h.Advice), d.archive.SetMessageRules(ctx, h.Messages))
	for _, b := range h.Bells {
		err = errors.Join(err, d.hang(ctx, b))
	}
	for _, door := range h.Doors {
		err = errors.Join(err, d.addDoor(ctx, door))
	}
	return err
}

// zoneName is that of the tz database, "" where the machine's has none.
func zoneName(zone *time.Location) string {
	if name := zone.String(); name != "Local" {
		return name
	}
	return ""
}

// hang adds a bell.
func (d *demo) hang(ctx context.Context, b fortnight.Bell) (err error) {
	if d.secrets[b.Address], err = d.archive.AddBell(ctx, b.Address); err != nil {
		return err
	}
	err = errors.Join(d.archive.RenameBell(ctx, b.Address, b.Name), d.archive.SetHeartbeat(ctx, b.Address, b.Beats))
	if b.Display != nil {
		err = errors.Join(err, d.archive.SetDisplay(ctx, b.Address, *b.Display))
	}
	if len(b.Masks) > 0 {
		err = errors.Join(err, d.archive.SetMasks(ctx, b.Address, b.Masks))
	}
	return err
}

// addDoor adds a door with a receiver there.
func (d *demo) addDoor(ctx context.Context, door house.Door) (err error) {
	if d.doors[door.Name], err = d.archive.SetDoor(ctx, door); err != nil {
		return err
	}
	r, token, err := d.archive.AddReceiver(ctx, d.doors[door.Name], say.Text("demo-receiver"))
	d.receivers = append(d.receivers, demoReceiver{id: r.ID, token: token, door: door.Name})
	return err
}

func (d *demo) Enrol(ctx context.Context, e fortnight.Enrolment) error {
	ctx = d.as(ctx)
	p, err := d.archive.AddPerson(ctx, e.Person.Name)
	if err != nil {
		return err
	}
	d.persons[p.Name] = p.ID
	if err := d.archive.RecordConsent(ctx, p.ID, e.Person.Consent); err != nil {
		return err
	}
	if e.Person.Phone != "" {
		_, d.phones[p.Name], err = d.archive.AddSource(ctx, house.Phone, p.ID, e.Person.Phone)
	}
	for _, r := range e.Person.Rules {
		r.Person, r.Door = p.ID, d.doors[r.Door]
		_, wrong := d.archive.SetDoorRule(ctx, r)
		err = errors.Join(err, wrong)
	}
	if err != nil {
		return err
	}
	for _, f := range e.Pictures {
		_, err := enrol.Enrol(ctx, d.archive, d.portraits.Find, p.ID, house.FromPhotograph, f.JPEG)
		if err != nil {
			d.log.Warn("a picture makes no reference", "person", p.ID, "err", err) // the next may
		}
	}
	return nil
}

// Ring returns when the stills were examined, and what follows from them was said.
func (d *demo) Ring(ctx context.Context, r fortnight.Ring) error {
	d.told(say.Text("demo-rings", "Bell", d.bellName(r.Bell), "Time", say.Clock(d.clock.Now().In(time.Local))))
	if err := d.look(ctx); err != nil {
		return err
	}
	for n, f := range r.Frames {
		if err := d.await(ctx, f.Taken); err != nil {
			return err
		}
		if err := d.way.still(ctx, r.Bell, r.Name, n, f); err != nil {
			return err
		}
	}
	if len(r.Frames) == 0 {
		return nil
	}
	s, kept, err := d.archive.Find(ctx, r.Bell, r.Name, 0, sha256.Sum256(r.Frames[0].JPEG))
	if err != nil || !kept { // at a quiet time
		return errors.Join(err, d.look(ctx))
	}
	d.visits[r.Name] = s.Visit
	if err := d.untilSeen(ctx, s.Visit); err != nil {
		return err
	}
	if !d.clock.goes() {
		d.clock.Set(d.clock.Now().Add(examining))
	}
	return d.look(ctx)
}

// examining is how long a ring's stills take, by the clock that is played.
const examining = 700 * time.Millisecond

func (d *demo) bellName(address string) string {
	i := slices.IndexFunc(d.household.Bells, func(b fortnight.Bell) bool { return b.Address == address })
	if i < 0 {
		return address
	}
	return d.household.Bells[i].Name
}

// told tells what happens, while it is watched.
func (d *demo) told(line string) {
	if d.clock.goes() {
		fmt.Fprintln(d.g.stdout, line)
	}
}

// await waits until a frame is taken.
func (d *demo) await(ctx context.Context, at time.Time) error {
	if d.clock.goes() {
		return pause(ctx, min(time.Until(at), time.Second))
	}
	d.clock.Set(at)
	return nil
}

// look has all that looks at the clock do so, where it does not by itself.
func (d *demo) look(ctx context.Context) error {
	if d.clock.goes() {
		return nil
	}
	if today := d.clock.Now().Format(time.DateOnly); today != d.day {
		d.day = today
		d.care.look(house.By(ctx, house.ByItself))
	}
	return errors.Join(d.advice.Look(ctx), d.porter.Look(ctx), d.bells.Look(house.By(ctx, house.ByItself)),
		d.way.showed(ctx))
}

func (d *demo) Report(ctx context.Context, r fortnight.Report) error {
	if err := d.look(ctx); err != nil {
		return err
	}
	return errors.Join(d.way.report(ctx, r.Person, r.Text), d.look(ctx))
}

func (d *demo) Beat(ctx context.Context, b fortnight.Beat) error {
	return errors.Join(d.look(ctx), d.way.beat(ctx, b.Bell, b.Text))
}

func (d *demo) Expect(ctx context.Context, p fortnight.Parcel) error {
	_, err := d.archive.AddParcelRule(d.as(ctx), house.ParcelRule{Door: d.doors[p.Door], Note: p.Note, From: p.From,
		To: p.To, Window: p.Window})
	return errors.Join(d.whereThere(err), d.look(ctx))
}

// Answer is of the largest face. Where none was found, or nobody that it could be
// about, there is nothing to answer.
func (d *demo) Answer(ctx context.Context, a fortnight.Answer) error {
	v, err := d.archive.Visit(ctx, d.visits[a.Ring])
	if errors.Is(err, house.ErrNotFound) {
		return nil
	}
	if err != nil {
		return err
	}
	var largest *house.Face
	for _, s := range v.Stills {
		for i, f := range s.Faces {
			if largest == nil || f.Box.Dx() > largest.Box.Dx() {
				largest = &s.Faces[i]
			}
		}
	}
	if largest == nil {
		return nil
	}
	_, err = d.review.This(d.as(ctx), largest.ID, d.persons[a.Is], false)
	if errors.Is(err, house.ErrBadAnswer) || errors.Is(err, house.ErrFindingChanged) {
		d.log.Warn("an answer fits nothing that was found", "ring", a.Ring, "err", err)
		err = nil
	}
	return errors.Join(err, d.look(ctx))
}

func (d *demo) Send(ctx context.Context, m fortnight.Message) error {
	_, err := d.archive.AddMessage(d.as(ctx), house.Message{Bell: m.Bell, Visit: d.visits[m.Ring], Text: m.Text,
		Until: d.clock.Now().Add(m.Lasting)})
	return errors.Join(d.whereThere(err), d.look(ctx))
}

// whereThere lets be that what something is done to is not there any more: rules let
// it go, or whoever looks at the demo removed it.
func (d *demo) whereThere(err error) error {
	if errors.Is(err, house.ErrNotFound) {
		d.log.Warn("the story goes on without what it is about", "err", err)
		return nil
	}
	return err
}

func (d *demo) Hold(ctx context.Context, h fortnight.Hold) error {
	return d.whereThere(d.archive.PlaceHold(d.as(ctx), d.visits[h.Ring], h.Reason, h.Until))
}

func (d *demo) Erase(ctx context.Context, e fortnight.Erasure) error {
	if err := d.whereThere(d.archive.EraseVisit(d.as(ctx), d.visits[e.Ring])); err != nil {
		return err
	}
	if d.clock.goes() {
		d.care.Erased()
	} else {
		d.care.finishErasures(house.By(ctx, house.ByItself))
	}
	return nil
}

func (d *demo) Greet(ctx context.Context, guests fortnight.Guests) error {
	tablets, err := d.archive.Tablets(ctx)
	for _, t := range tablets {
		t.Rules.Guest = guests.Here
		err = errors.Join(err, d.archive.SetTabletRules(d.as(ctx), t.ID, t.Rules))
	}
	return err
}

// untilSeen waits until a visit's stills were examined, and all that follows was done.
func (d *demo) untilSeen(ctx context.Context, visit string) error {
	changed, stop := d.archive.Watch()
	defer stop()
	for {
		v, err := d.archive.Visit(ctx, visit)
		if err != nil && !errors.Is(err, house.ErrNotFound) {
			return err
		}
		if err != nil || d.allSeen(v) {
			return nil
		}
		select {
		case <-changed:
		case <-d.saw:
		case <-ctx.Done():
			return fmt.Errorf("waiting for a visit: %w", ctx.Err())
		}
	}
}

func (d *demo) allSeen(v house.Visit) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	waits := slices.ContainsFunc(v.Stills, func(s house.Still) bool { return s.State == house.Done && !d.seen[s.ID] })
	if v.Pending() || waits {
		return false
	}
	clear(d.seen)
	return true
}
