// Package words says to people what the house knows in codes and numbers.
//
// What comes in are a [house.Condition], a [house.Reason] or a [house.Refusal],
// as packages under pipeline decide them. What goes out are sentences in a
// language. Nothing reads sentences back, and nothing keeps them.
//
//	w := words.For("en").At(now, zone).Naming(names)
//	w.Condition(condition) // "The household is away until 18:00."
//
// A language is one file beside this one, named by its tag: en.toml, de.toml. It has
// a message for each code; plurals go by the rules of the Unicode CLDR. Names of
// days and months, how dates, lists and shares are put and what stands before
// decimals are messages too, so that a new language takes a file and nothing else.
package words

import (
	"cmp"
	"errors"
	"fmt"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"lintel/internal/house"
)

// Words say things in one language. They may be used by several goroutines.
type Words struct {
	language *tongue // nil for English
	name     func(id string) string
	bells    map[string]string // what they are called, by address
	now      time.Time
	zone     *time.Location
	mark     func(string) string // nil but in tests
}

// At has times told by a clock on the wall: with the day where that is another
// than now's.
func (w Words) At(now time.Time, zone *time.Location) Words {
	w.now, w.zone = now, zone
	return w
}

// Naming has persons and doors called by their names, which are asked for by
// id. A name that is not known is empty.
func (w Words) Naming(name func(id string) string) Words {
	w.name = name
	return w
}

// Bells has bells called by their names, which a map has by their addresses.
func (w Words) Bells(names map[string]string) Words {
	w.bells = names
	return w
}

// Bell is what the bell of an address is called.
func (w Words) Bell(address string) string { return cmp.Or(w.bells[address], address) }

// Say says a code, with the values that are told of it, as one sentence or more.
func (w Words) Say(code string, v house.Values) string {
	return capital(w.say(code, telling{Values: v, Code: code, words: w}))
}

// Reason says why something is so.
func (w Words) Reason(r house.Reason) string { return w.Say(r.Code, r.Values) }

// Reasons says one after the other; "" for none.
func (w Words) Reasons(all []house.Reason) string {
	says := make([]string, len(all))
	for i, r := range all {
		says[i] = w.Reason(r)
	}
	return strings.Join(says, " ")
}

// Condition says why a condition is met or not. Where the reasons are kept no
// more it says so in the few words of [Words.Short].
func (w Words) Condition(c house.Condition) string {
	if len(c.Reasons) == 0 {
		return capital(w.Short(c)) + "."
	}
	return w.Reasons(c.Reasons)
}

// Short says in a few words that a condition is met, or is not, or was not asked. They tell
// nothing of the house, so that they suit everybody, and go on in a sentence.
func (w Words) Short(c house.Condition) string {
	lacks := "-not"
	if c.Met {
		lacks = ""
	}
	if c.NotAsked {
		return w.say("short-not-asked", map[string]string{"Holds": w.Short(house.Condition{Code: c.Code, Met: true})})
	}
	told := telling{Code: c.Code, words: w}
	if says, ok := w.find("short-"+c.Code+lacks, told, nil); ok {
		return says
	}
	return w.say("short-unknown"+lacks, told)
}

// Refusal says why something was refused, as words that go on in a sentence.
// What comes joined is told one after the other. It reports false for an error
// that is no [house.Refusal].
func (w Words) Refusal(err error) (says string, ok bool) {
	if all, ok := err.(interface{ Unwrap() []error }); ok {
		var parts []string
		for _, one := range all.Unwrap() {
			says, ok := w.Refusal(one)
			if !ok {
				return "", false
			}
			parts = append(parts, says)
		}
		return strings.Join(parts, "; "), len(parts) > 0
	}
	var fault house.Fault
	if errors.As(err, &fault) {
		return w.fault(fault, err), true
	}
	var why house.Refusal
	if !errors.As(err, &why) {
		return "", false
	}
	says = w.say("refused-"+string(why), telling{words: w})
	var of house.Refused
	if errors.As(err, &of) {
		says = fmt.Sprintf("%q: %s", of.Value, says)
	}
	return says, true
}

// fault says what is wrong with something that was to be kept, and with which of
// several.
func (w Words) fault(f house.Fault, err error) string {
	says := w.Text("fault-"+f.Code, f.Told...)
	var in house.FaultIn
	if !errors.As(err, &in) {
		return says
	}
	if kind, ok := in.Which.(house.Kind); ok {
		return w.Text("fault-in-kind", "Kinds", w.Text("kinds-"+string(kind)), "Fault", says)
	}
	if rule, ok := in.Which.(house.MessageRuleName); ok {
		return w.Text("fault-in-message", "Rule", w.Text("message-rule-"+string(rule)), "Fault", says)
	}
	return w.Text("fault-in-"+in.What, "Which", in.Which, "Fault", says)
}

// Complaint says what is wrong with the picture of a face, by the complaint of
// package quality, and Remedy what to do about it.
func (w Words) Complaint(code string, measured float64) string {
	return w.Say("complaint-"+code, house.Values{Measured: measured})
}

func (w Words) Remedy(code string) string { return w.Say("do-"+code, house.Values{}) }

// tongue is the language; the zero Words are English.
func (w Words) tongue() *tongue {
	if w.language == nil {
		return Own.tongues[0]
	}
	return w.language
}

// find looks a message up. Count chooses the plural, nil where there is none.
func (w Words) find(key string, told any, count any) (says string, found bool) {
	says, err := w.tongue().look(key, told, count)
	if err == nil && w.mark != nil {
		says = w.mark(says)
	}
	return says, err == nil
}

// say never leaves a code of another version without words.
func (w Words) say(key string, told any) string {
	if says, ok := w.find(key, told, nil); ok {
		return says
	}
	says, _ := w.find("unknown", telling{Code: key, words: w}, nil)
	return says
}

// list joins words: "a", "a and b", "a, b and c". Last is the key of what stands
// before the last.
func (w Words) list(words []string, last string) string {
	if len(words) < 2 {
		return strings.Join(words, "")
	}
	end := len(words) - 1
	return w.say(last, map[string]string{"First": strings.Join(words[:end], w.say("list-between", nil)), "Last": words[end]})
}

// capital begins a sentence, in any alphabet.
func capital(words string) string {
	first, n := utf8.DecodeRuneInString(words)
	if n == 0 {
		return ""
	}
	return string(unicode.ToUpper(first)) + words[n:]
}

// nameOf is never empty.
func (w Words) nameOf(id, otherwise string) string {
	return cmp.Or(w.name(id), w.say(otherwise, nil))
}
