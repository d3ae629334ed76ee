package house

import (
	"errors"
	"fmt"
	"strings"
	"time"
)

// ErrNoConsent says that a person has given no consent, or withdrew it.
var ErrNoConsent = errors.New("no consent")

// ErrAmbiguous says that several persons have the name.
var ErrAmbiguous = errors.New("several persons have this name; use the id")

// A Person is somebody who can be enrolled.
type Person struct {
	ID         string    `json:"id"`
	Name       string    `json:"name"`
	AddedAt    time.Time `json:"added_at"`
	Consent    *Consent  `json:"consent"`    // the latest in force, nil without
	References int       `json:"references"` // how many are in the gallery
}

// A Consent says who agreed, when, and to what.
type Consent struct {
	GivenBy string    `json:"given_by"` // the person, or who may agree for them
	GivenAt time.Time `json:"given_at"`
	Scope   string    `json:"scope"`
}

// Complete returns an error, ErrNoConsent, that says which part is missing.
func (c Consent) Complete() error {
	switch {
	case strings.TrimSpace(c.GivenBy) == "":
		return fault(ErrNoConsent, "consent-who")
	case errors.Is(CheckName(c.GivenBy, len(c.GivenBy)), ErrNameUnseen):
		return fault(ErrNoConsent, "consent-who-unseen")
	case c.GivenAt.IsZero():
		return fault(ErrNoConsent, "consent-when")
	case strings.TrimSpace(c.Scope) == "":
		return fault(ErrNoConsent, "consent-what")
	}
	return nil
}

// ErrBadPersonName says that a name is empty or too long.
var ErrBadPersonName = errors.New("a person's name has 1 to 200 bytes")

// ErrPersonTwice says that somebody has the name already, whatever its case; it is
// an ErrExists.
var ErrPersonTwice = fmt.Errorf("a person of this name is %w", ErrExists)

// A Reference is one enrolled descriptor of a person.
type Reference struct {
	Person       string // id
	Descriptor   Descriptor
	FaceWidth    int      // pixels of the picture it came from
	Quality      float64  // of that picture, over 0 to 1, as package quality scores it; 0 if it was not measured
	SourceSHA256 [32]byte // of the picture it came from; zero when read, since only a keyed hash is kept

	Portrait *Portrait // nil for none, and when read with others
}

// A Portrait is the picture of the face that a reference was computed from.
type Portrait struct {
	Origin Origin
	JPEG   []byte // the face and little around it; nil when read with others
}

// An Origin is where a portrait is from.
type Origin string

const (
	FromPhotograph Origin = "photograph" // a file that somebody chose
	FromCamera     Origin = "camera"     // of the tablet or phone at which somebody was enrolled
	FromVisit      Origin = "visit"      // a still
)

// ErrNoReference says that nobody can be enrolled with no reference at all.
var ErrNoReference = errors.New("there is no reference to enrol")

// A RecordedConsent is a consent as it was kept, in force or not.
type RecordedConsent struct {
	Consent
	RecordedAt  time.Time
	WithdrawnAt time.Time // zero while it is in force
}

// An Enrolment is a reference as it is kept: which, and since when. Its portrait,
// if it has one, tells where it is from.
type Enrolment struct {
	Reference
	ID      string
	AddedAt time.Time
}
