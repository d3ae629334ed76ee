package export

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"lintel/internal/house"
	"lintel/internal/words"
	"lintel/pipeline/advice/evidence"
	"lintel/pipeline/advice/geofence"
	"lintel/pipeline/advice/policy"
)

// What besides the face is held of a person: by what they can be told, which
// rules are about them, and what was suggested. What is a secret is not in it,
// only that there is one: whoever gets hold of an export must not be able to
// give a code.

type phoneRecord struct {
	Name    string        `json:"name"`
	Kind    string        `json:"kind"`
	AddedAt time.Time     `json:"added_at"`
	HeardAt time.Time     `json:"heard_at,omitzero"`
	Last    *reportRecord `json:"last_report"`
	Week    []toldRecord  `json:"week"`
}

// A toldRecord is one thing that a phone told in the last week.
type toldRecord struct {
	HeardAt  time.Time     `json:"heard_at"`
	At       time.Time     `json:"at"`
	Place    *reportRecord `json:"place"`
	Crossing string        `json:"crossing"`
	Found    string        `json:"found"`
}

type reportRecord struct {
	Latitude  float64   `json:"latitude_deg"`
	Longitude float64   `json:"longitude_deg"`
	Accuracy  float64   `json:"accuracy_m"`
	At        time.Time `json:"at"`
}

type ruleRecord struct {
	Door    string `json:"door"`
	Allowed bool   `json:"allowed"`
	Says    string `json:"says"`
}

type factorRecord struct {
	Kind     house.FactorKind `json:"kind"`
	From     string           `json:"from"`
	Visit    string           `json:"visit,omitempty"`
	At       time.Time        `json:"at"`
	Until    time.Time        `json:"until"`
	Strength float64          `json:"strength"`
	Used     bool             `json:"used"`
}

type missRecord struct {
	At   time.Time `json:"at"`
	What string    `json:"what"`
}

type adviceRecord struct {
	Door       string            `json:"door"`
	Visit      string            `json:"visit,omitempty"`
	At         time.Time         `json:"at"`
	State      house.AdviceState `json:"state"`
	ExpiresAt  time.Time         `json:"expires_at,omitzero"`
	Yours      bool              `json:"yours"`
	By         string            `json:"by,omitempty"`
	Conditions []conditionRecord `json:"conditions"`
}

type conditionRecord struct {
	Code     string `json:"code"`
	Met      bool   `json:"met"`
	NotAsked bool   `json:"not_asked"`
	Says     string `json:"says"`
}

// A second is what is held of a person besides the face and the visits.
type second struct {
	phones  []phoneRecord
	tokens  []string
	codes   bool
	rules   []ruleRecord
	factors []factorRecord
	misses  []missRecord
	advice  []adviceRecord
}

// always is before everything that is kept.
var always = time.Unix(0, 0)

// lookSecond reads it all.
func (e *Export) lookSecond(ctx context.Context) error {
	e.second = second{phones: []phoneRecord{}, tokens: []string{}, rules: []ruleRecord{}, factors: []factorRecord{},
		misses: []missRecord{}, advice: []adviceRecord{}}
	doors, err := e.archive.Doors(ctx)
	if err != nil {
		return err
	}
	names := map[string]string{e.person.ID: e.person.Name}
	for _, d := range doors {
		names[d.ID] = e.others.without(d.Name)
	}
	for _, look := range []func(context.Context, map[string]string) error{e.lookPhones, e.lookTokens, e.lookRules,
		e.lookFactors, e.lookAdvice} {
		if err := look(ctx, names); err != nil {
			return err
		}
	}
	return nil
}

func (e *Export) lookPhones(ctx context.Context, _ map[string]string) error {
	sources, err := e.archive.Sources(ctx)
	if err != nil {
		return err
	}
	for _, s := range sources {
		if s.Person != e.person.ID {
			continue
		}
		r := phoneRecord{Name: e.others.without(s.Name), Kind: string(s.Kind), AddedAt: s.AddedAt, HeardAt: s.HeardAt}
		kept, err := e.archive.SourceState(ctx, s.ID)
		if errors.Is(err, house.ErrNotFound) {
			continue // it was removed meanwhile
		}
		if err != nil {
			return err
		}
		if kept != nil {
			var state geofence.State
			if err := json.Unmarshal(kept, &state); err != nil {
				return fmt.Errorf("reading where a phone was: %w", err)
			}
			r.Last = placeOf(state.Fix)
		}
		if r.Week, err = e.weekOf(ctx, s.ID); err != nil {
			return err
		}
		e.second.phones = append(e.second.phones, r)
	}
	return nil
}

