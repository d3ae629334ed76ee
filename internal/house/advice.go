package house

import (
	"errors"
	"fmt"
	"slices"
	"time"
)

// A Condition is one thing that must hold for a suggestion.
type Condition struct {
	Code string `json:"code"`
	// Met says that it holds. What is missing, unknown, late or in error is
	// not met.
	Met bool `json:"met"`
	// NotAsked says that it was no question here, such as whose consent is in
	// force where nobody known can be seen. It is not met then, and nothing is
	// suggested: it only is none of the reasons for that.
	NotAsked bool `json:"not_asked,omitempty"`
	// Reasons are why, with the numbers; empty where they are kept no more.
	Reasons []Reason `json:"reasons,omitempty"`
}

// A Reason is one fact by its code, with what is told of it. Package words says
// it in a language; what is kept are codes, ids and numbers.
type Reason struct {
	Code string `json:"code"`
	Values
}

// Values are what a [Reason] tells. Which of them it has depends on its code.
type Values struct {
	Person    string        `json:"person,omitempty"`  // id
	Persons   []string      `json:"persons,omitempty"` // ids
	Door      string        `json:"door,omitempty"`    // id
	Bell      string        `json:"bell,omitempty"`    // name
	OtherBell string        `json:"other_bell,omitempty"`
	At        time.Time     `json:"at,omitzero"`
	Until     time.Time     `json:"until,omitzero"`
	Holiday   bool          `json:"holiday,omitempty"` // whether At is on one
	Lasted    time.Duration `json:"lasted_ns,omitempty"`
	Longest   time.Duration `json:"longest_ns,omitempty"`
	Count     int           `json:"count,omitempty"`
	Of        int           `json:"of,omitempty"` // what Count is measured by
	Distance  float64       `json:"distance,omitempty"`
	Rate      float64       `json:"rate,omitempty"` // an FPIR
	Band      string        `json:"band,omitempty"`
	Asked     string        `json:"asked,omitempty"` // the band that is asked for
	Kind      FactorKind    `json:"kind,omitempty"`
	Given     []Given       `json:"given,omitempty"`
	Measured  float64       `json:"measured,omitempty"` // by package quality
	Note      string        `json:"note,omitempty"`     // of a parcel, the household's own words
	Why       []string      `json:"why,omitempty"`      // codes of what is behind it
	Rules     []DoorRule    `json:"rules,omitempty"`
	Parcel    *ParcelRule   `json:"parcel,omitempty"`
	Week      *WeekTime     `json:"week,omitempty"`
}

// Given is a factor that counts: what it is, and when it was given.
type Given struct {
	Kind FactorKind `json:"kind"`
	At   time.Time  `json:"at"`
}

// A WeekTime is a time of the week, on an ordinary day or on a holiday.
type WeekTime struct {
	Day     time.Weekday `json:"day"`
	Minute  DayTime      `json:"minute"`
	Holiday bool         `json:"holiday,omitempty"`
}

// An AdviceState is what became of a suggestion.
type AdviceState string

const (
	Withheld  AdviceState = "withheld"
	Suggested AdviceState = "suggested" // until it is one of the next
	Used      AdviceState = "used"
	Dismissed AdviceState = "dismissed"
	Expired   AdviceState = "expired"
	Withdrawn AdviceState = "withdrawn" // what it rested on does not hold any more
)

// An Advice is to suggest or to withhold, with the reasons.
type Advice struct {
	ID        string      `json:"id"`
	Visit     string      `json:"visit"`
	Door      string      `json:"door"`
	Person    string      `json:"person,omitempty"` // id; empty for a parcel, and where nobody was known
	Parcel    string      `json:"parcel,omitempty"` // id of the parcel rule it is by
	State     AdviceState `json:"state"`
	At        time.Time   `json:"at"`
	ExpiresAt time.Time   `json:"expires_at,omitzero"` // of a suggestion
	// Conditions are all of them, met or not, in the order they are shown in, and
	// after them what withholds besides.
	Conditions []Condition `json:"conditions"`
	// Factors are the ids of those it rests on.
	Factors []string `json:"factors,omitempty"`
	// By is who used, dismissed or withdrew it, as in the audit trail, and
	// EndedAt when; zero until then.
	By      string    `json:"by,omitempty"`
	EndedAt time.Time `json:"ended_at,omitzero"`
	// ReleasedAt is from when on receivers of the door may hear of it: at once,
	// or when somebody confirmed it. It is zero until then.
	ReleasedAt time.Time `json:"released_at,omitzero"`
	// ConfirmedBy is who confirmed it, as in the audit trail.
	ConfirmedBy string `json:"confirmed_by,omitempty"`
}

// Released reports whether receivers may have heard of it.
func (d Advice) Released() bool { return !d.ReleasedAt.IsZero() }

// Unmet returns the codes of the conditions that are not met, though asked, each
// once.
func (d Advice) Unmet() []string {
	return d.codes(func(c Condition) bool { return !c.Met && !c.NotAsked })
}

// NotAsked returns the codes of the conditions that were no question.
func (d Advice) NotAsked() []string {
	return d.codes(func(c Condition) bool { return c.NotAsked })
}

func (d Advice) codes(of func(Condition) bool) (codes []string) {
	for _, c := range d.Conditions {
		if of(c) && !slices.Contains(codes, c.Code) {
			codes = append(codes, c.Code)
		}
	}
	return codes
}

// A Refusal is why something is not taken, by its code. Package words says it.
type Refusal string

func (r Refusal) Error() string { return "refused: " + string(r) }

// Refused is why one value among several is not taken, a [Refusal].
type Refused struct {
	Value string
	Why   error
}

func (r Refused) Error() string { return fmt.Sprintf("%q: %v", r.Value, r.Why) }

// Unwrap returns the refusal.
func (r Refused) Unwrap() error { return r.Why }

// ErrTaken says that what a suggestion would rest on was used meanwhile, or that
// the suggestion itself is not open any more.
var ErrTaken = errors.New("already used, answered or expired")
