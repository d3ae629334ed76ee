package bell

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
)

// TestReadBounds has each number that [Read] takes before, at and after its bounds. What is rounded first is within
// them by half.
func TestReadBounds(t *testing.T) {
	for _, test := range []struct {
		field     string
		low, high float64
		want      error
	}{
		{"signal_dbm", -120, 0, ErrSignal}, {"free_bytes", 0, 1 << 40, ErrMemory},
		{"uptime_s", 0, 400 << 20, ErrUptime}, {"battery_percent", 0, 100, ErrBattery},
	} {
		for v, right := range map[float64]bool{test.low - 1: false, test.low - 0.4: true, test.low: true, test.low + 1: true,
			test.high - 1: true, test.high: true, test.high + 0.4: true, test.high + 1: false} {
			_, err := Read(fmt.Appendf(nil, `{"%s":%f}`, test.field, v), noon)
			if right && err != nil || !right && !errors.Is(err, test.want) {
				t.Errorf("%s %v: %v", test.field, v, err)
			}
		}
	}
	for n, want := range map[int]error{0: nil, 63: nil, 64: nil, 65: ErrFirmware} {
		if _, err := Read([]byte(`{"firmware":"`+strings.Repeat("é", n)+`"}`), noon); !errors.Is(err, want) {
			t.Errorf("a firmware of %d characters: %v", n, err)
		}
	}
	for n, want := range map[int]error{1023: nil, 1024: nil, 1025: ErrHeartbeat} {
		if _, err := Read([]byte(`{}`+strings.Repeat(" ", n-2)), noon); !errors.Is(err, want) {
			t.Errorf("%d bytes: %v", n, err)
		}
	}
}

// TestHeard has a battery nearly empty at 15 % and no more at 20 %, and a clock off beyond 10 seconds, three
// times in a row.
func TestHeard(t *testing.T) {
	beat := func(h *house.Health, battery *int, ahead *int64) {
		heard(h, house.Heartbeat{At: noon, Battery: battery, Ahead: ahead})
	}
	for percent, want := range map[int][2]bool{14: {true, true}, 15: {true, true}, 16: {false, true}, 19: {false, true},
		20: {false, false}, 21: {false, false}} {
		for i, low := range []bool{false, true} { // whether it was
			var h house.Health
			if low {
				h.Begin(house.BellBattery, noon)
			}
			beat(&h, &percent, nil)
			if _, has := h.Has(house.BellBattery); has != want[i] {
				t.Errorf("at %d %%, once low %v: %v", percent, low, has)
			}
		}
	}
	for ms, off := range map[int64]bool{-10001: true, -10000: false, -9999: false, 0: false, 9999: false, 10000: false,
		10001: true} {
		var h house.Health
		for n := 1; n <= 3; n++ {
			beat(&h, nil, &ms)
			if _, has := h.Has(house.BellClock); has != (off && n == 3) {
				t.Errorf("%d ms ahead for the %d. time: %v", ms, n, has)
			}
		}
		if _, has := h.Has(house.BellBattery); has {
			t.Error("a bell without a battery has an empty one")
		}
	}
}

// TestSilent has a bell quiet once more than three heartbeats' time went by that the server could hear.
func TestSilent(t *testing.T) {
	at := func(d time.Duration) time.Time { return noon.Add(d) }
	every := 5 * time.Minute
	for _, test := range []struct {
		what             string
		last, hears, now time.Duration
		interval         time.Duration // the household's
		told             time.Duration // the bell's
		want             bool
	}{
		{"before", 0, -time.Hour, 3*every - 1, 0, 0, false}, {"at", 0, -time.Hour, 3 * every, 0, 0, false},
		{"after", 0, -time.Hour, 3*every + 1, 0, 0, true},
		{"heard since before", 0, time.Minute, 3*every + time.Minute, 0, 0, false},
		{"heard since after", 0, time.Minute, 3*every + time.Minute + 1, 0, 0, true},
		{"of a time to come", 3*every + 2, 0, 3*every + 1, 0, 0, true},
		{"of now", 3*every + 1, 0, 3*every + 1, 0, 0, false},
		{"told longer, before", 0, -time.Hour, 3 * time.Hour, 0, time.Hour, false},
		{"told longer, after", 0, -time.Hour, 3*time.Hour + 1, 0, time.Hour, true},
		{"told shorter", 0, -time.Hour, 3*every + 1, 0, time.Minute, true},
		{"the household's", 0, -time.Hour, 3*time.Minute + 1, time.Minute, time.Minute, true},
		{"none is expected", 0, -time.Hour, 99 * time.Hour, -1, 0, false},
	} {
		h := house.Health{Interval: test.interval,
			Last: &house.Heartbeat{At: at(test.last), Interval: int64(test.told / time.Second)}}
		if got := silent(h, at(test.now), at(test.hears)); got != test.want {
			t.Errorf("%s: %v", test.what, got)
		}
	}
	if silent(house.Health{}, at(99*time.Hour), noon) {
		t.Error("a bell that never sent a heartbeat is quiet")
	}
}

