package policy

import (
	"math"
	"slices"
	"strings"

	"lintel/internal/house"
	"lintel/pipeline/match"
	"lintel/pipeline/quality"
)

// Decide says whether to suggest unlocking the door for who rang, and why or
// why not. The advice has every condition, in the order on, home, wait, door,
// fresh, bell, clock, people, consent, rule, never, time, match, frames,
// quality, alike, factors; and picture after them where that withholds, never
// as one that is met. It has no ID and no By, which whoever keeps it gives it.
// Those that are no question here are told as not asked.
//
// A suggestion names the person and the factors it rests on, no more of those
// than are needed. It expires when the household says, or earlier with the
// first of its factors. Withheld advice names the person if somebody known can
// be seen.
func Decide(in Input) house.Advice {
	q := ask(in)
	a := q.advice()
	if s := q.subject(); s != nil {
		a.Person = s.id
	}
	var met bool
	a.Conditions, met = q.judge(conditions, (*question).against)
	if !met {
		return a
	}
	a.State, a.ExpiresAt = house.Suggested, in.Now.Add(in.House.Expiry)
	for _, f := range q.subject().restsOn {
		a.Factors = append(a.Factors, f.ID)
		if f.Until.Before(a.ExpiresAt) {
			a.ExpiresAt = f.Until
		}
	}
	return a
}

// A question is an Input with what several conditions go by.
type question struct {
	Input
	at       wall
	visitors []*visitor // known persons, by the still and place where first seen
	unknown  int        // faces of nobody known
	spoken   []string   // whom such faces were taken for or said to be
	awaited  int        // stills that came while a suggestion is open, and are being examined
}

// A visitor is somebody known who can be seen at the door.
type visitor struct {
	id      string
	faces   []*house.Face // all of them, by frame
	frames  int           // on how many stills
	ruling  ruling
	factors []house.Factor // that count, the strongest first
	spoiled []house.Reason // why others of this person do not
	enough  bool           // for every rule that holds
	restsOn []house.Factor // those of factors that are needed, if they are enough
}

func ask(in Input) *question {
	q := &question{Input: in, at: wallAt(in.Now, in.Zone, in.House)}
	q.reopen()
	for i := range in.Visit.Stills {
		q.see(in.Visit.Stills[i].Faces)
		if q.isAwaited(in.Visit.Stills[i]) {
			q.awaited++
		}
	}
	for _, v := range q.visitors {
		v.ruling = q.ruling(v.id)
		q.weigh(v)
	}
	return q
}

// reopen has what an open suggestion took count as not used.
func (q *question) reopen() {
	if q.Open == nil || q.Open.ID == "" {
		return
	}
	q.Factors, q.Parcels = slices.Clone(q.Factors), slices.Clone(q.Parcels)
	for i := range q.Factors {
		if q.Factors[i].UsedBy == q.Open.ID {
			q.Factors[i].UsedBy = ""
		}
	}
	for i := range q.Parcels {
		if q.Parcels[i].UsedBy == q.Open.ID {
			q.Parcels[i].UsedBy = ""
		}
	}
}

// see adds the faces of a still to the visitors.
func (q *question) see(faces []house.Face) {
	var here []*visitor
	for i := range faces {
		f := &faces[i]
		// What a resident says takes a match away, and gives none: who stands there
		// then is unknown, whatever the name.
		if f.Recognised() == nil || f.Match.Person == "" {
			q.unknown++
			q.spokenOf(f)
			continue
		}
		k := slices.IndexFunc(q.visitors, func(v *visitor) bool { return v.id == f.Match.Person })
		if k < 0 {
			k = len(q.visitors)
			q.visitors = append(q.visitors, &visitor{id: f.Match.Person})
		}
		v := q.visitors[k]
		v.faces = append(v.faces, f)
		if !slices.Contains(here, v) {
			here = append(here, v)
			v.frames++
		}
	}
}

// spokenOf remembers whom a face that is unknown was taken for, or was said to be: it
// may be theirs after all, which is enough to withhold what is for strangers alone.
func (q *question) spokenOf(f *house.Face) {
	var persons []string
	if f.Match != nil {
		persons = append(persons, f.Match.Person)
	}
	if f.Said != nil {
		persons = append(persons, f.Said.Person)
	}
	for _, id := range persons {
		if id != "" && !slices.Contains(q.spoken, id) {
			q.spoken = append(q.spoken, id)
		}
	}
}

func (q *question) advice() house.Advice {
	return house.Advice{Visit: q.Visit.ID, Door: q.Door.ID, State: house.Withheld, At: q.Now}
}

