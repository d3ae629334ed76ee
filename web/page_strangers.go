package web

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/review"
)

// A strangersView is what the page Strangers seen again shows.
type strangersView struct {
	Bar    barView
	Groups []strangerView
}

// A strangerView is a group as pages show it.
type strangerView struct {
	Address string // where to say who it is
	Words   string // how often the face rang, and since when
	Best    faceCrop
	Warning *warningView // of the best face, where there is something to warn of
	Visits  []strangerRow
	More    string // how many there are that are not listed
}

// A strangerRow is a visit of a group.
type strangerRow struct {
	ID      string
	Address string
	When    string
	Bell    string
	Face    faceCrop
	Warning *warningView // of the face, where there is something to warn of
	Chosen  bool
}

// A faceCrop is the part of a still around a face: pixels of the still.
type faceCrop struct {
	Still                   string // address
	StillWidth, StillHeight int
	X, Y, Side              int
}

func (s *Server) showStrangers(w http.ResponseWriter, r *http.Request) error {
	view := strangersView{Bar: barOf(r, "People", "Strangers")}
	presenter, err := s.presenterFor(r.Context(), session(r))
	if err == nil {
		view.Groups, err = s.seenAgain(r.Context(), presenter, "")
	}
	if err != nil {
		return err
	}
	return sendPage(w, r, http.StatusOK, "strangers.html", view)
}

// shownAgain is how many visits are listed of a stranger, before somebody asks
// for all of them.
const shownAgain = 6

// seenAgain shows the strangers who rang at least twice: all of them, or those
// of one visit.
func (s *Server) seenAgain(ctx context.Context, t presenter, visit string) (views []strangerView, err error) {
	all, _, err := s.review.SeenAgain(ctx)
	if err != nil {
		return nil, err
	}
	for _, g := range all {
		if visit != "" && !slices.ContainsFunc(g.Visits, func(v review.StrangerVisit) bool { return v.ID == visit }) {
			continue
		}
		view := t.strangerView(g)
		if n := len(view.Visits); n > shownAgain {
			view.Visits, view.More = view.Visits[:shownAgain], counted(n-shownAgain, "earlier visit")
		}
		view.Warning = newWarningView(g.Best().Face.Liveness)
		if view.Best, err = s.cropOf(ctx, g.Best()); err != nil {
			return nil, err
		}
		views = append(views, view)
	}
	return views, nil
}

func (t presenter) strangerView(g review.Stranger) strangerView {
	view := strangerView{Address: strangerAddress(g.Faces[0].ID), Words: t.rangWords(g)}
	for _, v := range g.Visits {
		when := t.Day(v.ReceivedAt) + ", " + v.ReceivedAt.In(t.Zone).Format("15:04")
		view.Visits = append(view.Visits, strangerRow{ID: v.ID, Address: visitAddress(v.ID), When: when, Bell: v.Bell})
	}
	return view
}

func strangerAddress(face string) string {
	return "/people/strangers/" + url.PathEscape(face) + "/person"
}

// rangWords says how often a face rang, and since when.
func (t presenter) rangWords(g review.Stranger) string {
	return "This face rang " + times(len(g.Visits)) + " " + t.since(g.First())
}

// since says from when on: today and this week, which begins on Monday, are
// those of the household's calendar.
func (t presenter) since(at time.Time) string {
	now := t.Now.In(t.Zone)
	today := time.Date(now.Year(), now.Month(), now.Day(), 0, 0, 0, 0, t.Zone)
	switch monday := today.AddDate(0, 0, -(int(now.Weekday())+6)%7); {
	case !at.Before(today):
		return "today"
	case !at.Before(monday):
		return "this week"
	}
	return "since " + t.Day(at)
}

// times says how often.
func times(n int) string {
	words := []string{"never", "once", "twice", "three times", "four times", "five times", "six times",
		"seven times", "eight times", "nine times", "ten times", "eleven times", "twelve times"}
	if n < len(words) {
		return words[n]
	}
	return strconv.Itoa(n) + " times"
}

// newFaceCrop is the part of a still around a face, twice as wide as the face.
func newFaceCrop(still house.Still, f house.Face) faceCrop {
	middle, side := f.Box.Min.Add(f.Box.Max).Div(2), 2*max(f.Box.Dx(), f.Box.Dy())
	return faceCrop{stillAddress(still), still.Width, still.Height, middle.X - side/2, middle.Y - side/2, side}
}

// cropOf returns the part of a still around a face; none if the still went
// meanwhile.
func (s *Server) cropOf(ctx context.Context, f house.Sighting) (faceCrop, error) {
	v, err := s.Archive.Visit(ctx, f.Visit)
	if errors.Is(err, house.ErrNotFound) {
		return faceCrop{}, nil
	}
	for _, still := range v.Stills {
		if still.Frame == f.Frame && still.File != "" && still.File == f.File {
			return newFaceCrop(still, f.Face), nil
		}
	}
	return faceCrop{}, err
}
