package web

import (
	"net/http"
	"slices"
)

// A handler answers a request, or returns why it did not: the table of problems
// has the answer to that.
type handler func(w http.ResponseWriter, r *http.Request) error

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
		s.residentRoutes(),
		s.startRoutes(),
		s.visitRoutes(),
		s.peopleRoutes(),
		s.strangerRoutes(),
		s.checkRoutes(),
		s.rulesRoutes(),
		s.bellRoutes(),
		s.messageRoutes(),
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
	s.paths = mux
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
		{"GET /readyz", open, s.getReady},
		{"GET /metrics", readMetrics, s.getMetrics},
		{"POST /api/v1/bells/{bell}/stills", open, s.postStill},
		{"POST /api/v1/bells/{bell}/heartbeat", open, s.postHeartbeat},
		{"POST /api/v1/factors", open, s.postFactor},
		{"GET /trust", open, s.showTrust},                  // whoever is to trust the house does not yet,
		{"GET /trust/authority.crt", open, s.getAuthority}, // and this is no secret
		{"POST /theme", open, s.submitTheme},               // how a browser shows what it is shown anyway
		{"GET /assets/style.css", open, s.getAsset},
		{"GET /assets/icon.svg", open, s.getAsset},
		{"GET /assets/icon-192.png", open, s.getAsset},
		{"GET /assets/icon-512.png", open, s.getAsset},
		{"GET /assets/manifest.webmanifest", open, s.getAsset},
		{"GET /assets/shell.js", open, s.getAsset},
		{"GET /sw.js", open, s.getAsset}, // it may see to the pages under its own address only
		{"GET /away", open, s.showAway},
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
		{"GET /set-up", open, s.showEntrance(s.setUp())},
		{"POST /set-up", open, s.submitEntrance(s.setUp())},
		{"GET /join", open, s.showEntrance(s.joining())}, // by an invitation
		{"POST /join", open, s.submitEntrance(s.joining())},
		{"GET /reset", open, s.showEntrance(s.resetting())}, // by a link of `lintel resident reset`
		{"POST /reset", open, s.submitEntrance(s.resetting())},
		{"GET /demo", open, s.enterDemo}, // by the link that a demo prints
		{"GET /pair", open, s.showPair},
		{"POST /pair", open, s.submitPair},
		{"POST /language", open, s.submitLanguage},
		{"PUT /api/v1/language", resident, s.putLanguage},
		{"PUT /api/v1/tablets/{tablet}/language", resident, s.putTabletLanguage},
		{"POST /upkeep/tablets/{tablet}/language", resident, s.submitTabletLanguage},
		{"POST /tablet/sign-in", anyone, s.submitTabletSignIn},
		{"POST /tablet/guests", anyone, s.submitGuests},
		{"POST /tablet/guests/gone", byPIN, s.submitGuestsGone},
		{"GET /upkeep/tablets/{tablet}", resident, s.showTablet},
		{"POST /upkeep/tablets/{tablet}", resident, s.submitTablet},
		{"PUT /api/v1/tablets/{tablet}", resident, s.putTablet},
		{"POST /sign-out", resident, s.submitSignOut}, // a guest must not sign the tablet on the wall out
		{"POST /api/v1/session", open, s.postSession},
		{"DELETE /api/v1/session", resident, s.deleteSession},
		{"POST /api/v1/tablets", open, s.postTablet}, // by a pairing code
		{"GET /api/v1/tablets", resident, s.listTablets},
		{"POST /api/v1/tablets/pairing-code", resident, s.postPairingCode},
		{"DELETE /api/v1/tablets/{tablet}", resident, s.deleteTablet},
	}
}

