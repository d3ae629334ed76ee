package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/match"
	"lintel/pipeline/quality"
	"lintel/store"
)

// A visitView is what the page of a visit shows.
type visitView struct {
	Bar     barView
	Message string // why a hold was not placed
	// FactorTold is why a factor was not taken.
	FactorTold string
	Visit      bookRow
	Address    string // of this page
	Parcel     bool
	Stills     []stillView
	Again      []strangerView // strangers of this visit who rang at other times too
	Hold       *house.Hold
	Reason     string // as typed
	Until      string // as typed, or as proposed
	Today      string // from when on a hold may end
}

// A stillView is a still with the faces that were found on it.
type stillView struct {
	Frame         int
	Title         string
	Address       string // "" if it is gone
	Gone          string // what became of it
	Width, Height int
	Taken         string // by the bell's clock, if it said
	Notes         []string
	Faces         []faceView
}

// A faceView is a face: its outline in pixels of the still, and the finding.
type faceView struct {
	Number        int
	X, Y          int
	Width, Height int
	LabelY        int
	LabelSize     int
	Person        string // id, "" for a stranger
	Name          string
	Band          string
	Odds          string
	Distance      string
	Words         string // how probable it is, in words; "" where that was not worked out
	Probability   string
	Frames        int    // of the ring that it was judged by
	Complaint     string // what is most wrong with its picture, a sentence
	Check         string // address to say whose it is, "" where that can't be asked
	Said          string // what a resident answered, "" if nobody did
	Outline       string // how it is outlined besides its band: a level that warns

	Warning  *warningView // nil for nothing to warn of
	Picture  string       // probability that it is a picture's
	JudgedOn int          // stills
	Signs    []signView   // that were found
}

func (s *Server) showVisit(w http.ResponseWriter, r *http.Request) error {
	return s.drawVisit(w, r, http.StatusOK, visitView{})
}

// drawVisit fills the view in and shows it.
func (s *Server) drawVisit(w http.ResponseWriter, r *http.Request, status int, view visitView) error {
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
	view.Bar = barOf(r, "Visitor book", "Visit")
	view.Visit, view.Address, view.Parcel = presenter.bookRow(v), visitAddress(v.ID), v.Parcel
	if view.Visit.Advice != nil {
		view.Visit.Advice.OnPage, view.Visit.Advice.Told = true, view.FactorTold
	}
	view.Visit.Day = presenter.bookDay(v.ReceivedAt)
	for i, still := range v.Stills {
		shown := presenter.stillView(still)
		shown.Title = fmt.Sprintf("Still %d of %d", i+1, len(v.Stills))
		view.Stills = append(view.Stills, shown)
	}
	point(view.Stills, r.URL.Query())
	view.Visit.Warning.brief()
	for i := range view.Visit.Persons {
		view.Visit.Persons[i].Warning.brief()
	}
	if presenter.Resident {
		if err := s.addAnswers(r.Context(), v, view.Stills); err != nil {
			return err
		}
		if view.Again, err = s.seenAgain(r.Context(), presenter, v.ID); err != nil {
			return err
		}
	}
	if view.Hold = presenter.Hold(v); view.Hold != nil && view.Message == "" {
		view.Reason = view.Hold.Reason
		view.Until = view.Hold.EndsAt.Add(-time.Second).In(presenter.Zone).Format(time.DateOnly)
	}
	view.Today = presenter.Now.In(presenter.Zone).Format(time.DateOnly)
	return sendPage(w, r, status, "visit.html", view)
}

func visitAddress(id string) string { return "/visits/" + url.PathEscape(id) }

