package store

import (
	"context"
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
	if _, err := a.SetDoorRule(ctx, house.DoorRule{Person: person, Door: door, Allowed: true, Need: 1,
		Factors: []house.FactorKind{house.FactorToken}, Band: "strong", Liveness: house.NoSign}); err != nil {
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
	must(t, a.SetOneTimeSecret(ctx, person, fmt.Sprintf("SECRETOFCODES%d", n), 5))
	return door
}

func TestDoors(t *testing.T) {
	a, _ := newArchive(t)
	ctx := t.Context()
	p := addPersons(t, a, "Tamsin Quill")[0]
	door := advised(t, a, p.ID, 1)
	_, err := a.SetDoor(ctx, house.Door{Name: "Nowhere", Bell: "no-such-bell"})
	wantError(t, err, house.ErrNotFound)
	_, err = a.SetDoor(ctx, house.Door{ID: "none", Name: "Nowhere", Bell: "gate"})
	wantError(t, err, house.ErrNotFound)
	_, err = a.SetDoor(ctx, house.Door{ID: door, Name: "Porch", Bell: "gate", Parcel: true})
	must(t, err)
	houseID, err := a.SetDoor(ctx, house.Door{Name: "House", Bell: "gate"})
	must(t, err)
	doors, err := a.Doors(ctx)
	if err != nil || len(doors) != 2 || doors[0] != (house.Door{ID: houseID, Name: "House", Bell: "gate"}) ||
		doors[1].Name != "Porch" {
		t.Errorf("doors %+v, %v", doors, err)
	}

	rules, err := a.DoorRules(ctx)
	if err != nil || len(rules) != 1 || rules[0].Person != p.ID || rules[0].Door != door || !rules[0].Allowed ||
		rules[0].Band != "strong" {
		t.Fatalf("rules %+v, %v", rules, err)
	}
	rules[0].Allowed, rules[0].Door = false, houseID
	_, err = a.SetDoorRule(ctx, rules[0])
	must(t, err)
	for _, bad := range []house.DoorRule{{Person: p.ID, Door: "none"}, {Person: "nobody", Door: door},
		{ID: "none", Person: p.ID, Door: door}} {
		_, err := a.SetDoorRule(ctx, bad)
		wantError(t, err, house.ErrNotFound)
	}
	must(t, a.RemoveDoor(ctx, houseID))
	if rules, err := a.DoorRules(ctx); err != nil || len(rules) != 0 {
		t.Errorf("rules of a door that is gone: %+v, %v", rules, err)
	}
	wantError(t, a.RemoveDoor(ctx, houseID), house.ErrNotFound)
	wantError(t, a.RemoveDoorRule(ctx, rules[0].ID), house.ErrNotFound)
}

func TestParcelRules(t *testing.T) {
	a, c := newArchive(t)
	ctx := t.Context()
	door := advised(t, a, addPersons(t, a, "Tamsin Quill")[0].ID, 1)
	houseID, err := a.SetDoor(ctx, house.Door{Name: "House", Bell: "gate"})
	must(t, err)
	_, err = a.AddParcelRule(ctx, house.ParcelRule{Door: houseID, From: c.Now(), To: c.Now().Add(time.Hour)})
	wantError(t, err, house.ErrHouseDoor)
	_, err = a.AddParcelRule(ctx, house.ParcelRule{Door: "none"})
	wantError(t, err, house.ErrNotFound)
	parcel, err := a.AddParcelRule(ctx, house.ParcelRule{Door: door, Note: "lamp oil", From: c.Now(),
		To: c.Now().Add(time.Hour), UsedBy: "made up"})
	must(t, err)
	parcels, err := a.ParcelRules(ctx)
	if err != nil || len(parcels) != 1 || parcels[0].ID != parcel || parcels[0].Note != "lamp oil" ||
		parcels[0].UsedBy != "" {
		t.Errorf("parcels %+v, %v", parcels, err)
	}
}

func TestAdviceRules(t *testing.T) {
	a, _ := newArchive(t)
	ctx := t.Context()
	if got, err := a.AdviceRules(ctx); err != nil || got.Window != 10*time.Minute || got.Expiry != time.Minute {
		t.Errorf("nothing decided: %+v, %v", got, err)
	}
	want := house.DefaultAdviceRules()
	want.Paused, want.Home = true, &house.Home{Latitude: 1, Longitude: 2, Radius: 50}
	must(t, a.SetAdviceRules(ctx, want))
	if got, err := a.AdviceRules(ctx); err != nil || !got.Paused || *got.Home != *want.Home {
		t.Errorf("decided: %+v, %v", got, err)
	}
}

func TestSources(t *testing.T) {
	a, _ := newArchive(t)
	ctx := t.Context()
	p := addPersons(t, a, "Tamsin Quill")[0]
	for _, nobody := range []string{"", "nobody"} {
		_, _, err := a.AddSource(ctx, house.Phone, nobody, "nobody's phone")
		wantError(t, err, house.ErrNotFound)
	}
	id, token, err := a.AddSource(ctx, house.Phone, p.ID, "Pocket telephone")
	must(t, err)
	if s, err := a.SourceOf(ctx, token); err != nil || s.ID != id || s.Person != p.ID || s.Kind != house.Phone ||
		s.Name != "Pocket telephone" || !s.HeardAt.IsZero() {
		t.Errorf("source %+v, %v", s, err)
	}
	_, err = a.SourceOf(ctx, id)
	wantError(t, err, house.ErrNotFound)

	_, err = a.AddToken(ctx, p.ID, "brass")
	must(t, err)
	_, err = a.AddToken(ctx, p.ID, "brass")
	wantError(t, err, house.ErrExists)
	if got, err := a.TokenOf(ctx, "brass"); err != nil || got != p.ID {
		t.Errorf("token of %s, %v", got, err)
	}
	_, err = a.TokenOf(ctx, "copper")
	wantError(t, err, house.ErrNotFound)
	must(t, a.RemoveSource(ctx, id))
	_, err = a.SourceOf(ctx, token)
	wantError(t, err, house.ErrNotFound)
}

func TestMoveSource(t *testing.T) {
	a, c := newArchive(t)
	ctx := t.Context()
	p := addPersons(t, a, "Tamsin Quill")[0]
	id, _, err := a.AddSource(ctx, house.Phone, p.ID, "Pocket telephone")
	must(t, err)

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
					move.Change, move.Arrival = house.ArrivalBegins, &house.Factor{Kind: house.FactorArrival, Person: p.ID,
						Source: id, At: c.Now(), Until: c.Now().Add(time.Minute), Strength: .5}
				}
				return move, err
			})
			if err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	if factors, err := a.FactorsSince(ctx, c.Now()); err != nil || len(factors) != 1 ||
		factors[0].Kind != house.FactorArrival || factors[0].Source != id {
		t.Errorf("factors %+v, %v", factors, err)
	}
	if factors, err := a.FactorsSince(ctx, c.Now().Add(time.Minute)); err != nil || len(factors) != 0 {
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
	must(t, err)
}

