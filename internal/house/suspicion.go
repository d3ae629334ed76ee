package house

import (
	"errors"
	"time"
)

// Errors of rows that give power, and that somebody without the master key wrote.
var (
	// ErrUnvouched says so of what the household decided. It holds until a resident
	// decides anew.
	ErrUnvouched = errors.New("it was changed by somebody without the master key")
	// ErrSuspect says so of anything in the archive. Nothing is suggested until it
	// is counted anew, or a backup restored.
	ErrSuspect = errors.New("somebody without the master key has written to the archive")
)

// A PutBack says that the archive, whole, is what it once was.
type PutBack struct {
	Found time.Time `json:"found"`
	Had   int64     `json:"had"` // changes that were made, by the count beside the master key
	Has   int64     `json:"has"` // changes that it knows of
	// Trail says that only the audit trail is: Had and Has are entries of it.
	Trail bool `json:"trail,omitempty"`
}

// A Suspicion is what is wrong with the rows of one table of the archive that
// give power: whoever wrote them did not have the master key.
type Suspicion struct {
	Table string `json:"table"`
	// Large says that the table may have a row for every visit, so that it is not
	// gone through each time somebody asks.
	Large bool `json:"-"`
	// Strange rows were added or changed, and count for nothing.
	Strange int64 `json:"strange"`
	// Missing rows were removed.
	Missing int64 `json:"missing"`
	// PutBack says that a row is what it once was, or is there twice. Which one
	// can't be told, so it counts.
	PutBack bool `json:"put_back"`
}
