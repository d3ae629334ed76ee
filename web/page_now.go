package web

import (
	"fmt"
	"net/http"
	"net/url"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/match"
	"lintel/pipeline/review"
)

// shownVisits is how many visits Now shows.
const shownVisits = 9

// A nowView is what the page Now shows.
type nowView struct {
	Bar      barView
	Revision int64
	Trouble  string
	Trial    string // that one runs, "" for none
	Cards    []card
}

func (s *Server) showNow(w http.ResponseWriter, r *http.Request) error {
	// The revision comes first: what changes after it is told again by the
	// live connection, rather than missed.
	revision, err := s.Archive.Revision(r.Context())
	if err != nil {
		return err
	}
	visits, err := s.Archive.LatestVisits(r.Context(), shownVisits)
	if err != nil {
		return err
	}
	presenter, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	if err := s.addAdvice(r.Context(), &presenter, visits...); err != nil {
		return err
	}
	page := nowView{Bar: barOf(r, "Now", "Now"), Revision: revision}
	page.Trouble, _ = s.trouble.get()
	if page.Trial, err = s.trialWords(r.Context()); err != nil {
		return err
	}
	for _, v := range visits {
		page.Cards = append(page.Cards, presenter.cardOf(v))
	}
	return sendPage(w, r, http.StatusOK, "now.html", page)
}

// A card is a visit as Now shows it.
type card struct {
	ID       string
	Revision int64
	Received int64 // microseconds, for the order
	Bell     string
	Day      string // "" for today
	Time     string
	DateTime string // for machines
	Outcome  review.Outcome
	Headline string
	Persons  []personLine
	Also     string       // who else stood there
	Warning  *warningView // of strangers; nil for nothing to warn of
	Notes    []string     // what to know about the stills
	Still    string       // address of the still shown
	More     []string     // addresses of the other frames
	Width    int
	Height   int
	Advice   *adviceCard // nil where none was given
}

// A personLine is one person on a card.
type personLine struct {
	Name     string
	Headline string // the name, or whose picture it looks like
	Band     string
	Odds     string
	Warning  *warningView // nil for nothing to warn of
}

func (t presenter) cardOf(v house.Visit) card {
	at := v.ReceivedAt.In(t.Zone)
	c := card{
		ID: v.ID, Revision: v.Revision, Received: v.ReceivedAt.UnixMicro(), Bell: v.Bell,
		Time: at.Format("15:04"), DateTime: at.Format(time.RFC3339), Outcome: review.OutcomeOf(v), Notes: notesOn(v),
		Advice: t.adviceCard(v),
	}
	if now := t.Now.In(t.Zone); at.Format(time.DateOnly) != now.Format(time.DateOnly) {
		c.Day = at.Format("Monday 2 January")
	}
	persons, strangers := review.WhoRang(v)
	for _, p := range persons {
		c.Persons = append(c.Persons, personLine{Name: p.Name, Headline: p.Name, Band: p.Band, Odds: odds(p.FPIR)})
	}
	c.Headline = headlines[c.Outcome]
	switch {
	case c.Outcome == review.Someone && strangers == 1:
		c.Also = "and a stranger"
	case c.Outcome == review.Someone && strangers > 1:
		c.Also = fmt.Sprintf("and %d strangers", strangers)
	case c.Outcome == review.Unknown && strangers > 1:
		c.Headline = fmt.Sprintf("%d strangers", strangers)
	}
	c.warn(v, persons, strangers)
	best := bestStill(v.Stills)
	for i, still := range v.Stills {
		if i == best {
			c.Still, c.Width, c.Height = stillAddress(still), still.Width, still.Height
		} else if still.File != "" {
			c.More = append(c.More, stillAddress(still))
		}
	}
	return c
}

// stillAddress is where a still is seen. It changes when another picture takes
// the still's place, so that no screen goes on showing the old one.
func stillAddress(s house.Still) string {
	return fmt.Sprintf("/api/v1/visits/%s/stills/%d?of=%s", url.PathEscape(s.Visit), s.Frame, s.File[:8])
}

var headlines = map[review.Outcome]string{
	review.Looking:     "Looking…",
	review.Unknown:     "A stranger",
	review.NoFace:      "No face found",
	review.NotExamined: "Could not be examined",
}

// odds says how often a stranger would be taken for somebody.
func odds(fpir float64) string {
	return capital(match.Odds(fpir)) + " would look this much like somebody here."
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
			score = max(score, float64(f.Width()))
			if f.Match != nil {
				score = max(score, 1e6*(1-f.Match.FPIR))
			}
		}
		if score > bestScore {
			best, bestScore = i, score
		}
	}
	return best
}

// notesOn says what a household should know of how the stills came.
func notesOn(v house.Visit) (notes []string) {
	damaged, failed := 0, 0
	for _, s := range v.Stills {
		if s.Damaged {
			damaged++
		}
		if s.State == house.Failed {
			failed++
		}
	}
	if damaged > 0 {
		notes = append(notes, "Part of the picture was lost on its way.")
	}
	if failed > 0 && failed < len(v.Stills) {
		notes = append(notes, "Some of the stills could not be examined.")
	}
	if skew := v.ClockSkew(); skew.Abs() > maxSkew {
		direction := "ahead"
		if skew < 0 {
			direction = "behind"
		}
		notes = append(notes, fmt.Sprintf("The bell's clock is %s %s; the time here is the server's.", spell(skew.Abs()),
			direction))
	}
	return notes
}

// spell writes a duration with its largest unit only.
func spell(d time.Duration) string {
	for _, unit := range []struct {
		length time.Duration
		name   string
	}{{24 * time.Hour, "day"}, {time.Hour, "hour"}, {time.Minute, "minute"}, {time.Second, "second"}} {
		if n := int(d / unit.length); n == 1 {
			return "1 " + unit.name
		} else if n > 1 {
			return fmt.Sprintf("%d %ss", n, unit.name)
		}
	}
	return "less than a second"
}
