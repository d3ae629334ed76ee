package web

import (
	"encoding/json"
	"strings"
	"testing"

	"lintel/internal/house"
)

// hearer is a program that hears by MQTT.
func (h *household) hearer(name string, scopes ...house.Scope) (p house.Program, token string) {
	h.t.Helper()
	p, token, err := h.archive.AddProgram(h.t.Context(), name, scopes...)
	if err != nil {
		h.t.Fatal(err)
	}
	h.secret(token)
	return p, token
}

// A newsHeard is what a program heard of a visit.
type newsHeard struct {
	Visit, Bell             string
	Examined, Gone, Caution bool
	Revision                int64
	People                  []struct{ Name, Band string }
}

// news is what a program hears next.
func (c *mqttClient) news(names bool) (n newsHeard) {
	c.t.Helper()
	m := c.hears()
	if err := json.Unmarshal(m.Payload(), &n); err != nil || m.Retained() {
		c.t.Errorf("%s: %v", m.Payload(), err)
	}
	if !names && strings.Contains(string(m.Payload()), "Ada") {
		c.t.Errorf("it has a name: %s", m.Payload())
	}
	return n
}

// sawOn records that somebody was surely seen on a visit.
func (h *household) sawOn(visit string, p house.Person) {
	h.t.Helper()
	v, err := h.archive.Visit(h.t.Context(), visit)
	if err == nil {
		err = h.archive.Record(h.t.Context(), v.Stills[0].ID, house.Done, []house.Face{{Box: faceBox,
			Match: &house.Match{Person: p.ID, Band: "strong", Distance: 0.2, FPIR: 1e-5}}})
	}
	if err != nil {
		h.t.Fatal(err)
	}
}

// A program may listen to what its scopes say, by no wildcard (section 3.9.3).
func TestProgramMayHear(t *testing.T) {
	h := newHouse(t)
	_, address := h.brokered(nil)
	one, token := h.hearer("Hall light", house.HearVisits)
	bare := callAs(t, address, one.ID, token)
	another, token := h.hearer("Speaker", house.HearVisits, house.HearNames, house.HearDisplays)
	whole := callAs(t, address, another.ID, token)
	for _, test := range []struct {
		c      *mqttClient
		filter string
		code   byte // section 3.9.3
	}{
		{bare, "lintel/visits", 0}, {bare, "lintel/visits/named", 0x80}, {bare, "lintel/#", 0x80},
		{bare, "lintel/bells/gate/display", 0x80}, {bare, "lintel/bells/gate/refused", 0x80},
		{whole, "lintel/visits/named", 0}, {whole, "lintel/bells/gate/display", 0}, {whole, "lintel/bells/+/display", 0x80},
		{whole, "lintel/advice/X", 0x80}, {whole, "lintel/visits/+", 0x80},
	} {
		if code := test.c.listen(test.filter); code != test.code {
			t.Errorf("%s: %#x, want %#x", test.filter, code, test.code)
		}
	}
}

// Programs hear of a ring at once, and again with what was found; names only where the
// household says so; and that a visit was erased.
func TestVisitsByMQTT(t *testing.T) {
	h := newHouse(t)
	_, address := h.brokered(nil)
	ada := h.enrolledAs("Ada Quill", 1)
	plain, token := h.hearer("Hall light", house.HearVisits)
	bare := callAs(t, address, plain.ID, token)
	named, token := h.hearer("Speaker", house.HearVisits, house.HearNames)
	whole := callAs(t, address, named.ID, token)
	if bare.listen("lintel/visits") != 0 || whole.listen("lintel/visits/named") != 0 {
		t.Fatal("they may not listen")
	}
	gate := callAs(t, address, "gate", h.bell)
	gate.publish("lintel/bells/gate/stills/r/0", still(t, 1))
	first := bare.news(false)
	if first.Bell != "gate" || first.Examined || whole.news(true).Visit != first.Visit {
		t.Errorf("at once: %+v", first)
	}
	h.sawOn(first.Visit, ada)
	if n := bare.news(false); !n.Examined || n.Visit != first.Visit || n.Revision <= first.Revision || n.People != nil {
		t.Errorf("again: %+v", n)
	}
	if n := whole.news(true); len(n.People) != 1 || n.People[0].Name != "Ada Quill" || n.People[0].Band != "strong" {
		t.Errorf("with names: %+v", n)
	}
	if err := h.archive.EraseVisit(t.Context(), first.Visit); err != nil {
		t.Fatal(err)
	}
	if n := bare.news(false); !n.Gone || n.Visit != first.Visit {
		t.Errorf("erased: %+v", n)
	}
	if err := h.archive.EndProgram(t.Context(), plain.ID); err != nil {
		t.Fatal(err)
	}
	gate.publish("lintel/bells/gate/stills/r2/0", still(t, 2))
	bare.ends("a program whose token was ended")
	whole.Publish("lintel/visits", 1, false, "mine")
	whole.ends("a program that publishes")
}
