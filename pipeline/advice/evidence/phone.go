package evidence

import (
	"context"
	"encoding/json"
	"errors"
	"slices"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/advice/geofence"
)

// A Told is something that a phone told, and what was made of it, as it is kept
// for a week.
type Told struct {
	geofence.Report
	Heard time.Time      `json:"-"`
	Place geofence.Place `json:"place,omitempty"` // empty where it was refused
	Why   string         `json:"why,omitempty"`   // the refusal, by its code
	// Home is by which circle it was judged.
	Home house.Home `json:"home"`
}

// arrival takes what a phone tells of where it is.
func (d *Inbox) arrival(ctx context.Context, s house.Source, m message) (Receipt, error) {
	receipt := Receipt{Kind: house.FactorArrival}
	rules, err := d.archive.AdviceRules(ctx)
	if err != nil {
		return receipt, err
	}
	if rules.Home == nil {
		return receipt, ErrNoHome
	}
	slices.SortStableFunc(m.reports, func(a, b geofence.Report) int { return a.At.Compare(b.At) })
	_, err = d.archive.MoveSource(ctx, s.ID, func(before json.RawMessage) (house.SourceMove, error) {
		now := d.now() // within the transaction, so that reports are in order
		state := stateOf(before)
		next, told, firstErr := steps(state, m.reports, *rules.Home, now)
		move, err := moveOf(s, state, next, rules.Window)
		for _, t := range told {
			text, encodeErr := json.Marshal(t)
			move.Reports, err = append(move.Reports, text), errors.Join(err, encodeErr)
			if t.Why == "" {
				receipt.Taken++
			} else {
				receipt.Refused++
			}
		}
		if err != nil {
			return house.SourceMove{}, err
		}
		receipt.Counts = counts(next, now) && (!counts(state, state.Heard) || next.Came() != state.Came())
		if receipt.Taken > 0 {
			firstErr = nil
		}
		return move, firstErr
	})
	if err != nil || !m.list {
		receipt.Taken, receipt.Refused = 0, 0
	}
	return receipt, err
}

// steps takes one report after the other, and returns the first refusal.
func steps(s geofence.State, reports []geofence.Report, home house.Home,
	now time.Time) (next geofence.State, told []Told, first error) {
	for _, r := range reports {
		t := Told{Report: r, Heard: now, Place: geofence.Where(r, home), Home: home}
		var err error
		if s, err = geofence.Step(s, r, home, now); err != nil {
			t.Place, t.Why = "", refusalOf(err)
			if first == nil {
				first = err
			}
		}
		told = append(told, t)
	}
	return s, told, first
}

// refusalOf is the code of a refusal.
func refusalOf(err error) string {
	var refusal house.Refusal
	if errors.As(err, &refusal) {
		return string(refusal)
	}
	return "unknown"
}

func stateOf(kept json.RawMessage) (s geofence.State) {
	if kept == nil || json.Unmarshal(kept, &s) != nil {
		return geofence.State{} // of another version: all begins anew
	}
	return s
}

func counts(s geofence.State, now time.Time) bool {
	return s.Stands != geofence.Arrival{} && !s.Stands.Opens.After(now)
}

// moveOf is what becomes of the arrival from one state to the next.
func moveOf(s house.Source, before, next geofence.State, window time.Duration) (m house.SourceMove, err error) {
	if m.State, err = json.Marshal(next); err != nil {
		return m, err
	}
	switch none := (geofence.Arrival{}); {
	case next.Stands == before.Stands && next.Came() == before.Came():
		return m, nil
	case next.Stands == none:
		m.Change = house.ArrivalEnds
		return m, nil
	case before.Stands != none && next.Came() == before.Came():
		m.Change = house.ArrivalMoves
	default:
		m.Change = house.ArrivalBegins
	}
	m.Arrival = &house.Factor{Kind: house.FactorArrival, Person: s.Person, Source: s.ID, At: next.Stands.Opens,
		Until: next.Stands.Opens.Add(window), Strength: next.Stands.Strength}
	return m, nil
}

// sighted tells the person's phones that a reader saw something of theirs.
func (d *Inbox) sighted(ctx context.Context, person string, rules house.AdviceRules) error {
	sources, err := d.archive.Sources(ctx)
	if err != nil {
		return err
	}
	for _, s := range sources {
		if s.Kind != house.Phone || s.Person != person {
			continue
		}
		_, err := d.archive.MoveSource(ctx, s.ID, func(before json.RawMessage) (house.SourceMove, error) {
			if before == nil {
				return house.SourceMove{}, nil
			}
			state := stateOf(before)
			return moveOf(s, state, geofence.Sight(state, d.now()), rules.Window)
		})
		if err != nil && !errors.Is(err, house.ErrNotFound) { // it was removed meanwhile
			return err
		}
	}
	return nil
}
