package bell

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"
)

var noon = time.Date(2031, 5, 4, 12, 0, 0, 0, time.UTC)

// TestRead reads what bells may send. What is JSON is by RFC 8259 (no NaN, section
// 6), what a time is by RFC 3339; the ranges are this package's own.
func TestRead(t *testing.T) {
	for _, c := range []struct {
		name, sent string
		want       error
	}{
		{"all there is", `{"signal_dbm":-61,"free_bytes":91234,"firmware":"porch 1.4","uptime_s":7200,` +
			`"clock":"2031-05-04T14:00:03+02:00","battery_percent":83}`, nil},
		{"nothing", `{}`, nil},
		{"null", `{"signal_dbm":null,"clock":null,"firmware":null}`, nil},
		{"fields nobody knows", `{"mood":"sunny","nested":{"deep":[1,2]},"signal_dbm":-61.4}`, nil},
		{"no object", `[]`, ErrHeartbeat},
		{"null alone", `null`, ErrHeartbeat},
		{"no JSON", `signal=-61`, ErrHeartbeat},
		{"empty", ``, ErrHeartbeat},
		{"NaN", `{"signal_dbm":NaN}`, ErrHeartbeat},
		{"beyond all numbers", `{"signal_dbm":-1e999}`, ErrHeartbeat},
		{"cut", `{"signal_dbm":-6`, ErrHeartbeat},
		{"two", `{} {}`, ErrHeartbeat},
		{"a text for a number", `{"signal_dbm":"-61"}`, ErrHeartbeat},
		{"too large", `{"firmware":"` + strings.Repeat("x", LargestHeartbeat) + `"}`, ErrHeartbeat},
		{"deep", strings.Repeat("[", LargestHeartbeat-1), ErrHeartbeat},
		{"a signal above all", `{"signal_dbm":1}`, ErrSignal},
		{"a signal below all", `{"signal_dbm":-121}`, ErrSignal},
		{"negative memory", `{"free_bytes":-1}`, ErrMemory},
		{"memory beyond all", `{"free_bytes":1e300}`, ErrMemory},
		{"negative uptime", `{"uptime_s":-1}`, ErrUptime},
		{"a battery over full", `{"battery_percent":101}`, ErrBattery},
		{"a negative battery", `{"battery_percent":-1}`, ErrBattery},
		{"a clock of another form", `{"clock":"4 May 2031"}`, ErrClock},
		{"a clock without a zone", `{"clock":"2031-05-04T12:00:00"}`, ErrClock},
		{"a clock that was never set", `{"clock":"1970-01-01T00:00:09Z"}`, nil},
		{"the last year there is", `{"clock":"9999-12-31T23:59:59Z"}`, nil},
		{"a firmware with a line end", `{"firmware":"a\nb"}`, ErrFirmware},
		{"a firmware that turns round", `{"firmware":"a\u202eb"}`, ErrFirmware},
		{"a long firmware", `{"firmware":"` + strings.Repeat("é", 65) + `"}`, ErrFirmware},
		{"a firmware of other letters", `{"firmware":"` + strings.Repeat("é", 64) + `"}`, nil},
	} {
		if _, err := Read([]byte(c.sent), noon); !errors.Is(err, c.want) || c.want == nil && err != nil {
			t.Errorf("%s: %v, want %v", c.name, err, c.want)
		}
	}
}

func TestReadAll(t *testing.T) {
	h, err := Read([]byte(`{"signal_dbm":-61.6,"free_bytes":91234,"firmware":"porch 1.4","uptime_s":7200,`+
		`"clock":"2031-05-04T14:00:03+02:00","battery_percent":83}`), noon)
	if err != nil {
		t.Fatal(err)
	}
	ahead, known := h.ClockAhead()
	if *h.Signal != -62 || *h.Memory != 91234 || h.Firmware != "porch 1.4" || *h.Uptime != 7200 || *h.Battery != 83 ||
		!known || ahead != 3*time.Second || !h.At.Equal(noon) {
		t.Errorf("%+v", h)
	}
	h, err = Read([]byte(`{"clock":"0000-01-01T00:00:00Z"}`), noon)
	if ahead, known := h.ClockAhead(); err != nil || !known || ahead > -200*365*24*time.Hour {
		t.Errorf("a clock 2031 years behind: %v, %v", ahead, err)
	}
}

// FuzzRead: whatever is sent, what is taken lies within its bounds, and can be
// written as JSON again.
func FuzzRead(f *testing.F) {
	f.Add([]byte(`{"signal_dbm":-61,"free_bytes":91234,"firmware":"p","uptime_s":7200,` +
		`"clock":"2031-05-04T14:00:03+02:00"}`))
	f.Add([]byte(`{"battery_percent":83.5,"x":[{}]}`))
	f.Add([]byte(`{"signal_dbm":-1e308,"uptime_s":1e-308}`))
	f.Add(bytes.Repeat([]byte("{"), 100))
	f.Fuzz(func(t *testing.T, sent []byte) {
		h, err := Read(sent, noon)
		if err != nil {
			return
		}
		within := func(v *int64, low, high int64) bool { return v == nil || *v >= low && *v <= high }
		if h.Signal != nil && (*h.Signal < -120 || *h.Signal > 0) ||
			h.Battery != nil && (*h.Battery < 0 || *h.Battery > 100) ||
			!within(h.Memory, 0, 1<<40) || !within(h.Uptime, 0, math.MaxInt32) || len(h.Firmware) > 4*longestFirmware {
			t.Errorf("%+v", h)
		}
		if _, err := json.Marshal(h); err != nil || strings.ContainsAny(h.Firmware, "\n\r\x00\u202e") {
			t.Error(fmt.Sprint(h), err)
		}
	})
}
