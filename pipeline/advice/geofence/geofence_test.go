package geofence

import (
	"encoding/json"
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"lintel/internal/house"
)

var (
	noon = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	home = house.Home{Latitude: 47.5, Longitude: 8.2, Radius: 100}
)

// north returns a report from so many metres north of home, so many seconds
// after noon. A degree of latitude is 111.18 km there (from memory: the radius
// of curvature of the meridian at 47.5 degrees).
func north(metres, accuracy, seconds float64) Report {
	return Report{
		Latitude: home.Latitude + metres/111180, Longitude: home.Longitude, Accuracy: accuracy,
		At: noon.Add(time.Duration(seconds * float64(time.Second))),
	}
}

// run takes reports, each as soon as it was made, and returns the times of those
// that were arrivals and how many were refused.
func run(t testing.TB, reports []Report) (arrivals []time.Time, refused int, tooFast bool) {
	var s State
	for _, r := range reports {
		next, arrived, err := Step(s, r, home, r.At)
		if arrived {
			arrivals = append(arrivals, r.At)
		}
		if err != nil {
			refused++
			if arrived {
				t.Errorf("an arrival with the error %v", err)
			}
			tooFast = tooFast || errors.Is(err, ErrSpeed)
		}
		s = next
	}
	return arrivals, refused, tooFast
}

func TestArrivals(t *testing.T) {
	type report = struct{ minute, metres, accuracy float64 }
	for _, c := range []struct {
		name     string
		reports  []report
		arrivals []float64 // minutes
	}{
		{"the first report is from home", []report{{0, 0, 10}}, nil},
		{"at home for hours", []report{{0, 0, 10}, {20, 30, 10}, {40, 10, 20}, {240, 0, 10}}, nil},
		{"comes home", []report{{0, 2000, 10}, {2, 1000, 10}, {4, 500, 10}, {6, 20, 10}}, []float64{6}},
		{"and stays", []report{{0, 2000, 10}, {2, 1000, 10}, {4, 500, 10}, {6, 20, 10}, {8, 20, 10}, {10, 0, 10}},
			[]float64{6}},
		{"goes to a shop and comes back", []report{{0, 500, 10}, {2, 500, 10}, {4, 500, 10}, {6, 0, 10},
			{30, 400, 10}, {35, 800, 10}, {40, 400, 10}, {45, 0, 10}}, []float64{6, 45}},
		{"two reports from outside", []report{{0, 2000, 10}, {10, 1000, 10}, {12, 20, 10}}, nil},
		{"outside for less than 3 minutes", []report{{0, 500, 10}, {1, 500, 10}, {2, 500, 10}, {2.9, 500, 10}, {4, 20, 10}},
			nil},
		{"outside for 3 minutes", []report{{0, 500, 10}, {1, 500, 10}, {2, 500, 10}, {3, 500, 10}, {4, 20, 10}},
			[]float64{4}},
		{"one stray position", []report{{0, 0, 10}, {5, 600, 10}, {6, 0, 10}, {10, 0, 10}}, nil},
		{"silent for 30 minutes on the way", []report{{0, 2000, 10}, {2, 1000, 10}, {4, 500, 10}, {34, 20, 10}},
			[]float64{34}},
		{"silent for longer", []report{{0, 2000, 10}, {2, 1000, 10}, {4, 500, 10}, {34.1, 20, 10}}, nil},
		{"silent for longer while away", []report{{0, 2000, 10}, {2, 1000, 10}, {33, 500, 10}, {36, 20, 10}}, nil},
		{"silent for a day", []report{{0, 2000, 10}, {2, 1000, 10}, {4, 500, 10}, {24 * 60, 20, 10}}, nil},
		{"the circle is not all inside", []report{{0, 2000, 10}, {2, 1000, 10}, {4, 500, 10}, {6, 80, 21}}, nil},
		{"the circle is all inside", []report{{0, 2000, 10}, {2, 1000, 10}, {4, 500, 10}, {6, 80, 19}}, []float64{6}},
		{"accuracy as large as the home", []report{{0, 2000, 10}, {2, 1000, 10}, {4, 500, 10}, {6, 0, 101}}, nil},
		{"circles not all outside", []report{{0, 200, 51}, {2, 200, 51}, {4, 200, 51}, {6, 0, 10}}, nil},
		{"circles all outside", []report{{0, 200, 49}, {2, 200, 49}, {4, 200, 49}, {6, 0, 10}}, []float64{6}},
		{"undecided on the way",
			[]report{{0, 2000, 10}, {2, 1000, 10}, {4, 500, 10}, {5, 120, 10}, {6, 140, 300}, {8, 0, 10}}, []float64{8}},
		{"an aeroplane, then a taxi", []report{{0, 900_000, 10}, {120, 20_000, 10},
			{122, 19_000, 10}, {130, 9000, 10}, {135, 4000, 10}, {140, 0, 10}}, []float64{140}},
		{"an aeroplane that lands at home",
			[]report{{0, 900_000, 10}, {2, 880_000, 10}, {10, 800_000, 10}, {20, 20, 10}, {21, 20, 10}}, nil},
	} {
		var reports []Report
		for _, r := range c.reports {
			reports = append(reports, north(r.metres, r.accuracy, 60*r.minute))
		}
		var want []time.Time
		for _, m := range c.arrivals {
			want = append(want, north(0, 0, 60*m).At)
		}
		if got, _, _ := run(t, reports); !slices.Equal(got, want) {
			t.Errorf("%s: arrivals %v, want %v", c.name, got, want)
		}
	}
}

