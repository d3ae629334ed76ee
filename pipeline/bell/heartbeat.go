package bell

import (
	"encoding/json"
	"math"
	"time"
	"unicode"
	"unicode/utf8"

	"lintel/internal/house"
)

// What is wrong with a heartbeat: it is none, or a field is not as it should be.
var (
	ErrHeartbeat error = house.Refusal("heartbeat-none")
	ErrSignal    error = house.Refusal("heartbeat-signal")
	ErrMemory    error = house.Refusal("heartbeat-memory")
	ErrFirmware  error = house.Refusal("heartbeat-firmware")
	ErrUptime    error = house.Refusal("heartbeat-uptime")
	ErrClock     error = house.Refusal("heartbeat-clock")
	ErrBattery   error = house.Refusal("heartbeat-battery")
	// ErrTooOften says that a bell sends heartbeats faster than one each
	// [Every].
	ErrTooOften error = house.Refusal("heartbeat-often")
)

const (
	// LargestHeartbeat is how many bytes a heartbeat may have.
	LargestHeartbeat = 1 << 10
	// Every is how often a bell may send one in the long run, and atOnce how many
	// at once.
	Every  = 10 * time.Second
	atOnce = 6

	longestFirmware = 64        // characters
	mostMemory      = 1 << 40   // bytes
	longestUptime   = 400 << 20 // seconds, about 13 years
)

// sent is a heartbeat as bells send it; what else the object has is let be.
type sent struct {
	Signal   *float64 `json:"signal_dbm"`
	Memory   *float64 `json:"free_bytes"`
	Firmware *string  `json:"firmware"`
	Uptime   *float64 `json:"uptime_s"`
	Clock    *string  `json:"clock"`
	Battery  *float64 `json:"battery_percent"`
}

// Read reads a heartbeat that came at a time: a JSON object, all of whose fields
// may be missing or null.
//
//	signal_dbm       -120 to 0
//	free_bytes       0 to 2^40
//	firmware         up to 64 characters that can be seen, or spaces
//	uptime_s         0 to 400·2^20, about 13 years
//	clock            the bell's time, RFC 3339
//	battery_percent  0 to 100
//
// Numbers are rounded. Other fields are let be. The error says which field is wrong.
func Read(payload []byte, at time.Time) (house.Heartbeat, error) {
	var s *sent
	if len(payload) > LargestHeartbeat || json.Unmarshal(payload, &s) != nil || s == nil {
		return house.Heartbeat{}, ErrHeartbeat
	}
	h := house.Heartbeat{At: at}
	var ok bool
	if h.Signal, ok = within[int](s.Signal, -120, 0); !ok {
		return h, ErrSignal
	}
	if h.Memory, ok = within[int64](s.Memory, 0, mostMemory); !ok {
		return h, ErrMemory
	}
	if h.Uptime, ok = within[int64](s.Uptime, 0, longestUptime); !ok {
		return h, ErrUptime
	}
	if h.Battery, ok = within[int](s.Battery, 0, 100); !ok {
		return h, ErrBattery
	}
	if s.Firmware != nil {
		if !readable(*s.Firmware) {
			return h, ErrFirmware
		}
		h.Firmware = *s.Firmware
	}
	if s.Clock != nil {
		clock, err := time.Parse(time.RFC3339, *s.Clock)
		if err != nil {
			return h, ErrClock
		}
		ahead := clock.UnixMilli() - at.UnixMilli() // years 0 to 9999, which time.Duration does not reach
		h.Ahead = &ahead
	}
	return h, nil
}

// within rounds a number that lies within bounds. No number is one that is not.
func within[T int | int64](v *float64, low, high float64) (*T, bool) {
	if v == nil {
		return nil, true
	}
	rounded := math.Round(*v)
	if !(rounded >= low && rounded <= high) {
		return nil, false
	}
	n := T(rounded)
	return &n, true
}

// readable reports whether a text can be shown to people as it stands: no line
// ends, no controls, nothing that turns the direction of what is beside it.
func readable(text string) bool {
	if utf8.RuneCountInString(text) > longestFirmware {
		return false
	}
	for _, r := range text {
		if r == utf8.RuneError || r != ' ' && !unicode.IsGraphic(r) {
			return false
		}
	}
	return true
}
