package bell_test

import (
	"context"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"log/slog"
	"slices"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/bell"
	"lintel/store"
	"lintel/store/seal"
)

// A porch is a house with the bell gate, whose time is moved by hand.
type porch struct {
	t       *testing.T
	archive *store.Archive
	watch   *bell.Watch
	now     time.Time     // by the server's clock
	gone    time.Duration // by one that can't be set
	booted  time.Time     // when the bell began
	battery float64
	ahead   time.Duration // of the bell's clock
	rung    int
}

func newPorch(t *testing.T) *porch {
	t.Helper()
	p := &porch{t: t, now: time.Date(2031, 5, 5, 7, 0, 0, 0, time.UTC), battery: 100}
	p.booted = p.now.Add(-time.Hour)
	var err error
	p.archive, err = store.Open(t.Context(), t.TempDir(), seal.Key{1}, func() time.Time { return p.now })
	must(t, err)
	t.Cleanup(func() { must(t, p.archive.Close()) })
	_, err = p.archive.AddBell(t.Context(), "gate")
	must(t, err)
	rules, err := p.archive.Rules(t.Context())
	must(t, err)
	rules.Zone = "UTC"
	must(t, p.archive.SetRules(t.Context(), rules))
	p.starts()
	return p
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// starts begins a server anew.
func (p *porch) starts() {
	p.watch = bell.NewWatch(p.archive, slog.New(slog.DiscardHandler), func() time.Time { return p.now },
		func() time.Duration { return p.gone })
}

// pass lets time go by with a look each minute and, where the bell is on, a
// heartbeat every five.
func (p *porch) pass(d time.Duration, bellIsOn bool) {
	p.t.Helper()
	for range d / time.Minute {
		p.now, p.gone = p.now.Add(time.Minute), p.gone+time.Minute
		if bellIsOn && p.now.Minute()%5 == 0 {
			p.battery -= 0.05
			p.beats()
		}
		must(p.t, p.watch.Look(p.t.Context()))
	}
}

// beats sends a heartbeat.
func (p *porch) beats() {
	p.t.Helper()
	sent := fmt.Sprintf(`{"signal_dbm":%d,"uptime_s":%d,"clock":%q,"battery_percent":%.0f}`, -60-p.now.Hour(),
		max(0, int(p.now.Sub(p.booted).Seconds())), p.now.Add(p.ahead).Format(time.RFC3339), max(0, p.battery))
	answer, err := p.watch.Receive(p.t.Context(), "gate", []byte(sent))
	must(p.t, err)
	if !answer.Time.Equal(p.now) || answer.Next != 300 {
		p.t.Fatalf("at %v it was answered %+v", p.now, answer)
	}
}

func (p *porch) health() house.Health {
	p.t.Helper()
	h, err := p.archive.BellHealth(p.t.Context(), "gate")
	must(p.t, err)
	return h
}

// ails checks what is wrong, and since when by the clock.
func (p *porch) ails(want ...string) {
	p.t.Helper()
	var got []string
	for _, s := range p.health().Ailing {
		got = append(got, string(s.Ailment)+" "+s.Since.Format("2 15:04"))
	}
	if !slices.Equal(got, want) {
		p.t.Fatalf("at %s it ails of %q, want %q", p.now.Format("2 15:04"), got, want)
	}
}

// trail are the actions in the audit trail that are of bells' health.
func (p *porch) trail() (actions []string) {
	p.t.Helper()
	all, err := p.archive.Trail(p.t.Context(), 0, 100)
	must(p.t, err)
	for _, e := range slices.Backward(all) {
		if e.Action != "added" && e.Action != "changed" {
			actions = append(actions, e.Action)
		}
	}
	return actions
}

// TestWeek goes through a week with a night off, a restart, a wrong clock and a
// battery that goes down. What a household expects of it is by the rules in doc
// comments here: nothing outside the project says it.
func TestWeek(t *testing.T) {
	p := newPorch(t)
	p.pass(2*time.Hour, false)
	p.ails() // it never sent one
	p.pass(13*time.Hour, true)
	p.ails()

	// At 22:00 somebody pulls its plug.
	p.pass(15*time.Minute, false)
	p.ails()
	p.pass(time.Minute, false)
	p.ails("quiet 5 22:00")
	p.pass(10*time.Hour, false)
	p.ails("quiet 5 22:00")
	p.booted = p.now
	p.pass(5*time.Minute, true)
	p.ails()
	if past := p.health().Past; len(past) != 1 || past[0].Until.IsZero() || past[0].Ailment != house.BellQuiet {
		t.Errorf("its story is %+v", past)
	}

	// Its clock is wrong for a while: two heartbeats are nothing, three are.
	p.ahead = 11 * time.Second
	p.pass(10*time.Minute, true)
	p.ails()
	p.pass(5*time.Minute, true)
	p.ails("clock 6 08:25")
	p.ahead = 9 * time.Second
	p.pass(5*time.Minute, true)
	p.ails()

	p.battery = 15.5
	p.pass(time.Hour, true)
	p.ails("battery 6 08:45")
	p.battery = 17
	p.pass(5*time.Minute, true)
	p.ails("battery 6 08:45") // not charged yet
	p.battery = 60
	p.pass(5*time.Minute, true)
	p.ails()

	want := []string{"bell-quiet", "bell-quiet-over", "bell-clock", "bell-clock-over", "bell-battery",
		"bell-battery-over"}
	if got := p.trail(); !slices.Equal(got, want) {
		t.Errorf("the trail has %q, want %q", got, want)
	}
	p.pass(6*24*time.Hour, true)
	p.weekIsKept()
}

// weekIsKept checks that a week is kept and no more, and that it goes where the
// bell sends nothing any more.
func (p *porch) weekIsKept() {
	p.t.Helper()
	beats, err := p.archive.Heartbeats(p.t.Context(), "gate", time.Time{})
	must(p.t, err)
	if n := len(beats); n == 0 || p.now.Sub(beats[0].At) > house.HealthKept || n > 7*24*12 {
		p.t.Errorf("%d heartbeats are kept, the first of %v", n, beats[0].At)
	}
	p.now, p.gone = p.now.Add(8*24*time.Hour), p.gone+8*24*time.Hour
	must(p.t, p.watch.Look(p.t.Context()))
	beats, err = p.archive.Heartbeats(p.t.Context(), "gate", time.Time{})
	must(p.t, err)
	if len(beats) != 0 || p.health().Last == nil {
		p.t.Errorf("after a week %d heartbeats are kept, and the last is %v", len(beats), p.health().Last)
	}
	if _, quiet := p.health().Has(house.BellQuiet); !quiet {
		p.t.Error("a bell that was not heard for a week is not quiet")
	}
}

// TestServerWasOff: a server that was off, slept, or whose clock was set does not
// take that for the bell's silence.
func TestServerWasOff(t *testing.T) {
	for name, off := range map[string]func(p *porch){
		"a power cut": func(p *porch) {
			p.now, p.gone = p.now.Add(9*time.Hour), 0
			p.starts()
		},
		"the machine slept":      func(p *porch) { p.now = p.now.Add(9 * time.Hour) },
		"its clock was set on":   func(p *porch) { p.now = p.now.Add(30 * 24 * time.Hour) },
		"its clock was set back": func(p *porch) { p.now = p.now.Add(-9 * time.Hour) },
	} {
		t.Run(name, func(t *testing.T) {
			p := newPorch(t)
			p.pass(time.Hour, true)
			off(p)
			began := p.now
			p.pass(14*time.Minute, false)
			p.ails()
			p.pass(5*time.Minute, true) // it was well all the time
			p.pass(time.Hour, true)
			p.ails()
			off(p)
			p.pass(17*time.Minute, false)
			if _, quiet := p.health().Has(house.BellQuiet); !quiet {
				t.Errorf("since %v it is heard no more, and that is not noticed at %v", began, p.now)
			}
		})
	}
}

// A bell goes by the interval that it was told last, and one of which no heartbeats
// are expected is never quiet.
func TestIntervals(t *testing.T) {
	p := newPorch(t)
	must(t, p.archive.SetHeartbeat(t.Context(), "gate", time.Hour))
	answer, err := p.watch.Receive(t.Context(), "gate", []byte("{}"))
	must(t, err)
	if answer.Next != 3600 {
		t.Errorf("it is to come again in %d s", answer.Next)
	}
	must(t, p.archive.SetHeartbeat(t.Context(), "gate", time.Minute))
	p.pass(3*time.Hour, false)
	p.ails() // it does not know yet
	p.pass(time.Minute, false)
	p.ails("quiet 5 07:00")
	must(t, p.archive.SetHeartbeat(t.Context(), "gate", -1))
	p.ails()
	p.pass(24*time.Hour, false)
	p.ails()
	if answer, err = p.watch.Receive(t.Context(), "gate", []byte("{}")); err != nil || answer.Next != 24*3600 {
		t.Errorf("where none is expected, it is to come again in %d s; %v", answer.Next, err)
	}
	for _, wrong := range []time.Duration{time.Second, 25 * time.Hour} {
		if err := p.archive.SetHeartbeat(t.Context(), "gate", wrong); err == nil {
			t.Errorf("%v is taken", wrong)
		}
	}
}

// TestOften bounds how often a bell sends, and what that takes up.
func TestOften(t *testing.T) {
	p := newPorch(t)
	taken := 0
	for range 100 {
		if _, err := p.watch.Receive(t.Context(), "gate", []byte("{}")); err == nil {
			taken++
		} else if err != bell.ErrTooOften {
			t.Fatal(err)
		}
	}
	beats, err := p.archive.Heartbeats(t.Context(), "gate", time.Time{})
	must(t, err)
	if taken != 6 || len(beats) != 1 {
		t.Errorf("of 100 at once %d were taken and %d kept", taken, len(beats))
	}
	began := p.now
	for after, want := range []error{bell.ErrTooOften, nil, bell.ErrTooOften} { // before, at and after 10 seconds
		p.now = began.Add(10*time.Second + time.Duration(after-1)*time.Millisecond)
		if _, err := p.watch.Receive(t.Context(), "gate", []byte("{}")); err != want {
			t.Errorf("after %v: %v, want %v", p.now.Sub(began), err, want)
		}
	}
}

// rings keeps a still, and has the watch see what it shows.
func (p *porch) rings(shows image.Image) {
	p.t.Helper()
	p.comes(shows, false)
}

// comes is rings, of an old still where it is brought in.
func (p *porch) comes(shows image.Image, imported bool) {
	p.t.Helper()
	p.now, p.gone = p.now.Add(time.Minute), p.gone+time.Minute
	p.rung++
	visit, _, err := p.archive.Keep(p.t.Context(), house.NewStill{Bell: "gate", Ring: fmt.Sprint("r", p.rung),
		JPEG: []byte{0xff, 0xd8, byte(p.rung)}, Width: 320, Height: 240, ReceivedAt: p.now,
		SentSHA256: [32]byte{byte(p.rung)}, Imported: imported})
	must(p.t, err)
	for range 2 { // of another frame of the ring nothing comes
		must(p.t, p.watch.Saw(p.t.Context(), house.Still{Visit: visit, Bell: p.archive.BellID("gate"), ReceivedAt: p.now,
			Imported: imported}, shows, nil))
	}
}

// yard draws what the bell sees, with walls as dark as that.
func yard(dark uint8) image.Image {
	img := image.NewGray(image.Rect(0, 0, 320, 240))
	for i := range img.Pix {
		x, y := i%320, i/320
		img.Pix[i] = 200 - dark*uint8((x/23+y/17)%3) - uint8(x*y%7)
	}
	return img
}

// TestSaw: three rings make an ailment, which nothing is learned from, and one that
// looks as usual ends it.
func TestSaw(t *testing.T) {
	p := newPorch(t)
	usual, covered := yard(60), image.NewUniform(color.Gray{120})
	plain := image.NewGray(image.Rect(0, 0, 320, 240))
	draw.Draw(plain, plain.Bounds(), covered, image.Point{}, draw.Src)
	for range 2 {
		p.rings(usual)
	}
	for range 3 {
		p.rings(plain) // what is usual is not known yet
	}
	p.ails()
	must(t, p.archive.ForgetBellView(t.Context(), "gate"))
	for range 4 {
		p.rings(usual)
	}
	p.rings(plain)
	p.rings(plain)
	p.ails()
	p.rings(usual)
	p.rings(plain)
	p.rings(plain)
	p.ails() // not in a row
	p.rings(plain)
	p.ails("covered 5 07:13")
	for range 20 {
		p.rings(plain)
	}
	p.ails("covered 5 07:13")
	p.rings(usual)
	p.ails()
	if got := p.trail(); !slices.Contains(got, "bell-covered") || !slices.Contains(got, "bell-covered-over") {
		t.Errorf("the trail has %q", got)
	}
	kept, err := p.archive.BellView(t.Context(), "gate")
	must(t, err)
	if bell.KnownHours(kept) != 1 || len(kept) > 4<<10 {
		t.Errorf("known at %d hours, in %d bytes", bell.KnownHours(kept), len(kept))
	}
	must(t, p.archive.SetMasks(t.Context(), "gate", []house.Polygon{{{X: 0, Y: 0}, {X: 1, Y: 0}, {X: 1, Y: 0.5}}}))
	if kept, err = p.archive.BellView(t.Context(), "gate"); err != nil || kept != nil {
		t.Errorf("other masks leave what was usual: %d bytes, %v", len(kept), err)
	}
}

// TestSawOld: what a bell saw once, wherever it hung then, says nothing of it now, nor
// of what is usual.
func TestSawOld(t *testing.T) {
	p := newPorch(t)
	old := image.NewGray(image.Rect(0, 0, 320, 240))
	for range 4 {
		p.comes(old, true)
	}
	if kept, err := p.archive.BellView(t.Context(), "gate"); err != nil || kept != nil {
		t.Errorf("old stills leave what was usual: %d bytes, %v", len(kept), err)
	}
	for range 4 {
		p.rings(yard(60))
	}
	for range 4 {
		p.comes(old, true)
	}
	p.ails()
}

// TestDays counts what came, by the household's calendar.
func TestDays(t *testing.T) {
	p := newPorch(t)
	p.now = time.Date(2031, 5, 5, 23, 59, 0, 0, time.UTC)
	p.watch.Stored("gate", "r1", time.Second, false)
	p.watch.Stored("gate", "r1", 3*time.Second, true)
	p.pass(time.Minute, false)
	p.watch.Stored("gate", "r2", time.Second, false)
	p.watch.Stored("attic", "r2", time.Second, false) // removed meanwhile
	ctx, stop := context.WithCancel(t.Context())
	stop()
	p.watch.Run(ctx, nil) // whoever stops writes down what there is
	days, err := p.archive.BellDays(t.Context(), "gate")
	must(t, err)
	want := []house.BellDay{
		{Day: "2031-05-05", Rings: 1, Stills: 2, Damaged: 1, Upload: 4 * time.Second, Slowest: 3 * time.Second},
		{Day: "2031-05-06", Rings: 1, Stills: 1, Upload: time.Second, Slowest: time.Second},
	}
	if !slices.Equal(days, want) {
		t.Errorf("%+v, want %+v", days, want)
	}
	must(t, p.archive.RemoveBell(t.Context(), "gate"))
	if days, err = p.archive.BellDays(t.Context(), "gate"); err != nil || len(days) != 0 {
		t.Errorf("of a bell that was removed there is %v, %v", days, err)
	}
}
