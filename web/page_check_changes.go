package web

import (
	"context"
	"fmt"
	"net/http"
	"strconv"
	"strings"

	"lintel/internal/house"
	"lintel/pipeline/review"
)

// A changesView lists past findings that would be others now.
type changesView struct {
	Bar     barView
	Done    string
	Changes []changeView
	More    bool
	Days    int
}

type changeView struct {
	Value    string // face and finding, as the form sends them
	Seen     string
	Visit    string
	Crop     string
	Warning  *warningView // where there is something to warn of
	Old, New findingView
}

// A findingView is a finding in words; no name is a stranger.
type findingView struct{ Name, Band string }

func findingViewOf(m *house.Match) findingView {
	if m == nil {
		return findingView{"A stranger", ""}
	}
	return findingView{m.Name, m.Band}
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
	view := changesView{
		Bar: barOf(r, "Check matches", "Past visits"), Days: review.LookBackDays, More: len(all) > shownChanges,
	}
	if n, err := strconv.Atoi(r.URL.Query().Get("renamed")); err == nil && n >= 0 {
		view.Done = counted(n, "face") + " judged anew."
		if left, err := strconv.Atoi(r.URL.Query().Get("left")); err == nil && left > 0 {
			view.Done += " " + capital(counted(left, "face")) + " changed meanwhile and were left as they are."
		}
	}
	for _, c := range all[:min(len(all), shownChanges)] {
		to := c.Wanted()
		view.Changes = append(view.Changes, changeView{
			Value: to.Face + " " + strings.TrimSpace(to.Person+" "+to.Band), Seen: presenter.seen(c.Sighting),
			Visit: visitAddress(c.Visit), Crop: cropAddress(c.Sighting), Warning: newWarningView(c.Face.Liveness),
			Old: findingViewOf(c.Face.Match), New: findingViewOf(c.Becomes),
		})
	}
	return sendPage(w, r, http.StatusOK, "check-changes.html", view)
}

func (s *Server) submitChanges(w http.ResponseWriter, r *http.Request) error {
	form, err := readPosted(w, r)
	if err != nil {
		return err
	}
	var wanted []review.Wanted
	for _, value := range form.Values["change"] {
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
