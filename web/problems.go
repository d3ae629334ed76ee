package web

import (
	"net/http"

	"lintel/internal/house"
	"lintel/pipeline/advice/evidence"
	"lintel/pipeline/advice/geofence"
	"lintel/pipeline/advice/totp"
	"lintel/pipeline/bell"
	"lintel/pipeline/enrol"
	"lintel/pipeline/intake"
	"lintel/pipeline/review"
	"lintel/store"
	"lintel/store/seal"
	"lintel/web/view"
)

// problems say how the errors of other packages are answered: by the first that
// fits. What this package refuses itself are problems already.
var problems = []struct {
	err    error
	status int
	kind   string
	title  string // a key; "" for the words of the error, which is a house.Refusal
	detail string // a key
	more   bool   // whether the detail is all that was said of the error
}{
	{err: house.ErrNoSpace, status: http.StatusInsufficientStorage, kind: "no-space",
		title: "problem-no-space", detail: "problem-no-space-do"},

	{err: store.ErrDamaged, status: http.StatusServiceUnavailable, kind: "damaged",
		title: "problem-damaged-archive", detail: "problem-damaged-archive-do"},
	{err: seal.ErrOpen, status: http.StatusGone, kind: "damaged", title: "problem-damaged", detail: "problem-damaged-do"},

	{err: house.ErrUnvouched, status: http.StatusServiceUnavailable, kind: "unvouched",
		title: "problem-unvouched", detail: "problem-unvouched-do"},
	{err: house.ErrSuspect, status: http.StatusServiceUnavailable, kind: "unvouched",
		title: "problem-suspect", detail: "problem-suspect-do"},

	{err: house.ErrClockDoubted, status: http.StatusConflict, kind: "clock-doubted", title: "problem-clock-doubted"},

	// Visits, rules, masks, lenses and trials.
	{err: house.ErrHeld, status: http.StatusConflict, kind: "held", title: "problem-held"},
	{err: house.ErrBadHold, status: http.StatusUnprocessableEntity, kind: "bad-hold",
		title: "problem-bad-hold", more: true},
	{err: house.ErrBadRule, status: http.StatusUnprocessableEntity, kind: "bad-rule",
		title: "problem-bad-rule", more: true},
	{err: house.ErrBadMask, status: http.StatusUnprocessableEntity, kind: "bad-mask",
		title: "problem-bad-mask", more: true},
	{err: house.ErrBadLens, status: http.StatusUnprocessableEntity, kind: "bad-lens",
		title: "problem-bad-lens", more: true},
	{err: house.ErrBadTablet, status: http.StatusUnprocessableEntity, kind: "bad-tablet"},
	{err: house.ErrBadDisplay, status: http.StatusUnprocessableEntity, kind: "bad-display",
		title: "problem-bad-display", more: true},
	{err: house.ErrBadMessage, status: http.StatusUnprocessableEntity, kind: "bad-text",
		title: "problem-bad-text", more: true},
	{err: house.ErrNoDisplay, status: http.StatusConflict, kind: "no-display",
		title: "problem-no-display", detail: "problem-no-display-do"},
	{err: house.ErrManyMessages, status: http.StatusConflict, kind: "too-many-messages",
		title: "problem-many-messages"},
	{err: house.ErrBadPrior, status: http.StatusUnprocessableEntity, kind: "bad-prior", title: "problem-bad-prior"},
	{err: house.ErrTaken, status: http.StatusConflict, kind: "taken", title: "problem-taken"},
	{err: house.ErrTrialRuns, status: http.StatusConflict, kind: "trial-state", title: "problem-trial-runs"},
	{err: house.ErrTrialOver, status: http.StatusConflict, kind: "trial-state", title: "problem-trial-over"},
	{err: house.ErrTrialStep, status: http.StatusConflict, kind: "trial-state", title: "problem-trial-step"},
	{err: view.ErrDay, status: http.StatusBadRequest, kind: "bad-query", title: "problem-query-day"},
	{err: store.ErrBadCursor, status: http.StatusBadRequest, kind: "bad-query", title: "problem-query-cursor"},
	{err: house.ErrLastResident, status: http.StatusConflict, kind: "last-resident", title: "problem-last-resident"},
	{err: house.ErrNameLength, status: http.StatusUnprocessableEntity, kind: "bad-name"},
	{err: house.ErrNameUnseen, status: http.StatusUnprocessableEntity, kind: "bad-name"},
	{err: house.ErrBadScope, status: http.StatusUnprocessableEntity, kind: "bad-scope", title: "problem-bad-scope"},
	{err: enrol.ErrNoFace, status: http.StatusUnprocessableEntity, kind: "no-face", title: "problem-photograph-no-face"},
	{err: enrol.ErrFaces, status: http.StatusUnprocessableEntity, kind: "several-faces",
		title: "problem-photograph-faces"},

	// Answers about faces.
	{err: house.ErrStillGone, status: http.StatusGone, kind: "still-gone",
		title: "problem-still-gone", detail: "problem-still-gone-why"},
	{err: house.ErrAnswered, status: http.StatusConflict, kind: "answered",
		title: "problem-answered", detail: "problem-answered-do"},
	{err: house.ErrFindingChanged, status: http.StatusConflict, kind: "finding-changed",
		title: "problem-finding-changed", detail: "problem-nothing-changed-look"},
	{err: house.ErrPersonGone, status: http.StatusConflict, kind: "person-gone",
		title: "problem-person-gone-meanwhile", detail: "problem-nothing-changed"},
	{err: review.ErrNobody, status: http.StatusConflict, kind: "nobody-enrolled",
		title: "problem-nobody-enrolled", detail: "problem-nothing-changed"},
	{err: review.ErrBadCursor, status: http.StatusBadRequest, kind: "bad-query", title: "problem-query-cursor"},

	// Heartbeats.
	{err: bell.ErrHeartbeat, status: http.StatusBadRequest, kind: "bad-heartbeat"},
	{err: bell.ErrSignal, status: http.StatusUnprocessableEntity, kind: "bad-signal"},
	{err: bell.ErrMemory, status: http.StatusUnprocessableEntity, kind: "bad-memory"},
	{err: bell.ErrFirmware, status: http.StatusUnprocessableEntity, kind: "bad-firmware"},
	{err: bell.ErrUptime, status: http.StatusUnprocessableEntity, kind: "bad-uptime"},
	{err: bell.ErrClock, status: http.StatusUnprocessableEntity, kind: "bad-clock"},
	{err: bell.ErrBattery, status: http.StatusUnprocessableEntity, kind: "bad-battery"},
	{err: bell.ErrTooOften, status: http.StatusTooManyRequests, kind: "too-often"},
	{err: house.ErrBadInterval, status: http.StatusUnprocessableEntity, kind: "bad-interval",
		title: "problem-bad-interval"},

	// Stills that bells send.
	{err: intake.ErrUnknownBell, status: http.StatusNotFound, kind: "unknown-bell", title: "problem-unknown-bell"},
	{err: intake.ErrWrongSecret, status: http.StatusUnauthorized, kind: "wrong-secret", title: "problem-wrong-secret"},
	{err: intake.ErrTooOften, status: http.StatusTooManyRequests, kind: "too-often", title: "problem-bell-too-often"},
	{err: intake.ErrBadRing, status: http.StatusBadRequest, kind: "bad-ring", title: "problem-bad-ring"},
	{err: intake.ErrBadFrame, status: http.StatusBadRequest, kind: "bad-frame", title: "problem-bad-frame"},
	{err: intake.ErrEmpty, status: http.StatusBadRequest, kind: "empty", title: "problem-still-empty"},
	{err: intake.ErrTooLarge, status: http.StatusRequestEntityTooLarge, kind: "too-large",
		title: "problem-still-too-large"},
	{err: intake.ErrTooManyPixels, status: http.StatusUnprocessableEntity, kind: "too-many-pixels",
		title: "problem-too-many-pixels"},
	{err: intake.ErrHEIC, status: http.StatusUnsupportedMediaType, kind: "wrong-type"},
	{err: intake.ErrWebP, status: http.StatusUnsupportedMediaType, kind: "wrong-type"},
	{err: intake.ErrNotAPicture, status: http.StatusUnprocessableEntity, kind: "not-a-picture",
		title: "problem-not-a-picture", more: true},
	{err: house.ErrOtherBytes, status: http.StatusConflict, kind: "other-bytes", title: "problem-other-bytes"},
	{err: house.ErrErased, status: http.StatusGone, kind: "erased", title: "problem-erased"},

	// Messages that phones and readers send.
	{err: evidence.ErrMessage, status: http.StatusBadRequest, kind: "bad-message"},
	{err: evidence.ErrTwice, status: http.StatusBadRequest, kind: "bad-message"},
	{err: evidence.ErrList, status: http.StatusBadRequest, kind: "bad-message"},
	{err: evidence.ErrLatitude, status: http.StatusUnprocessableEntity, kind: "bad-lat"},
	{err: evidence.ErrLongitude, status: http.StatusUnprocessableEntity, kind: "bad-lon"},
	{err: geofence.ErrAccuracy, status: http.StatusUnprocessableEntity, kind: "bad-accuracy"},
	{err: evidence.ErrTime, status: http.StatusUnprocessableEntity, kind: "bad-time"},
	{err: evidence.ErrCrossing, status: http.StatusUnprocessableEntity, kind: "bad-crossing"},
	{err: evidence.ErrCode, status: http.StatusUnprocessableEntity, kind: "bad-code"},
	{err: evidence.ErrToken, status: http.StatusUnprocessableEntity, kind: "bad-token"},
	{err: evidence.ErrCounter, status: http.StatusUnprocessableEntity, kind: "bad-counter"},
	{err: evidence.ErrNonce, status: http.StatusUnprocessableEntity, kind: "bad-nonce"},
	{err: evidence.ErrMAC, status: http.StatusUnprocessableEntity, kind: "bad-mac"},
	{err: evidence.ErrUnsigned, status: http.StatusForbidden, kind: "unsigned"},
	{err: evidence.ErrNoKey, status: http.StatusConflict, kind: "no-key"},
	{err: evidence.ErrForged, status: http.StatusForbidden, kind: "forged"},
	{err: evidence.ErrReplayed, status: http.StatusConflict, kind: "replayed"},
	{err: evidence.ErrReaderClock, status: http.StatusUnprocessableEntity, kind: "clock"},
	{err: evidence.ErrNonces, status: http.StatusTooManyRequests, kind: "too-often"},
	{err: evidence.ErrNotTheirs, status: http.StatusForbidden, kind: "not-theirs"},
	{err: evidence.ErrNoToken, status: http.StatusNotFound, kind: "unknown-token"},
	{err: evidence.ErrNoHome, status: http.StatusConflict, kind: "no-home"},
	{err: geofence.ErrHome, status: http.StatusConflict, kind: "no-home"},
	{err: geofence.ErrOrder, status: http.StatusConflict, kind: "out-of-order"},
	{err: totp.ErrReused, status: http.StatusConflict, kind: "used-code"},
	{err: geofence.ErrPosition, status: http.StatusUnprocessableEntity, kind: "bad-position"},
	{err: geofence.ErrFuture, status: http.StatusUnprocessableEntity, kind: "from-the-future"},
	{err: geofence.ErrOld, status: http.StatusUnprocessableEntity, kind: "too-old"},
	{err: geofence.ErrSpeed, status: http.StatusUnprocessableEntity, kind: "too-fast"},
	{err: totp.ErrFormat, status: http.StatusUnprocessableEntity, kind: "bad-code"},
	{err: totp.ErrWrong, status: http.StatusUnprocessableEntity, kind: "wrong-code"},
	{err: evidence.ErrGuesses, status: http.StatusTooManyRequests, kind: "too-many-codes"},
}

