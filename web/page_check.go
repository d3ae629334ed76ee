package web

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"

	"lintel/internal/house"
	"lintel/pipeline/review"
)

// A checkView is what the screen Check matches shows: one doubtful visit.
type checkView struct {
	Bar     barView
	Message string // what came of the last answer, or why there was none
	Item    *itemView
	Next    string // address of the doubtful visit after this one, "" after the last
	First   string // address of the first one, "" where this is it

	Household householdView
}

// An itemView is a face beside earlier ones of the person it may be.
type itemView struct {
	Address  string // of answers
	Face     string
	Person   string
	Name     string
	Named    bool // else a stranger, near to the person
	Band     string
	Odds     string
	Distance string
	Crop     string
	Seen     string // where and when
	Visit    string // address
	Width    int
	Warning  *warningView // where there is something to warn of
	Earlier  []earlierView
	Offer    bool // whether the face is good enough for a reference
	Consent  bool // of the person asked about
	After    string
	Answered string // in words, "" if nobody answered
}

type earlierView struct {
	Crop  string
	Seen  string
	Visit string
	By    string // why it is taken for the person's

	Warning *warningView // where there is something to warn of
}

func checkAddress(face string) string { return "/checks/" + url.PathEscape(face) }

func cropAddress(x house.Sighting) string {
	return "/api/v1/checks/" + url.PathEscape(x.ID) + "/crop?of=" + x.File[:8]
}

// queueAddress is where the doubtful visit after a place is shown.
func queueAddress(after string) string {
	if after == "" {
		return "/checks"
	}
	return "/checks?" + url.Values{"after": {after}}.Encode()
}

func (t presenter) seen(x house.Sighting) string {
	return x.Bell + ", " + t.Day(x.ReceivedAt) + ", " + x.ReceivedAt.In(t.Zone).Format("15:04")
}

func (s *Server) showChecks(w http.ResponseWriter, r *http.Request) error {
	after, err := review.ParseCursor(r.URL.Query().Get("after"))
	if err != nil {
		return queryProblem(sentence(err))
	}
	page, next, err := s.review.Queue(r.Context(), after, 1)
	if err != nil {
		return err
	}
	view := checkView{Message: keptWords(r.URL.Query())}
	if after != (review.Cursor{}) {
		view.First = queueAddress("")
	}
	if view.Household, err = s.household(r.Context()); err != nil {
		return err
	}
	if len(page) == 0 {
		view.Bar = barOf(r, "Check matches", "Check matches")
		return sendPage(w, r, http.StatusOK, "checks.html", view)
	}
	if next != (review.Cursor{}) {
		view.Next = queueAddress(next.String())
	}
	return s.drawDoubt(w, r, http.StatusOK, view, page[0], after.String())
}

// checkPage shows one face, whether or not it is among the doubtful.
func (s *Server) showCheck(w http.ResponseWriter, r *http.Request) error {
	d, err := s.review.Doubt(r.Context(), r.PathValue("face"))
	if err != nil {
		return refusedCheck(err)
	}
	household, err := s.household(r.Context())
	if err != nil {
		return err
	}
	return s.drawDoubt(w, r, http.StatusOK, checkView{First: queueAddress(""), Household: household}, d, "")
}

func (s *Server) drawDoubt(
	w http.ResponseWriter, r *http.Request, status int, view checkView, d review.Doubt, after string,
) error {
	item, err := s.itemView(r, d, after)
	if err != nil {
		return err
	}
	view.Bar, view.Item = barOf(r, "Check matches", "Check matches"), &item
	return sendPage(w, r, status, "checks.html", view)
}

func (s *Server) itemView(r *http.Request, d review.Doubt, after string) (itemView, error) {
	presenter, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return itemView{}, err
	}
	earlier, err := s.review.Earlier(r.Context(), d)
	if err != nil {
		return itemView{}, err
	}
	item := itemView{
		Address: checkAddress(d.ID), Face: d.ID, Person: d.Person, Name: d.Name,
		Named: d.Band != "", Band: d.Band, Odds: odds(d.FPIR), Distance: fmt.Sprintf("%.2f", d.Distance),
		Crop: cropAddress(d.Sighting), Seen: presenter.seen(d.Sighting), Visit: visitAddress(d.Visit),
		Width: d.Face.Width(), Warning: newWarningView(d.Face.Liveness), Offer: review.Fault(d.Face) == nil, After: after,
	}
	for _, x := range earlier {
		by := "a strong match"
		if x.Check != nil {
			by = "you said so"
		}
		item.Earlier = append(item.Earlier, earlierView{
			cropAddress(x), presenter.seen(x), visitAddress(x.Visit), by, newWarningView(x.Face.Liveness),
		})
	}
	if item.Consent, err = s.consents(r.Context(), d.Person); err != nil {
		return itemView{}, err
	}
	if d.Check != nil {
		names, err := s.review.Names(r.Context())
		if err != nil {
			return itemView{}, err
		}
		item.Answered = answerWords(*d.Check, names)
	}
	return item, nil
}

// consents reports whether a person's consent is in force.
func (s *Server) consents(ctx context.Context, person string) (bool, error) {
	persons, err := s.Archive.Persons(ctx)
	if err != nil {
		return false, err
	}
	return slices.ContainsFunc(persons, func(p house.Person) bool { return p.ID == person && p.Consent != nil }), nil
}

// answerWords say what was answered.
func answerWords(c house.Check, names map[string]string) string {
	switch c.Answer {
	case house.AnswerYes:
		return "You said: it is " + names[c.Asked]
	case house.AnswerNo:
		return "You said: it is not " + names[c.Asked]
	case house.AnswerNotFace:
		return "You said: it is not a face"
	}
	if c.Person == "" {
		return "You said: it is a stranger"
	}
	return "You said: it is " + names[c.Person]
}

// addAnswers adds to the faces of a visit's page what was answered for them, and
// where that can be done.
func (s *Server) addAnswers(ctx context.Context, v house.Visit, shown []stillView) error {
	answers, err := s.Archive.AnsweredOn(ctx, v.ID)
	if err != nil {
		return err
	}
	var names map[string]string
	if len(answers) > 0 {
		if names, err = s.review.Names(ctx); err != nil {
			return err
		}
	}
	for i, still := range v.Stills {
		for j, f := range still.Faces {
			face := &shown[i].Faces[j]
			if c, ok := answers[f.ID]; ok {
				face.Said = answerWords(c, names)
			}
			if still.File != "" && f.Match != nil && f.Descriptor != (house.Descriptor{}) {
				face.Check = checkAddress(f.ID)
			}
		}
	}
	return nil
}
