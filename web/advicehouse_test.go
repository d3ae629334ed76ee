package web

import (
	"fmt"
	"maps"
	"math/rand/v2"
	"net/http"
	"net/url"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/advice/policy"
	"lintel/web/view"
)

func (h *household) adviceRules() house.AdviceRules {
	h.t.Helper()
	rules, err := h.archive.AdviceRules(h.t.Context())
	if err != nil {
		h.t.Fatal(err)
	}
	return rules
}

func TestPause(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	before := h.adviceRules()
	for _, page := range []string{"/rules", "/rules/advice"} {
		h.get(page, in).is(200).says("Pause all suggestions").says(`name="paused" value="true"`)
		h.post("/rules/advice/pause", url.Values{"paused": {"true"}}, in).is(http.StatusSeeOther)
		h.post("/rules/advice/pause", url.Values{"paused": {"true"}}, in).is(http.StatusSeeOther)
		h.get(page, in).is(200).says("All suggestions are paused.").says("Allow suggestions again").
			says(`name="paused" value="false"`)
		if now := h.adviceRules(); !now.Paused {
			t.Error("not paused")
		}
		h.post("/rules/advice/pause", url.Values{"paused": {"false"}}, in).is(http.StatusSeeOther)
	}
	for _, bad := range []url.Values{nil, {"paused": {""}}, {"paused": {"maybe"}}} {
		h.post("/rules/advice/pause", bad, in).isProblem(400, "bad-form")
	}
	if after := h.adviceRules(); !reflect.DeepEqual(before, after) {
		t.Errorf("after all %+v", after)
	}
	h.get("/upkeep/trail", in).is(200).says("changed the household’s rules for letting in")
	if n := strings.Count(string(h.get("/upkeep/trail", in).body), "rules for letting in"); n != 4 {
		t.Errorf("%d changes in the trail, want 4: pausing what is paused is none", n)
	}
}

// typedAway has a household in Lisbon go away, and say all that it can.
var typedAway = url.Values{"away_until": {"2031-06-01T18:00"}, "parcels_while_away": {"true"}, "window": {"2,5"},
	"expiry": {"90"}, "misses": {"4"}, "wait": {"120"},
	"holidays": {"2031-12-25\r\n2031-06-10, 2031-06-10;2030-01-01"}, "latitude": {"48,5"}, "longitude": {"−9.25"},
	"radius": {"80"}}

func TestHouseOnPage(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	h.ask("PUT", "/api/v1/rules", strings.NewReader(sentRules), in).is(200) // Lisbon
	h.post("/rules/advice/pause", url.Values{"paused": {"true"}}, in).is(http.StatusSeeOther)
	h.get("/rules/advice/house", in).is(200).says("It leaves the house only in sealed backups").
		says("the clock of Europe/Lisbon").
		says(`name="window" value="10"`).says(`name="expiry" value="60"`)
	h.get(h.fill("/rules/advice/house", typedAway, in).is(http.StatusSeeOther).Header.Get("Location"), in).is(200).
		says("The household is away until Sunday 1 June, 18:00. Nobody may be let in until then.").
		says("parcels may be left all the same").
		says("counts for 2 minutes and 30 seconds.").says("A suggestion holds for 1 minute and 30 seconds.").
		says("After 4 failed attempts by one person within an hour, nothing is suggested for them for 2 hours.").
		says("2 holidays are to come. The next is Tuesday 10 June.").says("within 80 metres of the house").
		says("All suggestions are paused.")
	// Lisbon keeps summer time in June: an hour ahead of UTC (tz database, Rule EU).
	want := house.AdviceRules{Paused: true, AwayUntil: time.Date(2031, 6, 1, 17, 0, 0, 0, time.UTC),
		ParcelsWhileAway: true, Window: 150 * time.Second, Expiry: 90 * time.Second,
		Misses: 4, Wait: 2 * time.Hour, Holidays: []string{"2030-01-01", "2031-06-10", "2031-12-25"},
		Home: &house.Home{Latitude: 48.5, Longitude: -9.25, Radius: 80}}
	got := h.adviceRules()
	if !got.AwayUntil.Equal(want.AwayUntil) {
		t.Errorf("away until %s", got.AwayUntil)
	}
	got.AwayUntil = want.AwayUntil
	if !reflect.DeepEqual(got, want) {
		t.Errorf("kept %+v", got)
	}
	h.get("/rules", in).is(200).says("All suggestions are paused.")
	h.post("/rules/advice/pause", url.Values{"paused": {"false"}}, in).is(http.StatusSeeOther)
	h.get("/rules", in).is(200).says("The household is away. Nobody may be let in.")

	// Home is forgotten, and the household back, by empty fields.
	h.fill("/rules/advice/house", url.Values{"window": {"5"}, "expiry": {"60"}, "misses": {"3"}, "wait": {"15"}}, in).
		is(http.StatusSeeOther)
	if after := h.adviceRules(); after.Home != nil || !after.AwayUntil.IsZero() || after.ParcelsWhileAway ||
		len(after.Holidays) != 0 {
		t.Errorf("left %+v", after)
	}
	h.get("/rules/advice", in).is(200).says("The household is not away.").says("can’t tell that a phone came home").
		says("No holiday is to come.")
}

