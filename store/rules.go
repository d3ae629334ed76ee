package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strconv"
	"time"
)

// ErrBadRule says that a rule can't be followed, and why.
var ErrBadRule = errors.New("this rule can't be followed")

// A Kind of visit is what rules of keeping go by.
type Kind string

const (
	Looking  Kind = "looking"  // a still is not examined yet; kept like a stranger's
	Known    Kind = "person"   // somebody enrolled was named
	Stranger Kind = "stranger" // a face, and nobody was named
	Parcel   Kind = "parcel"   // the household said so
	NoFace   Kind = "no-face"
	Damaged  Kind = "damaged" // no face, and a still is broken or could not be examined
)

// Kinds are those that have a rule, in the order of screens.
var Kinds = []Kind{Stranger, Known, Parcel, NoFace, Damaged}

// Plural names the visits of a kind, as in a rule about them.
func (k Kind) Plural() string {
	return map[Kind]string{
		Looking: "visits not examined yet", Known: "known persons", Stranger: "strangers",
		Parcel: "parcels", NoFace: "visits without a face", Damaged: "damaged visits",
	}[k]
}

// A Period is a length of time: hours as a clock runs, or days of the
// household's calendar, which daylight saving makes 23 or 25 hours long. One
// of the two is 0. It is written as "72h" or "30d".
type Period struct {
	Hours int
	Days  int
}

// MaxDays bounds a period: ten years.
const MaxDays = 3660

var periodText = regexp.MustCompile(`^([0-9]{1,6})([hd])$`)

// ParsePeriod reads "72h" or "30d". The error is ErrBadRule.
func ParsePeriod(text string) (Period, error) {
	m := periodText.FindStringSubmatch(text)
	if m == nil {
		return Period{}, fmt.Errorf("%w: %q is not a period such as 72h or 30d", ErrBadRule, text)
	}
	n, _ := strconv.Atoi(m[1])
	p := Period{Hours: n}
	if m[2] == "d" {
		p = Period{Days: n}
	}
	return p, p.check()
}

func (p Period) check() error {
	switch {
	case p.Hours < 0 || p.Days < 0 || p.Hours == 0 && p.Days == 0:
		return fmt.Errorf("%w: a period is one hour at least", ErrBadRule)
	case p.Hours > 0 && p.Days > 0:
		return fmt.Errorf("%w: a period is in hours or in days", ErrBadRule)
	case p.Days > MaxDays || p.Hours > 24*MaxDays:
		return fmt.Errorf("%w: a period is %d days at most", ErrBadRule, MaxDays)
	}
	return nil
}

func (p Period) String() string {
	if p.Days > 0 {
		return strconv.Itoa(p.Days) + "d"
	}
	return strconv.Itoa(p.Hours) + "h"
}

// Words spells a period out: "72 hours", "1 day".
func (p Period) Words() string {
	n, unit := p.Hours, "hour"
	if p.Days > 0 {
		n, unit = p.Days, "day"
	}
	if n == 1 {
		return "1 " + unit
	}
	return fmt.Sprintf("%d %ss", n, unit)
}

// MarshalText and UnmarshalText are for JSON. No period is "".
func (p Period) MarshalText() ([]byte, error) {
	if p == (Period{}) {
		return nil, nil
	}
	return []byte(p.String()), nil
}

func (p *Period) UnmarshalText(text []byte) (err error) {
	*p = Period{}
	if len(text) > 0 {
		*p, err = ParsePeriod(string(text))
	}
	return err
}

// After returns when the period that begins at t is over: for days, at the same
// time of day in the zone. Where daylight saving skips that time of day, it is
// over as much later; where it comes twice, the first time.
func (p Period) After(t time.Time, zone *time.Location) time.Time {
	if p.Days == 0 {
		return t.Add(time.Duration(p.Hours) * time.Hour)
	}
	local := t.In(zone)
	year, month, day := local.Date()
	hour, minute, second := local.Clock()
	return wallTime(year, month, day+p.Days, hour, minute, second, local.Nanosecond(), zone)
}

// wallTime is time.Date with what that leaves open settled: a time that comes
// twice is the first, one that is skipped is as much later as is skipped.
func wallTime(year int, month time.Month, day, hour, minute, second, nanosecond int, zone *time.Location) time.Time {
	utc := time.Date(year, month, day, hour, minute, second, nanosecond, time.UTC)
	// Offsets a day before and after are those on both sides of any change.
	_, before := utc.Add(-24 * time.Hour).In(zone).Zone()
	_, after := utc.Add(24 * time.Hour).In(zone).Zone()
	first := utc.Add(-time.Duration(max(before, after)) * time.Second)
	last := utc.Add(-time.Duration(min(before, after)) * time.Second)
	sameClock := func(t time.Time) bool {
		_, offset := t.In(zone).Zone()
		return t.Add(time.Duration(offset) * time.Second).Equal(utc)
	}
	if sameClock(first) {
		return first
	}
	return last
}

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

// A DayTime is a time of day, in minutes after midnight, written "22:30".
type DayTime int

func (d DayTime) String() string { return fmt.Sprintf("%02d:%02d", int(d)/60, int(d)%60) }

// MarshalText and UnmarshalText are for JSON.
func (d DayTime) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

