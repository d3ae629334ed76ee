package geofence

import (
	"encoding/json"
	"errors"
	"strings"
	"testing"
	"time"
)

const goodReport = `{"latitude_deg":47.5,"longitude_deg":-8.25,"accuracy_m":12,"at":"2026-11-25T12:00:00.5+01:00"}`

func TestParseReport(t *testing.T) {
	got, err := ParseReport([]byte(" " + goodReport + "\n"))
	want := Report{47.5, -8.25, 12, time.Date(2026, 11, 25, 11, 0, 0, 5e8, time.UTC)}
	got.At = got.At.UTC()
	if err != nil || got != want {
		t.Errorf("%+v, %v, want %+v", got, err, want)
	}
	for name, change := range map[string][2]string{
		"an unknown field":         {`{`, `{"speed_m_s":3,`},
		"a field twice":            {`{`, `{"accuracy_m":5,`},
		"a field twice, escaped":   {`{`, `{"\u0061ccuracy_m":5,`},
		"a field in capitals":      {`"accuracy_m"`, `"Accuracy_m"`},
		"a field twice, by case":   {`{`, `{"ACCURACY_M":5,`},
		"a field missing":          {`"accuracy_m":12,`, ``},
		"a number too large":       {`12`, `1e400`},
		"a number as a string":     {`12`, `"12"`},
		"null":                     {`12`, `null`},
		"an object for a number":   {`12`, `{"a":12}`},
		"a list for a number":      {`12`, `[12]`},
		"not a number":             {`12`, `NaN`},
		"hexadecimal":              {`12`, `0x12`},
		"no time":                  {`"2026-11-25T12:00:00.5+01:00"`, `1795604400`},
		"a time without a zone":    {`.5+01:00`, ``},
		"a time by a comma":        {`.5+`, `,5+`},
		"a date alone":             {`T12:00:00.5+01:00`, ``},
		"a day that is not":        {`11-25`, `11-31`},
		"something after it":       {`"}`, `"}{}`},
		"a comma too many":         {`"}`, `",}`},
		"a list of it":             {goodReport, `[` + goodReport + `]`},
		"null alone":               {goodReport, `null`},
		"nothing":                  {goodReport, ``},
		"an empty object":          {goodReport, `{}`},
		"cut short":                {`"}`, `"`},
		"larger than it may be":    {goodReport, goodReport + strings.Repeat(" ", 1024)},
		"nested a thousand levels": {`12`, strings.Repeat("[", 400) + strings.Repeat("]", 400)},
	} {
		text := strings.Replace(goodReport, change[0], change[1], 1)
		if got, err := ParseReport([]byte(text)); !errors.Is(err, ErrReport) || got != (Report{}) {
			t.Errorf("%s: %s is %+v, %v", name, text, got, err)
		}
	}
}

// FuzzParseReport checks that what is taken has finite numbers, each field once,
// is the same when it is written and read again, and makes no arrival by itself.
func FuzzParseReport(f *testing.F) {
	f.Add([]byte(goodReport))
	f.Add([]byte(`{"at":"2026-11-25T12:00:00Z","latitude_deg":1e308,"longitude_deg":-0,"accuracy_m":1e-320}`))
	f.Add([]byte(`{"accuracy_m":12,"accuracy_m":12}`))
	f.Add([]byte(`{"latitude_deg":null}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		r, err := ParseReport(text)
		if err != nil {
			if !errors.Is(err, ErrReport) {
				t.Errorf("%v is not ErrReport", err)
			}
			return
		}
		for _, field := range []string{"latitude_deg", "longitude_deg", "accuracy_m", "at"} {
			if n := strings.Count(string(text), `"`+field+`"`); n > 1 {
				t.Errorf("%q %d times", field, n)
			}
		}
		written, err := json.Marshal(r)
		if err != nil {
			t.Fatal(err)
		}
		again, err := ParseReport(written)
		if err != nil || !again.At.Equal(r.At) {
			t.Fatalf("%s was read as %+v, %v", written, again, err)
		}
		again.At = r.At
		if again != r {
			t.Errorf("%+v was read again as %+v", r, again)
		}
		s, arrived, err := Step(State{}, r, home, r.At)
		if arrived || err != nil && s != (State{}) {
			t.Errorf("a first report: %+v, %v, %v", s, arrived, err)
		}
	})
}
