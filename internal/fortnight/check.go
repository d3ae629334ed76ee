package fortnight

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode"

	"lintel/internal/doorstep"
	"lintel/internal/house"
)

// check reports the first thing that is wrong with a story, by its line.
func (s *Story) check() error {
	if err := s.checkHousehold(); err != nil {
		return err
	}
	if err := s.checkDays(); err != nil {
		return err
	}
	rings := make(map[string]happening) // that have a name, until now
	for _, p := range s.parts() {
		live := p.line == s.file.live.line
		ordered := inOrder
		if live || p.line == s.file.before.line {
			ordered = beside
		}
		if err := ordered(p); err != nil {
			return err
		}
		for i := range p.happens {
			h := &p.happens[i] // shared with the file's
			if !live && slices.ContainsFunc(append([]string{h.Phone, h.Suggest}, h.Who...), isTurn) {
				return fmt.Errorf("line %d: turns are of the live part", h.line)
			}
			if err := s.checkHappening(h, rings); err != nil {
				return fmt.Errorf("line %d: %w", h.line, err)
			}
			if h.Name != "" {
				rings[h.Name] = *h
			}
		}
	}
	return s.checkEnrolled()
}

var address = regexp.MustCompile(`^[A-Za-z0-9._-]{1,40}$`)

func (s *Story) checkHousehold() error {
	h := s.file.house
	if !(math.Abs(h.Latitude) < 80 && math.Abs(h.Longitude) <= 180 && h.Radius >= 20 && h.Radius <= 500) {
		return fmt.Errorf("home is nowhere: latitude %g, longitude %g, radius %g m", h.Latitude, h.Longitude, h.Radius)
	}
	parcels := 0
	for _, b := range s.file.bells {
		for _, t := range []text{b.Name, b.Door} {
			if err := house.CheckName(t.in(s.language), 64); err != nil {
				return fmt.Errorf("line %d: the bell's or door's name: %w", b.line, err)
			}
		}
		made := b.bell(s.language)
		if err := house.CheckMasks(made.Masks); err != nil {
			return fmt.Errorf("line %d: %w", b.line, err)
		}
		if other, _ := s.bell(b.Address); other.line != b.line || !address.MatchString(b.Address) {
			return fmt.Errorf("line %d: a bell has an address of its own, of A-Z a-z 0-9 . _ -", b.line)
		}
		if b.Heartbeat.Duration < house.MinInterval || b.Heartbeat.Duration > house.MaxInterval {
			return fmt.Errorf("line %d: %w", b.line, house.ErrBadInterval)
		}
		if b.Parcels {
			parcels++
		}
	}
	if parcels != 1 {
		return fmt.Errorf("one bell's door is for parcels, not %d", parcels)
	}
	for _, p := range s.file.persons {
		if err := house.CheckName(p.Name, 64); err != nil {
			return fmt.Errorf("line %d: %w", p.line, err)
		}
		if p.Consent.in(s.language) == "" {
			return fmt.Errorf("line %d: %w", p.line, house.ErrNoConsent)
		}
	}
	if s.persons[h.Resident].Name == "" {
		return fmt.Errorf("who signs in is no person: %q", h.Resident)
	}
	rules := house.Rules{Keep: s.file.keep, Quiet: []house.Quiet{}}
	if err := rules.Check(); err != nil {
		return fmt.Errorf("what is kept: %w", err)
	}
	if err := s.messages().Check(); err != nil {
		return fmt.Errorf("messages: %w", err)
	}
	return nil
}

// checkDays asks for days in their order.
func (s *Story) checkDays() error {
	last := first - 1
	for _, p := range s.file.days {
		switch {
		case p.Day == nil || *p.Day < first || *p.Day > 0:
			return fmt.Errorf("line %d: a day is from %d to 0", p.line, first)
		case *p.Day <= last:
			return fmt.Errorf("line %d: day %d comes before day %d", p.line, *p.Day, last)
		case len(p.Sky) != 1:
			return fmt.Errorf("line %d: a day has one sky", p.line)
		}
		last = *p.Day
		for _, name := range p.Without {
			if !slices.ContainsFunc(s.file.weekly, func(w part) bool { return w.Called == name }) {
				return fmt.Errorf("line %d: nothing weekly is called %q", p.line, name)
			}
		}
	}
	for _, p := range s.file.weekly {
		if !address.MatchString(p.Called) || p.Called == "day" || len(p.On) == 0 || p.Give.Duration > time.Hour {
			return fmt.Errorf("line %d: what is weekly has a name of A-Z a-z 0-9 . _ -, days, and gives an hour at most", p.line)
		}
	}
	if len(s.file.live.Sky) == 0 || len(s.file.live.Turns) == 0 || len(s.file.live.happens) == 0 {
		return fmt.Errorf("line %d: the live part has a sky, turns and something that happens", s.file.live.line)
	}
	return nil
}

