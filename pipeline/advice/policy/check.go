package policy

import (
	"fmt"
	"slices"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/advice/geofence"
	"lintel/pipeline/match"
)

// What can be wrong with rules. Those of [Check], [CheckAdviceRules] and [CheckParcel]
// are or wrap one of these each, a [house.Refusal].
var (
	ErrNoID       error = house.Refusal("rule-no-id")
	ErrTwice      error = house.Refusal("rule-id-twice")
	ErrNoPerson   error = house.Refusal("rule-no-person")
	ErrNoDoor     error = house.Refusal("rule-no-door")
	ErrNoDays     error = house.Refusal("rule-no-days")
	ErrTimes      error = house.Refusal("rule-times")
	ErrFactor     error = house.Refusal("rule-factor")
	ErrNeed       error = house.Refusal("rule-need")
	ErrWeak       error = house.Refusal("rule-weak-match")
	ErrBand       error = house.Refusal("rule-band")
	ErrSign       error = house.Refusal("rule-sign")
	ErrWindow     error = house.Refusal("window-bounds")
	ErrExpiry     error = house.Refusal("expiry-bounds")
	ErrMisses     error = house.Refusal("misses-bounds")
	ErrWait       error = house.Refusal("wait-bounds")
	ErrHoliday    error = house.Refusal("holiday-date")
	ErrHolidays   error = house.Refusal("holidays-many")
	ErrHome       error = house.Refusal("home-bounds")
	ErrParcelDoor error = house.ErrHouseDoor
	ErrParcelTime error = house.Refusal("parcel-time")
)

// Check reports what is wrong with rules, an error for each rule that can't be
// followed and each id that comes twice. It is empty if all can be followed.
func Check(rules []house.DoorRule) (errs []error) {
	seen := make(map[string]bool, len(rules))
	for i, r := range rules {
		if err := checkRule(r); err != nil {
			errs = append(errs, fmt.Errorf("rule %d (%s): %w", i+1, r.ID, err))
		}
		if seen[r.ID] && r.ID != "" {
			errs = append(errs, fmt.Errorf("rule %d (%s): %w", i+1, r.ID, ErrTwice))
		}
		seen[r.ID] = true
	}
	return errs
}

// checkRule reports the first thing that is wrong with a rule.
func checkRule(r house.DoorRule) error {
	if faults := Faults(r); len(faults) > 0 {
		return faults[0]
	}
	return nil
}

// Faults reports all that is wrong with a rule, for a form to say beside its fields.
// One that says never needs neither factors nor limits.
func Faults(r house.DoorRule) (faults []error) {
	blame := func(wrong bool, err error) {
		if wrong {
			faults = append(faults, err)
		}
	}
	blame(r.ID == "", ErrNoID)
	blame(r.Person == "", ErrNoPerson)
	blame(r.Door == "", ErrNoDoor)
	blame(r.Days == [7]bool{}, ErrNoDays)
	blame(r.From < 0 || r.From >= 24*60 || r.To < 0 || r.To > 24*60 || r.From == r.To, ErrTimes)
	if !r.Allowed {
		return faults
	}
	known := !slices.ContainsFunc(r.Factors, func(k house.FactorKind) bool { return !slices.Contains(kinds, k) })
	blame(!known || twice(r.Factors), ErrFactor)
	blame(r.Need < 1 || r.Need > len(r.Factors), ErrNeed)
	blame(r.Band == string(match.Weak), ErrWeak)
	blame(r.Band != string(match.Weak) && sureness(r.Band) < 1, ErrBand)
	blame(r.Liveness != house.NoSign && r.Liveness != house.Doubtful, ErrSign)
	return faults
}

func twice(factors []house.FactorKind) bool {
	for i, k := range factors {
		if slices.Contains(factors[:i], k) {
			return true
		}
	}
	return false
}

// CheckAdviceRules reports what is wrong with what a household decided about all
// advice, each thing once.
func CheckAdviceRules(h house.AdviceRules) (errs []error) {
	for _, c := range []struct {
		wrong bool
		err   error
	}{
		{h.Window < time.Minute || h.Window > 15*time.Minute, ErrWindow},
		{badExpiry(h.Expiry), ErrExpiry},
		{h.Misses < 1 || h.Misses > 10, ErrMisses},
		{h.Wait < time.Minute || h.Wait > 24*time.Hour, ErrWait},
		{h.Home != nil && geofence.CheckHome(*h.Home) != nil, ErrHome},
	} {
		if c.wrong {
			errs = append(errs, c.err)
		}
	}
	if err := checkHolidays(h.Holidays); err != nil {
		errs = append(errs, err)
	}
	return errs
}

func badExpiry(d time.Duration) bool { return d < 15*time.Second || d > 5*time.Minute }

// checkHolidays asks for dates of the calendar. Parse takes them only as they
// are compared, with four, two and two figures.
func checkHolidays(days []string) error {
	if len(days) > 400 {
		return ErrHolidays
	}
	for _, d := range days {
		if _, err := time.Parse(time.DateOnly, d); err != nil {
			return house.Refused{Value: d, Why: ErrHoliday}
		}
	}
	return nil
}

// CheckParcel reports the first thing that is wrong with a rule for a parcel
// at a door.
func CheckParcel(r house.ParcelRule, d house.Door) error {
	switch {
	case r.ID == "":
		return ErrNoID
	case r.Door == "" || r.Door != d.ID:
		return ErrNoDoor
	case !d.Parcel:
		return ErrParcelDoor
	case r.From.IsZero() || !r.From.Before(r.To) || r.To.Sub(r.From) > MaxExpected:
		return ErrParcelTime
	case badExpiry(r.Window):
		return ErrExpiry
	}
	return nil
}
