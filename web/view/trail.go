package view

import (
	"strconv"
	"time"

	"lintel/internal/house"
)

// A TrailLine is an entry of the audit trail as a page shows it: the message
// Key, told Who did it and What it is about.
type TrailLine struct {
	Key       string
	Who, What string
	Visit     string // id of the visit it is about, if that may still be there
	When      string
	DateTime  string // for machines
}

// TrailLine says an entry, with names in the place of ids where there still are
// some. What a later version wrote stays as the trail has it.
func (t Presenter) TrailLine(e house.Entry) TrailLine {
	about := e.About()
	first := about[0]
	line := TrailLine{Who: t.Actor(e.Actor), What: t.part(first), When: t.Moment(e.At),
		DateTime: e.At.In(t.Zone).Format(time.RFC3339)}
	if visit := e.Of("visit"); visit != "" && e.Action != "erased" {
		line.Visit = visit
	}
	switch first.What {
	case "visits":
		line.What = t.SweptWords(sweptIn(e))
	case "from":
		line.What = t.Words.Text("entry-period", "From", first.Value, "Until", e.Of("until"))
	case "session":
		if of := e.Of("resident"); of != "" {
			line.What = t.Words.Text("entry-session-of", "Of", t.part(house.Part{What: "resident", Value: of}))
		}
	case "sign-in", "pairing", "link":
		line.What = t.failed(e)
	case "advice", "still", "message":
		if visit := e.Of("visit"); visit != "" {
			line.What = t.Words.Text("entry-on-visit", "What", line.What,
				"Visit", t.part(house.Part{What: "visit", Value: visit}))
		}
	}
	told := []any{"Who", line.Who, "What", line.What}
	line.Key = "did-" + e.Action + "-" + first.What
	if _, err := t.Words.Lookup(line.Key, told...); err == nil {
		return line
	}
	line.Key = "did-" + e.Action
	if _, err := t.Words.Lookup("did-"+e.Action, told...); err == nil {
		return line
	}
	line.Key, line.What = "did", e.Action+" "+e.Subject
	return line
}

func sweptIn(e house.Entry) (s house.Swept) {
	for what, n := range map[string]*int{"visits": &s.Visits, "stills": &s.Findings, "smaller": &s.Smaller} {
		*n, _ = strconv.Atoi(e.Of(what)) // what is no number counts nothing
	}
	return s
}

// Actor says who did something: by name, which stays as it is written, if there
// is one.
func (t Presenter) Actor(actor string) string {
	who := house.Entry{Subject: actor}.About()[0]
	if name := t.Names[who.What+" "+who.Value]; name != "" {
		return t.Words.Text("actor-named-"+who.What, "Name", name)
	}
	return t.Words.Text("actor-"+who.What, "ID", who.Value)
}

// part says one of the things that an entry is about.
func (t Presenter) part(p house.Part) string {
	of := map[string]string{"masks": "bell", "lens": "bell", "display": "bell", "stills": "bell", "heartbeat": "bell",
		"view": "bell", "secrets": "bell", "bell-secret": "bell", "codes": "person", "pin": "resident", "language": "resident",
		"password": "resident",
		"reset":    "resident"}[p.What]
	if of != "" {
		return t.Words.Text("entry-"+p.What, "Of", t.part(house.Part{What: of, Value: p.Value}))
	}
	if name := t.Names[p.What+" "+p.Value]; name != "" {
		return t.Words.Text("entry-named-"+p.What, "Name", name)
	}
	if says, err := t.Words.Lookup("entry-"+p.What, "ID", p.Value); err == nil {
		return says
	}
	return p.What + " " + p.Value
}

// failed says what could not come in, and how often within an hour until then.
func (t Presenter) failed(e house.Entry) string {
	first := e.About()[0]
	n, _ := strconv.Atoi(e.Of("count")) // what is no number counts nothing
	if first.What == "sign-in" && first.Value != "unknown" {
		return t.Words.Text("entry-failed-sign-ins", "Count", n,
			"As", t.part(house.Part{What: "resident", Value: first.Value}))
	}
	return t.Words.Text("entry-failed-"+first.What, "Count", n)
}

// SweptWords say what a sweep did.
func (t Presenter) SweptWords(s house.Swept) string {
	var parts []string
	for i, n := range []int{s.Visits, s.Findings, s.Smaller} {
		if n > 0 {
			parts = append(parts, t.Words.Text("swept-"+[]string{"visits", "stills", "smaller"}[i], "Count", n))
		}
	}
	if len(parts) == 0 {
		return t.Words.Text("swept-nothing")
	}
	return t.Words.List(parts)
}
