// Package message writes advice as it leaves the server, for whatever may act on
// it: a message to one receiver, which is published on a topic of that receiver's
// own (package broker).
//
// Lintel never moves a lock. A message says that a suggestion was made, and the
// receiver alone decides. Whoever builds one has to see to this:
//
//   - An electric lock must leave the way out free at all times, without Lintel,
//     without a network and without power, to everybody inside. Nothing here may
//     keep a door shut.
//   - Local building and fire codes say which locks a door may have at all, and
//     a licensed locksmith or electrician decides and does the work.
//   - A receiver fails closed: a message that is not right in every point is no
//     message, and so is one that it can't check, remember, or date. It has a
//     clock that is set, and it remembers what it acted on.
//   - It acts on messages for its own door only, and on those for parcels only
//     where a parcel may be left.
//   - It acts on the action "suggest" only. A "withdraw" has the nonce of an earlier
//     message, and ends that one: whatever waits because of it waits no more. A
//     "test" is for nothing but to be seen.
//
// What a message looks like:
//
//	{"payload":"BASE64","mac":"HEX"}
//
// The payload is a [Message] as JSON, in base64 (RFC 4648 section 4, padded). The
// mac is HMAC-SHA256 (RFC 2104, FIPS 180-4) over the characters of the base64
// just as they stand there, in small hexadecimal digits. So it is checked before
// anything is decoded, and there is nothing to be brought into a canonical form.
// Both objects have one spelling only, the one [Sign] writes: fields in this
// order, no blanks, nothing else.
//
// docs/receiver/README.md has the same byte by byte, for whoever writes a receiver.
//
// A message is authentic, not secret: whoever listens on the network, where there
// is no TLS, reads which door, and when. No person is in it, by name or otherwise.
//
// docs/receiver/receiver.py is an example of a receiver.
package message

import (
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"regexp"
	"time"

	"lintel/internal/house"
)

const (
	// Version is that of the messages here.
	Version = 1
	// Longest is how long a message may hold.
	Longest = 5 * time.Minute
	// Skew is how far a server's clock may be ahead of a receiver's.
	Skew = 30 * time.Second
	// Largest is how many bytes a message may have.
	Largest = 2048
)

// An Action is what a message says.
type Action string

const (
	Suggest  Action = "suggest"  // what its kind says
	Withdraw Action = "withdraw" // the earlier message of the same nonce holds no more
	Test     Action = "test"     // nothing: somebody tries whether messages come
)

// A Kind is what a message is about.
type Kind string

const (
	Person  Kind = "person" // somebody may come in
	Parcel  Kind = "parcel" // a parcel may be left
	Nothing Kind = "test"   // of a Test
)

// A Message is what a receiver gets to know.
type Message struct {
	Version  int    `json:"version"`
	Receiver string `json:"receiver"` // id of the one that it is for
	Door     string `json:"door"`     // id
	Bell     string `json:"bell"`     // the name of the bell that rang
	Visit    string `json:"visit"`    // id
	Action   Action `json:"action"`
	Kind     Kind   `json:"kind"`
	// Nonce is of 128 bits, in small hexadecimal digits. The same advice to
	// the same receiver always has the same, so that a message that is
	// published again is acted on once, and is known by what withdraws it.
	Nonce string `json:"nonce"`
	// IssuedAt and ExpiresAt are in UTC and whole seconds, 2027-01-01T12:00:00Z.
	IssuedAt  time.Time `json:"issued_at"`
	ExpiresAt time.Time `json:"expires_at"`
}

// envelope is what is published.
type envelope struct {
	Payload string `json:"payload"`
	MAC     string `json:"mac"`
}

// ErrAdvice says that there is nothing to write a message of: the advice suggests
// and withdraws nothing, or lacks something, or holds for more than Longest.
var ErrAdvice = errors.New("no message is written of this advice")

// words are what ids and names of bells are made of.
var words = regexp.MustCompile(`^[A-Za-z0-9._-]{1,64}$`)

