package geofence

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
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

// told reads what a phone tells, word by word: 5=2000 is a report at minute 5
// from 2000 metres off, 5=2000±60 one with that accuracy (10 without), 5=left and
// 5=entered crossings without a place, 5=entered@300 one with a place, 5=seen
// what a reader saw. 5<7=… was made at minute 5 and is heard at minute 7.
func told(t testing.TB, text string) (s State, refused int) {
	t.Helper()
	number := func(text string) float64 {
		x, err := strconv.ParseFloat(text, 64)
		if err != nil {
			t.Fatalf("%q: %v", text, err)
		}
		return x
	}
	for _, word := range strings.Fields(text) {
		when, what, _ := strings.Cut(word, "=")
		made, heard, late := strings.Cut(when, "<")
		if !late {
			heard = made
		}
		now := noon.Add(time.Duration(number(heard) * float64(time.Minute)))
		if what == "seen" {
			s = Sight(s, now)
			continue
		}
		crossing, place, placed := "", what, true
		if strings.ContainsAny(what, "ln") { // left or entered
			crossing, place, placed = cut(what, "@")
		}
		var r Report
		if placed {
			metres, accuracy, given := cut(place, "±")
			if !given {
				accuracy = "10"
			}
			r = north(number(metres), number(accuracy), 0)
		}
		r.Crossing, r.NoPlace, r.At = Crossing(crossing), !placed,
			noon.Add(time.Duration(number(made)*float64(time.Minute)))
		next, err := Step(s, r, home, now)
		if err != nil {
			refused++
		}
		s = next
	}
	return s, refused
}

func cut(text, by string) (before, after string, found bool) { return strings.Cut(text, by) }