// subject is whom the advice is for: whom an open suggestion is for, or the first
// visitor whose factors are enough, or else the first. It is nil if nobody known can
// be seen.
func (q *question) subject() *visitor {
	if q.Open != nil {
		if i := slices.IndexFunc(q.visitors, func(v *visitor) bool { return v.id == q.Open.Person }); i >= 0 {
			return q.visitors[i]
		}
	}
	for _, v := range q.visitors {
		if v.enough {
			return v
		}
	}
	if len(q.visitors) > 0 {
		return q.visitors[0]
	}
	return nil
}

// ofEach makes one judgement of a judgement of every visitor. It says what
// each falls short of, or else of whom it can't be asked, or else what is met.
func ofEach(judge func(*question, *visitor) finding) func(*question) finding {
	return func(q *question) finding {
		if len(q.visitors) == 0 {
			return moot(nobodyKnown, none)
		}
		met, unmet, open := finding{met: true}, finding{}, finding{notAsked: true}
		for _, v := range q.visitors {
			f := judge(q, v)
			switch {
			case f.met:
				met.why = append(met.why, f.why...)
			case f.notAsked:
				open.why = append(open.why, f.why...)
			default:
				unmet.why = append(unmet.why, f.why...)
			}
		}
		switch {
		case len(unmet.why) > 0:
			return unmet
		case len(open.why) > 0:
			return open
		}
		return met
	}
}

func (q *question) people() finding {
	if fault := q.unexamined(); fault != "" {
		return no(fault, none)
	}
	told := house.Values{Persons: q.persons(), Count: q.unknown}
	switch {
	case q.unknown > 0 && len(q.visitors) == 0:
		return no(faceUnknown, none)
	case q.unknown > 0:
		return no(faceMixed, told)
	case len(q.visitors) == 0:
		return no(faceNone, none)
	}
	for _, v := range q.visitors {
		if len(v.faces) != v.frames {
			return no(faceTwice, of(v))
		}
	}
	if q.Open != nil && q.Open.Person != "" && q.subject().id != q.Open.Person {
		return no(peopleGone, house.Values{Person: q.Open.Person, Persons: told.Persons})
	}
	if len(q.visitors) == 1 {
		return yes(peopleOne, house.Values{Person: q.visitors[0].id, Count: len(q.Visit.Stills)})
	}
	for _, v := range q.visitors {
		if len(v.ruling.holding) == 0 || len(v.ruling.never) > 0 {
			told.Person = v.id
			return no(peopleNotAll, told)
		}
	}
	return yes(peopleAll, told)
}

// persons lists the visitors by their ids.
func (q *question) persons() (ids []string) {
	for _, v := range q.visitors {
		ids = append(ids, v.id)
	}
	return ids
}

// unexamined asks all stills whether they were examined: one that was not may
// show anybody. It returns a code for the first that was not, "" if all were.
func (q *question) unexamined() (code string) {
	if len(q.Visit.Stills) == 0 {
		return noStill
	}
	for _, s := range q.Visit.Stills {
		switch {
		case q.isAwaited(s):
			continue
		case s.State == house.Pending:
			return stillPending
		case s.State != house.Done || s.Damaged || s.Lost:
			return stillUnreadable
		}
	}
	return ""
}

// isAwaited reports whether a still came so lately, while a suggestion is open, that
// nothing is told by its not being examined yet. None was when it was made.
func (q *question) isAwaited(s house.Still) bool {
	return s.State == house.Pending && q.Open != nil && q.Now.Sub(s.ReceivedAt) < MaxExamining && !s.Damaged && !s.Lost
}

// together reports whether what was found by so many stills is by all that show
// the visitor. One that is being examined may be counted already.
func (q *question) together(frames int, v *visitor) bool {
	return v.frames <= frames && frames <= v.frames+q.awaited
}

func (q *question) consent(v *visitor) finding {
	p, known := q.Persons[v.id]
	switch c := p.Consent; {
	case !known || p.ID != v.id:
		return no(personGone, none)
	case c == nil || c.GivenAt.IsZero() || strings.TrimSpace(c.GivenBy) == "" || strings.TrimSpace(c.Scope) == "":
		return no(consentNone, of(v))
	case c.GivenAt.After(q.Now):
		return no(consentLater, of(v))
	}
	return yes(consentGiven, house.Values{Person: v.id, At: p.Consent.GivenAt})
}

func (q *question) allowed(v *visitor) finding {
	told := house.Values{Person: v.id, Door: q.Door.ID, Count: len(v.ruling.allowing)}
	switch {
	case v.ruling.fault != nil:
		told.Why = refusals(v.ruling.fault)
		return no(ruleFaulty, told)
	case len(v.ruling.allowing) == 0:
		return no(ruleNone, told)
	}
	return yes(ruleLets, told)
}

