package web

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"strconv"

	"lintel/internal/house"
	"lintel/pipeline/match"
	"lintel/store"
	"lintel/web/view"
)

// A peopleView is what the page People shows.
type peopleView struct {
	view.Presenter
	Bar       barView
	Done      string // who was erased just now
	Persons   []personTile
	Strangers []view.Stranger // who rang more than once; the first of them
	Household view.Household
}

// A personTile is a person on the page People.
type personTile struct {
	view.Portrait
	Says string // how well they are known, in a few words
}

// A personView is what a person's page shows.
type personView struct {
	view.Presenter
	Bar     barView
	Address string
	Book    string // address of the visits that name them
	Add     string // where pictures are added
	Done    string // what was enrolled just now
	Face    view.Portrait
	Lead    string      // how well they are known
	Form    consentForm // where no consent is in force
	Doubles []view.Double
	personJSON

	Pictures []view.Reference
	More     string // which are asked for, "" for none

	Factors view.PersonFactors
}

func (s *Server) showPeople(w http.ResponseWriter, r *http.Request) error {
	presenter, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	page := peopleView{Presenter: presenter, Bar: barOf(r, presenter.Words.Text("people-title"))}
	if page.Persons, err = s.tiles(r.Context(), presenter); err != nil {
		return err
	}
	if erased, ok := counts(r.URL.Query(), "erased", "unnamed"); ok {
		page.Done = presenter.ErasedPerson(erased[0], erased[1])
	}
	seen, err := s.review.SeenAgain(r.Context(), "", strangersShown)
	if err != nil {
		return err
	}
	for _, g := range seen.Strangers {
		page.Strangers = append(page.Strangers, presenter.Stranger(g))
	}
	if page.Household, err = s.household(r.Context()); err != nil {
		return err
	}
	return sendPage(w, r, http.StatusOK, "people.html", page)
}

// strangersShown is how many strangers are seen on the page People.
const strangersShown = 8

// tiles are all persons by their faces.
func (s *Server) tiles(ctx context.Context, t view.Presenter) (tiles []personTile, err error) {
	persons, err := s.Archive.Persons(ctx)
	if err != nil {
		return nil, err
	}
	portraits, err := s.Archive.Portraits(ctx)
	if err != nil {
		return nil, err
	}
	for _, p := range persons {
		says := t.Words.Text("people-no-reference")
		if p.Consent == nil {
			says = t.Words.Text("people-no-consent")
		} else if p.References > 0 {
			says = t.Words.Text("people-references", "Count", p.References)
		}
		tiles = append(tiles, personTile{t.PortraitOf(p, portraits[p.ID]), says})
	}
	return tiles, nil
}

// counts reads numbers from the address that a form led to. It is false unless all
// are there.
func counts(q url.Values, names ...string) (all []int, ok bool) {
	for _, name := range names {
		n, err := strconv.Atoi(q.Get(name))
		if err != nil || n < 0 {
			return nil, false
		}
		all = append(all, n)
	}
	return all, true
}

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
func (s *Server) drawPerson(w http.ResponseWriter, r *http.Request, status int, p personJSON, page personView) error {
	presenter, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	page.Presenter, page.personJSON, page.Bar = presenter, p, barOf(r, p.Name)
	page.Address, page.Add = view.PersonAddress(p.ID), view.PicturesAddress(p.ID)
	page.Book = bookFields{Person: p.ID}.address(store.Cursor{})
	page.Done = doneFor(presenter, r.URL.Query())
	if page.Form.Faults == nil {
		page.Form = freshConsent(presenter)
	}
	if err := s.facesOf(r.Context(), p, &page); err != nil {
		return err
	}
	if page.Pictures, page.More, err = s.referencesOf(r.Context(), presenter, p.Person); err != nil {
		return err
	}
	page.Lead = presenter.Known(p.Person, len(page.Pictures))
	page.Factors.ID, page.Factors.Name = p.ID, p.Name
	if err := s.factorsOf(r.Context(), presenter, &page.Factors); err != nil {
		return err
	}
	return sendPage(w, r, status, "person.html", page)
}

