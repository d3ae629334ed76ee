package fortnight

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"time"

	"lintel/internal/house"
)

// first is the day that the story begins on, before today.
const first = -13

// Past is what happened until now, in the order of time. The days are those of
// now's zone. Pictures are not drawn yet.
//
// What is later today than now is left out, and so is what would happen while the
// live part is being prepared. Where daylight saving skips a time of day, what
// happens then is as much later.
func (s *Story) Past(now time.Time) []Event {
	var all []Event
	for day := first; day <= 0; day++ {
		all = append(all, s.day(now, day)...)
	}
	cut := now.Add(-s.file.before.Since.Duration)
	all = slices.DeleteFunc(all, func(e Event) bool { return !e.At.Before(cut) })
	for i, h := range s.file.before.happens {
		at := now.Add(-h.Before.Duration)
		m := moment{at: at, light: at, place: "before." + strconv.Itoa(i)}
		all = append(all, s.events(h, m)...)
	}
	for _, b := range s.file.bells {
		all = append(all, s.beats(b, now)...)
	}
	slices.SortStableFunc(all, func(a, b Event) int { return a.At.Compare(b.At) })
	return s.tellTruth(all, s.keep(now).Quiet)
}

// A moment is when something happens, and where in the story it stands.
type moment struct {
	at, until time.Time // until and home at once
	light     time.Time // by whose light pictures are drawn
	place     string    // names a ring that has no name, and says what is left to chance
	round     string    // of the live part, after a ring's name
	weather   sky
}

// day are the events of a day, as many days after today.
func (s *Story) day(now time.Time, day int) (all []Event) {
	date := noon(now, day)
	own := part{Sky: skies{0}}
	if i := slices.IndexFunc(s.file.days, func(p part) bool { return *p.Day == day }); i >= 0 {
		own = s.file.days[i]
	}
	own.Called = "day"
	for _, p := range append([]part{own}, s.file.weekly...) {
		if slices.Contains(own.Without, p.Called) || !has(p.On, date.Weekday()) {
			continue
		}
		for _, m := range p.moments(date, day, own.Sky[0]) {
			m.light = lightOf(m.at, now)
			all = append(all, s.events(m.happening, m.moment)...)
		}
	}
	return all
}

// A dated happening is one with its moment.
type dated struct {
	happening
	moment
}

// moments are when what is in a part happens on a day. They keep its order.
func (p part) moments(date time.Time, day int, weather sky) (all []dated) {
	_, r := chance(fmt.Sprint(p.Called, day))
	shift := time.Duration(r.IntN(60)) * time.Second
	if give := int(p.Give.Minutes()); give > 0 {
		shift += time.Duration(r.IntN(2*give+1)-give) * time.Minute
	}
	last := time.Time{}
	for i, h := range p.happens {
		m := moment{at: wall(date, h.At).Add(shift), place: fmt.Sprintf("%s%d.%d", p.Called, day, i), weather: weather}
		if h.Sky != nil {
			m.weather = *h.Sky
		}
		if !m.at.After(last) {
			m.at = last.Add(time.Second) // an hour was skipped, or comes twice
		}
		last = m.at
		for _, end := range []*house.DayTime{h.Until, h.Home} {
			if end != nil {
				m.until = wall(date, end).Add(shift)
			}
		}
		all = append(all, dated{h, m})
	}
	return all
}

// lights are the times of day by whose light the past is drawn, each for those that
// are nearest to it. What the doors look like by it is then drawn once for several
// days, which takes longer than those who stand there.
var lights = []house.DayTime{10*60 + 30, 13 * 60, 15*60 + 30, 18 * 60, 22 * 60}

// night is until when it is as dark as in the evening.
const night = 5 * 60

// lightOf is when the light is that of a time, on the day of now.
func lightOf(at, now time.Time) time.Time {
	minute := house.DayTime(at.Hour()*60 + at.Minute())
	nearest := lights[len(lights)-1]
	for _, l := range lights {
		if minute >= night && max(l-minute, minute-l) < max(nearest-minute, minute-nearest) {
			nearest = l
		}
	}
	return wall(now, &nearest)
}

// noon is that of a day, as many days after that of now: an hour that is never
// skipped.
func noon(now time.Time, day int) time.Time {
	return time.Date(now.Year(), now.Month(), now.Day()+day, 12, 0, 0, 0, now.Location())
}

// wall is a time of a day, by the clock of its zone.
func wall(date time.Time, at *house.DayTime) time.Time {
	return time.Date(date.Year(), date.Month(), date.Day(), 0, int(*at), 0, 0, date.Location())
}

// events are those of one thing that happens.
func (s *Story) events(h happening, m moment) []Event {
	var a Act
	switch {
	case h.Ring != "":
		name := cmp.Or(h.Name, m.place)
		if h.Name != "" {
			name += m.round
		}
		a = Ring{Name: name, Bell: h.Ring, Frames: s.burst(h, m), Expected: s.expected(h)}
	case h.Phone != "":
		return s.phone(h, m)
	case h.Parcel != nil:
		a = Parcel{Door: s.parcelDoor(), Note: h.Parcel.in(s.language), From: m.at, To: s.parcelUntil(h, m),
			Window: parcelHolds}
	case h.Enrol != "":
		p := s.persons[h.Enrol]
		p.Consent.GivenAt = m.at
		a = Enrolment{Person: p, Pictures: s.sit(h.Enrol, h.Pictures, m)}
	case h.Answer != "":
		a = Answer{Ring: h.Answer + m.round, Is: s.persons[*h.Is].Name}
	case h.Message != nil:
		a = Message{Bell: s.bellOf(h.To), Ring: h.To + m.round, Text: h.Message.in(s.language), Lasting: lasts * time.Second}
	case h.Hold != "":
		a = Hold{Ring: h.Hold, Reason: h.Because.in(s.language), Until: m.at.AddDate(0, 0, h.Days)}
	case h.Erase != "":
		a = Erasure{Ring: h.Erase}
	case h.Guests != nil:
		a = Guests{Here: *h.Guests}
	default:
		return nil // a bell that goes quiet: its heartbeats are left out
	}
	return []Event{{At: m.at, Act: a}}
}

// parcelDoor is the name of the door that parcels are left at.
func (s *Story) parcelDoor() string {
	i := slices.IndexFunc(s.file.bells, func(b bell) bool { return b.Parcels })
	return s.file.bells[i].Door.in(s.language)
}

func (s *Story) parcelUntil(h happening, m moment) time.Time {
	if h.Lasting.Duration > 0 {
		return m.at.Add(h.Lasting.Duration)
	}
	return m.until
}

// bellOf is the bell of a ring by its name.
func (s *Story) bellOf(ring string) (address string) {
	for h := range s.all {
		if h.Name == ring && h.Ring != "" {
			address = h.Ring
		}
	}
	return address
}

// all yields everything that happens.
func (s *Story) all(yield func(happening) bool) {
	for _, p := range s.parts() {
		for _, h := range p.happens {
			if !yield(h) {
				return
			}
		}
	}
}

// parts are all parts, in the order of the story.
func (s *Story) parts() []part {
	return slices.Concat(s.file.weekly, s.file.days, []part{s.file.before, s.file.live})
}
