package store

import (
	"encoding/json"
	"errors"
	"slices"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/store/seal"
)

// What is known of a source's way is given out as it was kept, and gone with
// the source.
func TestSourceState(t *testing.T) {
	a, _ := newArchive(t)
	ctx := t.Context()
	p, err := a.AddPerson(ctx, "Tamsin Quill")
	if err != nil {
		t.Fatal(err)
	}
	advised(t, a, p.ID, 3)
	sources, err := a.Sources(ctx)
	if err != nil || len(sources) != 1 {
		t.Fatalf("%v, %v", sources, err)
	}
	id := sources[0].ID
	if state, err := a.SourceState(ctx, id); err != nil || string(state) != `{"last seen at the orchard":3}` {
		t.Errorf("%s, %v", state, err)
	}
	silent, _, err := a.AddSource(ctx, house.Reader, "", "The mat")
	if err != nil {
		t.Fatal(err)
	}
	if state, err := a.SourceState(ctx, silent); err != nil || state != nil {
		t.Errorf("of a source that never spoke: %s, %v", state, err)
	}
	must(t, a.RemoveSource(ctx, id))
	_, err = a.SourceState(ctx, id)
	wantError(t, err, house.ErrNotFound)
}

// Advice is found by everybody that it tells of, and the trail has what was
// done with somebody's one-time codes.
func TestAdviceOf(t *testing.T) {
	a, c := newArchive(t)
	ctx := t.Context()
	var persons []string
	for _, name := range []string{"Tamsin Quill", "Bo Tansy", "Juna Moss"} {
		p, err := a.AddPerson(ctx, name)
		if err != nil {
			t.Fatal(err)
		}
		persons = append(persons, p.ID)
	}
	door := advised(t, a, persons[0], 1)
	other := advised(t, a, persons[1], 2)
	visit := keep(t, a, stillOf("r1", 0))
	add := func(door, person string, also ...string) string {
		t.Helper()
		c.Advance(time.Minute)
		id, err := a.AddAdvice(ctx, house.Advice{Visit: visit, Door: door, Person: person, State: house.Withheld,
			At: c.Now()}, also...)
		if err != nil {
			t.Fatal(err)
		}
		return id
	}
	first, second := add(door, persons[0]), add(other, persons[1], persons[0])
	for i, want := range [][]string{{second, first}, {second}, nil} {
		all, err := a.AdviceOf(ctx, persons[i])
		var got []string
		for _, d := range all {
			got = append(got, d.ID)
		}
		if err != nil || !slices.Equal(got, want) {
			t.Errorf("advice of person %d: %q, %v, want %q", i, got, err, want)
		}
	}
	// As earlier versions wrote it.
	if err := a.Note(ctx, "removed", "one-time codes of person "+persons[0]); err != nil {
		t.Fatal(err)
	}
	entries, err := a.TrailOf(ctx, persons[0], 0, 100)
	var codes []string
	for _, e := range entries {
		if of := e.Of("codes"); of != "" {
			codes = append(codes, e.Action+" "+of)
		}
	}
	if want := []string{"changed " + persons[0], "removed " + persons[0]}; err != nil || !slices.Equal(codes, want) {
		t.Errorf("the trail of a person says of codes %q, %v", codes, err)
	}
}

// An arrival begins, is moved on, is taken back, and once used is moved no more.
func TestMoveArrival(t *testing.T) {
	a, c := newArchive(t)
	ph := newArriving(t, a, c)
	move, counting := ph.move, ph.counting
	if !move(house.ArrivalBegins, .25, nil) {
		t.Error("it did not begin")
	}
	first := counting()[0]
	c.Advance(time.Minute)
	if !move(house.ArrivalMoves, .5, nil) {
		t.Error("it was not moved on")
	}
	if f := counting(); len(f) != 1 || f[0].ID != first.ID || f[0].Strength != .5 ||
		!f[0].Until.Equal(c.Now().Add(10*time.Minute)) {
		t.Errorf("moved on: %+v", f)
	}
	if !move(house.ArrivalEnds, 0, nil) || len(counting()) != 0 {
		t.Errorf("taken back: %+v", counting())
	}
	if move(house.ArrivalMoves, .5, nil) || len(counting()) != 0 {
		t.Errorf("one that was taken back is moved on: %+v", counting())
	}
	move(house.ArrivalBegins, .5, nil)
	if !move(house.ArrivalEnds, 0, errors.New("too fast")) || len(counting()) != 0 {
		t.Errorf("refused, and taken back: %+v", counting())
	}
	move(house.ArrivalBegins, .5, nil)
	ph.moveUsed()
}

// An arriving is a person's phone that tells of an arrival.
type arriving struct {
	*Archive
	t          *testing.T
	clock      *clock
	person, id string
}

func newArriving(t *testing.T, a *Archive, c *clock) arriving {
	t.Helper()
	p, err := a.AddPerson(t.Context(), "Tamsin Quill")
	if err != nil {
		t.Fatal(err)
	}
	id, _, err := a.AddSource(t.Context(), house.Phone, p.ID, "Pocket telephone")
	if err != nil {
		t.Fatal(err)
	}
	return arriving{a, t, c, p.ID, id}
}

