package evidence

import (
	"errors"
	"fmt"
	"math"
	"net/url"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/advice/geofence"
)

// TestParse reads what phones and readers send.
func TestParse(t *testing.T) {
	at := time.Date(2026, 11, 25, 11, 0, 0, 5e8, time.UTC)
	position := geofence.Report{Latitude: 47.5, Longitude: -8.25, Accuracy: 12, At: at}
	left := geofence.Report{Crossing: geofence.Left, NoPlace: true, At: at}
	for _, c := range []struct {
		name, text string
		want       []geofence.Report
		err        error
	}{
		{"as documented", `{"lat":47.5,"lon":-8.25,"accuracy":12,"time":"2026-11-25T12:00:00.5+01:00"}`,
			[]geofence.Report{position}, nil},
		{"with spaces around it", " \n{\"lat\":47.5,\"lon\":-8.25,\"accuracy\":12,\"time\":1795604400.5}\n",
			[]geofence.Report{position}, nil},
		{"numbers as text", `{"lat":"47.5","lon":"-8.25","accuracy":"12.0","time":"1795604400.5"}`,
			[]geofence.Report{position}, nil},
		{"milliseconds", `{"lat":47.50,"lon":-825e-2,"accuracy":12,"time":1795604400500}`, []geofence.Report{position},
			nil},
		{"milliseconds as text", `{"lat":47.5,"lon":-8.25,"accuracy":12,"time":"1795604400500"}`,
			[]geofence.Report{position}, nil},
		{"more than it needs", `{"speed":3,"token":"x","lat":47.5,"deep":{"lat":[1]},"lon":-8.25,"accuracy":12,
			"time":1795604400.5,"wifi":null}`, []geofence.Report{position}, nil},
		{"form data", `lat=47.5&lon=-8.25&accuracy=12&time=2026-11-25T12%3A00%3A00.5%2B01%3A00&battery=4`,
			[]geofence.Report{position}, nil},
		{"form data with a plus that nobody escaped", `lat=47.5&lon=-8.25&accuracy=12&time=2026-11-25T12:00:00.5+01:00`,
			[]geofence.Report{position}, nil},
		{"a crossing", `{"crossing":"left","time":1795604400.5}`, []geofence.Report{left}, nil},
		{"a crossing with a place", `{"crossing":"left","lat":47.5,"lon":-8.25,"accuracy":12,"time":1795604400.5}`,
			[]geofence.Report{{Latitude: 47.5, Longitude: -8.25, Accuracy: 12, At: at, Crossing: geofence.Left}}, nil},
		{"a crossing with an accuracy", `crossing=left&accuracy=65&time=1795604400.5`,
			[]geofence.Report{{Crossing: geofence.Left, NoPlace: true, Accuracy: 65, At: at}}, nil},
		{"a crossing with places that are null",
			`{"crossing":"left","lat":null,"lon":null,"accuracy":null,"time":1795604400.5}`,
			[]geofence.Report{left}, nil},
		{"a list", `[{"lat":47.5,"lon":-8.25,"accuracy":12,"time":1795604400.5},{"crossing":"left","time":1795604400.5}]`,
			[]geofence.Report{position, left}, nil},
		{"accuracy out of bounds is looked at later", `{"lat":47.5,"lon":-8.25,"accuracy":-1,"time":1795604400.5}`,
			[]geofence.Report{{Latitude: 47.5, Longitude: -8.25, Accuracy: -1, At: at}}, nil},

		{"no lat", `{"lon":-8.25,"accuracy":12,"time":1795604400}`, nil, ErrLatitude},
		{"no lon", `{"lat":47.5,"accuracy":12,"time":1795604400}`, nil, ErrLongitude},
		{"no accuracy", `{"lat":47.5,"lon":-8.25,"time":1795604400}`, nil, geofence.ErrAccuracy},
		{"no time", `{"lat":47.5,"lon":-8.25,"accuracy":12}`, nil, ErrTime},
		{"a time alone", `{"time":1795604400}`, nil, ErrLatitude},
		{"lat 91", `{"lat":91,"lon":-8.25,"accuracy":12,"time":1795604400}`, nil, ErrLatitude},
		{"lon -181", `{"lat":47.5,"lon":"-181","accuracy":12,"time":1795604400}`, nil, ErrLongitude},
		{"a comma", `{"lat":"47,5","lon":-8.25,"accuracy":12,"time":1795604400}`, nil, ErrLatitude},
		{"hexadecimal", `lat=0x2F&lon=-8.25&accuracy=12&time=1795604400`, nil, ErrLatitude},
		{"not a number", `lat=NaN&lon=-8.25&accuracy=12&time=1795604400`, nil, ErrLatitude},
		{"too large a number", `{"lat":47.5,"lon":-8.25,"accuracy":1e400,"time":1795604400}`, nil, geofence.ErrAccuracy},
		{"an object for a number", `{"lat":{"x":1},"lon":-8.25,"accuracy":12,"time":1795604400}`, nil, ErrLatitude},
		{"true for a time", `{"lat":47.5,"lon":-8.25,"accuracy":12,"time":true}`, nil, ErrTime},
		{"a time without a zone", `{"lat":47.5,"lon":-8.25,"accuracy":12,"time":"2026-11-25T12:00:00"}`, nil, ErrTime},
		{"a time by a comma", `{"lat":47.5,"lon":-8.25,"accuracy":12,"time":"2026-11-25T12:00:00,5Z"}`, nil, ErrTime},
		{"a date alone", `{"lat":47.5,"lon":-8.25,"accuracy":12,"time":"2026-11-25"}`, nil, ErrTime},
		{"a day that is not", `{"lat":47.5,"lon":-8.25,"accuracy":12,"time":"2026-11-31T12:00:00Z"}`, nil, ErrTime},
		{"seconds since the server began", `{"lat":47.5,"lon":-8.25,"accuracy":12,"time":86400}`, nil, ErrTime},
		{"microseconds", `{"lat":47.5,"lon":-8.25,"accuracy":12,"time":1795604400500000}`, nil, ErrTime},
		{"a crossing of another word", `{"crossing":"enter","time":1795604400}`, nil, ErrCrossing},
		{"a crossing without a time", `{"crossing":"left"}`, nil, ErrTime},
		{"a crossing with half a place", `{"crossing":"left","lat":47.5,"time":1795604400}`, nil, ErrLongitude},
		{"a field twice", `{"lat":47.5,"lat":47.5,"lon":-8.25,"accuracy":12,"time":1795604400}`, nil, ErrTwice},
		{"a field twice, escaped", `{"l\u0061t":47.5,"lat":47.5,"lon":-8.25,"accuracy":12,"time":1795604400}`, nil,
			ErrTwice},
		{"a field twice in a form", `lat=1&lat=2&lon=3&accuracy=4&time=1795604400`, nil, ErrTwice},
		{"a position and a code", `{"code":"123456","lat":47.5}`, nil, ErrTwice},
		{"fields in capitals", `{"Lat":47.5,"Lon":-8.25,"Accuracy":12,"Time":1795604400}`, nil, ErrMessage},
		{"something after it", `{"crossing":"left","time":1795604400}{}`, nil, ErrMessage},
		{"a list of nothing", `[]`, nil, ErrList},
		{"a list of a code", `[{"code":"123456"}]`, nil, ErrList},
		{"a list in a list", `[[]]`, nil, ErrMessage},
		{"a list with a wrong one", `[{"crossing":"left","time":1795604400},{"crossing":"left"}]`, nil, ErrTime},
		{"a long list", `[` + strings.Repeat(`{"crossing":"left","time":1795604400},`, LongestList) +
			`{"crossing":"left","time":1795604400}]`, nil, ErrList},
		{"words", `I came home`, nil, ErrMessage},
		{"nothing", ``, nil, ErrMessage},
		{"cut short", `{"lat":47.5`, nil, ErrMessage},
		{"a token", `{"token":"brass"}`, nil, ErrNotTheirs},
		{"a form that can't be read", `lat=%zz`, nil, ErrMessage},
	} {
		got, err := parse([]byte(c.text), house.Phone)
		if !errors.Is(err, c.err) || fmt.Sprint(utc(got.reports)) != fmt.Sprint(c.want) {
			t.Errorf("%s: %+v, %v; want %+v, %v", c.name, got, err, c.want, c.err)
		}
	}
}

