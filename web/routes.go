package web

import (
	"net/http"
	"slices"
)

// A handler answers a request, or returns why it did not: the table of problems
// has the answer to that.
type handler func(w http.ResponseWriter, r *http.Request) error

// A guard is who gets through to a handler.
type guard string

const (
	open     guard = "open"     // anybody
	anyone   guard = "anyone"   // residents and tablets
	resident guard = "resident" // residents only
)

// A route is what is asked for, by a pattern of [http.ServeMux], who may ask, and
// what answers.
type route struct {
	pattern string
	guard   guard
	handler handler
}

// routes are all there are. Each area has a table of its own, beside its screens.
func (s *Server) routes() []route {
	return slices.Concat(
		s.systemRoutes(),
		s.accountRoutes(),
		s.visitRoutes(),
		s.peopleRoutes(),
		s.strangerRoutes(),
		s.checkRoutes(),
		s.rulesRoutes(),
		s.bellRoutes(),
		s.adviceRoutes(),
		s.upkeepRoutes(),
		s.trialRoutes(),
	)
}

// mux leads each request to its handler, past its guard.
func (s *Server) mux() http.Handler {
	mux := http.NewServeMux()
	for _, route := range s.routes() {
		h := route.handler
		switch route.guard {
		case resident:
			h = s.signedIn(residentsOnly(h))
		case anyone:
			h = s.signedIn(h)
		}
		mux.Handle(route.pattern, s.answering(h))
	}
	// Browsers say where a request comes from; those that change something
	// are taken from Lintel's own pages only. Bells are no browsers.
	csrf := http.NewCrossOriginProtection()
	csrf.SetDenyHandler(s.answering(func(http.ResponseWriter, *http.Request) error { return errCrossOrigin }))
	return csrf.Handler(mux)
}

// answering has what a handler returns answered.
func (s *Server) answering(h handler) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if err := h(w, r); err != nil {
			s.fail(w, r, err)
		}
	}
}

// systemRoutes are what belongs to no screen.
func (s *Server) systemRoutes() []route {
	return []route{
		{"GET /healthz", open, s.getHealth},
		{"POST /api/v1/bells/{bell}/stills", open, s.postStill},
		{"POST /api/v1/factors", open, s.postFactor},
		{"GET /assets/style.css", open, s.getAsset},
		{"GET /assets/icon.svg", open, s.getAsset},
		{"GET /assets/{name}", anyone, s.getAsset},
		{"GET /api/v1/openapi.json", anyone, s.getOpenAPI},
		{"/", anyone, func(http.ResponseWriter, *http.Request) error { return errNoAddress }},
	}
}

// strangerRoutes are strangers seen again.
func (s *Server) strangerRoutes() []route {
	return []route{
		{"GET /people/strangers", resident, plain(s.strangersPage)},
		{"GET /people/strangers/{stranger}/person", resident, plain(s.strangerPage)},
		{"POST /people/strangers/{stranger}/person", resident, plain(s.introduceOnPage)},
		{"GET /api/v1/strangers", resident, plain(s.listStrangers)},
		{"POST /api/v1/strangers/{stranger}/person", resident, plain(s.postIntroduction)},
	}
}

// checkRoutes are the screen Check matches.
func (s *Server) checkRoutes() []route {
	return []route{
		{"GET /checks", resident, plain(s.checksPage)},
		{"GET /checks/{face}", resident, plain(s.checkPage)},
		{"POST /checks/{face}", resident, plain(s.giveAnswer)},
		{"GET /checks/{face}/answer", resident, plain(s.answerPage)},
		{"POST /checks/{face}/take-back", resident, plain(s.takeBack)},
		{"GET /checks/answers", resident, plain(s.answersPage)},
		{"GET /checks/changes", resident, plain(s.changesPage)},
		{"POST /checks/changes", resident, plain(s.postChanges)},
		{"GET /checks/threshold", resident, plain(s.thresholdPage)},
		{"GET /api/v1/checks", resident, plain(s.listChecks)},
		{"GET /api/v1/checks/{face}", resident, plain(s.getCheck)},
		{"PUT /api/v1/checks/{face}", resident, plain(s.putCheck)},
		{"DELETE /api/v1/checks/{face}", resident, plain(s.deleteCheck)},
		{"GET /api/v1/checks/{face}/crop", resident, plain(s.crop)},
		{"GET /api/v1/checks/changes", resident, plain(s.listChanges)},
		{"POST /api/v1/checks/changes", resident, plain(s.sendChanges)},
		{"GET /api/v1/checks/threshold", resident, plain(s.getThreshold)},
	}
}
