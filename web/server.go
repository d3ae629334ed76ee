// Package web is everything that answers HTTP: the bells' endpoint, the
// residents' API with its live events, and the pages on the tablets.
//
// What comes in are requests, each of which is checked at the door before it
// is looked at: by [Server.ServeHTTP] for what holds for all of them, and by
// one of three guards for who asks. What goes out are pages, JSON, stills, and
// RFC 9457 problems. Everything a page needs is embedded in the program, and
// nothing is loaded from anywhere else.
//
// # Who may ask for what
//
//	nobody in particular  /healthz, signing in, pairing, the style sheet, the icon
//	a bell                its stills' endpoint, with its secret
//	a phone or a reader   the endpoint for factors, with its token
//	a tablet              Now, the visitor book, stills, live events, typing a one-time code
//	a resident            all that, and every other screen and change
//
// No address opens anything: to answer advice is to say what became of it.
//
// A resident signs in with a password; a tablet is paired by a code that a
// resident's screen shows. Both get a session, of which the browser holds a
// random token in a cookie and the archive its hash.
package web

import (
	"context"
	"errors"
	"log/slog"
	"net/http"
	"sync"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/intake"
	"lintel/pipeline/match"
	"lintel/pipeline/review"
	"lintel/store"
)

// Config is what a Server needs.
type Config struct {
	Archive *store.Archive
	Intake  *intake.Intake
	Log     *slog.Logger
	Now     func() time.Time
	Zone    *time.Location // of the household, for the times on screens
	TLS     bool           // whether browsers reach the server by TLS

	// Erased, if set, is called after something was erased, and returns at
	// once: the last traces are scrubbed from the database in the background.
	Erased func()

	// Factors takes what people at home say of who rang.
	Factors Inbox

	// Refused, if set, is told of a bell's name that came with a wrong secret.
	Refused func(bell string)

	// Mask makes black what masks cover.
	Mask store.Masker
	// LastSweep, if set, says when the last sweep was, the zero time for
	// never, and what came of it.
	LastSweep func() (at time.Time, s store.Swept, err error)
}

// A Server is the http.Handler of all of Lintel.
type Server struct {
	Config
	handler  http.Handler
	tickets  *tickets
	attempts *attempts
	sending  *sending
	pictures *pictures
	hashing  chan struct{} // holds a token for each password being hashed
	looks    viewLog
	trouble  banner
	quiet    quiet
	masking  masking
	erasing  erasing
	gallery  *match.Current
	review   *review.Review
	advising sync.Mutex // held while the rules of advice are read and changed

	accepted sync.WaitGroup // stills being taken in, and live connections
	mu       sync.Mutex
	draining bool
	ended    chan struct{} // closed by Drain; live connections end then
}

// New returns a server.
func New(c Config) *Server {
	gallery := match.NewCurrent(c.Archive)
	s := &Server{
		Config:   c,
		tickets:  newTickets(c.Now),
		attempts: newAttempts(c.Now),
		sending:  newSending(c.Now),
		pictures: newPictures(c.Now),
		hashing:  make(chan struct{}, 2),
		gallery:  gallery,
		review:   review.New(c.Archive, gallery, c.Now),
		ended:    make(chan struct{}),
	}
	s.handler = s.routes()
	return s
}

