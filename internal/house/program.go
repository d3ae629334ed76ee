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
)

// AllScopes are all there are.
var AllScopes = []Scope{ReadVisits, ReadAdvice, ManageSources}

// ErrBadScope says that a program would be given no scope, or one that is none.
var ErrBadScope = errors.New("a program has one or more of the scopes read-visits, read-advice and manage-sources")

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
