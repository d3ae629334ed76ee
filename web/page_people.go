package web

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strconv"

	"lintel/internal/house"
	"lintel/pipeline/cluster"
	"lintel/pipeline/match"
	"lintel/store"
)

// A peopleView is what the page People shows.
type peopleView struct {
	Bar     barView
	Done    string // who was erased just now
	Persons []personView

	Household householdView
}

// A personView is a person, as People and the person's own page show them.
type personView struct {
	Bar     barView
	Address string
	Book    string // address of the visits that name them
	Added   string
	Given   string // the day of the consent
	Done    string // what was enrolled just now
	Doubles []doubleView
	personJSON

	Pictures []pictureView // what each reference adds
	More     string        // which are asked for, "" for none

	// What gives factors of theirs, and what of it was added just now.
	Phones   []sourceLine
	Tokens   []tokenLine
	HasCodes bool
	NoHome   bool // where home is has not been said, so no phone comes home
	Phone    *newSource
	Codes    *codesView
	Wrong    string // why nothing was added
}

// A doubleView is somebody with whom a person is easily confused.
type doubleView struct {
	Name, Address string
	Distance      string
	Band          match.Band
}

func (s *Server) showPeople(w http.ResponseWriter, r *http.Request) error {
	persons, err := s.people(r.Context())
	if err != nil {
		return err
	}
	presenter, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	view := peopleView{Bar: barOf(r, "People", "People"), Done: erasedWords(r.URL.Query())}
	for _, p := range persons {
		view.Persons = append(view.Persons, presenter.personView(p))
	}
	if view.Household, err = s.household(r.Context()); err != nil {
		return err
	}
	return sendPage(w, r, http.StatusOK, "people.html", view)
}

func (t presenter) personView(p personJSON) personView {
	view := personView{personJSON: p, Address: personAddress(p.ID), Added: t.Day(p.AddedAt),
		Book: bookFields{Person: p.ID}.address(store.Cursor{})}
	if p.Consent != nil {
		view.Given = t.Day(p.Consent.GivenAt)
	}
	return view
}

func personAddress(id string) string { return "/people/" + url.PathEscape(id) }

// people lists the persons with how much is held of each.
func (s *Server) people(ctx context.Context) ([]personJSON, error) {
	persons, err := s.Archive.Persons(ctx)
	if err != nil {
		return nil, err
	}
	all := make([]personJSON, len(persons))
	for i, p := range persons {
		if all[i], err = s.weighed(ctx, p); err != nil {
			return nil, err
		}
	}
	return all, nil
}

// weighed adds to a person how much is held of them.
func (s *Server) weighed(ctx context.Context, p house.Person) (personJSON, error) {
	would, err := s.Archive.WouldErasePerson(ctx, p.ID)
	return personJSON{p, would.Visits + would.Held, would.Held}, err
}

// personOf returns the person that the address names. The error is
// errPersonGone.
func (s *Server) personOf(r *http.Request) (personJSON, error) {
	id := r.PathValue("person")
	p, err := s.Archive.Person(r.Context(), id)
	if errors.Is(err, house.ErrAmbiguous) || err == nil && p.ID != id {
		err = house.ErrNotFound // a name is no address
	}
	if err != nil {
		return personJSON{}, absent(err, errPersonGone)
	}
	person, err := s.weighed(r.Context(), p)
	return person, absent(err, errPersonGone)
}

func (s *Server) showPerson(w http.ResponseWriter, r *http.Request) error {
	p, err := s.personOf(r)
	if err != nil {
		return err
	}
	return s.drawPerson(w, r, http.StatusOK, p, personView{})
}

// drawPerson shows a person's page, with what was added just now, or could not
// be.
func (s *Server) drawPerson(w http.ResponseWriter, r *http.Request, status int, p personJSON, added personView) error {
	presenter, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	view := presenter.personView(p)
	view.Bar, view.Done = barOf(r, "People", p.Name), cmp.Or(introducedWords(r.URL.Query()), withdrawnWords(r.URL.Query()))
	view.Phone, view.Codes, view.Wrong = added.Phone, added.Codes, added.Wrong
	if view.Doubles, err = s.doublesOf(r.Context(), p.ID); err != nil {
		return err
	}
	if view.Pictures, view.More, err = s.picturesOf(r.Context(), p.Person); err != nil {
		return err
	}
	if err := s.factorsOf(r.Context(), presenter, &view); err != nil {
		return err
	}
	return sendPage(w, r, status, "person.html", view)
}

// doublesOf lists with whom a person is easily confused, by the distances
// between their references.
func (s *Server) doublesOf(ctx context.Context, person string) (doubles []doubleView, err error) {
	references, err := s.Archive.Gallery(ctx)
	if err != nil {
		return nil, err
	}
	gallery, err := s.gallery.Gallery(ctx)
	if err != nil {
		return nil, err
	}
	alike := cluster.Confusable(references, gallery.BandOf)[person]
	if len(alike) == 0 {
		return nil, nil
	}
	persons, err := s.Archive.Persons(ctx)
	if err != nil {
		return nil, err
	}
	for _, d := range alike {
		for _, p := range persons {
			if p.ID == d.Person {
				doubles = append(doubles, doubleView{p.Name, personAddress(p.ID), fmt.Sprintf("%.2f", d.Distance), d.Band})
			}
		}
	}
	return doubles, nil
}

