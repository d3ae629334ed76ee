// Package qr draws QR codes (ISO/IEC 18004), for pages and for terminals:
//
//	code, err := qr.New("http://192.168.1.7:8420/trust")
//	code.Path(), code.Side() // the path of an SVG, and how wide its square is
//	code.Lines()             // for a terminal
package qr

import (
	"fmt"
	"image/color"
	"strings"

	"github.com/boombuler/barcode"
	"github.com/boombuler/barcode/qr"
)

// quiet is how many white modules stand around a QR code, by ISO/IEC 18004.
const quiet = 4

// A Code is a QR code, with the white border that readers need around it.
type Code struct{ modules barcode.Barcode }

// New makes a code of a text, which can be read with 15 % of it lost.
func New(text string) (Code, error) {
	modules, err := qr.Encode(text, qr.M, qr.Auto)
	if err != nil {
		return Code{}, fmt.Errorf("drawing a QR code: %w", err)
	}
	return Code{modules}, nil
}

// Side is how many modules wide and high it is.
func (c Code) Side() int { return c.modules.Bounds().Dx() + 2*quiet }

// dark reports whether a module is.
func (c Code) dark(x, y int) bool {
	n := c.modules.Bounds().Dx()
	x, y = x-quiet, y-quiet
	return x >= 0 && y >= 0 && x < n && y < n && c.modules.At(x, y) == color.Black
}

// Path is its dark parts, as the path of an SVG on a square of Side units.
func (c Code) Path() string {
	var d strings.Builder
	for y := range c.Side() {
		for x := 0; x < c.Side(); x++ {
			from := x
			for c.dark(x, y) {
				x++
			}
			if x > from {
				fmt.Fprintf(&d, "M%d %dh%dv1H%dz", from, y, x-from, from)
			}
		}
	}
	return d.String()
}

// Lines are for a terminal of any colours, two rows of modules each: black on white
// by the control sequences of ECMA-48, section 8.3.117.
func (c Code) Lines() []string {
	var lines []string
	for y := 0; y < c.Side(); y += 2 {
		var line strings.Builder
		line.WriteString("\x1b[30;107m")
		for x := range c.Side() {
			switch upper, lower := c.dark(x, y), c.dark(x, y+1); {
			case upper && lower:
				line.WriteString("█")
			case upper:
				line.WriteString("▀")
			case lower:
				line.WriteString("▄")
			default:
				line.WriteString(" ")
			}
		}
		lines = append(lines, line.String()+"\x1b[0m")
	}
	return lines
}
