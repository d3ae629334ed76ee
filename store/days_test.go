package store

import (
	"fmt"
	"maps"
	"math/rand/v2"
	"testing"
	"time"

	"lintel/internal/house"
)

// sameDays compares the counts of a filter by day with counting the visits.
func sameDays(t *testing.T, a *Archive, f Filter, all []house.Visit) {
	t.Helper()
	rules, err := a.Rules(t.Context())
	must(t, err)
	want := make(map[string]int)
	for _, v := range all {
		if picks(f, v, a.now()) {
			want[v.ReceivedAt.In(rules.Location()).Format(time.DateOnly)]++
		}
	}
	got, err := a.Days(t.Context(), f, rules.Location())
	if err != nil || !maps.Equal(got, want) {
		t.Errorf("%+v: by day %v, %v; want %v", f, got, err, want)
	}
}

// yearsOf are filters for three years.
func yearsOf(zone *time.Location) (all []Filter) {
	for year := 2030; year < 2033; year++ {
		all = append(all, Filter{From: time.Date(year, 1, 1, 0, 0, 0, 0, zone),
			Until: time.Date(year+1, 1, 1, 0, 0, 0, 0, zone)})
	}
	return all
}

// TestDays counts visits by day, through all that changes them, in zones whose days
// begin at different times, and compares with counting the visits that there are.
func TestDays(t *testing.T) {
	rnd := rand.New(rand.NewPCG(20, 26))
	a, c := newArchive(t)
	ctx := t.Context()
	var persons []string
	for _, name := range []string{"Tamsin Quill", "Odo Fenwright"} {
		p, err := a.AddPerson(ctx, name)
		must(t, err)
		persons = append(persons, p.ID)
	}
	for i := range 60 {
		ringSomehow(t, a, c, rnd, fmt.Sprint("r", i), []string{"gate"}, persons)
		c.Advance(time.Duration(rnd.IntN(5)) * time.Hour)
	}
	all, err := a.LatestVisits(ctx, 1000)
	must(t, err)
	compare := func(what string) {
		t.Helper()
		if all, err = a.LatestVisits(ctx, 1000); err != nil {
			t.Fatal(err)
		}
		rules, err := a.Rules(ctx)
		must(t, err)
		for _, f := range yearsOf(rules.Location()) {
			for _, named := range [][]string{nil, {}, {persons[0]}, {"NOBODY"}, persons} {
				for _, kind := range []house.Kind{"", house.Stranger, house.Known} {
					for _, picture := range []bool{false, true} {
						f.Persons, f.Kind, f.Picture = named, kind, picture
						sameDays(t, a, f, all)
					}
				}
			}
		}
		if t.Failed() {
			t.Fatalf("after %s", what)
		}
		if report, err := a.Verify(ctx, false, nil); err != nil || len(report.Problems) > 0 {
			t.Fatalf("after %s: %+v, %v", what, report.Problems, err)
		}
	}
	compare("visits came")
	for _, zone := range []string{"Pacific/Kiritimati", "Pacific/Pago_Pago", "Australia/Lord_Howe"} {
		rules := house.DefaultRules()
		rules.Zone = zone
		must(t, a.SetRules(ctx, rules))
		compare("moving to " + zone)
	}
	must(t, a.SetParcel(ctx, all[3].ID, true))
	must(t, a.SetParcel(ctx, all[4].ID, false))
	compare("a parcel")
	for _, v := range all[10:15] {
		must(t, a.EraseVisit(ctx, v.ID))
	}
	compare("erasing visits")
	_, err = a.ErasePerson(ctx, persons[0], false)
	must(t, err)
	compare("erasing a person")
}
