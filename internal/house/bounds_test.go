package house

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"
	"time"
)

// TestPeriodBounds has ten years, 3660 days, as the longest period, and one hour or day as the shortest.
func TestPeriodBounds(t *testing.T) {
	for _, test := range []struct {
		period Period
		want   string
		text   string
	}{
		{Period{}, "period-none", "0h"}, {Period{Hours: -1}, "period-none", "-1h"}, {Period{Days: -1}, "period-none", "0h"},
		{Period{Hours: -1, Days: 1}, "period-none", "1d"}, {Period{Hours: 1, Days: -1}, "period-none", "1h"},
		{Period{Hours: 1}, "", "1h"}, {Period{Days: 1}, "", "1d"}, {Period{Hours: 1, Days: 1}, "period-both", "1d"},
		{Period{Days: 3659}, "", "3659d"}, {Period{Days: 3660}, "", "3660d"}, {Period{Days: 3661}, "period-long", "3661d"},
		{Period{Hours: 87839}, "", "87839h"}, {Period{Hours: 87840}, "", "87840h"},
		{Period{Hours: 87841}, "period-long", "87841h"},
	} {
		hasCode(t, test.period, test.period.check(), ErrBadRule, test.want)
		if got := test.period.String(); got != test.text {
			t.Errorf("%+v is written %q, want %q", test.period, got, test.text)
		}
	}
	for p, want := range map[Period]int{{Hours: 5}: 5, {Days: 1}: 24, {Days: 2}: 48} {
		if got := p.AtLeastHours(); got != want {
			t.Errorf("%s is at least %d hours", p, got)
		}
	}
}

// TestPeriodText has no period as "", and reads what it writes.
func TestPeriodText(t *testing.T) {
	for text, want := range map[string]Period{"": {}, "1h": {Hours: 1}, "1d": {Days: 1}} {
		p := Period{Hours: 7}
		if err := p.UnmarshalText([]byte(text)); err != nil || p != want {
			t.Errorf("%q is %+v, %v", text, p, err)
		}
		if got, err := want.MarshalText(); err != nil || string(got) != text {
			t.Errorf("%+v is written %q, %v", want, got, err)
		}
	}
	var p Period
	hasCode(t, "0d", p.UnmarshalText([]byte("0d")), ErrBadRule, "period-none")
}

// TestDayTimeText writes times of the day by ISO 8601, hours and minutes with a colon.
func TestDayTimeText(t *testing.T) {
	for text, want := range map[string]DayTime{"00:00": 0, "00:01": 1, "00:59": 59, "01:00": 60, "09:07": 547,
		"12:30": 750, "23:59": 1439} {
		var d DayTime
		if err := d.UnmarshalText([]byte(text)); err != nil || d != want || d.String() != text {
			t.Errorf("%q is %d, %v; %q", text, d, err, d)
		}
		if got, err := want.MarshalText(); err != nil || string(got) != text {
			t.Errorf("%d is written %q, %v", want, got, err)
		}
	}
	for _, text := range []string{"24:00", "23:60", "9", "", "-1:00"} {
		var d DayTime
		hasCode(t, text, d.UnmarshalText([]byte(text)), ErrBadRule, "day-time")
	}
}

