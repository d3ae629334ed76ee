package web

import (
	"context"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
)

const (
	sentMessages = `{"texts":[{"text":"No, thank you.","seconds":30}],"quiet":[],"rules":{` +
		`"known":{"on":false,"text":"Hello {name}","seconds":60},"away":{"on":false,"text":"Later, please","seconds":60},` +
		`"quiet":{"on":false,"text":"Hush","seconds":60},"parcel":{"on":false,"text":"Put it down","seconds":60},` +
		`"greeting":{"on":false,"text":"Hello","seconds":60}}}`
	typedMessages = "text.0=No%2C+thank+you.&text.0.seconds=30&rule.known=Hello+{name}&rule.known.seconds=60" +
		"&rule.away=Later&rule.away.seconds=60&rule.quiet=Hush&rule.quiet.seconds=60" +
		"&rule.parcel=Put+it+down&rule.parcel.seconds=60&rule.greeting=Hello&rule.greeting.seconds=60"
)

// shows gives the gate the usual display, which shows a text for a minute, and
// returns the message's id.
func (h *household) shows(text string) (id string) {
	h.t.Helper()
	err := h.archive.SetDisplay(context.Background(), "gate", house.UsualDisplay)
	if err == nil {
		id, err = h.archive.AddMessage(context.Background(), house.Message{Bell: "gate", Text: text,
			Until: h.clock.now().Add(time.Minute)})
	}
	if err != nil {
		h.t.Fatal(err)
	}
	return id
}

// TestMessageRefused says what can't be sent, and why; each answer is as the
// document has it.
func TestMessageRefused(t *testing.T) {
	c, now := fixed()
	h, in := withDisplay(t, now, c)
	d := readDocument(t)
	small := house.Display{Columns: 16, Rows: 2, ROM: house.ROMA00}
	if err := h.archive.SetDisplay(t.Context(), "gate", small); err != nil {
		t.Fatal(err)
	}
	if _, err := h.archive.AddBell(t.Context(), "yard"); err != nil {
		t.Fatal(err)
	}
	old := h.rung("R1", 0, still(t, 1)).Visit
	c.advance(answerWithin)
	for name, test := range map[string]struct {
		bell, body string
		status     int
		kind       string
	}{
		"no text":                {"gate", `{}`, 422, "bad-text"},
		"spaces":                 {"gate", `{"text":"  \n "}`, 422, "bad-text"},
		"a place that is none":   {"gate", `{"text":"{mood}"}`, 422, "bad-text"},
		"a name":                 {"gate", `{"text":"Hello {name}"}`, 422, "bad-text"},
		"a brace alone":          {"gate", `{"text":"Hello {time"}`, 422, "bad-text"},
		"too short a time":       {"gate", `{"text":"Coming","seconds":4}`, 422, "bad-text"},
		"too long a time":        {"gate", `{"text":"Coming","seconds":601}`, 422, "bad-text"},
		"too long":               {"gate", `{"text":"` + strings.Repeat("a", 201) + `"}`, 422, "bad-text"},
		"too long for this one":  {"gate", `{"text":"Please leave it at the door. Thank you."}`, 422, "bad-text"},
		"minutes below 1":        {"gate", `{"text":"In {minutes}","minutes":-1}`, 422, "bad-text"},
		"minutes over 999":       {"gate", `{"text":"In {minutes}","minutes":1000}`, 422, "bad-text"},
		"a member that is none":  {"gate", `{"text":"Coming","colour":"red"}`, 400, "bad-body"},
		"a ring of long ago":     {"gate", `{"text":"Coming","visit":"` + old + `"}`, 409, "too-late"},
		"a visit that never was": {"gate", `{"text":"Coming","visit":"NOSUCH"}`, 409, "too-late"},
		"no display":             {"yard", `{"text":"Coming"}`, 409, "no-display"},
		"no such bell":           {"attic", `{"text":"Coming"}`, 404, "unknown-bell"},
	} {
		t.Run(name, func(t *testing.T) {
			h.within(t)
			a := h.ask("POST", "/api/v1/bells/"+test.bell+"/message", strings.NewReader(test.body), in)
			a.isProblem(test.status, test.kind)
			d.checkAnswer(t, "POST", "/api/v1/bells/{bell}/message", a)
		})
	}
	if _, found, err := h.archive.CurrentMessage(t.Context(), "gate"); found || err != nil {
		t.Errorf("something is shown: %v", err)
	}
}

