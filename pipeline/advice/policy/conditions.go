package policy

import (
	"errors"
	"slices"
	"time"

	"lintel/internal/house"
)

// A condition is one thing that must hold. It judges and says why, whatever the
// others say.
type condition struct {
	code  string
	judge func(*question) finding
}

// conditions are those of a person at a door, in the order they are shown in.
var conditions = []condition{
	{On, (*question).on},
	{Home, (*question).home},
	{Wait, ofEach((*question).wait)},
	{Door, (*question).door},
	{Fresh, (*question).fresh},
	{Healthy, (*question).healthy},
	{Clock, (*question).clock},
	{People, (*question).people},
	{Consent, ofEach((*question).consent)},
	{Allowed, ofEach((*question).allowed)},
	{Never, ofEach((*question).never)},
	{Time, ofEach((*question).time)},
	{Match, ofEach((*question).match)},
	{Frames, ofEach((*question).frames)},
	{Quality, ofEach((*question).quality)},
	{Alike, ofEach((*question).alike)},
	{Factors, (*question).factors},
}

// judge works out all conditions, and after them what of pictures speaks
// against a suggestion.
func (q *question) judge(all []condition, against func(*question) []house.Reason) (judged []house.Condition, met bool) {
	judged, met = make([]house.Condition, len(all)), true
	for i, c := range all {
		f := c.judge(q)
		judged[i] = house.Condition{Code: c.code, Met: f.met, NotAsked: f.notAsked, Reasons: f.why}
		met = met && f.met
	}
	if why := against(q); len(why) > 0 {
		judged, met = append(judged, house.Condition{Code: Sign, Reasons: why}), false
	}
	return judged, met
}

func (q *question) on() finding {
	h := q.House
	if h == nil {
		return no(onUnknown, none)
	}
	if faults := CheckAdviceRules(*h); len(faults) > 0 {
		return no(onFaulty, house.Values{Why: refusals(faults...)})
	}
	if h.Paused {
		return no(onPaused, none)
	}
	return yes(onOn, none)
}

// refusals are the codes of what is wrong with rules.
func refusals(faults ...error) (codes []string) {
	for _, err := range faults {
		if code := house.Refusal(""); errors.As(err, &code) {
			codes = append(codes, string(code))
		}
	}
	return codes
}

func (q *question) home() finding {
	switch {
	case q.House == nil:
		return no(homeUnknown, none)
	case q.House.AwayUntil.After(q.Now):
		return no(homeAway, house.Values{Until: q.House.AwayUntil})
	}
	return yes(homeHome, none)
}

// wait asks whether failed attempts in the visitor's name make them wait.
func (q *question) wait(v *visitor) finding {
	if q.Misses == nil || q.House == nil || q.House.Misses < 1 {
		return no(waitUnknown, of(v))
	}
	lately, until, sound := q.waits(func(m house.Miss) bool { return m.Whom == v.id })
	switch {
	case !sound:
		return no(waitLater, of(v))
	case until.After(q.Now):
		return no(waitUntil, house.Values{Person: v.id, Count: q.House.Misses, Until: until})
	}
	return yes(waitNone, house.Values{Person: v.id, Count: lately, Of: q.House.Misses})
}

// waits counts those failed attempts that count: as many as the household bears,
// within an hour, begin a wait. It is not sound where one is later than now.
func (q *question) waits(counts func(house.Miss) bool) (lately int, until time.Time, sound bool) {
	var at []time.Time
	for _, m := range q.Misses {
		if counts(m) {
			at = append(at, m.At)
		}
	}
	slices.SortFunc(at, time.Time.Compare)
	if len(at) > 0 && at[len(at)-1].After(q.Now) {
		return 0, until, false
	}
	for i, t := range at {
		if q.Now.Sub(t) < time.Hour {
			lately++
		}
		if first := i - q.House.Misses + 1; first >= 0 && t.Sub(at[first]) <= time.Hour {
			until = t.Add(q.House.Wait)
		}
	}
	return lately, until, true
}

// sourceWaits reports whether failed attempts of a phone's or a reader's make
// what it tells not count. Labels that nobody has are none: a reader sees the
// neighbours' as well.
func (q *question) sourceWaits(source string) bool {
	if q.House == nil || q.House.Misses < 1 {
		return true
	}
	_, until, sound := q.waits(func(m house.Miss) bool { return m.By == "source "+source && m.Whom != "" })
	return !sound || until.After(q.Now)
}

