package policy

import (
	"fmt"
	"strings"
	"time"

	"lintel/internal/house"
)

// Restate says a rule in one plain sentence. Names are those of persons and
// doors, by their ids.
func Restate(r house.DoorRule, names map[string]string) string {
	if err := checkRule(r); err != nil {
		return fmt.Sprintf("This rule can't be followed, and nothing is suggested by it: %v.", err)
	}
	who, where := nameOf(names, r.Person), nameOf(names, r.Door)
	if !r.Allowed {
		return fmt.Sprintf("%s is never suggested at %s %s, whatever else is allowed.", who, where, span(r))
	}
	match := "the match is strong"
	if r.Band == "fair" {
		match = "the match is strong or fair"
	}
	sign := "Any sign of a picture withholds."
	if r.Liveness == house.Doubtful {
		sign = "A face that looks like a picture withholds; lesser signs of one are allowed."
	}
	stills := "there are two stills or more"
	if r.CantTell {
		stills = "there is one still or more"
	}
	return fmt.Sprintf("%s may be suggested at %s %s, if %s, %s and %s. %s", who, where, span(r), needs(r), match, stills, sign)
}

// needs says which factors a rule asks for: "a one-time code of theirs was
// given or a phone of theirs came home".
func needs(r house.DoorRule) string {
	words := allHappened(r.Factors)
	switch {
	case r.Need == len(words):
		return listed(words)
	case r.Need == 1:
		return strings.Join(words, " or ")
	}
	return fmt.Sprintf("%d of these hold (%s)", r.Need, strings.Join(words, "; "))
}

// RestateParcel says a rule for a parcel in one plain sentence.
func RestateParcel(r house.ParcelRule, door house.Door, zone *time.Location) string {
	if zone == nil {
		return "This rule can't be followed, and nothing is suggested by it: the household's time zone is not known."
	}
	if err := CheckParcel(r, door); err != nil {
		return fmt.Sprintf("This rule can't be followed, and nothing is suggested by it: %v.", err)
	}
	what := "one parcel"
	if r.Note != "" {
		what = "one parcel (" + r.Note + ")"
	}
	const clock = "Monday 2 January, 15:04"
	says := fmt.Sprintf("Opening %s may be suggested for %s to whoever rings from %s to %s, once and for %s at most",
		door.Name, what, r.From.In(zone).Format(clock), r.To.In(zone).Format(clock), lasting(r.Window))
	if r.UsedBy != "" {
		says += "; it was used and holds no more"
	}
	return says + "."
}

func nameOf(names map[string]string, id string) string {
	if n := names[id]; n != "" {
		return n
	}
	return "somebody or something that is gone"
}
