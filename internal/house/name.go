package house

import (
	"unicode"
	"unicode/utf8"
)

// What can be wrong with a name.
var (
	// ErrNameLength says that a name is empty or too long, or no text at all.
	ErrNameLength error = Refusal("name-length")
	// ErrNameUnseen says that a name has a character that can't be seen, or that
	// turns the text around it.
	ErrNameUnseen error = Refusal("name-unseen")
)

// CheckName reports what is wrong with the name of a person, a bell, or anything
// else that people name: ErrNameLength unless it is UTF-8 of 1 to most characters,
// or ErrNameUnseen. Whoever picks a name must not be able to make it look like
// another's, or to change how the words around it read. So it has
//
//   - no control characters, and no separators of lines and paragraphs (Unicode's
//     categories Cc, Zl and Zp)
//   - no format characters (Cf), among them all controls of direction of UAX #9:
//     U+061C, U+200E, U+200F, U+202A to U+202E and U+2066 to U+2069; but for the
//     joiners, where they shape a script
//   - nothing else that is Default_Ignorable_Code_Point, and so drawn as nothing,
//     which UTS #39 keeps from identifiers; but for a selector of how a symbol looks
//   - no blanks (Zs) but U+0020 and the wide U+3000, and no two in a row: pages draw
//     the others, and many, as they draw one
//   - no U+FFFD, which stands where a text was that does not open any more
//   - no code points that are private or no characters (Co and unassigned ones)
func CheckName(name string, most int) error {
	if n := utf8.RuneCountInString(name); n == 0 || n > most || !utf8.ValidString(name) {
		return ErrNameLength
	}
	var before rune
	for _, r := range name {
		if !seen(r, before) {
			return ErrNameUnseen
		}
		before = r
	}
	return nil
}

// joining are the scripts whose letters the joiners U+200C and U+200D shape:
// between two of those they are seen, as UAX #31, section 2.3, has it.
var joining = []*unicode.RangeTable{unicode.Arabic, unicode.Syriac, unicode.Mongolian, unicode.Devanagari,
	unicode.Bengali, unicode.Gurmukhi, unicode.Gujarati, unicode.Oriya, unicode.Tamil, unicode.Telugu, unicode.Kannada,
	unicode.Malayalam, unicode.Sinhala, unicode.Khmer, unicode.Myanmar}

// seen reports whether a character can be seen where it stands after another.
func seen(r, before rune) bool {
	switch {
	case string(r) == Unreadable:
		return false
	case r == '\u200c' || r == '\u200d':
		return unicode.In(before, joining...)
	case unicode.Is(unicode.Variation_Selector, r):
		return unicode.Is(unicode.So, before)
	case unicode.Is(unicode.Other_Default_Ignorable_Code_Point, r):
		return false
	case unicode.Is(unicode.Zs, r):
		return (r == ' ' || r == '\u3000') && !unicode.Is(unicode.Zs, before)
	}
	return unicode.IsGraphic(r) // L, M, N, P, S, and the Zs above
}
