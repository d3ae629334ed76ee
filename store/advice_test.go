package store

import (
	"encoding/json"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"sync"
	"testing"
	"time"

	"lintel/internal/house"
)

// advised gives an archive a door and a person who may be advised in there, with
// everything that factors come from.
func advised(t *testing.T, a *Archive, person string, n int) (door string) {
	t.Helper()
	ctx := t.Context()
	door, err := a.SetDoor(ctx, house.Door{Name: fmt.Sprintf("Larder hatch %d", n), Bell: "gate", Parcel: true})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := a.SetDoorRule(ctx, house.DoorRule{Person: person, Door: door, Allowed: true, Need: 1, Factors: []house.FactorKind{house.FactorToken}, Band: "strong", Liveness: house.NoSign}); err != nil {
		t.Fatal(err)
	}
	source, _, err := a.AddSource(ctx, house.Phone, person, fmt.Sprintf("Pocket telephone %d", n))
	if err != nil {
		t.Fatal(err)
	}
	_, err = a.MoveSource(ctx, source, func(json.RawMessage) (house.SourceMove, error) {
		return house.SourceMove{State: json.RawMessage(fmt.Sprintf(`{"last seen at the orchard":%d}`, n)),
			Reports: []json.RawMessage{json.RawMessage(fmt.Sprintf(`"by the willow %d"`, n))}}, nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := a.AddToken(ctx, person, fmt.Sprintf("brass-tag-%d", n)); err != nil {
		t.Fatal(err)
	}
	if err := a.SetOneTimeSecret(ctx, person, fmt.Sprintf("SECRETOFCODES%d", n), 5); err != nil {
		t.Fatal(err)
	}
	return door
}

func TestDoorsAndRules(t *testing.T) {
	a, c := newArchive(t)
	ctx := t.Context()
	p, err := a.AddPerson(ctx, "Tamsin Quill")
	if err != nil {
		t.Fatal(err)
	}
	door := advised(t, a, p.ID, 1)
	_, err = a.SetDoor(ctx, house.Door{Name: "Nowhere", Bell: "no-such-bell"})
	wantError(t, err, house.ErrNotFound)
	_, err = a.SetDoor(ctx, house.Door{ID: "none", Name: "Nowhere", Bell: "gate"})
	wantError(t, err, house.ErrNotFound)
	if _, err = a.SetDoor(ctx, house.Door{ID: door, Name: "Porch", Bell: "gate", Parcel: true}); err != nil {
		t.Fatal(err)
	}
	houseID, err := a.SetDoor(ctx, house.Door{Name: "House", Bell: "gate"})
	if err != nil {
		t.Fatal(err)
	}
	doors, err := a.Doors(ctx)
	if err != nil || len(doors) != 2 || doors[0] != (house.Door{ID: houseID, Name: "House", Bell: "gate"}) || doors[1].Name != "Porch" {
		t.Errorf("doors %+v, %v", doors, err)
	}

	rules, err := a.DoorRules(ctx)
	if err != nil || len(rules) != 1 || rules[0].Person != p.ID || rules[0].Door != door || !rules[0].Allowed || rules[0].Band != "strong" {
		t.Fatalf("rules %+v, %v", rules, err)
	}
	rules[0].Allowed, rules[0].Door = false, houseID
	if _, err := a.SetDoorRule(ctx, rules[0]); err != nil {
		t.Fatal(err)
	}
	for _, bad := range []house.DoorRule{{Person: p.ID, Door: "none"}, {Person: "nobody", Door: door}, {ID: "none", Person: p.ID, Door: door}} {
		_, err := a.SetDoorRule(ctx, bad)
		wantError(t, err, house.ErrNotFound)
	}

	_, err = a.AddParcelRule(ctx, house.ParcelRule{Door: houseID, From: c.now(), To: c.now().Add(time.Hour)})
	wantError(t, err, house.ErrHouseDoor)
	_, err = a.AddParcelRule(ctx, house.ParcelRule{Door: "none"})
	wantError(t, err, house.ErrNotFound)
	parcel, err := a.AddParcelRule(ctx, house.ParcelRule{Door: door, Note: "lamp oil", From: c.now(), To: c.now().Add(time.Hour), UsedBy: "made up"})
	if err != nil {
		t.Fatal(err)
	}
	parcels, err := a.ParcelRules(ctx)
	if err != nil || len(parcels) != 1 || parcels[0].ID != parcel || parcels[0].Note != "lamp oil" || parcels[0].UsedBy != "" {
		t.Errorf("parcels %+v, %v", parcels, err)
	}

	if err := a.RemoveDoor(ctx, houseID); err != nil {
		t.Fatal(err)
	}
	if rules, err := a.DoorRules(ctx); err != nil || len(rules) != 0 {
		t.Errorf("rules of a door that is gone: %+v, %v", rules, err)
	}
	wantError(t, a.RemoveDoor(ctx, houseID), house.ErrNotFound)
	wantError(t, a.RemoveDoorRule(ctx, rules[0].ID), house.ErrNotFound)

	if got, err := a.AdviceRules(ctx); err != nil || got.Window != 10*time.Minute || got.Expiry != time.Minute {
		t.Errorf("nothing decided: %+v, %v", got, err)
	}
	want := house.DefaultAdviceRules()
	want.Paused, want.Home = true, &house.Home{Latitude: 1, Longitude: 2, Radius: 50}
	if err := a.SetAdviceRules(ctx, want); err != nil {
		t.Fatal(err)
	}
	if got, err := a.AdviceRules(ctx); err != nil || !got.Paused || *got.Home != *want.Home {
		t.Errorf("decided: %+v, %v", got, err)
	}
}

func TestSources(t *testing.T) {
	a, c := newArchive(t)
	ctx := t.Context()
	p, err := a.AddPerson(ctx, "Tamsin Quill")
	if err != nil {
		t.Fatal(err)
	}
	_, _, err = a.AddSource(ctx, house.Phone, "", "nobody's phone")
	wantError(t, err, house.ErrNotFound)
	_, _, err = a.AddSource(ctx, house.Phone, "nobody", "nobody's phone")
	wantError(t, err, house.ErrNotFound)
	id, token, err := a.AddSource(ctx, house.Phone, p.ID, "Pocket telephone")
	if err != nil {
		t.Fatal(err)
	}
	if s, err := a.SourceOf(ctx, token); err != nil || s.ID != id || s.Person != p.ID || s.Kind != house.Phone || s.Name != "Pocket telephone" || !s.HeardAt.IsZero() {
		t.Errorf("source %+v, %v", s, err)
	}
	_, err = a.SourceOf(ctx, id)
	wantError(t, err, house.ErrNotFound)

	// Of many reports at once each sees what the one before left.
	var wg sync.WaitGroup
	for range 8 {
		wg.Go(func() {
			_, err := a.MoveSource(ctx, id, func(state json.RawMessage) (house.SourceMove, error) {
				var n int
				if state != nil {
					if err := json.Unmarshal(state, &n); err != nil {
						return house.SourceMove{}, err
					}
				}
				raw, err := json.Marshal(n + 1)
				move := house.SourceMove{State: raw}
				if n == 7 {
					move.Change, move.Arrival = house.ArrivalBegins, &house.Factor{Kind: house.FactorArrival, Person: p.ID, Source: id, At: c.now(), Until: c.now().Add(time.Minute), Strength: .5}
				}
				return move, err
			})
			if err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	if factors, err := a.FactorsSince(ctx, c.now()); err != nil || len(factors) != 1 || factors[0].Kind != house.FactorArrival || factors[0].Source != id {
		t.Errorf("factors %+v, %v", factors, err)
	}
	if factors, err := a.FactorsSince(ctx, c.now().Add(time.Minute)); err != nil || len(factors) != 0 {
		t.Errorf("factors after their time: %+v, %v", factors, err)
	}

	// A report that is refused may still leave something behind, and is refused.
	refusal := errors.New("too fast")
	added, err := a.MoveSource(ctx, id, func(json.RawMessage) (house.SourceMove, error) {
		return house.SourceMove{State: json.RawMessage(`"unknown"`), Change: house.ArrivalBegins,
			Arrival: &house.Factor{Kind: house.FactorArrival, Person: p.ID}}, refusal
	})
	if added || !errors.Is(err, refusal) {
		t.Errorf("refused: %v, %v", added, err)
	}
	_, err = a.MoveSource(ctx, id, func(state json.RawMessage) (house.SourceMove, error) {
		if string(state) != `"unknown"` {
			t.Errorf("left behind: %s", state)
		}
		return house.SourceMove{}, nil
	})
	if err != nil {
		t.Error(err)
	}

	if _, err := a.AddToken(ctx, p.ID, "brass"); err != nil {
		t.Fatal(err)
	}
	_, err = a.AddToken(ctx, p.ID, "brass")
	wantError(t, err, house.ErrExists)
	if got, err := a.TokenOf(ctx, "brass"); err != nil || got != p.ID {
		t.Errorf("token of %s, %v", got, err)
	}
	_, err = a.TokenOf(ctx, "copper")
	wantError(t, err, house.ErrNotFound)
	if err := a.RemoveSource(ctx, id); err != nil {
		t.Fatal(err)
	}
	_, err = a.SourceOf(ctx, token)
	wantError(t, err, house.ErrNotFound)
}

// A code that two give at the same moment is good for one of them.
func TestUseCode(t *testing.T) {
	a, c := newArchive(t)
	ctx := t.Context()
	p, err := a.AddPerson(ctx, "Tamsin Quill")
	if err != nil {
		t.Fatal(err)
	}
	factor := house.Factor{Kind: house.FactorCode, Person: p.ID, Source: "resident", At: c.now(), Until: c.now().Add(time.Minute), Strength: 1}
	reused := errors.New("reused")
	check := func(secret string, last int64) (int64, error) {
		if secret != "SECRET" {
			t.Errorf("secret %q", secret)
		}
		if last >= 7 {
			return 0, reused
		}
		return 7, nil
	}
	_, err = a.UseCode(ctx, factor, check)
	wantError(t, err, house.ErrNotFound)
	if err := a.SetOneTimeSecret(ctx, p.ID, "SECRET", 3); err != nil {
		t.Fatal(err)
	}
	errs := make(chan error, 5)
	for range 5 {
		go func() {
			_, err := a.UseCode(ctx, factor, check)
			errs <- err
		}()
	}
	good := 0
	for range 5 {
		if err := <-errs; err == nil {
			good++
		} else if !errors.Is(err, reused) {
			t.Error(err)
		}
	}
	if factors, err := a.FactorsSince(ctx, c.now()); good != 1 || err != nil || len(factors) != 1 {
		t.Errorf("%d codes were good; %+v, %v", good, factors, err)
	}
}

func TestAdvice(t *testing.T) {
	a, c := newArchive(t)
	ctx := house.By(t.Context(), "resident one")
	p, err := a.AddPerson(ctx, "Tamsin Quill")
	if err != nil {
		t.Fatal(err)
	}
	door := advised(t, a, p.ID, 1)
	visit := keep(t, a, stillOf("r1", 0))
	factor, err := a.AddFactor(ctx, house.Factor{Kind: house.FactorToken, Person: p.ID, Source: "reader", At: c.now(), Until: c.now().Add(time.Minute), Strength: .8})
	if err != nil {
		t.Fatal(err)
	}
	parcel, err := a.AddParcelRule(ctx, house.ParcelRule{Door: door, From: c.now(), To: c.now().Add(time.Hour)})
	if err != nil {
		t.Fatal(err)
	}
	before, err := a.Visit(ctx, visit)
	if err != nil {
		t.Fatal(err)
	}
	suggestion := house.Advice{Visit: visit, Door: door, Person: p.ID, State: house.Suggested, At: c.now(), ExpiresAt: c.now().Add(time.Minute),
		Conditions: []house.Condition{{Code: "on", Met: true, Reasons: []house.Reason{{Code: "on"}}}}, Factors: []string{factor}}
	id, err := a.AddAdvice(ctx, suggestion)
	if err != nil {
		t.Fatal(err)
	}
	if after, err := a.Visit(ctx, visit); err != nil || after.Revision <= before.Revision {
		t.Errorf("nobody who watches hears of it: revision %d, then %d, %v", before.Revision, after.Revision, err)
	}
	_, err = a.AddAdvice(ctx, suggestion) // a second time
	wantError(t, err, house.ErrTaken)
	houseID, err := a.SetDoor(ctx, house.Door{Name: "House", Bell: "gate"})
	if err != nil {
		t.Fatal(err)
	}
	elsewhere := suggestion
	elsewhere.Door = houseID
	_, err = a.AddAdvice(ctx, elsewhere) // by the factor that was used
	wantError(t, err, house.ErrTaken)
	withheld := house.Advice{Visit: visit, Door: houseID, State: house.Withheld, At: c.now(), Conditions: []house.Condition{{Code: "on", Reasons: []house.Reason{{Code: "on-paused"}}}}}
	for range 2 { // one takes the other's place
		if _, err := a.AddAdvice(ctx, withheld); err != nil {
			t.Fatal(err)
		}
	}
	byParcel := suggestion
	byParcel.Visit = keep(t, a, stillOf("r3", 0))
	byParcel.Factors, byParcel.Person, byParcel.Parcel = nil, "", parcel
	if _, err := a.AddAdvice(ctx, byParcel); err != nil {
		t.Fatal(err)
	}
	_, err = a.AddAdvice(ctx, byParcel)
	wantError(t, err, house.ErrTaken)

	if err := a.EndAdvice(ctx, id, house.Used); err != nil {
		t.Fatal(err)
	}
	wantError(t, a.EndAdvice(ctx, id, house.Dismissed), house.ErrTaken)
	wantError(t, a.EndAdvice(ctx, "none", house.Used), house.ErrNotFound)
	if got, err := a.Advice(ctx, id); err != nil || got.State != house.Used || got.By != "resident one" || len(got.Conditions) != 1 || got.Door != door {
		t.Errorf("used: %+v, %v", got, err)
	}
	third := suggestion
	third.Visit, third.Factors = keep(t, a, stillOf("r4", 0)), nil
	open, err := a.AddAdvice(ctx, third)
	if err != nil {
		t.Fatal(err)
	}
	paused := house.DefaultAdviceRules()
	paused.Paused = true
	if err := a.SetAdviceRules(ctx, paused); err != nil {
		t.Fatal(err)
	}
	if got, err := a.Advice(ctx, open); err != nil || got.State != house.Dismissed || got.By != "resident one" {
		t.Errorf("after a pause: %+v, %v", got, err)
	}
	other, err := a.AddAdvice(ctx, house.Advice{Visit: keep(t, a, stillOf("r5", 0)), Door: door, State: house.Suggested, At: c.now(), ExpiresAt: suggestion.ExpiresAt})
	if err != nil {
		t.Fatal(err)
	}
	if next, err := a.ExpireAdvice(ctx); err != nil || !next.Equal(suggestion.ExpiresAt) {
		t.Errorf("the next expires %s, %v", next, err)
	}
	c.advance(time.Minute)
	wantError(t, a.EndAdvice(ctx, other, house.Used), house.ErrTaken) // a moment too late
	if next, err := a.ExpireAdvice(ctx); err != nil || !next.IsZero() {
		t.Errorf("the next expires %s, %v", next, err)
	}
	all, err := a.AdviceOn(ctx, visit, byParcel.Visit)
	var states []house.AdviceState
	for _, d := range all {
		states = append(states, d.State)
	}
	slices.Sort(states)
	if err != nil || !slices.Equal(states, []house.AdviceState{house.Dismissed, house.Used, house.Withheld}) {
		t.Errorf("on the visit: %v, %v", states, err)
	}

	// Used factors stay used, and after a month all is forgotten.
	if f, err := a.FactorsSince(ctx, c.ago(time.Hour)); err != nil || len(f) != 1 || f[0].UsedBy != id {
		t.Errorf("factors %+v, %v", f, err)
	}
	for _, whom := range []string{p.ID, "", p.ID} {
		c.advance(time.Second)
		if err := a.AddMiss(ctx, "code", whom); err != nil {
			t.Fatal(err)
		}
	}
	if misses, err := a.MissesSince(ctx, c.ago(time.Hour)); err != nil || len(misses) != 3 || misses[2] != (house.Miss{At: c.now(), What: "code", Whom: p.ID}) {
		t.Errorf("misses %v, %v", misses, err)
	}
	if lately, inAll, err := a.CodeMisses(ctx, p.ID, c.ago(time.Second)); lately != 1 || inAll != 2 || err != nil {
		t.Errorf("wrong codes: %d lately, %d in all, %v", lately, inAll, err)
	}
	c.advance(time.Second)
	if err := a.SetOneTimeSecret(ctx, p.ID, "NEW", 9); err != nil {
		t.Fatal(err)
	}
	if lately, inAll, err := a.CodeMisses(ctx, p.ID, c.ago(time.Hour)); lately != 0 || inAll != 0 || err != nil {
		t.Errorf("wrong codes before new ones were given out: %d lately, %d in all, %v", lately, inAll, err)
	}
	c.advance(adviceKept + time.Hour)
	later := keep(t, a, stillOf("r2", 0))
	withheld.Visit, withheld.At = later, c.now()
	if _, err := a.AddAdvice(ctx, withheld); err != nil {
		t.Fatal(err)
	}
	if all, err := a.AdviceSince(ctx, c.ago(time.Hour)); err != nil || len(all) != 1 {
		t.Errorf("after a month: %+v, %v", all, err)
	}
	if report, err := a.Verify(ctx, false, nil); err != nil || len(report.Problems) > 0 {
		t.Errorf("verify: %+v, %v", report.Problems, err)
	}
}

// A visit that the rules let go leaves its advice without it; one that is erased
// takes it along, and so does a person whom it tells of.
func TestAdviceGoes(t *testing.T) {
	a, c := newArchive(t)
	ctx := t.Context()
	p, err := a.AddPerson(ctx, "Tamsin Quill")
	if err != nil {
		t.Fatal(err)
	}
	q, err := a.AddPerson(ctx, "Odo Fenwright")
	if err != nil {
		t.Fatal(err)
	}
	door := advised(t, a, p.ID, 1)
	add := func(ring string, persons ...string) (visit, id string) {
		visit = keep(t, a, stillOf(ring, 0))
		record(t, a, visit, faceOf(.2, nil))
		id, err := a.AddAdvice(ctx, house.Advice{Visit: visit, Door: door, State: house.Withheld, At: c.now(), Conditions: []house.Condition{{Code: "on", Met: true}, {Code: "fresh"}, {Code: "picture"}}}, persons...)
		if err != nil {
			t.Fatal(err)
		}
		return visit, id
	}
	_, swept := add("swept")
	erased, withIt := add("erased")
	_, ofBoth := add("of both", p.ID, q.ID)
	if err := a.EraseVisit(ctx, erased); err != nil {
		t.Fatal(err)
	}
	_, err = a.Advice(ctx, withIt)
	wantError(t, err, house.ErrNotFound)
	if _, err := a.ErasePerson(ctx, q.ID, false); err != nil {
		t.Fatal(err)
	}
	_, err = a.Advice(ctx, ofBoth)
	wantError(t, err, house.ErrNotFound)
	c.advance(80 * time.Hour)
	sweep(t, a, noShrinker)
	left := []house.Condition{{Code: "fresh"}, {Code: "picture"}}
	if got, err := a.Advice(ctx, swept); err != nil || got.Visit != "" || got.Person != "" || got.Door != door || !reflect.DeepEqual(got.Conditions, left) {
		t.Errorf("advice on a visit that went: %+v, %v", got, err)
	}
}

func TestReceivers(t *testing.T) {
	a, _ := newArchive(t)
	ctx := t.Context()
	_, _, err := a.AddReceiver(ctx, "none", "Garage winch")
	wantError(t, err, house.ErrNotFound)
	door, err := a.SetDoor(ctx, house.Door{Name: "Garage", Bell: "gate"})
	if err != nil {
		t.Fatal(err)
	}
	r, token, err := a.AddReceiver(ctx, door, "Garage winch")
	if err != nil {
		t.Fatal(err)
	}
	for _, test := range []struct {
		id, token string
		want      bool
	}{{r.ID, token, true}, {r.ID, "no", false}, {"none", token, false}} {
		if got, err := a.CheckReceiver(ctx, test.id, test.token); got != test.want || err != nil {
			t.Errorf("%+v: %v, %v", test, got, err)
		}
	}
	all, err := a.Receivers(ctx)
	if err != nil || len(all) != 1 || all[0].Name != "Garage winch" || all[0].Door != door || !slices.Equal(all[0].Key, r.Key) || len(r.Key) != 32 {
		t.Errorf("receivers %+v, %v", all, err)
	}
	if err := a.RemoveReceiver(ctx, r.ID); err != nil {
		t.Fatal(err)
	}
	wantError(t, a.RemoveReceiver(ctx, r.ID), house.ErrNotFound)
}