func (q *question) never(v *visitor) finding {
	switch {
	case q.Rules == nil || !q.at.known || v.ruling.fault != nil:
		return no(neverUnknown, of(v))
	case len(v.ruling.never) > 0:
		return no(neverNow, house.Values{Person: v.id, Door: q.Door.ID, Rules: []house.DoorRule{*v.ruling.never[0]}})
	}
	return yes(neverNone, of(v))
}

func (q *question) time(v *visitor) finding {
	if !q.at.known {
		return no(timeUnknown, none)
	}
	told := house.Values{Person: v.id, At: q.Now, Holiday: q.at.today.holiday}
	switch {
	case len(v.ruling.holding) > 0:
		told.Rules = []house.DoorRule{*v.ruling.holding[0]}
		return yes(timeHolds, told)
	case len(v.ruling.allowing) > 0:
		told.Rules = []house.DoorRule{*v.ruling.allowing[0]}
		return no(timeOther, told)
	}
	return moot(timeNoRule, told)
}

func (q *question) match(v *visitor) finding {
	worst := v.faces[0].Match
	for _, f := range v.faces {
		m := f.Match
		if m.Band == string(match.Weak) {
			return no(matchWeak, of(v))
		}
		if fault := matchFault(*m); fault != "" {
			return no(fault, of(v))
		}
		if sureness(m.Band) < sureness(worst.Band) || m.Band == worst.Band && m.Distance > worst.Distance {
			worst = m
		}
	}
	asked := v.ruling.band()
	told := house.Values{Person: v.id, Band: worst.Band, Distance: worst.Distance, Rate: worst.FPIR, Asked: asked}
	switch {
	case asked == "":
		return moot(matchNoRule, told)
	case sureness(worst.Band) < sureness(asked):
		return no(matchShort, told)
	}
	return yes(matchEnough, told)
}

// sureness orders the bands that may count; a weak match never does.
func sureness(band string) int {
	return slices.Index([]string{"", string(match.Fair), string(match.Strong)}, band)
}

// matchFault says what of a match can't be, "" if all can. A distance of 0 is
// that of a copy, not of a person.
func matchFault(m house.Match) (code string) {
	switch {
	case !(m.Distance > 0 && m.Distance < match.MaxDistance):
		return matchDistance
	case !(m.FPIR > 0 && m.FPIR < 1) || !(m.Probability >= 0 && m.Probability <= 1):
		return matchRate
	case m.FPIR > match.Band(m.Band).Limit():
		return matchOffBand
	case sureness(m.Band) < 1:
		return matchNoBand
	}
	return ""
}

// frames asks that a face was matched as one over all stills it is on: lest a
// face on one still vouch for somebody else on another.
func (q *question) frames(v *visitor) finding {
	for _, f := range v.faces {
		if f.Descriptor == (house.Descriptor{}) {
			return no(framesUnjudged, of(v))
		}
		if !q.together(f.Match.Frames, v) {
			return no(framesApart, house.Values{Person: v.id, Count: v.frames, Of: f.Match.Frames})
		}
	}
	return yes(framesTogether, house.Values{Person: v.id, Count: v.frames})
}

func (q *question) quality(v *visitor) finding {
	for _, f := range v.faces {
		if f.Quality == nil || !measured(*f.Quality) {
			return no(qualityUnknown, of(v))
		}
		_, complaints := quality.Judge(*f.Quality)
		for _, c := range complaints {
			if c.Poor {
				return no(qualityPoor, house.Values{Person: v.id, Why: []string{c.Code}, Measured: c.Value})
			}
		}
	}
	return yes(qualityEnough, of(v))
}

// measured reports whether all is a number that has an end.
func measured(q house.Quality) bool {
	sum := q.EyeDistance + q.PixelsPerMetre + q.Sharpness + q.Luma + q.Clipped + q.Contrast +
		q.Yaw + q.Roll + q.Occlusion + q.Cut
	return !math.IsNaN(sum) && !math.IsInf(sum, 0)
}

// alike asks for nobody who is easily confused with the visitor, or for a
// factor that settles it.
func (q *question) alike(v *visitor) finding {
	if q.Alike == nil {
		return no(alikeUnknown, of(v))
	}
	told := house.Values{Person: v.id, Persons: q.doubles(v.id)}
	if len(told.Persons) == 0 {
		return yes(alikeNobody, told)
	}
	if i := slices.IndexFunc(v.factors, decisive); i >= 0 {
		told.Given = given(v.factors[i])
		return yes(alikeSettled, told)
	}
	return no(alikeOpen, told)
}

// doubles lists who is alike, from both ends of each pair.
func (q *question) doubles(id string) []string {
	var others []string
	others = append(others, q.Alike[id]...)
	for other, list := range q.Alike {
		if other != id && slices.Contains(list, id) {
			others = append(others, other)
		}
	}
	slices.Sort(others)
	return slices.Compact(others)
}