// A code that two give at the same moment is good for one of them.
func TestUseCode(t *testing.T) {
	a, c := newArchive(t)
	ctx := t.Context()
	p, err := a.AddPerson(ctx, "Tamsin Quill")
	if err != nil {
		t.Fatal(err)
	}
	factor := house.Factor{Kind: house.FactorCode, Person: p.ID, Source: "resident", At: c.Now(),
		Until: c.Now().Add(time.Minute), Strength: 1}
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
	must(t, a.SetOneTimeSecret(ctx, p.ID, "SECRET", 3))
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
	if factors, err := a.FactorsSince(ctx, c.Now()); good != 1 || err != nil || len(factors) != 1 {
		t.Errorf("%d codes were good; %+v, %v", good, factors, err)
	}
}

// An advising archive is one that holds a suggestion, which used a factor.
type advising struct {
	a                                    *Archive
	c                                    *clock
	ctx                                  context.Context
	person, door, houseID, visit, factor string
	parcel                               string // a rule of the door
	suggestion                           house.Advice
	id                                   string // of the suggestion
}

func newAdvising(t *testing.T) *advising {
	t.Helper()
	x := &advising{ctx: house.By(t.Context(), "resident one")}
	x.a, x.c = newArchive(t)
	x.person = addPersons(t, x.a, "Tamsin Quill")[0].ID
	x.door = advised(t, x.a, x.person, 1)
	x.visit = keep(t, x.a, stillOf("r1", 0))
	now := x.c.Now()
	var err error
	x.factor, err = x.a.AddFactor(x.ctx, house.Factor{Kind: house.FactorToken, Person: x.person, Source: "reader",
		At: now, Until: now.Add(time.Minute), Strength: .8})
	must(t, err)
	x.parcel, err = x.a.AddParcelRule(x.ctx, house.ParcelRule{Door: x.door, From: now, To: now.Add(time.Hour)})
	must(t, err)
	x.houseID, err = x.a.SetDoor(x.ctx, house.Door{Name: "House", Bell: "gate"})
	must(t, err)
	x.suggestion = house.Advice{Visit: x.visit, Door: x.door, Person: x.person, State: house.Suggested, At: now,
		ExpiresAt: now.Add(time.Minute), Factors: []string{x.factor},
		Conditions: []house.Condition{{Code: "on", Met: true, Reasons: []house.Reason{{Code: "on"}}}}}
	x.id = x.add(t, x.suggestion)
	return x
}

