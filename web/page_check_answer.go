package web

import (
	"context"
	"net/http"
	"slices"

	"lintel/internal/house"
	"lintel/pipeline/review"
	"lintel/web/view"
)

// submitAnswer takes an answer from the page.
func (s *Server) submitAnswer(w http.ResponseWriter, r *http.Request) error {
	q, err := readPosted(w, r)
	if err != nil {
		return err
	}
	g := review.Given{
		Answer: house.Answer(q.Get("answer")), Asked: q.Get("asked"),
		Person: q.Get("person"), Reference: q.Get("reference") == "true",
	}
	if g.Answer == house.AnswerElse && !q.Has("person") {
		return refusedCheck(house.Fault{Of: house.ErrBadAnswer, Code: "answer-whom"})
	}
	face := r.PathValue("face")
	reference, err := s.review.Answer(context.WithoutCancel(r.Context()), face, g)
	if err != nil {
		return refusedCheck(err)
	}
	return redirect(w, r, afterAnswer(face, reference, q.Get("after")))
}

// An answerView asks whether an answer is meant, or who else it is.
type answerView struct {
	Bar     barView
	Item    *itemView
	Answer  house.Answer
	Says    []string
	Persons []house.Person // to choose among, for someone else
	Button  string
	Back    string
}

// showAnswer says what an answer changes, before it is given.
func (s *Server) showAnswer(w http.ResponseWriter, r *http.Request) error {
	q, text := r.URL.Query(), speak(languageOf(r)).Text
	d, err := s.review.Doubt(r.Context(), r.PathValue("face"))
	if err == nil && d.Check != nil {
		err = house.ErrAnswered
	}
	if err != nil {
		return refusedCheck(err)
	}
	page := answerView{Answer: house.Answer(q.Get("answer")), Back: view.QueueAddress(q.Get("after"))}
	switch page.Answer {
	case house.AnswerNo, house.AnswerNotFace, house.AnswerElse:
		page.Bar = barOf(r, text("check-title-"+string(page.Answer), "Name", d.Name))
		page.Button = text("check-button-"+string(page.Answer), "Name", d.Name)
	default:
		return queryProblem("problem-query-answer")
	}
	v, err := s.Archive.Visit(r.Context(), d.Visit)
	if err == nil {
		page.Item, err = s.itemView(r, d, q.Get("after"))
	}
	if err == nil && page.Answer == house.AnswerElse {
		page.Persons, err = s.Archive.Persons(r.Context())
		page.Persons = slices.DeleteFunc(page.Persons, func(p house.Person) bool { return p.ID == d.Person })
	}
	if err != nil {
		return refusedCheck(err)
	}
	page.Says = page.Item.WithoutName(d, v, page.Answer)
	return sendPage(w, r, http.StatusOK, "check-answer.html", page)
}

func (s *Server) submitTakeBack(w http.ResponseWriter, r *http.Request) error {
	if err := s.Archive.TakeBack(context.WithoutCancel(r.Context()), r.PathValue("face")); err != nil {
		return refusedCheck(err)
	}
	return redirect(w, r, "/checks?done=taken-back")
}

// An answersView lists what was answered lately.
type answersView struct {
	view.Presenter
	Bar     barView
	Answers []answeredView
}

type answeredView struct {
	house.Sighting
	Address, Words string
}

// shownAnswers is how many answers are listed.
const shownAnswers = 50

func (s *Server) showAnswers(w http.ResponseWriter, r *http.Request) error {
	presenter, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	all, err := s.Archive.Answered(r.Context(), shownAnswers)
	if err != nil {
		return err
	}
	names, err := s.review.Names(r.Context())
	if err != nil {
		return err
	}
	page := answersView{Presenter: presenter, Bar: barOf(r, presenter.Words.Text("check-answers-title"))}
	for i, x := range all {
		if i > 0 && x.Visit == all[i-1].Visit && x.Check.At.Equal(all[i-1].Check.At) {
			continue // one answer for the frames of a ring
		}
		page.Answers = append(page.Answers, answeredView{x, view.CheckAddress(x.ID), presenter.Answered(*x.Check, names)})
	}
	return sendPage(w, r, http.StatusOK, "check-answers.html", page)
}
