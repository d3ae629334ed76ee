package web

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"strconv"

	"lintel/internal/house"
	"lintel/pipeline/review"
	"lintel/web/view"
)

// A whoView is the page on which a resident says whose a face is, and the dialog that
// scripts make of it.
type whoView struct {
	Bar     barView
	Address string // of this page
	Back    string
	Face    view.Face
	Said    bool // whether somebody said so before
	Offer   bool // whether the face is good enough for a reference
	Persons []whoPerson

	// Of somebody new, as typed.
	Name, GivenBy string
	Know          bool
	Faults        wrongs
}

// A whoPerson is somebody whose the face may be: with the picture that People has of
// them, or else a face from a still.
type whoPerson struct {
	ID string
	view.Portrait
	Picture view.Picture
}

// placeOf reads which face the address names. The error is errNoFace.
func (s *Server) placeOf(r *http.Request) (v house.Visit, still house.Still, face int, err error) {
	if v, err = s.Archive.Visit(r.Context(), r.PathValue("visit")); err != nil {
		return v, still, 0, absent(err, errVisitGone)
	}
	frame, errFrame := strconv.Atoi(r.PathValue("frame"))
	face, errFace := strconv.Atoi(r.PathValue("place"))
	for _, still = range v.Stills {
		if errFrame == nil && errFace == nil && still.Frame == frame && face >= 0 && face < len(still.Faces) {
			return v, still, face, nil
		}
	}
	return v, still, 0, errNoFace
}

func (s *Server) showWho(w http.ResponseWriter, r *http.Request) error {
	return s.drawWho(w, r, http.StatusOK, whoView{})
}

func (s *Server) drawWho(w http.ResponseWriter, r *http.Request, status int, page whoView) error {
	v, still, at, err := s.placeOf(r)
	if err != nil {
		return err
	}
	presenter, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	face := still.Faces[at]
	page.Bar = barOf(r, presenter.Words.Text("who-title"))
	link := presenter.ThisIs(still, at)
	if link == nil {
		return refusedCheck(house.ErrStillGone)
	}
	page.Address, page.Back = link.Address, view.VisitAddress(v.ID)
	page.Face, page.Said, page.Offer = presenter.FaceAt(still, at), face.Said != nil, review.Fault(face) == nil
	persons, err := s.review.Likely(r.Context(), face.ID)
	if err != nil {
		return refusedCheck(err)
	}
	portraits, err := s.Archive.Portraits(r.Context())
	if err != nil {
		return err
	}
	for _, p := range persons {
		one := whoPerson{ID: p.ID, Portrait: presenter.PortraitOf(p, portraits[p.ID])}
		if one.Src == "" {
			x, ok, err := s.review.FaceOf(r.Context(), p.ID)
			if err != nil {
				return err
			}
			if ok {
				one.Picture = presenter.Portrait(x, 96)
			}
		}
		page.Persons = append(page.Persons, one)
	}
	return sendPage(w, r, status, "who.html", page)
}

// submitWho keeps whose a face is, and leads to its visit.
func (s *Server) submitWho(w http.ResponseWriter, r *http.Request) error {
	q, err := readPosted(w, r)
	if err != nil {
		return err
	}
	v, still, at, err := s.placeOf(r)
	if err != nil {
		return err
	}
	face, ctx := still.Faces[at].ID, context.WithoutCancel(r.Context())
	var reference review.Enrolment
	switch {
	case q.Get("answer") == "no-face":
		_, err = s.review.Answer(ctx, face, review.Given{Answer: house.AnswerNotFace, Instead: true})
	case q.Get("answer") == "stranger":
		_, err = s.review.This(ctx, face, "", false)
	case q.Get("answer") == "new":
		page := whoView{Name: q.text("name"), GivenBy: q.text("given_by"), Know: q.Get("know") == "true"}
		reference, err = s.thisIsNew(ctx, r, face, &page)
		if len(page.Faults) > 0 {
			return s.drawWho(w, r, http.StatusUnprocessableEntity, page)
		}
	case q.Get("person") == "":
		err = house.Fault{Of: house.ErrBadAnswer, Code: "answer-whom"}
	default:
		reference, err = s.review.This(ctx, face, q.Get("person"), q.Get("reference") == "true")
	}
	if err != nil {
		return refusedCheck(err)
	}
	to := url.Values{"said": {face}}
	if reference != review.NotAsked {
		to.Set("reference", string(reference))
	}
	return redirect(w, r, view.VisitAddress(v.ID)+"?"+to.Encode())
}

// thisIsNew adds somebody new, with a consent and a reference where the household is
// to know the face, and keeps that the face is theirs. What is wrong with what was
// typed is on the page then, and nobody was added.
func (s *Server) thisIsNew(ctx context.Context, r *http.Request, face string, page *whoView) (review.Enrolment, error) {
	presenter, err := s.presenterFor(ctx, session(r))
	if err != nil {
		return review.NotAsked, err
	}
	consent := house.Consent{GivenBy: page.GivenBy, GivenAt: s.Now(),
		Scope: presenter.Words.Text("stranger-scope-usual")}
	text := presenter.Words.Text
	if err := consent.Complete(); page.Know && err != nil {
		page.Faults.add("given_by", worded(text("who-by-missing")))
	}
	if err := house.CheckName(page.Name, 200); err != nil {
		page.Faults.add("name", worded(text("who-name-missing")))
	}
	if len(page.Faults) > 0 {
		return review.NotAsked, nil
	}
	p, err := s.Archive.AddPerson(ctx, page.Name)
	switch {
	case errors.Is(err, house.ErrPersonTwice):
		page.Faults.add("name", worded(text("who-twice")))
		return review.NotAsked, nil
	case errors.Is(err, house.ErrBadPersonName), errors.Is(err, house.ErrNameUnseen):
		page.Faults.add("name", worded(text("who-name-missing")))
		return review.NotAsked, nil
	}
	if err == nil && page.Know {
		err = s.Archive.RecordConsent(ctx, p.ID, consent)
	}
	if err != nil {
		return review.NotAsked, err
	}
	return s.review.This(ctx, face, p.ID, page.Know)
}

// submitUndo takes back what was said of a face.
func (s *Server) submitUndo(w http.ResponseWriter, r *http.Request) error {
	v, still, at, err := s.placeOf(r)
	if err != nil {
		return err
	}
	err = s.Archive.TakeBack(context.WithoutCancel(r.Context()), still.Faces[at].ID)
	if err != nil && !errors.Is(err, house.ErrNotFound) { // it was taken back already
		return refusedCheck(err)
	}
	return redirect(w, r, view.VisitAddress(v.ID)+"?undone=true")
}

// A markedView says what was just said of a face, or that it was taken back.
type markedView struct {
	Says string
	Undo string // address, "" where there is nothing to take back
}

// markedNow returns what the address says was just done, nil for nothing.
func markedNow(t view.Presenter, v house.Visit, q url.Values) *markedView {
	if q.Get("undone") == "true" {
		return &markedView{Says: t.Words.Text("who-undone")}
	}
	for _, still := range v.Stills {
		for i, f := range still.Faces {
			if f.ID == q.Get("said") && f.Said != nil && t.ThisIs(still, i) != nil {
				return &markedView{t.Marked(*f.Said, review.Enrolment(q.Get("reference"))), t.Undo(still, i)}
			}
		}
	}
	return nil
}