// TestWrongHouseOnPage has each thing wrong that can be.
func TestWrongHouseOnPage(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	h.ask("PUT", "/api/v1/rules", strings.NewReader(sentRules), in).is(200) // Lisbon
	h.fill("/rules/advice/house", typedAway, in).is(http.StatusSeeOther)
	before := h.adviceRules()
	for _, test := range []struct{ field, value, says string }{
		{"away_until", "tomorrow", "Choose a date and a time that exist."},
		{"away_until", "2031-05-04T18:00", "That is over already."},
		// Lisbon's clock goes from 01:00 to 02:00 that day (tz database, Rule EU: last Sunday of March at 1:00 UTC).
		{"away_until", "2032-03-28T01:30", "Choose a date and a time that exist."},
		{"window", "0.9", "An arrival counts for 1 to 15 minutes."}, {"window", "16", "1 to 15 minutes"},
		{"window", "", "1 to 15 minutes"}, {"window", "1e300", "1 to 15 minutes"},
		{"expiry", "14", "A suggestion holds for 15 seconds to 5 minutes."}, {"expiry", "301", "15 seconds to 5 minutes"},
		{"expiry", "-60", "15 seconds to 5 minutes"},
		{"misses", "0", "A wait begins after 1 to 10 failed attempts."}, {"misses", "11", "1 to 10 failed attempts"},
		{"misses", "2.5", "1 to 10 failed attempts"}, {"misses", "1e30", "1 to 10 failed attempts"},
		{"wait", "0", "A wait lasts 1 minute to 24 hours."}, {"wait", "1441", "1 minute to 24 hours"},
		{"wait", "NaN", "1 minute to 24 hours"},
		{"holidays", "2031-02-29", "&#34;2031-02-29&#34;: a holiday is a date such as 2027-01-01."},
		{"holidays", "Christmas", "a holiday is a date"},
		{"latitude", "91", "A home has a latitude, a longitude and a radius"},
		{"longitude", "-181", "a radius of 20 to 500 metres"}, {"radius", "19", "a radius of 20 to 500 metres"},
		{"radius", "", "a radius of 20 to 500 metres"}, {"latitude", "north", "a radius of 20 to 500 metres"},
		{"longitude", "Inf", "a radius of 20 to 500 metres"},
	} {
		bad := maps.Clone(typedAway)
		bad.Set(test.field, test.value)
		a := h.fill("/rules/advice/house", bad, in).is(422).says(test.says).says("Nothing was saved.")
		if n := strings.Count(string(a.body), `class="fault" id=`); n != 1 {
			t.Errorf("%s=%s is told %d times", test.field, test.value, n)
		}
	}
	// All that is wrong is told at once.
	a := h.fill("/rules/advice/house", url.Values{"holidays": {"x"}, "radius": {"1"}}, in).is(422)
	if n := strings.Count(string(a.body), `class="fault" id=`); n != 6 {
		t.Errorf("%d of 6 faults are told", n)
	}
	if after := h.adviceRules(); !reflect.DeepEqual(before, after) {
		t.Errorf("wrong forms left %+v", after)
	}
}