// TestRule has a line for each of the package's table, and what is next to it.
// The probe is a minute: what an arrival is worth then, 0 for none.
func TestRule(t *testing.T) {
	far := "0=0 5=500 6=1500 7=2500 30=2500 " // gone from minute 5 on
	for _, c := range []struct {
		name  string
		tells string
		probe float64
		worth float64
	}{
		{"gone, inside, and a second position", far + "40=50 41=30", 41, .5},
		{"and a reader", far + "40=50 40.2=seen", 40.2, .5},
		{"a reader first", far + "39.9=seen 40=50", 40, .5},
		{"a reader that saw something all the time", far[:20] + "20=seen 30=2500 39.5=seen 39=2000 40=50", 40, 0},
		{"at the doorstep", far + "39=600 40=5", 40, .5},
		{"one sign of a phone that seldom reports", far + "40=50", 40, .5},
		{"one sign of it, at the edge", far + "40=90", 45, 0},
		{"and a second", far + "40=90 45=60", 45, .5},
		{"entered", far + "40=entered", 40, .5},
		{"one sign of a phone that reports each minute", far + "39=600 40=50", 42, 0},
		{"and two minutes are over", far + "39=600 40=50", 42.2, .5},
		{"entered, by a place outside", far + "40=entered@300", 41, 0},
		{"and the minute is over", far + "40=entered@300", 41.2, .5},
		{"entered, by a place that is nowhere near", far + "40=entered@3000", 42, 0},
		{"left and entered alone", "5=left 40=entered", 40, .5},
		{"left alone, and a position", "0=0 5=left 40=5", 40, .25},
		{"left alone, a position, and then entered", "0=0 5=left 40=5 41=entered", 41, .5},
		{"left, and reports", "0=0 5=left 20=700 40=5", 40, .5},
		{"left, and reports enough to show it, which do not",
			"0=0 5=left 8=700 11=700 14=700 17=700 20=700 40=entered", 40, .25},
		{"left for the third time in a day", "5=left 40=entered 60=left 90=entered 110=left 140=entered", 140, .5},
		{"left for the fourth time in a day",
			"5=left 40=entered 60=left 90=entered 110=left 140=entered 160=left 190=entered", 190, .25},
		{"left for the fourth time, the day after",
			"5=left 40=entered 60=left 90=entered 110=left 140=entered 1460=left 1490=entered", 1490, .5},
		{"after two days without a word", "0=0 2885=2500 2890=2500 2900=50 2901=30", 2901, .25},
		{"and the time after that", "0=0 2885=2500 2890=2500 2900=50 2901=30 2912=20 2925=2500 2930=2500 2940=5", 2940, .5},
		{"a new phone, from outside", "0=2500 5=2500 20=5", 20, .5},
		{"entered alone", "0=entered", 0, .25},
		{"entered alone, long after it was home", "0=0 600=entered", 600, .25},
		{"entered alone, just after it was home", "0=0 20=entered", 20, 0},
		{"gone for nine minutes", "0=0 5=2500 9=2500 14=5 15=5", 15, 0},
		{"left for nine minutes", "0=0 5=left 14=entered 15=5", 15, 0},
		{"gone for ten minutes", "0=0 5=2500 9=2500 15=5", 15, .5},
		{"one report far off", "0=0 5=2500 40=5", 40, 0},
		{"two reports, one far off", "0=0 5=700 9=2500 40=5", 40, .5},
		{"nearby, and walked", "0=0 1=80 2=160 3=240 4=320 8=400 12=400 16=300 40=5", 40, .5},
		{"nearby, and walked back", "0=0 5=400 9=400 13=400 16=300 17=220 18=160 19=90 20=5", 20, .5},
		{"nearby, and jumped", "0=0 1=400 2=420 4=410 8=400 12=400 16=390 17=5", 17, 0},
		{"nearby, walked, but seen four times", "0=0 1=80 2=160 3=240 4=320 40=5", 40, 0},
		{"no crossing, nothing far", "0=0 5=300 20=300 40=5", 40, 0},
		{"at home for hours", "0=0 20=30 40=10±20 240=0", 240, 0},
		{"the first report ever", "0=0", 0, 0},

		{"taken back by a report outside", far + "40=50 41=30 42=500", 42, 0},
		{"taken back by left", far + "40=entered 42=left", 42, 0},
		{"and it comes after all, soon", far + "40=entered 42=left 44=entered 45=50", 45, .5},
		{"or later", far + "40=entered 42=left 55=entered", 55, .5},
		{"a wrong position after coming home", far + "40=50 41=30 42=400 43=20", 43, .5},
		{"at the edge, on the way out", far + "39=600 40=90 41=150", 41.5, 0},
		{"at the edge, after it stood", far + "40=50 41=30 42=150", 42, .5},
		{"through the circle by bicycle", far + "39=270 40=30 41=310", 42, 0},
		{"through it, two signs", far + "39=400 40=-99±5 40.8=99±5", 40.9, 0},
		{"vague", far + "39=600 40=50±300 41=30±300", 43, 0},
		{"vague once", far + "39=600 40=50 41=500±600", 42.2, .5},

		{"the last sign while driving in does not use it up", far + "40=90 41=50 43=20 44=5", 53.9, .5},
		{"a window is ten minutes", far + "40=50 41=30", 51.1, 0},
		{"signs long after do not move it on", far + "40=50 41=30 46=5 49=5", 51.1, 0},

		{"heard four minutes late", far + "40<44=entered", 44, .5},
		{"heard six minutes late", far + "40<46=entered", 46, 0},
		{"heard late, and then at once", far + "40<46=entered 47=5 48=5", 48, 0},
		{"outside, heard hours late", "0=0 5<200=2500 7<200=2500 8<200=2500 199.9<200=5 201=5", 201, 0},
		{"outside, heard late, and then gone for long enough", "0=0 5<20=2500 7<20=2500 31=5", 31, .5},
		{"left, heard after a report", "0=0 5<9=left 8=700 20=700 40=5", 40, .5},
		{"left, heard after coming home", "0=0 8=700 20=700 40=5 5<41=left", 41, 0},
		{"out of order", far + "40=50 41=30 35<42=2500", 42, .5},
	} {
		s, _ := told(t, c.tells)
		probe := noon.Add(time.Duration(c.probe * float64(time.Minute)))
		got := 0.0
		if a := s.Stands; !probe.Before(a.Opens) && probe.Before(a.Opens.Add(10*time.Minute)) {
			got = a.Strength
		}
		if got != c.worth {
			t.Errorf("%s (%s): worth %g, want %g; %+v", c.name, c.tells, got, c.worth, s)
		}
	}
}