// residentRoutes are who lives here, and what each is signed in with.
func (s *Server) residentRoutes() []route {
	return []route{
		{"GET /upkeep/residents", resident, s.showResidents},
		{"GET /upkeep/residents/{resident}/remove", resident, s.showRemoveResident},
		{"POST /upkeep/residents/{resident}/remove", resident, s.submitRemoveResident},
		{"POST /upkeep/residents/password", resident, s.submitPassword},
		{"POST /upkeep/invitation", resident, s.submitInvitation},
		{"POST /upkeep/invitations/{invitation}/withdraw", resident, s.submitWithdrawInvitation},
		{"POST /upkeep/sessions/{session}/end", resident, s.submitEndSession},
		{"GET /api/v1/residents", resident, s.listResidents},
		{"DELETE /api/v1/residents/{resident}", resident, s.deleteResident},
		{"POST /api/v1/residents/invitation", resident, s.postInvitation},
		{"GET /api/v1/invitations", resident, s.listInvitations},
		{"DELETE /api/v1/invitations/{invitation}", resident, s.deleteInvitation},
		{"PUT /api/v1/password", resident, s.putPassword},
		{"GET /api/v1/sessions", resident, s.listSessions},
		{"DELETE /api/v1/sessions/{session}", resident, s.deleteOneSession},
	}
}

// startRoutes are the first steps.
func (s *Server) startRoutes() []route {
	return []route{
		{"GET /start", resident, s.showStart},
		{"GET /start/state", resident, s.getStartState},
		{"POST /start/zone", resident, s.submitStartZone},
		{"POST /start/tablet", resident, s.submitStartTablet},
		{"POST /start/certificate", resident, s.submitStartCertificate},
		{"POST /start/done", resident, s.submitStarted},
	}
}

// visitRoutes are Now, the visitor book and visits.
func (s *Server) visitRoutes() []route {
	return []route{
		{"GET /{$}", anyone, s.showNow},
		{"GET /api/v1/live", readNow, s.getLive},
		{"GET /api/v1/visits", readVisits, s.listVisits},
		{"GET /visits", looker, s.showBook},
		{"GET /visits/{visit}", looker, s.showVisit},
		{"GET /api/v1/visits/{visit}", readVisits, s.getVisit},
		{"GET /api/v1/visits/{visit}/stills/{frame}", readNow, s.getStill},
		{"GET /api/v1/visits/{visit}/stills/{frame}/small/{width}", readNow, s.getSmallStill},
		{"GET /api/v1/faces/{face}/picture/{size}", readNow, s.getFacePicture},
		{"POST /visits/{visit}/code", answerer, s.submitCode}, // a visitor says it, and whoever is at home types it
		{"POST /api/v1/visits/{visit}/code", answerer, s.postCode},
		{"POST /visits/{visit}/agree", byHand, s.submitAgree},
		{"POST /api/v1/visits/{visit}/agree", resident, s.postAgree},
		{"GET /visits/{visit}/faces/{frame}/{place}/who", answerer, s.showWho},
		{"POST /visits/{visit}/faces/{frame}/{place}/who", byHand, s.submitWho},
		{"POST /visits/{visit}/faces/{frame}/{place}/undo", byHand, s.submitUndo},
		{"GET /api/v1/visits/{visit}/export", resident, s.getVisitExport},
		{"GET /visits/erase", resident, s.showErasePeriod},
		{"POST /visits/erase", resident, s.submitErasePeriod},
		{"POST /visits/{visit}/parcel", byHand, s.submitVisitParcel},
		{"POST /visits/{visit}/hold", resident, s.submitHold},
		{"POST /visits/{visit}/examine", resident, s.submitExamine},
		{"POST /api/v1/visits/{visit}/examine", resident, s.postExamine},
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
		{"GET /people/new", resident, s.showNewPerson},
		{"POST /people", resident, s.submitPerson},
		{"GET /people/{person}", resident, s.showPerson},
		{"POST /people/{person}/consent", resident, s.submitConsent},
		{"GET /people/{person}/pictures", resident, s.showPictures},
		{"POST /people/{person}/pictures", resident, s.submitPictures},
		{"POST /people/{person}/pictures/visits", resident, s.submitCandidates},
		{"GET /people/{person}/references/{reference}/remove", resident, s.showRemoveReference},
		{"POST /people/{person}/references/{reference}/remove", resident, s.submitRemoveReference},
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
		{"GET /api/v1/persons/{person}/references", resident, s.listReferences},
		{"DELETE /api/v1/persons/{person}/references/{reference}", resident, s.deleteReference},
		{"GET /api/v1/persons/{person}/references/{reference}/picture", answerer, s.getPortrait},
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
		{"GET /rules/keeping", resident, s.showKeeping},
		{"POST /rules/keeping", resident, s.submitKeeping},
		{"POST /rules/keeping/save", resident, s.submitSavedRules},
		{"POST /rules/holds/{visit}/end", resident, s.submitEndHold},
		{"POST /rules/chime", resident, s.submitChime},
		{"GET /api/v1/chime", resident, s.getChime},
		{"PUT /api/v1/chime", resident, s.putChime},
		{"GET /rules/privacy", resident, s.showPrivacy},
		{"GET /rules/house", resident, s.showRulesHouse},
		{"POST /rules/house", resident, s.submitRulesHouse},
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
		{"POST /upkeep/bells/{bell}/forgive", resident, s.submitForgive},
		{"DELETE /api/v1/bells/{bell}/wrong-secrets", resident, s.deleteTried},
		{"GET /api/v1/bells", resident, s.listBells},
		{"POST /api/v1/bells", resident, s.postBell},
		{"DELETE /api/v1/bells/{bell}", resident, s.deleteBell},
		{"POST /api/v1/bells/{bell}/secret", resident, s.postBellSecret},
		{"GET /upkeep/bells/new", resident, s.showNewBell},
		{"POST /upkeep/bells", resident, s.submitNewBell},
		{"POST /upkeep/bells/{bell}/secret", resident, s.submitBellSecret},
		{"GET /upkeep/bells/{bell}/remove", resident, s.showRemoveBell},
		{"POST /upkeep/bells/{bell}/remove", resident, s.submitRemoveBell},
		{"GET /api/v1/bells/{bell}/health", resident, s.getBellHealth},
		{"PUT /api/v1/bells/{bell}/health", resident, s.putBellHealth},
		{"DELETE /api/v1/bells/{bell}/view", resident, s.deleteBellView},
		{"PUT /api/v1/bells/{bell}/name", resident, s.putBellName},
		{"POST /upkeep/bells/{bell}/name", resident, s.submitBellName},
		{"GET /api/v1/bells/{bell}/lens", resident, s.getLens},
		{"PUT /api/v1/bells/{bell}/lens", resident, s.putLens},
		{"DELETE /api/v1/bells/{bell}/lens", resident, s.deleteLens},
		{"GET /api/v1/bells/{bell}/masks", resident, s.getMasks},
		{"PUT /api/v1/bells/{bell}/masks", resident, s.putMasks},
		{"GET /api/v1/bells/{bell}/masks/earlier", resident, s.getMaskEarlier},
		{"POST /api/v1/bells/{bell}/masks/earlier", resident, s.postMaskEarlier},
	}
}

