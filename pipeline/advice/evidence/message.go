package evidence

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net/url"
	"regexp"
	"strconv"
	"strings"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/advice/geofence"
)

// What is wrong with a message. Errors of packages geofence and totp come
// besides.
var (
	// ErrMessage says that something is no message of a source.
	ErrMessage error = house.Refusal("message-none")
	// ErrTwice says that a message has a field twice, or tells two things.
	ErrTwice error = house.Refusal("message-twice")
	// ErrList says that a list is empty, too long, or not of positions and
	// crossings.
	ErrList error = house.Refusal("message-list")
	// The next say that a field is missing, or not as it should be.
	ErrLatitude  error = house.Refusal("field-lat")
	ErrLongitude error = house.Refusal("field-lon")
	ErrTime      error = house.Refusal("field-time")
	ErrCrossing  error = house.Refusal("field-crossing")
	ErrCode      error = house.Refusal("field-code")
	ErrToken     error = house.Refusal("field-token")
	// ErrNotTheirs says that a source may not tell this, or not of this person.
	ErrNotTheirs error = house.Refusal("not-theirs")
	// ErrNoToken says that nobody has the token that was seen.
	ErrNoToken error = house.Refusal("token-unknown")
	// ErrNoHome says that the household has not said where its home is.
	ErrNoHome error = house.Refusal("home-none")
	// ErrGuesses says that too many wrong codes were given to take another.
	ErrGuesses error = house.Refusal("code-guesses")
)

const (
	// LargestMessage is how many bytes a message may have, and LongestList how
	// many positions and crossings a list.
	LargestMessage = 16 << 10
	LongestList    = 100
)

// A message tells one thing.
type message struct {
	reports     []geofence.Report // not nil where it tells where a phone is
	list        bool
	code, token string
	proof       *proof // of a token, where it is signed
}

func (m message) kind() house.FactorKind {
	switch {
	case m.code != "":
		return house.FactorCode
	case m.token != "":
		return house.FactorToken
	}
	return house.FactorArrival
}

// A value is that of a field: the text of a string or a number.
type value struct {
	text   string
	quoted bool // whether it is a string
	odd    bool // whether it is neither
}

// fields are those of a flat message that have a meaning.
type fields map[string]value

var known = map[string]error{"lat": ErrLatitude, "lon": ErrLongitude, "accuracy": geofence.ErrAccuracy, "time": ErrTime,
	"crossing": ErrCrossing, "code": ErrCode, "token": ErrToken, "counter": ErrCounter, "nonce": ErrNonce, "mac": ErrMAC}

// parse reads a message of a source of that kind.
func parse(text []byte, kind house.SourceKind) (m message, err error) {
	if len(text) > LargestMessage {
		return m, fmt.Errorf("%w: it has more than %d bytes", ErrMessage, LargestMessage)
	}
	text = bytes.TrimSpace(text)
	if !bytes.HasPrefix(text, []byte("{")) && !bytes.HasPrefix(text, []byte("[")) {
		f, err := formFields(string(text))
		if err != nil {
			return m, err
		}
		return messageOf(f, kind)
	}
	if !json.Valid(text) { // so nothing comes after it, either
		return m, fmt.Errorf("%w: it is not JSON", ErrMessage)
	}
	if text[0] == '[' {
		return parseList(text, kind)
	}
	f, err := jsonFields(text)
	if err != nil {
		return m, err
	}
	return messageOf(f, kind)
}

// parseList reads several reports.
func parseList(text []byte, kind house.SourceKind) (m message, err error) {
	var items []json.RawMessage
	if err := json.Unmarshal(text, &items); err != nil || len(items) == 0 || len(items) > LongestList {
		return m, ErrList
	}
	for i, item := range items {
		f, err := jsonFields(item)
		if err == nil {
			var one message
			if one, err = messageOf(f, kind); err == nil && one.reports == nil {
				err = ErrList
			}
			m.reports = append(m.reports, one.reports...)
		}
		if err != nil {
			return message{}, InList{i + 1, err}
		}
	}
	m.list = true
	return m, nil
}

// InList is what is wrong with one of a list, counted from 1.
type InList struct {
	Number int
	Err    error
}

func (e InList) Error() string { return fmt.Sprintf("number %d of the list: %v", e.Number, e.Err) }

func (e InList) Unwrap() error { return e.Err }

// jsonFields reads the known fields of an object. Field by field, as
// json.Unmarshal takes fields twice, and in any case.
func jsonFields(text []byte) (fields, error) {
	in := json.NewDecoder(bytes.NewReader(text))
	in.UseNumber()
	if t, err := in.Token(); err != nil || t != json.Delim('{') {
		return nil, fmt.Errorf("%w: it is not an object", ErrMessage)
	}
	all := fields{}
	for in.More() {
		t, err := in.Token()
		name, ok := t.(string)
		if err != nil || !ok {
			return nil, ErrMessage
		}
		var v any
		if err := in.Decode(&v); err != nil {
			return nil, ErrMessage
		}
		if known[name] == nil || v == nil {
			continue
		}
		if _, there := all[name]; there {
			return nil, fmt.Errorf("%w: %s", ErrTwice, name)
		}
		switch v := v.(type) {
		case string:
			all[name] = value{text: v, quoted: true}
		case json.Number:
			all[name] = value{text: v.String()}
		default:
			all[name] = value{odd: true}
		}
	}
	return all, nil
}