// TestJump has the server hear anew where its clock went otherwise than time itself by more than 5 seconds.
func TestJump(t *testing.T) {
	for step, want := range map[time.Duration]bool{-5*time.Second - 1: true, -5 * time.Second: false, 0: false,
		5 * time.Second: false, 5*time.Second + 1: true} {
		now, gone := noon, time.Hour
		w := NewWatch(nil, nil, func() time.Time { return now }, func() time.Duration { return gone })
		now, gone = now.Add(time.Minute+step), gone+time.Minute
		if got, hears := w.look(); !got.Equal(now) || hears.Equal(now) != want || !want && !hears.Equal(noon) {
			t.Errorf("a jump of %v: hears since %v", step, hears)
		}
	}
}

// An almanac that was told of 21.4 degrees at noon.
type almanac struct{ at time.Time }

func (a almanac) Outside(context.Context) (float64, time.Time, error) { return 21.4, a.at, nil }

// TestNow has a temperature be good for an hour, and of a minute to come at most: clocks differ.
func TestNow(t *testing.T) {
	for age, want := range map[time.Duration]bool{-time.Minute - 1: false, -time.Minute: false, -time.Minute + 1: true,
		0: true, time.Hour - 1: true, time.Hour: false, time.Hour + 1: false} {
		v, err := Now(t.Context(), almanac{noon}, noon.Add(age), time.FixedZone("", 7200))
		if err != nil || (v.Celsius != nil) != want || v.Time != noon.Add(age+2*time.Hour).Format("15:04") {
			t.Errorf("%v old: %+v, %v", age, v, err)
		}
	}
	if v, _ := Now(t.Context(), almanac{}, time.Time{}.Add(time.Minute), time.UTC); v.Celsius != nil {
		t.Error("a temperature that nobody told of is known")
	}
}

// TestNewPage has a message on its page until before its end.
func TestNewPage(t *testing.T) {
	for d, want := range map[time.Duration]string{-1: "m", 0: "", 1: ""} {
		p := NewPage(house.UsualDisplay, house.Message{ID: "m", Text: "Coming", Until: noon}, noon.Add(d))
		if p.Message != want || strings.Contains(strings.Join(p.Lines, ""), "Coming") != (want != "") ||
			p.Until.IsZero() != (want == "") || p.Columns != 20 || p.Rows != 4 {
			t.Errorf("%v after its end: %+v", d, p)
		}
	}
	if p := NewPage(house.UsualDisplay, house.Message{Text: "Coming", Until: noon}, noon.Add(-1)); p.Message != "" ||
		strings.TrimSpace(strings.Join(p.Lines, "")) != "" {
		t.Errorf("of no message: %+v", p)
	}
	a, same, b := Page{Message: "a"}, Page{Message: "a"}, Page{Message: "b"}
	if a.Tag() == b.Tag() || a.Tag() != same.Tag() || len(a.Tag()) != 18 { // 12 bytes of base64 in quotes
		t.Errorf("tags %s, %s, %s", a.Tag(), same.Tag(), b.Tag())
	}
}

// TestFillRounds has degrees rounded, and zero without a sign.
func TestFillRounds(t *testing.T) {
	for c, want := range map[float64]string{-0.6: "-1", -0.5: "-1", -0.4: "0", 0: "0", 0.4: "0", 0.5: "1", 21.5: "22",
		math.Copysign(0, -1): "0"} {
		if got := Fill("{temperature}", Values{Celsius: &c}); got != want {
			t.Errorf("%v: %q", c, got)
		}
	}
}