// inOrder asks for times in their order.
func inOrder(p part) error {
	last := house.DayTime(-1)
	for _, h := range p.happens {
		switch {
		case h.At == nil:
			return fmt.Errorf("line %d: this has no time", h.line)
		case *h.At < last:
			return fmt.Errorf("line %d: %s comes before %s", h.line, h.At, last)
		case h.Home != nil && *h.Home <= *h.At+12:
			return fmt.Errorf("line %d: a way out lasts for more than 12 minutes", h.line)
		case h.Until != nil && *h.Until <= *h.At:
			return fmt.Errorf("line %d: %s is not later than %s", h.line, h.Until, h.At)
		}
		last = *h.At
	}
	return nil
}

// isTurn reports whether a name or a visitor is whose turn it is.
func isTurn(text string) bool { return slices.Contains(strings.FieldsFunc(text, notLetter), turn) }

func notLetter(r rune) bool { return !unicode.IsLetter(r) }

// beside asks for nothing that goes by the clock on the wall, before now and after.
func beside(p part) error {
	for _, h := range p.happens {
		if h.At != nil || h.Until != nil || h.Home != nil || h.Before.Duration > p.Since.Duration {
			return fmt.Errorf("line %d: here all goes by how long it is before or after", h.line)
		}
	}
	return nil
}

// checkHappening asks for one thing that can happen, given the rings before.
func (s *Story) checkHappening(h *happening, rings map[string]happening) error {
	kinds := 0
	for _, is := range []bool{h.Ring != "", h.Phone != "", h.Parcel != nil, h.Enrol != "", h.Quiet != "", h.Answer != "",
		h.Message != nil, h.Hold != "", h.Erase != "", h.Guests != nil} {
		if is {
			kinds++
		}
	}
	if kinds != 1 {
		return fmt.Errorf("one thing happens on a line, not %d", kinds)
	}
	for _, name := range []string{h.Answer, h.To, h.Hold, h.Erase} {
		if _, there := rings[name]; name != "" && !there {
			return fmt.Errorf("no ring before is called %q", name)
		}
	}
	switch {
	case h.Ring != "":
		return s.checkRing(h, rings)
	case h.Phone != "":
		return s.checkPhone(h)
	case h.Parcel != nil && (h.Until == nil) == (h.Lasting.Duration == 0):
		return fmt.Errorf("a parcel is expected until some time, or lasting for some time")
	case h.Enrol != "" && (s.persons[h.Enrol].Name == "" || h.Pictures < 1 || h.Pictures > 10):
		return fmt.Errorf("a person is enrolled, by 1 to 10 pictures")
	case h.Quiet != "":
		if _, known := s.bell(h.Quiet); !known || h.Until == nil {
			return fmt.Errorf("a bell is quiet until some time")
		}
	case h.Answer != "":
		if h.Is == nil || *h.Is != "" && s.persons[*h.Is].Name == "" || len(rings[h.Answer].Who) != 1 {
			return fmt.Errorf(`a ring of one visitor is answered, with who it is, or ""`)
		}
	case h.Message != nil && h.To == "":
		return fmt.Errorf("a message goes to a ring")
	case h.Hold != "" && (h.Days < 1 || h.Days > 300 || h.Because.in(s.language) == ""):
		return fmt.Errorf("a ring is held for 1 to 300 days, because of something")
	}
	return nil
}

// checkRing reads who rings, and asks for a bell and for people there are.
func (s *Story) checkRing(h *happening, rings map[string]happening) error {
	_, known := s.bell(h.Ring)
	_, named := rings[h.Name]
	switch {
	case !known:
		return fmt.Errorf("there is no bell %q", h.Ring)
	case named || h.Name != "" && !address.MatchString(h.Name):
		return fmt.Errorf("a ring's name is its own, of A-Z a-z 0-9 . _ -")
	case h.Frames < 0 || h.Frames > 8:
		return fmt.Errorf("a bell sends 1 to 8 stills")
	case !(h.Covered >= 0 && h.Covered <= 1):
		return fmt.Errorf("0 to 1 of a lens is covered")
	case h.Suggest != "" && h.Suggest != "parcel" && h.Suggest != turn && s.persons[h.Suggest].Name == "":
		return fmt.Errorf("nobody enrolled is called %q", h.Suggest)
	}
	h.who = nil
	for _, text := range h.Who {
		v, err := visitorOf(text)
		if err != nil {
			return err
		}
		for _, name := range []string{v.who, v.of} {
			if s.drawn[name] == nil && name != turn && (name != "" || v.shows != doorstep.Nothing || v.who == "") {
				return fmt.Errorf("nobody is called %q", name)
			}
		}
		h.who = append(h.who, v)
	}
	return nil
}

func (s *Story) checkPhone(h *happening) error {
	if h.Phone != turn && s.persons[h.Phone].Phone == "" {
		return fmt.Errorf("%q has no phone", h.Phone)
	}
	if (h.Home == nil) == !slices.Contains([]string{saysLeft, saysAway, saysHome}, h.Says) {
		return fmt.Errorf("a phone says left, away or home, or comes home at some time")
	}
	return nil
}

// checkEnrolled asks that each person is enrolled once.
func (s *Story) checkEnrolled() error {
	times := make(map[string]int)
	for h := range s.all {
		times[h.Enrol]++
	}
	for _, p := range s.file.persons {
		if times[p.Called] != 1 {
			return fmt.Errorf("line %d: %s is enrolled %d times, not once", p.line, p.Called, times[p.Called])
		}
	}
	return nil
}
