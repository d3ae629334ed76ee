package liveness

import "lintel/internal/house"

// words are how a sign is told to people.
type words struct {
	name string // what is looked for, as a heading: "A screen's pixels"
	// says is what a score above 0 means, with the numbers, as a sentence.
	says func(house.Finding) string
}

// Name returns what a sign is called on a screen, or "" for one that is not
// known.
func Name(sign string) string { return wordsOf(sign).name }

// Says returns what was found, or why it could not be looked for, as a
// sentence for people.
func Says(f house.Finding) string {
	w := wordsOf(f.Sign)
	switch {
	case w.says == nil:
		return ""
	case f.Missing != "":
		return Why(f.Missing)
	case f.Score == 0:
		return "" // no sign is no comfort
	}
	return w.says(f)
}

func wordsOf(code string) words {
	for _, s := range signs {
		if s.code == code {
			return s.words
		}
	}
	switch code {
	case Copies:
		return copiesWords
	case Repeat:
		return repeatWords
	}
	return words{}
}

// reasons are why something can't be told, by code.
var reasons = map[string]string{
	Tiny:      "The face is too small to tell.",
	Dark:      "It is too dark to tell.",
	NoEyes:    "The eyes could not be made out.",
	Border:    "The edge of the still cuts off what would have to be looked at.",
	NoNetwork: "The networks that know pictures best are not there (lintel models check).",
	OneFrame:  "There is only one still of this ring, and one alone tells little.",
	Sizes:     "The stills of this ring differ in size, so they could not be compared.",
	Plain:     "There is nothing around the face to compare it with.",
}

// Why returns a reason for something that can't be told as a sentence, or "".
func Why(code string) string { return reasons[code] }
