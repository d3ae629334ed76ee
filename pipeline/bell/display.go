package bell

import (
	"fmt"
	"math"
	"strings"

	"lintel/internal/house"
)

// A Screen is what a display shows.
type Screen struct {
	// Lines are the display's rows from the top, each as many characters long as
	// the display has columns.
	Lines []string
	// Bytes are the codes of the controller's ROM, row by row. They have to be
	// written to each row's own address: a controller's rows do not follow each
	// other in its memory (HD44780U data sheet, "Display Data RAM").
	Bytes []byte
	// Changes are the characters that the display has not, in the text's order.
	Changes []Change
	// Cut says that the text had more lines than the display.
	Cut bool
}

// Draw lays a text out for a display that is right ([house.Display.Check]): broken
// at its line ends, and between words where a line is too long; a word that is
// longer than a line is cut, with a hyphen. All is centred. Whatever the text, the
// screen has as many places as the display, each with a character of its ROM.
func Draw(d house.Display, text string) Screen {
	characters := fonts[d.ROM]
	spelled, changes := characters.spell(text)
	lines := wrap(spelled, d.Columns)
	s := Screen{Changes: changes, Cut: len(lines) > d.Rows}
	lines = lines[:min(len(lines), d.Rows)]
	above := (d.Rows - len(lines)) / 2
	for row := range d.Rows {
		line := ""
		if i := row - above; i >= 0 && i < len(lines) {
			line = lines[i]
		}
		line = centre(line, d.Columns)
		s.Lines = append(s.Lines, line)
		for _, r := range line {
			s.Bytes = append(s.Bytes, characters[r])
		}
	}
	return s
}

// wrap breaks a text into lines of so many characters at the most. Empty lines at
// its end are none.
func wrap(text string, columns int) (lines []string) {
	for line := range strings.SplitSeq(strings.TrimRight(text, " \n"), "\n") {
		lines = append(lines, wrapLine(strings.Fields(line), columns)...)
	}
	return lines
}

func wrapLine(words []string, columns int) (lines []string) {
	line := ""
	for _, word := range words {
		rest := []rune(word)
		switch {
		case line == "":
		case len([]rune(line))+1+len(rest) <= columns:
			line += " " + word
			continue
		default:
			lines = append(lines, line)
		}
		for len(rest) > columns {
			lines = append(lines, string(rest[:columns-1])+"-")
			rest = rest[columns-1:]
		}
		line = string(rest)
	}
	return append(lines, line)
}

// centre puts spaces around a line; one that is left over stands behind it.
func centre(line string, columns int) string {
	free := columns - len([]rune(line))
	return strings.Repeat(" ", free/2) + line + strings.Repeat(" ", free-free/2)
}

// Values are what stands in the places of a text.
type Values struct {
	Time    string   // as the household's clock shows it, such as 15:04
	Celsius *float64 // outside; nil where nobody told of it lately
	Minutes int      // as whoever sends says
	Name    string   // of who rang, "" for nobody that is known
}

// notKnown stands where a value is not known.
const notKnown = "--"

// Fill fills a text's places in. One that is not known stays, as [house.MessageText]
// refuses those.
func Fill(text string, v Values) string {
	return house.FillIn(text, func(p house.Place) string {
		switch p {
		case house.PlaceTime:
			return v.Time
		case house.PlaceTemperature:
			if v.Celsius == nil {
				return notKnown
			}
			if whole := math.Round(*v.Celsius); whole != 0 {
				return fmt.Sprintf("%.0f", whole)
			}
			return "0" // and never -0
		case house.PlaceMinutes:
			return fmt.Sprint(v.Minutes)
		case house.PlaceName:
			return v.Name
		}
		return "{" + string(p) + "}"
	})
}