func (d *DayTime) UnmarshalText(text []byte) error {
	t, err := time.Parse("15:04", string(text))
	if err != nil {
		return fmt.Errorf("%w: %q is not a time of day such as 22:30", ErrBadRule, text)
	}
	*d = DayTime(t.Hour()*60 + t.Minute())
	return nil
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

// Check reports what is wrong with the rules: ErrBadRule.
func (r Rules) Check() error {
	if _, err := r.location(); err != nil {
		return err
	}
	if kinds := slices.Collect(maps.Keys(r.Keep)); len(kinds) != len(Kinds) {
		return fmt.Errorf("%w: there is one for each of %v", ErrBadRule, Kinds)
	}
	for _, kind := range Kinds {
		rule, ok := r.Keep[kind]
		if !ok {
			return fmt.Errorf("%w: there is none for %s", ErrBadRule, kind)
		}
		if err := rule.check(); err != nil {
			return fmt.Errorf("%s: %w", kind, err)
		}
	}
	if len(r.Quiet) > 100 {
		return fmt.Errorf("%w: a week has 100 quiet times at most", ErrBadRule)
	}
	for _, q := range r.Quiet {
		if err := q.check(); err != nil {
			return err
		}
	}
	return nil
}

func (r Rule) check() error {
	if err := errors.Join(r.Stills.check(), r.Findings.check()); err != nil {
		return err
	}
	if r.Findings.AtLeastHours() < r.Stills.AtLeastHours() {
		return fmt.Errorf("%w: findings go no sooner (%s) than stills (%s)", ErrBadRule, r.Findings, r.Stills)
	}
	if r.Smaller == (Period{}) {
		return nil
	}
	if err := r.Smaller.check(); err != nil {
		return err
	}
	if r.Smaller.AtLeastHours() >= r.Stills.AtLeastHours() {
		return fmt.Errorf("%w: stills get smaller (%s) before they go (%s)", ErrBadRule, r.Smaller, r.Stills)
	}
	return nil
}

// AtLeastHours is for comparing periods.
func (p Period) AtLeastHours() int { return p.Hours + 24*p.Days }

func (q Quiet) check() error {
	if len(q.Days) == 0 || len(q.Days) > 7 {
		return fmt.Errorf("%w: a quiet time has 1 to 7 days", ErrBadRule)
	}
	for _, d := range q.Days {
		if d < time.Sunday || d > time.Saturday {
			return fmt.Errorf("%w: there is no day %d of the week", ErrBadRule, d)
		}
	}
	if q.From < 0 || q.From >= 24*60 || q.Until < 0 || q.Until >= 24*60 {
		return fmt.Errorf("%w: a time of day is 00:00 to 23:59", ErrBadRule)
	}
	return nil
}

func (r Rules) location() (*time.Location, error) {
	if r.Zone == "" {
		return time.Local, nil
	}
	zone, err := time.LoadLocation(r.Zone)
	if err != nil || r.Zone == "Local" {
		return nil, fmt.Errorf("%w: there is no time zone %q", ErrBadRule, r.Zone)
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
func (r Rules) QuietAt(t time.Time) bool {
	t = t.In(r.Location())
	at := DayTime(t.Hour()*60 + t.Minute())
	today := t.Weekday()
	yesterday := (today + 6) % 7
	for _, q := range r.Quiet {
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
// examined yet has no findings that could stay: it goes whole when a stranger's
// stills would.
func (r Rules) For(k Kind) Rule {
	if k == Looking {
		stills := r.Keep[Stranger].Stills
		return Rule{Stills: stills, Findings: stills}
	}
	return r.Keep[k]
}

// A Fate says what will become of a visit, by the rules as they are now. A
// time is zero where that will not happen or has happened.
type Fate struct {
	SmallerAt time.Time // its stills are replaced by smaller ones
	StillsAt  time.Time // its stills go and its findings stay
	GoesAt    time.Time // all of it goes
	Rule      Kind      // whose rule says so
	Period    Period    // the one that GoesAt ends
	HeldUntil time.Time // zero if there is no hold; nothing happens before
}

// Fate returns what will become of a visit.
func (r Rules) Fate(v Visit) Fate {
	rule, zone := r.For(v.Kind), r.Location()
	f := Fate{Rule: v.Kind, Period: rule.Findings, GoesAt: rule.Findings.After(v.CountedFrom, zone)}
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

// Rules returns the rules of the household, DefaultRules until it set some.
func (a *Archive) Rules(ctx context.Context) (Rules, error) { return a.rulesIn(ctx, a.read) }

func (a *Archive) rulesIn(ctx context.Context, q querier) (Rules, error) {
	rules := DefaultRules()
	if _, err := a.setting(ctx, q, "rules", &rules); err != nil {
		return Rules{}, err
	}
	return rules, nil
}

// SetRules keeps the rules, which hold from the next sweep on. The error is
// ErrBadRule if they can't be followed; then the old ones stay.
func (a *Archive) SetRules(ctx context.Context, r Rules) error {
	if err := r.Check(); err != nil {
		return err
	}
	err := a.update(ctx, func(tx *sql.Tx) error {
		if err := a.set(ctx, tx, "rules", r); err != nil {
			return err
		}
		return a.note(ctx, tx, "changed", "rules")
	})
	if err != nil {
		return fmt.Errorf("keeping the rules: %w", spaceError(err))
	}
	return nil
}