// What this package refuses itself, wherever it is asked.
var (
	errNoAddress     = problem{Status: http.StatusNotFound, Type: "not-found", Title: "problem-no-address"}
	errCrossOrigin   = problem{Status: http.StatusForbidden, Type: "cross-origin", Title: "problem-cross-origin"}
	errNotSignedIn   = problem{Status: http.StatusUnauthorized, Type: "not-signed-in", Title: "problem-not-signed-in"}
	errResidentsOnly = problem{Status: http.StatusForbidden, Type: "residents-only", Title: "problem-residents-only"}
	errHand          = problem{Status: http.StatusForbidden, Type: "pin-needed", Title: "hand-title"}
	errStopping      = problem{Status: http.StatusServiceUnavailable, Type: "stopping", Title: "problem-stopping"}
	errStaleLink     = problem{Status: http.StatusGone, Type: "stale-link",
		Title: "problem-stale-link", Detail: "problem-stale-link-do"}
	errBadForm      = problem{Status: http.StatusBadRequest, Type: "bad-form", Title: "problem-bad-form"}
	errJSONTooLarge = problem{Status: http.StatusRequestEntityTooLarge, Type: "too-large",
		Title: "problem-json-too-large", Count: maxJSON >> 10}

	errVisitGone = problem{Status: http.StatusNotFound, Type: "not-found", Title: "problem-visit-gone"}
	errNoErasure = problem{Status: http.StatusNotFound, Type: "not-found",
		Title: "problem-no-erasure", Detail: "problem-no-erasure-do"}
	errPersonGone  = problem{Status: http.StatusNotFound, Type: "not-found", Title: "problem-person-gone"}
	errNoFace      = problem{Status: http.StatusNotFound, Type: "not-found", Title: "problem-no-face"}
	errNoStranger  = problem{Status: http.StatusNotFound, Type: "not-found", Title: "problem-no-stranger"}
	errConsentless = problem{Status: http.StatusConflict, Type: "no-consent",
		Title: "problem-consentless", Detail: "problem-nothing-changed"}
	errNoAdvice      = problem{Status: http.StatusNotFound, Type: "not-found", Title: "problem-no-advice"}
	errNoRule        = problem{Status: http.StatusNotFound, Type: "unknown-rule", Title: "problem-no-rule"}
	errNoDoor        = problem{Status: http.StatusNotFound, Type: "unknown-door", Title: "problem-no-door"}
	errNoParcel      = problem{Status: http.StatusNotFound, Type: "unknown-parcel", Title: "problem-no-parcel"}
	errNoBell        = problem{Status: http.StatusNotFound, Type: "unknown-bell", Title: "problem-unknown-bell"}
	errNoTrial       = problem{Status: http.StatusNotFound, Type: "unknown-trial", Title: "problem-no-trial"}
	errMasking       = problem{Status: http.StatusConflict, Type: "masking", Title: "problem-masking"}
	errPage          = queryProblem("problem-query-limit-cursor")
	errQuietTrial    = problem{Status: http.StatusConflict, Type: "trial-state", Title: "problem-quiet-trial"}
	errNoBroker      = problem{Status: http.StatusConflict, Type: "no-broker", Title: "problem-no-broker"}
	errNobodyListens = problem{Status: http.StatusConflict, Type: "nobody-listens", Title: "problem-nobody-listens"}
)