// messageRoutes are what bells' displays show. Bells ask by their secret, and
// tablets send what is on the household's list.
func (s *Server) messageRoutes() []route {
	return []route{
		{"GET /api/v1/bells/{bell}/display", open, s.getDisplay},
		{"POST /api/v1/bells/{bell}/display/{message}/shown", open, s.postShown},
		{"GET /api/v1/bells/{bell}/display/size", resident, s.getDisplaySize},
		{"PUT /api/v1/bells/{bell}/display/size", resident, s.putDisplaySize},
		{"DELETE /api/v1/bells/{bell}/display/size", resident, s.deleteDisplaySize},
		{"POST /api/v1/bells/{bell}/message", sendMessages, s.postMessage},
		{"POST /api/v1/bells/{bell}/message/preview", sendMessages, s.postMessagePreview},
		{"DELETE /api/v1/bells/{bell}/message", sendMessages, s.deleteMessage},
		{"GET /api/v1/messages", sendMessages, s.getMessageRules},
		{"PUT /api/v1/messages", resident, s.putMessageRules},
		{"PUT /api/v1/outside", tellOutside, s.putOutside},
		{"POST /visits/{visit}/message", answerer, s.submitVisitMessage},
		{"POST /visits/{visit}/message/clear", answerer, s.submitClearMessage},
		{"GET /rules/messages", resident, s.showMessageRules},
		{"POST /rules/messages", resident, s.submitMessageRules},
		{"GET /upkeep/displays/{bell}", resident, s.showDisplay},
		{"POST /upkeep/displays/{bell}", resident, s.submitDisplay},
		{"POST /upkeep/displays/{bell}/clear", resident, s.submitNoDisplay},
	}
}

