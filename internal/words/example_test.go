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
	fmt.Println(w.Say("consent-none", house.Values{Person: "p1"}))
	// Output:
	// The household is away until Friday 27 November, 00:05.
	// the household is away
	// There is no consent of Ada Quill in force.
}
