package fortnight

import (
	"encoding/json"
	"math"
	"slices"
	"time"

	"lintel/internal/house"
)

// What a phone can say.
const (
	saysLeft = "left"
	saysAway = "away"
	saysHome = "home"

	rests = "rests" // at home, and says so again
)

// phone are a phone's reports: the one that it says, or those of a way out and
// home again.
func (s *Story) phone(h happening, m moment) []Event {
	p := s.persons[h.Phone].Name
	if h.Home == nil {
		return []Event{{At: m.at, Act: Report{Person: p, Text: s.report(h.Phone, h.Says, m.at)}}}
	}
	var all []Event
	for _, step := range []struct {
		says string
		at   time.Time
	}{
		{saysLeft, m.at},
		{saysAway, m.at.Add(5 * time.Minute)},
		{saysAway, m.until.Add(-6 * time.Minute)},
		{saysHome, m.until},
		{rests, m.until.Add(15 * time.Minute)},
	} {
		all = append(all, Event{At: step.at, Act: Report{Person: p, Text: s.report(h.Phone, step.says, step.at)}})
	}
	return all
}

// A place is what a phone sends of where it is.
type place struct {
	Crossing  string  `json:"crossing,omitempty"`
	Latitude  float64 `json:"lat,omitempty"`
	Longitude float64 `json:"lon,omitempty"`
	Accuracy  float64 `json:"accuracy,omitempty"` // metres
	Time      int64   `json:"time"`               // seconds since 1970
}

const (
	metresPerDegree = 111195.0 // of latitude, on a sphere of 6371 km
	farAway         = 1800.0   // metres from home, where phones are that are away
	atTheDoor       = 4.0
)

// report is what a phone says, as it sends it. Each is away in a direction of its
// own.
func (s *Story) report(called, says string, at time.Time) []byte {
	p := place{Time: at.Unix()}
	put := func(metres float64) {
		_, r := chance(called)
		way := 2 * math.Pi * r.Float64()
		north, east := metres*math.Cos(way), metres*math.Sin(way)
		p.Latitude = round(s.file.house.Latitude + north/metresPerDegree)
		p.Longitude = round(s.file.house.Longitude + east/metresPerDegree/math.Cos(s.file.house.Latitude*math.Pi/180))
	}
	switch says {
	case saysLeft:
		p.Crossing = saysLeft
	case saysAway:
		put(farAway)
		p.Accuracy = 20
	case saysHome:
		put(atTheDoor)
		p.Crossing, p.Accuracy = "entered", 8
	case rests:
		put(atTheDoor)
		p.Accuracy = 25
	}
	text, _ := json.Marshal(p) // numbers and a word
	return text
}

// round keeps as many digits of a degree as make a tenth of a metre.
func round(degrees float64) float64 { return math.Round(degrees*1e6) / 1e6 }

// beats are a bell's heartbeats of the days for which they are kept, until now. It
// is well, but for when the story has it quiet.
func (s *Story) beats(b bell, now time.Time) (all []Event) {
	quiet := s.quiets(b.Address, now)
	_, r := chance("beats " + b.Address)
	began := now.AddDate(0, 0, -40)
	at := now.Add(-house.HealthKept - time.Duration(r.IntN(1800))*time.Second)
	for ; at.Before(now); at = at.Add(b.Heartbeat.Duration) {
		i := slices.IndexFunc(quiet, func(q stretch) bool { return !at.Before(q.from) && at.Before(q.until) })
		if i >= 0 {
			began = quiet[i].until // it had no power
			continue
		}
		all = append(all, Event{At: at, Act: b.beat(at, began, now, -52-r.IntN(9))})
	}
	return all
}

// beat is a heartbeat, as bells send it.
func (b bell) beat(at, began, now time.Time, signal int) Beat {
	sent := map[string]any{"signal_dbm": signal, "free_bytes": 152_000, "firmware": "bell 4",
		"uptime_s": int(at.Sub(began).Seconds()), "clock": at.UTC().Format(time.RFC3339)}
	if b.Battery > 0 { // a percent each day
		sent["battery_percent"] = min(100, b.Battery+int(now.Sub(at).Hours()/24))
	}
	text, _ := json.Marshal(sent) // numbers and words
	return Beat{Bell: b.Address, Text: text}
}

// A stretch is a length of time.
type stretch struct{ from, until time.Time }

// quiets are when nothing is heard of a bell.
func (s *Story) quiets(address string, now time.Time) (all []stretch) {
	for _, p := range s.file.days {
		for _, h := range p.happens {
			if h.Quiet == address {
				date := noon(now, *p.Day)
				all = append(all, stretch{wall(date, h.At), wall(date, h.Until)})
			}
		}
	}
	return all
}