// move has the phone change its arrival, and reports whether anything came of it.
func (ph arriving) move(change house.ArrivalChange, strength float64, refused error) bool {
	ph.t.Helper()
	changed, err := ph.MoveSource(ph.t.Context(), ph.id, func(json.RawMessage) (house.SourceMove, error) {
		m := house.SourceMove{State: json.RawMessage(`1`), Change: change}
		if strength > 0 {
			m.Arrival = &house.Factor{Kind: house.FactorArrival, Person: ph.person, Source: ph.id, At: ph.clock.Now(),
				Until: ph.clock.Now().Add(10 * time.Minute), Strength: strength}
		}
		return m, refused
	})
	wantError(ph.t, err, refused)
	return changed
}

// counting are the factors that count now.
func (ph arriving) counting() []house.Factor {
	ph.t.Helper()
	all, err := ph.FactorsSince(ph.t.Context(), ph.clock.Now())
	if err != nil {
		ph.t.Fatal(err)
	}
	return all
}

// moveUsed has the arrival that counts used for advice: from then on it is moved
// no more, but can be taken back.
func (ph arriving) moveUsed() {
	ph.t.Helper()
	t, a, c, ctx := ph.t, ph.Archive, ph.clock, ph.t.Context()
	move, counting := ph.move, ph.counting
	door := advised(t, a, ph.person, 1)
	visit := keep(t, a, stillOf("r1", 0))
	used := counting()[0]
	if _, err := a.AddAdvice(ctx, house.Advice{Visit: visit, Door: door, Person: ph.person, State: house.Suggested,
		At: c.Now(), ExpiresAt: c.Now().Add(time.Minute), Factors: []string{used.ID}}); err != nil {
		t.Fatal(err)
	}
	c.Advance(time.Minute)
	if move(house.ArrivalMoves, .5, nil) || !counting()[0].Until.Equal(used.Until) {
		t.Errorf("used, and moved on: %+v", counting())
	}
	if !move(house.ArrivalEnds, 0, nil) || len(counting()) != 0 {
		t.Errorf("used, and taken back: %+v", counting())
	}
	trail, err := a.Trail(ctx, 0, 100)
	if err != nil || !slices.ContainsFunc(trail, func(e house.Entry) bool {
		return e.Action == "took back" && e.Subject == "factor "+used.ID
	}) {
		t.Errorf("the trail does not say that it was taken back: %v", err)
	}
}

// What a phone told is there for a week, and goes with the phone and the person.
func TestReportsOf(t *testing.T) {
	a, c := newArchive(t)
	ctx := t.Context()
	var ids, persons []string
	for _, name := range []string{"Tamsin Quill", "Bo Tansy"} {
		p, err := a.AddPerson(ctx, name)
		if err != nil {
			t.Fatal(err)
		}
		id, _, err := a.AddSource(ctx, house.Phone, p.ID, "Pocket telephone")
		if err != nil {
			t.Fatal(err)
		}
		ids, persons = append(ids, id), append(persons, p.ID)
	}
	told := func(id string) (texts []string) {
		t.Helper()
		all, err := a.ReportsOf(ctx, id, c.Now().Add(-1000*time.Hour))
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range all {
			texts = append(texts, string(r.Text))
		}
		return texts
	}
	tell(t, a, ids[0], `"b"`, `"a"`)
	c.Advance(6 * 24 * time.Hour)
	tell(t, a, ids[0], `"c"`)
	tell(t, a, ids[1], `"d"`)
	if got := told(ids[0]); !slices.Equal(got, []string{`"b"`, `"a"`, `"c"`}) {
		t.Errorf("told %q", got)
	}
	if all, err := a.ReportsOf(ctx, ids[0], c.Now()); err != nil || len(all) != 1 || !all[0].HeardAt.Equal(c.Now()) {
		t.Errorf("since now: %v, %v", all, err)
	}
	c.Advance(25 * time.Hour)
	var oldest []byte
	must(t, a.read.QueryRowContext(ctx, `SELECT sealed FROM reports ORDER BY heard_at`).Scan(&oldest))
	must(t, second(a.keyOfValue(oldest)))
	if _, err := a.Sweep(ctx, nil); err != nil {
		t.Fatal(err)
	}
	_, err := a.keyOfValue(oldest) // at once, not with the next change
	wantError(t, err, seal.ErrOpen)
	if got := told(ids[0]); !slices.Equal(got, []string{`"c"`}) {
		t.Errorf("after a week and a sweep: %q", got)
	}
	if err := a.RemoveSource(ctx, ids[0]); err != nil {
		t.Fatal(err)
	}
	if _, err := a.ErasePerson(ctx, persons[1], false); err != nil {
		t.Fatal(err)
	}
	var rows int
	if err := a.read.QueryRowContext(ctx, `SELECT count(*) FROM reports`).Scan(&rows); err != nil || rows != 0 {
		t.Errorf("%d reports are left of phones that went, %v", rows, err)
	}
}

// tell has a source tell that.
func tell(t *testing.T, a *Archive, source string, texts ...string) {
	t.Helper()
	_, err := a.MoveSource(t.Context(), source, func(json.RawMessage) (house.SourceMove, error) {
		var m house.SourceMove
		for _, text := range texts {
			m.Reports = append(m.Reports, json.RawMessage(text))
		}
		return m, nil
	})
	if err != nil {
		t.Fatal(err)
	}
}