// TestRefused gives what is wrong by itself: nothing of it changes what is known.
func TestRefused(t *testing.T) {
	before, _ := told(t, "0=0 5=2500 9=2500")
	good := north(2500, 10, 600)
	with := func(change func(*Report)) Report {
		r := good
		change(&r)
		return r
	}
	now := good.At
	for _, c := range []struct {
		name   string
		report Report
		want   error
	}{
		{"good", good, nil},
		{"latitude 91", with(func(r *Report) { r.Latitude = 91 }), ErrPosition},
		{"longitude -180.1", with(func(r *Report) { r.Longitude = -180.1 }), ErrPosition},
		{"latitude NaN", with(func(r *Report) { r.Latitude = math.NaN() }), ErrPosition},
		{"accuracy 0", with(func(r *Report) { r.Accuracy = 0 }), ErrAccuracy},
		{"accuracy -5", with(func(r *Report) { r.Accuracy = -5 }), ErrAccuracy},
		{"accuracy 1 km", with(func(r *Report) { r.Accuracy = 1000 }), nil},
		{"accuracy 1 km and more", with(func(r *Report) { r.Accuracy = 1000.1 }), ErrAccuracy},
		{"accuracy NaN", with(func(r *Report) { r.Accuracy = math.NaN() }), ErrAccuracy},
		{"a crossing without a place", Report{Crossing: Left, NoPlace: true, At: now}, nil},
		{"of an accuracy of 5 km", Report{Crossing: Left, NoPlace: true, Accuracy: 5000, At: now}, ErrAccuracy},
		{"5 minutes ahead", with(func(r *Report) { r.At = now.Add(5 * time.Minute) }), nil},
		{"5 minutes and 1 s ahead", with(func(r *Report) { r.At = now.Add(301 * time.Second) }), ErrFuture},
		{"no time", with(func(r *Report) { r.At = time.Time{} }), ErrOld},
		{"a week old", with(func(r *Report) { r.At = now.Add(-7*24*time.Hour - 1) }), ErrOld},
		{"the same again", before.Last, ErrOrder},
		{"in another zone", with(func(r *Report) { r.At = before.Last.At.In(time.FixedZone("", 3600)) }), ErrOrder},
		{"an earlier one", north(0, 10, 500), ErrOrder},
	} {
		s, err := Step(before, c.report, home, now)
		if !errors.Is(err, c.want) {
			t.Errorf("%s: %v, want %v", c.name, err, c.want)
		}
		if err != nil && s != before {
			t.Errorf("%s: the state became %+v", c.name, s)
		}
	}
	for _, h := range []house.Home{{}, {Latitude: 91, Radius: 100}, {Radius: 19}, {Radius: 501}, {Radius: math.NaN()}} {
		if _, err := Step(State{}, good, h, now); !errors.Is(err, ErrHome) {
			t.Errorf("home %+v: %v, want %v", h, err, ErrHome)
		}
	}
}

// TestSpeed goes by train, and then faster than anything.
func TestSpeed(t *testing.T) {
	var s State
	var err error
	for i := range 60 { // 300 km/h, a report each minute
		r := north(3e5-5000*float64(i), 20, float64(60*i))
		if s, err = Step(s, r, home, r.At); err != nil {
			t.Fatalf("in a fast train: %v", err)
		}
	}
	// (111180 - 10 - 20 - 1000) / 100 = 1101.5 s for a degree
	from := north(111180, 10, 7200)
	for _, c := range []struct {
		seconds float64
		want    error
	}{{1102, nil}, {1101, ErrSpeed}} {
		s, err := Step(State{Home: home, Last: from, Fix: from, Heard: from.At,
			Trip: trip{From: noon, Outside: 5, Far: true}}, north(0, 20, 7200+c.seconds), home,
			from.At.Add(time.Duration(c.seconds)*time.Second))
		if !errors.Is(err, c.want) || (s.Stands == Arrival{}) != (c.want != nil) {
			t.Errorf("a degree in %g s: %v, %+v, want %v", c.seconds, err, s.Stands, c.want)
		}
	}
	// The owner is 20 km off and says so, while somebody makes up a way home.
	s, refused := told(t, "0=20000 5=20000 10=20000 10.5=50 11=20000 11.5=20 12=20000 12.5=5")
	if refused == 0 || s.Stands != (Arrival{}) {
		t.Errorf("%d refused, %+v", refused, s.Stands)
	}
}

// TestMadeUp is whoever has a phone's token and makes up reports, of any kind, at
// any place and date, as fast as they like. Whatever was known before, no
// arrival that counts for more than a weak one comes before the ten minutes that
// a way home takes.
func TestMadeUp(t *testing.T) {
	r := rand.New(rand.NewPCG(13, 9))
	tried, weak, later := 0, 0, 0
	for range 4000 {
		s, _ := told(t, []string{"", "0=0", "0=0 1=entered", "0=0 10=5 60=left 62=entered", "0=0 300=20"}[r.IntN(5)])
		now := noon.Add(8 * time.Hour)
		begin, turns := now, now.Add(time.Duration(r.Float64()*float64(14*time.Minute)))
		for range 40 {
			now = now.Add(time.Duration(r.Float64() * float64(45*time.Second)))
			places := []float64{0, 20, 60, 90, 160, 400, 2000, 20000}
			switch { // most of them go about it in earnest
			case r.IntN(20) == 0:
			case now.Before(turns):
				places = []float64{160, 400, 2000, 5000}
			default:
				places = []float64{0, 20, 60, 90}
			}
			m := north(places[r.IntN(len(places))], 5+r.ExpFloat64()*30, 0)
			m.At = now.Add(time.Duration((r.Float64()*4 - 3) * float64(time.Minute)))
			if r.IntN(4) == 0 {
				m.Crossing = []Crossing{Left, Entered}[r.IntN(2)]
			}
			if next, err := Step(s, m, home, now); err == nil || errors.Is(err, ErrSpeed) {
				s = next
			}
			if r.IntN(9) == 0 {
				s = Sight(s, now)
			}
			tried++
			switch {
			case s.Stands.Strength >= house.Ordinary && now.Sub(begin) < Gone:
				t.Fatalf("an arrival after %v: %+v", now.Sub(begin), s)
			case s.Stands.Strength >= house.Ordinary:
				later++
			case s.Stands.Strength > 0:
				weak++
			}
		}
	}
	if later < 50 || weak < 100 {
		t.Errorf("of %d reports %d weak, %d after ten minutes: this shows nothing", tried, weak, later)
	}
}

