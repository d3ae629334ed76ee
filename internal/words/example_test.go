package words_test

import (
	"fmt"
	"time"

	"lintel/internal/house"
	"lintel/internal/words"
)

func Example() {
	now := time.Date(2026, 11, 25, 18, 5, 0, 0, time.UTC)
	names := map[string]string{"p1": "Ada Quill"}
	w := words.For("en").At(now, time.UTC).Naming(func(id string) string { return names[id] })
	away := house.Condition{Code: "home", Reasons: []house.Reason{
		{Code: "home-away", Values: house.Values{Until: now.Add(30 * time.Hour)}},
	}}
	fmt.Println(w.Condition(away))
	fmt.Println(w.Short(away))
	fmt.Println(w.Say("alike-open", house.Values{Person: "p1", Persons: []string{"p2"}}))
	// Output:
	// The household is away until Friday 27 November, 00:05.
	// the household is away
	// Ada Quill is easily confused with somebody or something that is gone. A one-time code or a resident has to settle it.
}
