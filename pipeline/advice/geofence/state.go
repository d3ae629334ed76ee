package geofence

import (
	"time"

	"lintel/internal/house"
)

// A State is what has to be remembered of a phone from one report to the next.
// The zero State is that of a phone that never reported. It says where somebody
// was, so it has to be sealed where it is kept. All its times but those in
// reports are the server's.
type State struct {
	Last  Report     `json:"last,omitzero"`  // the one before, by the phone's clock
	Fix   Report     `json:"fix,omitzero"`   // the last that was precise
	Heard time.Time  `json:"heard,omitzero"` // when Last was heard
	Prior time.Time  `json:"prior,omitzero"` // when something was heard before that
	Home  house.Home `json:"home,omitzero"`  // that all the rest is about

	// Step by step: no step since the phone was last inside or outside for
	// certain was faster than a walk.
	Steps bool `json:"steps,omitempty"`
	// Rusty says that the phone was silent for long, and did not come home since.
	Rusty bool `json:"rusty,omitempty"`
	// Seen is when a reader last saw something of the person's, and Stray that
	// it did so while the phone was away: then it says nothing.
	Seen  time.Time `json:"seen,omitzero"`
	Stray bool      `json:"stray,omitempty"`

	// Words are when arrivals began that "left" alone showed the leaving of, the
	// newest last.
	Words [Believed]time.Time `json:"words,omitzero"`

	Trip   trip    `json:"trip,omitzero"`
	Stay   stay    `json:"stay,omitzero"`
	Stands Arrival `json:"stands,omitzero"`
}

// An Arrival is that a person came home, by their phone. The zero Arrival is
// none.
type Arrival struct {
	Opens    time.Time `json:"opens,omitzero"`    // from when on it counts
	Strength float64   `json:"strength,omitzero"` // as in house.Factor
}

// A trip is what is known of being away, since the phone was last inside.
type trip struct {
	From    time.Time `json:"from,omitzero"` // when the first sign of it was heard
	Outside int       `json:"outside,omitempty"`
	Reports int       `json:"reports,omitempty"` // that are not inside, with what is at the edge or vague
	Far     bool      `json:"far,omitempty"`
	Left    bool      `json:"left,omitempty"`
	Walked  bool      `json:"walked,omitempty"`
}

// seen reports whether reports show that somebody was gone.
func (t trip) seen() bool {
	return t.Outside >= 2 && t.Far || t.Outside >= Walked && t.Walked
}

// said reports whether the phone's word "left" alone shows it. Where there are
// reports enough to show it, it does not: a phone says so by the same positions.
func (t trip) said() bool { return t.Left && t.Reports < Walked && !t.seen() }

// shown reports whether somebody was gone for certain.
func (t trip) shown() bool { return t.seen() || t.said() }

// A stay is what is known of being home.
type stay struct {
	From   time.Time `json:"from,omitzero"`   // when the first sign of it was heard
	To     time.Time `json:"to,omitzero"`     // the last
	At     time.Time `json:"at,omitzero"`     // the last, by the phone's clock
	Broken time.Time `json:"broken,omitzero"` // when a sign outside was heard since
	// Strength is what an arrival at the beginning of it is worth; 0 for none.
	Strength float64 `json:"strength,omitzero"`
}

// on reports whether the phone is home for all that is known.
func (s stay) on() bool { return !s.From.IsZero() && s.Broken.IsZero() }

// Came is when the first sign was heard of the stay at home that an arrival is
// about: another time is another arrival. It is zero before the first.
func (s State) Came() time.Time { return s.Stay.From }

// Step takes a phone's next report. It returns the state to keep until the one
// after. The state comes with an error, too: it is the one before, but after
// [ErrSpeed], with which all that was known is forgotten. A home that was changed
// forgets it, too.
func Step(s State, r Report, home house.Home, now time.Time) (next State, err error) {
	if err := r.check(now); err != nil {
		return s, err
	}
	if err := CheckHome(home); err != nil {
		return s, err
	}
	r.At = r.At.UTC() // its zone is nobody's business
	if s.Home != home {
		s = State{Last: s.Last, Fix: s.Fix, Heard: s.Heard, Prior: s.Prior, Home: home, Rusty: s.Rusty, Words: s.Words}
	}
	if !s.next(r, now) {
		return s.past(r)
	}
	// The report after an impossible one is measured by it, so that no two in
	// a row are ever taken unmeasured, and it can't be sent again.
	if err := s.Fix.reaches(r); err != nil {
		return State{Last: r, Fix: r, Heard: now, Prior: s.Heard, Home: home, Rusty: s.Rusty, Words: s.Words}, err
	}
	s.Rusty = s.Rusty || !s.Heard.IsZero() && now.Sub(s.Heard) > Silence
	if now != s.Heard { // or else it came in one bundle with Last
		s.Prior = s.Heard
	}
	seldom := now.Sub(s.Prior) > Close
	before := s.Fix
	walked := s.Steps && before.walks(r)
	s.Last, s.Heard = r, now
	if r.precise() {
		s.Fix = r
	}
	switch s.where(r, before) {
	case Outside:
		s.outside(r, walked, now)
	case Inside:
		s.inside(r, before, walked, seldom, now)
	default:
		s.between(r, walked, now)
	}
	return s, nil
}

