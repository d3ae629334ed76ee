package web

import (
	"net/http"
	"slices"

	"lintel/internal/house"
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

	// Programs get through these, and no others, by an API token with the scope
	// of the same name; and besides them tablets and residents, or residents.
	readVisits    guard = "read-visits"
	readAdvice    guard = "read-advice"
	manageSources guard = "manage-sources"
)

// admissions are whom a guard lets through besides residents.
var admissions = map[guard]struct {
	tablets bool
	scope   house.Scope // that a program needs, "" where none gets through
}{
	anyone:        {tablets: true},
	resident:      {},
	readVisits:    {true, house.ReadVisits},
	readAdvice:    {false, house.ReadAdvice},
	manageSources: {false, house.ManageSources},
}

// A route is what is asked for, by a pattern of [http.ServeMux], who may ask, and
// what answers.
type route struct {
	pattern string
	guard   guard
	handler handler
}

// routes are all there are. Each area has a table of its own.
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
		s.programRoutes(),
	)
}

// mux leads each request to its handler, past its guard.
func (s *Server) mux() http.Handler {
	mux := http.NewServeMux()
	for _, route := range s.routes() {
		h := route.handler
		if route.guard != open {
			h = s.guarded(route.guard, h)
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
		{"GET /api/v1/openapi.json", open, s.getOpenAPI}, // it holds nothing of the household,
		{"/", anyone, func(http.ResponseWriter, *http.Request) error { return errNoAddress }},
	}
}

// accountRoutes are who signs in, and how.
func (s *Server) accountRoutes() []route {
	return []route{
		{"GET /sign-in", open, s.showSignIn},
		{"POST /sign-in", open, s.submitSignIn},
		{"GET /set-up", open, s.showSetUp},
		{"POST /set-up", open, s.submitSetUp},
		{"GET /join", open, s.showJoin},
		{"POST /join", open, s.submitJoin},
		{"GET /pair", open, s.showPair},
		{"POST /pair", open, s.submitPair},
		{"POST /sign-out", resident, s.submitSignOut}, // a guest must not sign the tablet on the wall out
		{"POST /api/v1/session", open, s.postSession},
		{"DELETE /api/v1/session", resident, s.deleteSession},
		{"POST /api/v1/tablets", open, s.postTablet}, // by a pairing code
		{"GET /api/v1/tablets", resident, s.listTablets},
		{"POST /api/v1/tablets/pairing-code", resident, s.postPairingCode},
		{"DELETE /api/v1/tablets/{tablet}", resident, s.deleteTablet},
		{"GET /api/v1/residents", resident, s.listResidents},
		{"POST /api/v1/residents/invitation", resident, s.postInvitation},
	}
}

// visitRoutes are Now, the visitor book and visits.
func (s *Server) visitRoutes() []route {
	return []route{
		{"GET /{$}", anyone, s.showNow},
		{"GET /api/v1/live", readVisits, s.getLive},
		{"GET /api/v1/visits", readVisits, s.listVisits},
		{"GET /visits", anyone, s.showBook},
		{"GET /visits/{visit}", anyone, s.showVisit},
		{"GET /api/v1/visits/{visit}", readVisits, s.getVisit},
		{"GET /api/v1/visits/{visit}/stills/{frame}", readVisits, s.getStill},
		{"POST /visits/{visit}/code", anyone, s.submitCode}, // a visitor says it, and whoever is at home types it
		{"POST /api/v1/visits/{visit}/code", anyone, s.postCode},
		{"POST /visits/{visit}/agree", resident, s.submitAgree},
		{"POST /api/v1/visits/{visit}/agree", resident, s.postAgree},
		{"GET /visits/erase", resident, s.showErasePeriod},
		{"POST /visits/erase", resident, s.submitErasePeriod},
		{"POST /visits/{visit}/parcel", resident, s.submitVisitParcel},
		{"POST /visits/{visit}/hold", resident, s.submitHold},
		{"POST /visits/{visit}/release", resident, s.submitRelease},
		{"GET /visits/{visit}/erase", resident, s.showEraseVisit},
		{"POST /visits/{visit}/erase", resident, s.submitEraseVisit},
		{"DELETE /api/v1/visits", resident, s.deletePeriod},
		{"DELETE /api/v1/visits/{visit}", resident, s.deleteVisit},
		{"GET /erasures/{erasure}", resident, s.showErasure},
		{"GET /api/v1/erasures/{erasure}", resident, s.getErasure},
		{"PUT /api/v1/visits/{visit}/parcel", resident, s.putVisitParcel},
		{"PUT /api/v1/visits/{visit}/hold", resident, s.putHold},
		{"DELETE /api/v1/visits/{visit}/hold", resident, s.deleteHold},
	}
}

// peopleRoutes are the screen People.
func (s *Server) peopleRoutes() []route {
	return []route{
		{"GET /people", resident, s.showPeople},
		{"GET /people/{person}", resident, s.showPerson},
		{"POST /people/{person}/phones", resident, s.submitPhone},
		{"POST /people/{person}/phones/{source}/remove", resident, s.submitRemovePhone},
		{"POST /people/{person}/tokens", resident, s.submitToken},
		{"POST /people/{person}/tokens/{token}/remove", resident, s.submitRemoveToken},
		{"POST /people/{person}/codes", resident, s.submitCodes},
		{"POST /people/{person}/codes/end", resident, s.submitEndCodes},
		{"GET /people/{person}/withdraw", resident, s.showWithdraw},
		{"POST /people/{person}/withdraw", resident, s.submitWithdraw},
		{"DELETE /api/v1/persons/{person}/consent", resident, s.deleteConsent},
		{"GET /people/{person}/erase", resident, s.showErasePerson},
		{"POST /people/{person}/erase", resident, s.submitErasePerson},
		{"GET /api/v1/persons", resident, s.listPersons},
		{"GET /api/v1/persons/{person}", resident, s.getPerson},
		{"DELETE /api/v1/persons/{person}", resident, s.deletePerson},
		{"GET /api/v1/persons/{person}/export", resident, s.getPersonExport},
		{"POST /api/v1/persons", resident, s.postPerson},
		{"PUT /api/v1/persons/{person}/consent", resident, s.putConsent},
		{"POST /api/v1/persons/{person}/references", resident, s.postReference},
		{"GET /api/v1/persons/{person}/codes", resident, s.getCodes},
		{"POST /api/v1/persons/{person}/codes", resident, s.postCodes},
		{"DELETE /api/v1/persons/{person}/codes", resident, s.deleteCodes},
	}
}

// strangerRoutes are strangers seen again.
func (s *Server) strangerRoutes() []route {
	return []route{
		{"GET /people/strangers", resident, s.showStrangers},
		{"GET /people/strangers/{stranger}/person", resident, s.showStranger},
		{"POST /people/strangers/{stranger}/person", resident, s.submitIntroduction},
		{"GET /api/v1/strangers", resident, s.listStrangers},
		{"POST /api/v1/strangers/{stranger}/person", resident, s.postIntroduction},
	}
}

// checkRoutes are the screen Check matches.
func (s *Server) checkRoutes() []route {
	return []route{
		{"GET /checks", resident, s.showChecks},
		{"GET /checks/{face}", resident, s.showCheck},
		{"POST /checks/{face}", resident, s.submitAnswer},
		{"GET /checks/{face}/answer", resident, s.showAnswer},
		{"POST /checks/{face}/take-back", resident, s.submitTakeBack},
		{"GET /checks/answers", resident, s.showAnswers},
		{"GET /checks/changes", resident, s.showChanges},
		{"POST /checks/changes", resident, s.submitChanges},
		{"GET /checks/threshold", resident, s.showThreshold},
		{"GET /api/v1/checks", resident, s.listChecks},
		{"GET /api/v1/checks/{face}", resident, s.getCheck},
		{"PUT /api/v1/checks/{face}", resident, s.putCheck},
		{"DELETE /api/v1/checks/{face}", resident, s.deleteCheck},
		{"GET /api/v1/checks/{face}/crop", resident, s.getCrop},
		{"GET /api/v1/checks/changes", resident, s.listChanges},
		{"POST /api/v1/checks/changes", resident, s.postChanges},
		{"GET /api/v1/checks/threshold", resident, s.getThreshold},
	}
}

// rulesRoutes are the screen Rules.
func (s *Server) rulesRoutes() []route {
	return []route{
		{"GET /rules", resident, s.showRules},
		{"POST /rules", resident, s.submitRules},
		{"POST /rules/save", resident, s.submitSavedRules},
		{"POST /rules/holds/{visit}/end", resident, s.submitEndHold},
		{"POST /rules/prior", resident, s.submitPrior},
		{"GET /api/v1/prior", resident, s.getPrior},
		{"PUT /api/v1/prior", resident, s.putPrior},
		{"GET /api/v1/rules", resident, s.getRules},
		{"PUT /api/v1/rules", resident, s.putRules},
		{"POST /api/v1/rules/preview", resident, s.postPreview},
		{"GET /api/v1/holds", resident, s.listHolds},
	}
}

// bellRoutes are what bells look out on.
func (s *Server) bellRoutes() []route {
	return []route{
		{"GET /rules/masks/{bell}", resident, s.showMasks},
		{"POST /rules/masks/{bell}", resident, s.submitMasks},
		{"POST /rules/masks/{bell}/earlier", resident, s.submitMaskEarlier},
		{"GET /rules/lens/{bell}", resident, s.showLens},
		{"POST /rules/lens/{bell}", resident, s.submitLens},
		{"POST /rules/lens/{bell}/clear", resident, s.submitClearLens},
		{"GET /api/v1/bells", resident, s.listBells},
		{"GET /api/v1/bells/{bell}/lens", resident, s.getLens},
		{"PUT /api/v1/bells/{bell}/lens", resident, s.putLens},
		{"DELETE /api/v1/bells/{bell}/lens", resident, s.deleteLens},
		{"GET /api/v1/bells/{bell}/masks", resident, s.getMasks},
		{"PUT /api/v1/bells/{bell}/masks", resident, s.putMasks},
		{"GET /api/v1/bells/{bell}/masks/earlier", resident, s.getMaskEarlier},
		{"POST /api/v1/bells/{bell}/masks/earlier", resident, s.postMaskEarlier},
	}
}

// adviceRoutes are suggestions: what is allowed, and what became of one.
func (s *Server) adviceRoutes() []route {
	return []route{
		{"POST /advice/{advice}/used", resident, s.submitUsed},
		{"POST /advice/{advice}/dismissed", resident, s.submitDismissed},
		{"POST /api/v1/advice/{advice}/used", resident, s.postUsed},
		{"POST /api/v1/advice/{advice}/dismissed", resident, s.postDismissed},
		{"GET /api/v1/advice", readAdvice, s.listAdvice},
		{"GET /api/v1/advice/month", readAdvice, s.getAdviceMonth},
		{"POST /advice/{advice}/confirm", anyone, s.submitConfirm},
		{"POST /api/v1/advice/{advice}/confirm", anyone, s.postConfirm},
		{"GET /rules/advice", resident, s.showAdvice},
		{"POST /rules/advice/pause", resident, s.submitPause},
		{"GET /rules/advice/house", resident, s.showAdviceHouse},
		{"POST /rules/advice/house", resident, s.submitAdviceHouse},
		{"GET /rules/advice/doors", resident, s.showAdviceDoor},
		{"POST /rules/advice/doors", resident, s.submitDoor},
		{"GET /rules/advice/doors/{door}", resident, s.showAdviceDoor},
		{"POST /rules/advice/doors/{door}", resident, s.submitDoor},
		{"GET /rules/advice/doors/{door}/remove", resident, s.showRemoveDoor},
		{"POST /rules/advice/doors/{door}/remove", resident, s.submitRemoveDoor},
		{"GET /rules/advice/rules", resident, s.showAdviceRule},
		{"POST /rules/advice/rules", resident, s.submitRule},
		{"GET /rules/advice/rules/{rule}", resident, s.showAdviceRule},
		{"POST /rules/advice/rules/{rule}", resident, s.submitRule},
		{"GET /rules/advice/rules/{rule}/remove", resident, s.showRemoveRule},
		{"POST /rules/advice/rules/{rule}/remove", resident, s.submitRemoveRule},
		{"GET /rules/advice/parcels", resident, s.showParcels},
		{"POST /rules/advice/parcels", resident, s.submitParcel},
		{"POST /rules/advice/parcels/{parcel}/remove", resident, s.submitRemoveParcel},
		{"GET /rules/advice/dry-run", resident, s.showDryRun},
		{"POST /rules/advice/dry-run", resident, s.submitDryRun},
		{"GET /api/v1/advice/rules", resident, s.getAdviceRules},
		{"PUT /api/v1/advice/rules", resident, s.putAdviceRules},
		{"POST /api/v1/advice/dry-run", resident, s.postDryRun},
		{"GET /api/v1/doors", resident, s.listDoors},
		{"POST /api/v1/doors", resident, s.postDoor},
		{"PUT /api/v1/doors/{door}", resident, s.putDoor},
		{"DELETE /api/v1/doors/{door}", resident, s.deleteDoor},
		{"GET /api/v1/doors/rules", resident, s.listDoorRules},
		{"POST /api/v1/doors/rules", resident, s.postDoorRule},
		{"PUT /api/v1/doors/rules/{rule}", resident, s.putDoorRule},
		{"DELETE /api/v1/doors/rules/{rule}", resident, s.deleteDoorRule},
		{"GET /api/v1/parcels", resident, s.listParcels},
		{"POST /api/v1/parcels", resident, s.postParcel},
		{"DELETE /api/v1/parcels/{parcel}", resident, s.deleteParcel},
		{"GET /upkeep/advice", resident, s.showAdviceMonth},
	}
}

// upkeepRoutes are the screen Upkeep.
func (s *Server) upkeepRoutes() []route {
	return []route{
		{"GET /upkeep", resident, s.showUpkeep},
		{"GET /upkeep/trail", resident, s.showTrail},
		{"POST /upkeep/trail/check", resident, s.submitTrailCheck},
		{"GET /api/v1/trail", resident, s.listTrail},
		{"POST /upkeep/pairing-code", resident, s.submitPairingCode},
		{"POST /upkeep/invitation", resident, s.submitInvitation},
		{"POST /upkeep/tablets/{tablet}/unpair", resident, s.submitUnpair},
		{"POST /upkeep/readers", resident, s.submitReader},
		{"POST /upkeep/readers/{source}/remove", resident, s.submitRemoveReader},
		{"POST /upkeep/receivers", resident, s.submitReceiver},
		{"POST /upkeep/receivers/{receiver}/remove", resident, s.submitRemoveReceiver},
		{"POST /upkeep/receivers/{receiver}/test", resident, s.submitTestMessage},
		{"POST /api/v1/receivers/{receiver}/test", resident, s.postTestMessage},
		{"POST /upkeep/pin", resident, s.submitPIN},
		{"PUT /api/v1/pin", resident, s.putPIN},
		{"DELETE /api/v1/pin", resident, s.deletePIN},
	}
}

// trialRoutes are trials with pictures.
func (s *Server) trialRoutes() []route {
	return []route{
		{"POST /upkeep/trials", resident, s.submitTrial},
		{"GET /upkeep/trials/{trial}", resident, s.showTrial},
		{"POST /upkeep/trials/{trial}/step", resident, s.submitTrialStep},
		{"POST /upkeep/trials/{trial}/end", resident, s.submitTrialEnd},
		{"POST /upkeep/trials/{trial}/remove", resident, s.submitRemoveTrial},
		{"POST /upkeep/trials/{trial}/rings/{ring}/remove", resident, s.submitRemoveTrialRing},
		{"GET /api/v1/trials", resident, s.listTrials},
		{"POST /api/v1/trials", resident, s.postTrial},
		{"GET /api/v1/trials/{trial}", resident, s.getTrial},
		{"DELETE /api/v1/trials/{trial}", resident, s.deleteTrial},
		{"PUT /api/v1/trials/{trial}/step", resident, s.putTrialStep},
		{"POST /api/v1/trials/{trial}/end", resident, s.postTrialEnd},
		{"DELETE /api/v1/trials/{trial}/rings/{ring}", resident, s.deleteTrialRing},
	}
}

// programRoutes are programs of the household's own, and what else is not a
// browser and has a token: phones, readers and receivers.
func (s *Server) programRoutes() []route {
	return []route{
		{"GET /upkeep/programs", resident, s.showPrograms},
		{"POST /upkeep/programs", resident, s.submitProgram},
		{"POST /upkeep/programs/{program}/end", resident, s.submitEndProgram},
		{"GET /api/v1/programs", resident, s.listPrograms},
		{"POST /api/v1/programs", resident, s.postProgram},
		{"DELETE /api/v1/programs/{program}", resident, s.deleteProgram},
		{"GET /api/v1/sources", manageSources, s.listSources},
		{"POST /api/v1/sources", manageSources, s.postSource},
		{"DELETE /api/v1/sources/{source}", manageSources, s.deleteSource},
		{"GET /api/v1/carried-tokens", manageSources, s.listCarriedTokens},
		{"POST /api/v1/carried-tokens", manageSources, s.postCarriedToken},
		{"DELETE /api/v1/carried-tokens/{token}", manageSources, s.deleteCarriedToken},
		{"GET /api/v1/receivers", resident, s.listReceivers},
		{"POST /api/v1/receivers", resident, s.postReceiver},
		{"DELETE /api/v1/receivers/{receiver}", resident, s.deleteReceiver},
	}
}
