// Package policy works out whether Lintel suggests to unlock, and why or why
// not.
//
// A suggestion is advice to people. It is no proof of who stands there, and
// nothing in Lintel can open anything: Lintel suggests; people and their own
// locks act.
//
// What comes in is an [Input]: one visit with its findings, the door, the
// factors given, the rules, the state of bell and clock, and the time. What
// goes out is a [house.Advice] with every condition, met or not, and its reasons
// as codes with numbers, which package words says. Everything here is a pure
// function: no file, no clock, no chance. The same input gives the same advice,
// today and in a year.
//
//	visit, findings ─┐
//	factors ─────────┼─▶ 17 conditions, all of them, always ─▶ every one met? ─▶ suggest
//	rules, bell, now ┘                 signs of a picture ──────────▶ or else ─▶ withhold
//
// # Doubt withholds
//
// A suggestion is made only where every condition is met. What is missing, not
// known, late, not a number, zero where that can't be, or contradicts itself is
// not met. So more doubt never turns withhold into suggest; tests hold that
// against every field. All conditions are worked out each time, in the order of
// [Decide], also when the first is not met already: a family sees all that was
// missing, not one thing at a time.
//
// A condition that is no question here is told as not asked: whose consent is in
// force, where nobody known can be seen; which factors are needed, where no rule
// says so. It is none of the reasons then, but it is not met either: something is
// always not met beside it.
//
// # Judged anew
//
// A suggestion that is open is judged again whenever anything changes, as
// [Input.Open]: by all stills there are then, also those that came later. What
// does not hold any more withdraws it. Two things are asked otherwise. The ring
// was fresh when the suggestion was made, and grows older while people walk to
// the door; and a still that has just come may take [MaxExamining] to be
// examined before that speaks against it.
//
// # Who is at the door
//
// Everybody who can be seen on any still of the ring counts. A face of nobody
// known withholds, whoever stands beside it, and so does a still that was not
// examined, could not be, or is damaged. Where several known persons can be
// seen, each must meet all that is asked of a person: consent, a rule that
// holds now, the band, the picture's quality. Factors are asked of one of them,
// all that this person's own rules need; the suggestion is for that person, and
// the others are company.
//
// # A picture held before the bell
//
// Signs that a face is a picture's withhold, if they are plainer than the rule
// allows, and so does not to have looked, or that it can't be told. That there
// is no sign counts for nothing: a good photograph shows none. No condition
// that can be met goes by it, so it never stands in favour of anybody.
//
// Nobody is seen who stands beside the camera's view, behind somebody, or on a
// part of the still that is masked.
//
// # Which rules count
//
// Rules go by the household's clock on the wall ([house.DoorRule]). An hour
// that daylight saving repeats counts both times, one that it skips never
// comes. A rule over midnight belongs to the day it began on, also for holidays.
//
//   - A rule that says never wins over all that allow. It holds on holidays as on
//     any day, and where it names holidays on every one of them, whatever weekday
//     that is. A rule that allows holds on a holiday only where it says so, and
//     then on its own weekdays.
//   - Where several allow at once, each must be met: the strictest band, the
//     strictest sign, and the factors of every one. So another rule can only ask
//     for more where one allows already.
//   - A rule that can't be followed ([Check]) withholds for its person and door.
//
// # Which factors count
//
// Those of the same person, not used before, from a source that is no bell, and
// given at or before now and good until after now. A resident's is for this very
// visit; an arrival and a token seen count no longer than the household's
// window. A factor with a strength that is no number above 0 and up to 1 is none.
// Different kinds may come from one phone, which can be lost or lent as one: a
// household that asks for two should ask for kinds that are not in one pocket.
// A weak one ([house.Factor.Weak]), such as a phone's word that it entered with
// nothing to show that it was away, counts for half: where a rule needs one kind
// it takes an ordinary one or two weak ones of different kinds.
//
// # Failed attempts
//
// As many as the household bears within an hour, in the name of a person, make
// that person wait and nobody else. As many from one phone or reader make what
// it tells not count for as long, whomever it is about. The house as a whole never
// waits, or whoever stands at the door could lock everybody out: what bounds
// guessing is that a person's codes are only good for so many tries (package
// totp), which no number of other persons adds to.
//
// A person who is easily confused with another needs a factor that does not
// go by what can be lent or spoofed: a code or a resident, of strength 1.
//
// # Parcels
//
// [DecideParcel] is another way, with conditions of its own, to doors for
// parcels only. What it does not protect from is said there.
//
// # Worked out beforehand
//
// [Input.Alike] comes from comparing all references with each other (package
// group), which is not done for each ring. Rules are taken as they are stored,
// and searched anew each time. MEASUREMENTS.md says how long a decision takes.
package policy

import "time"

// The limits of what is taken for sure. Where no source is named they are
// common practice without one.
const (
	// MaxAge is how old a ring may be, by the server's clock and by the bell's.
	MaxAge = 60 * time.Second
	// MaxSkew is how far the bell's clock may be from the server's.
	MaxSkew = 10 * time.Second
	// AfterRefusal is for how long nothing is suggested once somebody came in a
	// bell's name with a wrong secret, from where the bell itself comes: a ring is
	// over by then, and whoever lives there does not wait for long.
	AfterRefusal = 10 * time.Minute
	// AfterJump is for how long nothing is suggested once the server's clock
	// jumped: failed attempts are counted over an hour, and no arrival counts
	// as long.
	AfterJump = time.Hour
	// MaxExamining is how long a still that came while a suggestion is open may
	// wait to be examined.
	MaxExamining = 5 * time.Second
	// MaxExpected is the longest time that a parcel may be expected over.
	MaxExpected = 24 * time.Hour
)

// The codes of conditions, as in [house.Condition].
const (
	On       = "on"       // advice is on, and its settings can be followed
	Home     = "home"     // the household is not away
	Wait     = "wait"     // whom no failed attempts make wait
	Door     = "door"     // the visit is of the bell that rings at this door
	Fresh    = "fresh"    // the ring is of this minute
	Healthy  = "bell"     // the bell is known, nobody poses as it, and nothing is known to be wrong with it
	Clock    = "clock"    // the clocks can be relied on
	People   = "people"   // everybody who can be seen is known and allowed
	Consent  = "consent"  // whose consent is in force
	Allowed  = "rule"     // a rule lets the person be suggested at this door
	Never    = "never"    // no rule says never, now
	Time     = "time"     // a rule that allows holds at this day and time
	Match    = "match"    // the match is as sure as the rule asks for
	Frames   = "frames"   // the match is by all stills that show the face
	Quality  = "quality"  // the face can be judged well enough
	Alike    = "alike"    // nobody is easily confused with the person
	Sign     = "picture"  // never met: signs of a picture, or too little to tell
	Factors  = "factors"  // the factors that the rule needs
	Place    = "place"    // the door is one for parcels
	Expected = "expected" // a parcel is expected, and not come yet
	Nobody   = "nobody"   // only strangers ring, and for nothing else
)
