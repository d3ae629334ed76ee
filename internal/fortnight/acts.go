package fortnight

import (
	"context"
	"time"

	"lintel/internal/doorstep"
	"lintel/internal/house"
)

// A House is where the story happens. Its methods are called one after the other,
// never two at once, and each returns when what it does is done: a ring when its
// stills were examined and advice was given. Persons, doors and rings are told by
// the names that the story has for them.
type House interface {
	// SetUp comes first, once.
	SetUp(context.Context, Household) error
	Enrol(context.Context, Enrolment) error
	Ring(context.Context, Ring) error
	Report(context.Context, Report) error
	Beat(context.Context, Beat) error
	Expect(context.Context, Parcel) error
	Answer(context.Context, Answer) error
	Send(context.Context, Message) error
	Hold(context.Context, Hold) error
	Erase(context.Context, Erasure) error
	// Greet has tablets show guests neither names nor what was, or ends that.
	Greet(context.Context, Guests) error
}

// A Household is all that is decided before the first ring.
type Household struct {
	Resident string // the name of who signs in
	Bells    []Bell
	Doors    []house.Door // without ids; Bell is an address
	Keep     house.Rules  // without a zone
	Advice   house.AdviceRules
	Messages house.MessageRules
}

// A Bell is one of the household's two.
type Bell struct {
	Address string
	Name    string
	Looks   doorstep.Door
	Beats   time.Duration  // between heartbeats
	Display *house.Display // nil without one
	Masks   []house.Polygon
}

// A Person is somebody whom the household knows by name. Strangers have none.
type Person struct {
	Name    string
	Drawn   *doorstep.Person
	Consent house.Consent
	Phone   string // what it is called, "" for none
	// Rules are those of doors, without ids; Person and Door are names.
	Rules []house.DoorRule
}

// An Event is something that happens at a time.
type Event struct {
	At  time.Time
	Act Act
}

// An Act is one of the types below.
type Act interface {
	do(context.Context, House) error
}

// An Enrolment adds a person, with consent, phone and rules, and enrols their
// pictures, each with the one face.
type Enrolment struct {
	Person   Person
	Pictures []Frame
}

// A Ring is what a bell sends of one press.
type Ring struct {
	Name     string // unlike any other's, and fit for the header Lintel-Ring
	Bell     string // address
	Frames   []Frame
	Expected Expected
}

// A Frame is a picture to be drawn, and drawn.
type Frame struct {
	Scene doorstep.Scene
	Taken time.Time // by the bell's clock
	JPEG  []byte    // nil until it is drawn
}

// A Report is what a person's phone says, as sources send it.
type Report struct {
	Person string
	Text   []byte // JSON, as package evidence reads it
}

// A Beat is a bell's heartbeat, as bells send it.
type Beat struct {
	Bell string
	Text []byte // JSON, as package bell reads it
}

// A Parcel is one that is expected, at a door for parcels.
type Parcel struct {
	Door     string // name
	Note     string
	From, To time.Time
	Window   time.Duration // how long a suggestion holds
}

// An Answer is what a resident says of the one face on a ring.
type Answer struct {
	Ring string
	Is   string // the name of the person whose face it is, "" for a stranger
}

// A Message is what a resident has a bell's display show.
type Message struct {
	Bell    string // address
	Ring    string // that it answers, "" for none
	Text    string
	Lasting time.Duration
}

// A Hold keeps a ring's visit past its time.
type Hold struct {
	Ring   string
	Reason string
	Until  time.Time
}

// An Erasure is of a ring's visit.
type Erasure struct{ Ring string }

// Guests are in the house, or gone.
type Guests struct{ Here bool }

// Expected is what is true of a ring, and what ought to be made of it.
type Expected struct {
	Persons   []string // names of those who ring in person and are enrolled by then, from the left
	Strangers int      // others who ring in person
	Hidden    bool     // whether the lens is covered, so that nobody can be found
	Unkept    bool     // whether it comes at a time when nothing is kept
	// Shown is what a picture is on that is held up: the face on it is nobody's who
	// rings, though it may be named.
	Shown  doorstep.Medium
	Of     string // the name of who is on the picture, "" for nobody enrolled
	Advice []Advice
}

// An Advice is what ought to be said at a door. Where the story says nothing of a
// door, anything may be withheld there, and nothing suggested.
type Advice struct {
	Door    string // name
	Suggest bool
	For     string // the person's name, "" for a parcel
	// Unmet are codes of conditions of package policy that are not met, where
	// it is withheld. Others may be missing besides.
	Unmet []string
}

func (a Enrolment) do(ctx context.Context, h House) error { return h.Enrol(ctx, a) }
func (a Ring) do(ctx context.Context, h House) error      { return h.Ring(ctx, a) }
func (a Report) do(ctx context.Context, h House) error    { return h.Report(ctx, a) }
func (a Beat) do(ctx context.Context, h House) error      { return h.Beat(ctx, a) }
func (a Parcel) do(ctx context.Context, h House) error    { return h.Expect(ctx, a) }
func (a Answer) do(ctx context.Context, h House) error    { return h.Answer(ctx, a) }
func (a Message) do(ctx context.Context, h House) error   { return h.Send(ctx, a) }
func (a Hold) do(ctx context.Context, h House) error      { return h.Hold(ctx, a) }
func (a Erasure) do(ctx context.Context, h House) error   { return h.Erase(ctx, a) }
func (a Guests) do(ctx context.Context, h House) error    { return h.Greet(ctx, a) }
