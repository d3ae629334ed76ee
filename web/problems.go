package web

import (
	"fmt"
	"net/http"

	"lintel/internal/house"
	"lintel/pipeline/advice/evidence"
	"lintel/pipeline/advice/geofence"
	"lintel/pipeline/advice/totp"
	"lintel/pipeline/intake"
	"lintel/pipeline/review"
)

// problems say how the errors of other packages are answered: by the first that
// fits. What this package refuses itself are problems already.
var problems = []struct {
	err    error
	status int
	kind   string
	title  string // "" for the error's own words
	detail string
	more   bool // whether the detail is all that was said of the error
}{
	{err: house.ErrNoSpace, status: http.StatusInsufficientStorage, kind: "no-space",
		title: "The disk is full or can't be written, so this was not done, or not to its end.",
		detail: "What was kept before is safe. Make room on the server's disk, or let it be written again, and try " +
			"once more."},

	// Visits, rules, masks, lenses and trials.
	{err: house.ErrHeld, status: http.StatusConflict, kind: "held"},
	{err: house.ErrBadHold, status: http.StatusUnprocessableEntity, kind: "bad-hold", more: true},
	{err: house.ErrBadRule, status: http.StatusUnprocessableEntity, kind: "bad-rule", more: true},
	{err: house.ErrBadMask, status: http.StatusUnprocessableEntity, kind: "bad-mask", more: true},
	{err: house.ErrBadLens, status: http.StatusUnprocessableEntity, kind: "bad-lens", more: true},
	{err: house.ErrBadPrior, status: http.StatusUnprocessableEntity, kind: "bad-prior"},
	{err: house.ErrTaken, status: http.StatusConflict, kind: "taken",
		title: "This suggestion is not open any more: it was answered, or its time is over."},
	{err: house.ErrTrialRuns, status: http.StatusConflict, kind: "trial-state"},
	{err: house.ErrTrialOver, status: http.StatusConflict, kind: "trial-state"},
	{err: house.ErrTrialStep, status: http.StatusConflict, kind: "trial-state"},

	// Answers about faces.
	{err: house.ErrStillGone, status: http.StatusGone, kind: "still-gone",
		detail: "The rules let it go, or it was erased."},
	{err: house.ErrAnswered, status: http.StatusConflict, kind: "answered",
		detail: "The first answer stands. It can be taken back, and another given."},
	{err: house.ErrFindingChanged, status: http.StatusConflict, kind: "finding-changed",
		detail: "Nothing was changed. Look at it again."},
	{err: house.ErrPersonGone, status: http.StatusConflict, kind: "person-gone", detail: "Nothing was changed."},
	{err: review.ErrNobody, status: http.StatusConflict, kind: "nobody-enrolled", detail: "Nothing was changed."},

	// Stills that bells send.
	{err: intake.ErrUnknownBell, status: http.StatusNotFound, kind: "unknown-bell", more: true},
	{err: intake.ErrWrongSecret, status: http.StatusUnauthorized, kind: "wrong-secret", more: true},
	{err: intake.ErrTooOften, status: http.StatusTooManyRequests, kind: "too-often", more: true},
	{err: intake.ErrBadRing, status: http.StatusBadRequest, kind: "bad-ring", more: true},
	{err: intake.ErrBadFrame, status: http.StatusBadRequest, kind: "bad-frame", more: true},
	{err: intake.ErrEmpty, status: http.StatusBadRequest, kind: "empty", more: true},
	{err: intake.ErrTooLarge, status: http.StatusRequestEntityTooLarge, kind: "too-large", more: true},
	{err: intake.ErrTooManyPixels, status: http.StatusUnprocessableEntity, kind: "too-many-pixels", more: true},
	{err: intake.ErrNotAPicture, status: http.StatusUnprocessableEntity, kind: "not-a-picture", more: true},
	{err: house.ErrOtherBytes, status: http.StatusConflict, kind: "other-bytes", more: true},
	{err: house.ErrErased, status: http.StatusGone, kind: "erased", more: true},

	// Messages that phones and readers send.
	{err: evidence.ErrMessage, status: http.StatusBadRequest, kind: "bad-message", title: refused(evidence.ErrMessage)},
	{err: evidence.ErrTwice, status: http.StatusBadRequest, kind: "bad-message", title: refused(evidence.ErrTwice)},
	{err: evidence.ErrList, status: http.StatusBadRequest, kind: "bad-message", title: refused(evidence.ErrList)},
	{err: evidence.ErrLatitude, status: http.StatusUnprocessableEntity, kind: "bad-lat", title: refused(evidence.ErrLatitude)},
	{err: evidence.ErrLongitude, status: http.StatusUnprocessableEntity, kind: "bad-lon",
		title: refused(evidence.ErrLongitude)},
	{err: geofence.ErrAccuracy, status: http.StatusUnprocessableEntity, kind: "bad-accuracy",
		title: refused(geofence.ErrAccuracy)},
	{err: evidence.ErrTime, status: http.StatusUnprocessableEntity, kind: "bad-time", title: refused(evidence.ErrTime)},
	{err: evidence.ErrCrossing, status: http.StatusUnprocessableEntity, kind: "bad-crossing",
		title: refused(evidence.ErrCrossing)},
	{err: evidence.ErrCode, status: http.StatusUnprocessableEntity, kind: "bad-code", title: refused(evidence.ErrCode)},
	{err: evidence.ErrToken, status: http.StatusUnprocessableEntity, kind: "bad-token", title: refused(evidence.ErrToken)},
	{err: evidence.ErrNotTheirs, status: http.StatusForbidden, kind: "not-theirs",
		title: "This source may not tell that, or not of this person."},
	{err: evidence.ErrNoToken, status: http.StatusNotFound, kind: "unknown-token",
		title: "Nobody has this token."},
	{err: evidence.ErrNoHome, status: http.StatusConflict, kind: "no-home",
		title: "The household has not said where its home is, so nobody can arrive there."},
	{err: geofence.ErrHome, status: http.StatusConflict, kind: "no-home",
		title: "Where the household says its home is, none can be, so nobody can arrive there."},
	{err: geofence.ErrOrder, status: http.StatusConflict, kind: "out-of-order",
		title: "This report is not later than the one before, or is the same again."},
	{err: totp.ErrReused, status: http.StatusConflict, kind: "used-code",
		title: "This code was used before. Wait for the next one."},
	{err: geofence.ErrPosition, status: http.StatusUnprocessableEntity, kind: "bad-position",
		title: refused(geofence.ErrPosition)},
	{err: geofence.ErrFuture, status: http.StatusUnprocessableEntity, kind: "from-the-future",
		title: refused(geofence.ErrFuture)},
	{err: geofence.ErrOld, status: http.StatusUnprocessableEntity, kind: "too-old", title: refused(geofence.ErrOld)},
	{err: geofence.ErrSpeed, status: http.StatusUnprocessableEntity, kind: "too-fast",
		title: "Nobody gets here from the report before in the time between."},
	{err: totp.ErrFormat, status: http.StatusUnprocessableEntity, kind: "bad-code",
		title: codeDigitsTold},
	{err: totp.ErrWrong, status: http.StatusUnprocessableEntity, kind: "wrong-code",
		title: "The code is wrong, or its time is over."},
	{err: evidence.ErrGuesses, status: http.StatusTooManyRequests, kind: "too-many-codes",
		title: codeGuessesTold},
}