// TestMessageToWhoRangBefore has somebody else ring before an answer comes: it is not
// shown to them.
func TestMessageToWhoRangBefore(t *testing.T) {
	c, now := fixed()
	h, in := withDisplay(t, now, c)
	before := h.rung("R1", 0, still(t, 1)).Visit
	c.advance(time.Second)
	since := h.rung("R2", 0, still(t, 2)).Visit
	a := h.ask("POST", "/api/v1/bells/gate/message", strings.NewReader(`{"text":"Coming","visit":"`+before+`"}`), in)
	a.isProblem(409, "rang-since")
	readDocument(t).checkAnswer(t, "POST", "/api/v1/bells/{bell}/message", a)
	h.post("/visits/"+before+"/message", url.Values{"text": {"Coming"}}, in, browser).is(409).says("Somebody rang since then")
	if _, found, err := h.archive.CurrentMessage(t.Context(), "gate"); found || err != nil {
		t.Errorf("something is shown: %v", err)
	}
	h.post("/visits/"+since+"/message", url.Values{"text": {"Coming"}}, in).is(303)
}

// TestMessageScreen shows exactly what the display will, before it is sent and when
// it was.
func TestMessageScreen(t *testing.T) {
	c, now := fixed()
	h, in := withDisplay(t, now, c)
	visit := h.rung("R1", 0, still(t, 1)).Visit
	body := `{"text":"Café {time}\nin {minutes} min","minutes":3,"seconds":30}`
	var preview, sent struct {
		ID, Visit, Text string
		Lines           []string
		Changes         []changeJSON
	}
	h.ask("POST", "/api/v1/bells/gate/message/preview", strings.NewReader(body), in).is(200).into(&preview)
	if _, found, _ := h.archive.CurrentMessage(t.Context(), "gate"); found {
		t.Error("a preview was sent")
	}
	h.ask("POST", "/api/v1/bells/gate/message", strings.NewReader(body), in).is(201).into(&sent)
	page, _ := h.poll("", "")
	want := []string{strings.Repeat(" ", 20), "     Cafe 18:30     ", "      in 3 min      ", strings.Repeat(" ", 20)}
	for what, lines := range map[string][]string{"preview": preview.Lines, "sent": sent.Lines, "shown": page.Lines} {
		if !slices.Equal(lines, want) {
			t.Errorf("%s: %q, want %q", what, lines, want)
		}
	}
	if len(preview.Changes) != 1 || preview.Changes[0] != (changeJSON{"é", "e"}) || sent.Visit != visit ||
		sent.Text != "Café 18:30\nin 3 min" {
		t.Errorf("%+v, %+v", preview, sent)
	}

	typed := url.Values{"text": {"Café"}, "typed": {"true"}}
	a := h.post("/visits/"+visit+"/message", typed, in).is(200).says("        Cafe        ").says("é is shown as e")
	checkMarkup(t, string(a.body))
	typed.Set("text", strings.Repeat("Too much of it. ", 8))
	h.post("/visits/"+visit+"/message", typed, in).is(422).says("too long for the display").says("Nothing was sent")
	typed.Set("text", "{mood}")
	h.post("/visits/"+visit+"/message", typed, in).is(422).says("Nothing can be filled in for “mood”")
	if page, _ := h.poll("", ""); page.Message != sent.ID {
		t.Errorf("it shows %+v", page)
	}
}

// TestTabletSays lets a tablet send what is on the list, and no other words.
func TestTabletSays(t *testing.T) {
	c, now := fixed()
	h, _ := withDisplay(t, now, c)
	tablet := h.session(h.tablet("Hall", "Odile"))
	visit := h.rung("R1", 0, still(t, 1)).Visit
	a := h.get("/", tablet).is(200).says("No, thank you.")
	if strings.Contains(string(a.body), "Your own words") {
		t.Error("a tablet is offered to type")
	}
	h.post("/visits/"+visit+"/message", url.Values{"text": {"No, thank you."}}, tablet).is(303)
	const typed = "Wander off"
	h.post("/visits/"+visit+"/message", url.Values{"text": {typed}}, tablet).isProblem(403, "residents-only")
	h.post("/visits/"+visit+"/message", url.Values{"text": {typed}, "typed": {"true"}}, tablet).
		isProblem(403, "residents-only")
	h.ask("POST", "/api/v1/bells/gate/message", strings.NewReader(`{"text":"`+typed+`"}`), tablet).
		isProblem(403, "residents-only")
	_, program := h.token("Porch light", house.SendMessages)
	h.ask("POST", "/api/v1/bells/gate/message", strings.NewReader(`{"text":"`+typed+`"}`), program).is(201)
	tooOften := 0
	for range 60 {
		a := h.ask("POST", "/api/v1/bells/gate/message", strings.NewReader(`{"text":"No, thank you."}`), tablet)
		if a.problem() == "too-often" {
			tooOften++
		}
	}
	if tooOften < 30 {
		t.Errorf("of 60 in a row %d came too often", tooOften)
	}
}

