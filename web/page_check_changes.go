package web

import (
	"context"
	"fmt"
	"net/http"
	"strings"

	"lintel/pipeline/review"
	"lintel/web/view"
)

// A changesView lists past findings that would be others now.
type changesView struct {
	view.Presenter
	Bar     barView
	Done    []string
	Changes []review.Change
	More    bool
	Days    int
}

// shownChanges is how many past findings are listed at once.
const shownChanges = 30

func (s *Server) showChanges(w http.ResponseWriter, r *http.Request) error {
	all, err := s.review.Changes(r.Context())
	if err != nil {
		return err
	}
	presenter, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	text := presenter.Words.Text
	page := changesView{
		Presenter: presenter, Bar: barOf(r, text("check-changes-title")), Days: review.LookBackDays,
		Changes: all[:min(len(all), shownChanges)], More: len(all) > shownChanges,
	}
	if done, ok := counts(r.URL.Query(), "renamed", "left"); ok {
		page.Done = append(page.Done, text("check-changes-done", "Count", done[0]))
		if done[1] > 0 {
			page.Done = append(page.Done, text("check-changes-left", "Count", done[1]))
		}
	}
	return sendPage(w, r, http.StatusOK, "check-changes.html", page)
}

func (s *Server) submitChanges(w http.ResponseWriter, r *http.Request) error {
	form, err := readPosted(w, r)
	if err != nil {
		return err
	}
	var wanted []review.Wanted
	for _, value := range form.Values["change"] { // as the page writes it: face, person and band
		parts := append(strings.Fields(value), "", "", "")
		wanted = append(wanted, review.Wanted{Face: parts[0], Person: parts[1], Band: parts[2]})
	}
	renamed, err := s.review.Apply(context.WithoutCancel(r.Context()), wanted)
	if err != nil {
		return refusedCheck(err)
	}
	to := fmt.Sprintf("/checks/changes?renamed=%d&left=%d", renamed, len(wanted)-renamed)
	return redirect(w, r, to)
}
