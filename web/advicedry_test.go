package web

import (
	"fmt"
	"net/url"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/advice/policy"
)

// wellSeen keeps a ring of two stills on which a person is recognised as well as
// any rule can ask for.
func (h *household) wellSeen(ring, person string) (visit string) {
	h.t.Helper()
	for frame := range 2 {
		visit = h.rung(ring, frame, still(h.t, uint8(frame+len(h.files()))), h.takenNow()).Visit
		face := faceAt(descriptorAt(9, .1))
		face.Match = &house.Match{Person: person, Distance: .1, FPIR: 1e-6, Band: "strong", Probability: .99, Frames: 2}
		face.Liveness = &house.Liveness{Level: house.NoSign, Probability: .02, Frames: 2}
		face.Quality = &house.Quality{FaceWidth: 180, EyeDistance: 70, PixelsPerMetre: 900, Sharpness: .2, Luma: 120,
			Clipped: .01, Contrast: .2, Yaw: 4, Roll: 2}
		record(h.t, h.archive, visit, frame, face)
	}
	return visit
}

// A triedHouse is a household where somebody rang on a Wednesday evening and by
// night, and a month before; and where a stranger rang.
type triedHouse struct {
	*household
	ruled
	in                             option
	long, evening, stranger, night string // visits
}

func newTriedHouse(t *testing.T) *triedHouse {
	h := &triedHouse{household: newHouse(t)}
	h.ruled = h.ruledFor()
	h.long = h.wellSeen("month-ago", h.person)
	h.clock.advance(31 * 24 * time.Hour) // to Wednesday, 4 June
	h.evening = h.wellSeen("evening", h.person)
	h.clock.advance(10 * time.Minute)
	h.stranger, _ = h.sees("stranger", faceAt(descriptorAt(20, 0)))
	h.clock.advance(2 * time.Hour) // the rule is over at 20:00
	h.night = h.wellSeen("night", h.person)
	h.in = h.session(h.resident("Piet"))
	return h
}

func (h *triedHouse) try(t *testing.T, body string) (a trialJSON) {
	t.Helper()
	h.ask("POST", "/api/v1/advice/dry-run", strings.NewReader(h.place("").Replace(body)), h.in).is(200).into(&a)
	if a.Suggested+a.Withheld != len(a.Visits) || len(a.Granted) < 5 || a.More {
		t.Errorf("trial %+v", a)
	}
	return a
}

// TestDryRun tries rules. What has to come of it follows from the rules' words alone.
func TestDryRun(t *testing.T) {
	h := newTriedHouse(t)
	states := func(a trialJSON) (list string) {
		for _, v := range a.Visits {
			name := map[string]string{h.long: "long", h.evening: "evening", h.stranger: "stranger", h.night: "night"}[v.Visit]
			list += fmt.Sprintf("%s %s;", name, v.State)
		}
		return list
	}
	for _, test := range []struct{ sent, want string }{
		{`{"door":"{lasting-door}","factors":["code"]}`, "night withheld;stranger withheld;evening suggested;"},
		{`{"door":"{lasting-door}","factors":["code","arrival"]}`, "night withheld;stranger withheld;evening suggested;"},
		{`{"door":"{lasting-door}","factors":[]}`, "night withheld;stranger withheld;evening withheld;"},
		{`{"door":"{lasting-door}","factors":["resident","token"]}`, "night withheld;stranger withheld;evening withheld;"},
		{`{"door":"{parcel-door}","factors":["code"]}`, "night withheld;stranger withheld;evening withheld;"},
		// One more rule, for Monday and Tuesday, is no matter on a Wednesday.
		{`{"door":"{lasting-door}","factors":["code"],"rule":` + sentRule + `}`,
			"night withheld;stranger withheld;evening suggested;"},
		// In the rule's place, it is.
		{`{"door":"{lasting-door}","factors":["code"],"rule":` + strings.Replace(sentRule, "{",
			`{"id":"`+h.rule.ID+`",`, 1) + `}`, "night withheld;stranger withheld;evening withheld;"},
		// At any time of Wednesday.
		{`{"door":"{lasting-door}","factors":["code"],"rule":` + strings.NewReplacer("false,true,true,false",
			"false,true,true,true", ":420", ":0", ":1200", ":1440").Replace(sentRule) + `}`,
			"night suggested;stranger withheld;evening suggested;"},
	} {
		if got := states(h.try(t, test.sent)); got != test.want {
			t.Errorf("%s: %s, want %s", test.sent, got, test.want)
		}
	}
	for _, v := range h.try(t, `{"door":"{lasting-door}","factors":["code"]}`).Visits {
		for _, c := range v.Conditions {
			if c.Code == policy.Factors && v.Visit == h.night && !strings.Contains(c.Says, "No rule for Edda Marl holds") {
				t.Errorf("at night: %s", c.Says)
			}
		}
	}
	if _, err := h.archive.Advice(t.Context(), "none"); err == nil {
		t.Error("there is advice")
	}
	if kept, err := h.archive.AdviceOn(t.Context(), h.long, h.evening, h.stranger, h.night); err != nil || len(kept) > 0 {
		t.Errorf("a trial kept %+v, %v", kept, err)
	}
}

