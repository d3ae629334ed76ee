package bell

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"image"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"lintel/internal/house"
	"lintel/store"
	"lintel/store/seal"
)

// Every test of a porter runs in a bubble of package synctest, where time stands
// still while the porter has something to do.

// A doorstep is a porter at a real archive, whose bell gate has a display.
type doorstep struct {
	t       *testing.T
	dir     string
	archive *store.Archive
	porter  *Porter
	log     bytes.Buffer
	pages   pages
	rules   house.MessageRules
	rings   int
	stop    func()
}

// pages are what is published, by bell.
type pages struct {
	mu  sync.Mutex
	all []string // bell and lines
}

func (p *pages) PublishPage(_ context.Context, bell string, text []byte) error {
	var page Page
	if err := json.Unmarshal(text, &page); err != nil {
		return err
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.all = append(p.all, bell+": "+strings.Join(strings.Fields(strings.Join(page.Lines, " ")), " "))
	return nil
}

func (p *pages) take() []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	all := p.all
	p.all = nil
	return all
}

func newDoorstep(t *testing.T) *doorstep {
	d := &doorstep{t: t, dir: t.TempDir(), rules: house.MessageRules{Texts: []house.MessageText{}, Quiet: []house.Quiet{},
		Rules: make(map[house.MessageRuleName]house.MessageRule)}}
	for _, name := range house.MessageRuleNames {
		d.rules.Rules[name] = house.MessageRule{MessageText: house.MessageText{Text: string(name), Seconds: 60}}
	}
	d.open()
	_, err := d.archive.AddBell(t.Context(), "gate")
	d.must(err)
	d.must(d.archive.SetDisplay(t.Context(), "gate", house.UsualDisplay))
	return d
}

// open opens the archive and has a porter run; shut ends both.
func (d *doorstep) open() {
	d.t.Helper()
	var err error
	d.archive, err = store.Open(d.t.Context(), d.dir, seal.Key{1}, time.Now)
	d.must(err)
	d.porter = NewPorter(d.archive, &d.pages, slog.New(slog.NewTextHandler(&d.log, nil)), time.Now, time.UTC)
	ctx, stop := context.WithCancel(d.t.Context())
	var running sync.WaitGroup
	running.Go(func() { d.porter.Run(ctx) })
	d.stop = func() { stop(); running.Wait() }
}

func (d *doorstep) shut() {
	d.t.Helper()
	synctest.Wait()
	d.stop()
	d.must(d.archive.Close())
	if strings.Contains(d.log.String(), "level=ERROR") {
		d.t.Errorf("the log:\n%s", d.log.String())
	}
}

func (d *doorstep) must(err error) {
	d.t.Helper()
	if err != nil {
		d.t.Fatal(err)
	}
}

// on turns a rule on, with a text; "" for off.
func (d *doorstep) on(name house.MessageRuleName, text string) {
	d.t.Helper()
	r := d.rules.Rules[name]
	if r.On = text != ""; r.On {
		r.Text = text
	}
	d.rules.Rules[name] = r
	d.must(d.archive.SetMessageRules(d.t.Context(), d.rules))
}

// ring rings at the gate, and has the still examined if faces says of whom.
func (d *doorstep) ring(faces ...house.Face) (visit string) {
	d.t.Helper()
	visit = d.unexamined()
	v, err := d.archive.Visit(d.t.Context(), visit)
	d.must(err)
	d.must(d.archive.Record(d.t.Context(), v.Stills[0].ID, house.Done, faces))
	return visit
}

func (d *doorstep) unexamined() (visit string) {
	d.t.Helper()
	d.rings++
	jpeg := []byte(fmt.Sprint("still ", d.rings))
	visit, _, err := d.archive.Keep(d.t.Context(), house.NewStill{Bell: "gate", Ring: fmt.Sprint("r", d.rings), JPEG: jpeg,
		SentSHA256: sha256.Sum256(jpeg), Width: 320, Height: 240, ReceivedAt: time.Now()})
	d.must(err)
	return visit
}

// person adds somebody who may be recognised, and returns a face of theirs.
func (d *doorstep) person(name string) house.Face {
	d.t.Helper()
	p, err := d.archive.AddPerson(d.t.Context(), name)
	d.must(err)
	return house.Face{Box: image.Rect(10, 10, 90, 90), Match: &house.Match{Person: p.ID, Name: name, Distance: 0.3,
		FPIR: 1e-5, Band: "strong"}}
}

