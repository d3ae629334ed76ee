package view

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/review"
)

// A Ring is the latest visit, as Now shows it large.
type Ring struct {
	Card
	Ago
	Portraits []RingFace // of the still shown, the surest first
	Whole     Picture    // the still shown
	Frames    []Picture  // the ring's other stills
	Says      string     // one sentence, for whoever hears the page
	First     []Choice   // of the board: what takes one tap
}

// A RingFace is a face of the still that a ring is shown by.
type RingFace struct {
	Picture
	ThisIs *FaceLink // to say whose it is, nil where the reader can't
}

// Ago is when a visit was, for a page that goes on saying how long ago that is.
type Ago struct {
	At   int64 // Unix milliseconds
	Days int   // days of the household's calendar between then and now
}

// A Caller is a visit in the row of those who rang before.
type Caller struct {
	ID, Address    string
	Received       int64
	Revision       int64
	Name           string
	Day            string // "" for today
	Time, DateTime string
	Portrait       Picture
	Warning        *Warning
	Advice         *Advice // a suggestion that is open
}

// How large pictures are drawn, in CSS pixels.
const (
	largeFace  = 384
	otherFace  = 96
	stripFace  = 96
	wholeStill = 400
	frameStill = 120
)

// How much a ring takes of the screen.
const (
	shownFaces  = 3 // of a still
	shownFrames = 4 // besides the still shown
	actsOfRing  = 2 // large buttons
)

// Ring is the latest visit, as Now shows it.
func (t Presenter) Ring(v house.Visit) Ring {
	r := Ring{Card: t.Card(v), Ago: t.ago(v.ReceivedAt)}
	best := bestStill(v.Stills)
	for i, still := range v.Stills {
		switch {
		case still.File == "":
		case i == best:
			r.Whole = t.StillOf(still, wholeStill)
			r.Portraits = t.portraits(still)
		case len(r.Frames) < shownFrames:
			r.Frames = append(r.Frames, t.StillOf(still, frameStill))
		}
	}
	r.Says = t.Words.Text("now-says-rang", "Bell", r.Bell)
	if r.Outcome != review.Looking {
		r.Says = t.Words.Text("now-says-who", "Bell", r.Bell, "Who", r.who())
	}
	if r.Advice != nil {
		r.Advice.lead()
		r.Says += " " + r.Advice.Advice[0].Line + "."
	}
	if r.Board != nil {
		for _, c := range r.Board.Choices {
			if len(r.First) < actsOfRing-r.Advice.acts() && !c.Look.Cut {
				r.First = append(r.First, c)
			}
		}
	}
	return r
}

// Others are the faces beside the first.
func (r Ring) Others() []RingFace { return r.Portraits[min(1, len(r.Portraits)):] }

// Folded reports whether there is anything behind “Why”.
func (r Ring) Folded() bool {
	told := len(r.Notes) > 0 || r.Advice != nil || r.Warning != nil
	return told || slices.ContainsFunc(r.Persons, func(p PersonLine) bool { return p.Odds != "" || p.Warning != nil })
}

// who says who rang, in a few words.
func (c Card) who() string {
	if len(c.Persons) == 0 {
		return c.Headline
	}
	var names []string
	for _, p := range c.Persons {
		names = append(names, p.Headline)
	}
	if c.Also != "" {
		return strings.Join(names, ", ") + ", " + c.Also
	}
	return strings.Join(names, ", ")
}

// portraits are the faces of a still, the surest first, then the widest.
func (t Presenter) portraits(s house.Still) (all []RingFace) {
	order := make([]int, len(s.Faces))
	for i := range order {
		order[i] = i
	}
	rate := func(i int) float64 {
		if f := s.Faces[i]; f.Said != nil && f.Said.Person != "" {
			return 0
		} else if m := f.Recognised(); m != nil {
			return m.FPIR
		}
		return 1
	}
	slices.SortStableFunc(order, func(a, b int) int {
		return cmp.Or(cmp.Compare(rate(a), rate(b)), s.Faces[b].Width()-s.Faces[a].Width())
	})
	for _, i := range order {
		size := otherFace
		if len(all) == 0 {
			size = largeFace
		}
		if p := t.FaceOf(s, i, size); p.Src != "" && len(all) < shownFaces && !s.Faces[i].IsNone() {
			all = append(all, RingFace{p, t.ThisIs(s, i)})
		}
	}
	return all
}

// ago says how many days of the calendar lie between a time and now.
func (t Presenter) ago(at time.Time) Ago {
	midnight := func(m time.Time) time.Time {
		year, month, day := m.In(t.Zone).Date()
		return time.Date(year, month, day, 0, 0, 0, 0, time.UTC) // where every day has 24 hours
	}
	return Ago{at.UnixMilli(), int(midnight(t.Now).Sub(midnight(at)).Hours() / 24)}
}

// Caller is a visit in the row of those who rang before.
func (t Presenter) Caller(v house.Visit) Caller {
	card := t.Card(v)
	c := Caller{ID: v.ID, Address: VisitAddress(v.ID), Received: card.Received, Revision: v.Revision, Name: card.who(),
		Day: card.Day, Time: card.Time, DateTime: card.DateTime, Warning: card.Warning}
	if c.Day != "" {
		c.Day = t.Words.Date(v.ReceivedAt) // there is little room
	}
	for _, p := range card.Persons {
		if c.Warning == nil {
			c.Warning = p.Warning
		}
	}
	if best := bestStill(v.Stills); best >= 0 {
		if faces := t.portraits(v.Stills[best]); len(faces) > 0 {
			c.Portrait = t.FaceOf(v.Stills[best], surest(v.Stills[best].Faces), stripFace)
		} else {
			c.Portrait = t.StillOf(v.Stills[best], stripFace)
		}
	}
	if card.Advice != nil {
		for _, a := range card.Advice.Advice {
			if a.State == house.Suggested {
				c.Advice = &a
				break
			}
		}
	}
	return c
}

// lead puts first what the one line is about: what is suggested, then what waits for
// a factor.
func (c *AdviceCard) lead() {
	rank := func(a Advice) int {
		switch {
		case a.State == house.Suggested:
			return 0
		case a.State == house.Withheld && a.Lacks:
			return 1
		}
		return 2
	}
	slices.SortStableFunc(c.Advice, func(a, b Advice) int { return rank(a) - rank(b) })
}

// acts is how many large buttons the advice takes.
func (c *AdviceCard) acts() (n int) {
	if c == nil {
		return 0
	}
	if c.Advice[0].State == house.Suggested {
		if c.Answers {
			return actsOfRing
		}
		return 0
	}
	if len(c.Who) > 0 {
		n++
	}
	if len(c.Coders) > 0 {
		n++
	}
	return n
}
