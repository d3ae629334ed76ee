package house

import (
	"errors"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"
)

// hasCode checks that a fault is of a kind and says a code, or that there is none.
func hasCode(t *testing.T, what any, err, of error, code string) {
	t.Helper()
	var f Fault
	if code == "" && err != nil || code != "" && (!errors.As(err, &f) || f.Code != code || !errors.Is(err, of)) {
		t.Errorf("%v: %v, want %q", what, err, code)
	}
}

// TestMessageTextCheck has each bound of a text that the API's document states:
// 1 to 200 characters, shown for 5 to 600 seconds, with the places time, temperature and minutes.
func TestMessageTextCheck(t *testing.T) {
	for _, test := range []struct {
		text    string
		seconds int
		want    string
	}{
		{"Coming", 4, "message-seconds"}, {"Coming", 5, ""}, {"Coming", 6, ""},
		{"Coming", 599, ""}, {"Coming", 600, ""}, {"Coming", 601, "message-seconds"},
		{"Coming", 0, "message-seconds"}, {"Coming", -5, "message-seconds"},
		{"", 5, "message-empty"}, {" \n\t", 5, "message-empty"}, {"!", 5, ""},
		{strings.Repeat("ä", 199), 5, ""}, {strings.Repeat("ä", 200), 5, ""},
		{strings.Repeat("ä", 201), 5, "message-long"}, {"Coming\xff", 5, "message-long"},
		{"{time}, {temperature}, {minutes}", 5, ""},
		{"It is {time} and {name}", 5, "message-name"}, {"{Time}", 5, "message-place"}, {"{}", 5, "message-place"},
		{"{time", 5, "message-brace"}, {"time}", 5, "message-brace"}, {"{time} {", 5, "message-brace"},
	} {
		hasCode(t, test, MessageText{test.text, test.seconds}.Check(), ErrBadMessage, test.want)
	}
}

// TestPlaces takes places as they stand in a text, in their order.
func TestPlaces(t *testing.T) {
	if got := Places("{time}: {minutes} minutes, {x}"); !slices.Equal(got, []Place{PlaceTime, PlaceMinutes, "x"}) {
		t.Errorf("%q", got)
	}
	got := FillIn("{time}: {minutes}, {}", func(p Place) string { return "<" + string(p) + ">" })
	if got != "<time>: <minutes>, <>" {
		t.Errorf("%q", got)
	}
}

// TestMessageRulesCheck has a list of 12 texts at most, a rule of each name, and a name in the rule known alone.
func TestMessageRulesCheck(t *testing.T) {
	texts := func(n int) []MessageText { return slices.Repeat([]MessageText{{"Coming", 30}}, n) }
	rules := make(map[MessageRuleName]MessageRule)
	for _, name := range MessageRuleNames {
		rules[name] = MessageRule{MessageText: MessageText{"It is {time}, {temperature}", 30}}
	}
	with := func(name MessageRuleName, text string) map[MessageRuleName]MessageRule {
		other := maps.Clone(rules)
		other[name] = MessageRule{MessageText: MessageText{text, 30}}
		return other
	}
	fewer := maps.Clone(rules)
	delete(fewer, MessageAway)
	swapped := maps.Clone(fewer)
	swapped["nobody"] = rules[MessageAway]
	for _, test := range []struct {
		what  string
		rules MessageRules
		want  string
	}{
		{"no text", MessageRules{Rules: rules}, ""},
		{"11 texts", MessageRules{Texts: texts(11), Rules: rules}, ""},
		{"12 texts", MessageRules{Texts: texts(12), Rules: rules}, ""},
		{"13 texts", MessageRules{Texts: texts(13), Rules: rules}, "message-texts"},
		{"a bad text", MessageRules{Texts: []MessageText{{"Coming", 4}}, Rules: rules}, "message-seconds"},
		{"no rule for away", MessageRules{Rules: fewer}, "message-rules"},
		{"another for it", MessageRules{Rules: swapped}, "message-rules"},
		{"one more", MessageRules{Rules: with("nobody", "Coming")}, "message-rules"},
		{"a name where it may be", MessageRules{Rules: with(MessageKnown, "{name}")}, ""},
		{"a name where it may not", MessageRules{Rules: with(MessageGreeting, "{name}")}, "message-name"},
		{"minutes, which nobody typed", MessageRules{Rules: with(MessageKnown, "{minutes}")}, "message-place"},
	} {
		hasCode(t, test.what, test.rules.Check(), ErrBadMessage, test.want)
	}
	quiet := MessageRules{Rules: rules, Quiet: []Quiet{{nil, 0, 60}}}
	hasCode(t, "quiet on no day", quiet.Check(), ErrBadRule, "quiet-days")
}

// A numbered thing at fault is told from 1 on.
func TestMessageRulesSayWhich(t *testing.T) {
	err := MessageRules{Texts: []MessageText{{"Coming", 30}, {"Coming", 4}}}.Check()
	var in FaultIn
	if !errors.As(err, &in) || in.What != "text" || in.Which != 2 {
		t.Errorf("%+v", err)
	}
}

// TestMessageOpen has a message shown until before its end, unless another took its place.
func TestMessageOpen(t *testing.T) {
	until := time.Date(2031, 5, 6, 7, 8, 9, 0, time.UTC)
	for _, test := range []struct {
		ended time.Time
		at    time.Duration
		want  bool
	}{
		{time.Time{}, -1, true}, {time.Time{}, 0, false}, {time.Time{}, 1, false},
		{until.Add(-time.Minute), -1, false}, {until.Add(-time.Minute), 1, false},
	} {
		if got := (Message{Until: until, EndedAt: test.ended}).Open(until.Add(test.at)); got != test.want {
			t.Errorf("ended %v, %v after its end: %v", test.ended, test.at, got)
		}
	}
}

// TestMessageQuiet has the times of the rule quiet go by the zone's clock.
func TestMessageQuiet(t *testing.T) {
	rules := MessageRules{Quiet: []Quiet{{[]time.Weekday{time.Monday}, 9 * 60, 10 * 60}}}
	for at, want := range map[string]bool{"2026-11-23T08:59:59+01:00": false, "2026-11-23T09:00:00+01:00": true,
		"2026-11-23T09:59:59+01:00": true, "2026-11-23T10:00:00+01:00": false, "2026-11-23T09:30:00Z": false} {
		if got := rules.QuietAt(instant(t, at), zoneOf(t, "Europe/Berlin")); got != want {
			t.Errorf("%s: %v", at, got)
		}
	}
}
