package fortnight

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"lintel/internal/doorstep"
	"lintel/internal/house"
)

// A file is what fortnight.toml has, by its sections.
type file struct {
	house     home
	persons   []person
	strangers []stranger
	bells     []bell
	keep      map[house.Kind]house.Rule
	quiet     []quiet
	rules     []rule
	says      map[house.MessageRuleName]says
	texts     []says
	weekly    []part
	days      []part
	before    part
	live      part
}

type home struct {
	Resident                    string // a person, by what they are called
	Latitude, Longitude, Radius float64
}

type person struct {
	Called, Name, Drawn string
	Phone, Consent      text
	By                  string
	line                int
}

type stranger struct {
	Called, Drawn string
	line          int
}

type bell struct {
	Address   string
	Name      text
	Looks     look
	Heartbeat span
	Battery   int // percent, now; 0 for none
	Display   bool
	Door      text
	Parcels   bool
	Masks     [][][2]float64
	line      int
}

type quiet struct {
	Days        []weekday
	From, Until house.DayTime
}

type rule struct {
	Person, Door string
	Days         []weekday // all where none is named
	From, To     *house.DayTime
	Never        bool
	line         int
}

type says struct {
	On   bool
	Text text
}

// A part is a section in which something happens.
type part struct {
	Called  string    // of a weekly one
	On      []weekday // of a weekly one
	Give    span      // of a weekly one
	Day     *int      // of a day
	Sky     skies     // one for a day, one or more for the live part
	Without []string  // weekly parts that a day is without
	Since   span      // of the part before the live one
	Turns   []string  // of the live part
	happens []happening
	line    int
}

// A happening is one line.
type happening struct {
	At            *house.DayTime
	After, Before span

	Ring            string
	Who             []string
	Name            string
	Frames          int
	Covered         float64
	Sky             *sky
	Suggest         string
	Lacks           []string
	Phone, Says     string
	Home            *house.DayTime
	Parcel, Message text
	Until           *house.DayTime
	Lasting         span
	Enrol           string
	Pictures        int
	Quiet           string
	Answer, To      string
	Is              *string
	Hold            string
	Days            int
	Because         text
	Erase           string
	Guests          *bool

	line int
	who  []visitor
}

// A text is in languages, by their tags.
type text map[string]string

// in is the text in a language, or in English.
func (t text) in(language string) string {
	if said, ok := t[language]; ok {
		return said
	}
	return t["en"]
}

type span struct{ time.Duration }

func (s *span) UnmarshalText(text []byte) (err error) {
	s.Duration, err = time.ParseDuration(string(text))
	if err == nil && s.Duration < 0 {
		err = fmt.Errorf("%s is less than nothing", text)
	}
	return err
}

type weekday time.Weekday

func (w *weekday) UnmarshalText(text []byte) error {
	for d := time.Sunday; d <= time.Saturday; d++ {
		if strings.EqualFold(d.String(), string(text)) {
			*w = weekday(d)
			return nil
		}
	}
	return fmt.Errorf("%q is no day of the week", text)
}

// has reports whether the days have one; all do where none is named.
func has(days []weekday, d time.Weekday) bool {
	return len(days) == 0 || slices.Contains(days, weekday(d))
}

type look doorstep.Door

func (l *look) UnmarshalText(text []byte) error {
	i, err := among(text, "front", "garden")
	*l = look(i)
	return err
}

type sky doorstep.Sky

func (s *sky) UnmarshalText(text []byte) error {
	i, err := among(text, "clear", "overcast", "rain")
	*s = sky(i)
	return err
}

// Skies may be written as one.
type skies []sky

func (s *skies) UnmarshalTOML(v any) error {
	all, many := v.([]any)
	if !many {
		all = []any{v}
	}
	for _, v := range all {
		var one sky
		name, _ := v.(string)
		if err := one.UnmarshalText([]byte(name)); err != nil {
			return err
		}
		*s = append(*s, one)
	}
	return nil
}

func among(text []byte, names ...string) (int, error) {
	i := slices.Index(names, string(text))
	if i < 0 {
		return 0, fmt.Errorf("%q is none of %s", text, strings.Join(names, ", "))
	}
	return i, nil
}