func (x *advising) add(t *testing.T, d house.Advice) string {
	t.Helper()
	id, err := x.a.AddAdvice(x.ctx, d)
	must(t, err)
	return id
}

// wantTaken wants advice to be refused, for something of it is used.
func (x *advising) wantTaken(t *testing.T, d house.Advice) {
	t.Helper()
	_, err := x.a.AddAdvice(x.ctx, d)
	wantError(t, err, house.ErrTaken)
}

// withheld is advice at the house's door.
func (x *advising) withheld(visit string) house.Advice {
	return house.Advice{Visit: visit, Door: x.houseID, State: house.Withheld, At: x.c.Now(),
		Conditions: []house.Condition{{Code: "on", Reasons: []house.Reason{{Code: "on-paused"}}}}}
}

// byParcel is a suggestion for another visit by the parcel rule, which it uses.
func (x *advising) byParcel(t *testing.T) house.Advice {
	t.Helper()
	d := x.suggestion
	d.Visit = keep(t, x.a, stillOf("r3", 0))
	d.Factors, d.Person, d.Parcel = nil, "", x.parcel
	return d
}

// What one suggestion uses is good for no other.
func TestAdviceUsesOnce(t *testing.T) {
	x := newAdvising(t)
	before, err := x.a.Visit(x.ctx, keep(t, x.a, stillOf("r2", 0)))
	must(t, err)
	other := x.suggestion
	other.Visit, other.Factors = before.ID, nil
	x.add(t, other)
	if after, err := x.a.Visit(x.ctx, before.ID); err != nil || after.Revision <= before.Revision {
		t.Errorf("nobody who watches hears of it: revision %d, then %d, %v", before.Revision, after.Revision, err)
	}
	x.wantTaken(t, x.suggestion) // a second time
	elsewhere := x.suggestion
	elsewhere.Door = x.houseID
	x.wantTaken(t, elsewhere) // by the factor that was used
	for range 2 {             // one takes the other's place
		x.add(t, x.withheld(x.visit))
	}
	byParcel := x.byParcel(t)
	x.add(t, byParcel)
	x.wantTaken(t, byParcel)
}

func TestAdviceEnds(t *testing.T) {
	x := newAdvising(t)
	a, c, ctx := x.a, x.c, x.ctx
	x.add(t, x.withheld(x.visit))
	byParcel := x.byParcel(t)
	x.add(t, byParcel)
	must(t, a.EndAdvice(ctx, x.id, house.Used))
	wantError(t, a.EndAdvice(ctx, x.id, house.Dismissed), house.ErrTaken)
	wantError(t, a.EndAdvice(ctx, "none", house.Used), house.ErrNotFound)
	if got, err := a.Advice(ctx, x.id); err != nil || got.State != house.Used || got.By != "resident one" ||
		len(got.Conditions) != 1 || got.Door != x.door {
		t.Errorf("used: %+v, %v", got, err)
	}
	third := x.suggestion
	third.Visit, third.Factors = keep(t, a, stillOf("r4", 0)), nil
	open := x.add(t, third)
	paused := house.DefaultAdviceRules()
	paused.Paused = true
	must(t, a.SetAdviceRules(ctx, paused))
	if got, err := a.Advice(ctx, open); err != nil || got.State != house.Dismissed || got.By != "resident one" {
		t.Errorf("after a pause: %+v, %v", got, err)
	}
	other := x.add(t, house.Advice{Visit: keep(t, a, stillOf("r5", 0)), Door: x.door, State: house.Suggested, At: c.Now(),
		ExpiresAt: x.suggestion.ExpiresAt})
	if next, err := a.ExpireAdvice(ctx); err != nil || !next.Equal(x.suggestion.ExpiresAt) {
		t.Errorf("the next expires %s, %v", next, err)
	}
	c.Advance(time.Minute)
	wantError(t, a.EndAdvice(ctx, other, house.Used), house.ErrTaken) // a moment too late
	if next, err := a.ExpireAdvice(ctx); err != nil || !next.IsZero() {
		t.Errorf("the next expires %s, %v", next, err)
	}
	all, err := a.AdviceOn(ctx, x.visit, byParcel.Visit)
	var states []house.AdviceState
	for _, d := range all {
		states = append(states, d.State)
	}
	slices.Sort(states)
	if err != nil || !slices.Equal(states, []house.AdviceState{house.Dismissed, house.Used, house.Withheld}) {
		t.Errorf("on the visit: %v, %v", states, err)
	}
}

