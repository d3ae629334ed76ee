package fortnight

import (
	"cmp"
	"context"
	"fmt"
	"runtime"
	"slices"
	"strconv"
	"sync"
	"sync/atomic"
	"time"

	"lintel/internal/doorstep"
)

// A Clock is that of the house. Set has it stand at a time, and is called while the
// past is played, never back; Now and Wait go by it as it runs afterwards.
type Clock interface {
	Set(time.Time)
	Now() time.Time
	// Wait returns after a length of time, or with the context's error.
	Wait(context.Context, time.Duration) error
}

// A Player plays a story in a house.
type Player struct {
	Story *Story
	House House
	Clock Clock

	draw func(doorstep.Scene) []byte // nil for a still as a JPEG
}

// Fill sets the house up and plays all that was before now, drawing ahead. Told, if
// not nil, hears after each event how many of all are done. The error is of the
// house, or the context's.
func (p *Player) Fill(ctx context.Context, now time.Time, told func(done, of int)) error {
	events := p.Story.Past(now)
	ctx, cancel := context.WithCancel(ctx)
	var drawing sync.WaitGroup
	defer drawing.Wait()
	defer cancel()
	drawn := p.drawAhead(ctx, &drawing, events)
	p.Clock.Set(events[0].At.Add(-time.Minute))
	if err := p.House.SetUp(ctx, p.Story.Household(now)); err != nil {
		return fmt.Errorf("setting the house up: %w", err)
	}
	for i := range events {
		var e Event
		select {
		case e = <-drawn[i]:
		case <-ctx.Done():
			return ctx.Err()
		}
		p.Clock.Set(e.At)
		if err := e.Act.do(ctx, p.House); err != nil {
			return fmt.Errorf("playing %T of %s: %w", e.Act, e.At.Format(time.DateTime), err)
		}
		if told != nil {
			told(i+1, len(events))
		}
	}
	return nil
}

// drawAhead draws the events' pictures on all processors, and returns where to get
// each event in turn. Those by one light are drawn one after the other, from the
// light that is needed first.
func (p *Player) drawAhead(ctx context.Context, drawing *sync.WaitGroup, events []Event) []chan Event {
	drawn := make([]chan Event, len(events))
	missing := make([]atomic.Int64, len(events)) // pictures
	var jobs []job
	needed := make(map[lit]int) // lights, in the order they are needed in
	for i, e := range events {
		drawn[i] = make(chan Event, 1)
		frames := e.frames()
		missing[i].Store(int64(len(frames)))
		if len(frames) == 0 {
			drawn[i] <- e
		}
		for k := range frames {
			j := job{event: i, frame: &frames[k], by: e.litAs(k)}
			jobs = append(jobs, j)
			if _, before := needed[j.by]; !before {
				needed[j.by] = len(needed)
			}
		}
	}
	slices.SortStableFunc(jobs, func(a, b job) int { return cmp.Compare(needed[a.by], needed[b.by]) })
	var next atomic.Int64
	for range min(runtime.GOMAXPROCS(0), len(jobs)) {
		drawing.Go(func() {
			for n := next.Add(1) - 1; n < int64(len(jobs)) && ctx.Err() == nil; n = next.Add(1) - 1 {
				j := jobs[n]
				j.frame.JPEG = p.jpeg(j.frame.Scene, j.by.enrols)
				if missing[j.event].Add(-1) == 0 {
					drawn[j.event] <- events[j.event]
				}
			}
		})
	}
	return drawn
}

// A job is one picture of an event.
type job struct {
	event int
	frame *Frame
	by    lit
}

// lit is how a door looks with nobody there. Pictures to enrol by are drawn for
// themselves, so that nobody's first waits for all rings by its light.
type lit struct {
	door   doorstep.Door
	sky    doorstep.Sky
	minute int64
	enrols bool
}

func (e Event) litAs(frame int) lit {
	_, enrols := e.Act.(Enrolment)
	s := e.frames()[frame].Scene
	return lit{s.Door, s.Sky, s.At.Unix() / 60, enrols}
}

// quality is that of the bells' JPEGs.
const quality = 85

