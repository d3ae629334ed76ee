package house

import (
	"errors"
	"slices"
)

// ErrBadDisplay says that no bell's display is like that, and why.
var ErrBadDisplay = errors.New("no bell's display is like that")

// A Display is the character display of a bell: how large it is, and which
// characters it has.
type Display struct {
	Columns int `json:"columns"` // characters of a line, 8 to 40
	Rows    int `json:"rows"`    // lines, 1 to 4
	ROM     ROM `json:"rom"`
}

// A ROM is the character generator ROM of a display's controller, by the letters
// at the end of its name: HD44780UA00 or HD44780UA02.
type ROM string

const (
	ROMA00 ROM = "A00" // katakana, some of Greek, ä ö ü
	ROMA02 ROM = "A02" // most of ISO 8859-1, some Greek and Cyrillic
)

// ROMs are all there are.
var ROMs = []ROM{ROMA00, ROMA02}

// UsualDisplay is what most displays are like: 4 lines of 20 characters.
var UsualDisplay = Display{Columns: 20, Rows: 4, ROM: ROMA00}

// Check reports what is wrong with the display: ErrBadDisplay.
func (d Display) Check() error {
	switch {
	case d.Columns < 8 || d.Columns > 40:
		return fault(ErrBadDisplay, "display-columns")
	case d.Rows < 1 || d.Rows > 4:
		return fault(ErrBadDisplay, "display-rows")
	case !slices.Contains(ROMs, d.ROM):
		return fault(ErrBadDisplay, "display-rom")
	}
	return nil
}