// facesOf fills in the face of a person, and of those they are easily confused with.
func (s *Server) facesOf(ctx context.Context, p personJSON, page *personView) error {
	references, gallery, names, err := s.enrolled(ctx)
	if err != nil {
		return err
	}
	portraits, err := s.Archive.Portraits(ctx)
	if err != nil {
		return err
	}
	page.Face = page.PortraitOf(p.Person, portraits[p.ID])
	page.Doubles = view.Doubles(p.ID, references, gallery, names)
	for i, d := range page.Doubles {
		page.Doubles[i].Face = page.PortraitOf(house.Person{ID: d.Person, Name: d.Name}, portraits[d.Person])
	}
	return nil
}

// doneFor says what was done for a person just now, from the address that it led
// to; "" for nothing.
func doneFor(t view.Presenter, q url.Values) string {
	if withdrawn, ok := counts(q, "withdrawn"); ok {
		return t.Withdrawn(withdrawn[0])
	}
	if q.Has("removed") {
		return t.Words.Text("reference-removed")
	}
	if done, ok := counts(q, "references", "named", "of"); ok && done[1] <= done[2] {
		return t.Introduced(done[0], done[1], done[2])
	}
	return ""
}

// enrolled returns the references of all persons, the gallery that they make, and
// the persons' names by id.
func (s *Server) enrolled(ctx context.Context,
) (references []house.Reference, gallery *match.Gallery, names map[string]string, err error) {
	if references, err = s.Archive.Gallery(ctx); err != nil {
		return nil, nil, nil, err
	}
	if gallery, err = s.gallery.Gallery(ctx); err != nil {
		return nil, nil, nil, err
	}
	names, err = s.review.Names(ctx)
	return references, gallery, names, err
}

// household says how alike the persons are who are enrolled.
func (s *Server) household(ctx context.Context) (view.Household, error) {
	references, gallery, names, err := s.enrolled(ctx)
	if err != nil {
		return view.Household{}, err
	}
	return view.Presenter{Words: speak(languageIn(ctx))}.Household(references, gallery, names), nil
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
	t := view.Presenter{Words: speak(languageOf(r))}
	return sendPage(w, r, http.StatusOK, "confirm.html", confirmView{
		Bar: barOf(r, t.Words.Text("person-erase-page")), Back: view.PersonAddress(p.ID),
		Action: view.PersonAddress(p.ID) + "/erase", Button: t.Words.Text("person-erase-title", "Name", p.Name),
		Fields: []field{{"visits", strconv.FormatBool(visits)}}, Says: t.WouldErase(p.Person, p.Visits, p.Held, visits),
	})
}

// showWithdraw says what withdrawing a person's consent takes.
func (s *Server) showWithdraw(w http.ResponseWriter, r *http.Request) error {
	p, err := s.consenting(r)
	if err != nil {
		return err
	}
	t := view.Presenter{Words: speak(languageOf(r))}
	return sendPage(w, r, http.StatusOK, "confirm.html", confirmView{
		Bar: barOf(r, t.Words.Text("person-withdraw-title")), Back: view.PersonAddress(p.ID),
		Action: view.PersonAddress(p.ID) + "/withdraw", Button: t.Words.Text("person-withdraw-button"),
		Says: t.WouldWithdraw(p.Person, p.Visits),
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
		of: p.Visits, left: s.namedOn(p.ID), back: view.PersonAddress(p.ID),
		done: func(e store.Erased) string {
			return view.PersonAddress(p.ID) + "?" + url.Values{"withdrawn": {strconv.Itoa(e.Unnamed)}}.Encode()
		},
		run: func(ctx context.Context) (e store.Erased, err error) {
			e.Unnamed, err = s.Archive.WithdrawConsent(ctx, p.ID)
			return e, err
		},
	}
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
	return false, queryProblem("problem-query-visits")
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
