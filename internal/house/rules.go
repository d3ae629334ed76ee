package house

import (
	"errors"
	"maps"
	"slices"
	"time"
)

// ErrBadRule says that a rule can't be followed, and why.
var ErrBadRule = errors.New("this rule can't be followed")

// maxQuiets bounds the quiet times of a week.
const maxQuiets = 100

// A Rule says how long visits of a kind are kept.
type Rule struct {
	// Smaller, if set, is when stills are replaced by smaller ones.
	Smaller Period `json:"smaller"`
	// Stills is how long there are stills at all.
	Stills Period `json:"stills"`
	// Findings is how long it is kept who rang, when and where. If it is as
	// long as Stills, the visit goes whole; if longer, its findings stay behind,
	// without the descriptors of faces.
	Findings Period `json:"findings"`
}

// Rules are what a household decided about keeping.
type Rules struct {
	// Zone is the household's time zone by its name in the tz database.
	// Empty stands for the server's.
	Zone  string        `json:"zone"`
	Keep  map[Kind]Rule `json:"keep"` // for each of Kinds
	Quiet []Quiet       `json:"quiet"`
}

// A Quiet is a part of each week when nothing is kept. Where Until is not
// later in the day than From, it is on the day after.
type Quiet struct {
	Days  []time.Weekday `json:"days"` // on which it begins; 0 is Sunday
	From  DayTime        `json:"from"`
	Until DayTime        `json:"until"`
}

// DefaultRules are those of a new archive. Strangers go after 72 hours: the
// European Data Protection Board's Guidelines 3/2019, paragraph 121, ask for
// the more reasons the longer beyond that. All else that shows no known person
// goes by the same measure, since a stranger may be on it.
func DefaultRules() Rules {
	short := Rule{Stills: Period{Hours: 72}, Findings: Period{Hours: 72}}
	long := Rule{Stills: Period{Days: 30}, Findings: Period{Days: 30}}
	return Rules{Keep: map[Kind]Rule{Stranger: short, Known: long, Parcel: short, NoFace: short, Damaged: short}}
}

// CheckZone reports what is wrong with the time zone: ErrBadRule.
func (r Rules) CheckZone() error {
	_, err := r.location()
	return err
}

// Check reports what is wrong with the rules: ErrBadRule.
func (r Rules) Check() error {
	if err := r.CheckZone(); err != nil {
		return err
	}
	if kinds := slices.Collect(maps.Keys(r.Keep)); len(kinds) != len(Kinds) {
		return fault(ErrBadRule, "rule-kinds")
	}
	for _, kind := range Kinds {
		rule, ok := r.Keep[kind]
		if !ok {
			return FaultIn{"kind", kind, fault(ErrBadRule, "rule-none")}
		}
		if err := rule.Check(); err != nil {
			return FaultIn{"kind", kind, err}
		}
	}
	return r.CheckQuiet()
}

// CheckQuiet reports what is wrong with the quiet times: ErrBadRule.
func (r Rules) CheckQuiet() error { return checkQuiets(r.Quiet) }

// checkQuiets reports what is wrong with the times of a week: ErrBadRule.
func checkQuiets(times []Quiet) error {
	if len(times) > maxQuiets {
		return fault(ErrBadRule, "quiet-many", "Most", maxQuiets)
	}
	for i, q := range times {
		if err := q.Check(); err != nil {
			return FaultIn{"quiet", i + 1, err}
		}
	}
	return nil
}

// Check reports what is wrong with the rule of a kind: ErrBadRule.
func (r Rule) Check() error {
	if err := errors.Join(r.Stills.check(), r.Findings.check()); err != nil {
		return err
	}
	if r.Findings.AtLeastHours() < r.Stills.AtLeastHours() {
		return fault(ErrBadRule, "rule-entry-sooner")
	}
	if r.Smaller == (Period{}) {
		return nil
	}
	if err := r.Smaller.check(); err != nil {
		return err
	}
	if r.Smaller.AtLeastHours() >= r.Stills.AtLeastHours() {
		return fault(ErrBadRule, "rule-smaller-later")
	}
	return nil
}