// next reports whether a report belongs after the last. Where that was dated
// later than now, whoever tells of now is heard all the same: else somebody with a
// token could silence the phone that has the same by dates of the future.
func (s State) next(r Report, now time.Time) bool {
	if s.Last.At.After(now) && !r.At.After(now) {
		return r.At.After(s.Heard.Add(-time.Minute))
	}
	return r.At.After(s.Last.At) || r.At.Equal(s.Last.At) && r.Crossing != "" && r.Crossing != s.Last.Crossing
}

// where is [Where], but for a phone that says "entered" and by its positions went
// through the circle: their word is the later.
func (s State) where(r, before Report) Place {
	if r.Crossing == Entered && !r.NoPlace && before.precise() && r.At.Sub(before.At) <= Close &&
		r.from(s.Home) > before.from(s.Home)+r.Accuracy && r.from(s.Home)-r.Accuracy > s.Home.Radius+Margin {
		return Outside
	}
	return Where(r, s.Home)
}

// past takes a report that belongs before one that was heard already. Only a
// crossing may still say something of the trip that goes on.
func (s State) past(r Report) (State, error) {
	if r.Crossing == Left && !s.Trip.From.IsZero() && !s.Trip.Left && r.At.After(s.Stay.At) && r.At != s.Last.At {
		s.Trip.Left = true
		return s, nil
	}
	return s, ErrOrder
}

// outside takes a sign outside. Whoever was inside for less than Settled was
// passing by, and their trip goes on.
func (s *State) outside(r Report, walked bool, now time.Time) {
	if s.settled(now) {
		s.Stay = stay{At: s.Stay.At}
	}
	if s.Stay.on() {
		s.Stay.Broken = now
	}
	s.Stands = Arrival{}
	if s.Trip.From.IsZero() {
		s.Trip = trip{From: now, Walked: walked}
	}
	s.Stray = s.Stray || s.Seen.After(s.Trip.From)
	if r.Crossing == Left {
		s.Trip.Left = true
	} else {
		s.Trip.Outside = min(s.Trip.Outside+1, Walked)
		s.Trip.Reports = min(s.Trip.Reports+1, Walked)
	}
	s.Trip.Far = s.Trip.Far || !r.NoPlace && r.from(s.Home)-r.Accuracy > Far
	s.Steps = true
}

// settled reports whether the phone was home for long enough to forget that it was
// away, and forgets it.
func (s *State) settled(now time.Time) bool {
	if !s.Stay.on() || now.Sub(s.Stay.From) < Settled {
		return false
	}
	s.Trip, s.Stray = trip{}, false
	return true
}

// between takes a report that is neither. One that is not in the circle, if near
// it, takes back what waits for a second sign.
func (s *State) between(r Report, walked bool, now time.Time) {
	if r.precise() {
		s.Steps = walked
	}
	if !s.Trip.From.IsZero() {
		s.Trip.Reports = min(s.Trip.Reports+1, Walked)
	}
	if s.Stands.Opens.After(now) && !r.NoPlace && r.from(s.Home)-r.Accuracy > s.Home.Radius {
		s.Stands, s.Stay.Broken = Arrival{}, now
	}
}

// inside takes a sign inside.
func (s *State) inside(r, before Report, walked, seldom bool, now time.Time) {
	s.Trip.Walked = s.Trip.Walked || walked && !s.Stay.on()
	s.Steps = true
	s.settled(now)
	alone := s.Trip.From.IsZero() && now.Sub(s.Stay.To) > Alone
	again := s.Stay.on() || !s.Stay.From.IsZero() && now.Sub(s.Stay.Broken) <= Glance
	switch {
	case r.Crossing == Entered && alone, !again:
		s.comes(r, seldom, now)
	default:
		s.stays(r, before, now)
	}
	s.Stay.To, s.Stay.At = now, r.At
	if now.Sub(s.Stay.From) >= Settled {
		s.Rusty = false
	}
}