// TestSurelyKnown has one person, matched strongly, with no sign of a picture on any face.
func TestSurelyKnown(t *testing.T) {
	face := func(person, band string, level house.LivenessLevel) house.Face {
		f := house.Face{Liveness: &house.Liveness{Level: level}}
		if person != "" {
			f.Match = &house.Match{Person: person, Band: band}
		}
		return f
	}
	denied := face("ada", "strong", house.NoSign)
	denied.Said = &house.Said{Answer: house.AnswerNo}
	unjudged := face("ada", "strong", "")
	unjudged.Liveness = nil
	ada := face("ada", "strong", house.NoSign)
	for _, test := range []struct {
		faces []house.Face
		want  string
	}{
		{nil, ""}, {[]house.Face{ada}, "ada"}, {[]house.Face{ada, ada}, "ada"}, {[]house.Face{unjudged}, "ada"},
		{[]house.Face{face("ada", "fair", house.NoSign)}, ""}, {[]house.Face{ada, face("bo", "fair", house.NoSign)}, "ada"},
		{[]house.Face{ada, face("bo", "strong", house.NoSign)}, ""}, {[]house.Face{face("", "", house.NoSign), ada}, "ada"},
		{[]house.Face{ada, face("", "", house.Doubtful)}, ""}, {[]house.Face{face("ada", "strong", house.Picture)}, ""},
		{[]house.Face{denied}, ""},
	} {
		if got := surelyKnown(house.Visit{Stills: []house.Still{{Faces: test.faces}}}); got.Person != test.want {
			t.Errorf("%+v: %q, want %q", test.faces, got.Person, test.want)
		}
	}
}

// TestChoose takes the first rule that is on and fits, in the order known, away, quiet, parcel, greeting.
func TestChoose(t *testing.T) {
	on := func(names ...house.MessageRuleName) house.MessageRules {
		r := house.MessageRules{Rules: make(map[house.MessageRuleName]house.MessageRule)}
		for _, n := range names {
			r.Rules[n] = house.MessageRule{On: true}
		}
		return r
	}
	all := on(house.MessageRuleNames...)
	timely := on(house.MessageKnown, house.MessageQuiet, house.MessageParcel, house.MessageGreeting)
	for _, test := range []struct {
		rules house.MessageRules
		s     situation
		want  house.MessageRuleName
	}{
		{all, situation{known: true, quiet: true, parcel: true}, house.MessageKnown}, {all, situation{}, house.MessageAway},
		{timely, situation{quiet: true, parcel: true}, house.MessageQuiet},
		{timely, situation{parcel: true}, house.MessageParcel},
		{timely, situation{}, house.MessageGreeting}, {on(house.MessageQuiet), situation{known: true, parcel: true}, ""},
		{on(), situation{known: true, quiet: true, parcel: true}, ""},
	} {
		if got, fits := choose(test.rules, test.s); got != test.want || fits != (test.want != "") {
			t.Errorf("%+v: %q, %v, want %q", test.s, got, fits, test.want)
		}
	}
}

// TestStoredBounds has 10,000 stills at most wait to be written down, a ring of each bell counted once.
func TestStoredBounds(t *testing.T) {
	w := NewWatch(nil, nil, func() time.Time { return noon }, func() time.Duration { return 0 })
	for range 2 {
		w.Stored("gate", "r1", time.Second, true)
		w.Stored("yard", "r1", time.Second, false)
	}
	rings := 0
	for i, c := range w.came {
		rings += c.Rings
		if c.Stills != 1 || c.Damaged != 1-i%2 || c.Upload != time.Second || c.Slowest != time.Second {
			t.Errorf("%+v", c)
		}
	}
	if rings != 2 {
		t.Errorf("%d rings", rings)
	}
	for n := len(w.came) + 1; n <= 10_002; n++ {
		w.Stored("gate", "r1", 0, false)
		if got := len(w.came); got != min(n, 10_000) {
			t.Fatalf("of %d stills %d wait", n, got)
		}
	}
}
