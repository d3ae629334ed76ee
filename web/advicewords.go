package web

import (
	"cmp"

	"lintel/internal/house"
	"lintel/internal/words"
)

// words say things by this presenter's clock, with names by id, or by kind and
// id.
func (t presenter) words(names map[string]string) words.Words {
	return speak(language).At(t.Now, t.Zone).Naming(func(id string) string {
		return cmp.Or(names[id], names["person "+id], names["door "+id])
	})
}

// says is a condition as this presenter tells it.
func (t presenter) says(c house.Condition) string {
	if !t.Resident {
		c.Reasons = nil
	}
	return t.words(t.Names).Condition(c)
}

// say says what rules come to, by the names in the book.
func (b ruleBook) say(r house.Reason) string {
	return speak(language).Naming(func(id string) string { return b.names[id] }).Reason(r)
}

// sayOf says what is told of a door.
func (t presenter) sayOf(d house.Door, r house.Reason) string {
	return t.words(map[string]string{d.ID: d.Name}).Reason(r)
}

// lacks says in a few words that a condition is not met.
func lacks(code string) string { return speak(language).Short(house.Condition{Code: code}) }

// refused says why something typed or sent is not taken.
func refused(err error) string {
	if says, ok := speak(language).Refusal(err); ok {
		return capital(says) + "."
	}
	return sentence(err)
}
