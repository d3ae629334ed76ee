package house

import (
	"errors"
	"strings"
	"testing"
	"unicode/utf8"
)

// Outside: the controls of direction are those of UAX #9 (Unicode Bidirectional
// Algorithm), table in section 2; what is drawn as nothing is
// Default_Ignorable_Code_Point of the Unicode Character Database, which UTS #39
// (Unicode Security Mechanisms), section 3.1, keeps from identifiers; joiners as in
// UAX #31, section 2.3.
func TestCheckName(t *testing.T) {
	for name, want := range map[string]error{
		"Ada Quill":             nil,
		"front":                 nil,
		"The blue phone (new)":  nil,
		"Zoë O’Hara-Łuk":        nil,
		"Zoe\u0308":             nil, // an accent of its own
		"玄関":                    nil,
		"玄関\u3000南":             nil, // with the wide blank of its script
		"نور":                   nil, // from right to left by its letters alone
		"می\u200cخواهم":         nil, // a joiner that shapes Persian
		"क्\u200dष":             nil, // and Devanagari
		"Kitchen ❤\ufe0f":       nil, // a symbol, to be drawn in colour
		strings.Repeat("ä", 60): nil,

		"":                      ErrNameLength,
		strings.Repeat("ä", 61): ErrNameLength,
		"Ada\xff":               ErrNameLength,

		"Ada\n":           ErrNameUnseen,
		"Ada\tQuill":      ErrNameUnseen,
		"\x00":            ErrNameUnseen,
		"Ada\x7f":         ErrNameUnseen,
		"Ada\u0085":       ErrNameUnseen,
		"Ada\u2028Quill":  ErrNameUnseen,
		"Ada\u00a0Quill":  ErrNameUnseen, // a blank that is drawn as any
		"Ada\u2009Quill":  ErrNameUnseen, // a thin one
		"Ada  Quill":      ErrNameUnseen, // two, which pages draw as one (CSS Text 3, section 4.1)
		"Ada\u3000 Quill": ErrNameUnseen,
		"Ada\u00adQuill":  ErrNameUnseen, // soft hyphen
		"Ada\u200bQuill":  ErrNameUnseen, // zero width space
		"Ada\u200dQuill":  ErrNameUnseen, // a joiner where it shapes nothing
		"\u200dAda":       ErrNameUnseen,
		"Ada\u2060":       ErrNameUnseen, // word joiner
		"\ufeffAda":       ErrNameUnseen, // byte order mark
		"Ada\ufe0f":       ErrNameUnseen, // a selector after a letter
		"Ada\u034f":       ErrNameUnseen, // combining grapheme joiner
		"\u3164":          ErrNameUnseen, // Hangul filler, a letter without a shape
		"Ada\U000e0041":   ErrNameUnseen, // a tag
		"Ada\ue000":       ErrNameUnseen, // private use
		"Ada\U0010ffff":   ErrNameUnseen, // no character
		"Ada\ufffe Quill": ErrNameUnseen,
	} {
		if err := CheckName(name, 60); !errors.Is(err, want) || (err == nil) != (want == nil) {
			t.Errorf("%+q: %v, want %v", name, err, want)
		}
	}
	for _, r := range "\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069" {
		if err := CheckName("gate"+string(r)+"etag", 60); !errors.Is(err, ErrNameUnseen) {
			t.Errorf("%U turns text around, and is taken: %v", r, err)
		}
	}
}

// No name that is taken has a control character, or is longer than it may be.
func FuzzCheckName(f *testing.F) {
	f.Add("Ada Quill")
	f.Add("gate\u202eetag")
	f.Fuzz(func(t *testing.T, name string) {
		if CheckName(name, 20) != nil {
			return
		}
		if !utf8.ValidString(name) || utf8.RuneCountInString(name) > 20 ||
			strings.ContainsAny(name, "\n\r\t\x00\x1b\u202e\u2066") {
			t.Errorf("%q is taken", name)
		}
	})
}
