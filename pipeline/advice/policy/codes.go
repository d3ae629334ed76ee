package policy

import "lintel/internal/house"

// The codes of reasons, by the condition they are of. Package words has a
// sentence for each.
const (
	onUnknown = "on-unknown"
	onFaulty  = "on-faulty" // Why: the refusals of the household's settings
	onPaused  = "on-paused"
	onOn      = "on"

	homeUnknown = "home-unknown"
	homeAway    = "home-away"
	homeParcels = "home-parcels" // after homeAway: parcels may be left
	homeHome    = "home"

	waitUnknown = "wait-unknown"
	waitLater   = "wait-later"
	waitUntil   = "wait-until"
	waitNone    = "wait"

	doorUnknown = "door-unknown"
	doorNoBell  = "door-no-bell"
	doorOther   = "door-other"
	doorRight   = "door"

	noStill    = "no-still"
	ringNoTime = "ring-no-time"
	ringLater  = "ring-later"
	ringOld    = "ring-old"
	ringFresh  = "ring"
	stillLater = "still-later"
	stillOld   = "still-old"
	takenLater = "taken-later"
	takenOld   = "taken-old"

	bellUnknown = "bell-unknown"
	bellLater   = "bell-later"
	bellTrial   = "bell-trial"
	bellPosed   = "bell-posed"
	bellTried   = "bell-tried"
	bellWell    = "bell"

	bellQuiet     = "bell-quiet"
	bellCovered   = "bell-covered"
	bellDark      = "bell-dark"
	bellUnfocused = "bell-unfocused"
	bellMoved     = "bell-moved"

	clockUnknown = "clock-unknown"
	clockBack    = "clock-back"
	clockJumped  = "clock-jumped"
	clockBehind  = "clock-behind"
	clockUntold  = "clock-untold"
	clockDiffers = "clock-differs"
	clockRight   = "clock"

	stillPending    = "still-pending"
	stillUnreadable = "still-unreadable"
	faceNone        = "face-none"
	faceUnknown     = "face-unknown"
	faceMixed       = "face-mixed"
	faceTwice       = "face-twice"
	peopleGone      = "people-gone"
	peopleNotAll    = "people-not-all"
	peopleOne       = "people-one"
	peopleAll       = "people-all"
	nobodyKnown     = "nobody-known" // nobody to ask it of

	personGone   = "person-gone"
	consentNone  = "consent-none"
	consentLater = "consent-later"
	consentGiven = "consent"

	ruleFaulty = "rule-faulty" // Why: the refusal
	ruleNone   = "rule-none"
	ruleLets   = "rule"

	neverUnknown = "never-unknown"
	neverNow     = "never-now"
	neverNone    = "never"

	timeUnknown = "time-unknown"
	timeNoRule  = "time-no-rule"
	timeOther   = "time-other"
	timeHolds   = "time"

	matchWeak     = "match-weak"
	matchDistance = "match-distance"
	matchRate     = "match-rate"
	matchOffBand  = "match-off-band"
	matchNoBand   = "match-no-band"
	matchNoRule   = "match-no-rule"
	matchShort    = "match-short"
	matchEnough   = "match"

	framesUnjudged = "frames-unjudged"
	framesApart    = "frames-apart"
	framesTogether = "frames"

	qualityUnknown = "quality-unknown"
	qualityPoor    = "quality-poor" // Why: the complaint of package quality, Measured: its number
	qualityEnough  = "quality"

	alikeUnknown = "alike-unknown"
	alikeNobody  = "alike"
	alikeOpen    = "alike-open"
	alikeSettled = "alike-settled"

	factorsNobody = "factors-nobody"
	factorsNoRule = "factors-no-rule"
	factorsLack   = "factors-lack"
	factorsGiven  = "factors"

	factorNoKind   = "factor-no-kind"
	factorUsed     = "factor-used"
	factorNoSource = "factor-no-source"
	factorNoBells  = "factor-no-bells"
	factorOfBell   = "factor-of-bell"
	factorStrength = "factor-strength"
	factorNoTime   = "factor-no-time"
	factorLater    = "factor-later"
	factorOver     = "factor-over"
	factorVisit    = "factor-visit"
	factorNoVisit  = "factor-no-visit"
	factorOld      = "factor-old"
	factorWaits    = "factor-waits"
	factorWeak     = "factor-weak" // it counts, for half

	pictureUnknown         = "picture-unknown"
	pictureDoubtful        = "picture-doubtful"
	picturePlain           = "picture-plain"
	pictureApart           = "picture-apart"
	pictureCantTell        = "picture-cant-tell" // Why: the reason of package liveness
	pictureSomebody        = "picture-somebody"
	pictureSomebodyUnknown = "picture-somebody-unknown"
	placeIsNot             = "place-is-not"
	placeIs                = "place"
	parcelNone             = "parcel-none"
	parcelExpected         = "parcel"
	nobodyElse             = "nobody-else"
	nobodyButKnown         = "nobody-but-known"
	nobodyButStrangers     = "nobody"
	trialTakesIt           = "trial-takes-it"
	restateFaulty          = "restate-faulty" // Why: the refusal
	restateNever           = "restate-never"
	restateAllows          = "restate"
	restateNoZone          = "restate-no-zone"
	restateParcel          = "restate-parcel"
	conflictForbids        = "conflict-forbids"
	conflictNever          = "conflict-never"
	conflictRepeats        = "conflict-repeats"
	conflictAdds           = "conflict-adds"
)

// A finding is what a condition comes to: whether it is met, or no question here,
// and why.
type finding struct {
	met, notAsked bool
	why           []house.Reason
}

// yes finds that a condition is met, no that it is not, and moot that there is
// nothing to ask.
func yes(code string, v house.Values) finding {
	return finding{met: true, why: []house.Reason{{Code: code, Values: v}}}
}

func no(code string, v house.Values) finding {
	return finding{why: []house.Reason{{Code: code, Values: v}}}
}

func moot(code string, v house.Values) finding {
	return finding{notAsked: true, why: []house.Reason{{Code: code, Values: v}}}
}

// none are the values of a reason that needs none.
var none house.Values

// of are those of a reason that tells only of a visitor.
func of(v *visitor) house.Values { return house.Values{Person: v.id} }
