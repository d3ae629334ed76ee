package view

import (
	"fmt"
	"net/url"
	"slices"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/review"
)

// ClockOff is the difference between a bell's clock and the server's from which
// on people are told of it.
const ClockOff = 30 * time.Second

// A Card is a visit as Now shows it.
type Card struct {
	house.Visit
	Bell     string // what the bell is called
	Received int64  // microseconds, for the order
	Day      string // "" for today
	Time     string
	DateTime string // for machines
	Outcome  review.Outcome
	Headline string // of a visit without persons
	Later    string // the headline of one that is looked at, where nothing comes of that for a minute
	Persons  []PersonLine
	Also     string    // who else stood there
	Warning  *Warning  // of strangers; nil for nothing to warn of
	Notes    []string  // what to know about the stills
	Still    string    // address of the still shown
	ThisIs   *FaceLink // to say whose the surest face on it is, nil where the reader can't
	More     []string  // addresses of the other frames
	Width    int
	Height   int
	Advice   *AdviceCard // nil where none was given
	Board    *Board      // nil where nothing can be said
	Said     []Sent      // to who rang, newest first
}

// A PersonLine is one person on a card.
type PersonLine struct {
	house.Match
	Headline string // the name, or whose picture it looks like
	Odds     string
	SaidBy   string   // who said that it is them, "" where it was found alone
	Said     string   // that in a sentence, with what was found
	Warning  *Warning // nil for nothing to warn of
}

// Card is a visit as Now shows it.
func (t Presenter) Card(v house.Visit) Card {
	at := v.ReceivedAt.In(t.Zone)
	c := Card{
		Visit: v, Bell: t.Words.Bell(v.Bell), Received: v.ReceivedAt.UnixMicro(), Time: t.Words.Clock(at),
		DateTime: at.Format(time.RFC3339),
		Outcome:  review.OutcomeOf(v), Notes: t.notes(v), Advice: t.adviceCard(v),
		Board: t.board(v), Said: t.said(v),
	}
	if at.Format(time.DateOnly) != t.Now.In(t.Zone).Format(time.DateOnly) {
		c.Day = t.Day(at)
	}
	persons, strangers := review.WhoRang(v)
	for _, p := range persons {
		line := PersonLine{Match: p.Match, Headline: p.Name}
		if p.Band != "" {
			line.Odds = t.Words.Alike(p.FPIR)
		}
		if p.Said != nil {
			line.SaidBy, line.Said = t.SaidBy(*p.Said), t.Said(*p.Said, p.Found)
		}
		c.Persons = append(c.Persons, line)
	}
	c.Notes = append(t.denied(v), c.Notes...)
	switch {
	case len(persons) > 0 && strangers > 0:
		c.Also = t.Words.Text("also-strangers", "Count", strangers)
	case len(persons) == 0 && c.Outcome == review.Unknown:
		c.Headline = t.Words.Text("rang-strangers", "Count", strangers)
	case len(persons) == 0:
		c.Headline = t.outcome(v)
		if c.Outcome == review.Looking {
			c.Later = t.Words.Text("outcome-waiting")
		}
	}
	if t.Guest {
		c.Headline = t.Words.Text("guests-rang")
	}
	t.warn(&c, strangers)
	best := bestStill(v.Stills)
	for i, still := range v.Stills {
		if i == best {
			c.Still, c.Width, c.Height = StillAddress(still), still.Width, still.Height
			c.ThisIs = t.ThisIs(still, surest(still.Faces))
		} else if still.File != "" {
			c.More = append(c.More, StillAddress(still))
		}
	}
	return c
}

// lookingFor is how long somebody is looked for, at most: a still that waits for longer
// is not examined yet, since nothing examines stills or others come first.
const lookingFor = time.Minute

// outcome says what a visit comes to that names nobody.
func (t Presenter) outcome(v house.Visit) string {
	outcome := review.OutcomeOf(v)
	since := func(s house.Still) bool { return s.State == house.Pending && t.Now.Sub(s.ReceivedAt) <= lookingFor }
	if outcome == review.Looking && !slices.ContainsFunc(v.Stills, since) {
		return t.Words.Text("outcome-waiting")
	}
	return t.Words.Text("outcome-" + string(outcome))
}

// VisitAddress is where a visit's page is.
func VisitAddress(id string) string { return "/visits/" + url.PathEscape(id) }

// StillAddress is where a still is seen. It changes when another picture takes
// the still's place, so that no screen goes on showing the old one.
func StillAddress(s house.Still) string {
	return fmt.Sprintf("/api/v1/visits/%s/stills/%d?of=%s", url.PathEscape(s.Visit), s.Frame, s.File[:8])
}

// bestStill picks the still to show, of those that are not gone: the one with
// the surest match, else the widest face, else the first; -1 if all are gone.
func bestStill(stills []house.Still) int {
	best, bestScore := -1, -1.0
	for i, s := range stills {
		if s.File == "" {
			continue
		}
		score := 0.0
		for _, f := range s.Faces {
			score = max(score, sureness(f))
		}
		if score > bestScore {
			best, bestScore = i, score
		}
	}
	return best
}

// surest returns the place of the face that [bestStill] goes by; -1 without one.
func surest(faces []house.Face) int {
	best := -1
	for i := range faces {
		if best < 0 || sureness(faces[i]) > sureness(faces[best]) {
			best = i
		}
	}
	return best
}

// sureness orders faces: those matched by how surely, with those of whom somebody
// said who it is, before others by their width.
func sureness(f house.Face) float64 {
	switch m := f.Recognised(); {
	case m != nil:
		return 1e6 * (1 - m.FPIR)
	case f.Said != nil && f.Said.Person != "":
		return 1e6
	case f.IsNone():
		return 0
	}
	return float64(f.Width())
}

// notes say what a household should know of how the stills came.
func (t Presenter) notes(v house.Visit) (notes []string) {
	if !v.ImportedAt.IsZero() {
		notes = append(notes, t.Words.Text("note-imported", "Moment", t.Moment(v.ImportedAt)))
	}
	if v.ClockDoubted {
		notes = append(notes, t.Words.Text("note-clock-doubted"))
	}
	damaged, failed, unlooked := 0, 0, 0
	for _, s := range v.Stills {
		unlooked = max(unlooked, s.Unlooked()) // frames show the same people
		if s.Damaged {
			damaged++
		}
		if s.State == house.Failed {
			failed++
		}
	}
	if damaged > 0 {
		notes = append(notes, t.Words.Text("note-damaged"))
	}
	if failed > 0 && failed < len(v.Stills) {
		notes = append(notes, t.Words.Text("note-some-failed"))
	}
	if unlooked > 0 {
		notes = append(notes, t.Words.Text("note-unlooked", "Count", unlooked))
	}
	switch skew := v.ClockSkew(); {
	case skew > ClockOff:
		notes = append(notes, t.Words.Text("note-clock-ahead", "Length", t.Words.Length(skew)))
	case skew < -ClockOff:
		notes = append(notes, t.Words.Text("note-clock-behind", "Length", t.Words.Length(-skew)))
	}
	return notes
}
