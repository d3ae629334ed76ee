package policy

import (
	"errors"
	"math"
	"testing"
	"time"

	"lintel/internal/house"
)

func TestCheck(t *testing.T) {
	for _, test := range []struct {
		name   string
		change func(*house.DoorRule)
		want   error
	}{
		{"fine", func(*house.DoorRule) {}, nil},
		{"no id", func(r *house.DoorRule) { r.ID = "" }, ErrNoID},
		{"nobody", func(r *house.DoorRule) { r.Person = "" }, ErrNoPerson},
		{"nowhere", func(r *house.DoorRule) { r.Door = "" }, ErrNoDoor},
		{"no days", func(r *house.DoorRule) { r.Days = [7]bool{} }, ErrNoDays},
		{"from before the day", func(r *house.DoorRule) { r.From = -1 }, ErrTimes},
		{"from the day's end", func(r *house.DoorRule) { r.From = 1440 }, ErrTimes},
		{"to the day's end", func(r *house.DoorRule) { r.To = 1440 }, nil},
		{"to beyond", func(r *house.DoorRule) { r.To = 1441 }, ErrTimes},
		{"to before the day", func(r *house.DoorRule) { r.To = -1 }, ErrTimes},
		{"over midnight", func(r *house.DoorRule) { r.From, r.To = 1320, 360 }, nil},
		{"to midnight", func(r *house.DoorRule) { r.From, r.To = 1320, 0 }, nil},
		{"no time", func(r *house.DoorRule) { r.From, r.To = 600, 600 }, ErrTimes},
		{"needs nothing", func(r *house.DoorRule) { r.Need = 0 }, ErrNeed},
		{"needs more than it names", func(r *house.DoorRule) { r.Need = 3 }, ErrNeed},
		{"needs all", func(r *house.DoorRule) { r.Need = 2 }, nil},
		{"names none", func(r *house.DoorRule) { r.Factors = nil }, ErrNeed},
		{"names one twice", func(r *house.DoorRule) { r.Factors[1] = r.Factors[0] }, ErrFactor},
		{"names what is none", func(r *house.DoorRule) { r.Factors[1] = "smile" }, ErrFactor},
		{"weak", func(r *house.DoorRule) { r.Band = "weak" }, ErrWeak},
		{"no band", func(r *house.DoorRule) { r.Band = "" }, ErrBand},
		{"band of another name", func(r *house.DoorRule) { r.Band = "none" }, ErrBand},
		{"a picture", func(r *house.DoorRule) { r.Liveness = house.Picture }, ErrSign},
		{"no level", func(r *house.DoorRule) { r.Liveness = "" }, ErrSign},
		{"never needs nothing", func(r *house.DoorRule) { *r = never("n", ada) }, nil},
		{"never on no day", func(r *house.DoorRule) { *r = never("n", ada); r.Days = [7]bool{} }, ErrNoDays},
	} {
		r := ruleFor("r", ada)
		test.change(&r)
		errs := Check([]house.DoorRule{r})
		if test.want == nil && len(errs) == 0 {
			continue
		}
		if len(errs) != 1 || !errors.Is(errs[0], test.want) {
			t.Errorf("%s: %v, not %v", test.name, errs, test.want)
		}
	}
	if errs := Check([]house.DoorRule{ruleFor("r", ada), ruleFor("r", ben)}); len(errs) != 1 ||
		!errors.Is(errs[0], ErrTwice) {
		t.Errorf("one id twice: %v", errs)
	}
}

