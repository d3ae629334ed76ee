package web

// Advice is shown here and answered here. An answer opens nothing, and neither
// does a suggestion: Lintel moves no lock. What an answer does is to say what
// became of a suggestion, or to add a factor that package advisor then takes
// into account.
//
// A resident may do all of that. Who stands before a tablet may be a guest, so
// a tablet may look, and type the one-time code that a visitor says; and it is
// told each condition in the same few words whatever the house is like: not
// until when the household is away, at what hours rules hold, or who looks like
// whom.

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"strings"

	"lintel/internal/house"
	"lintel/pipeline/advice/evidence"
	"lintel/pipeline/advice/policy"
	"lintel/pipeline/advice/totp"
	"lintel/web/view"
)

// An Inbox takes the factors that sources and people at home give: [evidence.Inbox]
// is one. A person, visit and resident are told by their ids; source names a
// session, as in the audit trail.
type Inbox interface {
	Message(ctx context.Context, source house.Source, about string, text []byte) (evidence.Receipt, error)
	Code(ctx context.Context, person, code, source string) error
	Agree(ctx context.Context, visit, person, resident string) error
	Week(ctx context.Context, source string) ([]evidence.Told, error)
}

// addAdvice has the presenter know the advice on visits, and the names in it.
func (s *Server) addAdvice(ctx context.Context, t *view.Presenter, visits ...house.Visit) error {
	if !mayHearAdvice(ctx) || t.Guest {
		return nil
	}
	ids := make([]string, len(visits))
	for i, v := range visits {
		ids[i] = v.ID
	}
	all, err := s.Archive.AdviceOn(ctx, ids...)
	if err != nil || len(all) == 0 {
		return err
	}
	if err := errors.Join(s.nameAdvice(ctx, t), s.addHands(ctx, t, all), s.addCodes(ctx, t)); err != nil {
		return err
	}
	t.Advice = make(map[string][]house.Advice)
	for _, d := range all {
		t.Advice[d.Visit] = append(t.Advice[d.Visit], d)
	}
	for _, on := range t.Advice {
		t.SortAdvice(on)
	}
	return nil
}

// addCodes has the presenter know who has one-time codes.
func (s *Server) addCodes(ctx context.Context, t *view.Presenter) error {
	persons, err := s.Archive.OneTimePersons(ctx)
	t.Codes = make(map[string]bool)
	for _, p := range persons {
		t.Codes[p] = true
	}
	return err
}

// nameAdvice has the presenter know the names of persons, residents and doors.
func (s *Server) nameAdvice(ctx context.Context, t *view.Presenter) (err error) {
	t.Names, err = s.trailNames(ctx)
	return err
}

// submitUsed and submitDismissed are a resident's answers to a suggestion.
func (s *Server) submitUsed(w http.ResponseWriter, r *http.Request) error {
	return s.endOnPage(w, r, house.Used)
}

func (s *Server) submitDismissed(w http.ResponseWriter, r *http.Request) error {
	return s.endOnPage(w, r, house.Dismissed)
}

func (s *Server) endOnPage(w http.ResponseWriter, r *http.Request, as house.AdviceState) error {
	d, err := s.endAdvice(r, as)
	if err != nil {
		return err
	}
	return redirect(w, r, view.VisitAddress(d.Visit))
}

// endAdvice ends the suggestion that the request names and returns it as it is
// then.
func (s *Server) endAdvice(r *http.Request, as house.AdviceState) (d house.Advice, err error) {
	err = s.Archive.EndAdvice(r.Context(), r.PathValue("advice"), as)
	if err == nil {
		d, err = s.Archive.Advice(r.Context(), r.PathValue("advice"))
	}
	return d, absent(err, errNoAdvice)
}

// submitAgree takes a resident's word, from a form.
func (s *Server) submitAgree(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	return s.afterFactorOnPage(w, r, s.giveWord(r, posted.Get("person")))
}

// submitCode takes a one-time code that a visitor said, from a form.
func (s *Server) submitCode(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	return s.afterFactorOnPage(w, r, s.takeCode(r, posted.Get("person"), posted.Get("code")))
}

// afterFactorOnPage shows the visit: the advice on it follows in a moment.
func (s *Server) afterFactorOnPage(w http.ResponseWriter, r *http.Request, err error) error {
	if err == nil {
		return redirect(w, r, view.VisitAddress(r.PathValue("visit")))
	}
	if p, known := problemOf(err); known {
		return s.drawVisit(w, r, p.Status, visitView{FactorTold: p.say(speak(languageOf(r))).Title})
	}
	return absent(err, errVisitGone)
}

func (s *Server) giveWord(r *http.Request, person string) error {
	if err := s.mayGive(r, person); err != nil {
		return err
	}
	return s.Factors.Agree(r.Context(), r.PathValue("visit"), person, session(r).Resident)
}

// takeCode goes on when whoever asks hangs up: a wrong code has to be counted.
func (s *Server) takeCode(r *http.Request, person, code string) error {
	if err := s.mayGive(r, person); err != nil {
		return err
	}
	code = strings.Join(strings.Fields(code), "")
	err := s.Factors.Code(context.WithoutCancel(r.Context()), person, code, actor(session(r)))
	for _, told := range []struct{ err, as error }{
		{house.ErrNotFound, errCodeless}, {totp.ErrWrong, errCodeWrong}, {totp.ErrReused, errCodeUsed},
	} {
		if errors.Is(err, told.err) {
			return told.as
		}
	}
	return err
}

// mayGive reports why no factor of the person may be given on the visit that
// the request names: only of who was recognised there, and while the ring is
// fresh enough for a suggestion.
func (s *Server) mayGive(r *http.Request, person string) error {
	v, err := s.Archive.Visit(r.Context(), r.PathValue("visit"))
	switch {
	case err != nil:
		return err
	case !slices.ContainsFunc(view.Recognised(v), func(m house.Match) bool { return m.Person == person }):
		return errNotSeen
	case s.Now().Sub(v.ReceivedAt) >= policy.MaxAge:
		return errLate
	}
	return nil
}