func TestHouseByAPI(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	put := func(body string) *answer { return h.ask("PUT", "/api/v1/advice/rules", strings.NewReader(body), in) }
	first := strings.TrimSpace(string(h.get("/api/v1/advice/rules", in).is(200).body))
	if want := `{"paused":false,"away_until":null,"parcels_while_away":false,"window_s":600,"expiry_s":60,` +
		`"misses":3,"wait_s":900,"holidays":[],"home":null}`; first != want {
		t.Errorf("at first %s", first)
	}
	if got := strings.TrimSpace(string(put(sentHouse).is(200).body)); got != sentHouse {
		t.Errorf("sent %s, answered %s", sentHouse, got)
	}
	for _, bad := range []struct{ old, new string }{
		{`"paused":false,`, ``}, {`"window_s":300`, `"window_s":59`}, {`"window_s":300`, `"window_s":18446744073`},
		{`"expiry_s":60`, `"expiry_s":301`}, {`"misses":3`, `"misses":0`},
		{`"wait_s":900`, `"wait_s":86401`}, {`"2031-12-25"`, `"25.12.2031"`}, {`48.5`, `148.5`},
		{`"radius_m":80`, `"radius_m":1`}, {`"away_until":null`, `"away_until":"0001-01-01T00:00:00Z"`},
	} {
		changed := strings.Replace(sentHouse, bad.old, bad.new, 1)
		if changed == sentHouse {
			t.Fatalf("%s is not there", bad.old)
		}
		put(changed).isProblem(422, "bad-advice-rules")
	}
	for _, bad := range []string{``, `[]`, `{"pause":true}`, `{"window_s":"5m"}`} {
		put(bad).isProblem(400, "bad-body")
	}
	if got := strings.TrimSpace(string(h.get("/api/v1/advice/rules", in).is(200).body)); got != sentHouse {
		t.Errorf("after bad bodies %s", got)
	}
}

// TestHouseFormRoundTrip writes rules into the form and reads them back.
func TestHouseFormRoundTrip(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	zone, err := time.LoadLocation("Europe/Lisbon")
	if err != nil {
		t.Fatal(err)
	}
	at := view.Presenter{Zone: zone, Now: time.Date(2031, 5, 4, 18, 30, 0, 0, time.UTC)}
	for range 2000 {
		h := house.AdviceRules{Paused: random.IntN(2) == 0, ParcelsWhileAway: random.IntN(2) == 0,
			Window: time.Duration(60+random.IntN(841)) * time.Second,
			Expiry: time.Duration(15+random.IntN(286)) * time.Second, Misses: 1 + random.IntN(10),
			Wait: time.Duration(60+random.IntN(86341)) * time.Second, Holidays: []string{}}
		for range random.IntN(5) {
			h.Holidays = append(h.Holidays,
				fmt.Sprintf("20%02d-%02d-%02d", random.IntN(100), 1+random.IntN(12), 1+random.IntN(28)))
		}
		slices.Sort(h.Holidays)
		h.Holidays = slices.Compact(h.Holidays)
		if random.IntN(2) == 0 {
			h.Home = &house.Home{Latitude: float64(random.IntN(180e6)-90e6) / 1e6,
				Longitude: float64(random.IntN(360e6)-180e6) / 1e6, Radius: float64(200+random.IntN(4800)) / 10}
		}
		if random.IntN(2) == 0 {
			h.AwayUntil = at.Now.Add(time.Duration(1+random.IntN(1e6)) * time.Minute)
		}
		got, wrong := readHouse(houseForm(h, at), house.AdviceRules{Paused: h.Paused}, at)
		// A clock that is put back shows an hour twice: either is right.
		if d := got.AwayUntil.Sub(h.AwayUntil).Abs(); d == time.Hour && got.AwayUntil.In(zone).
			Format(view.Minute) == h.AwayUntil.In(zone).Format(view.Minute) || d == 0 {
			got.AwayUntil = h.AwayUntil
		}
		if len(wrong) > 0 || !reflect.DeepEqual(got, h) {
			t.Fatalf("%+v\nbecame %+v\nwrong %v", h, got, wrong)
		}
	}
}

// FuzzHouseForm reads whatever a form can hold. Rules that nothing is said
// against can be followed.
func FuzzHouseForm(f *testing.F) {
	for _, form := range []string{typedHouse, "",
		"window=1e999&expiry=+15&misses=0x3&wait=15&away_until=2031-06-01T18:00",
		"latitude=1&longitude=2&radius=20&window=1&expiry=15&misses=1&wait=1"} {
		f.Add(form)
	}
	at := view.Presenter{Zone: time.UTC, Now: time.Date(2031, 5, 4, 18, 30, 0, 0, time.UTC)}
	f.Fuzz(func(t *testing.T, text string) {
		values, err := url.ParseQuery(text)
		if err != nil {
			return
		}
		rules, wrong := readHouse(postedForm{values}, house.DefaultAdviceRules(), at)
		if len(wrong) > 0 {
			return
		}
		if faults := policy.CheckAdviceRules(rules); len(faults) > 0 || !rules.AwayUntil.IsZero() &&
			!rules.AwayUntil.After(at.Now) {
			t.Errorf("%q became %+v: %v", text, rules, faults)
		}
	})
}
