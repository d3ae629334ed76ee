package store

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
)

// withDisplay is an archive whose gate has a display, and a visit that rang there.
func withDisplay(t *testing.T) (a *Archive, c *clock, visit string) {
	t.Helper()
	a, c = newArchive(t)
	must(t, a.SetDisplay(t.Context(), "gate", house.UsualDisplay))
	return a, c, keep(t, a, stillOf("r1", 0))
}

// says sends a text to the gate for a minute.
func says(t *testing.T, a *Archive, m house.Message) (id string) {
	t.Helper()
	m.Bell, m.Until = "gate", a.now().Add(time.Minute)
	id, err := a.AddMessage(house.By(t.Context(), "resident R"), m)
	must(t, err)
	return id
}

// current is the text on the gate's display, "" for none.
func current(t *testing.T, a *Archive) string {
	t.Helper()
	m, _, err := a.CurrentMessage(t.Context(), "gate")
	must(t, err)
	return m.Text
}

func TestDisplays(t *testing.T) {
	a, _ := newArchive(t)
	ctx := t.Context()
	if _, known, err := a.Display(ctx, "gate"); known || err != nil {
		t.Errorf("a display that nobody told of: %t, %v", known, err)
	}
	for _, bad := range []house.Display{{}, {Columns: 7, Rows: 4, ROM: house.ROMA00},
		{Columns: 41, Rows: 4, ROM: house.ROMA00}, {Columns: 20, Rows: 0, ROM: house.ROMA00},
		{Columns: 20, Rows: 5, ROM: house.ROMA00}, {Columns: 20, Rows: 4, ROM: "B"}} {
		wantError(t, a.SetDisplay(ctx, "gate", bad), house.ErrBadDisplay)
	}
	small := house.Display{Columns: 16, Rows: 2, ROM: house.ROMA02}
	must(t, a.SetDisplay(ctx, "gate", small))
	if d, known, err := a.Display(ctx, "gate"); d != small || !known || err != nil {
		t.Errorf("%+v, %t, %v", d, known, err)
	}
	wantError(t, a.SetDisplay(ctx, "shed", small), house.ErrNotFound)
	wantError(t, a.ClearDisplay(ctx, "shed"), house.ErrNotFound)
	says(t, a, house.Message{Text: "Coming"})
	must(t, a.ClearDisplay(ctx, "gate"))
	must(t, a.ClearDisplay(ctx, "gate"))
	if got := current(t, a); got != "" {
		t.Errorf("without a display it shows %q", got)
	}
	_, err := a.AddMessage(ctx, house.Message{Bell: "gate", Text: "Coming", Until: a.now().Add(time.Minute)})
	wantError(t, err, house.ErrNoDisplay)
}

// TestMessages follows messages from being sent to their end.
func TestMessages(t *testing.T) {
	a, c, visit := withDisplay(t)
	ctx := t.Context()
	first := says(t, a, house.Message{Visit: visit, Text: "Coming"})
	c.Advance(2 * time.Second)
	must(t, a.ShowedMessage(ctx, "gate", first))
	shown := c.Now()
	c.Advance(time.Second)
	must(t, a.ShowedMessage(ctx, "gate", first)) // the first word counts
	wantError(t, a.ShowedMessage(ctx, "gate", "NOSUCH"), house.ErrNotFound)
	wantError(t, a.ShowedMessage(ctx, "shed", first), house.ErrNotFound)
	second := says(t, a, house.Message{Visit: visit, Text: "Go round the house"})
	if got := current(t, a); got != "Go round the house" {
		t.Errorf("the display shows %q", got)
	}
	c.Advance(house.NotReceivedAfter)
	next, err := a.MissMessages(ctx)
	must(t, err)
	if !next.IsZero() {
		t.Errorf("nothing waits, and yet until %v", next)
	}
	before, err := a.Revision(ctx)
	must(t, err)
	must(t, a.ShowedMessage(ctx, "gate", second)) // late
	if after, err := a.Revision(ctx); err != nil || after <= before {
		t.Errorf("revision %d after %d, %v: screens are not told", after, before, err)
	}
	c.Advance(time.Minute)
	if got := current(t, a); got != "" {
		t.Errorf("after its time the display shows %q", got)
	}
	v, err := a.Visit(ctx, visit)
	must(t, err)
	if len(v.Messages) != 2 {
		t.Fatalf("%d messages", len(v.Messages))
	}
	one, two := v.Messages[0], v.Messages[1]
	if one.Text != "Coming" || one.By != "resident R" || !one.ShownAt.Equal(shown) || !one.MissedAt.IsZero() ||
		!one.EndedAt.Equal(two.SentAt) {
		t.Errorf("the first: %+v", one)
	}
	if two.ID != second || two.MissedAt.IsZero() || two.ShownAt.IsZero() || !two.EndedAt.IsZero() {
		t.Errorf("the second: %+v", two)
	}
}

