package web

import (
	"context"
	"net/http"
	"time"

	"lintel/web/view"
)

// shownVisits is how many visits Now shows: the latest large, and those before it in
// a row.
const shownVisits = 13

// A nowView is what the page Now shows.
type nowView struct {
	Bar      barView
	Revision int64
	wallClock
	Trouble string
	Trial   string     // that one runs, "" for none
	Unwell  string     // what is wrong with bells, "" for nothing
	Latest  *view.Ring // nil where nobody rang
	Today   []view.Caller
	Before  []view.Caller // on earlier days
	Shown   int           // at most
	Start   *startLine    // nil where there is no first step left
}

// A startLine says how many of the first steps are taken.
type startLine struct{ Taken, Of int }

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
	visits = shownTo(session(r), s.Now(), visits)
	presenter, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	if err := s.addAdvice(r.Context(), &presenter, visits...); err != nil {
		return err
	}
	if err := s.addMessages(r.Context(), &presenter, visits...); err != nil {
		return err
	}
	page := nowView{Bar: barOf(r, presenter.Words.Text("screen-now")), Revision: revision,
		wallClock: s.wallClock(r.Context()), Shown: shownVisits}
	if err := s.watchArchive(r.Context()); err != nil {
		return err
	}
	if page.Trouble, _, err = s.troubleWords(r.Context(), session(r), presenter.Words); err != nil {
		return err
	}
	if page.Trial, err = s.trialWords(r.Context(), presenter.Words); err != nil {
		return err
	}
	if page.Unwell, err = s.bellNotices(r.Context(), presenter); err != nil {
		return err
	}
	if page.Bar.Resident {
		taken, more, err := s.nextStep(r.Context())
		if err != nil {
			return err
		}
		if more {
			page.Start = &startLine{taken, len(firstSteps)}
		}
	}
	if len(visits) > 0 {
		latest := presenter.Ring(visits[0])
		page.Latest = &latest
	}
	for _, v := range visits {
		if c := presenter.Caller(v); c.Day == "" {
			page.Today = append(page.Today, c)
		} else {
			page.Before = append(page.Before, c)
		}
	}
	return sendPage(w, r, http.StatusOK, "now.html", page)
}

// A wallClock is what the page goes by that a tablet's own clock may have wrong, or
// does not know: the household's day and time, and how loud a ring is to be.
type wallClock struct {
	Now    string `json:"now"`    // as in RFC 3339, by the household's clock
	Volume int    `json:"volume"` // of the chime, 0 to 100
	Night  bool   `json:"night"`
}

// wallClock reads it anew, so that what the household changed holds at once. What can't
// be read is as if the household had not decided.
func (s *Server) wallClock(ctx context.Context) wallClock {
	now := s.Now().In(s.zone(ctx))
	chime, err := s.Archive.Chime(ctx)
	if err != nil {
		s.Log.Warn("can't read how tablets chime", "err", err)
	}
	return wallClock{now.Format(time.RFC3339), chime.Loud(now), chime.Night(now)}
}
