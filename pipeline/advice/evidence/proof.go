package evidence

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"time"
	"unicode"

	"lintel/internal/house"
)

// What is wrong with how a reader signs. [Inbox.Message] says them of readers alone.
var (
	// The next say that a field is missing, or not as it should be.
	ErrCounter error = house.Refusal("field-counter")
	ErrNonce   error = house.Refusal("field-nonce")
	ErrMAC     error = house.Refusal("field-mac")
	// ErrUnsigned says that a reader that signs told something without.
	ErrUnsigned error = house.Refusal("reader-unsigned")
	// ErrNoKey says that a reader that has no key signs.
	ErrNoKey error = house.Refusal("reader-no-key")
	// ErrForged says that a message was not signed with the reader's key.
	ErrForged error = house.Refusal("reader-forged")
	// ErrReplayed says that a message came before, or one after it did.
	ErrReplayed error = house.Refusal("reader-replayed")
	// ErrReaderClock says that a message's time is too far from now.
	ErrReaderClock error = house.Refusal("reader-clock")
	// ErrNonces says that too many nonces are remembered to take another.
	ErrNonces error = house.Refusal("reader-nonces")
)

const (
	// ReaderWindow is how far the time of a reader's message may be from now.
	ReaderWindow = 2 * time.Minute
	// mostNonces are remembered at once. Within twice the window a source can send
	// 500 messages at most, by MQTT, and 150 by HTTP.
	mostNonces = 512
	// highestCounter is the last that JSON's numbers tell apart (RFC 8259, 6).
	highestCounter = 1<<53 - 1
)

// A proof is what a reader's message says besides the token: a counter, or a time
// and a nonce, and the signature of all of it.
type proof struct {
	counter int64 // 1 or more, or 0 for a time and a nonce
	seconds int64 // since 1970
	nonce   string
	mac     []byte
}

var (
	positive = regexp.MustCompile(`^[1-9][0-9]{0,15}$`)
	nonces   = regexp.MustCompile(`^[A-Za-z0-9_-]{8,64}$`)
)

// proof reads how a message is signed, nil where it is not.
func (f fields) proof() (*proof, error) {
	counter, counts := f["counter"]
	nonce, fresh := f["nonce"]
	mac, signed := f["mac"]
	if !counts && !fresh && !signed {
		return nil, nil
	}
	if counts && fresh {
		return nil, fmt.Errorf("%w: nonce", ErrTwice)
	}
	if v := f["token"]; strings.ContainsFunc(v.text, unicode.IsControl) {
		return nil, ErrToken // a line's end in it could pass for the end of its line
	}
	p := &proof{}
	var err error
	switch {
	case counts:
		p.counter, err = counter.whole(ErrCounter)
	case !fresh || !nonce.quoted || !nonces.MatchString(nonce.text):
		err = ErrNonce
	default:
		p.nonce = nonce.text
		p.seconds, err = f["time"].whole(ErrTime)
	}
	if err != nil {
		return nil, err
	}
	p.mac, err = hex.DecodeString(mac.text)
	if err != nil || !mac.quoted || len(p.mac) != sha256.Size {
		return nil, ErrMAC
	}
	return p, nil
}

// whole reads a whole number, 1 or more, with no sign and no zeros before it.
func (v value) whole(wrong error) (int64, error) {
	if v.odd || !positive.MatchString(v.text) {
		return 0, wrong
	}
	n, err := strconv.ParseInt(v.text, 10, 64)
	if err != nil || n > highestCounter {
		return 0, wrong
	}
	return n, nil
}

// signedText are the bytes that a reader signs. docs/sources.md has them one by one.
func signedText(source, label string, p proof) []byte {
	head := "lintel-reader-1\n" + source + "\n" + label + "\n"
	if p.counter > 0 {
		return fmt.Appendf(nil, "%scounter %d\n", head, p.counter)
	}
	return fmt.Appendf(nil, "%stime %d\nnonce %s\n", head, p.seconds, p.nonce)
}

// signs reports whether the key signed it: HMAC-SHA-256 (RFC 2104, FIPS 180-4).
func (p proof) signs(key []byte, source, label string) bool {
	h := hmac.New(sha256.New, key)
	h.Write(signedText(source, label, p))
	return hmac.Equal(h.Sum(nil), p.mac)
}

// A Signing is what is known of how a reader signs.
type Signing struct {
	// SignedAt and PlainAt are when it told something signed, and unsigned, that was
	// taken in; zero for never.
	SignedAt time.Time `json:"signed_at,omitzero"`
	PlainAt  time.Time `json:"plain_at,omitzero"`
	// RefusedAt is when a message of it was refused since the last that was taken in,
	// and Refused why, by its code.
	RefusedAt time.Time `json:"refused_at,omitzero"`
	Refused   string    `json:"refused,omitempty"`
	// Counter is the last, and Skipped how many before it never came.
	Counter int64 `json:"counter,omitempty"`
	Skipped int64 `json:"skipped,omitempty"`
	// Nonces are those of the last minutes, with their times, and Floor the latest
	// time of those forgotten: what is as old counts no more, even if the server's
	// clock is set back.
	Nonces map[string]int64 `json:"nonces,omitempty"`
	Floor  int64            `json:"floor,omitempty"`
}

// SigningOf reads what is kept of a reader.
func SigningOf(state json.RawMessage) (s Signing) {
	if state == nil || json.Unmarshal(state, &s) != nil {
		return Signing{}
	}
	return s
}

// admit takes a message that was signed rightly, if it is none that came before.
func (s Signing) admit(p proof, now time.Time) (next Signing, err error) {
	if next, err = s.fresh(p, now); err == nil {
		next.SignedAt, next.RefusedAt, next.Refused = now, time.Time{}, ""
		return next, nil
	}
	return s.refuse(err, now), err
}

// plain takes a message without a signature, of a reader that never signed.
func (s Signing) plain(now time.Time) (next Signing, err error) {
	if !s.SignedAt.IsZero() {
		return s.refuse(ErrUnsigned, now), ErrUnsigned
	}
	s.PlainAt = now
	return s, nil
}

func (s Signing) refuse(err error, now time.Time) Signing {
	s.RefusedAt, s.Refused = now, refusalOf(err)
	return s
}

// fresh remembers a counter, or a time with its nonce.
func (s Signing) fresh(p proof, now time.Time) (Signing, error) {
	if p.counter > 0 {
		if p.counter <= s.Counter {
			return s, ErrReplayed
		}
		if s.Counter > 0 {
			s.Skipped += p.counter - s.Counter - 1
		}
		s.Counter = p.counter
		return s, nil
	}
	at := time.Unix(p.seconds, 0)
	if now.Sub(at).Abs() > ReaderWindow {
		return s, ErrReaderClock
	}
	s = s.forget(now)
	if _, told := s.Nonces[p.nonce]; told || p.seconds <= s.Floor {
		return s, ErrReplayed
	}
	if len(s.Nonces) >= mostNonces {
		return s, ErrNonces
	}
	s.Nonces[p.nonce] = p.seconds
	return s, nil
}

// forget lets go of nonces whose time is over.
func (s Signing) forget(now time.Time) Signing {
	kept := make(map[string]int64, len(s.Nonces)+1)
	for nonce, at := range s.Nonces {
		if now.Sub(time.Unix(at, 0)) > ReaderWindow {
			s.Floor = max(s.Floor, at)
		} else {
			kept[nonce] = at
		}
	}
	s.Nonces = kept
	return s
}
