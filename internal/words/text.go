package words

import (
	"fmt"
	"strings"
	"time"
)

// Text says what a screen, a problem or a command has to say, by its key. Told
// are the values that the message has places for, each behind its name; a
// value named Count that is an int also chooses the plural:
//
//	w.Text("book-erased", "Count", 2) // "2 visits erased."
//
// A key that no catalog has is a fault of the program, and said as such.
func (w Words) Text(key string, told ...any) string {
	says, err := w.Lookup(key, told...)
	if err != nil {
		return w.say("unknown", telling{Code: key, words: w})
	}
	return says
}

// Lookup is [Words.Text] for those who can go on with an error.
func (w Words) Lookup(key string, told ...any) (string, error) {
	values := make(map[string]any, len(told)/2)
	for i := 0; i+1 < len(told); i += 2 {
		name, ok := told[i].(string)
		if !ok {
			return "", fmt.Errorf("saying %s: %v is no name of a value", key, told[i])
		}
		values[name] = told[i+1]
	}
	says, found := w.find(key, values, values["Count"])
	if !found || strings.Contains(says, "<no value>") {
		return "", fmt.Errorf("saying %s: no catalog has a message for it and %v", key, told)
	}
	return says, nil
}

// N is a count of things, by the key that n- begins: "3 faces".
func (w Words) N(count int, thing string) string { return telling{words: w}.N(count, thing) }

// Length is a length of time: "12 seconds", "3 minutes".
func (w Words) Length(d time.Duration) string { return telling{words: w}.Length(d) }

// Clock is a time of day, "15:04".
func (w Words) Clock(at time.Time) string { return telling{words: w}.Clock(at) }

// Day is a day of the week with its date, and its year where that is not now's:
// "Monday 2 January".
func (w Words) Day(at time.Time) string {
	t := telling{words: w}
	if t.local(at).Year() == t.local(w.now).Year() {
		return t.dated("day", at)
	}
	return t.dated("day-of-year", at)
}

// Date is a short date, and its year where that is not now's: "30 Dec".
func (w Words) Date(at time.Time) string {
	t := telling{words: w}
	local := t.local(at)
	told := []any{"Day", local.Day(), "Month", w.say(fmt.Sprintf("month-short-%d", local.Month()), nil), "Year",
		local.Year()}
	if local.Year() == t.local(w.now).Year() {
		return w.Text("date-short", told...)
	}
	return w.Text("date-short-of-year", told...)
}

// Weekday is the name of a day, Month that of a month.
func (w Words) Weekday(d time.Weekday) string { return telling{words: w}.Weekday(d) }

func (w Words) Month(m time.Month) string { return w.say(fmt.Sprintf("month-%d", m), nil) }

// List joins words: "a, b and c".
func (w Words) List(of []string) string { return w.list(of, "and") }

// Either lists what any one will do of: "a, b or c".
func (w Words) Either(of []string) string { return w.list(of, "or") }

// Percent is a share, "31 %".
func (w Words) Percent(share float64) string { return telling{words: w}.Percent(share) }

// Probability is a share that is never said to be certain: "over 99.9 %".
func (w Words) Probability(p float64) string {
	switch {
	case p >= 0.9995:
		return w.Text("probability-over")
	case p < 0.01:
		return w.Text("probability-under")
	case p >= 0.99:
		return w.Text("percent", "Number", w.Sprintf("%.1f", 100*p))
	}
	return w.Percent(p)
}

// Capital begins a sentence with what is said.
func Capital(says string) string { return capital(says) }

// Marking has all that is said handed to mark, so that a test tells what came
// from a catalog from what did not.
func (w Words) Marking(mark func(says string) string) Words {
	w.mark = mark
	return w
}