// Sign writes the message of an advice to the receiver with the id and key: of an
// open suggestion that it was made, of one that was withdrawn or dismissed that it
// holds no more. The bell is the name of the one that rang. The same advice gives
// the same message. The error is [ErrAdvice], or [ErrKey] for a key of nothing but
// zeros.
func Sign(a house.Advice, bell, receiver string, key Key) ([]byte, error) {
	if a.ID == "" || (a.Person == "") == (a.Parcel == "") {
		return nil, fmt.Errorf("%w: it is not for one person or one parcel", ErrAdvice)
	}
	m := Message{Receiver: receiver, Door: a.Door, Bell: bell, Visit: a.Visit, Action: Suggest, Kind: Person,
		Nonce: nonce(a.ID, key), IssuedAt: a.At, ExpiresAt: a.ExpiresAt}
	if a.Parcel != "" {
		m.Kind = Parcel
	}
	switch a.State {
	case house.Suggested:
	case house.Withdrawn, house.Dismissed:
		m.Action, m.IssuedAt = Withdraw, a.EndedAt
	default:
		return nil, fmt.Errorf("%w: it is %s", ErrAdvice, a.State)
	}
	return m.sign(key)
}

// SignTest writes a message that says nothing, to try whether messages come to the
// receiver and are read there. It holds for a minute.
func SignTest(r house.Receiver, now time.Time) ([]byte, error) {
	m := Message{Receiver: r.ID, Door: r.Door, Bell: "test", Visit: "test", Action: Test, Kind: Nothing,
		Nonce: nonce(rand.Text(), Key(r.Key)), IssuedAt: now, ExpiresAt: now.Add(time.Minute)}
	return m.sign(Key(r.Key))
}

// sign writes a message, in whole seconds.
func (m Message) sign(key Key) ([]byte, error) {
	if key == (Key{}) {
		return nil, ErrKey
	}
	m.Version = Version
	m.IssuedAt, m.ExpiresAt = m.IssuedAt.UTC().Truncate(time.Second), m.ExpiresAt.UTC().Truncate(time.Second)
	if err := m.check(); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrAdvice, err)
	}
	payload, err := json.Marshal(m)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrAdvice, err)
	}
	return enclose(payload, key), nil
}

// nonce derives the nonce of an advice, whose id is random. No payload begins
// like this, as base64 has no blanks.
func nonce(id string, key Key) string {
	return hex.EncodeToString(mac(key[:], []byte("nonce of advice "+id))[:16])
}

// enclose writes a payload with its mac.
func enclose(payload []byte, key Key) []byte {
	text := base64.StdEncoding.EncodeToString(payload)
	b, err := json.Marshal(envelope{text, macText(text, key)})
	if err != nil {
		panic(err) // two strings of ASCII
	}
	return b
}

// macText returns the mac of a payload's base64 as it stands in a message.
func macText(payload string, key Key) string {
	return hex.EncodeToString(mac(key[:], []byte(payload)))
}

// mac returns HMAC-SHA256.
func mac(key, message []byte) []byte {
	h := hmac.New(sha256.New, key)
	h.Write(message)
	return h.Sum(nil)
}

var nonces = regexp.MustCompile(`^[0-9a-f]{32}$`)

// check returns what is wrong with a message by itself.
func (l Message) check() error {
	for _, w := range []string{l.Receiver, l.Door, l.Bell, l.Visit} {
		if !words.MatchString(w) {
			return fmt.Errorf("%q is no id and no name", w)
		}
	}
	holds := l.ExpiresAt.Sub(l.IssuedAt)
	switch {
	case l.Version != Version:
		return errors.New("it is of another version")
	case l.Action != Suggest && l.Action != Withdraw && l.Action != Test:
		return errors.New("its action is unknown")
	case l.Kind != Person && l.Kind != Parcel && l.Kind != Nothing || (l.Kind == Nothing) != (l.Action == Test):
		return errors.New("its kind is unknown")
	case !nonces.MatchString(l.Nonce):
		return errors.New("its nonce is none")
	case !whole(l.IssuedAt) || !whole(l.ExpiresAt):
		return errors.New("its times are not in whole seconds of UTC")
	case holds <= 0 || holds > Longest:
		return fmt.Errorf("it holds for %v", holds)
	}
	return nil
}

// whole reports whether a time is in whole seconds of UTC and of a year with
// four digits.
func whole(t time.Time) bool {
	return t.Location() == time.UTC && t.Nanosecond() == 0 && t.Year() >= 2000 && t.Year() <= 9999
}