// TestQuietCheck has a quiet time on one to seven days, each from Sunday to Saturday, within a day of 1440 minutes.
func TestQuietCheck(t *testing.T) {
	all := []time.Weekday{0, 1, 2, 3, 4, 5, 6}
	for _, test := range []struct {
		quiet Quiet
		want  string
	}{
		{Quiet{nil, 60, 120}, "quiet-days"}, {Quiet{all[:1], 60, 120}, ""}, {Quiet{all[:2], 60, 120}, ""},
		{Quiet{all[:6], 60, 120}, ""}, {Quiet{all, 60, 120}, ""},
		{Quiet{append(slices.Clone(all), 0), 60, 120}, "quiet-days"},
		{Quiet{[]time.Weekday{-1}, 60, 120}, "quiet-weekday"}, {Quiet{[]time.Weekday{0}, 60, 120}, ""},
		{Quiet{[]time.Weekday{6}, 60, 120}, ""}, {Quiet{[]time.Weekday{7}, 60, 120}, "quiet-weekday"},
		{Quiet{all, -1, 120}, "day-time-bounds"}, {Quiet{all, 0, 120}, ""}, {Quiet{all, 1, 120}, ""},
		{Quiet{all, 1439, 120}, ""}, {Quiet{all, 1440, 120}, "day-time-bounds"},
		{Quiet{all, 60, -1}, "day-time-bounds"}, {Quiet{all, 60, 0}, ""}, {Quiet{all, 60, 1439}, ""},
		{Quiet{all, 60, 1440}, "day-time-bounds"}, {Quiet{all, 60, 60}, ""},
	} {
		hasCode(t, test.quiet, test.quiet.Check(), ErrBadRule, test.want)
	}
	for n, want := range map[int]string{99: "", 100: "", 101: "quiet-many"} {
		rules := DefaultRules()
		rules.Quiet = slices.Repeat([]Quiet{{all, 60, 120}}, n)
		hasCode(t, n, rules.CheckQuiet(), ErrBadRule, want)
	}
	rules := DefaultRules()
	rules.Quiet = []Quiet{{all, 60, 120}, {nil, 60, 120}}
	var in FaultIn
	if err := rules.Check(); !errors.As(err, &in) || in.What != "quiet" || in.Which != 2 {
		t.Errorf("%+v", err)
	}
}

// TestQuietEveryDay goes through a week by hand: a time of all seven days, one that lasts a whole
// day, and one into the next week.
func TestQuietEveryDay(t *testing.T) {
	sunday := time.Date(2026, 11, 22, 0, 0, 0, 0, time.UTC)
	all := []time.Weekday{0, 1, 2, 3, 4, 5, 6}
	for day := range 7 {
		for minute, want := range map[int]bool{0: false, 599: false, 600: true, 601: true, 659: true, 660: false} {
			at := sunday.AddDate(0, 0, day).Add(time.Duration(minute)*time.Minute + 59*time.Second)
			if got := quietAt([]Quiet{{all, 600, 660}}, at); got != want {
				t.Errorf("on every day, %s: %v", at, got)
			}
		}
		for minute, want := range map[int]bool{0: true, 359: true, 360: false, 1319: false, 1320: true, 1439: true} {
			at := sunday.AddDate(0, 0, day).Add(time.Duration(minute) * time.Minute)
			if got := quietAt([]Quiet{{all, 1320, 360}}, at); got != want {
				t.Errorf("on every night, %s: %v", at, got)
			}
		}
		yesterday := time.Weekday((day + 6) % 7)
		at := sunday.AddDate(0, 0, day).Add(6*time.Hour - time.Minute)
		for begins := range time.Weekday(7) {
			if got := quietAt([]Quiet{{[]time.Weekday{begins}, 1320, 360}}, at); got != (begins == yesterday) {
				t.Errorf("a night that begins on %s, on the morning of %s: %v", begins, at.Weekday(), got)
			}
		}
	}
	if quietAt(nil, sunday) {
		t.Error("quiet without a quiet time")
	}
}

// TestRuleCheck has findings as long as stills or longer, and smaller stills before they go.
func TestRuleCheck(t *testing.T) {
	h := func(n int) Period { return Period{Hours: n} }
	for _, test := range []struct {
		rule Rule
		want string
	}{
		{Rule{Stills: h(10), Findings: h(9)}, "rule-entry-sooner"}, {Rule{Stills: h(10), Findings: h(10)}, ""},
		{Rule{Stills: h(10), Findings: h(11)}, ""},
		{Rule{Smaller: h(9), Stills: h(10), Findings: h(10)}, ""},
		{Rule{Smaller: h(10), Stills: h(10), Findings: h(10)}, "rule-smaller-later"},
		{Rule{Smaller: h(11), Stills: h(10), Findings: h(12)}, "rule-smaller-later"},
		{Rule{Stills: Period{Days: 3}, Findings: h(71)}, "rule-entry-sooner"},
		{Rule{Stills: Period{Days: 3}, Findings: h(72)}, ""},
		{Rule{Stills: h(10)}, "period-none"}, {Rule{Findings: h(10)}, "period-none"},
		{Rule{Smaller: h(-1), Stills: h(10), Findings: h(10)}, "period-none"},
	} {
		hasCode(t, test.rule, test.rule.Check(), ErrBadRule, test.want)
	}
}

