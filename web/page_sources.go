package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"lintel/internal/house"
)

// A sourceLine is a phone or a reader in a list.
type sourceLine struct {
	Name, Heard, Remove string
	Week                *phoneWeek // of a phone; nil where it told nothing
}

// A newSource is a source that was added just now, with its token, which is
// shown this once.
type newSource struct {
	ID, Name, Token string
	About           string   // id of whose phone it is, "" for a reader
	Curl            []string // examples of messages, each a command to try it with
	Plain           bool     // whether the token goes over the network in clear
}

// A tokenLine is something that a person carries.
type tokenLine struct {
	Label, Remove string
}

// nameLength is the most characters that the name of a source, a token's label
// and a receiver's name have.
const nameLength = 60

var errName = fmt.Errorf("a name has 1 to %d characters", nameLength)

// factorsOf fills in what of a person's gives factors.
func (s *Server) factorsOf(ctx context.Context, t presenter, view *personView) error {
	rules, err := s.Archive.AdviceRules(ctx)
	if err != nil {
		return err
	}
	view.NoHome = rules.Home == nil
	sources, err := s.Archive.Sources(ctx)
	if err != nil {
		return err
	}
	for _, source := range sources {
		if source.Person != view.ID {
			continue
		}
		line := t.sourceLine(source, personAddress(view.ID)+"/phones/")
		if line.Week, err = s.weekOf(ctx, t, source.ID, rules); err != nil {
			return err
		}
		if source.Kind == house.Reader { // which the command line can add
			line.Name += ", a reader of their tokens only"
		}
		view.Phones = append(view.Phones, line)
	}
	tokens, err := s.Archive.Tokens(ctx)
	if err != nil {
		return err
	}
	for _, token := range tokens {
		if token.Person == view.ID {
			view.Tokens = append(view.Tokens,
				tokenLine{token.Label, personAddress(view.ID) + "/tokens/" + url.PathEscape(token.ID) + "/remove"})
		}
	}
	slices.SortFunc(view.Tokens, func(a, b tokenLine) int { return strings.Compare(a.Label, b.Label) })
	with, err := s.Archive.OneTimePersons(ctx)
	if err != nil {
		return err
	}
	view.HasCodes = slices.Contains(with, view.ID)
	return nil
}

func (t presenter) sourceLine(source house.Source, under string) sourceLine {
	line := sourceLine{Name: source.Name, Heard: "not heard yet", Remove: under + url.PathEscape(source.ID) + "/remove"}
	if !source.HeardAt.IsZero() {
		line.Heard = "last heard " + t.Moment(source.HeardAt)
	}
	return line
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
	return s.drawPerson(w, r, http.StatusOK, p, personView{Phone: &added})
}

// namedOnPerson reads a form on a person's page that has a name. The error is
// errName where it is none.
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
	if !errors.Is(err, errName) {
		return err
	}
	return s.drawPerson(w, r, http.StatusUnprocessableEntity, p, personView{Wrong: sentence(err)})
}

func (s *Server) addSource(r *http.Request, kind house.SourceKind, person, name string) (newSource, error) {
	id, token, err := s.Archive.AddSource(r.Context(), kind, person, name)
	if err != nil {
		return newSource{}, err
	}
	added := newSource{ID: id, Name: name, Token: token, About: person, Plain: !s.TLS}
	bodies := []string{
		fmt.Sprintf(`{"lat": 47.5, "lon": -8.25, "accuracy": 12, "time": "%s"}`, s.Now().UTC().Format(time.RFC3339)),
		fmt.Sprintf(`{"crossing": "entered", "time": %d}`, s.Now().Unix()),
		`{"code": "123456"}`,
	}
	if kind == house.Reader {
		bodies = []string{`{"token": "LABEL"}`}
	}
	for _, body := range bodies {
		added.Curl = append(added.Curl, fmt.Sprintf("curl %s/api/v1/factors -H 'Authorization: Bearer %s' -H 'Content-Type: "+
			"application/json' -d '%s'", s.base(r), token, body))
	}
	return added, nil
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
	return redirect(w, r, personAddress(person)+"#factors")
}

// submitToken says that a person carries what readers tell by that label.
func (s *Server) submitToken(w http.ResponseWriter, r *http.Request) error {
	p, label, err := s.namedOnPerson(w, r)
	if err != nil {
		return s.drawWrongName(w, r, p, err)
	}
	_, err = s.Archive.AddToken(r.Context(), p.ID, label)
	switch {
	case errors.Is(err, house.ErrExists):
		return s.drawPerson(w, r, http.StatusConflict, p,
			personView{Wrong: "This token is somebody’s already. Remove it there first."})
	case err != nil:
		return absent(err, errPersonGone)
	default:
		return s.backToPerson(w, r, p.ID)
	}
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
		return s.drawUpkeep(w, r, upkeepView{WrongReader: sentence(err)})
	}
	added, err := s.addSource(r, house.Reader, "", name)
	if err != nil {
		return err
	}
	return s.drawUpkeep(w, r, upkeepView{Reader: &added})
}

func (s *Server) submitRemoveReader(w http.ResponseWriter, r *http.Request) error {
	if err := s.endSource(r.Context(), r.PathValue("source"), ""); err != nil {
		return err
	}
	return redirect(w, r, "/upkeep#readers")
}

// fillReaders lists the readers on Upkeep. One that sees a single person's
// tokens only is on that person's page.
func (s *Server) fillReaders(ctx context.Context, t presenter, view *upkeepView) error {
	sources, err := s.Archive.Sources(ctx)
	for _, source := range sources {
		if source.Person == "" {
			view.Readers = append(view.Readers, t.sourceLine(source, "/upkeep/readers/"))
		}
	}
	return err
}
