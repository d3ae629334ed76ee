package policy

import (
	"slices"
	"time"

	"lintel/internal/house"
)

// judgingTakes is how long after its last still a ring of the past is taken to
// be judged.
const judgingTakes = 2 * time.Second

// pastUnknown are the conditions that are not kept of the past, or not whole.
var pastUnknown = []string{On, Home, Wait, Healthy, Clock}

// DryRun tells for visits of the past what would have been suggested at a door
// by the rules of the input, had everybody known who rang given factors of
// these kinds, good and at that moment. It returns the advice for each visit,
// in their order. Nothing of it is to be kept as advice: nobody was at the door.
//
// Each is decided as 2 seconds after its last still. Consents, who looks alike
// and holidays are taken as they are now, and the door, its bell and the zone
// from the input. That nothing was paused, nobody away, no attempt failed, the
// bell well and the server's clock right is taken for granted, and those
// conditions say so. Visits whose stills are gone have no quality and no
// descriptors any more; they are withheld, and say that.
func DryRun(visits []house.Visit, in Input, given []house.FactorKind) []house.Advice {
	all := make([]house.Advice, len(visits))
	for i, v := range visits {
		all[i] = Decide(past(in, v, given))
		for k, c := range all[i].Conditions {
			if c.Met && slices.Contains(pastUnknown, c.Code) {
				all[i].Conditions[k].Reasons = []house.Reason{{Code: trialTakesIt}}
			}
		}
	}
	return all
}

// past is the input as it would have been at a visit.
func past(in Input, v house.Visit, given []house.FactorKind) Input {
	in.Visit, in.Now = v, v.ReceivedAt
	for _, s := range v.Stills {
		if s.ReceivedAt.After(in.Now) {
			in.Now = s.ReceivedAt
		}
	}
	if !in.Now.IsZero() {
		in.Now = in.Now.Add(judgingTakes)
	}
	in.Bell = &Bell{Name: v.Bell}
	in.Clock, in.Misses, in.Open = &ClockState{}, []house.Miss{}, nil
	if in.House != nil {
		house := *in.House
		house.Paused, house.AwayUntil = false, time.Time{}
		in.House = &house
	}
	in.Factors = nil
	for _, person := range ask(in).visitors {
		for _, kind := range given {
			in.Factors = append(in.Factors, supposed(kind, person.id, in))
		}
	}
	return in
}

// supposed is a factor as if it had been given at that moment.
func supposed(kind house.FactorKind, person string, in Input) house.Factor {
	f := house.Factor{ID: "supposed " + string(kind) + " of " + person, Kind: kind, Person: person, Source: "a trial",
		At: in.Now, Until: in.Now.Add(5 * time.Minute), Strength: 0.5}
	switch kind {
	case house.FactorCode:
		f.Strength = 1
	case house.FactorResident:
		f.Strength, f.Visit = 1, in.Visit.ID
	}
	return f
}
