package house

import (
	"errors"
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode/utf8"
)

// Errors of messages.
var (
	// ErrBadMessage says that a text can't be a message, and why.
	ErrBadMessage = errors.New("this can't be a message")
	// ErrNoDisplay says that a bell has no display that anybody told of.
	ErrNoDisplay = errors.New("the bell has no display")
	// ErrManyMessages says that a visit has as many messages as it may have.
	ErrManyMessages = errors.New("the visit has too many messages")
)

// MostMessages is how many messages a visit may have, and LongestMessage of how
// many characters a text may be, before anything stands in its places.
const (
	MostMessages   = 50
	LongestMessage = 200
)

// NotReceivedAfter is how long a bell has to say that it shows a message. After
// that it counts as not received, until the bell does say so.
const NotReceivedAfter = 15 * time.Second

// A Message is what a bell's display shows for a while.
type Message struct {
	ID    string
	Bell  string // address
	Visit string // that it answers, "" at a time when nothing is kept
	// Text is as it was sent, with nothing left to fill in. Package bell makes
	// lines of it.
	Text string
	// Person is whom it names, by id, "" for nobody.
	Person string
	// Rule is the household's rule that sent it, "" where By did.
	Rule MessageRuleName
	By   string // as in the audit trail, see [By]

	SentAt   time.Time
	Until    time.Time // when the display is cleared
	ShownAt  time.Time // when the bell said that it shows it; zero before
	MissedAt time.Time // when it counted as not received; zero if it never did
	EndedAt  time.Time // when another took its place, or it was cleared; zero before
}

// Open reports whether the display has to show it at t.
func (m Message) Open(t time.Time) bool { return m.EndedAt.IsZero() && t.Before(m.Until) }

// A MessageRuleName is one of the household's rules that send messages.
type MessageRuleName string

const (
	MessageKnown    MessageRuleName = "known"    // somebody known surely rang
	MessageAway     MessageRuleName = "away"     // for as long as it is on
	MessageQuiet    MessageRuleName = "quiet"    // at some times of the week
	MessageParcel   MessageRuleName = "parcel"   // a parcel is expected at a door of the bell
	MessageGreeting MessageRuleName = "greeting" // else
)

// MessageRuleNames are all there are. The first that is on and fits sends.
var MessageRuleNames = []MessageRuleName{MessageKnown, MessageAway, MessageQuiet, MessageParcel, MessageGreeting}

// A MessageText is a text with how long it is shown.
type MessageText struct {
	// Text may have places that are filled in when it is sent; see [Places].
	// A line end begins a new line.
	Text    string `json:"text"`
	Seconds int    `json:"seconds"` // 5 to 600
}

// A MessageRule sends a text by itself when somebody rings.
type MessageRule struct {
	On bool `json:"on"`
	MessageText
}

// MessageRules are what a household decided about messages to displays.
type MessageRules struct {
	// Texts are to choose from, 12 at the most.
	Texts []MessageText                   `json:"texts"`
	Rules map[MessageRuleName]MessageRule `json:"rules"` // for each of MessageRuleNames
	// Quiet are the times of the week at which the rule of that name holds.
	Quiet []Quiet `json:"quiet"`
}

// mostTexts bounds the list to choose from.
const mostTexts = 12

// A Place is what can be filled in in a text, in braces.
type Place string

const (
	PlaceTime        Place = "time"        // the household's clock, 15:04
	PlaceTemperature Place = "temperature" // outside, in degrees Celsius, as was told within the hour
	PlaceMinutes     Place = "minutes"     // as many as whoever sends says
	PlaceName        Place = "name"        // of who rang; in the rule known alone
)

// placeForm is how a place is written, or something that was meant to be one.
var placeForm = regexp.MustCompile(`\{([^{}\n]*)\}`)

// Places returns the places that a text has, as they are written, known or not.
func Places(text string) (places []Place) {
	for _, m := range placeForm.FindAllStringSubmatch(text, -1) {
		places = append(places, Place(m[1]))
	}
	return places
}

// FillIn puts what fill returns where the text has places.
func FillIn(text string, fill func(Place) string) string {
	return placeForm.ReplaceAllStringFunc(text, func(place string) string { return fill(Place(place[1 : len(place)-1])) })
}

// Check reports what is wrong with a text that somebody sends, or chooses from:
// ErrBadMessage.
func (m MessageText) Check() error { return m.check(PlaceTime, PlaceTemperature, PlaceMinutes) }

func (m MessageText) check(places ...Place) error {
	switch {
	case strings.TrimSpace(m.Text) == "":
		return fault(ErrBadMessage, "message-empty")
	case !utf8.ValidString(m.Text) || utf8.RuneCountInString(m.Text) > LongestMessage:
		return fault(ErrBadMessage, "message-long", "Most", LongestMessage)
	case m.Seconds < 5 || m.Seconds > 600:
		return fault(ErrBadMessage, "message-seconds")
	}
	for _, p := range Places(m.Text) {
		if p == PlaceName && !slices.Contains(places, p) {
			return fault(ErrBadMessage, "message-name")
		}
		if !slices.Contains(places, p) {
			return fault(ErrBadMessage, "message-place", "Place", string(p))
		}
	}
	if strings.ContainsAny(placeForm.ReplaceAllString(m.Text, ""), "{}") {
		return fault(ErrBadMessage, "message-brace")
	}
	return nil
}

// placesOf are what each rule's text may have. Nobody types how many minutes
// where a rule sends.
func placesOf(rule MessageRuleName) []Place {
	if rule == MessageKnown {
		return []Place{PlaceTime, PlaceTemperature, PlaceName}
	}
	return []Place{PlaceTime, PlaceTemperature}
}

// CheckFor reports what is wrong with the text of the rule of that name:
// ErrBadMessage.
func (r MessageRule) CheckFor(name MessageRuleName) error { return r.check(placesOf(name)...) }

// Check reports what is wrong with the rules: ErrBadMessage, or ErrBadRule of a
// quiet time.
func (r MessageRules) Check() error {
	if len(r.Texts) > mostTexts {
		return fault(ErrBadMessage, "message-texts", "Most", mostTexts)
	}
	for i, t := range r.Texts {
		if err := t.Check(); err != nil {
			return FaultIn{"text", i + 1, err}
		}
	}
	if len(r.Rules) != len(MessageRuleNames) {
		return fault(ErrBadMessage, "message-rules")
	}
	for _, name := range MessageRuleNames {
		rule, ok := r.Rules[name]
		if !ok {
			return fault(ErrBadMessage, "message-rules")
		}
		if err := rule.CheckFor(name); err != nil {
			return FaultIn{"message", name, err}
		}
	}
	return checkQuiets(r.Quiet)
}

// QuietAt reports whether the times of the rule quiet hold at t, by the clock of
// the zone.
func (r MessageRules) QuietAt(t time.Time, zone *time.Location) bool {
	return quietAt(r.Quiet, t.In(zone))
}
