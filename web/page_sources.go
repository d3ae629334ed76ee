package web

import (
	"context"
	"encoding/hex"
	"errors"
	"net/http"
	"slices"

	"lintel/internal/house"
	"lintel/pipeline/advice/evidence"
	"lintel/web/view"
)

// nameLength is the most characters that a name has, but a person's.
const nameLength = 60

// factorsOf fills in what of a person's gives factors.
func (s *Server) factorsOf(ctx context.Context, t view.Presenter, p *view.PersonFactors) error {
	rules, err := s.Archive.AdviceRules(ctx)
	if err != nil {
		return err
	}
	p.NoHome = rules.Home == nil
	sources, err := s.Archive.Sources(ctx)
	if err != nil {
		return err
	}
	tokens, err := s.Archive.Tokens(ctx)
	if err != nil {
		return err
	}
	with, err := s.Archive.OneTimePersons(ctx)
	if err != nil {
		return err
	}
	p.Phones, p.Tokens, p.HasCodes = t.Sources(sources, p.ID), view.TokensOf(tokens, p.ID), slices.Contains(with, p.ID)
	for i, phone := range p.Phones {
		if p.Phones[i].Week, err = s.weekOf(ctx, t, phone.ID, rules); err != nil {
			return err
		}
	}
	return nil
}

// submitPhone adds a phone of a person's and shows its token.
func (s *Server) submitPhone(w http.ResponseWriter, r *http.Request) error {
	p, name, err := s.namedOnPerson(w, r)
	if err != nil {
		return s.drawWrongName(w, r, p, err)
	}
	added, err := s.addSource(r, house.Phone, p.ID, name)
	if err != nil {
		return absent(err, errPersonGone)
	}
	return s.drawPerson(w, r, http.StatusOK, p, personView{Factors: view.PersonFactors{Phone: added}})
}

// namedOnPerson reads a form on a person's page that has a name. The error is
// that of house.CheckName where it is none.
func (s *Server) namedOnPerson(w http.ResponseWriter, r *http.Request) (p personJSON, name string, err error) {
	posted, err := readPosted(w, r)
	if err != nil {
		return p, "", err
	}
	if p, err = s.personOf(r); err != nil {
		return p, "", err
	}
	name, err = posted.name("name")
	return p, name, err
}

// drawWrongName shows a person's page with what is wrong with a name, if that is
// what the error is about.
func (s *Server) drawWrongName(w http.ResponseWriter, r *http.Request, p personJSON, err error) error {
	if !isNoName(err) {
		return err
	}
	return s.drawPerson(w, r, http.StatusUnprocessableEntity, p,
		personView{Factors: view.PersonFactors{Wrong: refused(r, err)}})
}

func (s *Server) addSource(r *http.Request, kind house.SourceKind, person, name string) (*view.NewSource, error) {
	t, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return nil, err
	}
	id, token, err := s.Archive.AddSource(r.Context(), kind, person, name)
	if err != nil {
		return nil, err
	}
	added := t.NewSource(house.Source{ID: id, Kind: kind, Person: person, Name: name}, token, s.base(r))
	if kind == house.Reader {
		added.Key, err = s.giveKey(r.Context(), id)
	}
	return added, err
}

// giveKey gives a reader a new key, in hexadecimal.
func (s *Server) giveKey(ctx context.Context, reader string) (string, error) {
	key, err := s.Archive.GiveKey(ctx, reader)
	return hex.EncodeToString(key), err
}

// submitReaderKey gives a reader a new key and shows it.
func (s *Server) submitReaderKey(w http.ResponseWriter, r *http.Request) error {
	sources, err := s.Archive.Sources(r.Context())
	if err != nil {
		return err
	}
	i := slices.IndexFunc(sources, func(source house.Source) bool { return source.ID == r.PathValue("source") })
	if i < 0 {
		return errNoSource
	}
	key, err := s.giveKey(r.Context(), sources[i].ID)
	if err != nil {
		return absent(err, errNoSource)
	}
	return s.drawUpkeep(w, r, upkeepView{Part: "sources", Readers: view.Readers{
		Keyed: &view.NewSource{ID: sources[i].ID, Name: sources[i].Name, Key: key}}})
}

