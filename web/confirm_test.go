package web

import (
	"context"
	"fmt"
	"net/url"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/internal/mailbox"
	"lintel/pipeline/advice/message"
	"lintel/pipeline/advice/policy"
	"lintel/web/broker"
)

// allEars is a broker at which every receiver listens, unless nobody does.
type allEars struct {
	nobody   bool
	messages [][]byte
	refusals []broker.Refusal
}

func (*allEars) Address() string              { return "127.0.0.1:8421" }
func (*allEars) Topics() string               { return "lintel" }
func (*allEars) Connections() int             { return 2 }
func (b *allEars) Listens(string) bool        { return !b.nobody }
func (b *allEars) Refusals() []broker.Refusal { return b.refusals }
func (b *allEars) Publish(_ context.Context, _ string, text []byte) error {
	b.messages = append(b.messages, text)
	return nil
}

// receives adds a receiver at a door.
func (h *household) receives(door string) house.Receiver {
	h.t.Helper()
	r, token, err := h.archive.AddReceiver(h.t.Context(), door, "the box by the door")
	if err != nil {
		h.t.Fatal(err)
	}
	h.secret(token)
	return r
}

// takenNow is a bell's clock that is right.
func (h *household) takenNow() option {
	return header("Lintel-Taken-At", h.clock.now().UTC().Format(time.RFC3339Nano))
}

// pin gives a resident a PIN, and returns the resident's id.
func (h *household) pin(who option, pin string) (resident string) {
	h.t.Helper()
	h.post("/upkeep/pin", url.Values{"pin": {pin}, "again": {pin}}, who).is(303)
	residents, err := h.archive.Residents(h.t.Context())
	if err != nil || len(residents) != 1 || !strings.HasPrefix(residents[0].PINHash, "$argon2id$") {
		h.t.Fatalf("residents %+v, %v", residents, err)
	}
	return residents[0].ID
}

// TestConfirm has a suggestion wait for a hand: a resident's on their screen, and
// one at the tablet by a PIN, whose wrong tries are bounded.
func TestConfirm(t *testing.T) {
	h := newAdviceHouse(t)
	h.suggest()
	const button = "let the receiver know"
	h.get("/visits/"+h.visit, h.resident).saysNot(button) // nobody listens there
	h.receives(h.door)
	h.get("/visits/"+h.visit, h.resident).says(button).says("hears of it when a resident confirms")
	h.get("/visits/"+h.visit, h.tablet).saysNot(button) // nobody has a PIN
	if seen := h.adviceSeenBy(h.tablet); !seen[0].Waits || !seen[0].ReleasedAt.IsZero() {
		t.Errorf("seen %+v", seen[0])
	}
	h.post("/upkeep/pin", url.Values{"pin": {"135790"}, "again": {"135791"}}, h.resident).is(422).says("not the same")
	for _, bad := range []string{"12345", "1234567890123", "abcdef", "111111"} {
		h.post("/upkeep/pin", url.Values{"pin": {bad}, "again": {bad}}, h.resident).is(422).
			says("A PIN has 6 to 12 figures")
	}
	odile := h.pin(h.resident, h.household.secret("135790"))
	h.get("/visits/"+h.visit, h.tablet).says(button).says(">Odile</option>")
	give := func(pin string) *answer {
		t.Helper()
		return h.ask("POST", "/api/v1/advice/"+h.id+"/confirm",
			strings.NewReader(fmt.Sprintf(`{"resident":%q,"pin":%q}`, odile, pin)), h.tablet)
	}
	h.ask("POST", "/api/v1/advice/"+h.id+"/confirm", strings.NewReader(`{}`), h.tablet).isProblem(422, "wrong-pin")
	for range guessesLately {
		give("246801").isProblem(422, "wrong-pin")
	}
	give("135790").isProblem(429, "wrong-pin-often")
	h.get("/upkeep/trail", h.resident).says("a PIN that was wrong")
	h.clock.advance(guessWait)
	h.visit = h.knownRings("R2", h.ada)
	h.suggest()
	var confirmed adviceJSON
	give("135790").is(200).into(&confirmed)
	if confirmed.Waits || !confirmed.ReleasedAt.Equal(h.clock.now()) || confirmed.State != house.Suggested {
		t.Errorf("confirmed: %+v", confirmed)
	}
	give("135790").is(409)
	if d, err := h.archive.Advice(t.Context(), h.id); err != nil || d.ConfirmedBy != "resident "+odile {
		t.Errorf("%+v, %v", d, err)
	}
	h.get("/visits/"+h.visit, h.resident).says("Confirmed at").says("says Odile").saysNot(button)
	h.get("/visits/"+h.visit, h.tablet).saysNot("Odile")
	h.visit = h.knownRings("R3", h.ada)
	h.suggest()
	h.post("/advice/"+h.id+"/confirm", nil, h.resident).is(303)
	h.post("/upkeep/pin", url.Values{"end": {"yes"}}, h.resident).is(303)
	give("135790").isProblem(422, "wrong-pin")
	h.get("/upkeep/trail", h.resident).says("</span> confirmed <a").says("changed the PIN of Odile")
}

