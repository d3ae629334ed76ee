package web

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"lintel/internal/house"
	"lintel/pipeline/review"
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
		return refusedCheck(fmt.Errorf("%w: it does not say who it is", house.ErrBadAnswer))
	}
	reference, err := s.review.Answer(context.WithoutCancel(r.Context()), r.PathValue("face"), g)
	if err != nil {
		return refusedCheck(err)
	}
	to := url.Values{"done": {string(g.Answer)}}
	if reference != review.NotAsked {
		to.Set("reference", string(reference))
	}
	if after := q.Get("after"); after != "" {
		to.Set("after", after)
	}
	return redirect(w, r, "/checks?"+to.Encode())
}

// keptWords say what came of an answer, from the address that it led to.
func keptWords(q url.Values) string {
	words := map[string]string{
		"yes": "Kept: it is.", "no": "Kept: it is not.", "else": "Kept: it is someone else.",
		"not-a-face": "Kept: it is not a face.", "taken-back": "The answer is taken back.",
	}[q.Get("done")]
	switch review.Enrolment(q.Get("reference")) {
	case review.Added:
		words += " The face is a reference from now on; look at what that changes for past visits, " +
			"and on the person’s page at what it adds."
	case review.AlreadyThere:
		words += " The face was a reference before."
	case review.NoConsent:
		words += " It did not become a reference: there is no consent in force."
	case review.Poor:
		words += " It did not become a reference: the picture is too poor."
	case review.OfNobody:
		words += " It did not become a reference, since it is nobody's who is enrolled."
	}
	return words
}

// An answerView asks whether an answer is meant, or who else it is.
type answerView struct {
	Bar     barView
	Item    itemView
	Answer  house.Answer
	Says    []string
	Persons []house.Person // to choose among, for someone else
	Button  string
	Back    string
}

// answerPage says what an answer changes, before it is given.
func (s *Server) showAnswer(w http.ResponseWriter, r *http.Request) error {
	q := r.URL.Query()
	d, err := s.review.Doubt(r.Context(), r.PathValue("face"))
	if err == nil && d.Check != nil {
		err = house.ErrAnswered
	}
	if err != nil {
		return refusedCheck(err)
	}
	view := answerView{Answer: house.Answer(q.Get("answer")), Back: queueAddress(q.Get("after"))}
	if view.Item, err = s.itemView(r, d, q.Get("after")); err == nil {
		view.Says, err = s.losesName(r, d)
	}
	if err == nil && view.Answer == house.AnswerElse {
		view.Persons, err = s.Archive.Persons(r.Context())
		view.Persons = slices.DeleteFunc(view.Persons, func(p house.Person) bool { return p.ID == d.Person })
	}
	if err != nil {
		return refusedCheck(err)
	}
	title := ""
	switch view.Answer {
	case house.AnswerNo:
		title, view.Button = "Not "+d.Name+"?", "It is not "+d.Name
	case house.AnswerNotFace:
		title, view.Button = "Not a face?", "It is not a face"
	case house.AnswerElse:
		title, view.Button = "Who is it?", "Keep this answer"
	default:
		return queryProblem("answer is no, else or not-a-face.")
	}
	view.Bar = barOf(r, "Check matches", title)
	return sendPage(w, r, http.StatusOK, "check-answer.html", view)
}

// losesName says what a visit is without the name that a face was given.
func (s *Server) losesName(r *http.Request, d review.Doubt) ([]string, error) {
	if d.Band == "" {
		return []string{"Nobody is named on this face, so nothing is taken away from the visit."}, nil
	}
	presenter, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return nil, err
	}
	v, err := s.Archive.Visit(r.Context(), d.Visit)
	if err != nil {
		return nil, err
	}
	at := presenter.seen(d.Sighting)
	says := []string{"The name " + d.Name + " would be removed from this face, on the visit at " + at + "."}
	for i := range v.Stills {
		for j := range v.Stills[i].Faces {
			if f := &v.Stills[i].Faces[j]; f.ID == d.ID {
				f.Match = nil
			}
		}
	}
	if persons, _ := review.WhoRang(v); len(persons) == 0 && v.Kind == house.Known {
		v.Kind = house.Stranger
		words := presenter.ScheduleWords(v)
		says = append(says, "Without it the visit is a stranger’s, and is kept as theirs are. "+strings.Join(words, ". ")+".")
	}
	return says, nil
}

func (s *Server) submitTakeBack(w http.ResponseWriter, r *http.Request) error {
	if err := s.Archive.TakeBack(context.WithoutCancel(r.Context()), r.PathValue("face")); err != nil {
		return refusedCheck(err)
	}
	return redirect(w, r, "/checks?done=taken-back")
}

// An answersView lists what was answered lately.
type answersView struct {
	Bar     barView
	Answers []answeredView
}

type answeredView struct {
	Address, Visit, Seen, Words, When, By string
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
	view := answersView{Bar: barOf(r, "Check matches", "Answers")}
	for i, x := range all {
		if i > 0 && x.Visit == all[i-1].Visit && x.Check.At.Equal(all[i-1].Check.At) {
			continue // one answer for the frames of a ring
		}
		view.Answers = append(view.Answers, answeredView{
			Address: checkAddress(x.ID), Visit: visitAddress(x.Visit), Seen: presenter.seen(x),
			Words: answerWords(*x.Check, names), When: presenter.Moment(x.Check.At),
		})
	}
	return sendPage(w, r, http.StatusOK, "check-answers.html", view)
}
