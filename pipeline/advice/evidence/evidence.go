// Package evidence takes in evidence that a person is at the door from something
// other than the face, and keeps what holds.
//
// What comes in are messages from sources, which each have a token of their
// own: a person's phone, or a local system that sees tokens. What goes out are
// [house.Factor]s, or refusals that name the field that is wrong and say how it
// should look. A message is flat: a JSON object, or the same fields as form data
// (application/x-www-form-urlencoded). Fields that are not named here are let be.
//
//	from a phone, where it is
//	  lat, lon     degrees, WGS 84, north and east positive
//	  accuracy     metres: the radius of the circle that it is within
//	  time         when, as RFC 3339 has it, or seconds or milliseconds since 1970
//	from a phone, that it crossed the edge of a circle of its own round home
//	  crossing     left or entered
//	  time         as above
//	  lat, lon, accuracy   may be given besides
//	from a phone, a one-time code of its person's
//	  code         six digits, as text
//	from a reader, that it saw a token
//	  token        its label
//	  counter      higher than any before, or time and nonce: seconds since 1970, and
//	               8 to 64 letters and digits that it never used
//	  mac          of these, by the reader's key, in hexadecimal (see docs/sources.md)
//
// Numbers may be numbers or text. A phone that was without a network sends
// several positions and crossings at once as a JSON list of such objects. What
// they come to is told by package geofence.
//
// A resident who is signed in can give two more factors: a code that somebody
// said ([Inbox.Code]), and that they looked and agree ([Inbox.Agree]).
//
// # What a factor is worth
//
// A phone can be lent, stolen or made to report what is not so, and a token can
// be lent or copied: they are ordinary, and weak where they tell only half (a
// phone's "entered" with nothing to show that it was gone; a token that the same
// reader saw in the last ten minutes before, which may lie there; a token of a reader
// that does not sign what it tells, which may be a recording). A reader that signed
// once is not believed without any more. A code and a
// resident do not go by what lies in a pocket alone: they are decisive. Package
// policy asks for one of those where two persons look alike.
//
// # What is refused, and counted
//
// A wrong or reused code, a token of another person than the message is about, one
// that is signed by another key, and a phone that speaks of somebody else are failed attempts of that source,
// about that person. What anybody's phone or fob may do on a common day is none:
// a fast train, a wrong position, a card that nobody has, a message that the network
// brings twice.
package evidence

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"sync"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/advice/totp"
)

// codeCounts is how long a code and a resident's word count.
const codeCounts = 2 * time.Minute

// An Archive is what the inbox needs of the store.
type Archive interface {
	AdviceRules(context.Context) (house.AdviceRules, error)
	Sources(context.Context) ([]house.Source, error)
	MoveSource(ctx context.Context, id string,
		change func(json.RawMessage) (house.SourceMove, error)) (changed bool, err error)
	ReportsOf(ctx context.Context, source string, since time.Time) ([]house.KeptReport, error)
	SourceKey(ctx context.Context, id string) (key []byte, err error)
	TokenOf(ctx context.Context, label string) (person string, err error)
	AddFactor(context.Context, house.Factor) (id string, err error)
	FactorsSince(ctx context.Context, t time.Time) ([]house.Factor, error)
	UseCode(ctx context.Context, f house.Factor,
		check func(secret string, lastStep int64) (int64, error)) (factor string, err error)
	CodeMisses(ctx context.Context, person string, since time.Time) (lately, inAll int, err error)
	AddMiss(ctx context.Context, what, whom string) error
}

// An Inbox is where messages of sources arrive. Its methods may be called by
// several goroutines.
type Inbox struct {
	archive Archive
	now     func() time.Time

	// guessing is held while a code is checked, so that many at once are not
	// all let through before one is counted.
	guessing sync.Mutex
}

// NewInbox returns an inbox with that archive and clock.
func NewInbox(archive Archive, now func() time.Time) *Inbox {
	return &Inbox{archive: archive, now: now}
}

// A Receipt says what came of a message.
type Receipt struct {
	Kind house.FactorKind `json:"kind"`
	// Counts says that a factor counts from now on by it. A phone's report is
	// most often not an arrival.
	Counts bool `json:"counts"`
	// Taken and Refused are how many of a list were taken in, and were not, as
	// what was told before is told again.
	Taken   int `json:"taken,omitempty"`
	Refused int `json:"refused,omitempty"`
}

// Message takes a message of a source, which was authenticated. About is the
// person that the sender says it is about, by id, or empty where that was not
// said.
func (d *Inbox) Message(ctx context.Context, s house.Source, about string, text []byte) (Receipt, error) {
	ctx = house.By(ctx, "source "+s.ID)
	if s.Person != "" && about != "" && about != s.Person {
		return Receipt{}, d.missed(ctx, "person", about, ErrNotTheirs)
	}
	m, err := parse(text, s.Kind)
	switch {
	case err != nil:
		return Receipt{Kind: m.kind()}, err
	case m.reports != nil:
		return d.arrival(ctx, s, m)
	case m.code != "":
		err := d.Code(ctx, s.Person, m.code, s.ID)
		return Receipt{Kind: house.FactorCode, Counts: err == nil}, err
	}
	return d.token(ctx, s, about, m)
}

