package export

import (
	"cmp"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"lintel/internal/words"
)

// others are the names of people besides the person, the longest first, and what
// stands in their place.
type others struct {
	names   []string
	instead string
}

// somebodyElse stands where another's name was.
func somebodyElse(w words.Words) string { return w.Text("export-somebody-else") }

// othersThan picks residents and other persons out of [store.Archive.Names].
func othersThan(person string, names map[string]string, w words.Words) others {
	o := others{instead: somebodyElse(w)}
	for id, name := range names {
		kind, _, _ := strings.Cut(id, " ")
		if (kind == "resident" || kind == "person") && !strings.EqualFold(name, person) {
			o.names = append(o.names, name)
		}
	}
	slices.SortFunc(o.names, func(a, b string) int { return cmp.Or(len(b)-len(a), strings.Compare(a, b)) })
	o.names = slices.Compact(o.names)
	return o
}

// without returns a text with their names taken out, whatever their case, where
// they stand as words.
func (o others) without(text string) string {
	for _, name := range o.names {
		var b strings.Builder
		for at := 0; at < len(text); {
			n := foldedPrefix(text[at:], name)
			if n > 0 && !endsInWord(text[:at]) && !beginsWithWord(text[at+n:]) {
				b.WriteString(o.instead)
				at += n
				continue
			}
			_, size := utf8.DecodeRuneInString(text[at:])
			b.WriteString(text[at : at+size])
			at += size
		}
		text = b.String()
	}
	return text
}

// foldedPrefix returns how many bytes of the text are the name in some case, 0
// if it does not begin with it.
func foldedPrefix(text, name string) int {
	end := 0
	for range utf8.RuneCountInString(name) {
		if end == len(text) {
			return 0
		}
		_, size := utf8.DecodeRuneInString(text[end:])
		end += size
	}
	if !strings.EqualFold(text[:end], name) {
		return 0
	}
	return end
}

func inWord(r rune) bool { return unicode.IsLetter(r) || unicode.IsMark(r) || unicode.IsDigit(r) }

func endsInWord(text string) bool {
	r, _ := utf8.DecodeLastRuneInString(text)
	return inWord(r)
}

func beginsWithWord(text string) bool {
	r, _ := utf8.DecodeRuneInString(text)
	return inWord(r)
}