func TestRefused(t *testing.T) {
	good := north(1000, 10, 0)
	with := func(change func(*Report)) Report {
		r := good
		change(&r)
		return r
	}
	for _, c := range []struct {
		name   string
		report Report
		want   error
	}{
		{"good", good, nil},
		{"latitude 91", with(func(r *Report) { r.Latitude = 91 }), ErrPosition},
		{"latitude -90.0001", with(func(r *Report) { r.Latitude = -90.0001 }), ErrPosition},
		{"longitude 180.1", with(func(r *Report) { r.Longitude = 180.1 }), ErrPosition},
		{"longitude -181", with(func(r *Report) { r.Longitude = -181 }), ErrPosition},
		{"latitude NaN", with(func(r *Report) { r.Latitude = math.NaN() }), ErrPosition},
		{"longitude infinite", with(func(r *Report) { r.Longitude = math.Inf(-1) }), ErrPosition},
		{"the pole", with(func(r *Report) { r.Latitude = 90 }), nil},
		{"accuracy 0", with(func(r *Report) { r.Accuracy = 0 }), ErrAccuracy},
		{"accuracy -5", with(func(r *Report) { r.Accuracy = -5 }), ErrAccuracy},
		{"accuracy 1 km", with(func(r *Report) { r.Accuracy = 1000 }), nil},
		{"accuracy 1 km and more", with(func(r *Report) { r.Accuracy = 1000.1 }), ErrAccuracy},
		{"accuracy 5 km", with(func(r *Report) { r.Accuracy = 5000 }), ErrAccuracy},
		{"accuracy NaN", with(func(r *Report) { r.Accuracy = math.NaN() }), ErrAccuracy},
		{"accuracy infinite", with(func(r *Report) { r.Accuracy = math.Inf(1) }), ErrAccuracy},
		{"30 s ahead", with(func(r *Report) { r.At = noon.Add(30 * time.Second) }), nil},
		{"31 s ahead", with(func(r *Report) { r.At = noon.Add(31 * time.Second) }), ErrFuture},
		{"2 minutes old", with(func(r *Report) { r.At = noon.Add(-2 * time.Minute) }), nil},
		{"2 minutes and 1 s old", with(func(r *Report) { r.At = noon.Add(-121 * time.Second) }), ErrOld},
		{"an hour old", with(func(r *Report) { r.At = noon.Add(-time.Hour) }), ErrOld},
		{"no time", with(func(r *Report) { r.At = time.Time{} }), ErrOld},
	} {
		before := State{Last: north(1000, 10, -300), Outside: 2, From: noon.Add(-time.Hour),
			To: noon.Add(-300 * time.Second), Home: home}
		if c.name == "the pole" {
			before = State{} // it is too far from anywhere
		}
		s, arrived, err := Step(before, c.report, home, noon)
		if !errors.Is(err, c.want) || arrived {
			t.Errorf("%s: %v, want %v; arrived: %v", c.name, err, c.want, arrived)
		}
		if err != nil && s != before {
			t.Errorf("%s: the state became %+v", c.name, s)
		}
	}
	for _, h := range []house.Home{{}, {Latitude: 91, Radius: 100}, {Radius: 19}, {Radius: 501}, {Radius: math.NaN()}} {
		if _, _, err := Step(State{}, good, h, noon); !errors.Is(err, ErrHome) {
			t.Errorf("home %+v: %v, want %v", h, err, ErrHome)
		}
	}
}