func (s *Server) routes() http.Handler {
	mux := http.NewServeMux()
	open := func(pattern string, h http.HandlerFunc) { mux.Handle(pattern, h) }
	anyone := func(pattern string, h http.HandlerFunc) { mux.Handle(pattern, s.signedIn(h)) }
	resident := func(pattern string, h http.HandlerFunc) { mux.Handle(pattern, s.signedIn(s.residentsOnly(h))) }

	open("GET /healthz", s.health)
	open("POST /api/v1/bells/{bell}/stills", s.receiveStill)
	open("POST /api/v1/factors", s.receiveFactor)

	open("GET /sign-in", s.signInPage)
	open("POST /sign-in", s.signIn)
	open("GET /set-up", s.setUpPage)
	open("POST /set-up", s.setUp)
	open("GET /join", s.joinPage)
	open("POST /join", s.join)
	open("GET /pair", s.pairPage)
	open("POST /pair", s.pair)
	open("GET /assets/style.css", s.asset)
	open("GET /assets/icon.svg", s.asset)

	anyone("GET /{$}", s.nowPage)
	anyone("GET /assets/{name}", s.asset)
	anyone("GET /api/v1/openapi.json", s.openAPI)
	anyone("GET /api/v1/live", s.live)
	anyone("GET /api/v1/visits", s.listVisits)
	anyone("GET /visits", s.bookPage)
	anyone("GET /visits/{visit}", s.visitPage)
	anyone("GET /api/v1/visits/{visit}", s.getVisit)
	anyone("GET /api/v1/visits/{visit}/stills/{frame}", s.getStill)

	anyone("POST /visits/{visit}/code", s.giveCode) // a visitor says it, and whoever is at home types it
	anyone("POST /api/v1/visits/{visit}/code", s.postCode)

	resident("POST /visits/{visit}/agree", s.agree)
	resident("POST /api/v1/visits/{visit}/agree", s.postAgree)
	resident("POST /advice/{advice}/used", s.useAdvice)
	resident("POST /advice/{advice}/dismissed", s.dismissAdvice)
	resident("POST /api/v1/advice/{advice}/used", s.postUsed)
	resident("POST /api/v1/advice/{advice}/dismissed", s.postDismissed)

	resident("POST /sign-out", s.signOut) // a guest must not sign the tablet on the wall out
	resident("GET /visits/erase", s.erasePeriodPage)
	resident("POST /visits/erase", s.erasePeriod)
	resident("POST /visits/{visit}/parcel", s.setParcel)
	resident("POST /visits/{visit}/hold", s.placeHold)
	resident("POST /visits/{visit}/release", s.endHold)
	resident("GET /visits/{visit}/erase", s.eraseVisitPage)
	resident("POST /visits/{visit}/erase", s.eraseVisit)
	resident("DELETE /api/v1/visits", s.deletePeriod)
	resident("DELETE /api/v1/visits/{visit}", s.deleteVisit)
	resident("GET /erasures/{erasure}", s.erasurePage)
	resident("GET /api/v1/erasures/{erasure}", s.getErasure)
	resident("PUT /api/v1/visits/{visit}/parcel", s.putParcel)
	resident("PUT /api/v1/visits/{visit}/hold", s.putHold)
	resident("DELETE /api/v1/visits/{visit}/hold", s.deleteHold)

	resident("GET /people", s.peoplePage)
	resident("GET /people/strangers", s.strangersPage)
	resident("GET /people/strangers/{stranger}/person", s.strangerPage)
	resident("POST /people/strangers/{stranger}/person", s.introduceOnPage)
	resident("GET /api/v1/strangers", s.listStrangers)
	resident("POST /api/v1/strangers/{stranger}/person", s.postIntroduction)
	resident("GET /people/{person}", s.personPage)
	resident("POST /people/{person}/phones", s.addPhone)
	resident("POST /people/{person}/phones/{source}/remove", s.removePhone)
	resident("POST /people/{person}/tokens", s.addToken)
	resident("POST /people/{person}/tokens/{token}/remove", s.removeToken)
	resident("POST /people/{person}/codes", s.giveOutCodes)
	resident("GET /people/{person}/codes/qr/{picture}", s.codesPicture)
	resident("POST /people/{person}/codes/end", s.endCodes)
	resident("GET /people/{person}/withdraw", s.withdrawPage)
	resident("POST /people/{person}/withdraw", s.withdraw)
	resident("DELETE /api/v1/persons/{person}/consent", s.deleteConsent)
	resident("GET /people/{person}/erase", s.erasePersonPage)
	resident("POST /people/{person}/erase", s.erasePerson)
	resident("GET /api/v1/persons", s.listPersons)
	resident("GET /api/v1/persons/{person}", s.getPerson)
	resident("DELETE /api/v1/persons/{person}", s.deletePerson)
	resident("GET /api/v1/persons/{person}/export", s.exportPerson)

	resident("GET /checks", s.checksPage)
	resident("GET /checks/{face}", s.checkPage)
	resident("POST /checks/{face}", s.giveAnswer)
	resident("GET /checks/{face}/answer", s.answerPage)
	resident("POST /checks/{face}/take-back", s.takeBack)
	resident("GET /checks/answers", s.answersPage)
	resident("GET /checks/changes", s.changesPage)
	resident("POST /checks/changes", s.postChanges)
	resident("GET /checks/threshold", s.thresholdPage)
	resident("GET /api/v1/checks", s.listChecks)
	resident("GET /api/v1/checks/{face}", s.getCheck)
	resident("PUT /api/v1/checks/{face}", s.putCheck)
	resident("DELETE /api/v1/checks/{face}", s.deleteCheck)
	resident("GET /api/v1/checks/{face}/crop", s.crop)
	resident("GET /api/v1/checks/changes", s.listChanges)
	resident("POST /api/v1/checks/changes", s.sendChanges)
	resident("GET /api/v1/checks/threshold", s.getThreshold)

	resident("GET /rules", s.rulesPage)
	resident("POST /rules", s.previewRules)
	resident("POST /rules/save", s.saveRules)
	resident("POST /rules/holds/{visit}/end", s.endHoldOnRules)
	resident("POST /rules/prior", s.savePrior)
	resident("GET /rules/masks/{bell}", s.masksPage)
	resident("POST /rules/masks/{bell}", s.saveMasks)
	resident("POST /rules/masks/{bell}/earlier", s.maskEarlier)
	resident("GET /rules/lens/{bell}", s.lensPage)
	resident("POST /rules/lens/{bell}", s.saveLens)
	resident("POST /rules/lens/{bell}/clear", s.clearLens)
	resident("GET /rules/advice", s.advicePage)
	resident("POST /rules/advice/pause", s.pauseAdvice)
	resident("GET /rules/advice/house", s.adviceHousePage)
	resident("POST /rules/advice/house", s.saveAdviceHouse)
	resident("GET /rules/advice/doors", s.adviceDoorPage)
	resident("POST /rules/advice/doors", s.saveDoor)
	resident("GET /rules/advice/doors/{door}", s.adviceDoorPage)
	resident("POST /rules/advice/doors/{door}", s.saveDoor)
	resident("GET /rules/advice/doors/{door}/remove", s.removeDoorPage)
	resident("POST /rules/advice/doors/{door}/remove", s.removeDoor)
	resident("GET /rules/advice/rules", s.adviceRulePage)
	resident("POST /rules/advice/rules", s.postRule)
	resident("GET /rules/advice/rules/{rule}", s.adviceRulePage)
	resident("POST /rules/advice/rules/{rule}", s.postRule)
	resident("GET /rules/advice/rules/{rule}/remove", s.removeRulePage)
	resident("POST /rules/advice/rules/{rule}/remove", s.removeRule)
	resident("GET /rules/advice/parcels", s.adviceParcelsPage)
	resident("POST /rules/advice/parcels", s.addParcel)
	resident("POST /rules/advice/parcels/{parcel}/remove", s.removeParcel)
	resident("GET /rules/advice/dry-run", s.adviceDryPage)
	resident("POST /rules/advice/dry-run", s.tryRule)
	resident("GET /api/v1/advice/rules", s.getAdviceRules)
	resident("PUT /api/v1/advice/rules", s.putAdviceRules)
	resident("POST /api/v1/advice/dry-run", s.postDryRun)
	resident("GET /api/v1/doors", s.listDoors)
	resident("POST /api/v1/doors", s.postDoor)
	resident("PUT /api/v1/doors/{door}", s.putDoor)
	resident("DELETE /api/v1/doors/{door}", s.deleteDoor)
	resident("GET /api/v1/doors/rules", s.listDoorRules)
	resident("POST /api/v1/doors/rules", s.postDoorRule)
	resident("PUT /api/v1/doors/rules/{rule}", s.putDoorRule)
	resident("DELETE /api/v1/doors/rules/{rule}", s.deleteDoorRule)
	resident("GET /api/v1/parcels", s.listParcels)
	resident("POST /api/v1/parcels", s.postParcel)
	resident("DELETE /api/v1/parcels/{parcel}", s.deleteParcel)
	resident("GET /api/v1/prior", s.getPrior)
	resident("PUT /api/v1/prior", s.putPrior)
	resident("GET /api/v1/rules", s.getRules)
	resident("PUT /api/v1/rules", s.putRules)
	resident("POST /api/v1/rules/preview", s.postPreview)
	resident("GET /api/v1/holds", s.listHolds)
	resident("GET /api/v1/bells", s.listBells)
	resident("GET /api/v1/bells/{bell}/lens", s.getLens)
	resident("PUT /api/v1/bells/{bell}/lens", s.putLens)
	resident("DELETE /api/v1/bells/{bell}/lens", s.deleteLens)
	resident("GET /api/v1/bells/{bell}/masks", s.getMasks)
	resident("PUT /api/v1/bells/{bell}/masks", s.putMasks)
	resident("GET /api/v1/bells/{bell}/masks/earlier", s.getMaskEarlier)
	resident("POST /api/v1/bells/{bell}/masks/earlier", s.postMaskEarlier)

	resident("GET /upkeep", s.upkeepPage)
	resident("GET /upkeep/advice", s.adviceMonthPage)
	resident("GET /upkeep/trail", s.trailPage)
	resident("POST /upkeep/trail/check", s.checkTrail)
	resident("GET /api/v1/trail", s.listTrail)
	resident("POST /upkeep/trials", s.startTrial)
	resident("GET /upkeep/trials/{trial}", s.trialPage)
	resident("POST /upkeep/trials/{trial}/step", s.stepTrial)
	resident("POST /upkeep/trials/{trial}/end", s.endTrial)
	resident("POST /upkeep/trials/{trial}/remove", s.removeTrial)
	resident("POST /upkeep/trials/{trial}/rings/{ring}/remove", s.removeTrialRing)
	resident("GET /api/v1/trials", s.listTrials)
	resident("POST /api/v1/trials", s.postTrial)
	resident("GET /api/v1/trials/{trial}", s.getTrial)
	resident("DELETE /api/v1/trials/{trial}", s.deleteTrial)
	resident("PUT /api/v1/trials/{trial}/step", s.putTrialStep)
	resident("POST /api/v1/trials/{trial}/end", s.postTrialEnd)
	resident("DELETE /api/v1/trials/{trial}/rings/{ring}", s.deleteTrialRing)
	resident("POST /upkeep/pairing-code", s.makePairingCode)
	resident("POST /upkeep/invitation", s.makeInvitation)
	resident("POST /upkeep/tablets/{tablet}/unpair", s.unpairTablet)
	resident("POST /upkeep/readers", s.addReader)
	resident("POST /upkeep/readers/{source}/remove", s.removeReader)
	resident("POST /upkeep/receivers", s.addReceiver)
	resident("POST /upkeep/receivers/{receiver}/remove", s.removeReceiver)

	mux.Handle("/", s.signedIn(func(w http.ResponseWriter, r *http.Request) {
		writeProblem(w, r, problem{Status: http.StatusNotFound, Type: "not-found", Title: "There is nothing at this address."})
	}))
	// Browsers say where a request comes from; those that change something
	// are taken from Lintel's own pages only. Bells are no browsers.
	csrf := http.NewCrossOriginProtection()
	csrf.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		writeProblem(w, r, problem{Status: http.StatusForbidden, Type: "cross-origin", Title: "This request came from another site's page."})
	}))
	return csrf.Handler(mux)
}