// The owner is at home, and the phone says so each two minutes. Dates of the
// future do not silence it, and by them nobody comes home.
func TestSilenced(t *testing.T) {
	forged := "4.9<0.5=left 6.9<2.5=2500 8.9<4.5=2500 10.9<6.5=2500 12.9<8.5=2500 14.9<10.5=2500 16.9<12.5=entered"
	s, refused := told(t, "0=0 "+forged)
	if refused > 0 || s.Stands.Strength != house.Ordinary {
		t.Fatalf("by itself it is an arrival: %+v", s.Stands)
	}
	var both []string
	for i, word := range strings.Fields(forged) {
		both = append(both, fmt.Sprintf("%d=%d", 2*i, i), word)
	}
	if s, _ = told(t, strings.Join(both, " ")); s.Stands.Strength >= house.Ordinary {
		t.Errorf("%+v", s)
	}
	// What somebody took down on the network long ago is out of order as before.
	if _, refused := told(t, "0=0 4.9<0.5=2500 0<2=0"); refused != 1 {
		t.Errorf("%d refused", refused)
	}
}

func TestHomeChanged(t *testing.T) {
	s, _ := told(t, "0=0 5=2500 9=2500 20=2500")
	r := north(2500, 10, 1800)
	moved := house.Home{Latitude: r.Latitude, Longitude: r.Longitude, Radius: 100}
	if s, err := Step(s, r, moved, r.At); s.Stands != (Arrival{}) || err != nil {
		t.Errorf("the home moved to where the phone is: %+v, %v", s.Stands, err)
	}
}

// What is kept is the same when it is read again, so that a restart is none.
func TestStateIsKept(t *testing.T) {
	var s State
	for i, word := range []string{"0=0", "5=left", "6=500", "7=2500", "20=2500", "40=50", "40.5=seen", "41=entered"} {
		kept, err := json.Marshal(s)
		if err != nil {
			t.Fatal(err)
		}
		var read State
		if err := json.Unmarshal(kept, &read); err != nil || fmt.Sprint(read) != fmt.Sprint(s) {
			t.Fatalf("%s was read as %+v, want %+v, %v", kept, read, s, err)
		}
		if len(kept) > 1500 {
			t.Errorf("a state has %d bytes", len(kept))
		}
		one, _ := told(t, strings.Join([]string{"0=0", "5=left", "6=500", "7=2500", "20=2500", "40=50", "40.5=seen",
			"41=entered"}[:i+1], " "))
		s = one
		_ = word
	}
	if s.Stands.Strength != house.Ordinary {
		t.Errorf("%+v", s.Stands)
	}
}

// FuzzStep takes any reports: it never panics, an arrival has a strength that is
// one, and none stands after a sign outside.
func FuzzStep(f *testing.F) {
	f.Add([]byte{0, 0, 0, 200, 3, 1, 9, 2, 2, 30, 90, 7})
	f.Add([]byte{1, 250, 80, 1, 250, 80, 0, 0, 60, 0, 0, 60})
	f.Fuzz(func(t *testing.T, data []byte) {
		var s State
		now := noon
		for len(data) >= 4 {
			r := north(float64(data[0])*float64(data[1])/4, float64(data[2]), 0)
			now = now.Add(time.Duration(data[3]) * 7 * time.Second)
			r.At = now.Add(-time.Duration(data[2]%16) * time.Minute)
			r.Crossing = []Crossing{"", "", Left, Entered}[data[1]%4]
			r.NoPlace = r.Crossing != "" && data[0]%2 == 0
			data = data[4:]
			next, err := Step(s, r, home, now)
			if err != nil && !errors.Is(err, ErrSpeed) && next != s {
				t.Fatalf("%v changed the state", err)
			}
			s = next
			if s.Stands != (Arrival{}) && (s.Stands.Opens.IsZero() || s.Stands.Strength != house.Ordinary &&
				s.Stands.Strength != house.Slight) {
				t.Fatalf("%+v", s.Stands)
			}
			if err == nil && r.At.Equal(s.Last.At) && Where(r, home) == Outside && s.Stands != (Arrival{}) {
				t.Fatalf("after a sign outside: %+v", s.Stands)
			}
		}
	})
}
