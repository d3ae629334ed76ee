package web

import (
	"net/http"

	"lintel/internal/house"
	"lintel/store"
	"lintel/web/view"
)

// listAdvice answers with a page of what was suggested and withheld, newest first.
func (s *Server) listAdvice(w http.ResponseWriter, r *http.Request) error {
	limit, ok := number(r, "limit", 20, 100)
	from, err := store.ParseCursor(r.URL.Query().Get("cursor"))
	if !ok || err != nil {
		return errPage
	}
	t, err := s.presenterFor(r.Context(), session(r))
	if err == nil {
		err = s.nameAdvice(r.Context(), &t)
	}
	if err != nil {
		return err
	}
	page, next, err := s.Archive.AdvicePage(r.Context(), from, int(limit))
	if err == nil {
		err = s.addHands(r.Context(), &t, page)
	}
	if err != nil {
		return err
	}
	answer := struct {
		Advice []adviceJSON `json:"advice"`
		Next   string       `json:"next,omitempty"`
	}{[]adviceJSON{}, next.String()}
	for _, d := range page {
		answer.Advice = append(answer.Advice, newAdviceJSON(t, d))
	}
	return sendJSON(w, http.StatusOK, answer)
}

// A countedJSON is what became of advice, counted.
type countedJSON struct {
	Suggested int         `json:"suggested"` // the sum of the next five
	Open      int         `json:"open"`
	Used      int         `json:"used"`
	Dismissed int         `json:"dismissed"`
	Expired   int         `json:"expired"`
	Withdrawn int         `json:"withdrawn"`
	Withheld  int         `json:"withheld"`
	Unmet     []unmetJSON `json:"unmet"`
}

// An unmetJSON is how often a condition did not hold, and how often it stood
// alone against a suggestion.
type unmetJSON struct {
	Code  string `json:"code"`
	Says  string `json:"says"`
	Times int    `json:"times"`
	Alone int    `json:"alone"`
}

func newCountedJSON(m view.AdviceMonth) countedJSON {
	j := countedJSON{m.Given, m.Open, m.Used, m.Dismissed, m.Expired, m.Withdrawn, m.Withheld, []unmetJSON{}}
	for _, u := range m.Unmet {
		j.Unmet = append(j.Unmet, unmetJSON{u.Code, m.Reason(u), u.Times, u.Lone})
	}
	return j
}

// getAdviceMonth answers with what the page of the month counts.
func (s *Server) getAdviceMonth(w http.ResponseWriter, r *http.Request) error {
	t, all, err := s.monthOfAdvice(r)
	if err != nil {
		return err
	}
	type doorJSON struct {
		Name string `json:"name"`
		countedJSON
	}
	answer := struct {
		Days int `json:"days"`
		countedJSON
		Doors []doorJSON `json:"doors"`
	}{adviceLookedBack, newCountedJSON(t.CountAdvice(all)), []doorJSON{}}
	for _, d := range t.AdviceByDoor(all) {
		answer.Doors = append(answer.Doors, doorJSON{d.Name, newCountedJSON(d.Month)})
	}
	return sendJSON(w, http.StatusOK, answer)
}

// monthOfAdvice returns the advice of a month, and who puts it into words.
func (s *Server) monthOfAdvice(r *http.Request) (t view.Presenter, all []house.Advice, err error) {
	if t, err = s.presenterFor(r.Context(), session(r)); err != nil {
		return t, nil, err
	}
	if all, err = s.Archive.AdviceSince(r.Context(), t.Now.AddDate(0, 0, -adviceLookedBack)); err != nil {
		return t, nil, err
	}
	return t, all, s.nameAdvice(r.Context(), &t)
}
