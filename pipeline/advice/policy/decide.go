package policy

import (
	"fmt"
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
	a.Conditions, met = q.judge(conditions, (*question).persons)
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
}

// A visitor is somebody known who can be seen at the door.
type visitor struct {
	id, name string
	faces    []*house.Face // all of them, by frame
	frames   int           // on how many stills
	ruling   ruling
	factors  []house.Factor // that count, the strongest first
	spoiled  []string       // why others of this person do not
	enough   bool           // for every rule that holds
	restsOn  []house.Factor // those of factors that are needed, if they are enough
}

func ask(in Input) *question {
	q := &question{Input: in, at: wallAt(in.Now, in.Zone, in.House)}
	for i := range in.Visit.Stills {
		q.see(in.Visit.Stills[i].Faces)
	}
	for _, v := range q.visitors {
		v.name = in.personName(v.id)
		v.ruling = q.ruling(v.id)
		q.weigh(v)
	}
	return q
}

// see adds the faces of a still to the visitors.
func (q *question) see(faces []house.Face) {
	var here []*visitor
	for i := range faces {
		f := &faces[i]
		if f.Match == nil || f.Match.Person == "" {
			q.unknown++
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

func (q *question) advice() house.Advice {
	return house.Advice{Visit: q.Visit.ID, Door: q.Door.ID, State: house.Withheld, At: q.Now}
}

// subject is whom the advice is for: the first visitor whose factors are
// enough, or else the first. It is nil if nobody known can be seen.
func (q *question) subject() *visitor {
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
// each falls short of, or else what is met.
func ofEach(judge func(*question, *visitor) (bool, string)) func(*question) (bool, string) {
	return func(q *question) (bool, string) {
		if len(q.visitors) == 0 {
			return false, "Nobody known can be seen, so there is nothing to go by."
		}
		var met, unmet []string
		for _, v := range q.visitors {
			if ok, says := judge(q, v); ok {
				met = append(met, says)
			} else {
				unmet = append(unmet, says)
			}
		}
		if len(unmet) > 0 {
			return false, strings.Join(unmet, " ")
		}
		return true, strings.Join(met, " ")
	}
}

func (q *question) people() (bool, string) {
	if ok, says := q.examined(); !ok {
		return false, says
	}
	switch {
	case q.unknown > 0 && len(q.visitors) == 0:
		return false, "Nobody known can be seen."
	case q.unknown > 0:
		return false, fmt.Sprintf("%s can be seen, and %s of nobody known.", q.names(), counted(q.unknown, "face"))
	case len(q.visitors) == 0:
		return false, "No face can be seen."
	}
	for _, v := range q.visitors {
		if len(v.faces) != v.frames {
			return false, "Two faces on one still are both taken for " + v.name + "."
		}
	}
	if len(q.visitors) == 1 {
		return true, q.names() + " is the only one who can be seen."
	}
	for _, v := range q.visitors {
		if len(v.ruling.holding) == 0 || len(v.ruling.never) > 0 {
			return false, fmt.Sprintf("%s can be seen, and no rule lets %s be suggested now.", q.names(), v.name)
		}
	}
	return true, fmt.Sprintf("%s can be seen, and a rule lets each of them be suggested now.", q.names())
}

// examined asks it of all stills: one that was not may show anybody.
func (q *question) examined() (bool, string) {
	if len(q.Visit.Stills) == 0 {
		return false, "There is no still of this ring."
	}
	for _, s := range q.Visit.Stills {
		switch {
		case s.State == house.Pending:
			return false, "A still of this ring is not examined yet."
		case s.State != house.Done || s.Damaged || s.Lost:
			return false, "A still of this ring is damaged or could not be examined, so who else is there is not known."
		}
	}
	return true, "All stills of this ring were examined."
}

func (q *question) consent(v *visitor) (bool, string) {
	p, known := q.Persons[v.id]
	switch {
	case !known || p.ID != v.id:
		return false, "Who this is, is not known any more."
	case p.Consent == nil || p.Consent.GivenAt.IsZero() || strings.TrimSpace(p.Consent.GivenBy) == "" || strings.TrimSpace(p.Consent.Scope) == "":
		return false, "There is no consent of " + v.name + " in force."
	case p.Consent.GivenAt.After(q.Now):
		return false, "The consent of " + v.name + " is dated later than now."
	}
	return true, fmt.Sprintf("The consent of %s, given on %s, is in force.", v.name, q.day(p.Consent.GivenAt))
}

func (q *question) allowed(v *visitor) (bool, string) {
	switch {
	case v.ruling.fault != nil:
		return false, fmt.Sprintf("A rule for %s at %s can't be followed: %v.", v.name, q.doorName(), v.ruling.fault)
	case len(v.ruling.allowing) == 0:
		return false, fmt.Sprintf("No rule lets %s be suggested at %s.", v.name, q.doorName())
	}
	return true, fmt.Sprintf("%s %s be suggested at %s.", counted(len(v.ruling.allowing), "rule"), verb(len(v.ruling.allowing), "lets "+v.name, "let "+v.name), q.doorName())
}

func (q *question) never(v *visitor) (bool, string) {
	switch {
	case q.Rules == nil || !q.at.known || v.ruling.fault != nil:
		return false, fmt.Sprintf("Whether a rule says never for %s now is not known.", v.name)
	case len(v.ruling.never) > 0:
		return false, fmt.Sprintf("A rule says never for %s at %s, %s. It wins over all that allow.", v.name, q.doorName(), span(*v.ruling.never[0]))
	}
	return true, fmt.Sprintf("No rule says never for %s now.", v.name)
}

func (q *question) time(v *visitor) (bool, string) {
	if !q.at.known {
		return false, "The day and time by the household's clock are not known."
	}
	now := "It is " + q.at.says
	switch {
	case len(v.ruling.holding) > 0:
		return true, fmt.Sprintf("%s; a rule for %s holds %s.", now, v.name, span(*v.ruling.holding[0]))
	case len(v.ruling.allowing) > 0:
		return false, fmt.Sprintf("%s; the rule for %s holds %s.", now, v.name, span(*v.ruling.allowing[0]))
	}
	return false, now + "; there is no rule for " + v.name + " to go by."
}

func (q *question) match(v *visitor) (bool, string) {
	worst := v.faces[0].Match
	for _, f := range v.faces {
		m := f.Match
		if m.Band == string(match.Weak) {
			return false, "The match with " + v.name + " is weak, which never counts."
		}
		if fault := matchFault(*m); fault != "" {
			return false, fmt.Sprintf("How sure the match with %s is, is not known: %s.", v.name, fault)
		}
		if sureness(m.Band) < sureness(worst.Band) || m.Band == worst.Band && m.Distance > worst.Distance {
			worst = m
		}
	}
	found := fmt.Sprintf("The match with %s is %s, distance %.2f: as near comes %s.", v.name, worst.Band, worst.Distance, match.Odds(worst.FPIR))
	asked := v.ruling.band()
	switch {
	case asked == "":
		return false, found + " No rule holds that says what is enough."
	case sureness(worst.Band) < sureness(asked):
		return false, fmt.Sprintf("%s A %s one is asked for.", found, asked)
	}
	return true, fmt.Sprintf("%s At least a %s one is asked for.", found, asked)
}

// sureness orders the bands that may count; a weak match never does.
func sureness(band string) int {
	return slices.Index([]string{"", string(match.Fair), string(match.Strong)}, band)
}

// matchFault says what of a match can't be, "" if all can. A distance of 0 is
// that of a copy, not of a person.
func matchFault(m house.Match) string {
	switch {
	case !(m.Distance > 0 && m.Distance < match.MaxDistance):
		return "the distance can't be"
	case !(m.FPIR > 0 && m.FPIR < 1) || !(m.Probability >= 0 && m.Probability <= 1):
		return "its rate can't be"
	case m.FPIR > match.Band(m.Band).Limit():
		return "its rate is not that of its band"
	case sureness(m.Band) < 1:
		return "its band is not known"
	}
	return ""
}

// frames asks that a face was matched as one over all stills it is on: lest a
// face on one still vouch for somebody else on another.
func (q *question) frames(v *visitor) (bool, string) {
	for _, f := range v.faces {
		if f.Descriptor == (house.Descriptor{}) {
			return false, "A face of " + v.name + " was not judged, or is not kept any more."
		}
		if f.Match.Frames != v.frames {
			return false, fmt.Sprintf("%s is on %s, and not judged by all of them together: the match is by %d.",
				v.name, counted(v.frames, "still"), f.Match.Frames)
		}
	}
	return true, fmt.Sprintf("%s was judged by %s together, all that show the face.", v.name, counted(v.frames, "still"))
}

func (q *question) quality(v *visitor) (bool, string) {
	for _, f := range v.faces {
		if f.Quality == nil || !measured(*f.Quality) {
			return false, fmt.Sprintf("How well the face of %s can be judged was not measured, or is not kept any more.", v.name)
		}
		_, complaints := quality.Judge(*f.Quality)
		for _, c := range complaints {
			if c.Poor {
				return false, fmt.Sprintf("The face of %s can't be judged well. %s", v.name, c.Says)
			}
		}
	}
	return true, fmt.Sprintf("The face of %s can be judged well enough.", v.name)
}

// measured reports whether all is a number that has an end.
func measured(q house.Quality) bool {
	sum := q.EyeDistance + q.PixelsPerMetre + q.Sharpness + q.Luma + q.Clipped + q.Contrast + q.Yaw + q.Roll + q.Occlusion + q.Cut
	return !math.IsNaN(sum) && !math.IsInf(sum, 0)
}

// alike asks for nobody who is easily confused with the visitor, or for a
// factor that settles it.
func (q *question) alike(v *visitor) (bool, string) {
	if q.Alike == nil {
		return false, "Whether somebody is easily confused with " + v.name + " is not known."
	}
	others := q.doubles(v.id)
	if len(others) == 0 {
		return true, "Nobody enrolled is easily confused with " + v.name + "."
	}
	names := make([]string, len(others))
	for i, id := range others {
		names[i] = q.personName(id)
	}
	confused := fmt.Sprintf("%s is easily confused with %s.", v.name, listed(names))
	if i := slices.IndexFunc(v.factors, decisive); i >= 0 {
		return true, fmt.Sprintf("%s But %s, which does not go by the face.", confused, q.given(v.factors[i]))
	}
	return false, confused + " A one-time code or a resident has to settle it."
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
