package web

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"time"

	"lintel/internal/house"
	"lintel/store"
	"lintel/web/view"
)

// A visitView is what the page of a visit shows.
type visitView struct {
	Bar     barView
	Message string // why a hold was not placed
	GivenUp bool   // whether a still could not be examined and is there
	// FactorTold is why a factor was not taken.
	FactorTold string
	Marked     *markedView // what was just said of a face; nil for nothing
	Visit      view.BookRow
	Visitors   []view.Face // to be seen first
	Story      []view.StoryLine
	Address    string // of this page
	Stills     []view.Still
	Again      []view.Stranger // strangers of this visit who rang at other times too
	Waiting    string          // that these may not be all yet
	Hold       *house.Hold
	Reason     string // as typed
	Until      string // as typed, or as proposed
	Today      string // from when on a hold may end
}

func (s *Server) showVisit(w http.ResponseWriter, r *http.Request) error {
	return s.drawVisit(w, r, http.StatusOK, visitView{})
}

// drawVisit fills the page in and shows it.
func (s *Server) drawVisit(w http.ResponseWriter, r *http.Request, status int, page visitView) error {
	presenter, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	v, err := s.Archive.Visit(r.Context(), r.PathValue("visit"))
	if err != nil {
		return absent(err, errVisitGone)
	}
	if err := s.addAdvice(r.Context(), &presenter, v); err != nil {
		return err
	}
	if err := s.addMessages(r.Context(), &presenter, v); err != nil {
		return err
	}
	page.Bar = barOf(r, presenter.Words.Text("visit-title"))
	page.Visit, page.Address = presenter.BookRow(v), view.VisitAddress(v.ID)
	if page.Visit.Advice != nil {
		page.Visit.Advice.OnPage, page.Visit.Advice.Told = true, page.FactorTold
	}
	if page.Visit.Board != nil {
		page.Visit.Board.OnNow = false
	}
	page.Visit.Day, page.Stills = presenter.BookDay(v.ReceivedAt), presenter.Stills(v)
	page.Visitors, page.Story = presenter.Visitors(v), presenter.Story(page.Visit)
	page.Marked = markedNow(presenter, v, r.URL.Query())
	view.Point(page.Stills, r.URL.Query())
	page.Visit.Warning.Brief()
	for i := range page.Visit.Persons {
		page.Visit.Persons[i].Warning.Brief()
	}
	if presenter.Resident {
		page.GivenUp = slices.ContainsFunc(v.Stills, func(s house.Still) bool { return s.State == house.Failed && s.File != "" })
		addChecks(v, page.Stills)
		if page.Again, page.Waiting, err = s.seenAgainOn(r.Context(), presenter, v.ID); err != nil {
			return err
		}
	}
	if page.Hold = presenter.Hold(v); page.Hold != nil && page.Message == "" {
		page.Reason = page.Hold.Reason
		page.Until = page.Hold.EndsAt.Add(-time.Second).In(presenter.Zone).Format(time.DateOnly)
	}
	page.Today = presenter.Now.In(presenter.Zone).Format(time.DateOnly)
	return sendPage(w, r, status, "visit.html", page)
}

func (s *Server) submitVisitParcel(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	parcel, err := posted.truth("parcel", "problem-parcel-truth")
	if err != nil {
		return err
	}
	return s.toVisit(w, r, s.Archive.SetParcel(r.Context(), r.PathValue("visit"), parcel))
}

// submitExamine has stills be tried once more that could not be examined.
func (s *Server) submitExamine(w http.ResponseWriter, r *http.Request) error {
	return s.toVisit(w, r, s.Archive.TryVisitAgain(r.Context(), r.PathValue("visit")))
}

// toVisit ends a change of a visit: it leads back to its page, or says why the
// change was not made.
func (s *Server) toVisit(w http.ResponseWriter, r *http.Request, err error) error {
	if err != nil {
		return absent(err, errVisitGone)
	}
	return redirect(w, r, view.VisitAddress(r.PathValue("visit")))
}

// submitHold holds a visit until the end of a day.
func (s *Server) submitHold(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	presenter, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	page := visitView{Reason: posted.Get("reason"), Until: posted.Get("until")}
	var until time.Time // none is refused by the archive
	if page.Until != "" {
		until, err = presenter.DayUntil(page.Until)
	}
	if err == nil {
		err = s.Archive.PlaceHold(r.Context(), r.PathValue("visit"), page.Reason, until)
	}
	if errors.Is(err, house.ErrBadHold) || errors.Is(err, view.ErrDay) {
		page.Message = told(presenter.Words, err)
		return s.drawVisit(w, r, http.StatusUnprocessableEntity, page)
	}
	return s.toVisit(w, r, err)
}

// submitRelease ends a hold; one that has ended already is no error to who pressed
// the button twice.
func (s *Server) submitRelease(w http.ResponseWriter, r *http.Request) error {
	err := s.Archive.EndHold(r.Context(), r.PathValue("visit"))
	if errors.Is(err, house.ErrNotFound) {
		_, err = s.Archive.Visit(r.Context(), r.PathValue("visit"))
	}
	return s.toVisit(w, r, err)
}

// showEraseVisit says what erasing the visit takes.
func (s *Server) showEraseVisit(w http.ResponseWriter, r *http.Request) error {
	presenter, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	v, err := s.Archive.Visit(r.Context(), r.PathValue("visit"))
	if err != nil {
		return absent(err, errVisitGone)
	}
	text := presenter.Words.Text
	page := confirmView{
		Bar: barOf(r, text("erase-visit-title")), Back: view.VisitAddress(v.ID),
		Says: []string{text("erase-visit-which", "Bell", presenter.Words.Bell(v.Bell), "Day", presenter.Day(v.ReceivedAt),
			"Clock", presenter.Words.Clock(v.ReceivedAt))},
	}
	if presenter.Hold(v) != nil {
		page.Says = append(page.Says, text("problem-held"))
		return sendPage(w, r, http.StatusOK, "confirm.html", page)
	}
	faces := 0
	for _, still := range v.Stills {
		faces += len(still.Faces)
	}
	page.Says = append(page.Says, text("erase-visit-goes", "Stills", presenter.Words.N(len(v.Stills), "still"),
		"Faces", presenter.Words.N(faces, "face")))
	page.Action, page.Button = view.VisitAddress(v.ID)+"/erase", text("erase-visit-button")
	return sendPage(w, r, http.StatusOK, "confirm.html", page)
}

func (s *Server) submitEraseVisit(w http.ResponseWriter, r *http.Request) error {
	if err := s.eraseOne(r); err != nil {
		return absent(err, errVisitGone)
	}
	return redirect(w, r, donePath(store.Erased{Visits: 1}))
}

func (s *Server) eraseOne(r *http.Request) error {
	err := s.Archive.EraseVisit(context.WithoutCancel(r.Context()), r.PathValue("visit"))
	if err == nil {
		s.erased()
	}
	return err
}
