package store

import (
	"slices"
	"testing"
	"time"

	"lintel/internal/house"
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
	if err := a.RemoveSource(ctx, id); err != nil {
		t.Fatal(err)
	}
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
		c.advance(time.Minute)
		id, err := a.AddAdvice(ctx, house.Advice{Visit: visit, Door: door, Person: person, State: house.Withheld,
			At: c.now()}, also...)
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