// TestSchedule works out by hand what becomes of a visit at each stage, and with a hold that ends
// before, at and after.
func TestSchedule(t *testing.T) {
	began := time.Date(2031, 5, 6, 7, 8, 9, 0, time.UTC)
	after := func(h int) time.Time { return began.Add(time.Duration(h) * time.Hour) }
	h := func(n int) Period { return Period{Hours: n} }
	rules := DefaultRules()
	rules.Zone = "Etc/UTC"
	rules.Keep[Stranger] = Rule{Smaller: h(1), Stills: h(2), Findings: h(3)}
	rules.Keep[NoFace] = Rule{Stills: h(5), Findings: h(5)}
	none := time.Time{}
	for _, test := range []struct {
		kind                  Kind
		stage                 Stage
		hold                  time.Time
		smaller, stills, goes time.Time
	}{
		{Stranger, Whole, none, after(1), after(2), after(3)},
		{Stranger, Smaller, none, none, after(2), after(3)},
		{Stranger, OnlyFindings, none, none, none, after(3)},
		{NoFace, Whole, none, none, none, after(5)},
		{Looking, Whole, none, none, after(2), after(3)}, // as a stranger's, but made no smaller
		{Stranger, Whole, after(2).Add(-1), after(2).Add(-1), after(2), after(3)},
		{Stranger, Whole, after(2), after(2), after(2), after(3)},
		{Stranger, Whole, after(2).Add(1), after(2).Add(1), after(2).Add(1), after(3)},
		{Stranger, OnlyFindings, after(9), none, none, after(9)},
		{NoFace, Whole, after(4), none, none, after(5)},
	} {
		v := Visit{Kind: test.kind, Stage: test.stage, CountedFrom: began, ReceivedAt: after(-9)}
		if !test.hold.IsZero() {
			v.Hold = &Hold{EndsAt: test.hold}
		}
		got := rules.Schedule(v)
		rule := test.kind
		if rule == Looking {
			rule = Stranger
		}
		if got != (Schedule{SmallerAt: test.smaller, StillsAt: test.stills, GoesAt: test.goes, Rule: rule,
			Period: rules.Keep[rule].Findings, HeldUntil: test.hold}) {
			t.Errorf("%+v: %+v", test, got)
		}
	}
}

// TestDisplayCheck has a display of 8 to 40 columns and 1 to 4 rows, as Display says.
func TestDisplayCheck(t *testing.T) {
	for _, test := range []struct {
		columns, rows int
		rom           ROM
		want          string
	}{
		{7, 2, ROMA00, "display-columns"}, {8, 2, ROMA00, ""}, {9, 2, ROMA00, ""},
		{39, 2, ROMA02, ""}, {40, 2, ROMA02, ""}, {41, 2, ROMA02, "display-columns"},
		{16, 0, ROMA00, "display-rows"}, {16, 1, ROMA00, ""}, {16, 4, ROMA00, ""}, {16, 5, ROMA00, "display-rows"},
		{16, 2, "", "display-rom"}, {16, 2, "A01", "display-rom"},
	} {
		hasCode(t, test, Display{test.columns, test.rows, test.rom}.Check(), ErrBadDisplay, test.want)
	}
	if UsualDisplay != (Display{20, 4, ROMA00}) {
		t.Errorf("usual is %+v", UsualDisplay)
	}
}

