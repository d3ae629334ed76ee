// Package totp checks one-time codes: the six digits that an authenticator
// app shows for 30 seconds, made from a secret that it shares with the server.
//
// A code says that somebody has the phone that the secret was given to, or was
// told a code in the last minute. It is not evidence of who stands there.
//
//	New ─▶ Secret ─▶ URI, QR        shown once, for the person's app
//	             └─▶ Check ─▶ step  to be kept, for the next check
//
// Codes are those of RFC 6238 (TOTP) over RFC 4226 (HOTP), with SHA-1, six digits
// and steps of 30 seconds, which is what all apps know. A code counts for its own
// step, the one before and the one after, as RFC 6238 section 5.2 recommends for
// clocks that are a little apart, and only once.
//
// Three of a million codes are right at any time, so whoever asks for codes has
// to bound the guesses: see [Misses], [Wait] and [MissesInAll]. And a step has to
// be kept in the same transaction as what it was good for, or a code is good
// twice.
package totp

import (
	"crypto/rand"
	"crypto/subtle"
	"encoding/base32"
	"fmt"
	"strings"
	"time"

	"github.com/pquerna/otp"
	"github.com/pquerna/otp/hotp"
	"github.com/pquerna/otp/totp"

	"lintel/internal/house"
	"lintel/internal/qr"
)

const (
	// Size is how many bytes a secret has: as many as SHA-1 gives, which RFC
	// 4226 section 4 recommends.
	Size = 20
	// Period is how long a code's step is.
	Period = 30 * time.Second
	// Digits is how many digits a code has.
	Digits = 6
	// Drift is how many steps a code may be early or late.
	Drift = 1

	issuer = "Lintel"
)

// How often somebody may guess, for whoever calls [Check] to hold to, for each
// person and before the code is looked at. RFC 4226 section 7.3 asks for such a
// bound; the numbers are our own.
const (
	// Misses is after how many wrong codes within Wait no more are taken for
	// Wait. Guessing all day then succeeds with 0.14 %.
	Misses = 5
	Wait   = 15 * time.Minute
	// MissesInAll is after how many wrong codes since the last right one no more
	// are taken until somebody signed in says so. All guesses together then
	// succeed with 0.006 %.
	MissesInAll = 20
)

var (
	// ErrFormat says that something is no code at all: not six digits. It need
	// not count as a miss.
	ErrFormat error = house.Refusal("code-digits")
	// ErrWrong says that a code is none of those that count now.
	ErrWrong error = house.Refusal("code-wrong")
	// ErrReused says that a code, or a later one, was used before.
	ErrReused error = house.Refusal("code-used")
	// ErrSecret says that something is not the text of a secret.
	ErrSecret error = house.Refusal("secret-none")
	// ErrName says that nobody can be told apart in an app by a name: it is
	// empty, longer than 100 bytes, or has a colon, which apps take for the end
	// of the issuer.
	ErrName error = house.Refusal("app-name")
)

// A Secret is what codes are made from. Whoever has it has all codes.
type Secret [Size]byte

var base32Text = base32.StdEncoding.WithPadding(base32.NoPadding)

// New returns a random secret.
func New() (s Secret) {
	rand.Read(s[:]) // never fails, see crypto/rand
	return s
}

// Text returns the secret as apps take it by hand: 32 characters of base32.
func (s Secret) Text() string { return base32Text.EncodeToString(s[:]) }

// String hides the secret from logs.
func (s Secret) String() string { return "(secret)" }

// GoString hides it, too.
func (s Secret) GoString() string { return "(secret)" }

// Parse reads a secret that [Secret.Text] wrote. People may have set it in
// groups or in small letters.
func Parse(text string) (s Secret, err error) {
	b, err := base32Text.DecodeString(strings.ToUpper(strings.ReplaceAll(text, " ", "")))
	if err != nil || len(b) != Size {
		return Secret{}, ErrSecret // with no word of what it was
	}
	return Secret(b), nil
}

// URI returns the otpauth address of a person's secret, which apps take. Its
// form is common practice; no standard has it.
func (s Secret) URI(person string) (string, error) {
	key, err := s.key(person)
	if err != nil {
		return "", err
	}
	return key.String(), nil
}

// QR returns the address as a QR code (ISO/IEC 18004): the dark parts of a square
// so many modules wide, as the path of an SVG, with the white border that readers
// need around them.
func (s Secret) QR(person string) (path string, side int, err error) {
	key, err := s.key(person)
	if err != nil {
		return "", 0, err
	}
	code, err := qr.New(key.String())
	if err != nil {
		return "", 0, err
	}
	return code.Path(), code.Side(), nil
}

func (s Secret) key(person string) (*otp.Key, error) {
	if len(person) == 0 || len(person) > 100 || strings.Contains(person, ":") {
		return nil, ErrName
	}
	key, err := totp.Generate(totp.GenerateOpts{
		Issuer: issuer, AccountName: person, Secret: s[:],
		Period: uint(Period / time.Second), Digits: Digits, Algorithm: otp.AlgorithmSHA1,
	})
	if err != nil {
		return nil, fmt.Errorf("making an address for an app: %w", err)
	}
	return key, nil
}

// Check returns the step that a code is of, to be kept as the last for the next
// check. The last step is the largest one of a code that was used, 0 if none
// was. The error is [ErrFormat], [ErrWrong] or [ErrReused]; then nothing is to be
// kept. It takes as long whichever digits of a code are wrong.
func Check(s Secret, code string, now time.Time, last int64) (step int64, err error) {
	if len(code) != Digits || strings.Trim(code, "0123456789") != "" {
		return 0, ErrFormat
	}
	used := false
	middle := now.Unix() / int64(Period/time.Second)
	for at := middle - Drift; at <= middle+Drift; at++ {
		right, err := s.code(at, Digits)
		if err != nil {
			return 0, err
		}
		// Every step is compared, and the earliest that is new counts: two
		// steps may have the same code.
		if subtle.ConstantTimeCompare([]byte(right), []byte(code)) == 1 {
			if at <= last {
				used = true
			} else if step == 0 {
				step = at
			}
		}
	}
	switch {
	case step > 0:
		return step, nil
	case used:
		return 0, ErrReused
	}
	return 0, ErrWrong
}

// code returns the code of a step.
func (s Secret) code(step int64, digits otp.Digits) (string, error) {
	code, err := hotp.GenerateCodeCustom(s.Text(), uint64(step),
		hotp.ValidateOpts{Digits: digits, Algorithm: otp.AlgorithmSHA1})
	if err != nil {
		return "", fmt.Errorf("making a one-time code: %w", err)
	}
	return code, nil
}
