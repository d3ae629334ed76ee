package view

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/advice/evidence"
)

// A Source is a phone or a reader in a list, and when it was last heard.
type Source struct {
	house.Source
	Heard string
	Signs string     // of a reader: whether it signs what it tells
	Week  *PhoneWeek // of a phone; nil where it told nothing
}

// Heard says when something was last heard, or that it never was.
func (t Presenter) Heard(at time.Time) string {
	if at.IsZero() {
		return t.Words.Text("source-unheard")
	}
	return t.Words.Text("source-heard", "Moment", t.Moment(at))
}

// Sources are those of one person; of nobody where person is "".
func (t Presenter) Sources(all []house.Source, person string) (of []Source) {
	for _, source := range all {
		if source.Person == person {
			of = append(of, Source{Source: source, Heard: t.Heard(source.HeardAt)})
		}
	}
	return of
}

// Signs says whether a reader signs what it tells, and what was refused of that since.
func (t Presenter) Signs(s house.Source, signing evidence.Signing) string {
	key := "signs-no-key"
	switch {
	case !signing.SignedAt.IsZero():
		key = "signs-signed"
	case s.Keyed:
		key = "signs-key"
	}
	says := t.Words.Text(key, "Moment", t.Moment(signing.SignedAt))
	if signing.Refused == "" {
		return says
	}
	why, _ := t.Words.Refusal(house.Refusal(signing.Refused))
	return says + " " + t.Words.Text("signs-refused", "Moment", t.Moment(signing.RefusedAt), "Why", why)
}

// TokensOf are what a person carries, by their labels.
func TokensOf(all []house.CarriedToken, person string) []house.CarriedToken {
	of := slices.DeleteFunc(slices.Clone(all), func(token house.CarriedToken) bool { return token.Person != person })
	slices.SortFunc(of, func(a, b house.CarriedToken) int { return strings.Compare(a.Label, b.Label) })
	return of
}

// A NewSource is a source that was added just now, with its token, which is
// shown this once.
type NewSource struct {
	ID, Name, Token string
	Key             string   // of a reader, to sign with, in hexadecimal
	Person          string   // id of whose phone it is, "" for a reader
	Try             []string // commands that send a message, to try it with
	Plain           bool     // whether the token goes over the network in clear
}

// NewSource tells of a source that reaches this server at an address.
func (t Presenter) NewSource(s house.Source, token, server string) *NewSource {
	added := &NewSource{ID: s.ID, Name: s.Name, Token: token, Person: s.Person,
		Plain: !strings.HasPrefix(server, "https:")}
	bodies := []string{
		fmt.Sprintf(`{"lat": 47.5, "lon": -8.25, "accuracy": 12, "time": "%s"}`, t.Now.UTC().Format(time.RFC3339)),
		fmt.Sprintf(`{"crossing": "entered", "time": %d}`, t.Now.Unix()),
		`{"code": "123456"}`,
	}
	if s.Kind == house.Reader {
		bodies = []string{`{"token": "LABEL"}`}
	}
	for _, body := range bodies {
		added.Try = append(added.Try, t.Words.Text("source-try", "Server", server, "Token", token, "Body", body))
	}
	return added
}

// Codes is the secret of one-time codes that were given out just now.
type Codes struct {
	Path   string // of the QR code, on a square so many units wide
	Side   int
	Secret string // in groups, to be typed
}

// PersonFactors are what gives factors of a person's, and what of it was added
// just now.
type PersonFactors struct {
	ID, Name string // the person's
	Phones   []Source
	Tokens   []house.CarriedToken
	HasCodes bool
	NoHome   bool // where home is has not been said, so no phone comes home

	Phone *NewSource
	Codes *Codes
	Wrong string // why nothing was added
}

// Readers are the readers that see anybody's tokens, as Upkeep lists them, and
// the one that was added just now.
type Readers struct {
	All   []Source
	Added *NewSource
	Keyed *NewSource // whose key is new, with the key alone
	Wrong string     // why none was added
}

// Receivers are the receivers of advice, as Upkeep lists them, the doors that one
// can be at, the one that was added just now, and the broker that they hear.
type Receivers struct {
	All    []Receiver
	Doors  []house.Door
	Added  *NewReceiver
	Wrong  string  // why none was added
	Broker *Broker // nil where there is none

	Tested   bool   // whether a test message was sent just now
	Untested string // why none was
}

// A Receiver is a receiver of advice in a list.
type Receiver struct {
	house.Receiver
	Says string // where it is, since when, and whether it listens
}

// A Broker is how the MQTT broker within does.
type Broker struct {
	Address, Topics string
	Refused         []Refusal
}

// A Refusal is why the broker refused something, and how often.
type Refusal struct{ Why, Often string }

// Refusal says what the broker refused, by its code of why.
func (t Presenter) Refusal(why string, times int, last time.Time) Refusal {
	return Refusal{t.Words.Text("mqtt-" + why),
		t.Words.Text("broker-refused-often", "Count", times, "Moment", t.Moment(last))}
}

// A NewReceiver is a receiver that was added just now, with what it is known by,
// which is shown this once.
type NewReceiver struct {
	house.Receiver
	At         house.Door
	Key, Token string
}

// Receivers says of each where it is, and whether it listens; listens is nil
// where none can.
func (t Presenter) Receivers(all []house.Receiver, doors []house.Door, listens func(id string) bool) (list []Receiver) {
	for _, r := range all {
		key := "receiver-at"
		switch {
		case listens == nil:
		case listens(r.ID):
			key = "receiver-listens"
		default:
			key = "receiver-does-not-listen"
		}
		at, _ := DoorOf(doors, r.Door)
		list = append(list, Receiver{r, t.Words.Text(key, "Door", at.Name, "Moment", t.Moment(r.AddedAt), "ID", r.ID)})
	}
	return list
}

// DoorOf returns the door of an id.
func DoorOf(all []house.Door, id string) (house.Door, bool) {
	i := slices.IndexFunc(all, func(d house.Door) bool { return d.ID == id })
	if i < 0 {
		return house.Door{}, false
	}
	return all[i], true
}