func utc(reports []geofence.Report) []geofence.Report {
	for i := range reports {
		reports[i].At = reports[i].At.UTC()
	}
	return reports
}

// FuzzParse checks that what is taken tells one thing, with numbers that are some,
// and that what is refused is so with a refusal; and that form data says the same
// as JSON.
func FuzzParse(f *testing.F) {
	for _, text := range []string{`{"code":"123456"}`, `{"token":"x"}`,
		`{"lat":1,"lon":"2","accuracy":3,"time":1795604400}`,
		`{"crossing":"left","time":"2026-11-25T12:00:00Z"}`, `[{"crossing":"entered","time":1}]`, `[`, `{"lat":null}`,
		`lat=1&lon=2&accuracy=3&time=1795604400`, `crossing=left&time=2026-11-25T12:00:00+01:00`, `code=123456`, `=&=%`} {
		f.Add([]byte(text), true)
		f.Add([]byte(text), false)
	}
	f.Fuzz(func(t *testing.T, text []byte, phone bool) {
		kind := house.Reader
		if phone {
			kind = house.Phone
		}
		m, err := parse(text, kind)
		if err != nil {
			var refusal house.Refusal
			if !errors.As(err, &refusal) || m.reports != nil || m.code != "" || m.token != "" {
				t.Fatalf("%q: %v, %+v", text, err, m)
			}
			return
		}
		n := 0
		for _, there := range []bool{m.reports != nil, m.code != "", m.token != ""} {
			if there {
				n++
			}
		}
		if n != 1 || phone == (m.token != "") || len(m.reports) > LongestList {
			t.Fatalf("%q: %+v", text, m)
		}
		for _, r := range m.reports {
			if sum := r.Latitude + r.Longitude + r.Accuracy; math.IsNaN(sum) || math.IsInf(sum, 0) || r.At.IsZero() {
				t.Fatalf("%q: %+v", text, r)
			}
		}
		if len(m.reports) == 1 && m.reports[0].Crossing == "" {
			r := m.reports[0]
			form := url.Values{"lat": {fmt.Sprint(r.Latitude)}, "lon": {fmt.Sprint(r.Longitude)},
				"accuracy": {fmt.Sprint(r.Accuracy)}, "time": {r.At.Format(time.RFC3339Nano)}}
			again, err := parse([]byte(form.Encode()), kind)
			if err != nil || len(again.reports) != 1 || !again.reports[0].At.Equal(r.At) ||
				again.reports[0].Latitude != r.Latitude || again.reports[0].Accuracy != r.Accuracy {
				t.Fatalf("%q: %+v as a form is %+v, %v", text, r, again, err)
			}
		}
	})
}
