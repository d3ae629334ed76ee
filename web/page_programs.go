package web

import (
	"errors"
	"net/http"
	"net/url"
	"strings"

	"lintel/internal/house"
)

// A programsView is what the page of programs shows.
type programsView struct {
	Bar      barView
	Programs []programLine
	Added    *newProgram // just now
	Wrong    string      // why none was added
	Name     string      // as it was typed then
	Scopes   []scopeChoice
}

type programLine struct {
	Name   string
	May    []string
	Used   string // "" if never
	EndsAt string // address of the form that ends its token
}

// A newProgram has its token shown this once.
type newProgram struct {
	Name, Token, Curl string
	Plain             bool // whether the token goes over the network in clear
}

type scopeChoice struct {
	Scope   house.Scope
	Chosen  bool
	Caution bool
}

func (s *Server) showPrograms(w http.ResponseWriter, r *http.Request) error {
	return s.drawPrograms(w, r, http.StatusOK, programsView{}, nil)
}

func (s *Server) drawPrograms(w http.ResponseWriter, r *http.Request, status int, view programsView,
	chosen []string) error {
	t, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	programs, err := s.Archive.Programs(r.Context())
	if err != nil {
		return err
	}
	view.Bar = barOf(r, t.Words.Text("programs-title"))
	for _, p := range programs {
		line := programLine{Name: p.Name, EndsAt: "/upkeep/programs/" + url.PathEscape(p.ID) + "/end"}
		for _, scope := range p.Scopes.List() {
			line.May = append(line.May, t.Words.Text("programs-"+string(scope)))
		}
		if !p.UsedAt.IsZero() {
			line.Used = t.Moment(p.UsedAt)
		}
		view.Programs = append(view.Programs, line)
	}
	for _, scope := range house.AllScopes {
		view.Scopes = append(view.Scopes, scopeChoice{scope, strings.Contains(strings.Join(chosen, " "), string(scope)),
			scope == house.ManageSources})
	}
	return sendPage(w, r, status, "programs.html", view)
}

// submitProgram gives a program a token, and shows it.
func (s *Server) submitProgram(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	var scopes []house.Scope
	for _, scope := range posted.Values["scope"] {
		scopes = append(scopes, house.Scope(scope))
	}
	p, token, err := s.addProgram(r, posted.Get("name"), scopes)
	if errors.Is(err, errName) || errors.Is(err, errProgramTwice) || errors.Is(err, house.ErrBadScope) {
		refused, _ := problemOf(err)
		wrong := refused.message(speak(languageOf(r)))
		if errors.Is(err, house.ErrBadScope) {
			wrong = speak(languageOf(r)).Text("programs-choose")
		}
		return s.drawPrograms(w, r, refused.Status, programsView{Wrong: wrong, Name: posted.text("name")},
			posted.Values["scope"])
	}
	if err != nil {
		return err
	}
	reads := map[house.Scope]string{house.ReadVisits: "visits", house.ReadAdvice: "advice",
		house.ManageSources: "sources"}
	added := newProgram{Name: p.Name, Token: token, Plain: !s.TLS,
		Curl: "curl -H 'Authorization: Bearer " + token + "' " + s.base(r) + "/api/v1/" + reads[p.Scopes.List()[0]]}
	return s.drawPrograms(w, r, http.StatusOK, programsView{Added: &added}, nil)
}

func (s *Server) submitEndProgram(w http.ResponseWriter, r *http.Request) error {
	return afterRemoval(w, r, s.Archive.EndProgram(r.Context(), r.PathValue("program")), "/upkeep/programs")
}