// comes takes a first sign inside.
func (s *State) comes(r Report, seldom bool, now time.Time) {
	s.Stay, s.Stands = stay{From: now, Strength: s.worth(r, now)}, Arrival{}
	if s.Stay.Strength == 0 || !s.Trip.shown() {
		s.Trip = trip{}
	}
	if s.Stay.Strength == 0 {
		return
	}
	switch {
	case s.witnessed(now), r.precise() && r.from(s.Home) <= Doorstep, seldom && s.surely(r):
		s.Stands = Arrival{Opens: now, Strength: s.Stay.Strength}
	case r.Crossing == Entered:
		s.Stands = Arrival{Opens: now.Add(Hesitation), Strength: s.Stay.Strength}
	case !seldom:
		s.Stands = Arrival{Opens: now.Add(Patience), Strength: s.Stay.Strength}
	}
	if s.Trip.said() && s.Stay.Strength == house.Ordinary {
		copy(s.Words[:], s.Words[1:])
		s.Words[Believed-1] = now
	}
}

// surely reports whether a single sign inside leaves little doubt: "entered", if
// it has no position that is outside, or a position well within the circle.
func (s *State) surely(r Report) bool {
	if r.Crossing == Entered {
		return r.NoPlace || r.from(s.Home)-r.Accuracy <= s.Home.Radius+Margin
	}
	return r.from(s.Home)+r.Accuracy/2 <= Deep*s.Home.Radius
}

// worth is what an arrival by a first sign inside is worth, as the package's
// table has it.
func (s *State) worth(r Report, now time.Time) float64 {
	gone := !s.Trip.From.IsZero() && now.Sub(s.Trip.From) >= Gone
	entered := r.Crossing == Entered
	switch {
	case now.Sub(r.At) > Late: // it came home before, and says so now
		return 0
	case gone && s.Trip.shown() && !s.doubted(now) && (entered || s.Trip.Outside > 0):
		return house.Ordinary
	case gone && s.Trip.shown():
		return house.Slight
	case entered && (gone || s.Trip.From.IsZero()):
		return house.Slight
	}
	return 0
}

// doubted reports whether an arrival is worth less than it looks: after a long
// silence, or by a phone that says "left" too often in a day.
func (s *State) doubted(now time.Time) bool {
	return s.Rusty || s.Trip.said() && now.Sub(s.Words[0]) < 24*time.Hour
}

// stays takes another sign inside.
func (s *State) stays(r, before Report, now time.Time) {
	s.Stay.Broken = time.Time{}
	if s.Stay.Strength == 0 {
		s.Trip = trip{} // it was out for a moment, at most
	}
	if s.Stay.Strength == 0 || now.Sub(s.Stay.From) > Settled || now.Sub(r.At) > Late {
		return
	}
	if r.Crossing == Entered && s.Stay.From.Sub(s.Trip.From) >= Gone && s.Trip.shown() && !s.doubted(now) {
		s.Stay.Strength = house.Ordinary
	}
	second := r.Crossing == "" && now.Sub(s.Stay.From) >= Again && !s.leaves(r, before)
	if second && (s.Stands.Opens.IsZero() || s.Stands.Opens.After(now) || now.Sub(s.Stay.From) <= Renewed) {
		s.Stands.Opens = now
	}
	if s.Stands.Opens.IsZero() { // it was taken back, by a glance outside
		s.Stands.Opens = now.Add(Hesitation)
	}
	s.Stands.Strength = s.Stay.Strength
}

// leaves reports whether the phone is on its way out of the circle, or straight
// through it.
func (s *State) leaves(r, before Report) bool {
	if !r.precise() || !before.precise() || r.from(s.Home) <= s.Home.Radius/2 {
		return false
	}
	return before.to(r) > Pace*r.At.Sub(before.At).Seconds() && r.from(s.Home) > before.from(s.Home)
}

// witnessed reports whether a reader at home saw something of the person's that
// it did not see while the phone was away.
func (s *State) witnessed(now time.Time) bool {
	return !s.Stray && s.Seen.After(s.Trip.From) && now.Sub(s.Seen) <= Renewed
}

// Sight takes that a reader at home saw something of the person's: a second sign
// that the phone is inside, if it said so itself.
func Sight(s State, now time.Time) State {
	s.Seen = now
	fresh := s.Stay.on() && s.Stay.Strength > 0 && now.Sub(s.Stay.From) <= Settled
	if fresh && s.witnessed(now) && (s.Stands.Opens.IsZero() || s.Stands.Opens.After(now)) {
		s.Stands = Arrival{Opens: now, Strength: s.Stay.Strength}
	}
	return s
}
