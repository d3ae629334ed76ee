package fortnight

import (
	_ "embed"
	"fmt"
	"maps"
	"slices"
	"time"

	"lintel/internal/doorstep"
	"lintel/internal/house"
)

//go:embed fortnight.toml
var builtIn string

// A Story is a fortnight's, as it was read.
type Story struct {
	file     file
	language string
	drawn    map[string]*doorstep.Person // by what they are called
	persons  map[string]Person           // by what they are called
}

// Load reads the story that is built in, with what the household wrote in that
// language, or in English where it has none.
func Load(language string) (*Story, error) { return Parse(builtIn, language) }

// Parse reads a story. The error names the line.
func Parse(text, language string) (*Story, error) {
	f, err := decode(text)
	if err != nil {
		return nil, fmt.Errorf("reading a fortnight: %w", err)
	}
	s := &Story{file: f, language: language, drawn: make(map[string]*doorstep.Person), persons: make(map[string]Person)}
	if err := s.cast(); err != nil {
		return nil, fmt.Errorf("reading a fortnight: %w", err)
	}
	if err := s.check(); err != nil {
		return nil, fmt.Errorf("reading a fortnight: %w", err)
	}
	return s, nil
}

// Household is what is decided before the first ring, where the story is played at
// a time.
func (s *Story) Household(now time.Time) Household {
	h := Household{Resident: s.persons[s.file.house.Resident].Name, Keep: s.keep(now), Advice: s.advice(),
		Messages: s.messages()}
	for _, b := range s.file.bells {
		h.Bells = append(h.Bells, b.bell(s.language))
		h.Doors = append(h.Doors, house.Door{Name: b.Door.in(s.language), Bell: b.Address, Parcel: b.Parcels})
	}
	return h
}

func (b bell) bell(language string) Bell {
	made := Bell{Address: b.Address, Name: b.Name.in(language), Looks: doorstep.Door(b.Looks), Beats: b.Heartbeat.Duration}
	if b.Display {
		display := house.UsualDisplay
		made.Display = &display
	}
	for _, outline := range b.Masks {
		var mask house.Polygon
		for _, p := range outline {
			mask = append(mask, house.Point{X: p[0], Y: p[1]})
		}
		made.Masks = append(made.Masks, mask)
	}
	return made
}

// soon is for how long from now on nothing is to be quiet.
const soon = 2 * time.Hour

// keep are the rules of keeping, without a quiet time that would hold soon.
func (s *Story) keep(now time.Time) house.Rules {
	rules := house.Rules{Keep: maps.Clone(s.file.keep), Quiet: []house.Quiet{}}
	for _, q := range s.file.quiet {
		one := house.Quiet{From: q.From, Until: q.Until}
		for _, d := range q.Days {
			one.Days = append(one.Days, time.Weekday(d))
		}
		if !quietSoon(one, now) {
			rules.Quiet = append(rules.Quiet, one)
		}
	}
	return rules
}

func quietSoon(q house.Quiet, now time.Time) bool {
	for after := time.Duration(0); after <= soon; after += time.Minute {
		if quietAt([]house.Quiet{q}, now.Add(after)) {
			return true
		}
	}
	return false
}

// quietAt reports whether nothing is kept at a time, by the clock of its zone.
func quietAt(quiet []house.Quiet, at time.Time) bool {
	return house.MessageRules{Quiet: quiet}.QuietAt(at, at.Location())
}

// advice are the rules of all advice: the usual ones, with where home is.
func (s *Story) advice() house.AdviceRules {
	rules := house.DefaultAdviceRules()
	rules.Home = &house.Home{Latitude: s.file.house.Latitude, Longitude: s.file.house.Longitude,
		Radius: s.file.house.Radius}
	return rules
}

// lasts is for how many seconds a display shows a message, and parcelHolds how long
// a suggestion for a parcel holds.
const (
	lasts       = 60
	parcelHolds = 2 * time.Minute
)

func (s *Story) messages() house.MessageRules {
	rules := house.MessageRules{Rules: make(map[house.MessageRuleName]house.MessageRule), Quiet: []house.Quiet{}}
	for name, say := range s.file.says {
		rules.Rules[name] = house.MessageRule{On: say.On,
			MessageText: house.MessageText{Text: say.Text.in(s.language), Seconds: lasts}}
	}
	for _, t := range s.file.texts {
		rules.Texts = append(rules.Texts, house.MessageText{Text: t.Text.in(s.language), Seconds: lasts})
	}
	return rules
}

// cast makes the persons, and finds who is drawn for whom.
func (s *Story) cast() error {
	part := func(line int, called, drawn string) error {
		i := slices.IndexFunc(doorstep.People[:], func(p *doorstep.Person) bool { return p.Name == drawn })
		switch {
		case called == "" || s.drawn[called] != nil:
			return fmt.Errorf("line %d: each is called by a name of their own", line)
		case i < 0:
			return fmt.Errorf("line %d: nobody is drawn by the name %q", line, drawn)
		case slices.Contains(slices.Collect(maps.Values(s.drawn)), doorstep.People[i]):
			return fmt.Errorf("line %d: %s is drawn for somebody else", line, drawn)
		}
		s.drawn[called] = doorstep.People[i]
		return nil
	}
	for _, p := range s.file.persons {
		if err := part(p.line, p.Called, p.Drawn); err != nil {
			return err
		}
	}
	for _, p := range s.file.strangers {
		if err := part(p.line, p.Called, p.Drawn); err != nil {
			return err
		}
	}
	for _, p := range s.file.persons {
		s.persons[p.Called] = Person{Name: p.Name, Drawn: s.drawn[p.Called], Phone: p.Phone.in(s.language),
			Consent: house.Consent{GivenBy: s.giver(p), Scope: p.Consent.in(s.language)}}
	}
	for _, r := range s.file.rules {
		p, known := s.persons[r.Person]
		if !known {
			return fmt.Errorf("line %d: nobody is called %q", r.line, r.Person)
		}
		allow, err := s.rule(r, p.Name)
		if err != nil {
			return err
		}
		p.Rules = append(p.Rules, allow)
		s.persons[r.Person] = p
	}
	return nil
}

// giver is the name of who consents for a person.
func (s *Story) giver(p person) string {
	for _, other := range s.file.persons {
		if other.Called == p.By {
			return other.Name
		}
	}
	return p.Name
}

func (s *Story) rule(r rule, person string) (house.DoorRule, error) {
	b, known := s.bell(r.Door)
	if !known {
		return house.DoorRule{}, fmt.Errorf("line %d: there is no door of a bell %q", r.line, r.Door)
	}
	made := house.DoorRule{Person: person, Door: b.Door.in(s.language), Allowed: !r.Never, To: 24 * 60, Holidays: true}
	for d := range made.Days {
		made.Days[d] = has(r.Days, time.Weekday(d))
	}
	if r.From != nil {
		made.From = int(*r.From)
	}
	if r.To != nil {
		made.To = int(*r.To)
	}
	if made.Allowed {
		made.Factors, made.Need = []house.FactorKind{house.FactorArrival}, 1
		made.Band, made.Liveness, made.CantTell = "fair", house.NoSign, true
	}
	return made, nil
}

func (s *Story) bell(address string) (bell, bool) {
	i := slices.IndexFunc(s.file.bells, func(b bell) bool { return b.Address == address })
	if i < 0 {
		return bell{}, false
	}
	return s.file.bells[i], true
}
