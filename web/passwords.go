package web

import (
	"context"
	"crypto/rand"
	"encoding/base64"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"unicode/utf8"

	"github.com/alexedwards/argon2id"
	"github.com/trustelem/zxcvbn"
	"golang.org/x/crypto/argon2"

	"lintel/internal/house"
)

// Bounds on what people choose. NIST SP 800-63B, 3.1.1.2, asks for at least 8
// characters, no rules about their kinds, room for passphrases, and for none that
// is expected or commonly used.
const (
	minPassword = 10  // characters
	maxPassword = 256 // bytes, so that nobody makes the server hash a book
)

// What is wrong with an account that somebody makes.
var (
	errAccountName = problem{Status: http.StatusUnprocessableEntity, Type: "bad-name",
		Title: "problem-account-name-length", Count: maxName}
	errPasswordShort = problem{Status: http.StatusUnprocessableEntity, Type: "bad-password",
		Title: "problem-account-password-short", Count: minPassword}
	errPasswordLong = problem{Status: http.StatusUnprocessableEntity, Type: "bad-password",
		Title: "problem-account-password-long", Count: maxPassword}
	errPasswordDiffers = problem{Status: http.StatusUnprocessableEntity, Type: "bad-password",
		Title: "problem-account-password-differs"}
	errPasswordCommon = problem{Status: http.StatusUnprocessableEntity, Type: "bad-password",
		Title: "problem-account-password-common"}
)

// nameComplaint says what is wrong with the name of a resident or a tablet, nil if
// nothing is. Its length is said by the problem that it is given.
func nameComplaint(name string, length problem) error {
	switch err := house.CheckName(name, maxName); {
	case errors.Is(err, house.ErrNameUnseen):
		return problem{Status: http.StatusUnprocessableEntity, Type: "bad-name", Why: err}
	case err != nil:
		return length
	}
	return nil
}

// complaint says what is wrong with a name and a new password, nil if nothing is.
func complaint(name, password, again string) error {
	if err := nameComplaint(name, errAccountName); err != nil {
		return err
	}
	switch {
	case utf8.RuneCountInString(password) < minPassword:
		return errPasswordShort
	case len(password) > maxPassword:
		return errPasswordLong
	case password != again:
		return errPasswordDiffers
	case expected(name, password):
		return errPasswordCommon
	}
	return nil
}

// Of a password so many characters are weighed, since that takes longer the more
// there are, and least is the weight from which it is taken: that of 10^8 guesses,
// "safely unguessable" by Wheeler, zxcvbn: Low-Budget Password Strength Estimation
// (USENIX Security 2016), where each guess costs as much as argon2id does.
const (
	weighed    = 72
	leastScore = 3
)

// expected reports whether a password is among those that are tried first: common
// ones, words and names, the person's own name, dates, runs of keys, and what is
// made of them in the usual ways.
func expected(name, password string) bool {
	if !utf8.ValidString(password) {
		return true // no keyboard types it
	}
	letters := []rune(password)
	known := append(strings.Fields(name), name, "lintel", "doorbell")
	return zxcvbn.PasswordStrength(string(letters[:min(len(letters), weighed)]), known).Score < leastScore
}

// costs are those of hashing a password: the second recommended option of
// RFC 9106, section 4, for machines without 2 GiB to spare. They are kept with
// each hash, so they can be raised at any time.
var costs = &argon2id.Params{Memory: 64 << 10, Iterations: 3, Parallelism: 4, SaltLength: 16, KeyLength: 32}

// decoy is what passwords are checked against when there is no such resident, so
// that the answer takes as long as for a wrong password: a hash that no password is
// known of.
var decoy = fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, costs.Memory, costs.Iterations,
	costs.Parallelism, randomly(costs.SaltLength), randomly(costs.KeyLength))

// randomly returns so many random bytes, as hashes have them.
func randomly(n uint32) string {
	b := make([]byte, n)
	rand.Read(b)
	return base64.RawStdEncoding.EncodeToString(b)
}

func (s *Server) hashPassword(ctx context.Context, password string) (hash string, err error) {
	err = s.inTurn(ctx, func() error {
		hash, err = argon2id.CreateHash(password, costs)
		return err
	})
	return hash, err
}

func (s *Server) checkPassword(ctx context.Context, password, hash string) (right bool, err error) {
	if len(password) > maxPassword {
		return false, nil
	}
	err = s.inTurn(ctx, func() error {
		right, err = argon2id.ComparePasswordAndHash(password, hash)
		return err
	})
	return right, err
}