// TestMessageRules keeps what the form and programs say of messages.
func TestMessageRules(t *testing.T) {
	c, now := fixed()
	h, in := withDisplay(t, now, c)
	var rules house.MessageRules
	h.get("/api/v1/messages", in).is(200).into(&rules)
	for name, rule := range rules.Rules {
		if rule.On {
			t.Errorf("%s is on from the start", name)
		}
	}
	if err := rules.Check(); err != nil || len(rules.Texts) != 4 || len(rules.Rules) != len(house.MessageRuleNames) {
		t.Errorf("what is proposed: %+v, %v", rules, err)
	}
	if away := rules.Rules[house.MessageAway].Text; strings.Contains(away, "home") || strings.Contains(away, "away") {
		t.Errorf("while away strangers are told %q", away)
	}
	form, err := url.ParseQuery(typedMessages + "&rule.quiet.on=true&quiet.0.day=1&quiet.0.from=22:00&quiet.0.until=06:00")
	if err != nil {
		t.Fatal(err)
	}
	h.fill("/rules/messages", form, in).is(303)
	h.get("/api/v1/messages", in).is(200).into(&rules)
	quiet := rules.Rules[house.MessageQuiet]
	if len(rules.Texts) != 1 || !quiet.On || quiet.Text != "Hush" || len(rules.Quiet) != 1 {
		t.Errorf("%+v", rules)
	}
	for field, test := range map[string][2]string{
		"rule.away":          {"{name}", "While you are away: {name} can be filled in where somebody known rang"},
		"rule.greeting":      {"{minutes}", "nothing can be filled in for “minutes” here"},
		"text.0.seconds":     {"soon", "Text 1: a message is shown for 5 to 600 seconds"},
		"rule.parcel":        {"", "A parcel is expected: a message has a text"},
		"quiet.0.from":       {"25:00", "is not a time of day"},
		"rule.known.seconds": {"601", "Somebody you know: a message is shown for 5 to 600 seconds"},
		"rule.quiet":         {"{", "a brace stands around something"},
	} {
		bad, _ := url.ParseQuery(form.Encode())
		bad.Set(field, test[0])
		h.fill("/rules/messages", bad, in).is(422).says(test[1])
	}
	form.Set("add", "1")
	h.fill("/rules/messages", form, in).is(200).says("Quiet time 2")
	h.ask("PUT", "/api/v1/messages", strings.NewReader(`{"texts":[],"rules":{},"quiet":[]}`), in).
		isProblem(422, "bad-text")
}

// TestOutside takes how warm it is from a program that may tell it, and fills it in.
func TestOutside(t *testing.T) {
	c, now := fixed()
	h, in := withDisplay(t, now, c)
	_, program := h.token("Thermometer", house.TellTemperature)
	put := func(body string) *answer { return h.ask("PUT", "/api/v1/outside", strings.NewReader(body), program) }
	for _, bad := range []string{`{}`, `{"celsius":91}`, `{"celsius":-90.5}`} {
		put(bad).isProblem(422, "bad-temperature")
	}
	put(`{"celsius":"warm"}`).isProblem(400, "bad-body")
	put(`{"celsius":12.4}`).is(204)
	says := func() string {
		var preview screenJSON
		h.ask("POST", "/api/v1/bells/gate/message/preview", strings.NewReader(`{"text":"{temperature} °C"}`), in).is(200).
			into(&preview)
		return strings.TrimSpace(preview.Lines[1])
	}
	if got := says(); got != "12 °C" {
		t.Errorf("it says %q", got)
	}
	c.advance(time.Hour)
	if got := says(); got != "-- °C" {
		t.Errorf("an hour later it says %q", got)
	}
	h.ask("POST", "/api/v1/bells/gate/message", strings.NewReader(`{"text":"Coming"}`), program).isProblem(403, "scope")
}

// TestQuietRing has a ring of which nothing is kept told once to who answers it.
func TestQuietRing(t *testing.T) {
	var rang []string
	h := newHouse(t, func(c *Config) { c.Unkept = func(bell string) { rang = append(rang, bell) } })
	rules := house.DefaultRules()
	rules.Quiet = []house.Quiet{{Days: []time.Weekday{0, 1, 2, 3, 4, 5, 6}, From: 0, Until: 0}}
	if err := h.archive.SetRules(t.Context(), rules); err != nil {
		t.Fatal(err)
	}
	for frame := range 3 {
		h.ring("R1", frame, still(t, uint8(frame))).is(200)
	}
	h.ring("R2", 0, still(t, 9)).is(200)
	if !slices.Equal(rang, []string{"gate", "gate"}) {
		t.Errorf("told of %q", rang)
	}
}

// TestQuietRingsAtOnce has two bells ring at one moment when nothing is kept, their
// frames in turns: each is one ring.
func TestQuietRingsAtOnce(t *testing.T) {
	at := time.Date(2031, 5, 4, 18, 30, 0, 0, time.UTC)
	var q quiet
	for frame := range 3 {
		for _, bell := range []string{"gate", "yard"} {
			if told := q.rang(bell, "R1", at); told != (frame == 0) {
				t.Errorf("frame %d of %s is a ring: %t", frame, bell, told)
			}
		}
	}
	if _, _, count, _ := q.last(); count != 2 {
		t.Errorf("%d rings", count)
	}
}
