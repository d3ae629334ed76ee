package policy

import (
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
)

func TestConflicts(t *testing.T) {
	other := func(change func(*house.DoorRule)) []house.DoorRule {
		r := ruleFor("r2", ada)
		change(&r)
		return []house.DoorRule{ruleFor("r1", ada), r}
	}
	for _, test := range []struct {
		name  string
		rules []house.DoorRule
		kind  ConflictKind // "" for none
		says  string
	}{
		{"the same", other(func(*house.DoorRule) {}), Repeats, "as on Monday at 07:00: both ask for the same."},
		{"another order of factors", other(func(r *house.DoorRule) {
			r.Factors = []house.FactorKind{house.FactorCode,
				house.FactorArrival}
		}), Repeats, "the same"},
		{"another band", other(func(r *house.DoorRule) { r.Band = "fair" }), Adds, "each must be met"},
		{"never", other(func(r *house.DoorRule) { *r = never("r2", ada); r.From = 12 * 60 }), Forbids,
			"as on Monday at 12:00: one allows and one says never. Never wins."},
		{"never twice", []house.DoorRule{never("r1", ada), never("r2", ada)}, Repeats, "both say never"},
		{"another person", other(func(r *house.DoorRule) { r.Person = ben }), "", ""},
		{"another door", other(func(r *house.DoorRule) { r.Door = side }), "", ""},
		{"other days", other(func(r *house.DoorRule) { r.Days = [7]bool{0: true, 6: true} }), "", ""},
		{"one after the other", other(func(r *house.DoorRule) { r.From, r.To = 20*60, 24*60 }), "", ""},
		{"over midnight, into Monday", other(func(r *house.DoorRule) {
			r.Days = [7]bool{0: true}
			r.From, r.To = 22*60,
				8*60
		}), Repeats, "as on Monday at 07:00"},
		{"over midnight, up to Monday",
			other(func(r *house.DoorRule) { r.Days = [7]bool{0: true}; r.From, r.To = 22*60, 7*60 }), "", ""},
		{"a rule that can't be followed", other(func(r *house.DoorRule) { r.Need = 0 }), "", ""},
		{"never on holidays only meets one that holds on them", []house.DoorRule{
			func() house.DoorRule { r := ruleFor("r1", ada); r.Holidays = true; return r }(),
			func() house.DoorRule { r := never("r2", ada); r.Days = [7]bool{0: true}; r.Holidays = true; return r }(),
		}, Forbids, "as on a holiday on Monday at 07:00"},
		{"and not one that does not", []house.DoorRule{
			ruleFor("r1", ada),
			func() house.DoorRule { r := never("r2", ada); r.Days = [7]bool{0: true}; r.Holidays = true; return r }(),
		}, "", ""},
	} {
		t.Run(test.name, func(t *testing.T) {
			got := Conflicts(test.rules)
			if test.kind == "" {
				if len(got) > 0 {
					t.Errorf("%+v", got)
				}
				return
			}
			if len(got) != 1 || got[0].Kind != test.kind ||
				!strings.Contains(speak(evening, berlin).Reason(got[0].Why), test.says) ||
				got[0].Rules != [2]string{"r1", "r2"} {
				t.Errorf("%+v, not %s, %q", got, test.kind, test.says)
			}
		})
	}
}

// TestOverlapEveryMinute compares with a walk over each minute of a week, with
// every way that a day and the one before are holidays.
func TestOverlapEveryMinute(t *testing.T) {
	roll := rand.New(rand.NewPCG(6, 2026))
	random := func() house.DoorRule {
		r := house.DoorRule{Allowed: roll.IntN(2) == 0, Holidays: roll.IntN(2) == 0, From: roll.IntN(48) * 30,
			To: roll.IntN(49) * 30}
		r.Days[roll.IntN(7)], r.Days[roll.IntN(7)] = true, true
		return r
	}
	found := 0
	for range fewer(2000) {
		a, b := random(), random()
		if a.From == a.To || b.From == b.To {
			continue
		}
		want := false
		for day := range time.Weekday(7) {
			for minute := 0; minute < 24*60; minute += 10 {
				for holidays := range 4 {
					w := wall{minute: minute, today: date{day, holidays&1 > 0}, yesterday: date{(day + 6) % 7, holidays&2 > 0}}
					want = want || holds(a, w) && holds(b, w)
				}
			}
		}
		if when, got := overlap(a, b); got != want {
			t.Errorf("%+v\n%+v: overlap %t %+v", a, b, got, when)
		}
		if want {
			found++
		}
	}
	t.Logf("%d overlap", found)
}