// shows checks what the gate's display has to show, once the porter has done all.
func (d *doorstep) shows(want string) {
	d.t.Helper()
	synctest.Wait()
	m, _, err := d.archive.CurrentMessage(d.t.Context(), "gate")
	d.must(err)
	if m.Text != want {
		d.t.Errorf("the display shows %q, want %q", m.Text, want)
	}
}

func inBubble(t *testing.T, test func(*testing.T, *doorstep)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		d := newDoorstep(t)
		synctest.Wait() // the porter has looked once
		test(t, d)
		d.shut()
	})
}

// TestNothingByItself sends nothing that the household did not turn on.
func TestNothingByItself(t *testing.T) {
	inBubble(t, func(t *testing.T, d *doorstep) {
		d.ring(d.person("Ada Quill"))
		d.ring()
		d.porter.Unkept("gate")
		d.shows("")
		d.must(d.archive.SetMessageRules(t.Context(), d.rules)) // all off
		d.ring()
		d.shows("")
	})
}

// TestRulesInTurn has the first rule that is on and fits answer, once a ring, and
// clears the display after its time.
func TestRulesInTurn(t *testing.T) {
	inBubble(t, func(t *testing.T, d *doorstep) {
		d.on(house.MessageGreeting, "Hello! {time}, {temperature} °C")
		d.must(d.archive.TellOutside(t.Context(), -3.6))
		visit := d.ring()
		d.shows("Hello! 00:00, -4 °C") // synctest begins at midnight, UTC
		v, err := d.archive.Visit(t.Context(), visit)
		d.must(err)
		if len(v.Messages) != 1 || v.Messages[0].Rule != house.MessageGreeting || v.Messages[0].By != house.ByItself {
			t.Errorf("the visit has %+v", v.Messages)
		}
		time.Sleep(61 * time.Second)
		d.shows("")
		if got := d.pages.take(); len(got) != 3 || got[0] != "gate: " || got[1] != "gate: Hello! 00:00, -4 °C" ||
			got[2] != "gate: " {
			t.Errorf("published %q", got)
		}
		time.Sleep(time.Hour)
		d.ring()
		d.shows("Hello! 01:01, -- °C") // nobody told how warm it is for an hour
		d.must(d.archive.ClearMessage(t.Context(), "gate"))
		d.shows("")

		d.on(house.MessageAway, "Not now, please")
		d.ring()
		d.shows("Not now, please")
		d.on(house.MessageAway, "")
		d.rules.Quiet = []house.Quiet{{Days: []time.Weekday{time.Saturday}, From: 0, Until: 120}} // 2000-01-01 was one
		d.on(house.MessageQuiet, "Hush")
		d.ring()
		d.shows("Hush")
		time.Sleep(time.Hour)
		d.ring()
		d.shows("Hello! 02:01, -- °C")
	})
}

// TestParcelExpected is said while a parcel is expected at a door of that bell.
func TestParcelExpected(t *testing.T) {
	inBubble(t, func(t *testing.T, d *doorstep) {
		ctx := t.Context()
		_, err := d.archive.AddBell(ctx, "yard")
		d.must(err)
		door, err := d.archive.SetDoor(ctx, house.Door{Name: "the box", Bell: "gate", Parcel: true})
		d.must(err)
		other, err := d.archive.SetDoor(ctx, house.Door{Name: "the shed", Bell: "yard", Parcel: true})
		d.must(err)
		d.on(house.MessageParcel, "Into the box, please")
		expect := func(door string) {
			_, err := d.archive.AddParcelRule(ctx, house.ParcelRule{Door: door, Note: "a lamp", From: time.Now().Add(time.Hour),
				To: time.Now().Add(2 * time.Hour), Window: time.Minute})
			d.must(err)
		}
		expect(other)
		time.Sleep(time.Hour)
		d.ring()
		d.shows("")
		expect(door)
		d.ring()
		d.shows("") // its time is to come
		time.Sleep(time.Hour)
		d.ring()
		d.shows("Into the box, please")
	})
}