// TestWithdrawnOnPage has a suggestion withdrawn: the card says that and why, and so
// does the trail.
func TestWithdrawnOnPage(t *testing.T) {
	h := newAdviceHouse(t)
	h.suggest()
	h.clock.advance(5 * time.Second)
	err := h.archive.WithdrawAdvice(t.Context(), house.Advice{ID: h.id, Conditions: conditionsBut(policy.People)})
	if err != nil {
		t.Fatal(err)
	}
	for _, who := range []option{h.resident, h.tablet} {
		h.get("/visits/"+h.visit, who).says("Withdrawn at").says("it does not hold any more").
			says("not all who can be seen are known and allowed").saysNot("We let them in")
		if seen := h.adviceSeenBy(who); seen[0].State != house.Withdrawn || !seen[0].EndedAt.Equal(h.clock.now()) {
			t.Errorf("seen %+v", seen[0])
		}
	}
	h.get("/upkeep/trail", h.resident).says("</span> withdrew <a")
	h.get("/upkeep/advice", h.resident).says("1 suggested (1 withdrawn)")
	h.post("/advice/"+h.id+"/used", nil, h.resident).is(409)
}

// TestCardAsksForNoCode has a door where the person has no rule: no code is asked
// for there, and what was no question is told apart.
func TestCardAsksForNoCode(t *testing.T) {
	h := newAdviceHouse(t)
	h.visit = h.knownRings("R2", h.ada)
	conditions := conditionsBut(policy.Home)
	conditions[4] = house.Condition{Code: policy.Factors, NotAsked: true}
	h.advised(house.Advice{Visit: h.visit, Door: h.door, Person: h.ada, State: house.Withheld, Conditions: conditions})
	page := h.get("/visits/"+h.visit, h.resident).saysNot("One-time code").
		says("Not asked: whether the factors that the rule needs were given.").says("1 of 4 conditions does not hold")
	if n := strings.Count(string(page.body), `class="unmet"`); n != 1 {
		t.Errorf("%d conditions are crossed", n)
	}
	h.get("/upkeep/advice", h.resident).says("The household is away")
}

// TestCardSaysWhatABellSends has one still that can't tell.
func TestCardSaysWhatABellSends(t *testing.T) {
	h := newAdviceHouse(t)
	h.visit = h.knownRings("R2", h.ada)
	conditions := append(conditionsBut(), house.Condition{Code: policy.Sign, Reasons: []house.Reason{
		{Code: "picture-cant-tell", Values: house.Values{Person: h.ada, Why: []string{"one-frame"}}}}})
	h.advised(house.Advice{Visit: h.visit, Door: h.door, Person: h.ada, State: house.Withheld, Conditions: conditions})
	for _, who := range []option{h.resident, h.tablet} {
		h.get("/visits/"+h.visit, who).says("two or more, a third of a second apart")
	}
}