// adviceRoutes are suggestions: what is allowed, and what became of one.
func (s *Server) adviceRoutes() []route {
	return []route{
		{"POST /advice/{advice}/used", byHand, s.submitUsed},
		{"POST /advice/{advice}/dismissed", byHand, s.submitDismissed},
		{"POST /api/v1/advice/{advice}/used", resident, s.postUsed},
		{"POST /api/v1/advice/{advice}/dismissed", resident, s.postDismissed},
		{"GET /api/v1/advice", readAdvice, s.listAdvice},
		{"GET /api/v1/advice/month", readAdvice, s.getAdviceMonth},
		{"POST /advice/{advice}/confirm", byHand, s.submitConfirm},
		{"POST /api/v1/advice/{advice}/confirm", answerer, s.postConfirm},
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
		{"GET /upkeep/bells", resident, s.showUpkeepOf("bells")},
		{"GET /upkeep/sources", resident, s.showUpkeepOf("sources")},
		{"GET /upkeep/trials", resident, s.showUpkeepOf("trials")},
		{"GET /upkeep/backups", resident, s.showUpkeepOf("backups")},
		{"POST /upkeep/backups", resident, s.submitBackups},
		{"POST /upkeep/backups/end", resident, s.submitEndBackups},
		{"GET /upkeep/connection", resident, s.showUpkeepOf("connection")},
		{"GET /upkeep/trail", resident, s.showTrail},
		{"POST /upkeep/trail/check", resident, s.submitTrailCheck},
		{"GET /api/v1/trail", resident, s.listTrail},
		{"POST /upkeep/bells/{bell}/heartbeat", resident, s.submitHeartbeat},
		{"POST /upkeep/bells/{bell}/view/forget", resident, s.submitForgetView},
		{"POST /upkeep/pairing-code", resident, s.submitPairingCode},
		{"POST /upkeep/tablets/{tablet}/unpair", resident, s.submitUnpair},
		{"POST /upkeep/readers", resident, s.submitReader},
		{"POST /upkeep/readers/{source}/remove", resident, s.submitRemoveReader},
		{"POST /upkeep/readers/{source}/key", resident, s.submitReaderKey},
		{"POST /upkeep/receivers", resident, s.submitReceiver},
		{"POST /upkeep/receivers/{receiver}/remove", resident, s.submitRemoveReceiver},
		{"POST /upkeep/receivers/{receiver}/test", resident, s.submitTestMessage},
		{"POST /api/v1/receivers/{receiver}/test", resident, s.postTestMessage},
		{"POST /upkeep/pin", resident, s.submitPIN},
		{"POST /upkeep/clock", resident, s.submitTrustClock},
		{"POST /upkeep/sweep", resident, s.submitAllowSweep},
		{"POST /upkeep/aside", resident, s.submitDropAside},
		{"POST /upkeep/aside/take", resident, s.submitTakeAside},
		{"GET /api/v1/waiting", resident, s.getWaiting},
		{"POST /api/v1/waiting/clock", resident, s.postTrustClock},
		{"POST /api/v1/waiting/sweep", resident, s.postAllowSweep},
		{"POST /api/v1/waiting/aside", resident, s.postTakeAside},
		{"DELETE /api/v1/waiting/aside", resident, s.deleteAside},
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
		{"POST /api/v1/sources/{source}/key", manageSources, s.postSourceKey},
		{"GET /api/v1/carried-tokens", manageSources, s.listCarriedTokens},
		{"POST /api/v1/carried-tokens", manageSources, s.postCarriedToken},
		{"DELETE /api/v1/carried-tokens/{token}", manageSources, s.deleteCarriedToken},
		{"GET /api/v1/receivers", resident, s.listReceivers},
		{"POST /api/v1/receivers", resident, s.postReceiver},
		{"DELETE /api/v1/receivers/{receiver}", resident, s.deleteReceiver},
	}
}