// placeOf is where a report says that a phone is, nil where it says nothing of it.
func placeOf(r geofence.Report) *reportRecord {
	if r.NoPlace || r.At.IsZero() {
		return nil
	}
	return &reportRecord{r.Latitude, r.Longitude, r.Accuracy, r.At}
}

// weekOf is what a phone told in the last week.
func (e *Export) weekOf(ctx context.Context, source string) ([]toldRecord, error) {
	kept, err := e.archive.ReportsOf(ctx, source, always)
	if err != nil {
		return nil, err
	}
	week := []toldRecord{}
	for _, k := range kept {
		var told evidence.Told
		if err := json.Unmarshal(k.Text, &told); err != nil {
			return nil, fmt.Errorf("reading what a phone told: %w", err)
		}
		found := string(told.Place)
		if told.Why != "" {
			found = "refused: " + told.Why
		}
		week = append(week, toldRecord{k.HeardAt, told.At, placeOf(told.Report), string(told.Crossing), found})
	}
	return week, nil
}

func (e *Export) lookTokens(ctx context.Context, _ map[string]string) error {
	tokens, err := e.archive.Tokens(ctx)
	if err != nil {
		return err
	}
	for _, t := range tokens {
		if t.Person == e.person.ID {
			e.second.tokens = append(e.second.tokens, t.Label)
		}
	}
	slices.Sort(e.second.tokens)
	with, err := e.archive.OneTimePersons(ctx)
	e.second.codes = slices.Contains(with, e.person.ID)
	return err
}

func (e *Export) lookRules(ctx context.Context, names map[string]string) error {
	rules, err := e.archive.DoorRules(ctx)
	if err != nil {
		return err
	}
	say := e.speaker(names)
	for _, r := range rules {
		if r.Person == e.person.ID {
			e.second.rules = append(e.second.rules, ruleRecord{names[r.Door], r.Allowed, say.Reason(policy.Restate(r))})
		}
	}
	return nil
}

func (e *Export) lookFactors(ctx context.Context, _ map[string]string) error {
	factors, err := e.archive.FactorsSince(ctx, always)
	if err != nil {
		return err
	}
	for _, f := range factors {
		if f.Person != e.person.ID {
			continue
		}
		from, _, named := strings.Cut(f.Source, " ")
		if !named {
			from = "source" // by its id alone
		}
		e.second.factors = append(e.second.factors, factorRecord{f.Kind, from, f.Visit, f.At, f.Until, f.Strength,
			f.UsedBy != ""})
	}
	misses, err := e.archive.MissesSince(ctx, always)
	if err != nil {
		return err
	}
	for _, m := range misses {
		if m.Whom == e.person.ID {
			e.second.misses = append(e.second.misses, missRecord{m.At, m.What})
		}
	}
	return nil
}

// speaker says things with the names that may be given out.
func (e *Export) speaker(names map[string]string) words.Words {
	w := words.For(e.language).At(e.now, e.zone)
	return w.Naming(func(id string) string { return cmp.Or(names[id], somebodyElse(w)) })
}

func (e *Export) lookAdvice(ctx context.Context, names map[string]string) error {
	advice, err := e.archive.AdviceOf(ctx, e.person.ID)
	if err != nil {
		return err
	}
	say := e.speaker(names)
	for _, d := range advice {
		by, _, _ := strings.Cut(d.By, " ")
		r := adviceRecord{
			Door: names[d.Door], Visit: d.Visit, At: d.At, State: d.State, ExpiresAt: d.ExpiresAt,
			Yours: d.Person == e.person.ID,
			By:    by, Conditions: []conditionRecord{},
		}
		if r.Yours {
			for _, c := range d.Conditions {
				r.Conditions = append(r.Conditions, conditionRecord{c.Code, c.Met, c.NotAsked,
					e.others.without(say.Condition(c))})
			}
		}
		e.second.advice = append(e.second.advice, r)
	}
	return nil
}
