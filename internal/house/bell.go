package house

import (
	"errors"
	"time"
)

// A Bell is a door station that may send stills.
type Bell struct {
	Name    string    `json:"name"`
	AddedAt time.Time `json:"added_at"`
	HeardAt time.Time `json:"heard_at,omitzero"` // when its last still came
}

// ErrBadName says that a bell's name has other characters, or more, than
// topics and addresses allow.
var ErrBadName = errors.New("a bell's name has 1 to 64 characters of A-Z a-z 0-9 . _ - and does not begin with a dot")
