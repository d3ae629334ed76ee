package house_test

import (
	"fmt"
	"time"

	"lintel/internal/house"
)

// A visit comes in; when it goes, and by which rule, goes out.
func ExampleRules_Schedule() {
	rules := house.DefaultRules()
	rang := time.Date(2026, 11, 30, 18, 0, 0, 0, time.UTC)
	visit := house.Visit{Kind: house.Stranger, ReceivedAt: rang, CountedFrom: rang}

	goes := rules.Schedule(visit)
	fmt.Println(goes.GoesAt.UTC().Format(time.RFC3339), "by the rule for a", goes.Rule)

	visit.Hold = &house.Hold{Reason: "the parcel is missing", PlacedAt: rang, EndsAt: rang.AddDate(0, 0, 14)}
	fmt.Println(rules.Schedule(visit).HeldUntil.Format(time.RFC3339), "at the earliest, as it is held")
	// Output:
	// 2026-12-03T18:00:00Z by the rule for a stranger
	// 2026-12-14T18:00:00Z at the earliest, as it is held
}

// A quiet time begins on the days it names, and may go on after midnight.
func ExampleRules_QuietAt() {
	rules := house.DefaultRules()
	rules.Zone = "Europe/Berlin"
	rules.Quiet = []house.Quiet{{Days: []time.Weekday{time.Friday}, From: 21 * 60, Until: 6 * 60}}

	friday := time.Date(2026, 11, 27, 0, 0, 0, 0, rules.Location())
	for _, hours := range []time.Duration{20, 22, 26, 31} {
		at := friday.Add(hours * time.Hour)
		fmt.Println(at.Format("Mon 15:04"), rules.QuietAt(at))
	}
	// Output:
	// Fri 20:00 false
	// Fri 22:00 true
	// Sat 02:00 true
	// Sat 07:00 false
}
