package policy

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"lintel/internal/house"
)

// A condition is one thing that must hold. It judges and says why in one
// sentence or more, whatever the others say.
type condition struct {
	code  string
	judge func(*question) (met bool, says string)
}

// conditions are those of a person at a door, in the order they are shown in.
var conditions = []condition{
	{On, (*question).on},
	{Home, (*question).home},
	{Wait, (*question).wait},
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
func (q *question) judge(all []condition, against func(*question) string) (judged []house.Condition, met bool) {
	judged, met = make([]house.Condition, len(all)), true
	for i, c := range all {
		ok, says := c.judge(q)
		judged[i] = house.Condition{Code: c.code, Met: ok, Says: says}
		met = met && ok
	}
	if says := against(q); says != "" {
		judged, met = append(judged, house.Condition{Code: Sign, Says: says}), false
	}
	return judged, met
}

func (q *question) on() (bool, string) {
	h := q.House
	if h == nil {
		return false, "The household's settings for suggestions are not known."
	}
	if faults := CheckAdviceRules(*h); len(faults) > 0 {
		return false, "The household's settings for suggestions can't be followed: " + strings.ReplaceAll(errors.Join(faults...).Error(), "\n", "; ") + "."
	}
	if h.Paused {
		return false, "Suggestions are paused for the whole house."
	}
	return true, "Suggestions are not paused."
}

func (q *question) home() (bool, string) {
	switch {
	case q.House == nil:
		return false, "Whether the household is away is not known."
	case q.House.AwayUntil.After(q.Now):
		return false, "The household is away until " + q.moment(q.House.AwayUntil) + "."
	}
	return true, "The household is not away."
}

// wait counts failed attempts: as many as the household bears, within an
// hour, begin a wait.
func (q *question) wait() (bool, string) {
	if q.Misses == nil || q.House == nil || q.House.Misses < 1 {
		return false, "Whether there were failed attempts is not known."
	}
	at := slices.Clone(q.Misses.At)
	slices.SortFunc(at, time.Time.Compare)
	if len(at) > 0 && at[len(at)-1].After(q.Now) {
		return false, "A failed attempt is dated later than now, so how long to wait is not known."
	}
	lately, until := 0, time.Time{}
	for i, t := range at {
		if q.Now.Sub(t) < time.Hour {
			lately++
		}
		if first := i - q.House.Misses + 1; first >= 0 && t.Sub(at[first]) <= time.Hour {
			until = t.Add(q.House.Wait)
		}
	}
	if until.After(q.Now) {
		return false, fmt.Sprintf("%s within an hour: nothing is suggested until %s.", counted(q.House.Misses, "failed attempt"), q.moment(until))
	}
	return true, fmt.Sprintf("%s in the last hour, and no wait after any; %d begin one.", counted(lately, "failed attempt"), q.House.Misses)
}

func (q *question) door() (bool, string) {
	switch {
	case q.Door.ID == "" || q.Door.Bell == "":
		return false, "Which bell rings at this door is not known."
	case q.Visit.ID == "" || q.Visit.Bell == "":
		return false, "Which bell rang is not known."
	case q.Visit.Bell != q.Door.Bell:
		return false, fmt.Sprintf("The bell %s rang, and at %s it is %s that rings.", q.Visit.Bell, q.doorName(), q.Door.Bell)
	}
	return true, fmt.Sprintf("The bell %s rang, which is the one at %s.", q.Visit.Bell, q.doorName())
}

// fresh asks it of the ring and of every still, by the server's clock and,
// where the bell says its time, by the bell's.
func (q *question) fresh() (bool, string) {
	if q.Now.IsZero() || q.Visit.ReceivedAt.IsZero() {
		return false, "When the bell rang is not known."
	}
	if len(q.Visit.Stills) == 0 {
		return false, "There is no still of this ring."
	}
	age := q.Now.Sub(q.Visit.ReceivedAt)
	if stale := staleBy(age, 0); stale != "" {
		return false, "The ring is " + stale
	}
	for _, s := range q.Visit.Stills {
		if stale := staleBy(q.Now.Sub(s.ReceivedAt), 0); stale != "" {
			return false, "A still is " + stale
		}
		if stale := staleBy(q.Now.Sub(s.TakenAt), MaxSkew); stale != "" && !s.TakenAt.IsZero() {
			return false, "By the bell's clock, a still is " + stale
		}
	}
	return true, "The bell rang " + lasting(age) + " ago."
}

// staleBy says what is wrong with an age, "" if nothing is. It may be as much
// below 0 as clocks differ.
func staleBy(age, differ time.Duration) string {
	switch {
	case age < -differ:
		return "dated " + lasting(-age) + " later than now."
	case age >= MaxAge:
		return fmt.Sprintf("%s old; after %s nothing is suggested.", lasting(age), lasting(MaxAge))
	}
	return ""
}

func (q *question) healthy() (bool, string) {
	b := q.Bell
	if b == nil || b.Name == "" || b.Name != q.Visit.Bell || !slices.Contains(q.Bells, b.Name) {
		return false, "The bell is not known, or none of the house's any more."
	}
	switch {
	case b.RefusedAt.After(q.Now):
		return false, "What is known of the bell is dated later than now."
	case q.Visit.ReceivedAt.Before(b.TrialUntil):
		return false, "The bell rang during a trial with pictures, until " + q.clockTime(b.TrialUntil) + ". Nothing is suggested on a ring of a trial."
	case !b.RefusedAt.IsZero() && q.Now.Sub(b.RefusedAt) < AfterRefusal:
		return false, fmt.Sprintf("Somebody came in the bell's name with a wrong secret at %s. Nothing is suggested for %s after that.", q.clockTime(b.RefusedAt), lasting(AfterRefusal))
	}
	return true, "Nobody came in the bell's name with a wrong secret lately."
}

func (q *question) clock() (bool, string) {
	skew := q.Visit.ClockSkew()
	switch {
	case q.Now.IsZero() || q.Clock == nil:
		return false, "Whether the server's clock is right is not known."
	case q.Clock.JumpedAt.After(q.Now):
		return false, "The server's clock jumped back."
	case !q.Clock.JumpedAt.IsZero() && q.Now.Sub(q.Clock.JumpedAt) < AfterJump:
		return false, fmt.Sprintf("The server's clock jumped at %s. Nothing is suggested for %s after that.", q.clockTime(q.Clock.JumpedAt), lasting(AfterJump))
	case skew.Abs() > MaxSkew:
		return false, fmt.Sprintf("The clocks of bell and server differ by %s; %s is the most that is relied on.", lasting(skew.Abs()), lasting(MaxSkew))
	}
	return true, fmt.Sprintf("The server's clock did not jump, and the bell's differs by %s.", lasting(skew.Abs()))
}