// Used factors stay used, and after a month all is forgotten.
func TestAdviceIsForgotten(t *testing.T) {
	x := newAdvising(t)
	x.add(t, x.withheld(x.visit))
	x.c.Advance(time.Minute)
	if f, err := x.a.FactorsSince(x.ctx, x.c.Ago(time.Hour)); err != nil || len(f) != 1 || f[0].UsedBy != x.id {
		t.Errorf("factors %+v, %v", f, err)
	}
	x.c.Advance(adviceKept + time.Hour)
	x.add(t, x.withheld(keep(t, x.a, stillOf("r2", 0))))
	if all, err := x.a.AdviceSince(x.ctx, x.c.Ago(time.Hour)); err != nil || len(all) != 1 {
		t.Errorf("after a month: %+v, %v", all, err)
	}
	if report, err := x.a.Verify(x.ctx, false, nil); err != nil || len(report.Problems) > 0 {
		t.Errorf("verify: %+v, %v", report.Problems, err)
	}
}

func TestMisses(t *testing.T) {
	a, c := newArchive(t)
	ctx := house.By(t.Context(), "resident one")
	p := addPersons(t, a, "Tamsin Quill")[0]
	for _, whom := range []string{p.ID, "", p.ID} {
		c.Advance(time.Second)
		must(t, a.AddMiss(ctx, "code", whom))
	}
	if misses, err := a.MissesSince(ctx, c.Ago(time.Hour)); err != nil || len(misses) != 3 ||
		misses[2] != (house.Miss{At: c.Now(), What: "code", Whom: p.ID, By: "resident one"}) {
		t.Errorf("misses %v, %v", misses, err)
	}
	if lately, inAll, err := a.CodeMisses(ctx, p.ID, c.Ago(time.Second)); lately != 1 || inAll != 2 || err != nil {
		t.Errorf("wrong codes: %d lately, %d in all, %v", lately, inAll, err)
	}
	c.Advance(time.Second)
	must(t, a.SetOneTimeSecret(ctx, p.ID, "NEW", 9))
	if lately, inAll, err := a.CodeMisses(ctx, p.ID, c.Ago(time.Hour)); lately != 0 || inAll != 0 || err != nil {
		t.Errorf("wrong codes before new ones were given out: %d lately, %d in all, %v", lately, inAll, err)
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
		id, err := a.AddAdvice(ctx, house.Advice{Visit: visit, Door: door, State: house.Withheld, At: c.Now(),
			Conditions: []house.Condition{{Code: "on", Met: true}, {Code: "fresh"}, {Code: "picture"}}}, persons...)
		if err != nil {
			t.Fatal(err)
		}
		return visit, id
	}
	_, swept := add("swept")
	erased, withIt := add("erased")
	_, ofBoth := add("of both", p.ID, q.ID)
	must(t, a.EraseVisit(ctx, erased))
	_, err = a.Advice(ctx, withIt)
	wantError(t, err, house.ErrNotFound)
	if _, err := a.ErasePerson(ctx, q.ID, false); err != nil {
		t.Fatal(err)
	}
	_, err = a.Advice(ctx, ofBoth)
	wantError(t, err, house.ErrNotFound)
	c.Advance(80 * time.Hour)
	sweep(t, a, noShrinker)
	left := []house.Condition{{Code: "fresh"}, {Code: "picture"}}
	if got, err := a.Advice(ctx, swept); err != nil || got.Visit != "" || got.Person != "" || got.Door != door ||
		!reflect.DeepEqual(got.Conditions, left) {
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
	if err != nil || len(all) != 1 || all[0].Name != "Garage winch" || all[0].Door != door ||
		!slices.Equal(all[0].Key, r.Key) || len(r.Key) != 32 {
		t.Errorf("receivers %+v, %v", all, err)
	}
	must(t, a.RemoveReceiver(ctx, r.ID))
	wantError(t, a.RemoveReceiver(ctx, r.ID), house.ErrNotFound)
}
