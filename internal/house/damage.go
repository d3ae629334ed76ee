package house

import "time"

// Unreadable stands where a text was that does not open any more: the replacement
// character, which the Unicode Standard (section 23.8) has for a character that is
// not known.
const Unreadable = "\uFFFD"

// A Damage is something in the archive that does not open any more.
type Damage struct {
	What string // the table and column, or DamagedDatabase
	ID   string // of its row
}

// DamagedDatabase is the damage that SQLite finds in its own structure.
const DamagedDatabase = "database"

// A Soundness is what is known of whether the archive is whole.
type Soundness struct {
	At   time.Time `json:"at"`   // when all of it was looked at last; the zero time for never
	Left int       `json:"left"` // what was not as it should be then
	Met  []Damage  `json:"-"`    // what was met since
}

// Damaged reports whether anything is.
func (s Soundness) Damaged() bool { return s.Left > 0 || len(s.Met) > 0 }
