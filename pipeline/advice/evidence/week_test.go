package evidence

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/advice/geofence"
)

// TestWeek lives a day with a phone and reads what is said of it.
func TestWeek(t *testing.T) {
	h := newHouse(t)
	for range 30 {
		h.at = h.at.Add(time.Minute)
		h.tell(h.report(10.0001))
	}
	h.at = h.at.Add(time.Minute)
	h.arrives()
	came := h.at
	h.at = h.at.Add(time.Minute)
	h.tell(h.report(10))
	h.at = h.at.Add(time.Second)
	if _, err := h.Message(t.Context(), h.phone, "", []byte(h.report(12))); err == nil {
		t.Fatal("220 km in a second")
	}
	if _, err := h.Message(t.Context(), h.phone, "", []byte(h.report(12))); err == nil {
		t.Fatal("the same again")
	}
	week, err := h.Week(t.Context(), h.phone.ID)
	if err != nil || len(week) != 38 {
		t.Fatalf("%d told, %v", len(week), err)
	}
	if first, last := week[0], week[37]; first.Place != geofence.Inside || first.Heard.IsZero() || first.Why != "" ||
		last.Place != "" || last.Why != "report-order" || week[36].Why != "report-speed" ||
		week[31].Place != geofence.Outside {
		t.Errorf("told %+v … %+v", first, last)
	}
	home := house.Home{Latitude: 10, Longitude: 20, Radius: 100}
	if r, ok := SuggestRadius(week, home); r != 75 || !ok {
		t.Errorf("suggested %g m, %v", r, ok)
	}
	got := DryRun(week, home, 10*time.Minute)
	// The last that was impossible took it back, here as there.
	want := []Homecoming{{Came: came, Opens: came, Until: h.at, Strength: .5}}
	if !slices.Equal(got, want) {
		t.Errorf("a dry run has %+v, want %+v", got, want)
	}
	if f := h.factors(); len(f) != 0 {
		t.Errorf("and these count: %+v", f)
	}
	if got := DryRun(week, house.Home{Latitude: 10.02, Longitude: 20, Radius: 75}, 10*time.Minute); len(got) != 1 {
		t.Errorf("with home where it was away: %+v", got)
	}
	h.at = h.at.Add(Kept)
	if week, err := h.Week(t.Context(), h.phone.ID); err != nil || len(week) > 2 {
		t.Errorf("a week later: %d, %v", len(week), err)
	}
}

// TestHabit has phones that send in several ways; the codes are those of geofence.
func TestHabit(t *testing.T) {
	begin := time.Date(2031, 5, 6, 7, 0, 0, 0, time.UTC)
	every := func(gap time.Duration, n int) (all []Told) {
		for i := range n {
			at := begin.Add(time.Duration(i) * gap)
			all = append(all, Told{Report: geofence.Report{Accuracy: 10, At: at}, Heard: at, Place: geofence.Outside})
		}
		return all
	}
	cross := func(c geofence.Crossing) Told {
		return Told{Report: geofence.Report{Crossing: c, NoPlace: true, At: begin}, Heard: begin.Add(10 * time.Minute)}
	}
	for _, c := range []struct {
		name    string
		told    []Told
		typical time.Duration
		want    Sufficiency
	}{
		{"nothing", nil, 0, Nothing},
		{"refused alone", []Told{{Why: "report-old"}}, 0, Nothing},
		{"each minute", every(time.Minute, 9), time.Minute, Enough},
		{"each 5 minutes", every(5*time.Minute, 9), 5 * time.Minute, Partly},
		{"each half hour", every(30*time.Minute, 9), 30 * time.Minute, Seldom},
		{"once", every(time.Minute, 1), 0, Seldom},
		{"all at once", every(20*time.Millisecond, 9), 0, Seldom},
		{"a pile each half hour", append(every(20*time.Millisecond, 9), every(30*time.Minute, 3)[1:]...), 30 * time.Minute,
			Seldom},
		{"entered alone", []Told{cross(geofence.Entered)}, 0, Seldom},
		{"crossings", []Told{cross(geofence.Left), cross(geofence.Entered)}, 0, Enough},
	} {
		h := HabitOf(c.told)
		if h.Sufficient != c.want || h.Typical != c.typical {
			t.Errorf("%s: %+v, want %s, %s", c.name, h, c.want, c.typical)
		}
	}
	if h := HabitOf([]Told{cross(geofence.Left), {Why: "report-order"}, {Why: "report-order"}}); h.Late != 1 ||
		h.Refused["report-order"] != 2 {
		t.Errorf("%+v", h)
	}
}

func TestSuggestRadius(t *testing.T) {
	home := house.Home{Latitude: 10, Longitude: 20, Radius: 100}
	told := func(accuracy float64, n int) (all []Told) {
		for range n {
			all = append(all, Told{Report: geofence.Report{Latitude: 10, Longitude: 20, Accuracy: accuracy}})
		}
		return all
	}
	for _, c := range []struct {
		told []Told
		want float64
	}{{told(20, 100), 75}, {told(160, 100), 100}, {slices.Concat(told(20, 80), told(220, 20)), 125}, {told(900, 40), 150},
		{slices.Concat(told(20, 95), told(900, 5)), 75}, {told(20, 19), 0}} {
		if got, ok := SuggestRadius(c.told, home); got != c.want || ok != (c.want > 0) {
			t.Errorf("%d told: %g, %v, want %g", len(c.told), got, ok, c.want)
		}
	}
}

// A day is the household's own.
func TestToday(t *testing.T) {
	zone := time.FixedZone("", 3600)
	week := []Told{{Heard: time.Date(2031, 5, 5, 22, 59, 59, 0, time.UTC)},
		{Heard: time.Date(2031, 5, 5, 23, 0, 0, 0, time.UTC)}}
	if got := Today(week, time.Date(2031, 5, 6, 20, 0, 0, 0, time.UTC), zone); len(got) != 1 || got[0] != week[1] {
		t.Errorf("%+v", got)
	}
	if got := Today(week, time.Date(2031, 5, 7, 20, 0, 0, 0, time.UTC), zone); got != nil {
		t.Errorf("%+v", got)
	}
}

// A phone leaves home, and comes back forty minutes later.
func ExampleDryRun() {
	home := house.Home{Latitude: 10, Longitude: 20, Radius: 75}
	morning := time.Date(2031, 5, 6, 7, 0, 0, 0, time.UTC)
	var week []Told
	for _, c := range []struct {
		minute   int
		crossing geofence.Crossing
	}{{0, geofence.Left}, {40, geofence.Entered}} {
		at := morning.Add(time.Duration(c.minute) * time.Minute)
		week = append(week, Told{Report: geofence.Report{Crossing: c.crossing, NoPlace: true, At: at}, Heard: at})
	}
	for _, a := range DryRun(week, home, 10*time.Minute) {
		fmt.Println(a.Opens.Format("15:04"), "to", a.Until.Format("15:04"), "strength", a.Strength)
	}
	fmt.Println(HabitOf(week).Sufficient)
	// Output:
	// 07:40 to 07:50 strength 0.5
	// enough
}
