package bell

import (
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"

	"lintel/internal/house"
)

// differs are characters of the other table that are not where it has them here,
// each with why. Codes that are here and not there need no reason.
var differs = map[string]string{
	"A00 A0 U+3000": "an ideographic space, which is shown as any other space",
	"A00 DE U+309B": "a full-width mark, which decomposes to a space and a mark",
	"A00 DF U+309C": "likewise",
	"A00 EB U+00A4": "no currency sign is to be seen there but a small cross", "A00 EB U+02E3": "likewise",
	"A00 ED U+2C60": "a letter that nobody types in a message",
	"A00 F2 U+03F4": "θ is asked for by its usual code point",
	"A00 F6 U+2211": "a sum, shown as nothing", "A02 94 U+2211": "likewise",
	"A00 FA U+5343": "no household writes these three", "A00 FB U+4E07": "likewise", "A00 FC U+5186": "likewise",
	"A00 FF U+25A0": "the full block is asked for by its own code point",
	"A02 9D U+2661": "the heart is asked for by one of its three code points", "A02 9D U+2764": "likewise",
	"A02 B0 U+1D3C": "it is the degree sign here, which the glyph serves as",
}

// TestFontsAgree compares every code with another's reading of the data sheet.
//
// Outside: testdata/rplcd-1.4.0.txt, from the Python library RPLCD.
func TestFontsAgree(t *testing.T) {
	text, err := os.ReadFile("testdata/rplcd-1.4.0.txt")
	if err != nil {
		t.Fatal(err)
	}
	codes := make(map[house.ROM]map[byte]bool)
	compared := 0
	for line := range strings.Lines(string(text)) {
		if line = strings.TrimSpace(line); strings.HasPrefix(line, "#") {
			continue
		}
		var rom house.ROM
		var code byte
		var r rune
		if _, err := fmt.Sscanf(line, "%s %X U+%X", &rom, &code, &r); err != nil {
			t.Fatalf("%q: %v", line, err)
		}
		if codes[rom] == nil {
			codes[rom] = make(map[byte]bool)
		}
		codes[rom][code] = true
		compared++
		got, has := fonts[rom][r]
		if !has { // it may be changed to one that is at the same place
			if s := fonts[rom].near(r); utf8.RuneCountInString(s) == 1 {
				first, _ := utf8.DecodeRuneInString(s)
				got = fonts[rom][first]
			}
		}
		if _, known := differs[line]; known == (got == code) {
			t.Errorf("%s, %c: here it is %02X", line, r, got)
		}
	}
	for rom, f := range fonts {
		for r, code := range f {
			if !codes[rom][code] {
				t.Errorf("%s: %c is at %02X, where the other table has nothing", rom, r, code)
			}
		}
	}
	t.Logf("%d pairs compared", compared)
}

// TestSpell has what a household writes, in both ROMs.
//
// Outside: the codes are those of the HD44780U data sheet, ADE-207-272(Z), Table 4,
// from memory; what is nearest is by UAX #15, and where that finds nothing it is
// common practice, no source.
func TestSpell(t *testing.T) {
	for _, test := range []struct {
		text     string
		a00, a02 string // codes
		changed  []string
	}{
		{"äöü", "E1 EF F5", "E4 F6 FC", nil},
		{"ß", "E2", "DF", nil},
		{"é", "65", "E9", []string{"é>e"}},
		{"É", "45", "C9", []string{"É>E"}},
		{"e\u0301", "65", "E9", []string{"é>e"}}, // decomposed
		{"Ä", "41", "C4", []string{"Ä>A"}},
		{"21 °C", "32 31 20 DF 43", "32 31 20 B0 43", nil},
		{"µ", "E4", "B5", nil},
		{"→", "7E", "1A", nil},
		{"Łódź", "4C 6F 64 7A", "4C F3 64 7A", []string{"Ł>L", "ó>o", "ź>z"}},
		{"“no”", "22 6E 6F 22", "12 6E 6F 13", []string{`“>"`, `”>"`}},
		{"~", "2D", "7E", []string{"~>-"}},
		{`\`, "2F", "5C", []string{`\>/`}},
		{"½", "3F", "BD", []string{"½>?"}},
		{"ﬁn", "66 69 6E", "66 69 6E", []string{"ﬁ>fi"}},
		{"道", "3F", "3F", []string{"道>?"}},
		{"ок", "3F 3F", "3F 3F", []string{"о>?", "к>?"}},
		{"a\u200bb\u202e", "61 62", "61 62", []string{"\u200b>", "\u202e>"}},
		{"a\u00a0b", "61 20 62", "61 20 62", nil},
		{"\xff", "3F", "3F", nil},
	} {
		for rom, want := range map[house.ROM]string{house.ROMA00: test.a00, house.ROMA02: test.a02} {
			spelled, changes := fonts[rom].spell(test.text)
			var codes, changed []string
			for _, r := range spelled {
				codes = append(codes, fmt.Sprintf("%02X", fonts[rom][r]))
			}
			for _, c := range changes {
				changed = append(changed, c.From+">"+c.To)
			}
			if got := strings.Join(codes, " "); got != want {
				t.Errorf("%s: %q is %s, want %s", rom, test.text, got, want)
			}
			if rom == house.ROMA00 && !slices.Equal(changed, test.changed) {
				t.Errorf("%q changes %q, want %q", test.text, changed, test.changed)
			}
		}
	}
}

// FuzzDraw draws any text on any display: it has every place, each with a code that
// the ROM defines and the line's character.
func FuzzDraw(f *testing.F) {
	f.Add("Please leave it\nat the door", 20, 4, true)
	f.Add("Donaudampfschifffahrtsgesellschaft", 16, 2, false)
	f.Add("e\u0301\u0301 \u202e\xff\x00🔔½ﷺ", 8, 1, false)
	f.Fuzz(func(t *testing.T, text string, columns, rows int, second bool) {
		d := house.Display{Columns: 8 + (columns%33+33)%33, Rows: 1 + (rows%4+4)%4, ROM: house.ROMA00}
		if second {
			d.ROM = house.ROMA02
		}
		if err := d.Check(); err != nil {
			t.Fatal(err)
		}
		s := Draw(d, text)
		if len(s.Lines) != d.Rows || len(s.Bytes) != d.Rows*d.Columns {
			t.Fatalf("%d lines, %d bytes on %+v", len(s.Lines), len(s.Bytes), d)
		}
		for i, line := range s.Lines {
			place := i * d.Columns
			for _, r := range line {
				code, has := fonts[d.ROM][r]
				if !has || unicode.IsControl(r) || place == (i+1)*d.Columns || s.Bytes[place] != code {
					t.Fatalf("line %d of %q has %q at %d", i, text, r, place)
				}
				place++
			}
			if place != (i+1)*d.Columns {
				t.Fatalf("line %d of %q has %d characters", i, text, place-i*d.Columns)
			}
		}
	})
}