// Of a factor that somebody at home gives on a visit. A phone that sends a code is
// told of it in other words.
var (
	errLate      = problem{Status: http.StatusConflict, Type: "too-late", Title: "problem-ring-late"}
	errNotSeen   = problem{Status: http.StatusUnprocessableEntity, Type: "not-seen", Title: "problem-not-seen"}
	errCodeless  = problem{Status: http.StatusUnprocessableEntity, Type: "no-codes", Title: "problem-codeless"}
	errCodeWrong = problem{Status: http.StatusUnprocessableEntity, Type: "wrong-code", Title: "problem-code-wrong"}
	errCodeUsed  = problem{Status: http.StatusUnprocessableEntity, Type: "used-code", Title: "problem-code-used",
		Count: int(totp.Period.Seconds())}
)

// Of queries that pick visits.
var (
	errQueryKind    = queryProblem("problem-query-kind")
	errQueryHeld    = queryProblem("problem-query-held")
	errQueryPicture = queryProblem("problem-query-picture")
	errQueryTime    = queryProblem("problem-query-time")
	errBackwards    = queryProblem("problem-query-backwards")
	errHalfPeriod   = queryProblem("problem-query-half")
)

// What programs are refused, and what is asked of programs, sources, receivers,
// tablets, residents and photographs to enrol alone.
var (
	errWrongAPIToken = problem{Status: http.StatusUnauthorized, Type: "unknown-api-token",
		Title: "problem-api-token-wrong"}
	errStrays         = problem{Status: http.StatusTooManyRequests, Type: "too-often", Title: "problem-api-token-strays"}
	errBellStrays     = problem{Status: http.StatusTooManyRequests, Type: "too-often", Title: "problem-secret-strays"}
	errNotForPrograms = problem{Status: http.StatusForbidden, Type: "residents-only", Title: "problem-not-for-programs"}
	errNoProgram      = problem{Status: http.StatusNotFound, Type: "unknown-program", Title: "problem-no-program"}
	errProgramTwice   = problem{Status: http.StatusConflict, Type: "name-taken", Title: "problem-program-twice"}
	errBadSource      = problem{Status: http.StatusUnprocessableEntity, Type: "bad-source", Title: "problem-bad-source"}
	errNoSource       = problem{Status: http.StatusNotFound, Type: "unknown-source", Title: "problem-no-source"}
	errTokenTaken     = problem{Status: http.StatusConflict, Type: "token-taken", Title: "problem-token-taken"}
	errNoCarriedToken = problem{Status: http.StatusNotFound, Type: "unknown-token", Title: "problem-no-carried-token"}
	errNoReceiver     = problem{Status: http.StatusNotFound, Type: "unknown-receiver", Title: "problem-no-receiver"}
	errNoResident     = problem{Status: http.StatusNotFound, Type: "unknown-resident", Title: "problem-no-resident"}
	errNoInvitation   = problem{Status: http.StatusNotFound, Type: "unknown-invitation", Title: "problem-no-invitation"}
	errNoSession      = problem{Status: http.StatusNotFound, Type: "unknown-session", Title: "problem-no-session"}
	errNoTablet       = problem{Status: http.StatusNotFound, Type: "unknown-tablet", Title: "problem-no-tablet"}
	errPhotographType = problem{Status: http.StatusUnsupportedMediaType, Type: "wrong-type",
		Title: "problem-photograph-type"}
	errPhotographLarge = problem{Status: http.StatusRequestEntityTooLarge, Type: "too-large",
		Title: "problem-photograph-large"}
	errPhotographCut = problem{Status: http.StatusBadRequest, Type: "cut-short", Title: "problem-photograph-cut"}
	errNoReference   = problem{Status: http.StatusNotFound, Type: "unknown-reference", Title: "problem-no-reference-there"}
	errEnrolled      = problem{Status: http.StatusConflict, Type: "enrolled", Title: "problem-enrolled"}
)

