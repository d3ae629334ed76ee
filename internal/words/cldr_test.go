package words

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"golang.org/x/text/feature/plural"
	"golang.org/x/text/language"
	"golang.org/x/text/message"
	"golang.org/x/text/number"

	"lintel/internal/python"
)

// TestPlurals compares which form a number takes with CLDR's cardinal rules, as
// golang.org/x/text/feature/plural has them.
func TestPlurals(t *testing.T) {
	for _, c := range []struct{ lang, one, other string }{{"en", "day", "days"}, {"de", "Tag", "Tage"}} {
		for n := range 131 {
			want := c.other
			if plural.Cardinal.MatchPlural(language.Make(c.lang), n, 0, 0, 0, 0) == plural.One {
				want = c.one
			}
			if got := For(c.lang).N(n, "day"); got != fmt.Sprint(n, " ", want) {
				t.Errorf("%s, %d: %q", c.lang, n, got)
			}
		}
	}
}

// TestDecimals compares what stands before decimals with CLDR, as
// golang.org/x/text/message/number has it.
func TestDecimals(t *testing.T) {
	for _, lang := range Own.Languages() {
		for _, x := range []float64{0, 0.314, 12.5, 99.9, -3.25} {
			want := message.NewPrinter(language.Make(lang)).Sprint(number.Decimal(x, number.Scale(2)))
			if got := For(lang).Sprintf("%.2f", x); got != want {
				t.Errorf("%s: %q, want %q", lang, got, want)
			}
		}
	}
	if got := For("de").Sprintf("%.1f of %d, %s", 1.5, 2, "3.5"); got != "1,5 of 2, 3.5" {
		t.Errorf("%q: whole numbers and text stay as they are", got)
	}
}

// TestGermanDates compares names of days and months, dates, lists and shares with
// CLDR's for German, as Python's Babel has them.
func TestGermanDates(t *testing.T) {
	now := time.Date(2026, 11, 30, 12, 0, 0, 0, time.UTC)
	w := For("de").At(now, time.UTC)
	var ours [][2]string // said, and how Babel is asked
	for i := range 14 {
		at := now.AddDate(0, i-8, -i)
		date := at.Format(time.DateOnly)
		ours = append(ours, [2]string{w.Weekday(at.Weekday()), "EEEE " + date}, [2]string{w.Month(at.Month()), "MMMM " + date})
		if at.Year() == now.Year() {
			ours = append(ours, [2]string{w.Day(at), "EEEE, d. MMMM " + date}, [2]string{w.Date(at), "d. MMM " + date})
		} else {
			ours = append(ours, [2]string{w.Day(at), "full " + date}, [2]string{w.Date(at), "d. MMM y " + date})
		}
	}
	for _, list := range []string{"a", "a|b", "a|b|c", "a|b|c|d"} {
		ours = append(ours, [2]string{w.List(strings.Split(list, "|")), "list " + list})
	}
	for _, share := range []float64{0.31, 0.02, 1} {
		ours = append(ours, [2]string{w.Percent(share), fmt.Sprint("percent ", share)})
	}
	var theirs []string
	python.Ask(t, "babel", `
import sys, json, datetime
from babel import Locale, dates, lists, numbers
said = []
for _, ask in json.load(sys.stdin):
    how, _, what = ask.rpartition(" ")
    if how == "list":
        said.append(lists.format_list(what.split("|"), locale="de"))
    elif how == "percent":
        said.append(numbers.format_percent(float(what), locale="de"))
    else:
        said.append(dates.format_date(datetime.date.fromisoformat(what), how, locale="de"))
json.dump(said, sys.stdout)`, ours, &theirs)
	for i, said := range ours {
		if said[0] != theirs[i] {
			t.Errorf("%s: %q, Babel has %q", said[1], said[0], theirs[i])
		}
	}
}