func TestDryRunOnPage(t *testing.T) {
	empty := newHouse(t)
	empty.get("/rules/advice/dry-run", empty.session(empty.resident("Odile"))).is(200).says("There is no door yet.")
	h := newTriedHouse(t)
	h.get("/rules/advice/dry-run", h.in).is(200).says(`value="code" checked`).says(`value="arrival" checked`).
		saysNot(`value="token" checked`).saysNot("What would have been").says("What is taken for granted")
	h.get("/rules/advice/dry-run?door="+h.ruled.door+"&factor=code", h.in).is(200).
		says("Of 3 visits at the oak door since Monday 5 May: 1 suggested, 2 withheld.").
		says("Suggested for Edda Marl").says("Withheld: Edda Marl rang").says("It is Wednesday 4 June").
		says("nobody was away").says("Nothing of this was kept or sent.").
		says(`href="/visits/` + h.evening + `"`)
	h.get("/rules/advice/dry-run?door=NOSUCHDOOR&factor=code", h.in).is(422).
		says("Choose the door to try the rules of.")
	shown := h.fill("/rules/advice/rules/"+h.rule.ID, h.typedAs(typedRule, "kind=never", "day=3"), h.in).
		is(200).shownRule()
	h.post("/rules/advice/dry-run", url.Values{"rule": {shown}, "chosen": {"true"}, "factor": {"code"}}, h.in).is(200).
		says("With this rule, which is not saved").
		says("Edda Marl is never suggested at the oak door on Wednesday").says("0 suggested, 3 withheld").
		says(`action="/rules/advice/rules/` + h.rule.ID + `"`)
	if got := h.doorRules(); len(got) != 1 || !got[0].Allowed {
		t.Errorf("a trial kept %+v", got)
	}
	h.post("/rules/advice/dry-run", url.Values{"rule": {"{}x"}}, h.in).isProblem(400, "bad-form")
}

// TestDryRunIsBounded tries no more than the newest 200 visits.
func TestDryRunIsBounded(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	r := h.ruledFor()
	var last string
	for i := range triedVisits + 1 {
		h.clock.advance(time.Second)
		last = h.rung(fmt.Sprint(i), 0, still(t, 1)).Visit
	}
	var a trialJSON
	h.ask("POST", "/api/v1/advice/dry-run", strings.NewReader(`{"door":"`+r.door+`","factors":["code"]}`), in).
		is(200).into(&a)
	if len(a.Visits) != triedVisits || !a.More || a.Suggested != 0 || a.Visits[0].Visit != last {
		t.Errorf("%d visits, more %t, %d suggested", len(a.Visits), a.More, a.Suggested)
	}
	h.get("/rules/advice/dry-run?door="+r.door, in).is(200).says("Earlier visits were left out. At most 200 are tried.")
}

// BenchmarkDryRun tries a rule on 200 visits of two stills, for the page.
func BenchmarkDryRun(b *testing.B) {
	h := newHouse(b)
	in := h.session(h.resident("Odile"))
	r := h.ruledFor()
	for i := range triedVisits {
		h.clock.advance(time.Second)
		h.wellSeen(fmt.Sprint(i), r.person)
	}
	for b.Loop() {
		h.get("/rules/advice/dry-run?door="+r.door+"&factor=code", in).is(200)
	}
}
