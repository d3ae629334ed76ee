// Package evidence takes in evidence that a person is at the door from something
// other than the face, and keeps what holds.
//
// What comes in are messages from sources, which each have a token of their
// own: a person's phone, or a local system that sees tokens. What goes out are
// [house.Factor]s, or errors that say what is wrong with a message. A message is
// JSON, one object with one field:
//
//	{"arrival": {"latitude_deg": …, "longitude_deg": …, "accuracy_m": …, "at": "…"}}   from a phone: geofence
//	{"code": "123456"}                                                                from a phone: totp
//	{"token": "LABEL"}                                                                from a reader: it saw this token
//
// A resident who is signed in can give two more factors: a code that somebody
// said ([Inbox.Code]), and that they looked and agree ([Inbox.Agree]).
//
// # What a factor is worth
//
// A phone can be lent, stolen or made to report what is not so, and a token can
// be lent or copied: their strength is one half. A code and a resident do not go
// by what lies in a pocket alone: theirs is 1. The numbers are our own; package
// policy asks for 1 where two persons look alike.
//
// # What is refused, and counted
//
// A wrong or reused code, a token that nobody has, one of another person than
// the message is about, and a speed that nobody has, are failed attempts. After
// some of those the household's rules withhold all advice for a while. Messages
// that are only malformed, late or vague are refused and not counted.
package evidence

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"sync"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/advice/geofence"
	"lintel/pipeline/advice/totp"
)

// What is wrong with a message. Errors of packages geofence and totp come
// besides.
var (
	// ErrMessage says that something is no message of a source.
	ErrMessage error = house.Refusal("message-none")
	// ErrNotTheirs says that a source may not tell this, or not of this person.
	ErrNotTheirs error = house.Refusal("not-theirs")
	// ErrNoToken says that nobody has the token that was seen.
	ErrNoToken error = house.Refusal("token-unknown")
	// ErrNoHome says that the household has not said where its home is.
	ErrNoHome error = house.Refusal("home-none")
	// ErrGuesses says that too many wrong codes were given to take another.
	ErrGuesses error = house.Refusal("code-guesses")
)

// LargestMessage is how many bytes a message may have.
const LargestMessage = 2048

// Strengths, see the package.
const (
	weak     = 0.5
	decisive = 1
)

// codeCounts is how long a code and a resident's word count.
const codeCounts = 2 * time.Minute

// An Archive is what the inbox needs of the store.
type Archive interface {
	AdviceRules(context.Context) (house.AdviceRules, error)
	MoveSource(ctx context.Context, id string,
		change func(json.RawMessage) (json.RawMessage, *house.Factor, error)) (added bool, err error)
	HearSource(ctx context.Context, id string) error
	TokenOf(ctx context.Context, label string) (person string, err error)
	AddFactor(context.Context, house.Factor) (id string, err error)
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
	// Counts says that it became a factor. A phone's report is most often not
	// an arrival.
	Counts bool `json:"counts"`
}

// Message takes a message of a source, which was authenticated. About is the
// person that the sender says it is about, by id, or empty where that was not
// said.
func (d *Inbox) Message(ctx context.Context, s house.Source, about string, text []byte) (Receipt, error) {
	m, err := parseMessage(text)
	if err != nil {
		return Receipt{}, err
	}
	ctx = house.By(ctx, "source "+s.ID)
	if s.Person != "" && about != "" && about != s.Person {
		return Receipt{}, d.missed(ctx, "person", about, ErrNotTheirs)
	}
	switch {
	case m.arrival != nil && s.Kind == house.Phone:
		return d.arrival(ctx, s, m.arrival)
	case m.code != "" && s.Kind == house.Phone:
		err := d.Code(ctx, s.Person, m.code, s.ID)
		return Receipt{house.FactorCode, err == nil}, err
	case m.token != "" && s.Kind == house.Reader:
		return d.token(ctx, s, about, m.token)
	}
	return Receipt{}, ErrNotTheirs
}