// TestMessagesByRule answers a ring once by the rules, and never over somebody's word.
func TestMessagesByRule(t *testing.T) {
	a, c, visit := withDisplay(t)
	ctx := t.Context()
	rule := house.Message{Bell: "gate", Visit: visit, Rule: house.MessageAway, Text: "Later",
		Until: c.Now().Add(time.Hour)}
	other := keep(t, a, stillOf("r2", 0))
	says(t, a, house.Message{Visit: other, Text: "Coming"})
	_, err := a.AddMessage(ctx, rule)
	wantError(t, err, house.ErrTaken)
	must(t, a.ClearMessage(ctx, "gate"))
	_, err = a.AddMessage(ctx, rule)
	must(t, err)
	must(t, a.ClearMessage(ctx, "gate"))
	_, err = a.AddMessage(ctx, rule)
	wantError(t, err, house.ErrTaken)
	if got := current(t, a); got != "" {
		t.Errorf("what was cleared shows %q again", got)
	}
	rule.Visit = "NOSUCH"
	_, err = a.AddMessage(ctx, rule)
	wantError(t, err, house.ErrNotFound)
	rule.Bell = "shed"
	_, err = a.AddMessage(ctx, rule)
	wantError(t, err, house.ErrNotFound)
}

func TestMessagesAreBounded(t *testing.T) {
	a, _, visit := withDisplay(t)
	for n := range house.MostMessages {
		says(t, a, house.Message{Visit: visit, Text: fmt.Sprint("No. ", n)})
	}
	_, err := a.AddMessage(t.Context(), house.Message{Bell: "gate", Visit: visit, Text: "More",
		Until: a.now().Add(time.Hour)})
	wantError(t, err, house.ErrManyMessages)
}

// TestMessagesGo goes with the visit by rule and by will, with the person that is
// named, and a day after the end where there is no visit.
func TestMessagesGo(t *testing.T) {
	a, c, erased := withDisplay(t)
	ctx := t.Context()
	ada, err := a.AddPerson(ctx, "Ada Quill")
	must(t, err)
	kept, swept := keep(t, a, stillOf("r2", 0)), keep(t, a, stillOf("r3", 0))
	for _, visit := range []string{erased, kept, swept} {
		says(t, a, house.Message{Visit: visit, Text: "Coming"})
	}
	says(t, a, house.Message{Visit: kept, Text: "Hello Ada", Person: ada.ID})
	says(t, a, house.Message{Text: "Hush"})
	left := func(want int) {
		t.Helper()
		var n int
		if err := a.read.QueryRowContext(ctx, `SELECT count(*) FROM messages`).Scan(&n); err != nil || n != want {
			t.Errorf("%d messages, want %d, %v", n, want, err)
		}
	}
	left(5)
	must(t, a.EraseVisit(ctx, erased))
	left(4)
	_, err = a.ErasePerson(ctx, ada.ID, false)
	must(t, err)
	left(3)
	must(t, a.PlaceHold(ctx, kept, "a claim", c.Now().Add(300*24*time.Hour)))
	c.Advance(24*time.Hour + 2*time.Minute)
	_, err = a.Sweep(ctx, nil)
	must(t, err)
	left(2)
	c.Advance(80 * time.Hour)
	_, err = a.Sweep(ctx, nil)
	must(t, err)
	left(1)
	v, err := a.Visit(ctx, kept)
	if err != nil || len(v.Messages) != 1 {
		t.Errorf("the held visit: %+v, %v", v.Messages, err)
	}
}

// ofMessages are changes that the audit trail tells of.
func (n *noter) ofMessages() []change {
	a, ctx, bell := n.a, n.ctx, n.a.bellID("gate")
	return []change{
		{"display", func() error { return a.SetDisplay(ctx, "gate", house.UsualDisplay) },
			[]string{"changed display " + bell}},
		{"rules of messages that can't be followed", func() error {
			return only(a.SetMessageRules(ctx, house.MessageRules{}), house.ErrBadMessage)
		}, nil},
		{"message", func() (err error) {
			_, err = a.AddMessage(ctx, house.Message{Bell: "gate", Text: "Coming", Until: n.c.Now().Add(time.Minute)})
			return err
		}, []string{"sent message *"}},
		{"display cleared", func() error { return a.ClearMessage(ctx, "gate") }, []string{"cleared display " + bell}},
		{"no display", func() error { return a.ClearDisplay(ctx, "gate") }, []string{"removed display " + bell}},
		{"no display again", func() error { return a.ClearDisplay(ctx, "gate") }, nil},
	}
}

// What a display shows now is found by its end, however much it showed before:
// SQLite's own EXPLAIN QUERY PLAN (sqlite.org/eqp.html) names the index.
func TestCurrentMessageUsesIndex(t *testing.T) {
	a, _, _ := withDisplay(t)
	spy := &spyQuerier{querier: a.read}
	if _, err := a.currentIn(t.Context(), spy, "gate"); err != nil {
		t.Fatal(err)
	}
	if plan := strings.Join(spy.plan(t), "\n"); !strings.Contains(plan, "messages_by_bell (bell=? AND until>?)") {
		t.Error(plan)
	}
}