func (q *question) door() finding {
	told := house.Values{Bell: q.Visit.Bell, OtherBell: q.Door.Bell, Door: q.Door.ID}
	switch {
	case q.Door.ID == "" || q.Door.Bell == "":
		return no(doorUnknown, none)
	case q.Visit.ID == "" || q.Visit.Bell == "":
		return no(doorNoBell, none)
	case q.Visit.Bell != q.Door.Bell:
		return no(doorOther, told)
	}
	return yes(doorRight, told)
}

// fresh asks it of the ring and of every still, by the server's clock and,
// where the bell says its time, by the bell's.
func (q *question) fresh() finding {
	if q.Now.IsZero() || q.Visit.ReceivedAt.IsZero() {
		return no(ringNoTime, none)
	}
	if len(q.Visit.Stills) == 0 {
		return no(noStill, none)
	}
	age := q.asOf(q.Visit.ReceivedAt).Sub(q.Visit.ReceivedAt)
	if code, told := staleBy(age, 0, ringLater, ringOld); code != "" {
		return no(code, told)
	}
	for _, s := range q.Visit.Stills {
		now := q.asOf(s.ReceivedAt)
		if code, told := staleBy(now.Sub(s.ReceivedAt), 0, stillLater, stillOld); code != "" {
			return no(code, told)
		}
		if code, told := staleBy(now.Sub(s.TakenAt), MaxSkew, takenLater, takenOld); code != "" && !s.TakenAt.IsZero() {
			return no(code, told)
		}
	}
	return yes(ringFresh, house.Values{Lasted: age})
}

// asOf is when it is asked whether something that came at a time is fresh: now,
// or when an open suggestion was made, or when it came if that was later.
func (q *question) asOf(came time.Time) time.Time {
	switch {
	case q.Open == nil || came.After(q.Now):
		return q.Now
	case came.After(q.Open.At):
		return came
	}
	return q.Open.At
}

// staleBy returns one of two codes for an age that is wrong, "" if it is not. It
// may be as much below 0 as clocks differ.
func staleBy(age, differ time.Duration, later, old string) (code string, told house.Values) {
	switch {
	case age < -differ:
		return later, house.Values{Lasted: -age}
	case age >= MaxAge:
		return old, house.Values{Lasted: age, Longest: MaxAge}
	}
	return "", told
}

// unwell are the codes of the ailments that withhold.
var unwell = map[house.Ailment]string{house.BellQuiet: bellQuiet, house.BellCovered: bellCovered,
	house.BellDark: bellDark, house.BellUnfocused: bellUnfocused, house.BellMoved: bellMoved}

func (q *question) healthy() finding {
	b := q.Bell
	if b == nil || b.Name == "" || b.Name != q.Visit.Bell || !slices.Contains(q.Bells, b.Name) {
		return no(bellUnknown, none)
	}
	switch {
	case b.RefusedAt.After(q.Now):
		return no(bellLater, none)
	case q.Visit.ReceivedAt.Before(b.TrialUntil):
		return no(bellTrial, house.Values{Until: b.TrialUntil})
	case !b.RefusedAt.IsZero() && q.Now.Sub(b.RefusedAt) < AfterRefusal:
		return no(bellPosed, house.Values{At: b.RefusedAt, Longest: AfterRefusal})
	}
	for _, spell := range b.Ailing {
		if spell.Ailment.Withholds() {
			return no(unwell[spell.Ailment], house.Values{At: spell.Since})
		}
	}
	if !b.TriedSince.IsZero() { // after all that withholds, or guessing would make a bell well
		return yes(bellTried, house.Values{At: b.TriedSince})
	}
	return yes(bellWell, none)
}

func (q *question) clock() finding {
	skew := q.Visit.ClockSkew()
	switch {
	case q.Now.IsZero() || q.Clock == nil:
		return no(clockUnknown, none)
	case q.Clock.JumpedAt.After(q.Now):
		return no(clockBack, none)
	case !q.Clock.JumpedAt.IsZero() && q.Now.Sub(q.Clock.JumpedAt) < AfterJump:
		return no(clockJumped, house.Values{At: q.Clock.JumpedAt, Longest: AfterJump})
	case q.Clock.Behind > MaxSkew:
		return no(clockBehind, house.Values{Lasted: q.Clock.Behind})
	case slices.ContainsFunc(q.Visit.Stills, func(s house.Still) bool { return s.TakenAt.IsZero() }):
		return no(clockUntold, none) // or a bell that stops saying its time would clear itself of a doubt
	case skew.Abs() > MaxSkew:
		return no(clockDiffers, house.Values{Lasted: skew.Abs(), Longest: MaxSkew})
	}
	return yes(clockRight, house.Values{Lasted: skew.Abs()})
}
