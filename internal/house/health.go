package house

import (
	"errors"
	"slices"
	"time"
)

// A Heartbeat is what a bell says of itself, and when that came. All but At may
// be unknown.
type Heartbeat struct {
	At       time.Time `json:"at"`                 // by the server's clock
	Signal   *int      `json:"signal,omitempty"`   // of the wireless network, in dBm
	Memory   *int64    `json:"memory,omitempty"`   // free bytes
	Firmware string    `json:"firmware,omitempty"` // what it calls its program
	Uptime   *int64    `json:"uptime,omitempty"`   // seconds since it began
	Ahead    *int64    `json:"ahead_ms,omitempty"` // by how much its clock is ahead of the server's
	Battery  *int      `json:"battery,omitempty"`  // percent
	Interval int64     `json:"interval,omitempty"` // seconds until the next was expected
}

// ClockAhead is by how much the bell's clock is ahead of the server's, where it
// said its time.
func (h Heartbeat) ClockAhead() (ahead time.Duration, known bool) {
	if h.Ahead == nil {
		return 0, false
	}
	const most = int64(1<<63-1) / int64(time.Millisecond)
	return time.Duration(min(max(*h.Ahead, -most), most)) * time.Millisecond, true
}

// An Ailment is what a bell can lack.
type Ailment string

const (
	BellQuiet     Ailment = "quiet"     // it was not heard for three heartbeats
	BellBattery   Ailment = "battery"   // its battery is nearly empty
	BellClock     Ailment = "clock"     // its clock differs from the server's
	BellCovered   Ailment = "covered"   // next to nothing can be seen, but it is not dark
	BellDark      Ailment = "dark"      // it is dark when it usually is not
	BellUnfocused Ailment = "unfocused" // what it sees is blurred
	BellMoved     Ailment = "moved"     // it looks elsewhere than usual
)

// Ailments are all there are, in the order they are told in.
var Ailments = []Ailment{BellQuiet, BellCovered, BellDark, BellUnfocused, BellMoved, BellClock, BellBattery}

// OfView reports whether it is judged by what the bell sees.
func (a Ailment) OfView() bool {
	return slices.Contains([]Ailment{BellCovered, BellDark, BellUnfocused, BellMoved}, a)
}

// Withholds reports whether a bell that has it can't be relied on. An empty
// battery alters nothing while it lasts, and clocks are a condition of their own.
func (a Ailment) Withholds() bool { return a == BellQuiet || a.OfView() }

// A Spell is an ailment with when it began and, in a story, ended.
type Spell struct {
	Ailment Ailment   `json:"ailment"`
	Since   time.Time `json:"since"`
	Until   time.Time `json:"until,omitzero"` // zero while it lasts
}

// A Sign of an ailment was seen so often in a row.
type Sign struct {
	Times int       `json:"times"`
	First time.Time `json:"first"`
}

const (
	// UsualInterval is how often a bell sends a heartbeat unless the household
	// says otherwise. Common practice, no source.
	UsualInterval = 5 * time.Minute
	// MinInterval and MaxInterval bound what the household may say.
	MinInterval, MaxInterval = time.Minute, 24 * time.Hour
	// HealthKept is how long heartbeats and days are kept.
	HealthKept = 7 * 24 * time.Hour
	// InARow is how many heartbeats or rings make what they show an ailment.
	InARow = 3
	// toldSpells is how many spells that are over a bell's story has.
	toldSpells = 12
)

// Health is how a bell is.
type Health struct {
	Interval time.Duration    `json:"interval"`       // between heartbeats; 0 is the usual, less none
	Last     *Heartbeat       `json:"last,omitempty"` // nil where none ever came
	Ailing   []Spell          `json:"ailing,omitempty"`
	Past     []Spell          `json:"past,omitempty"`  // that are over, the last first
	Signs    map[Ailment]Sign `json:"signs,omitempty"` // of what may become an ailment
}

// ErrBadInterval says that heartbeats can't come that often.
var ErrBadInterval = errors.New("a bell sends a heartbeat every 1 to 1440 minutes")

// Every is how often heartbeats are expected, 0 where none are.
func (h Health) Every() time.Duration {
	switch {
	case h.Interval < 0:
		return 0
	case h.Interval == 0:
		return UsualInterval
	}
	return h.Interval
}

// Has returns the ailment if it lasts.
func (h Health) Has(a Ailment) (Spell, bool) {
	i := slices.IndexFunc(h.Ailing, func(s Spell) bool { return s.Ailment == a })
	if i < 0 {
		return Spell{}, false
	}
	return h.Ailing[i], true
}

// Begin notes that an ailment lasts since a time, and reports whether that is new.
func (h *Health) Begin(a Ailment, since time.Time) bool {
	if _, has := h.Has(a); has {
		return false
	}
	h.Ailing = append(slices.Clip(h.Ailing), Spell{Ailment: a, Since: since}) // a copy, so that what was before stays
	slices.SortFunc(h.Ailing, func(a, b Spell) int {
		return slices.Index(Ailments, a.Ailment) - slices.Index(Ailments, b.Ailment)
	})
	return true
}

// End notes that an ailment is over, and reports whether that is new.
func (h *Health) End(a Ailment, at time.Time) bool {
	spell, has := h.Has(a)
	if !has {
		return false
	}
	h.Ailing = slices.DeleteFunc(slices.Clone(h.Ailing), func(s Spell) bool { return s.Ailment == a })
	spell.Until = at
	h.Past = append([]Spell{spell}, h.Past...)
	h.Past = h.Past[:min(len(h.Past), toldSpells)]
	return true
}

// Suspect notes a sign of an ailment, which begins with the third in a row, as of
// the first; none ends it. It reports whether either is new.
func (h *Health) Suspect(a Ailment, seen bool, at time.Time) bool {
	if !seen {
		delete(h.Signs, a)
		return h.End(a, at)
	}
	sign := h.Signs[a]
	if sign.Times == 0 {
		sign.First = at
	}
	sign.Times++
	if h.Signs == nil {
		h.Signs = make(map[Ailment]Sign)
	}
	h.Signs[a] = sign
	return sign.Times >= InARow && h.Begin(a, sign.First)
}

// Doubted reports whether anything may be wrong with what the bell sees.
func (h Health) Doubted() bool {
	for a := range h.Signs {
		if a.OfView() {
			return true
		}
	}
	return slices.ContainsFunc(h.Ailing, func(s Spell) bool { return s.Ailment.OfView() })
}

// A BellDay is what came from a bell on a day. It names no visit.
type BellDay struct {
	Day     string        `json:"day"` // 2006-01-02, by the household's calendar
	Rings   int           `json:"rings"`
	Stills  int           `json:"stills"`
	Damaged int           `json:"damaged"`
	Upload  time.Duration `json:"upload"`  // of all stills together, from headers to the last byte
	Slowest time.Duration `json:"slowest"` // of them
}

// Add adds what another count of the same day has.
func (d *BellDay) Add(o BellDay) {
	d.Rings, d.Stills, d.Damaged = d.Rings+o.Rings, d.Stills+o.Stills, d.Damaged+o.Damaged
	d.Upload, d.Slowest = d.Upload+o.Upload, max(d.Slowest, o.Slowest)
}

// Mean is how long a still took on its way, 0 without any.
func (d BellDay) Mean() time.Duration {
	if d.Stills == 0 {
		return 0
	}
	return d.Upload / time.Duration(d.Stills)
}
