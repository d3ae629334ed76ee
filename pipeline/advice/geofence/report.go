package geofence

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"lintel/internal/house"
)

// LargestReport is how many bytes a report may have as JSON.
const LargestReport = 1024

// ErrReport says that something is not a report as JSON.
var ErrReport error = house.Refusal("report-none")

// ParseReport reads a report from JSON: one object with exactly the four fields
// of [Report], each once, and nothing after it. [Step] says whether their values
// are of use.
func ParseReport(text []byte) (Report, error) {
	r, err := parseReport(text)
	if err != nil {
		return Report{}, fmt.Errorf("%w: %w", ErrReport, err)
	}
	return r, nil
}

func parseReport(text []byte) (r Report, err error) {
	if len(text) > LargestReport {
		return r, fmt.Errorf("it has more than %d bytes", LargestReport)
	}
	if !json.Valid(text) { // so nothing comes after it, either
		return r, errors.New("it is not JSON")
	}
	// Field by field, as json.Unmarshal takes fields twice, in any case, and
	// takes null for 0.
	in := json.NewDecoder(bytes.NewReader(text))
	if t, err := in.Token(); err != nil || t != json.Delim('{') {
		return r, errors.New("it is not an object")
	}
	seen := make(map[string]bool)
	for in.More() {
		t, err := in.Token()
		if err != nil {
			return r, err
		}
		field := t.(string) // in an object, by json.Valid
		if seen[field] {
			return r, fmt.Errorf("it has the field %q twice", field)
		}
		seen[field] = true
		switch field {
		case "latitude_deg":
			r.Latitude, err = number(in)
		case "longitude_deg":
			r.Longitude, err = number(in)
		case "accuracy_m":
			r.Accuracy, err = number(in)
		case "at":
			r.At, err = instant(in)
		default:
			return r, fmt.Errorf("it has the unknown field %q", field)
		}
		if err != nil {
			return r, fmt.Errorf("its field %q: %w", field, err)
		}
	}
	if len(seen) != 4 {
		return r, errors.New("it lacks a field")
	}
	return r, nil
}

// number reads a number that a float64 can hold.
func number(in *json.Decoder) (float64, error) {
	t, err := in.Token()
	if err != nil {
		return 0, err
	}
	x, ok := t.(float64)
	if !ok {
		return 0, errors.New("it is not a number")
	}
	return x, nil
}

// instant reads a time as RFC 3339 has it.
func instant(in *json.Decoder) (at time.Time, err error) {
	t, err := in.Token()
	if err != nil {
		return at, err
	}
	s, ok := t.(string)
	if !ok {
		return at, errors.New("it is not a time")
	}
	// UnmarshalText takes a comma before the fraction, which RFC 3339 has not.
	if err := at.UnmarshalText([]byte(s)); err != nil || strings.Contains(s, ",") {
		return time.Time{}, errors.New("it is not a time as RFC 3339 has it")
	}
	return at, nil
}
