package fortnight

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/advice/geofence"
	wire "lintel/pipeline/bell"
)

// A diary is a house that writes down what happens in it, and judges the reports of
// phones as the server does.
type diary struct {
	now       time.Time
	set       bool
	household Household
	rings     []rung
	enrolled  map[string]Enrolment
	beats     map[string][]time.Time
	phones    map[string]geofence.State
	used      map[string]time.Time // arrivals that a suggestion rests on, by when they came
	parcels   []Parcel
	answers   []Answer
	messages  []Message
	holds     []Hold
	erased    []string
	guests    []bool
	acts      []string

	waited time.Duration
	stop   func() // called after so many live rings
	most   int
	t      *testing.T
}

// A rung is a ring, with when it came and whose arrivals counted then.
type rung struct {
	Ring
	at      time.Time
	arrived []string
}

func (r rung) came(name string) bool { return slices.Contains(r.arrived, name) }

func (d *diary) Set(at time.Time) {
	if at.Before(d.now) {
		d.t.Errorf("the clock goes back from %s to %s", d.now, at)
	}
	d.now = at
}
func (d *diary) Now() time.Time { return d.now }
func (d *diary) Wait(ctx context.Context, length time.Duration) error {
	d.now, d.waited = d.now.Add(length), d.waited+length
	return ctx.Err()
}

func (d *diary) note(act any) error {
	if !d.set {
		d.t.Errorf("%T before the house is set up", act)
	}
	d.acts = append(d.acts, fmt.Sprintf("%s %T", d.now.Format(time.DateTime), act))
	return nil
}

func (d *diary) SetUp(_ context.Context, h Household) error {
	d.set, d.household = true, h
	d.enrolled, d.beats = make(map[string]Enrolment), make(map[string][]time.Time)
	d.phones, d.used = make(map[string]geofence.State), make(map[string]time.Time)
	return nil
}

func (d *diary) Enrol(_ context.Context, e Enrolment) error {
	d.enrolled[e.Person.Name] = e
	return d.note(e)
}

func (d *diary) Ring(_ context.Context, r Ring) error {
	d.rings = append(d.rings, rung{r, d.now, d.arrivals()})
	if d.most--; d.most == 0 && d.stop != nil {
		d.stop()
	}
	for _, a := range r.Expected.Advice {
		if a.Suggest && a.For != "" {
			d.used[a.For] = d.phones[a.For].Came()
		}
	}
	return d.note(r)
}

// arrivals are whose phones came home so lately that it counts.
func (d *diary) arrivals() (names []string) {
	for name, s := range d.phones {
		opens := s.Stands.Opens
		if s.Stands.Strength >= house.Ordinary && !opens.After(d.now) && d.now.Before(opens.Add(d.household.Advice.Window)) &&
			!d.used[name].Equal(s.Came()) {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	return names
}

func (d *diary) Report(_ context.Context, r Report) error {
	var p place
	if err := json.Unmarshal(r.Text, &p); err != nil {
		return err
	}
	if _, known := d.enrolled[r.Person]; !known {
		d.t.Errorf("%s has a phone and is not enrolled yet", r.Person)
	}
	report := geofence.Report{Latitude: p.Latitude, Longitude: p.Longitude, Accuracy: p.Accuracy, At: time.Unix(p.Time, 0),
		Crossing: geofence.Crossing(p.Crossing), NoPlace: p.Latitude == 0}
	next, err := geofence.Step(d.phones[r.Person], report, *d.household.Advice.Home, d.now)
	if err != nil {
		d.t.Errorf("%s: the report %s of %s: %v", d.now, r.Text, r.Person, err)
	}
	d.phones[r.Person] = next
	return d.note(r)
}

func (d *diary) Beat(_ context.Context, b Beat) error {
	h, err := wire.Read(b.Text, d.now)
	if err != nil || h.Ahead == nil || *h.Ahead > 1000 || *h.Ahead < -1000 {
		d.t.Errorf("heartbeat %s at %s: %v", b.Text, d.now, err)
	}
	d.beats[b.Bell] = append(d.beats[b.Bell], d.now)
	return d.note(b)
}

func (d *diary) Expect(_ context.Context, p Parcel) error {
	d.parcels = append(d.parcels, p)
	return d.note(p)
}
func (d *diary) Answer(_ context.Context, a Answer) error {
	d.mustHave(a.Ring)
	d.answers = append(d.answers, a)
	return d.note(a)
}
func (d *diary) Send(_ context.Context, m Message) error {
	d.mustHave(m.Ring)
	d.messages = append(d.messages, m)
	return d.note(m)
}
func (d *diary) Hold(_ context.Context, h Hold) error {
	d.mustHave(h.Ring)
	d.holds = append(d.holds, h)
	return d.note(h)
}
func (d *diary) Erase(_ context.Context, e Erasure) error {
	d.mustHave(e.Ring)
	d.erased = append(d.erased, e.Ring)
	return d.note(e)
}
func (d *diary) Greet(_ context.Context, g Guests) error {
	d.guests = append(d.guests, g.Here)
	return d.note(g)
}

func (d *diary) mustHave(ring string) {
	d.t.Helper()
	if !slices.ContainsFunc(d.rings, func(r rung) bool { return r.Name == ring }) {
		d.t.Errorf("%s: there was no ring %q until now", d.now, ring)
	}
}

var errDown = errors.New("the house is down")

type failing struct{ diary }

func (f *failing) Ring(context.Context, Ring) error { return errDown }
