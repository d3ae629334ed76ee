package house

import (
	"errors"
	"time"
)

// A Bell is a door station that may send stills. What it is called may change; its
// address, by which it sends and everything of it is found, never does.
type Bell struct {
	Address string    `json:"address"` // 1 to 64 characters of A-Z a-z 0-9 . _ -
	Name    string    `json:"name"`
	AddedAt time.Time `json:"added_at"`
	HeardAt time.Time `json:"heard_at,omitzero"` // when its last still came
}

// ErrBadName says that a bell's name is empty or too long.
var ErrBadName = errors.New("a bell's name has 1 to 64 characters")