// showErasePerson says what erasing the person takes.
func (s *Server) showErasePerson(w http.ResponseWriter, r *http.Request) error {
	p, err := s.personOf(r)
	if err != nil {
		return err
	}
	visits, err := withVisits(r.URL.Query())
	if err != nil {
		return err
	}
	view := confirmView{
		Bar: barOf(r, "People", "Erase a person"), Back: personAddress(p.ID),
		Action: personAddress(p.ID) + "/erase", Button: "Erase " + p.Name, Fields: []field{{"visits", fmt.Sprint(visits)}},
		Says: []string{p.Name + ": the name, the consent and " + counted(p.References, "reference") +
			" would go for good, and Lintel would know this face no more. Their phones, tokens and one-time codes count no " +
			"more, and the rules about them go. No backup brings them back here."},
	}
	stay := p.Visits
	if visits {
		stay = p.Held
		view.Says = append(view.Says,
			counted(p.Visits-p.Held, "visit")+" would go whole, with the stills, whoever else stood there.")
	}
	if stay > 0 {
		why := ""
		if visits {
			why = ", for a hold"
		}
		view.Says = append(view.Says, counted(stay, "visit")+" would stay"+why+", and show a stranger. Stills there still "+
			"show the face, until the rules let them go.")
	}
	return sendPage(w, r, http.StatusOK, "confirm.html", view)
}

// showWithdraw says what withdrawing a person's consent takes.
func (s *Server) showWithdraw(w http.ResponseWriter, r *http.Request) error {
	p, err := s.consenting(r)
	if err != nil {
		return err
	}
	return sendPage(w, r, http.StatusOK, "confirm.html", confirmView{
		Bar: barOf(r, "People", "Withdraw a consent"), Back: personAddress(p.ID),
		Action: personAddress(p.ID) + "/withdraw", Button: "Withdraw the consent",
		Says: []string{
			p.Name + ": " + counted(p.References, "reference") +
				" would go for good. Lintel would know this face no more, from now on.",
			counted(p.Visits, "visit") +
				" would stay and show a stranger. They go when a stranger’s do. Stills there still show the face until then.",
			"The name, phones, tokens, one-time codes and rules stay. Without a consent nothing is suggested for " + p.Name +
				". Erase " + p.Name + " to take it all away.",
			"A backup made earlier brings the consent back. Withdraw it again after restoring one.",
		},
	})
}

func (s *Server) submitWithdraw(w http.ResponseWriter, r *http.Request) error {
	p, err := s.consenting(r)
	if err != nil {
		return err
	}
	return s.beginOnPage(w, r, s.withdrawal(p))
}

// consenting returns the person that the address names. The error is
// errPersonGone, or errConsentless where no consent of theirs is in force.
func (s *Server) consenting(r *http.Request) (personJSON, error) {
	p, err := s.personOf(r)
	if err == nil && p.Consent == nil {
		err = errConsentless
	}
	return p, err
}

// withdrawal has a person's consent end, and the visits that name them show a
// stranger.
func (s *Server) withdrawal(p personJSON) *erasure {
	return &erasure{
		of: p.Visits, left: s.namedOn(p.ID), back: personAddress(p.ID),
		done: func(e store.Erased) string {
			return personAddress(p.ID) + "?" + url.Values{"withdrawn": {strconv.Itoa(e.Unnamed)}}.Encode()
		},
		run: func(ctx context.Context) (e store.Erased, err error) {
			e.Unnamed, err = s.Archive.WithdrawConsent(ctx, p.ID)
			return e, err
		},
	}
}

// withdrawnWords say what withdrawing a consent took, from the address that it
// led to.
func withdrawnWords(q url.Values) string {
	unnamed, err := strconv.Atoi(q.Get("withdrawn"))
	if err != nil || unnamed < 0 {
		return ""
	}
	return "The consent is withdrawn. " + counted(unnamed, "visit") + " left with a stranger."
}

// withVisits reads whether the visits that name a person are erased as well.
// There is no default: whoever asks has to say.
func withVisits(q url.Values) (bool, error) {
	switch q.Get("visits") {
	case "true":
		return true, nil
	case "false":
		return false, nil
	}
	return false, queryProblem("visits is true, to erase the visits as well, or false, to keep them as a stranger's.")
}

func (s *Server) submitErasePerson(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	x, err := s.personErasure(r, posted.Values)
	if err != nil {
		return err
	}
	return s.beginOnPage(w, r, x)
}

// erasedWords say what erasing a person took, from the address that it led to.
func erasedWords(q url.Values) string {
	erased, err := strconv.Atoi(q.Get("erased"))
	unnamed, err2 := strconv.Atoi(q.Get("unnamed"))
	if err != nil || err2 != nil || erased < 0 || unnamed < 0 {
		return ""
	}
	return fmt.Sprintf("The person was erased. %s erased with them, %s left with a stranger.", counted(erased, "visit"),
		counted(unnamed, "visit"))
}

// personErasure is the erasure of the person that the address names.
func (s *Server) personErasure(r *http.Request, q url.Values) (*erasure, error) {
	visits, err := withVisits(q)
	if err != nil {
		return nil, err
	}
	p, err := s.personOf(r)
	if err != nil {
		return nil, err
	}
	return &erasure{
		of: p.Visits, left: s.namedOn(p.ID), back: "/people",
		done: func(e store.Erased) string {
			q := url.Values{"erased": {strconv.Itoa(e.Visits)}, "unnamed": {strconv.Itoa(e.Unnamed)}}
			return "/people?" + q.Encode()
		},
		run: func(ctx context.Context) (store.Erased, error) { return s.Archive.ErasePerson(ctx, p.ID, visits) },
	}, nil
}

// namedOn counts the visits that name a person, as long as there are any.
func (s *Server) namedOn(person string) func(context.Context) (int, error) {
	return func(ctx context.Context) (int, error) {
		would, err := s.Archive.WouldErasePerson(ctx, person)
		return would.Visits + would.Held, err
	}
}