// scopeProblem is of a token without the scope.
func scopeProblem(scope house.Scope) problem {
	title := map[house.Scope]string{house.ReadVisits: "problem-scope-read-visits",
		house.ReadAdvice: "problem-scope-read-advice", house.ManageSources: "problem-scope-manage-sources",
		house.SendMessages: "problem-scope-send-messages", house.TellTemperature: "problem-scope-tell-temperature",
		house.ReadMetrics: "problem-scope-read-metrics"}[scope]
	return problem{Status: http.StatusForbidden, Type: "scope", Title: title}
}

// Of a suggestion that somebody confirms by a PIN.
var (
	errPINWrong = problem{Status: http.StatusUnprocessableEntity, Type: "wrong-pin", Title: "problem-pin-wrong"}
	errPINOften = problem{Status: http.StatusTooManyRequests, Type: "wrong-pin-often", Title: "problem-pin-often"}
	errPINUnfit = problem{Status: http.StatusUnprocessableEntity, Type: "bad-pin", Title: "problem-pin-unfit"}
)

// queryProblem is of a query that can't be understood, by the key that says how
// it would be.
func queryProblem(title string) problem {
	return problem{Status: http.StatusBadRequest, Type: "bad-query", Title: title}
}

// unfit is what a program sent that can't be followed.
func unfit(kind string, why error) problem {
	return problem{Status: http.StatusUnprocessableEntity, Type: kind, Why: why}
}
