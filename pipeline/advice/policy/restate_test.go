package policy

import (
	"encoding/json"
	"errors"
	"regexp"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
)

func TestRestate(t *testing.T) {
	r := ruleFor("r", ada)
	for _, test := range []struct {
		change func(*house.DoorRule)
		want   string
	}{
		{func(*house.DoorRule) {},
			"Ada Quill may be suggested at the front door on Monday to Friday from 07:00 to 20:00, not on holidays, if a " +
				"phone of theirs came home or a one-time code of theirs was given, " +
				"the match is strong and there are two stills " +
				"or more. Any sign of a picture withholds."},
		{func(r *house.DoorRule) { r.Need = 2; r.Holidays = true; r.Band = "fair"; r.CantTell = true },
			"Ada Quill may be suggested at the front door on Monday to Friday from 07:00 to 20:00, holidays too, " +
				"if a phone " +
				"of theirs came home and a one-time code of theirs was given, the match is strong or fair and there is " +
				"one still " +
				"or more. Any sign of a picture withholds."},
		{func(r *house.DoorRule) {
			r.Days = [7]bool{true, false, true, false, false, false, true}
			r.From, r.To = 22*60, 6*60
			r.Factors, r.Need = kinds, 2
			r.Liveness = house.Doubtful
		}, "Ada Quill may be suggested at the front door on Tuesday, Saturday and Sunday from 22:00 to 06:00 the day " +
			"after, not on holidays, if 2 of these hold (a phone of theirs came home; a one-time code of theirs was given; " +
			"a " +
			"fob of theirs was seen; a resident looked at the still and agreed), the match is strong and there are two " +
			"stills or more. A face that looks like a picture is never suggested. Lesser signs of one are allowed."},
		{func(r *house.DoorRule) { *r = never("n", ben) },
			"Ben Moss is never suggested at the front door on any day at any time, holidays or not, " +
				"whatever else is allowed."},
		{func(r *house.DoorRule) {
			*r = never("n", ben)
			r.Days, r.From, r.Holidays = workdays, 9*60, true
		}, "Ben Moss is never suggested at the front door on Monday to Friday and on every holiday from 09:00 to 24:00, " +
			"whatever else is allowed."},
		{func(r *house.DoorRule) { r.Need = 0 },
			"This rule can't be followed. Nothing is suggested by it. A rule needs one factor at least, " +
				"and no more than it " +
				"names."},
		{func(r *house.DoorRule) { r.Person = "p-gone" }, "Somebody or something that is gone may be"},
	} {
		one := r
		one.Factors = append([]house.FactorKind(nil), r.Factors...)
		test.change(&one)
		if got := speak(evening, berlin).Reason(Restate(one)); !strings.HasPrefix(got, test.want) {
			t.Errorf("says %q\nnot  %q", got, test.want)
		}
	}
}

func restated(r house.ParcelRule, d house.Door, zone *time.Location) string {
	return speak(evening, zone).Reason(RestateParcel(r, d, zone))
}

func TestRestateParcel(t *testing.T) {
	in := parcelGood()
	want := "Opening the garage may be suggested for one parcel (a lamp) to whoever rings from Wednesday 25 November, " +
		"16:05 to Wednesday 25 November, 19:05, once and for 2 minutes at most."
	if got := restated(in.Parcels[0], in.Door, berlin); got != want {
		t.Errorf("says %q", got)
	}
	for _, got := range []string{restated(in.Parcels[0], in.Door, nil), restated(in.Parcels[0], house.Door{}, berlin)} {
		if !strings.HasPrefix(got, "This rule can't be followed") || strings.Contains(got, "nil") {
			t.Errorf("says %q", got)
		}
	}
}

// TestNothingIsProof looks through all that is ever said for words that promise
// what no camera can, and for jargon; and that all of it can be kept.
func TestNothingIsProof(t *testing.T) {
	promise := regexp.MustCompile(`(?i)\b(prov\w*|proof|certain\w*|guarante\w*|verified|authentic\w*|identified|` +
		`identity|surely|safe|live\w*|FPIR|FMR|NaN|nil)\b|%!`)
	seen := make(map[string]bool)
	for seed := range uint64(fewer(20_000)) {
		in := drawn(seeded(seed))
		if in.Zone == nil {
			continue // its times end in UTC, and are checked elsewhere
		}
		for _, reason := range allReasons(in) {
			kept, err := json.Marshal(reason)
			var number *json.UnsupportedValueError
			if errors.As(err, &number) {
				t.Fatalf("%+v can't be kept: %v", reason, err)
			}
			if err != nil { // a year beyond 9999, which no clock of an archive has
				continue
			}
			if seen[string(kept)] { // saying takes far longer
				continue
			}
			seen[string(kept)] = true
			says := speak(in.Now, in.Zone).Reason(reason)
			if word := promise.FindString(says); word != "" {
				t.Errorf("%q says %q", says, word)
			}
			if !strings.HasSuffix(says, ".") || strings.Contains(says, "..") || strings.Contains(says, "  ") || says == "." {
				t.Errorf("%q is no sentence", says)
			}
		}
	}
	t.Logf("%d reasons", len(seen))
}

// allReasons are those of all that is decided and told of an input.
func allReasons(in Input) (all []house.Reason) {
	for _, a := range []house.Advice{Decide(in), DecideParcel(in)} {
		for _, c := range a.Conditions {
			all = append(all, c.Reasons...)
		}
	}
	for _, r := range in.Rules {
		all = append(all, Restate(r))
	}
	for _, c := range Conflicts(in.Rules) {
		all = append(all, c.Why)
	}
	return all
}
