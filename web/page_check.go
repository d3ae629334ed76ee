package web

import (
	"errors"
	"net/http"
	"net/url"
	"slices"

	"lintel/internal/house"
	"lintel/pipeline/review"
	"lintel/web/view"
)

// A checkView is what the screen Check matches shows: one doubtful visit.
type checkView struct {
	Bar       barView
	Message   string // what came of the last answer
	Item      *itemView
	Next      string // address of the doubtful visit after this one, "" after the last
	First     string // address of the first one, "" where this is it
	Household view.Household
}

// An itemView is a face beside earlier ones of the person it may be. Its Band is ""
// for a stranger's, near to the person.
type itemView struct {
	view.Presenter
	review.Doubt
	Address  string // of answers
	After    string // the place in the queue that the face was found by
	Earlier  []house.Sighting
	Offer    bool   // whether the face is good enough for a reference
	Consent  bool   // of the person asked about
	Answered string // in words, "" if nobody answered
}

func (s *Server) showChecks(w http.ResponseWriter, r *http.Request) error {
	after, err := review.ParseCursor(r.URL.Query().Get("after"))
	if err != nil {
		return err
	}
	doubts, next, err := s.review.Queue(r.Context(), after, 1)
	if err != nil {
		return err
	}
	var page checkView
	if page.Message, err = s.savedNow(r); err != nil {
		return err
	}
	if after != (review.Cursor{}) {
		page.First = view.QueueAddress("")
	}
	if next != (review.Cursor{}) {
		page.Next = view.QueueAddress(next.String())
	}
	if len(doubts) > 0 {
		return s.drawDoubt(w, r, page, &doubts[0], after.String())
	}
	return s.drawDoubt(w, r, page, nil, "")
}

// showCheck shows one face, whether or not it is among the doubtful.
func (s *Server) showCheck(w http.ResponseWriter, r *http.Request) error {
	d, err := s.review.Doubt(r.Context(), r.PathValue("face"))
	if err != nil {
		return refusedCheck(err)
	}
	if d.Person == "" { // nobody was asked about: what was said of it is on the visit
		return redirect(w, r, view.VisitAddress(d.Visit))
	}
	return s.drawDoubt(w, r, checkView{First: view.QueueAddress("")}, &d, "")
}

// drawDoubt shows the screen with a doubt; nil for none.
func (s *Server) drawDoubt(
	w http.ResponseWriter, r *http.Request, page checkView, d *review.Doubt, after string,
) error {
	page.Bar = barOf(r, speak(languageOf(r)).Text("check-title"))
	var err error
	if page.Household, err = s.household(r.Context()); err != nil {
		return err
	}
	if d != nil {
		if page.Item, err = s.itemView(r, *d, after); err != nil {
			return err
		}
	}
	return sendPage(w, r, http.StatusOK, "checks.html", page)
}

func (s *Server) itemView(r *http.Request, d review.Doubt, after string) (*itemView, error) {
	presenter, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return nil, err
	}
	item := &itemView{
		Presenter: presenter, Doubt: d, Address: view.CheckAddress(d.ID), After: after,
		Offer: review.Fault(d.Face) == nil,
	}
	if item.Earlier, err = s.review.Earlier(r.Context(), d); err != nil {
		return nil, err
	}
	persons, err := s.Archive.Persons(r.Context())
	if err != nil {
		return nil, err
	}
	item.Consent = slices.ContainsFunc(persons, func(p house.Person) bool { return p.ID == d.Person && p.Consent != nil })
	if d.Check != nil {
		names, err := s.review.Names(r.Context())
		if err != nil {
			return nil, err
		}
		item.Answered = presenter.Answered(*d.Check, names)
	}
	return item, nil
}

// savedNow says what came of an answer, from the address that it led to; "" for
// nothing.
func (s *Server) savedNow(r *http.Request) (string, error) {
	q, t := r.URL.Query(), view.Presenter{Words: speak(languageOf(r))}
	if q.Get("done") == "taken-back" {
		return t.Words.Text("check-taken-back"), nil
	}
	if !q.Has("saved") {
		return "", nil
	}
	x, err := s.Archive.Sighting(r.Context(), q.Get("saved"))
	if errors.Is(err, house.ErrNotFound) || err == nil && x.Check == nil {
		return "", nil // it went meanwhile, or was taken back
	}
	if err != nil {
		return "", err
	}
	names, err := s.review.Names(r.Context())
	if err != nil {
		return "", err
	}
	return t.Saved(*x.Check, names, review.Enrolment(q.Get("reference"))), nil
}

// afterAnswer is the address that an answer for a face leads to.
func afterAnswer(face string, reference review.Enrolment, after string) string {
	to := url.Values{"saved": {face}}
	if reference != review.NotAsked {
		to.Set("reference", string(reference))
	}
	if after != "" {
		to.Set("after", after)
	}
	return "/checks?" + to.Encode()
}

// addChecks adds to the faces of a visit's page where they are compared with whom they
// were taken for.
func addChecks(v house.Visit, shown []view.Still) {
	for i, still := range v.Stills {
		for j, f := range still.Faces {
			if still.File != "" && f.Match != nil && f.Descriptor != (house.Descriptor{}) {
				shown[i].Faces[j].Check = view.CheckAddress(f.ID)
			}
		}
	}
}