// A message has one of its fields.
type message struct {
	arrival     json.RawMessage
	code, token string
}

// parseMessage reads a message. The error is ErrMessage.
func parseMessage(text []byte) (m message, err error) {
	if len(text) > LargestMessage {
		return m, fmt.Errorf("%w: it has more than %d bytes", ErrMessage, LargestMessage)
	}
	d := json.NewDecoder(bytes.NewReader(text))
	open, err := d.Token()
	if err != nil || open != json.Delim('{') {
		return m, ErrMessage
	}
	name, err := d.Token()
	if err != nil {
		return m, ErrMessage
	}
	switch name {
	case "arrival":
		err = d.Decode(&m.arrival)
	case "code":
		err = d.Decode(&m.code)
	case "token":
		err = d.Decode(&m.token)
	default:
		return m, fmt.Errorf("%w: it tells neither an arrival, a code nor a token", ErrMessage)
	}
	if err != nil {
		return message{}, ErrMessage
	}
	if end, err := d.Token(); err != nil || end != json.Delim('}') {
		return message{}, fmt.Errorf("%w: it tells more than one thing", ErrMessage)
	}
	if _, err := d.Token(); err != io.EOF || m.arrival == nil && m.code == "" && m.token == "" {
		return message{}, ErrMessage
	}
	return m, nil
}

// arrival takes a report of where a phone is.
func (d *Inbox) arrival(ctx context.Context, s house.Source, text []byte) (Receipt, error) {
	receipt := Receipt{Kind: house.FactorArrival}
	report, err := geofence.ParseReport(text)
	if err != nil {
		return receipt, err
	}
	rules, err := d.archive.AdviceRules(ctx)
	if err != nil {
		return receipt, err
	}
	if rules.Home == nil {
		return receipt, ErrNoHome
	}
	move := func(before json.RawMessage) (json.RawMessage, *house.Factor, error) {
		var state geofence.State
		if before != nil {
			if err := json.Unmarshal(before, &state); err != nil {
				state = geofence.State{} // of another version: all begins anew
			}
		}
		now := d.now() // within the transaction, so that reports are in order
		next, arrived, stepErr := geofence.Step(state, report, *rules.Home, now)
		after, err := json.Marshal(next)
		if err != nil {
			return nil, nil, err
		}
		if !arrived {
			return after, nil, stepErr
		}
		return after, &house.Factor{
			Kind: house.FactorArrival, Person: s.Person, Source: s.ID, At: now, Until: now.Add(rules.Window), Strength: weak,
		}, stepErr
	}
	if receipt.Counts, err = d.archive.MoveSource(ctx, s.ID, move); errors.Is(err, geofence.ErrSpeed) {
		return receipt, d.missed(ctx, "speed", s.Person, err)
	}
	return receipt, err
}

// token takes that a reader saw something.
func (d *Inbox) token(ctx context.Context, s house.Source, about, label string) (Receipt, error) {
	receipt := Receipt{Kind: house.FactorToken}
	if err := d.archive.HearSource(ctx, s.ID); err != nil {
		return receipt, err
	}
	person, err := d.archive.TokenOf(ctx, label)
	if errors.Is(err, house.ErrNotFound) {
		return receipt, d.missed(ctx, "token", about, ErrNoToken)
	}
	if err != nil {
		return receipt, err
	}
	if about != "" && about != person || s.Person != "" && s.Person != person {
		return receipt, d.missed(ctx, "token", about, ErrNotTheirs)
	}
	rules, err := d.archive.AdviceRules(ctx)
	if err != nil {
		return receipt, err
	}
	now := d.now()
	_, err = d.archive.AddFactor(ctx, house.Factor{
		Kind: house.FactorToken, Person: person, Source: s.ID, At: now, Until: now.Add(rules.Window), Strength: weak,
	})
	receipt.Counts = err == nil
	return receipt, err
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
		Strength: decisive}
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
		At: now, Until: now.Add(codeCounts), Strength: decisive,
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
