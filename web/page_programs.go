package web

import (
	"errors"
	"net"
	"net/http"
	"net/url"
	"strings"

	"lintel/internal/house"
	"lintel/web/broker"
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
	Name, Token string
	User        string // for MQTT, "" where it hears nothing there
	Try         string // a command
	Plain       bool   // whether the token goes over the network in clear
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
	if isNoName(err) || errors.Is(err, errProgramTwice) || errors.Is(err, house.ErrBadScope) {
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
	added := newProgram{Name: p.Name, Token: token, Plain: !s.TLS, Try: s.trialOf(r, p, token)}
	if p.Scopes.Hears() {
		added.User = p.ID
	}
	return s.drawPrograms(w, r, http.StatusOK, programsView{Added: &added}, nil)
}

// trialOf is a command that tries a program's token.
func (s *Server) trialOf(r *http.Request, p house.Program, token string) string {
	first := p.Scopes.List()[0]
	topics := map[house.Scope]string{house.HearVisits: "visits", house.HearNames: "visits/named",
		house.HearDisplays: "bells/BELL/display"}
	if topic, hears := topics[first]; hears {
		host, port, prefix := "HOST", "PORT", broker.DefaultPrefix
		if s.Broker != nil {
			prefix = s.Broker.Topics()
			if _, listens, err := net.SplitHostPort(s.Broker.Address()); err == nil {
				port = listens
			}
		}
		if base, err := url.Parse(s.base(r)); err == nil {
			host = base.Hostname()
		}
		return "mosquitto_sub -h " + host + " -p " + port + " -u " + p.ID + " -P " + token + " -t " + prefix + "/" + topic
	}
	asks := map[house.Scope]string{house.ReadVisits: "/api/v1/visits", house.ReadAdvice: "/api/v1/advice",
		house.ManageSources: "/api/v1/sources", house.SendMessages: "/api/v1/messages",
		house.TellTemperature: "/api/v1/outside", house.ReadMetrics: "/metrics"}
	curl := "curl "
	if first == house.TellTemperature {
		curl += `-XPUT -d '{"celsius":12.5}' `
	}
	return curl + "-H 'Authorization: Bearer " + token + "' " + s.base(r) + asks[first]
}

func (s *Server) submitEndProgram(w http.ResponseWriter, r *http.Request) error {
	return afterRemoval(w, r, s.Archive.EndProgram(r.Context(), r.PathValue("program")), "/upkeep/programs")
}