func TestOrder(t *testing.T) {
	first := north(1000, 10, 0)
	s, _, err := Step(State{}, first, home, noon)
	if err != nil {
		t.Fatal(err)
	}
	for name, r := range map[string]Report{
		"the same again":          first,
		"in another zone":         {first.Latitude, first.Longitude, first.Accuracy, first.At.In(time.FixedZone("", 3600))},
		"another of the same age": north(0, 10, 0),
		"an earlier one":          north(0, 10, -1),
	} {
		if again, _, err := Step(s, r, home, noon); !errors.Is(err, ErrOrder) || again != s {
			t.Errorf("%s: %v, want %v", name, err, ErrOrder)
		}
	}
}

func TestSpeed(t *testing.T) {
	for _, c := range []struct {
		before, accuracy, seconds float64
		want                      error
	}{
		{10, 10, 83.5, nil}, // (5000 - 10 - 10) / 60 = 83 s
		{10, 10, 82.5, ErrSpeed},
		{10, 90, 82, nil}, // (5000 - 10 - 90) / 60 = 81.67 s
		{10, 90, 81.2, ErrSpeed},
		{210, 10, 80, nil}, // (5000 - 210 - 10) / 60 = 79.67 s
		{210, 10, 79.2, ErrSpeed},
	} {
		var s State
		for i := range 3 {
			r := north(5000, c.before, float64(100*i))
			s, _, _ = Step(s, r, home, r.At)
		}
		r := north(0, c.accuracy, 200+c.seconds)
		got, arrived, err := Step(s, r, home, r.At)
		if !errors.Is(err, c.want) || arrived != (err == nil) {
			t.Errorf("5 km in %v s: %v, want %v; arrived: %v", c.seconds, err, c.want, arrived)
		}
		if err == nil {
			continue
		}
		if want := (State{Last: r}); got != want {
			t.Errorf("after %v the state is %+v, want %+v", err, got, want)
		}
		if _, _, err := Step(got, r, home, r.At); !errors.Is(err, ErrOrder) {
			t.Errorf("the impossible report again: %v, want %v", err, ErrOrder)
		}
		later := north(0, 10, 200+c.seconds+60)
		if _, arrived, err := Step(got, later, home, later.At); arrived || err != nil {
			t.Errorf("the report after: arrived: %v, %v", arrived, err)
		}
	}
}

func TestHomeChanged(t *testing.T) {
	var s State
	for _, r := range []Report{north(5000, 10, 0), north(5000, 10, 100), north(5000, 10, 200)} {
		s, _, _ = Step(s, r, home, r.At)
	}
	r := north(5000, 10, 300)
	moved := house.Home{Latitude: r.Latitude, Longitude: r.Longitude, Radius: 100}
	if _, arrived, err := Step(s, r, moved, r.At); arrived || err != nil {
		t.Errorf("the home moved to where the phone is: arrived: %v, %v", arrived, err)
	}
}

// What is kept is the same when it is read again, so that a restart is none.
func TestStateIsKept(t *testing.T) {
	var s State
	for i, r := range []Report{north(2000, 10, 0), north(1000, 12.5, 120.5), north(500, 10, 240), north(20, 10, 360)} {
		kept, err := json.Marshal(s)
		if err != nil {
			t.Fatal(err)
		}
		var read State
		if err := json.Unmarshal(kept, &read); err != nil || read != s {
			t.Fatalf("%s was read as %+v, want %+v, %v", kept, read, s, err)
		}
		if len(kept) > 400 {
			t.Errorf("a state has %d bytes", len(kept))
		}
		r.At = r.At.In(time.FixedZone("", 5*3600))
		var arrived bool
		if s, arrived, err = Step(read, r, home, r.At); err != nil || arrived != (i == 3) {
			t.Fatalf("report %d: arrived: %v, %v", i, arrived, err)
		}
	}
}

