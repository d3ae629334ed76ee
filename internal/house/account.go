package house

import (
	"errors"
	"time"
)

// A Resident is somebody who lives here and may sign in.
type Resident struct {
	ID           string `json:"id"`
	Name         string `json:"name"`
	PasswordHash string `json:"-"` // as argon2id writes it, with its salt and costs
	// PINHash is the same of the PIN by which the resident confirms suggestions
	// at a tablet; empty without one.
	PINHash string    `json:"-"`
	AddedAt time.Time `json:"added_at"`
}

// ErrLastResident says that one resident has to stay: nobody could come in
// otherwise, and nobody invite anybody.
var ErrLastResident = errors.New("the last resident stays")

// A Tablet is a screen in the house that was paired and needs no password.
type Tablet struct {
	ID       string      `json:"id"`
	Name     string      `json:"name"`
	Language string      `json:"language,omitempty"` // by its tag, "" for that of the browser
	PairedBy string      `json:"paired_by"`          // the resident's name
	PairedAt time.Time   `json:"paired_at"`
	SeenAt   time.Time   `json:"seen_at"` // when it asked last, within [SeenEvery]
	Browser  Browser     `json:"browser"`
	Rules    TabletRules `json:"rules"`
}

// A Link lets whoever has it in once, without a password.
type Link struct {
	ID        string
	Resident  string // id, of whom it gives a new password; "" of an invitation
	MadeBy    string // the resident's id, "" of one made by command
	Maker     string // their name
	MadeAt    time.Time
	ExpiresAt time.Time
}

// How long links are good for. Whoever forgot a password stands beside the
// server, or has somebody there, so that link is short-lived.
const (
	InvitationLasts = 24 * time.Hour
	ResetLasts      = time.Hour
)

// A Browser is what a session runs in, by what it says of itself: "Firefox",
// "Android". Both are "" if that is nothing known.
type Browser struct {
	Name   string `json:"name"`
	System string `json:"system"`
}

// A Session says who is asking: a resident, a tablet or a program, the others
// are "".
type Session struct {
	ID        string // "" of a program
	Resident  string // id
	Tablet    string // id
	Program   string // id
	Scopes    Scopes // of a program
	Name      string
	Language  string      // that was chosen for them, by its tag, "" where none was
	Rules     TabletRules // of a tablet
	At        string      // id of the tablet at which the resident signed in, if it was one
	StartedAt time.Time   // zero of a program, as are all below: its token is good until it is ended
	SeenAt    time.Time   // when it was used last, within [SeenEvery]
	ExpiresAt time.Time   // however often it is used
	Browser   Browser
}

// How long a session lasts, however often it is used. A tablet's is long, since
// it hangs on a wall and nobody types there; any resident ends it.
const (
	ResidentSession = 180 * 24 * time.Hour
	TabletSession   = 5 * 365 * 24 * time.Hour
)

// How long a resident's session lasts without being used: in a browser of their
// own, and at a tablet, where guests stand, too.
const (
	ResidentIdle = 30 * 24 * time.Hour
	AtTabletIdle = 30 * time.Minute
)

// SeenEvery is how exactly it is known when a session was used last: to note each
// time would make every reading a writing.
const SeenEvery = 5 * time.Minute

// Over reports whether a session has ended by itself: all end by their time, and
// residents' when they are not used.
func (s Session) Over(now time.Time) bool {
	idle := ResidentIdle
	switch {
	case s.Resident == "":
		return !now.Before(s.ExpiresAt)
	case s.At != "":
		idle = AtTabletIdle
	}
	return !now.Before(s.ExpiresAt) || now.Sub(s.SeenAt) >= idle
}