// TestNames fills a name in for one person who was surely recognised, and for nobody
// else, and forgets it with the person.
func TestNames(t *testing.T) {
	inBubble(t, func(t *testing.T, d *doorstep) {
		ada, ben := d.person("Ada Quill"), d.person("Ben Orrin")
		d.on(house.MessageKnown, "Hello {name}")
		d.on(house.MessageGreeting, "Hello")
		weak, picture, doubtful := d.person("Cleo Tarn"), ada, ada
		weak.Match.Band = "fair"
		picture.Liveness = &house.Liveness{Level: house.Picture}
		doubtful.Liveness = &house.Liveness{Level: house.Doubtful}
		for _, test := range []struct {
			faces []house.Face
			want  string
		}{
			{[]house.Face{ada}, "Hello Ada Quill"},
			{[]house.Face{ada, ben}, "Hello"},
			{[]house.Face{weak}, "Hello"},
			{[]house.Face{picture}, "Hello"},
			{[]house.Face{doubtful}, "Hello"},
			{[]house.Face{ada, weak}, "Hello Ada Quill"},
			{nil, "Hello"},
		} {
			d.ring(test.faces...)
			d.shows(test.want)
			time.Sleep(2 * time.Minute)
		}
		visit := d.ring(ben)
		d.shows("Hello Ben Orrin")
		_, err := d.archive.ErasePerson(t.Context(), ben.Match.Person, false)
		d.must(err)
		d.shows("Hello") // the ring is fresh still, and answered anew
		v, err := d.archive.Visit(t.Context(), visit)
		d.must(err)
		if len(v.Messages) != 1 || v.Messages[0].Text != "Hello" {
			t.Errorf("after the erasure: %+v", v.Messages)
		}
	})
}

// TestUnexamined waits five seconds to know who it is, where that makes a difference.
func TestUnexamined(t *testing.T) {
	inBubble(t, func(t *testing.T, d *doorstep) {
		d.on(house.MessageGreeting, "Hello")
		d.unexamined()
		d.shows("Hello")
		time.Sleep(2 * time.Minute)
		d.on(house.MessageKnown, "Welcome")
		d.unexamined()
		time.Sleep(5*time.Second - 1)
		d.shows("")
		time.Sleep(time.Nanosecond)
		d.shows("Hello")
	})
}

// TestLateAnswer has a porter that comes back answer a ring of the last 30 seconds.
func TestLateAnswer(t *testing.T) {
	for late, want := range map[time.Duration]string{30*time.Second - time.Microsecond: "Hello",
		30*time.Second + time.Microsecond: ""} {
		inBubble(t, func(t *testing.T, d *doorstep) {
			d.on(house.MessageGreeting, "Hello")
			synctest.Wait()
			d.stop()
			d.ring()
			d.must(d.archive.Close())
			time.Sleep(late)
			d.open()
			d.shows(want)
		})
	}
}

// TestSomebodysWordStays is not written over by a rule.
func TestSomebodysWordStays(t *testing.T) {
	inBubble(t, func(t *testing.T, d *doorstep) {
		d.on(house.MessageAway, "Not now, please")
		d.must(d.archive.ClearDisplay(t.Context(), "gate"))
		d.ring()
		d.shows("") // without a display
		d.must(d.archive.SetDisplay(t.Context(), "gate", house.UsualDisplay))
		time.Sleep(time.Minute)
		_, err := d.archive.AddMessage(t.Context(), house.Message{Bell: "gate", Text: "Coming",
			Until: time.Now().Add(time.Hour)})
		d.must(err)
		d.ring()
		d.shows("Coming")
	})
}

// TestUnkept answers a ring of which nothing is kept.
func TestUnkept(t *testing.T) {
	inBubble(t, func(t *testing.T, d *doorstep) {
		d.on(house.MessageAway, "Not now, please")
		d.porter.Unkept("gate")
		d.shows("Not now, please")
	})
}

// TestRestart has the server stop while a message is shown: it is there until its
// end, the ring is not answered again, and that no bell took it is found out.
func TestRestart(t *testing.T) {
	inBubble(t, func(t *testing.T, d *doorstep) {
		d.on(house.MessageAway, "Not now, please")
		visit := d.ring()
		d.shows("Not now, please")
		d.shut()
		time.Sleep(5 * time.Second)
		d.open()
		d.shows("Not now, please")
		missed := func() time.Time {
			synctest.Wait()
			v, err := d.archive.Visit(t.Context(), visit)
			d.must(err)
			if len(v.Messages) != 1 {
				t.Fatalf("%d messages", len(v.Messages))
			}
			return v.Messages[0].MissedAt
		}
		if at := missed(); !at.IsZero() {
			t.Errorf("missed at %v already", at)
		}
		time.Sleep(house.NotReceivedAfter - 5*time.Second)
		if missed().IsZero() {
			t.Error("nobody noticed that no bell took it")
		}
		time.Sleep(time.Minute)
		d.shows("")
	})
}

// TestListening tells a bell that comes back what it has to show.
func TestListening(t *testing.T) {
	inBubble(t, func(t *testing.T, d *doorstep) {
		synctest.Wait()
		d.pages.take()
		d.porter.Listening("gate")
		synctest.Wait()
		if got := d.pages.take(); len(got) != 1 || got[0] != "gate: " {
			t.Errorf("published %q", got)
		}
	})
}