func (t presenter) stillView(s house.Still) stillView {
	view := stillView{Frame: s.Frame, Width: s.Width, Height: s.Height}
	switch {
	case s.File != "":
		view.Address = stillAddress(s)
	case s.Lost:
		view.Gone = "This still is lost: its file went missing or broke."
	default:
		view.Gone = "This still is gone, as the rules say."
	}
	if s.Damaged {
		view.Notes = append(view.Notes, "Part of the picture was lost on its way.")
	}
	switch s.State {
	case house.Pending:
		view.Notes = append(view.Notes, "Not examined yet.")
	case house.Failed:
		view.Notes = append(view.Notes, "Could not be examined.")
	default:
		if len(s.Faces) == 0 {
			view.Notes = append(view.Notes, "No face found.")
		}
	}
	if !s.TakenAt.IsZero() {
		view.Taken = s.TakenAt.In(t.Zone).Format("15:04:05")
	}
	for i, f := range s.Faces {
		view.Faces = append(view.Faces, newFaceView(i+1, f, s))
	}
	return view
}

func newFaceView(number int, f house.Face, s house.Still) faceView {
	size := max(12, s.Width/24)
	view := faceView{
		Number: number, X: f.Box.Min.X, Y: f.Box.Min.Y, Width: f.Box.Dx(), Height: f.Box.Dy(),
		LabelSize: size, LabelY: f.Box.Min.Y - size/4, Complaint: worstOf(f.Quality),
	}
	if view.LabelY < size { // no room above
		view.LabelY = f.Box.Max.Y + size
	}
	if m := f.Match; m != nil {
		view.Person, view.Name, view.Band = m.Person, m.Name, m.Band
		view.Odds, view.Distance = odds(m.FPIR), fmt.Sprintf("%.2f", m.Distance)
		if m.Probability > 0 {
			view.Words, view.Probability, view.Frames = match.Words(m.Name, m.Probability), percent(m.Probability), m.Frames
		}
	}
	view.judged(f.Liveness, s)
	return view
}

func (s *Server) submitVisitParcel(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	parcel, err := posted.truth("parcel", "parcel is true or false.")
	if err != nil {
		return err
	}
	return s.toVisit(w, r, s.Archive.SetParcel(r.Context(), r.PathValue("visit"), parcel))
}

// toVisit ends a change of a visit: it leads back to its page, or says why the
// change was not made.
func (s *Server) toVisit(w http.ResponseWriter, r *http.Request, err error) error {
	if err != nil {
		return absent(err, errVisitGone)
	}
	return redirect(w, r, visitAddress(r.PathValue("visit")))
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
	view := visitView{Reason: posted.Get("reason"), Until: posted.Get("until")}
	var until time.Time // none is refused by the archive
	if view.Until != "" {
		if until, err = presenter.DayUntil(view.Until); err != nil {
			err = fmt.Errorf("%w: its end is %w", house.ErrBadHold, err)
		}
	}
	if err == nil {
		err = s.Archive.PlaceHold(r.Context(), r.PathValue("visit"), view.Reason, until)
	}
	if errors.Is(err, house.ErrBadHold) {
		view.Message = capital(err.Error()) + "."
		return s.drawVisit(w, r, http.StatusUnprocessableEntity, view)
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
	at := v.ReceivedAt.In(presenter.Zone)
	view := confirmView{
		Bar: barOf(r, "Visitor book", "Erase this visit"), Back: visitAddress(v.ID),
		Says: []string{"The visit at " + v.Bell + " on " + presenter.Day(at) + ", " + at.Format("15:04") + "."},
	}
	if presenter.Hold(v) != nil {
		view.Says = append(view.Says, capital(house.ErrHeld.Error())+".")
		return sendPage(w, r, http.StatusOK, "confirm.html", view)
	}
	faces := 0
	for _, still := range v.Stills {
		faces += len(still.Faces)
	}
	view.Says = append(view.Says, counted(len(v.Stills), "still")+" with "+counted(faces, "face")+
		", and all that was found, would go for good. No backup brings them back here.")
	view.Action, view.Button = visitAddress(v.ID)+"/erase", "Erase the visit"
	return sendPage(w, r, http.StatusOK, "confirm.html", view)
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

// worstOf says in a sentence what is most wrong with a face; "" for nothing.
func worstOf(q *house.Quality) string {
	if q == nil {
		return ""
	}
	if _, complaints := quality.Judge(*q); len(complaints) > 0 {
		return complaintWords(complaints[0])
	}
	return ""
}