// token takes that a reader saw something.
func (d *Inbox) token(ctx context.Context, s house.Source, about string, m message) (Receipt, error) {
	receipt := Receipt{Kind: house.FactorToken}
	person, err := d.archive.TokenOf(ctx, m.token)
	if err != nil && !errors.Is(err, house.ErrNotFound) {
		return receipt, err
	}
	if err := d.checkSigned(ctx, s, person, m); err != nil {
		return receipt, err
	}
	var factor *house.Factor // nil for a token that is nobody's, or not of whom it is told of
	theirs := person != "" && (about == "" || about == person) && (s.Person == "" || s.Person == person)
	rules, err := d.archive.AdviceRules(ctx)
	if err != nil {
		return receipt, err
	}
	if theirs {
		now := d.now()
		factor = &house.Factor{Kind: house.FactorToken, Person: person, Source: s.ID, At: now, Until: now.Add(rules.Window)}
		if factor.Strength, err = d.tokenWorth(ctx, s.ID, person, now); err != nil {
			return receipt, err
		}
	}
	if err := d.admit(ctx, s, m, factor); err != nil {
		return receipt, err
	}
	switch {
	case person == "":
		return receipt, ErrNoToken
	case !theirs:
		return receipt, d.missed(ctx, "token", about, ErrNotTheirs)
	}
	receipt.Counts = true
	return receipt, d.sighted(ctx, person, rules)
}

// checkSigned checks the signature of a message that has one. A wrong one is a failed
// attempt about whom the token is of.
func (d *Inbox) checkSigned(ctx context.Context, s house.Source, person string, m message) error {
	if m.proof == nil {
		return nil
	}
	key, err := d.archive.SourceKey(ctx, s.ID)
	if err != nil {
		return err
	}
	if key == nil {
		return ErrNoKey
	}
	if !m.proof.signs(key, s.ID, m.token) {
		return d.missed(ctx, "signature", person, ErrForged)
	}
	return nil
}

// admit takes a message, unless it came before, and keeps its factor with what is
// known of the reader from then on: one does not go without the other.
func (d *Inbox) admit(ctx context.Context, s house.Source, m message, factor *house.Factor) error {
	_, err := d.archive.MoveSource(ctx, s.ID, func(before json.RawMessage) (move house.SourceMove, err error) {
		now, signing := d.now(), SigningOf(before)
		var refused error
		if m.proof != nil {
			signing, refused = signing.admit(*m.proof, now)
		} else {
			signing, refused = signing.plain(now)
		}
		if factor != nil {
			if m.proof == nil {
				factor.Strength = house.Slight
			}
			move.Change, move.Arrival = house.ArrivalBegins, factor
		}
		if move.State, err = json.Marshal(signing); err != nil {
			return house.SourceMove{}, err
		}
		return move, refused
	})
	return err
}

// lies is within which time a token that is seen again may have been there all
// the while.
const lies = 10 * time.Minute

// tokenWorth is less where the same reader saw something of the person's just
// before.
func (d *Inbox) tokenWorth(ctx context.Context, source, person string, now time.Time) (float64, error) {
	before, err := d.archive.FactorsSince(ctx, now.Add(-lies))
	if err != nil {
		return 0, err
	}
	for _, f := range before {
		if f.Kind == house.FactorToken && f.Source == source && f.Person == person && now.Sub(f.At) < lies &&
			now.Sub(f.At) > time.Minute { // held there for a moment, and read twice
			return house.Slight, nil
		}
	}
	return house.Ordinary, nil
}

// Code takes a one-time code of a person's. Source is the id of the phone that
// gave it, or names the session that it was typed in, "tablet ID" or "resident
// ID".
func (d *Inbox) Code(ctx context.Context, person, code, source string) error {
	d.guessing.Lock()
	defer d.guessing.Unlock()
	now := d.now()
	lately, inAll, err := d.archive.CodeMisses(ctx, person, now.Add(-totp.Wait))
	if err != nil {
		return err
	}
	if lately >= totp.Misses {
		return fmt.Errorf("%w within %s; another is taken later", ErrGuesses, totp.Wait)
	}
	if inAll >= totp.MissesInAll {
		return fmt.Errorf("%w since the last right one; a resident has to give out new codes", ErrGuesses)
	}
	factor := house.Factor{Kind: house.FactorCode, Person: person, Source: source, At: now, Until: now.Add(codeCounts),
		Strength: house.Decisive}
	_, err = d.archive.UseCode(ctx, factor, func(secret string, last int64) (int64, error) {
		s, err := totp.Parse(secret)
		if err != nil {
			return 0, err
		}
		return totp.Check(s, code, now, last)
	})
	if errors.Is(err, totp.ErrWrong) || errors.Is(err, totp.ErrReused) {
		return d.missed(ctx, "code", person, err)
	}
	return err
}

// Agree takes that a resident, by id, looked at the still of a visit and agrees
// that it is the person.
func (d *Inbox) Agree(ctx context.Context, visit, person, resident string) error {
	now := d.now()
	_, err := d.archive.AddFactor(ctx, house.Factor{
		Kind: house.FactorResident, Person: person, Source: "resident " + resident, Visit: visit,
		At: now, Until: now.Add(codeCounts), Strength: house.Decisive,
	})
	return err
}

// missed counts a failed attempt, and returns what failed. Where it can't be
// counted, what failed is not answered for at all: guesses that nobody counts
// would be free.
func (d *Inbox) missed(ctx context.Context, what, whom string, err error) error {
	if countErr := d.archive.AddMiss(ctx, what, whom); countErr != nil {
		return fmt.Errorf("%v, and: %w", err, countErr)
	}
	return err
}