func TestCheckHouse(t *testing.T) {
	if errs := CheckAdviceRules(house.DefaultAdviceRules()); len(errs) > 0 {
		t.Errorf("the default: %v", errs)
	}
	for _, test := range []struct {
		name   string
		change func(*house.AdviceRules)
		want   error // nil where it is fine
	}{
		{"window of 59 s", func(h *house.AdviceRules) { h.Window = 59 * time.Second }, ErrWindow},
		{"window of 15 min", func(h *house.AdviceRules) { h.Window = 15 * time.Minute }, nil},
		{"window of more", func(h *house.AdviceRules) { h.Window = 15*time.Minute + 1 }, ErrWindow},
		{"expiry of 14 s", func(h *house.AdviceRules) { h.Expiry = 14 * time.Second }, ErrExpiry},
		{"expiry of 15 s", func(h *house.AdviceRules) { h.Expiry = 15 * time.Second }, nil},
		{"expiry of 6 min", func(h *house.AdviceRules) { h.Expiry = 6 * time.Minute }, ErrExpiry},
		{"no misses", func(h *house.AdviceRules) { h.Misses = 0 }, ErrMisses},
		{"11 misses", func(h *house.AdviceRules) { h.Misses = 11 }, ErrMisses},
		{"wait of 59 s", func(h *house.AdviceRules) { h.Wait = 59 * time.Second }, ErrWait},
		{"wait of a day", func(h *house.AdviceRules) { h.Wait = 24 * time.Hour }, nil},
		{"wait of more", func(h *house.AdviceRules) { h.Wait = 25 * time.Hour }, ErrWait},
		{"30 February", func(h *house.AdviceRules) { h.Holidays = []string{"2027-02-30"} }, ErrHoliday},
		{"29 February", func(h *house.AdviceRules) { h.Holidays = []string{"2028-02-29"} }, nil},
		{"a date written otherwise", func(h *house.AdviceRules) { h.Holidays = []string{"1.1.2027"} }, ErrHoliday},
		{"a date of fewer figures", func(h *house.AdviceRules) { h.Holidays = []string{"2027-1-1"} }, ErrHoliday},
		{"a date with a time", func(h *house.AdviceRules) { h.Holidays = []string{"2027-01-01 "} }, ErrHoliday},
		{"many holidays", func(h *house.AdviceRules) { h.Holidays = make([]string, 401) }, ErrHolidays},
		{"home", func(h *house.AdviceRules) { h.Home = &house.Home{Latitude: 52.1, Longitude: 11.6, Radius: 50} }, nil},
		{"home of 10 m", func(h *house.AdviceRules) { h.Home = &house.Home{Latitude: 52.1, Longitude: 11.6, Radius: 10} },
			ErrHome},
		{"home nowhere",
			func(h *house.AdviceRules) { h.Home = &house.Home{Latitude: math.NaN(), Longitude: 11.6, Radius: 50} }, ErrHome},
		{"home off the globe",
			func(h *house.AdviceRules) { h.Home = &house.Home{Latitude: 91, Longitude: 11.6, Radius: 50} }, ErrHome},
	} {
		h := house.DefaultAdviceRules()
		test.change(&h)
		errs := CheckAdviceRules(h)
		if test.want == nil && len(errs) == 0 {
			continue
		}
		if len(errs) != 1 || !errors.Is(errs[0], test.want) {
			t.Errorf("%s: %v, not %v", test.name, errs, test.want)
		}
	}
}

func TestCheckParcel(t *testing.T) {
	for _, test := range []struct {
		name   string
		change func(*house.ParcelRule, *house.Door)
		want   error
	}{
		{"fine", func(*house.ParcelRule, *house.Door) {}, nil},
		{"no id", func(r *house.ParcelRule, _ *house.Door) { r.ID = "" }, ErrNoID},
		{"another door", func(r *house.ParcelRule, _ *house.Door) { r.Door = front }, ErrNoDoor},
		{"the house's door", func(_ *house.ParcelRule, d *house.Door) { d.Parcel = false }, ErrParcelDoor},
		{"ends before it begins", func(r *house.ParcelRule, _ *house.Door) { r.To = r.From }, ErrParcelTime},
		{"no beginning", func(r *house.ParcelRule, _ *house.Door) { r.From = time.Time{} }, ErrParcelTime},
		{"a day", func(r *house.ParcelRule, _ *house.Door) { r.To = r.From.Add(24 * time.Hour) }, nil},
		{"more", func(r *house.ParcelRule, _ *house.Door) { r.To = r.From.Add(24*time.Hour + 1) }, ErrParcelTime},
		{"a window of 6 minutes", func(r *house.ParcelRule, _ *house.Door) { r.Window = 6 * time.Minute }, ErrExpiry},
	} {
		in := parcelGood()
		r, d := in.Parcels[0], in.Door
		test.change(&r, &d)
		if err := CheckParcel(r, d); !errors.Is(err, test.want) {
			t.Errorf("%s: %v, not %v", test.name, err, test.want)
		}
	}
}