// What this package refuses itself, wherever it is asked.
var (
	errNoAddress   = problem{Status: http.StatusNotFound, Type: "not-found", Title: "There is nothing at this address."}
	errCrossOrigin = problem{Status: http.StatusForbidden, Type: "cross-origin",
		Title: "This request came from another site's page."}
	errNotSignedIn   = problem{Status: http.StatusUnauthorized, Type: "not-signed-in", Title: "Sign in first."}
	errResidentsOnly = problem{Status: http.StatusForbidden, Type: "residents-only",
		Title: "A resident has to sign in for this; a tablet may look, and take a visitor’s code."}
	errStopping = problem{Status: http.StatusServiceUnavailable, Type: "stopping",
		Title: "The server is stopping. Nothing was done. Ask again in a moment."}
	errStaleLink = problem{Status: http.StatusGone, Type: "stale-link", Title: "This link has been used, or is too old.",
		Detail: "A new set-up link is printed when the server starts and nobody lives here yet; " +
			"a new invitation is made on Upkeep."}
	errBadForm = problem{Status: http.StatusBadRequest, Type: "bad-form",
		Title: "The form could not be read. Nothing was changed."}
	errJSONTooLarge = problem{Status: http.StatusRequestEntityTooLarge, Type: "too-large",
		Title: fmt.Sprintf("That is more than %d KiB.", maxJSON>>10)}

	errVisitGone = problem{Status: http.StatusNotFound, Type: "not-found",
		Title: "There is no such visit or frame; it may have been erased."}
	errNoErasure = problem{Status: http.StatusNotFound, Type: "not-found",
		Title:  "This erasure is not known any more; the server may have started since.",
		Detail: "Look whether it is done, and begin it again if not."}
	errPersonGone = problem{Status: http.StatusNotFound, Type: "not-found",
		Title: "There is no such person; they may have been erased."}
	errNoFace = problem{Status: http.StatusNotFound, Type: "not-found",
		Title: "There is no such face, or no answer for it; the visit may have been erased."}
	errNoStranger = problem{Status: http.StatusNotFound, Type: "not-found",
		Title: "There is no such stranger; the stills may have gone, or somebody may have said who it is."}
	errConsentless = problem{Status: http.StatusConflict, Type: "no-consent",
		Title: "No consent of this person is in force.", Detail: "Nothing was changed."}
	errNoPicture = problem{Status: http.StatusNotFound, Type: "not-found",
		Title: "There is no such picture; each is shown once."}
	errNoAdvice = problem{Status: http.StatusNotFound, Type: "not-found",
		Title: "There is no such suggestion; it may have been erased."}
	errNoRule = problem{Status: http.StatusNotFound, Type: "unknown-rule",
		Title: "There is no such rule, or its person or door is gone."}
	errNoDoor   = problem{Status: http.StatusNotFound, Type: "unknown-door", Title: "There is no such door."}
	errNoParcel = problem{Status: http.StatusNotFound, Type: "unknown-parcel", Title: "No such parcel is expected."}
	errNoBell   = problem{Status: http.StatusNotFound, Type: "unknown-bell", Title: "There is no bell of this name."}
	errNoTrial  = problem{Status: http.StatusNotFound, Type: "unknown-trial", Title: "There is no such trial or ring."}
	errMasking  = problem{Status: http.StatusConflict, Type: "masking",
		Title: "Stills are being masked already. Ask again when that is done."}
	errQuietTrial = problem{Status: http.StatusConflict, Type: "trial-state",
		Title: "Nothing is kept at this time of the week, so there is nothing to try."}
)

