package fortnight

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image/color"
	"image/jpeg"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"lintel/internal/doorstep"
	"lintel/internal/house"
	"lintel/pipeline/advice/geofence"
	wire "lintel/pipeline/bell"
)

// draft is drawn where nobody looks: who is on the picture.
func draft(s doorstep.Scene) []byte {
	return fmt.Append(nil, s.Seed, len(s.Visitors), s.At.Unix(), color.Gray{})
}

func story(t testing.TB, language string) *Story {
	t.Helper()
	s, err := Load(language)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// played is the diary of a fortnight.
func played(t *testing.T, now time.Time) *diary {
	t.Helper()
	d := &diary{t: t}
	p := Player{Story: story(t, "en"), House: d, Clock: d, draw: draft}
	done := 0
	err := p.Fill(t.Context(), now, func(n, of int) {
		if done++; n != done || of < n {
			t.Errorf("%d of %d are done after %d", n, of, done)
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func zone(t testing.TB, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	if err != nil {
		t.Skip("SKIPPED: no time zones here: ", err)
	}
	return z
}

// nows are times to play at: each weekday, early and late, and within a fortnight
// of a night when clocks are changed. Those of Berlin are changed on the last Sundays
// of March and October (Directive 2000/84/EC), Lord Howe's by half an hour, and
// São Paulo's were at midnight until 2019 (tz database).
func nows(t testing.TB) (all []time.Time) {
	berlin := zone(t, "Europe/Berlin")
	for day := range 7 {
		all = append(all, time.Date(2026, 12, 1+day, 15, 20, 11, 0, berlin),
			time.Date(2026, 6, 1+day, 0, 10+day, 0, 0, time.UTC))
	}
	for day := range 14 {
		all = append(all, time.Date(2026, 3, 29+day, 21, 3, 0, 0, berlin), time.Date(2026, 10, 25+day, 4, 0, 0, 0, berlin))
	}
	return append(all, time.Date(2026, 4, 6, 12, 0, 0, 0, zone(t, "Australia/Lord_Howe")),
		time.Date(2018, 11, 9, 0, 30, 0, 0, zone(t, "America/Sao_Paulo")),
		time.Date(2026, 3, 29, 2, 59, 59, 0, time.UTC).In(berlin))
}

func TestStory(t *testing.T) {
	for _, now := range nows(t) {
		t.Run(now.Format("2006-01-02T15.04 MST"), func(t *testing.T) {
			d := played(t, now)
			d.mustSchool(now)
			d.mustQuiet(now)
			d.mustAdvise()
			d.mustTell(now)
		})
	}
}

// mustSchool: Pia rings on each weekday before today, in the afternoon.
func (d *diary) mustSchool(now time.Time) {
	d.t.Helper()
	on := make(map[string]bool)
	for _, r := range d.rings {
		if slices.Contains(r.Expected.Persons, "Pia Hallowby") && r.at.Hour() >= 14 && r.at.Hour() <= 17 {
			on[r.at.Format(time.DateOnly)] = true
		}
	}
	weekdays := 0
	for back := 1; back <= 13; back++ {
		day := noon(now, -back)
		if w := day.Weekday(); w == time.Saturday || w == time.Sunday {
			continue
		}
		if weekdays++; !on[day.Format(time.DateOnly)] {
			d.t.Errorf("Pia does not come home from school on %s", day)
		}
	}
	if weekdays < 9 {
		d.t.Errorf("%d weekdays", weekdays)
	}
}

// mustQuiet: once, for six hours or more, nothing is heard of the garden bell; else
// no bell is silent for more than an hour.
func (d *diary) mustQuiet(now time.Time) {
	d.t.Helper()
	for _, address := range []string{"front", "garden"} {
		silent := 0
		beats := append(slices.Clone(d.beats[address]), now)
		for i, at := range beats[1:] {
			if gap := at.Sub(beats[i]); gap > 6*time.Hour && gap < 12*time.Hour {
				silent++
				for _, r := range d.rings {
					if r.Bell == address && r.at.After(beats[i]) && r.at.Before(at.Add(-time.Hour)) {
						d.t.Errorf("the %s bell is silent, and rings at %s", address, r.at)
					}
				}
			} else if gap > time.Hour {
				d.t.Errorf("the %s bell is silent for %s until %s", address, gap, at)
			}
		}
		if want := map[string]int{"garden": 1}[address]; silent != want {
			d.t.Errorf("the %s bell is quiet %d times, want %d", address, silent, want)
		}
	}
}

// mustAdvise: where unlocking has to be suggested for somebody, their phone has just
// come home, by the rule that the server goes by (package geofence); where a factor
// is lacking, it has not. A parcel is expected where that is what is suggested.
func (d *diary) mustAdvise() {
	d.t.Helper()
	suggested, withheld := 0, 0
	for _, r := range d.rings {
		for _, a := range r.Expected.Advice {
			seen := slices.Clone(r.Expected.Persons)
			expected := slices.ContainsFunc(d.parcels, func(p Parcel) bool {
				return p.Door == a.Door && !r.at.Before(p.From) && r.at.Before(p.To)
			})
			switch {
			case a.Suggest && a.For == "" && !expected:
				d.t.Errorf("%s %s: no parcel is expected", r.at, r.Name)
			case a.Suggest && a.For != "" && !slices.Contains(r.arrived, a.For):
				d.t.Errorf("%s %s: the phone of %s has not just come home", r.at, r.Name, a.For)
			case slices.Contains(a.Unmet, "factors") && slices.ContainsFunc(append(seen, r.Expected.Of), r.came):
				d.t.Errorf("%s %s: the phones of %v have come home", r.at, r.Name, r.arrived)
			case a.Suggest == (len(a.Unmet) > 0):
				d.t.Errorf("%s: it is either suggested or withheld: %+v", r.Name, a)
			}
			if a.Suggest {
				suggested++
			} else {
				withheld++
			}
		}
	}
	for _, p := range d.parcels {
		var rang []string // strangers, of whom the first takes the rule
		for _, r := range d.rings {
			if r.Bell == "front" && r.Expected.Strangers > 0 && !r.at.Before(p.From) && r.at.Before(p.To) {
				rang = append(rang, r.Name)
			}
		}
		if len(rang) != 1 {
			d.t.Errorf("while %q is expected, %v ring", p.Note, rang)
		}
	}
	if suggested < 10 || withheld < 8 {
		d.t.Errorf("%d suggestions and %d withheld", suggested, withheld)
	}
}

// mustTell: what a fortnight has to have, in plain words.
func (d *diary) mustTell(now time.Time) {
	d.t.Helper()
	count := func(is func(rung) bool) (n int) {
		for _, r := range d.rings {
			if is(r) {
				n++
			}
		}
		return n
	}
	drawn := func(name string) *doorstep.Person {
		i := slices.IndexFunc(doorstep.People[:], func(p *doorstep.Person) bool { return p.Name == name })
		return doorstep.People[i]
	}
	rings := func(who *doorstep.Person) func(rung) bool {
		return func(r rung) bool {
			return slices.ContainsFunc(r.Frames[0].Scene.Visitors, func(v doorstep.Visitor) bool { return v.Who == who })
		}
	}
	within := func(n, least, most int, what string) {
		d.t.Helper()
		if n < least || n > most {
			d.t.Errorf("%s: %d times, not %d to %d", what, n, least, most)
		}
	}
	within(len(d.rings), 55, 80, "somebody rings")
	begins := noon(now, first).Add(-13 * time.Hour)
	within(count(func(r rung) bool { return r.at.Before(begins) || !r.at.Before(now) }), 0, 0, "it is another time")
	within(count(rings(drawn("marl"))), 6, 20, "the courier comes")
	within(count(rings(drawn("heron"))), 2, 6, "the canvasser comes")
	within(count(func(r rung) bool { return r.Expected.Shown == doorstep.Print }), 1, 1, "a print is held up")
	within(count(func(r rung) bool { return r.Expected.Shown == doorstep.Phone }), 1, 1, "a phone is held up")
	within(count(func(r rung) bool { return r.Expected.Hidden }), 3, 3, "the lens is covered")
	within(count(func(r rung) bool { return r.Expected.Unkept }), len(d.household.Keep.Quiet), 2, "nothing is kept")
	within(count(func(r rung) bool { return len(r.Frames[0].Scene.Visitors) == 2 }), 4, 9, "two ring")
	within(count(func(r rung) bool { return len(r.Frames[0].Scene.Visitors) == 0 }), 2, 2, "nobody is there")
	within(count(func(r rung) bool { return r.at.Hour() >= 20 || r.at.Hour() < 6 }), 5, 12, "it is night")
	within(count(func(r rung) bool { return r.Frames[0].Scene.Sky == doorstep.Rain }), 4, 20, "it rains")
	within(count(func(r rung) bool { return slices.Contains(r.Expected.Persons, "Tove Sandgrass") }), 4, 9,
		"Tove is known")
	within(len(d.enrolled), 5, 5, "somebody is enrolled")
	within(len(d.answers), 3, 3, "a resident answers")
	within(len(d.messages), 2, 2, "a message is sent")
	within(len(d.holds), 1, 1, "a ring is held")
	within(len(d.erased), 2, 2, "a ring is erased")
	if !slices.Equal(d.guests, []bool{true, false}) {
		d.t.Errorf("guests: %v", d.guests)
	}
	names := make(map[string]bool)
	for _, r := range d.rings {
		if names[r.Name] || !address.MatchString(r.Name) {
			d.t.Errorf("a ring's name: %q", r.Name)
		}
		names[r.Name] = true
		for i, f := range r.Frames {
			if f.JPEG == nil || !f.Taken.Equal(r.at.Add(time.Duration(i)*time.Second/3)) {
				d.t.Errorf("%s, still %d: taken at %s, %d bytes", r.Name, i, f.Taken, len(f.JPEG))
			}
		}
	}
}

// The household can be kept by the server: its own checks take it.
func TestHousehold(t *testing.T) {
	for _, language := range []string{"en", "de", "fr"} {
		h := story(t, language).Household(time.Date(2026, 12, 1, 15, 0, 0, 0, time.UTC))
		if err := errors.Join(h.Keep.Check(), h.Messages.Check(), geofence.CheckHome(*h.Advice.Home)); err != nil {
			t.Error(err)
		}
		texts := slices.Clone(h.Messages.Texts)
		for _, rule := range h.Messages.Rules {
			texts = append(texts, rule.MessageText)
		}
		for _, b := range h.Bells {
			if err := house.CheckMasks(b.Masks); err != nil {
				t.Errorf("%s: %v", b.Name, err)
			}
			for _, m := range texts {
				if b.Display != nil && wire.Draw(*b.Display, m.Text).Cut {
					t.Errorf("%q does not fit the display", m.Text)
				}
			}
		}
		want := map[string]string{"en": "Parcel box", "de": "Paketkasten", "fr": "Parcel box"}
		if h.Doors[0].Name != want[language] {
			t.Errorf("in %s the door is %q", language, h.Doors[0].Name)
		}
		if len(h.Bells) != 2 || len(h.Doors) != 2 || len(h.Keep.Quiet) != 1 {
			t.Errorf("%d bells, %d doors, %d quiet times", len(h.Bells), len(h.Doors), len(h.Keep.Quiet))
		}
	}
	if h := story(t, "en").Household(time.Date(2026, 12, 1, 2, 0, 0, 0, time.UTC)); len(h.Keep.Quiet) != 0 {
		t.Error("nothing would be kept of the live part")
	}
}

// What the household wrote is there in both languages.
func TestBothLanguages(t *testing.T) {
	s := story(t, "en")
	check := func(line int, texts ...text) {
		for _, said := range texts {
			if said != nil && (said["en"] == "" || said["de"] == "" || len(said) != 2) {
				t.Errorf("line %d: %v", line, said)
			}
		}
	}
	for h := range s.all {
		check(h.line, h.Parcel, h.Message, h.Because)
	}
	for _, b := range s.file.bells {
		check(b.line, b.Name, b.Door)
	}
	for _, p := range s.file.persons {
		check(p.line, p.Phone, p.Consent)
	}
	for _, say := range s.file.says {
		check(0, say.Text)
	}
	for _, say := range s.file.texts {
		check(0, say.Text)
	}
}

// The same time gives the same fortnight.
func TestSameAgain(t *testing.T) {
	now := time.Date(2026, 12, 1, 15, 0, 0, 0, time.UTC)
	if a, b := story(t, "en").Past(now), story(t, "en").Past(now); !reflect.DeepEqual(a, b) {
		t.Error("two fortnights differ")
	}
	a, b := played(t, now), played(t, now)
	if !slices.Equal(a.acts, b.acts) || len(a.acts) < 400 {
		t.Errorf("%d acts and %d differ", len(a.acts), len(b.acts))
	}
}

// A burst shows the same persons, a third of a second apart.
func TestBurst(t *testing.T) {
	for _, e := range story(t, "en").Past(time.Date(2026, 12, 1, 23, 0, 0, 0, time.UTC)) {
		r, is := e.Act.(Ring)
		if !is {
			continue
		}
		for _, f := range r.Frames {
			dark := e.At.Hour() < 6 || e.At.Hour() > 19
			if f.Scene.At.Location() != time.UTC || !dark && wrapped(f.Scene.At, e.At) > 150*time.Minute {
				t.Errorf("%s is drawn as of %s, and rings at %s", r.Name, f.Scene.At, e.At)
			}
			for _, v := range f.Scene.Visitors {
				if v.Who == nil || v.Distance < 0.3 || v.Distance > 4 || v.Shows.As != doorstep.Nothing && v.Shows.Of == nil {
					t.Errorf("%s: %+v", r.Name, v)
				}
			}
		}
	}
}

// What a bell sends is a JPEG of the size that its camera has.
func TestDrawn(t *testing.T) {
	if testing.Short() {
		t.Skip("SKIPPED: drawing takes a while")
	}
	for _, e := range story(t, "en").Past(time.Date(2026, 12, 1, 23, 0, 0, 0, time.UTC)) {
		if r, is := e.Act.(Ring); is {
			(&Player{}).drawn(t.Context(), e)
			size, err := jpeg.DecodeConfig(bytes.NewReader(r.Frames[0].JPEG))
			if err != nil || size.Width != doorstep.Width || size.Height != doorstep.Height {
				t.Errorf("%s: %+v, %v", r.Name, size, err)
			}
			return
		}
	}
}

// wrapped is how far apart two times of the day are.
func wrapped(a, b time.Time) time.Duration {
	minutes := func(t time.Time) time.Duration { return time.Duration(t.Hour()*60+t.Minute()) * time.Minute }
	return (minutes(a) - minutes(b)).Abs()
}

// The live part goes round, with somebody else's turn and other pictures each time.
func TestLive(t *testing.T) {
	now := time.Date(2026, 12, 1, 15, 0, 0, 0, time.UTC)
	d := played(t, now)
	d.now = now
	ctx, stop := context.WithCancel(t.Context())
	d.rings, d.stop, d.most = nil, stop, 33
	p := Player{Story: story(t, "en"), House: d, Clock: d, draw: draft}
	if err := p.Live(ctx, 1); !errors.Is(err, context.Canceled) {
		t.Fatal(err)
	}
	var suggested []string
	drawn, names := make(map[string]bool), make(map[string]bool)
	for _, r := range d.rings {
		for _, a := range r.Expected.Advice {
			if a.Suggest && a.For != "" {
				suggested = append(suggested, a.For)
				if !slices.Contains(r.arrived, a.For) {
					t.Errorf("the phone of %s has not just come home", a.For)
				}
			}
		}
		if names[r.Name] || drawn[string(r.Frames[0].JPEG)] || len(r.Frames) != 3 || !r.Frames[0].Taken.Equal(r.at) {
			t.Errorf("%s at %s, taken at %s, comes again", r.Name, r.at, r.Frames[0].Taken)
		}
		names[r.Name], drawn[string(r.Frames[0].JPEG)] = true, true
	}
	if !slices.Equal(suggested, []string{"Mira Hallowby"}) || len(d.rings) != 33 {
		t.Errorf("in the first round it is suggested for %v, of %d rings", suggested, len(d.rings))
	}
	var arrivals []string // each time the one whose turn it is, also when all have had theirs
	for _, r := range d.rings {
		if r.Bell == "garden" && len(r.arrived) > 0 && r.Frames[0].Scene.Visitors[0].Shows.As == doorstep.Nothing {
			arrivals = append(arrivals, r.arrived[0])
		}
	}
	if !slices.Equal(arrivals[:min(3, len(arrivals))], []string{"Mira Hallowby", "Anton Hallowby", "Ruth Sedgeling"}) {
		t.Errorf("those who come home are %v", arrivals)
	}
	if d.waited < 11*time.Minute || d.waited > 14*time.Minute {
		t.Errorf("33 rings take %s", d.waited)
	}
}

func TestLiveFaster(t *testing.T) {
	ctx, stop := context.WithCancel(t.Context())
	d := &diary{t: t, stop: stop, most: 5}
	p := Player{Story: story(t, "en"), House: d, Clock: d, draw: draft}
	_ = d.SetUp(ctx, p.Story.Household(d.now))
	for _, name := range []string{"Mira Hallowby", "Anton Hallowby", "Ruth Sedgeling"} {
		d.enrolled[name] = Enrolment{}
	}
	if err := p.Live(ctx, 10); !errors.Is(err, context.Canceled) {
		t.Fatal(err)
	}
	if d.waited < 5*time.Second || d.waited > 20*time.Second {
		t.Errorf("five rings at ten times the pace take %s", d.waited)
	}
	if err := p.Live(ctx, 0); err == nil {
		t.Error("a pace of 0 is taken")
	}
}

// A failing house ends the play, and nothing is left behind that draws.
func TestFails(t *testing.T) {
	d := &failing{diary: diary{t: t}}
	p := Player{Story: story(t, "en"), House: d, Clock: &d.diary, draw: draft}
	err := p.Fill(t.Context(), time.Date(2026, 12, 1, 15, 0, 0, 0, time.UTC), nil)
	if !errors.Is(err, errDown) || !strings.Contains(err.Error(), "fortnight.Ring") {
		t.Error(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	stop()
	other := &diary{t: t}
	p.House, p.Clock = other, other
	if err := p.Fill(ctx, time.Date(2026, 12, 1, 15, 0, 0, 0, time.UTC), nil); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
}