// TestClockBehindIsSaid sets the server's clock back by two hours.
func TestClockBehindIsSaid(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	h.rung("R1", 0, still(t, 1))
	h.get("/", in).saysNot("behind the newest visit")
	h.clock.advance(-2 * time.Hour)
	in = h.session(h.resident("Rune"))
	const says = "The server’s clock is 2 hours behind the newest visit."
	h.get("/", in).says(says)
	h.get("/upkeep", in).says(says)
	h.clock.advance(2 * time.Hour)
	h.get("/", in).saysNot(says)
	h.get("/upkeep", in).saysNot(says)
}

// TestBrokerOnUpkeep says whether there is a broker, where, what it refused, and
// sends a test message.
func TestBrokerOnUpkeep(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	r := h.receives(h.door("the front door"))
	h.get("/upkeep/sources", in).says("The broker is off").saysNot("Send a test message")
	test := "/upkeep/receivers/" + r.ID + "/test"
	h.post(test, nil, in).is(422).says("without --mqtt-listen")
	b := &allEars{refusals: []broker.Refusal{{Why: "will", Times: 3, Last: h.clock.now()}}}
	h.Broker = b
	h.get("/upkeep/sources", in).says("The broker is on, at").says("127.0.0.1:8421").says("None may be left").
		says("3 times").says("listens now").says(r.ID)
	h.post(test, nil, in).is(200).says("A test message was sent")
	if len(b.messages) != 1 {
		t.Fatalf("%d messages", len(b.messages))
	}
	m, err := mailbox.Open(b.messages[0], r.ID, message.Key(r.Key), h.clock.now(), func(string) bool { return false })
	if err != nil || m.Action != message.Test || m.Kind != message.Nothing {
		t.Errorf("%+v, %v", m, err)
	}
	b.nobody = true
	h.post(test, nil, in).is(422).says("does not listen now")
}

// TestDoorTells has a door say when receivers hear.
func TestDoorTells(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	for _, c := range []struct {
		kind, tell string
		atOnce     bool
	}{{"house", "", false}, {"parcel", "", true}, {"house", "at-once", true}, {"parcel", "after-confirm", false}} {
		name := "The " + c.kind + " " + c.tell
		form := url.Values{"name": {name}, "bell": {"gate"}, "kind": {c.kind}, "tell": {c.tell}}
		h.fill("/rules/advice/doors", form, in).is(303)
		doors, err := h.archive.Doors(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		for _, d := range doors {
			if d.Name == strings.TrimSpace(name) && d.TellsAtOnce() != c.atOnce {
				t.Errorf("%+v tells at once: %t", d, d.TellsAtOnce())
			}
		}
	}
	soon := url.Values{"name": {"x"}, "bell": {"gate"}, "kind": {"house"}, "tell": {"soon"}}
	h.fill("/rules/advice/doors", soon, in).is(422).says("Say whether receivers hear at once")
	h.ask("POST", "/api/v1/doors", strings.NewReader(`{"name":"y","bell":"gate","parcel":false,"tell":"soon"}`), in).
		isProblem(422, "bad-door")
}

// checkReceivers asks for what is about receivers and PINs.
func (h *household) checkReceivers(fill func(*strings.Replacer), check checker, in, tablet option) {
	const pin, test = "/api/v1/pin", "/api/v1/receivers/{receiver}/test"
	check("PUT", pin, "", 401)
	check("PUT", pin, "", 403, tablet)
	check("PUT", pin, "", 400, in, sends(`[]`))
	check("PUT", pin, "", 422, in, sends(`{"pin":"12"}`))
	check("PUT", pin, "", 200, in, sends(`{"pin":"135790"}`))
	check("DELETE", pin, "", 401)
	check("DELETE", pin, "", 403, tablet)
	check("DELETE", pin, "", 200, in)
	fill(strings.NewReplacer("{receiver}", h.receives(h.door("the cellar")).ID))
	check("POST", test, "", 401)
	check("POST", test, "", 403, tablet)
	check("POST", test, "", 409, in)
	h.Broker = &allEars{}
	defer func() { h.Broker = nil }()
	check("POST", test, "", 200, in)
	fill(strings.NewReplacer("{receiver}", "NOSUCHRECEIVER"))
	check("POST", test, "", 404, in)
}
