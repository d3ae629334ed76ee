package web

import (
	"net/http"

	"lintel/web/view"
)

// adviceLookedBack is how many days of advice the page tells of: as many as the
// archive keeps.
const adviceLookedBack = 31

// newestAdvice is how many are listed one by one.
const newestAdvice = 30

// An adviceMonthView is what the page shows.
type adviceMonthView struct {
	Bar    barView
	Days   int
	Month  view.AdviceMonth
	Doors  []view.DoorMonth
	Newest []view.AdviceLine
	More   int // that are not listed
}

func (s *Server) showAdviceMonth(w http.ResponseWriter, r *http.Request) error {
	t, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	all, err := s.Archive.AdviceSince(r.Context(), t.Now.AddDate(0, 0, -adviceLookedBack))
	if err != nil {
		return err
	}
	if err := s.nameAdvice(r.Context(), &t); err != nil {
		return err
	}
	page := adviceMonthView{Bar: barOf(r, t.Words.Text("advised-title")), Days: adviceLookedBack,
		Month: t.CountAdvice(all), Doors: t.AdviceByDoor(all), More: max(0, len(all)-newestAdvice)}
	for _, d := range all[:len(all)-page.More] {
		page.Newest = append(page.Newest, t.AdviceLine(d))
	}
	return sendPage(w, r, http.StatusOK, "advice-month.html", page)
}
