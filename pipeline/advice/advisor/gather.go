package advisor

import (
	"context"
	"slices"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/advice/policy"
)

// missesCount is how long a failed attempt counts for at most, see package
// policy.
const missesCount = 25 * time.Hour

// A situation is what decisions are made from, all but the visit and the door.
type situation struct {
	input policy.Input
	tried map[string]time.Time // when the last trial at a bell ends or ended, by its name

	health map[string]house.Health // of bells, by name
}

// at is the input of a decision on a visit at a door.
func (s situation) at(v house.Visit, door house.Door, tried house.Doubt, now time.Time) policy.Input {
	in := s.input
	in.Visit, in.Door, in.Now = v, door, now
	if slices.Contains(in.Bells, v.Bell) {
		in.Bell = &policy.Bell{Name: v.Bell, RefusedAt: tried.Own, TriedSince: tried.Since, TrialUntil: s.tried[v.Bell],
			Ailing: s.health[v.Bell].Ailing}
	}
	return in
}

// gather reads the situation. An error means that nothing can be decided.
func (c *Advisor) gather(ctx context.Context) (s situation, err error) {
	in := &s.input
	rules, err := c.archive.Rules(ctx)
	if err != nil {
		return s, err
	}
	in.Zone = rules.Location()
	household, err := c.archive.AdviceRules(ctx)
	if err != nil {
		return s, err
	}
	in.House = &household
	if in.Rules, err = c.archive.DoorRules(ctx); err != nil {
		return s, err
	}
	if in.Parcels, err = c.archive.ParcelRules(ctx); err != nil {
		return s, err
	}
	if in.Rules == nil {
		in.Rules = []house.DoorRule{} // known to be none
	}
	if in.Parcels == nil {
		in.Parcels = []house.ParcelRule{}
	}
	bells, err := c.archive.Bells(ctx)
	if err != nil {
		return s, err
	}
	for _, b := range bells {
		in.Bells = append(in.Bells, b.Address)
	}
	if s.tried, err = c.archive.TrialEnds(ctx); err != nil {
		return s, err
	}
	if s.health, err = c.archive.BellHealths(ctx); err != nil {
		return s, err
	}
	persons, err := c.archive.Persons(ctx)
	if err != nil {
		return s, err
	}
	in.Persons = make(map[string]house.Person, len(persons))
	for _, p := range persons {
		in.Persons[p.ID] = p
	}
	if in.Alike, err = c.doubles(ctx); err != nil {
		return s, err
	}
	return s, c.gatherLately(ctx, in)
}

// gatherLately reads what changes from one minute to the next.
func (c *Advisor) gatherLately(ctx context.Context, in *policy.Input) (err error) {
	now := c.now()
	if in.Factors, err = c.archive.FactorsSince(ctx, now); err != nil {
		return err
	}
	if in.Misses, err = c.archive.MissesSince(ctx, now.Add(-missesCount)); err != nil {
		return err
	}
	if in.Misses == nil {
		in.Misses = []house.Miss{}
	}
	newest, err := c.archive.Newest(ctx)
	if err != nil {
		return err
	}
	in.Clock = c.clock.state()
	in.Clock.Behind = max(0, newest.Sub(now))
	return nil
}
