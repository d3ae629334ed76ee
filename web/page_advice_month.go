package web

import (
	"maps"
	"net/http"
	"slices"
	"time"

	"lintel/internal/house"
	"lintel/internal/words"
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
	Doors  []doorMonth
	Newest []adviceLine
	More   int // that are not listed
}

type doorMonth struct {
	Name  string
	Month view.AdviceMonth
}

// An adviceLine is one advice in the list.
type adviceLine struct {
	When, DateTime string
	Visit          string // id, "" if it is gone
	Headline       string
	Says           string
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
	page := adviceMonthView{Bar: barOf(r, "Upkeep", t.Words.Text("advised-title")), Days: adviceLookedBack,
		Month: view.CountAdvice(all, t.adviceState, t.Words), Doors: t.byDoor(all)}
	for i, d := range all {
		if i == newestAdvice {
			page.More = len(all) - i
			break
		}
		page.Newest = append(page.Newest, t.adviceLine(d))
	}
	return sendPage(w, r, http.StatusOK, "advice-month.html", page)
}

// byDoor counts the advice at each door, by the doors' names. Doors that are
// gone have none, and count as one.
func (t presenter) byDoor(all []house.Advice) (doors []doorMonth) {
	at := make(map[string][]house.Advice)
	for _, d := range all {
		name := t.doorName(d)
		at[name] = append(at[name], d)
	}
	for _, name := range slices.Sorted(maps.Keys(at)) {
		doors = append(doors, doorMonth{words.Capital(name), view.CountAdvice(at[name], t.adviceState, t.Words)})
	}
	return doors
}

func (t presenter) adviceLine(d house.Advice) adviceLine {
	told := t.adviceView(d)
	line := adviceLine{t.Moment(d.At), d.At.In(t.Zone).Format(time.RFC3339), d.Visit, told.Headline, told.Fate}
	if d.State == house.Withheld {
		line.Says = t.Lacking(d)
	}
	return line
}
