package web

import (
	"net/http"

	"lintel/web/view"
)

// shownVisits is how many visits Now shows.
const shownVisits = 9

// A nowView is what the page Now shows.
type nowView struct {
	Bar      barView
	Revision int64
	Trouble  string
	Trial    string // that one runs, "" for none
	Cards    []view.Card
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
	page := nowView{Bar: barOf(r, presenter.Words.Text("screen-now")), Revision: revision}
	if err := s.watchClock(r.Context()); err != nil {
		return err
	}
	page.Trouble, _ = s.trouble.say(presenter.Words, troubles...)
	if page.Trial, err = s.trialWords(r.Context()); err != nil {
		return err
	}
	for _, v := range visits {
		page.Cards = append(page.Cards, presenter.Card(v))
	}
	return sendPage(w, r, http.StatusOK, "now.html", page)
}