// Check reports what is wrong with a quiet time: ErrBadRule.
func (q Quiet) Check() error {
	if len(q.Days) == 0 || len(q.Days) > 7 {
		return fault(ErrBadRule, "quiet-days")
	}
	for _, d := range q.Days {
		if d < time.Sunday || d > time.Saturday {
			return fault(ErrBadRule, "quiet-weekday", "Day", int(d))
		}
	}
	if q.From < 0 || q.From >= 24*60 || q.Until < 0 || q.Until >= 24*60 {
		return fault(ErrBadRule, "day-time-bounds")
	}
	return nil
}

func (r Rules) location() (*time.Location, error) {
	if r.Zone == "" {
		return time.Local, nil
	}
	zone, err := time.LoadLocation(r.Zone)
	if err != nil || r.Zone == "Local" {
		return nil, fault(ErrBadRule, "zone", "Zone", r.Zone)
	}
	return zone, nil
}

// Location returns the household's time zone.
func (r Rules) Location() *time.Location {
	zone, err := r.location()
	if err != nil {
		return time.UTC // never of rules that were checked
	}
	return zone
}

// QuietAt reports whether nothing is kept at t. What counts is the clock on the
// household's wall: an hour that daylight saving repeats is quiet both times.
func (r Rules) QuietAt(t time.Time) bool { return quietAt(r.Quiet, t.In(r.Location())) }

// quietAt reports whether one of the times of the week holds, by the clock that t
// is told in.
func quietAt(times []Quiet, t time.Time) bool {
	at := DayTime(t.Hour()*60 + t.Minute())
	today := t.Weekday()
	yesterday := (today + 6) % 7
	for _, q := range times {
		overnight := q.Until <= q.From
		begun := slices.Contains(q.Days, today) && at >= q.From && (overnight || at < q.Until)
		goesOn := overnight && slices.Contains(q.Days, yesterday) && at < q.Until
		if begun || goesOn {
			return true
		}
	}
	return false
}

// For returns the rule that a visit of the kind goes by. One that is not
// examined yet is kept as a stranger's, but its stills are made no smaller.
func (r Rules) For(k Kind) Rule {
	if k == Looking {
		stranger := r.Keep[Stranger]
		return Rule{Stills: stranger.Stills, Findings: stranger.Findings}
	}
	return r.Keep[k]
}

// A Swept says what a sweep by the rules did, or would do.
type Swept struct {
	Visits   int `json:"visits"`   // gone whole
	Findings int `json:"findings"` // visits whose stills are gone, and whose findings stay
	Smaller  int `json:"smaller"`  // visits whose stills are smaller now
}

// A Schedule says what will become of a visit, by the rules as they are now. A
// time is zero where that will not happen or has happened.
type Schedule struct {
	SmallerAt time.Time // its stills are replaced by smaller ones
	StillsAt  time.Time // its stills go and its findings stay
	GoesAt    time.Time // all of it goes
	Rule      Kind      // whose rule says so
	Period    Period    // the one that GoesAt ends
	HeldUntil time.Time // zero if there is no hold; nothing happens before
}

// Schedule returns what will become of a visit.
func (r Rules) Schedule(v Visit) Schedule {
	rule, zone := r.For(v.Kind), r.Location()
	f := Schedule{Rule: v.Kind, Period: rule.Findings, GoesAt: rule.Findings.After(v.CountedFrom, zone)}
	if v.Kind == Looking {
		f.Rule = Stranger
	}
	if v.Stage < OnlyFindings && rule.Findings != rule.Stills {
		f.StillsAt = rule.Stills.After(v.CountedFrom, zone)
	}
	if v.Stage < Smaller && rule.Smaller != (Period{}) {
		f.SmallerAt = rule.Smaller.After(v.CountedFrom, zone)
	}
	if v.Hold != nil {
		f.HeldUntil = v.Hold.EndsAt
		for _, at := range []*time.Time{&f.SmallerAt, &f.StillsAt, &f.GoesAt} {
			if !at.IsZero() && at.Before(f.HeldUntil) {
				*at = f.HeldUntil
			}
		}
	}
	return f
}
