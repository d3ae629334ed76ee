package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"reflect"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
)

// spoken is advice as the version before schema 7 sealed it: each condition with
// a sentence.
const spoken = `{"id":"","visit":"","door":"","person":"%P","state":"withheld",` +
	`"at":"2026-11-25T18:05:00Z","conditions":[` +
	`{"code":"on","met":true,"says":"Suggestions are not paused."},` +
	`{"code":"consent","met":true,"says":"The consent of Tamsin Quill, given on 25 November 2025, is in force."},` +
	`{"code":"factors","met":false,"says":"For Tamsin Quill, 1 of these is needed: a phone of theirs came home. Given: ` +
	`0."}]}`

// TestSentencesGo opens an archive of the version before, and looks for its
// sentences in what is sealed after.
func TestSentencesGo(t *testing.T) {
	ctx, c := t.Context(), newClock()
	a := openArchive(t, t.TempDir(), c)
	if _, err := a.AddBell(ctx, "gate"); err != nil {
		t.Fatal(err)
	}
	p, err := a.AddPerson(ctx, "Tamsin Quill")
	if err != nil {
		t.Fatal(err)
	}
	door, err := a.SetDoor(ctx, house.Door{Name: "Porch", Bell: "gate"})
	if err != nil {
		t.Fatal(err)
	}
	visit := keep(t, a, stillOf("r1", 0))
	id, err := a.AddAdvice(ctx, house.Advice{Visit: visit, Door: door, Person: p.ID, State: house.Withheld, At: c.Now()},
		p.ID)
	if err != nil {
		t.Fatal(err)
	}
	broken, err := a.AddAdvice(ctx, house.Advice{Visit: keep(t, a, stillOf("r2", 0)), Door: door, State: house.Withheld,
		At: c.Now()})
	if err != nil {
		t.Fatal(err)
	}
	a.keyed = nil // as it was then
	old := a.seals.Value([]byte(strings.ReplaceAll(spoken, "%P", p.ID)), "advice.sealed", id)
	for _, change := range []struct {
		sealed []byte
		id     string
	}{{old, id}, {[]byte("damaged"), broken}} {
		if _, err := a.write.ExecContext(ctx, `UPDATE advice SET unmet = 'factors', sealed = ? WHERE id = ?`, change.sealed,
			change.id); err != nil {
			t.Fatal(err)
		}
	}
	// What migrating to schema 7 does.
	if err := a.update(ctx, func(tx *sql.Tx) error { return a.dropSentences(ctx, tx) }); err != nil {
		t.Fatal(err)
	}
	if kept := sealedAdvice(t, a, id); strings.Contains(kept, "says") || strings.Contains(kept, "Tamsin") {
		t.Errorf("a sentence is kept: %s", kept)
	}
	got, err := a.Advice(ctx, id)
	want := []house.Condition{{Code: "on", Met: true}, {Code: "consent", Met: true}, {Code: "factors"}}
	if err != nil || got.Person != p.ID || !reflect.DeepEqual(got.Conditions, want) {
		t.Errorf("%+v, %v", got, err)
	}
	got, err = a.Advice(ctx, broken) // of which only what is not sealed reads
	if err != nil || got.Person != "" || !reflect.DeepEqual(got.Conditions, []house.Condition{{Code: "factors"}}) {
		t.Errorf("a damaged row reads as %+v, %v", got, err)
	}
}

// TestAdviceKeepsReasons reads back what is told of each condition.
func TestAdviceKeepsReasons(t *testing.T) {
	ctx, c := t.Context(), newClock()
	a := openArchive(t, t.TempDir(), c)
	if _, err := a.AddBell(ctx, "gate"); err != nil {
		t.Fatal(err)
	}
	door, err := a.SetDoor(ctx, house.Door{Name: "Porch", Bell: "gate"})
	if err != nil {
		t.Fatal(err)
	}
	at := c.Now().UTC().Truncate(time.Second)
	all := []house.Condition{
		{Code: "match", Met: true, Reasons: []house.Reason{{Code: "match",
			Values: house.Values{Person: "p", Distance: .31, Rate: 2e-6, Band: "strong"}}}},
		{Code: "time", Reasons: []house.Reason{{Code: "time-other",
			Values: house.Values{At: at, Rules: []house.DoorRule{{ID: "r", Days: [7]bool{1: true}, From: 420}}}}}},
		{Code: "factors", Reasons: []house.Reason{{Code: "factors",
			Values: house.Values{Given: []house.Given{{Kind: house.FactorCode, At: at}}, Longest: time.Minute}}}},
	}
	id, err := a.AddAdvice(ctx, house.Advice{Visit: keep(t, a, stillOf("r1", 0)), Door: door, State: house.Withheld,
		At: at, Conditions: all})
	if err != nil {
		t.Fatal(err)
	}
	if got, err := a.Advice(ctx, id); err != nil || !reflect.DeepEqual(got.Conditions, all) {
		t.Errorf("%+v, %v", got.Conditions, err)
	}
}

// sealedAdvice is what is sealed of advice.
func sealedAdvice(t *testing.T, a *Archive, id string) string {
	t.Helper()
	var sealed []byte
	if err := a.read.QueryRowContext(context.Background(), `SELECT sealed FROM advice WHERE id = ?`,
		id).Scan(&sealed); err != nil {
		t.Fatal(err)
	}
	var raw json.RawMessage
	if err := a.openJSON(&raw, sealed, "advice.sealed", id); err != nil {
		t.Fatal(err)
	}
	return string(raw)
}