// ServeHTTP answers every request, with headers that keep browsers from
// loading anything from elsewhere, from showing pages inside others, and from
// keeping what they saw.
func (s *Server) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	h := w.Header()
	h.Set("Content-Security-Policy", "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "+
		"connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'")
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Referrer-Policy", "no-referrer")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Cache-Control", "no-store")
	s.handler.ServeHTTP(loggingWriter{w, func(err error) {
		s.Log.Error("answering a request", "method", r.Method, "path", r.URL.Path, "err", err)
	}}, r)
}

func (s *Server) health(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.Write([]byte("up\n"))
}

// accept counts a request in that has to be finished before the server stops.
// It reports false once the server is stopping.
func (s *Server) accept() (finished func(), ok bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.draining {
		return nil, false
	}
	s.accepted.Add(1)
	return s.accepted.Done, true
}

// Drain makes the server refuse stills and live connections from now on, with
// status 503, ends the live connections there are, and waits until every still
// that was accepted is safe. The error is the context's if that takes longer.
func (s *Server) Drain(ctx context.Context) error {
	s.mu.Lock()
	if !s.draining {
		s.draining = true
		close(s.ended)
	}
	s.mu.Unlock()
	finished := make(chan struct{})
	go func() { // ends with the last handler, which http.Server waits for
		s.accepted.Wait()
		close(finished)
	}()
	select {
	case <-finished:
		return nil
	case <-ctx.Done():
		return errors.Join(errors.New("some requests were not finished in time"), ctx.Err())
	}
}

// fail answers a request that went wrong inside, and logs what did, unless it
// went wrong because the other side hung up.
func (s *Server) fail(w http.ResponseWriter, r *http.Request, err error) {
	if r.Context().Err() == nil {
		s.Log.Error("answering a request", "method", r.Method, "path", r.URL.Path, "err", err)
	}
	if errors.Is(err, house.ErrNoSpace) {
		writeProblem(w, r, problem{
			Status: http.StatusInsufficientStorage, Type: "no-space",
			Title:  "The disk is full or can't be written, so this was not done, or not to its end.",
			Detail: "What was kept before is safe. Make room on the server's disk, or let it be written again, and try once more.",
		})
		return
	}
	// Whoever hung up is answered too: one that closed only its own half of
	// the connection would read no answer as an empty 200.
	writeProblem(w, r, problem{
		Status: http.StatusInternalServerError, Type: "internal",
		Title: failedInside,
	})
}