// jpeg draws a still as a bell sends it, or a photograph to enrol by, of which nobody sees more than the head.
func (p *Player) jpeg(s doorstep.Scene, enrols bool) []byte {
	switch {
	case p.draw != nil:
		return p.draw(s)
	case enrols:
		return s.Head().JPEG(quality)
	}
	return s.Still().JPEG(quality)
}

// drawn is the event with its pictures drawn, unless the context is done.
func (p *Player) drawn(ctx context.Context, e Event) Event {
	frames := e.frames()
	for i := range frames {
		if ctx.Err() == nil {
			frames[i].JPEG = p.jpeg(frames[i].Scene, false)
		}
	}
	return e
}

// frames are the pictures that an event needs.
func (e Event) frames() []Frame {
	switch act := e.Act.(type) {
	case Ring:
		return act.Frames
	case Enrolment:
		return act.Pictures
	}
	return nil
}

// Live plays what comes after now, over and over with variations, until the context
// is done, whose error it returns, or the house fails. Pace is how fast: 1 as the
// story says, 2 in half the time. Pictures are drawn while it waits.
func (p *Player) Live(ctx context.Context, pace float64) error {
	if !(pace > 0) {
		return fmt.Errorf("a pace of %g leads nowhere", pace)
	}
	for round := 0; ; round++ {
		for i := range p.Story.file.live.happens {
			if err := p.liven(ctx, round, i, pace); err != nil {
				return err
			}
		}
		for _, b := range p.Story.file.bells {
			now := p.Clock.Now()
			if err := p.House.Beat(ctx, b.beat(now, now.AddDate(0, 0, -40), now, -55)); err != nil {
				return fmt.Errorf("playing a heartbeat: %w", err)
			}
		}
	}
}

// liven plays the i-th thing that happens in a round of the live part.
func (p *Player) liven(ctx context.Context, round, i int, pace float64) error {
	after := time.Duration(float64(p.Story.file.live.happens[i].After.Duration) / pace)
	drawing := make(chan []Event, 1)
	at := p.Clock.Now().Add(after)
	go func() {
		events := p.Story.Live(round, i, at)
		for j := range events {
			events[j] = p.drawn(ctx, events[j])
		}
		drawing <- events
	}()
	waited := p.Clock.Wait(ctx, after)
	events := <-drawing // which ends soon when the context is done
	if waited != nil {
		return waited
	}
	for _, e := range events {
		e.Act = now(e.Act, p.Clock.Now())
		if err := e.Act.do(ctx, p.House); err != nil {
			return fmt.Errorf("playing %T live: %w", e.Act, err)
		}
	}
	return nil
}

// now is a ring whose stills are taken from a time on.
func now(a Act, at time.Time) Act {
	if r, is := a.(Ring); is {
		for i := range r.Frames {
			r.Frames[i].Taken = at.Add(time.Duration(i) * apart)
		}
		return r
	}
	return a
}

// Live are the events of the i-th thing that happens in a round of the live part,
// at a time; rounds and things are counted from 0. Nothing is said of advice after
// the first round, since no phone may have been away for long enough then.
func (s *Story) Live(round, i int, at time.Time) []Event {
	part := s.file.live
	h := part.happens[i].turned(part.Turns[round%len(part.Turns)])
	m := moment{at: at, light: at, place: fmt.Sprintf("live%d.%d", round, i), round: "." + strconv.Itoa(round),
		weather: part.Sky[round%len(part.Sky)]}
	events := s.events(h, m)
	for j, e := range events {
		if r, is := e.Act.(Ring); is && round > 0 {
			r.Expected.Advice = nil
			events[j].Act = r
		}
	}
	return events
}

// turned is what happens where it is somebody's turn.
func (h happening) turned(called string) happening {
	whose := func(name string) string {
		if name == turn {
			return called
		}
		return name
	}
	h.Phone, h.Suggest = whose(h.Phone), whose(h.Suggest)
	who := make([]visitor, len(h.who))
	for i, v := range h.who {
		v.who, v.of = whose(v.who), whose(v.of)
		who[i] = v
	}
	h.who = who
	return h
}
