package house

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
)

// A Program is a program of the household's own, which asks the API with a token
// of its own and may do there what its scopes say.
type Program struct {
	ID      string    `json:"id"`
	Name    string    `json:"name"`
	Scopes  Scopes    `json:"scopes"`
	AddedAt time.Time `json:"added_at"`
	UsedAt  time.Time `json:"used_at,omitzero"` // to the minute
	MadeBy  string    `json:"-"`                // the resident's id, with whom its token ends; "" if nobody's here
}

// A Scope is one thing that a program may do.
type Scope string

const (
	// ReadVisits opens visits as a tablet sees them: stills, faces, names, what
	// was found, and live events; but no advice.
	ReadVisits Scope = "read-visits"
	// ReadAdvice opens what was suggested and withheld, with every condition.
	ReadAdvice Scope = "read-advice"
	// ManageSources opens the list of phones, readers and carried tokens, and
	// lets them be added and removed. Whoever has it can make factors of
	// anybody.
	ManageSources Scope = "manage-sources"
	// SendMessages opens the household's list of messages, and sending one, typed
	// or from the list, to a bell's display.
	SendMessages Scope = "send-messages"
	// TellTemperature lets the temperature outside be told, and opens nothing.
	TellTemperature Scope = "tell-temperature"
	// ReadMetrics opens figures of how the server and the bells are, without a
	// name, a picture or a visit.
	ReadMetrics Scope = "read-metrics"
	// HearVisits lets it hear by MQTT that somebody rang, when and at which bell;
	// HearNames also who that was, and how surely; and HearDisplays what bells'
	// displays have to show.
	HearVisits   Scope = "hear-visits"
	HearNames    Scope = "hear-names"
	HearDisplays Scope = "hear-displays"
)

// AllScopes are all there are.
var AllScopes = []Scope{ReadVisits, ReadAdvice, ManageSources, SendMessages, TellTemperature, ReadMetrics,
	HearVisits, HearNames, HearDisplays}

// ErrBadScope says that a program would be given no scope, or one that is none.
var ErrBadScope = errors.New("a program has one or more of the scopes read-visits, read-advice, manage-sources, " +
	"send-messages, tell-temperature, read-metrics, hear-visits, hear-names and hear-displays")

// Scopes are several, in the order of [AllScopes] with a space between, as
// RFC 6749, section 3.3, writes them. Two that are equal allow the same.
type Scopes string

// NewScopes makes scopes of one or more. The error is ErrBadScope.
func NewScopes(scopes ...Scope) (Scopes, error) {
	for _, s := range scopes {
		if !slices.Contains(AllScopes, s) {
			return "", fmt.Errorf("%w, not %q", ErrBadScope, string(s))
		}
	}
	var all []string
	for _, s := range AllScopes {
		if slices.Contains(scopes, s) {
			all = append(all, string(s))
		}
	}
	if len(all) == 0 {
		return "", ErrBadScope
	}
	return Scopes(strings.Join(all, " ")), nil
}

// Has reports whether the scope is one of them.
func (s Scopes) Has(scope Scope) bool { return slices.Contains(s.List(), scope) }

// Hears reports whether a program with them hears anything by MQTT.
func (s Scopes) Hears() bool { return s.Has(HearVisits) || s.Has(HearNames) || s.Has(HearDisplays) }

// List returns them one by one.
func (s Scopes) List() []Scope {
	all := []Scope{}
	for _, word := range strings.Fields(string(s)) {
		all = append(all, Scope(word))
	}
	return all
}

// MarshalJSON writes them as a list.
func (s Scopes) MarshalJSON() ([]byte, error) { return json.Marshal(s.List()) }

// UnmarshalJSON reads what MarshalJSON wrote. The error is ErrBadScope.
func (s *Scopes) UnmarshalJSON(data []byte) error {
	var all []Scope
	err := json.Unmarshal(data, &all)
	if err == nil {
		*s, err = NewScopes(all...)
	}
	return err
}