// wander returns reports of somebody, or something, that is now inside, now
// outside, now neither, at times that tell most rules apart.
func wander(r *rand.Rand) []Report {
	var reports []Report
	seconds := 0.0
	for range 4 + r.IntN(30) {
		seconds += []float64{50, 70, 110, 400, 1000, 1790, 1900}[r.IntN(7)] + float64(r.IntN(10))
		metres := []float64{0, 40, 70, 100, 140, 180, 300, 2000}[r.IntN(8)]
		reports = append(reports, north(metres, 5+r.Float64()*60, seconds))
	}
	return reports
}

// expected finds arrivals the long way, as the package's comment has it.
func expected(reports []Report) (arrivals []time.Time) {
	since := 0
	for i, r := range reports {
		if d := distance(r.Latitude, r.Longitude, home.Latitude, home.Longitude); d+r.Accuracy > home.Radius {
			continue
		}
		count, next := 0, r.At
		for j := i - 1; j >= since; j-- {
			o := reports[j]
			if d := distance(o.Latitude, o.Longitude, home.Latitude, home.Longitude); d-o.Accuracy <= home.Radius+Margin {
				continue
			}
			if next.Sub(o.At) > 30*time.Minute {
				break
			}
			if count == 0 {
				r = o
			}
			count, next = count+1, o.At
		}
		if count >= 3 && r.At.Sub(next) >= 3*time.Minute {
			arrivals = append(arrivals, reports[i].At)
			since = i + 1
		}
	}
	return arrivals
}

// Worse reports never make more arrivals: when some are less accurate, lost,
// come twice, or come in another order.
func TestWorseReportsMakeNoArrivals(t *testing.T) {
	r := rand.New(rand.NewPCG(14, 2))
	ways := map[string]func([]Report) []Report{
		"less accurate": func(all []Report) []Report {
			for i := range all {
				if r.IntN(3) == 0 {
					all[i].Accuracy += r.ExpFloat64() * 200
				}
			}
			return all
		},
		"lost": func(all []Report) []Report {
			share := r.Float64() / 2
			return slices.DeleteFunc(all, func(Report) bool { return r.Float64() < share })
		},
		"one lost": func(all []Report) []Report {
			i := r.IntN(len(all))
			return slices.Delete(all, i, i+1)
		},
		"repeated": func(all []Report) []Report {
			for range 5 {
				all = slices.Insert(all, r.IntN(len(all)+1), all[r.IntN(len(all))])
			}
			return all
		},
		"swapped": func(all []Report) []Report {
			i := r.IntN(len(all) - 1)
			all[i], all[i+1] = all[i+1], all[i]
			return all
		},
		"shuffled": func(all []Report) []Report {
			r.Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
			return all
		},
	}
	arrivals, fewer := 0, 0
	for range 3000 {
		reports := wander(r)
		base, refused, _ := run(t, reports)
		if want := expected(reports); !slices.Equal(base, want) || refused > 0 {
			t.Fatalf("arrivals %v, want %v; %d reports were refused", base, want, refused)
		}
		arrivals += len(base)
		for name, worsen := range ways {
			worse := worsen(slices.Clone(reports))
			got, _, _ := run(t, worse)
			if len(got) > len(base) {
				t.Fatalf("%s: %d arrivals from %+v, and %d from %+v", name, len(got), worse, len(base), reports)
			}
			if len(got) < len(base) {
				fewer++
			}
		}
	}
	if arrivals < 500 || fewer < 1000 {
		t.Errorf("only %d arrivals, %d times fewer: this shows nothing", arrivals, fewer)
	}
}

// Nor do any when some are impossible, as long as those come and are seen to be.
func TestImpossibleReportsMakeNoArrivals(t *testing.T) {
	r := rand.New(rand.NewPCG(14, 3))
	for range 3000 {
		reports := wander(r)
		base, _, _ := run(t, reports)
		i := r.IntN(len(reports))
		at := float64(reports[i].At.Sub(noon).Seconds()) + 1
		got, _, tooFast := run(t, slices.Insert(slices.Clone(reports), i+1, north(400_000, 10, at)))
		if !tooFast {
			t.Fatal("400 km in a second were believed")
		}
		if len(got) > len(base) {
			t.Fatalf("%d arrivals with an impossible report after %d of %+v, %d without", len(got), i, reports, len(base))
		}
	}
}
