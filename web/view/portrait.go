package view

import (
	"net/url"
	"strings"
	"unicode"

	"lintel/internal/house"
)

// A Portrait is a person as a picture: the best of those that they are known by, or the
// initials of their name.
type Portrait struct {
	Src      string // "" where no picture is kept
	Initials string
	Name     string
	Address  string // of the person's page
}

// PortraitOf shows a person, by which of their references is the best picture, "" for
// none.
func (t Presenter) PortraitOf(p house.Person, reference string) Portrait {
	f := Portrait{Initials: initials(p.Name), Name: p.Name, Address: PersonAddress(p.ID)}
	if reference != "" {
		f.Src = t.portraitAddress(p.ID, reference)
	}
	return f
}

// PortraitAddress is where the picture of a reference is seen.
func PortraitAddress(person, reference string) string {
	return "/api/v1/persons/" + url.PathEscape(person) + "/references/" + url.PathEscape(reference) + "/picture"
}

// portraitAddress is PortraitAddress for the reader's session alone, which may keep
// what it gets.
func (t Presenter) portraitAddress(person, reference string) string {
	if t.PictureKey == "" {
		return PortraitAddress(person, reference)
	}
	return PortraitAddress(person, reference) + "?" + url.Values{"k": {t.PictureKey}}.Encode()
}

// initials are the first letters of the first and last word of a name.
func initials(name string) string {
	letter := func(word string) string {
		i := strings.IndexFunc(word, func(r rune) bool { return unicode.IsLetter(r) || unicode.IsDigit(r) })
		if i < 0 {
			return ""
		}
		return string(unicode.ToUpper([]rune(word[i:])[0]))
	}
	all := strings.Fields(name)
	switch len(all) {
	case 0:
		return ""
	case 1:
		return letter(all[0])
	}
	return letter(all[0]) + letter(all[len(all)-1])
}
