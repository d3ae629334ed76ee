package house

import (
	"encoding/json"
	"time"
)

// A FactorKind is what kind of evidence a factor is.
type FactorKind string

const (
	FactorArrival  FactorKind = "arrival"  // the person's phone came home
	FactorCode     FactorKind = "code"     // a one-time code of the person's
	FactorToken    FactorKind = "token"    // a fob, tag or phone of the person's was seen
	FactorResident FactorKind = "resident" // somebody signed in looked at the still and agreed
)

// A Factor is evidence that a person is at the door, from something other than
// the face.
type Factor struct {
	ID     string     `json:"id"`
	Kind   FactorKind `json:"kind"`
	Person string     `json:"person"` // id
	// Source names what gave it: the id of a phone, a reader or a resident.
	// Never a bell: a factor from the bell is none.
	Source string `json:"source"`
	// Visit is the one that a resident agreed to; empty for all other kinds.
	Visit string `json:"visit,omitempty"`
	// At is when it happened, by the server's clock; it counts from then
	// until Until.
	At    time.Time `json:"at"`
	Until time.Time `json:"until"`
	// Strength is how much it is worth, over 0 to 1: Decisive for a code or a
	// resident, Ordinary for what can be lent or spoofed, and less for what says
	// little by itself.
	Strength float64 `json:"strength"`
	// UsedBy is the advice that it was used for; empty until then. A factor is
	// good for one advice.
	UsedBy string `json:"used_by,omitempty"`
}

// Strengths of factors. The numbers are our own.
const (
	Decisive = 1.0  // goes by more than what lies in a pocket
	Ordinary = 0.5  // a phone or a token, which can be lent or made to tell what is not so
	Slight   = 0.25 // one of those that tells only half
)

// Weak reports whether a factor is worth less than an ordinary one: it takes two
// weak ones, of different kinds, where a rule needs one.
func (f Factor) Weak() bool { return f.Strength < Ordinary }

// A SourceMove is what a message of a source changes.
type SourceMove struct {
	State   json.RawMessage // what to know of the source from now on; nil to leave it
	Change  ArrivalChange
	Arrival *Factor           // that begins, or what the one that stands becomes
	Reports []json.RawMessage // what it told, to keep for a week
}

// An ArrivalChange is what becomes of the arrival by a phone.
type ArrivalChange int

const (
	ArrivalStays  ArrivalChange = iota // as it is, if there is one
	ArrivalBegins                      // in place of any before
	ArrivalMoves                       // on, unless it was used
	ArrivalEnds                        // taken back, used or not
)

// A KeptReport is something that a phone told, as it was kept.
type KeptReport struct {
	HeardAt time.Time
	Text    json.RawMessage
}

// A Miss is a failed attempt.
type Miss struct {
	At   time.Time `json:"at"`
	What string    `json:"what"`           // a word, such as code
	Whom string    `json:"whom,omitempty"` // id of the person it was about, if known
	// By is who made it, as in the audit trail: "source ID" of a phone or reader.
	By string `json:"by,omitempty"`
}

// A Doubt is something seen that makes all that comes after it less sure for a
// while: at a bell by its name, or of the whole house where that is empty.
type Doubt struct {
	Kind DoubtKind
	Bell string
	At   time.Time // when it was seen last

	// Of wrong secrets, a series of them:
	Since    time.Time // when it began
	Times    int
	Networks int       // that they came from: addresses of IPv4, networks of IPv6
	Own      time.Time // when one came last from where the bell itself does; zero if none did
}

// A DoubtKind is what was seen.
type DoubtKind string

const (
	DoubtSecret DoubtKind = "secret" // somebody came in the bell's name with a wrong secret
	DoubtClock  DoubtKind = "clock"  // the server's clock jumped
)

// A Source gives factors: a person's phone, or a local system that sees tokens.
type Source struct {
	ID      string     `json:"id"`
	Kind    SourceKind `json:"kind"`
	Person  string     `json:"person,omitempty"` // id; whose phone it is
	Name    string     `json:"name"`
	AddedAt time.Time  `json:"added_at"`
	HeardAt time.Time  `json:"heard_at,omitzero"`
	// Keyed says that it has a key to sign with: a reader may.
	Keyed bool `json:"keyed"`
}

// A SourceKind is what a source may tell.
type SourceKind string

const (
	Phone  SourceKind = "phone"  // where its person is
	Reader SourceKind = "reader" // whose token it sees
)

// A CarriedToken is something that a person carries and a reader sees.
type CarriedToken struct {
	ID     string `json:"id"`
	Person string `json:"person"` // id
	Label  string `json:"label"`  // as readers tell it
}