// base is the address that a browser reached the server by.
func (s *Server) base(r *http.Request) string {
	if s.TLS {
		return "https://" + r.Host
	}
	return "http://" + r.Host
}

func (s *Server) submitRemovePhone(w http.ResponseWriter, r *http.Request) error {
	p, err := s.personOf(r)
	if err != nil {
		return err
	}
	if err := s.endSource(r.Context(), r.PathValue("source"), p.ID); err != nil {
		return err
	}
	return s.backToPerson(w, r, p.ID)
}

// endSource removes a source of a person's, or one that is nobody's. One that
// is not there is what was wanted.
func (s *Server) endSource(ctx context.Context, id, person string) error {
	sources, err := s.Archive.Sources(ctx)
	if err != nil {
		return err
	}
	if !slices.ContainsFunc(sources,
		func(source house.Source) bool { return source.ID == id && source.Person == person }) {
		return nil
	}
	if err := s.Archive.RemoveSource(ctx, id); err != nil && !errors.Is(err, house.ErrNotFound) {
		return err
	}
	s.erased()
	return nil
}

func (s *Server) backToPerson(w http.ResponseWriter, r *http.Request, person string) error {
	return redirect(w, r, view.PersonAddress(person)+"#factors")
}

// submitToken says that a person carries what readers tell by that label.
func (s *Server) submitToken(w http.ResponseWriter, r *http.Request) error {
	p, label, err := s.namedOnPerson(w, r)
	if err != nil {
		return s.drawWrongName(w, r, p, err)
	}
	_, err = s.addCarriedToken(r, p.ID, label)
	if errors.Is(err, errTokenTaken) {
		return s.drawPerson(w, r, http.StatusConflict, p,
			personView{Factors: view.PersonFactors{Wrong: told(speak(languageOf(r)), errTokenTaken)}})
	}
	if err != nil {
		return err
	}
	return s.backToPerson(w, r, p.ID)
}

func (s *Server) submitRemoveToken(w http.ResponseWriter, r *http.Request) error {
	p, err := s.personOf(r)
	if err != nil {
		return err
	}
	tokens, err := s.Archive.Tokens(r.Context())
	if err == nil && slices.ContainsFunc(tokens,
		func(t house.CarriedToken) bool { return t.ID == r.PathValue("token") && t.Person == p.ID }) {
		if err = s.Archive.RemoveToken(r.Context(), r.PathValue("token")); errors.Is(err, house.ErrNotFound) {
			err = nil // it went meanwhile, which is what was wanted
		}
		s.erased()
	}
	if err != nil {
		return err
	}
	return s.backToPerson(w, r, p.ID)
}

// submitReader adds a local system that sees tokens, and shows its token.
func (s *Server) submitReader(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	name, err := posted.name("name")
	if err != nil {
		return s.drawUpkeep(w, r, upkeepView{Part: "sources", Readers: view.Readers{Wrong: refused(r, err)}})
	}
	added, err := s.addSource(r, house.Reader, "", name)
	if err != nil {
		return err
	}
	return s.drawUpkeep(w, r, upkeepView{Part: "sources", Readers: view.Readers{Added: added}})
}

func (s *Server) submitRemoveReader(w http.ResponseWriter, r *http.Request) error {
	if err := s.endSource(r.Context(), r.PathValue("source"), ""); err != nil {
		return err
	}
	return redirect(w, r, "/upkeep/sources?removed#readers")
}

// fillReaders lists the readers on Upkeep. One that sees a single person's
// tokens only is on that person's page.
func (s *Server) fillReaders(ctx context.Context, t view.Presenter, page *upkeepView) error {
	sources, err := s.Archive.Sources(ctx)
	if err != nil {
		return err
	}
	page.Readers.All = t.Sources(sources, "")
	for i, reader := range page.Readers.All {
		state, err := s.Archive.SourceState(ctx, reader.ID)
		if err != nil && !errors.Is(err, house.ErrNotFound) {
			return err
		}
		page.Readers.All[i].Signs = t.Signs(reader.Source, evidence.SigningOf(state))
	}
	return nil
}