// TestChimeBounds has a volume of 0 to 100, and a night within a day.
func TestChimeBounds(t *testing.T) {
	for _, test := range []struct {
		chime Chime
		want  string
	}{
		{Chime{-1, 0, 0}, "chime-volume"}, {Chime{0, 0, 0}, ""}, {Chime{1, 0, 0}, ""}, {Chime{99, 0, 0}, ""},
		{Chime{100, 0, 0}, ""}, {Chime{101, 0, 0}, "chime-volume"},
		{Chime{1, -1, 0}, "day-time-bounds"}, {Chime{1, 1439, 0}, ""}, {Chime{1, 1440, 0}, "day-time-bounds"},
		{Chime{1, 0, -1}, "day-time-bounds"}, {Chime{1, 0, 1439}, ""}, {Chime{1, 0, 1440}, "day-time-bounds"},
	} {
		hasCode(t, test.chime, test.chime.Check(), ErrBadRule, test.want)
	}
	if got := DefaultChime(); got.From.String() != "22:00" || got.Until.String() != "07:00" || got.Volume != 60 {
		t.Errorf("by default %+v", got)
	}
}

// TestNameLength has names of 1 to as many characters as may be.
func TestNameLength(t *testing.T) {
	for n, want := range map[int]error{0: ErrNameLength, 1: nil, 4: nil, 5: nil, 6: ErrNameLength} {
		if err := CheckName(strings.Repeat("ü", n), 5); !errors.Is(err, want) {
			t.Errorf("%d: %v", n, err)
		}
	}
}

// TestMaskBounds has the still's border as a place of a mask, beyond it none, and a millionth of the still as
// the smallest mask.
func TestMaskBounds(t *testing.T) {
	for _, test := range []struct {
		x, y float64
		want string
	}{
		{0, 0.5, ""}, {1, 0.5, ""}, {0.5, 0, ""}, {0.5, 1, ""},
		{math.Nextafter(0, -1), 0.5, "corner-outside"}, {math.Nextafter(1, 2), 0.5, "corner-outside"},
		{0.5, math.Nextafter(0, -1), "corner-outside"}, {0.5, math.Nextafter(1, 2), "corner-outside"},
	} {
		hasCode(t, test, Polygon{{test.x, test.y}, {0.3, 0.4}, {0.4, 0.3}}.Check(), ErrBadMask, test.want)
	}
	// Of a triangle half the product of its legs.
	for half, want := range map[float64]string{0.9e-6: "mask-tiny", 1.1e-6: ""} {
		leg := math.Sqrt(2 * half)
		hasCode(t, half, Polygon{{0, 0}, {leg, 0}, {0, leg}}.Check(), ErrBadMask, want)
	}
}

// TestDiskFullBounds has a disk be full in ten years at most, to the hour, and a mean be of the last 14 days.
func TestDiskFullBounds(t *testing.T) {
	begin := time.Date(2031, 5, 1, 0, 0, 0, 0, time.UTC)
	day := func(n int, bytes int64) DiskDay { return DiskDay{begin.AddDate(0, 0, n), bytes} }
	for _, test := range []struct {
		days   []DiskDay
		full   int64
		perDay float64
		after  time.Duration // of the last day; -1 for never
	}{
		{[]DiskDay{day(0, 0), day(1, 2)}, 5, 2, 36 * time.Hour}, {[]DiskDay{day(0, 0), day(1, 2)}, 2, 2, 0},
		{[]DiskDay{day(0, 0), day(1, 2)}, 1, 2, 0}, {[]DiskDay{day(0, 0), day(2, 2)}, 3, 1, 24 * time.Hour},
		{[]DiskDay{day(0, 0), day(1, 1)}, 1 + 3652, 1, 3652 * 24 * time.Hour},
		{[]DiskDay{day(0, 0), day(1, 1)}, 1 + 3653, 1, 3653 * 24 * time.Hour},
		{[]DiskDay{day(0, 0), day(1, 1)}, 1 + 3654, 1, -1}, {[]DiskDay{day(0, 1), day(1, 1)}, 9, 0, -1},
		{[]DiskDay{day(0, 0), day(1, 0), day(14, 14)}, 15, 1, 24 * time.Hour},
		{[]DiskDay{day(0, 0), day(1, 1), day(15, 29)}, 31, 2, 24 * time.Hour},
	} {
		perDay, at, known := DiskFull(test.days, test.full)
		want := test.days[len(test.days)-1].Day.Add(test.after)
		if test.after < 0 {
			want = time.Time{}
		}
		if !known || perDay != test.perDay || !at.Equal(want) {
			t.Errorf("%+v: %v a day, full at %v, want %v", test, perDay, at, want)
		}
	}
}