// formFields reads the known fields of form data. A plus that nobody escaped is
// a space there; in a time it can only have been a plus.
func formFields(text string) (fields, error) {
	form, err := url.ParseQuery(text)
	if err != nil {
		return nil, fmt.Errorf("%w: it is neither JSON nor form data", ErrMessage)
	}
	all := fields{}
	for name := range known {
		switch values := form[name]; {
		case len(values) > 1:
			return nil, fmt.Errorf("%w: %s", ErrTwice, name)
		case len(values) == 1 && values[0] != "":
			all[name] = value{text: values[0], quoted: true}
		}
	}
	if v, there := all["time"]; there {
		v.text = strings.ReplaceAll(v.text, " ", "+")
		all["time"] = v
	}
	return all, nil
}

// messageOf makes a message of what is there.
func messageOf(f fields, kind house.SourceKind) (m message, err error) {
	has := func(name string) bool { _, there := f[name]; return there }
	where := has("lat") || has("lon") || has("crossing")
	switch {
	case kind == house.Reader && has("token"):
		if m.token, err = f.text("token", ErrToken); err == nil {
			m.proof, err = f.proof()
		}
	case kind == house.Reader && (where || has("code")), kind == house.Phone && has("token") && !where && !has("code"):
		return m, ErrNotTheirs
	case kind != house.Phone:
		return m, ErrMessage
	case where && has("code"):
		return m, fmt.Errorf("%w: code", ErrTwice)
	case has("code"):
		m.code, err = f.text("code", ErrCode)
	case where:
		var r geofence.Report
		r, err = f.report()
		m.reports = []geofence.Report{r}
	case has("accuracy") || has("time"):
		return m, ErrLatitude
	default:
		return m, ErrMessage
	}
	if err != nil {
		return message{}, err
	}
	return m, nil
}

// report reads where a phone is, or that it crossed.
func (f fields) report() (r geofence.Report, err error) {
	if crossing, there := f["crossing"]; there {
		r.Crossing = geofence.Crossing(crossing.text)
		if crossing.odd || r.Crossing != geofence.Left && r.Crossing != geofence.Entered {
			return r, ErrCrossing
		}
		_, lat := f["lat"]
		_, lon := f["lon"]
		r.NoPlace = !lat && !lon
	}
	if !r.NoPlace {
		if r.Latitude, err = f.number("lat", -90, 90); err != nil {
			return r, err
		}
		if r.Longitude, err = f.number("lon", -180, 180); err != nil {
			return r, err
		}
	}
	// What an accuracy may be, package geofence says: one that is too vague spoils
	// no list.
	if _, there := f["accuracy"]; there || !r.NoPlace {
		if r.Accuracy, err = f.number("accuracy", -math.MaxFloat64, math.MaxFloat64); err != nil {
			return r, err
		}
	}
	r.At, err = f["time"].time()
	return r, err
}

// text is that of a field that is text.
func (f fields) text(name string, wrong error) (string, error) {
	if v := f[name]; v.quoted && v.text != "" {
		return v.text, nil
	}
	return "", wrong
}

// decimal is how numbers are written, as text too: with no comma, no hexadecimal
// and no infinity.
var decimal = regexp.MustCompile(`^[+-]?[0-9]+(\.[0-9]*)?([eE][+-]?[0-9]+)?$`)

// number is that of a field, within bounds.
func (f fields) number(name string, least, most float64) (float64, error) {
	x, err := f[name].float()
	if err != nil || !(x >= least && x <= most) {
		return 0, known[name]
	}
	return x, nil
}

var errNumber = errors.New("no number")

func (v value) float() (float64, error) {
	if v.odd || !decimal.MatchString(v.text) {
		return 0, errNumber
	}
	return strconv.ParseFloat(v.text, 64)
}

// Seconds since 1970 of this century are below milliseconds, from some months of
// 1973 on.
const (
	leastSeconds = 1e8
	leastMillis  = 1e11
	mostMillis   = 1e14
)

// time reads a time.
func (v value) time() (at time.Time, err error) {
	if x, err := v.float(); err == nil {
		switch {
		case x >= leastSeconds && x < leastMillis:
			return time.UnixMicro(int64(math.Round(x * 1e6))).UTC(), nil
		case x >= leastMillis && x < mostMillis:
			return time.UnixMicro(int64(math.Round(x * 1e3))).UTC(), nil
		}
		return at, ErrTime
	}
	// UnmarshalText takes a comma before the fraction, which RFC 3339 has not.
	if err := at.UnmarshalText([]byte(v.text)); err != nil || !v.quoted || strings.Contains(v.text, ",") {
		return time.Time{}, ErrTime
	}
	return at, nil
}