// Of a factor that somebody at home gives on a visit. A phone that sends a code is
// told of it in other words.
var (
	errLate = problem{Status: http.StatusConflict, Type: "too-late", Title: "The bell rang over a minute ago, " +
		"so nothing is suggested for that ring any more. Have them ring again."}
	errNotSeen = problem{Status: http.StatusUnprocessableEntity, Type: "not-seen",
		Title: "This person was not recognised on this visit."}
	errCodeless = problem{Status: http.StatusUnprocessableEntity, Type: "no-codes",
		Title: "This person has no one-time codes. A resident can give them out on People."}
	errCodeWrong = problem{Status: http.StatusUnprocessableEntity, Type: "wrong-code",
		Title: "This code is wrong, or its time is over. Ask for the one that is shown now."}
	errCodeUsed = problem{Status: http.StatusUnprocessableEntity, Type: "used-code",
		Title: fmt.Sprintf("This code was used before. The next one is shown within %d seconds.", int(totp.Period.Seconds()))}
)

// queryProblem is of a query that can't be understood.
func queryProblem(title string) problem {
	return problem{Status: http.StatusBadRequest, Type: "bad-query", Title: title}
}

// unfit is what a program sent that can't be followed.
func unfit(kind string, err error) problem {
	return problem{Status: http.StatusUnprocessableEntity, Type: kind, Title: refused(err)}
}
