package house

import "time"

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

// A Tablet is a screen in the house that was paired and needs no password.
type Tablet struct {
	ID       string    `json:"id"`
	Name     string    `json:"name"`
	PairedBy string    `json:"paired_by"` // the resident's name
	PairedAt time.Time `json:"paired_at"`
}

// A Session says who is asking: a resident, a tablet or a program, the others
// are "".
type Session struct {
	Resident  string // id
	Tablet    string // id
	Program   string // id
	Scopes    Scopes // of a program
	Name      string
	ExpiresAt time.Time // zero of a program, whose token is good until it is ended
}

// How long a session lasts. A tablet's is long, and can be ended from any
// resident's screen.
const (
	ResidentSession = 30 * 24 * time.Hour
	TabletSession   = 5 * 365 * 24 * time.Hour
)
