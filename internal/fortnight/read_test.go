package fortnight

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/BurntSushi/toml"
)

// The file is TOML as any reader of TOML takes it, though it is read here by
// sections, to name lines.
//
// Outside: package toml reads it as a whole.
func TestIsTOML(t *testing.T) {
	var whole struct {
		Day, Weekly []struct{ Happens []map[string]any }
		Person      []map[string]any
		Live        struct {
			Happens []map[string]any
			Turns   []string
		}
	}
	if _, err := toml.Decode(builtIn, &whole); err != nil {
		t.Fatal(err)
	}
	s := story(t, "en")
	if len(whole.Person) != len(s.file.persons) || !slices.Equal(whole.Live.Turns, s.file.live.Turns) ||
		len(whole.Live.Happens) != len(s.file.live.happens) {
		t.Errorf("%d persons, %d things live, turns %v", len(whole.Person), len(whole.Live.Happens), whole.Live.Turns)
	}
	for i, day := range whole.Day {
		if len(day.Happens) != len(s.file.days[i].happens) {
			t.Errorf("day %d: %d things happen, and %d are read", *s.file.days[i].Day, len(day.Happens),
				len(s.file.days[i].happens))
		}
	}
	for i, week := range whole.Weekly {
		if len(week.Happens) != len(s.file.weekly[i].happens) {
			t.Errorf("%s: %d things happen, and %d are read", s.file.weekly[i].Called, len(week.Happens),
				len(s.file.weekly[i].happens))
		}
	}
}

// small is a story with little in it, that can be spoiled.
const small = `
[house]
resident = "Ida"
latitude = 50.1
longitude = 0.0
radius = 60
[[person]]
called = "Ida"
name = "Ida Fennel"
drawn = "juniper"
phone = { en = "Ida's phone" }
consent = { en = "To be known" }
[[stranger]]
called = "courier"
drawn = "osier"
[[bell]]
address = "front"
name = { en = "Front door" }
looks = "front"
heartbeat = "1h"
door = { en = "Parcel box" }
parcels = true
[[rule]]
person = "Ida"
door = "front"
[keep]
person = { stills = "30d", findings = "30d" }
stranger = { stills = "72h", findings = "72h" }
parcel = { stills = "72h", findings = "72h" }
no-face = { stills = "72h", findings = "72h" }
damaged = { stills = "72h", findings = "72h" }
[messages.rules]
known = { on = true, text = { en = "Hello" } }
away = { on = true, text = { en = "Hello" } }
quiet = { on = true, text = { en = "Hello" } }
parcel = { on = true, text = { en = "Hello" } }
greeting = { on = true, text = { en = "Hello" } }
[[weekly]]
called = "post"
on = ["monday"]
happens = [
  # a comment
  { at = "11:10", ring = "front", who = ["courier, parcel"] },
]
[[day]]
day = -1
sky = "rain"
happens = [
  { at = "08:00", enrol = "Ida", pictures = 2 },
  { at = "09:00", phone = "Ida", home = "10:00" },
  { at = "10:01", ring = "front", who = ["Ida, hat"], name = "first", suggest = "Ida" }, # she is back
  { at = "10:05", answer = "first", is = "Ida" },
  { at = "10:06", hold = "first", days = 3, because = { en = "A joke" } },
]
[live]
sky = ["clear", "rain"]
happens = [
  { after = "3s", ring = "front", who = ["turn"] },
]
turns = ["Ida"]
`

// Each is a change of the story above, and what the error has to say.
func TestRefused(t *testing.T) {
	if _, err := Parse(small, "en"); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ old, new, want string }{
		{`[house]`, `[mansion]`, "line 2: there is no section [mansion]"},
		{`[house]`, "x = 1\n[house]", "line 2: this is in no section"},
		{`[keep]`, "[house]\nradius = 30\n[keep]", "line 26: there is [house] already"},
		{`resident = "Ida"`, `resident = "Ilse"`, `who signs in is no person: "Ilse"`},
		{`latitude = 50.1`, `latitude = 95`, "home is nowhere"},
		{`latitude = 50.1`, `latitude = nan`, "home is nowhere"},
		{`latitude = 50.1`, `latitude = "north"`, "line 4"},
		{`radius = 60`, `raduis = 60`, "line 6: raduis means nothing here"},
		{`drawn = "juniper"`, `drawn = "nobody"`, `line 7: nobody is drawn by the name "nobody"`},
		{`drawn = "juniper"`, `drawn = "osier"`, "line 13: osier is drawn for somebody else"},
		{`name = "Ida Fennel"`, `name = ""`, "line 7: "},
		{`called = "courier"`, `called = "Ida"`, "line 13: each is called by a name of their own"},
		{`[[rule]]`, "[[bell]]\naddress = \"front\"\nname = { en = \"B\" }\ndoor = { en = \"B\" }\n[[rule]]",
			"line 23: a bell has an address of its own"},
		{`looks = "front"`, `looks = "back"`, `line 19: `},
		{`heartbeat = "1h"`, `heartbeat = "1s"`, "line 16: "},
		{`heartbeat = "1h"`, `heartbeat = "often"`, "line 20: "},
		{`parcels = true`, `masks = [[[0, 0], [1, 0]]]`, "line 16: "},
		{`parcels = true`, `parcels = false`, "one bell's door is for parcels"},
		{`person = "Ida"`, `person = "Ada"`, `line 23: nobody is called "Ada"`},
		{`door = "front"`, `door = "roof"`, `line 23: there is no door of a bell "roof"`},
		{`damaged = {`, `damage = {`, "what is kept: "},
		{`away = { on`, `absent = { on`, "messages: "},
		{`on = ["monday"]`, `on = ["moonday"]`, `line 40: `},
		{`on = ["monday"]`, `on = []`, "line 38: what is weekly has a name"},
		{`on = ["monday"]`, "on = [\"monday\"]\ngive = \"90m\"", "line 38: what is weekly has a name"},
		{`"courier, parcel"`, `"courier, parsel"`, `line 43: "parsel" is nothing a visitor can be`},
		{`"courier, parcel"`, `"postman"`, `line 43: nobody is called "postman"`},
		{`"courier, parcel"`, `"courier, print of "`, `line 43: nobody is called ""`},
		{`"courier, parcel"`, `"courier, print of turn"`, "line 43: turns are of the live part"},
		{`ring = "front", who = ["courier, parcel"]`, `rings = "front"`, "line 43: rings means nothing here"},
		{`{ at = "11:10",`, `{ at = "25:10",`, "line 43: "},
		{`{ at = "11:10", ring`, `{ ring`, "line 43: this has no time"},
		{`  # a comment`, `  no comment`, "line 42: each thing that happens is in braces"},
		{"\n]\n[[day]]", "\n[[day]]", "line 44: each thing that happens is in braces"},
		{`day = -1`, `day = -20`, "line 45: a day is from -13 to 0"},
		{`day = -1`, `day = "yesterday"`, "line 46: "},
		{`sky = "rain"`, `sky = "hail"`, "line 47: "},
		{`sky = "rain"`, "sky = \"rain\"\nwithout = [\"milk\"]", `line 45: nothing weekly is called "milk"`},
		{`pictures = 2`, `pictures = 0`, "line 49: a person is enrolled, by 1 to 10 pictures"},
		{`enrol = "Ida", pictures = 2`, `erase = "first"`, `line 49: no ring before is called "first"`},
		{`enrol = "Ida", pictures = 2`, `guests = true`, "line 7: Ida is enrolled 0 times"},
		{`home = "10:00"`, `home = "09:10"`, "line 50: a way out lasts for more than 12 minutes"},
		{`home = "10:00"`, `says = "hello"`, "line 50: a phone says left, away or home"},
		{`phone = "Ida"`, `phone = "courier"`, `line 50: "courier" has no phone`},
		{`{ at = "10:01"`, `{ at = "08:01"`, "line 51: 08:01 comes before 09:00"},
		{`suggest = "Ida"`, `suggest = "courier"`, `line 51: nobody enrolled is called "courier"`},
		{`suggest = "Ida"`, `frames = 9`, "line 51: a bell sends 1 to 8 stills"},
		{`suggest = "Ida"`, `covered = nan`, "line 51: 0 to 1 of a lens is covered"},
		{`suggest = "Ida"`, `quiet = "front"`, "line 51: one thing happens on a line, not 2"},
		{`is = "Ida"`, `is = "Ada"`, "line 52: a ring of one visitor is answered"},
		{`days = 3`, `days = 3000`, "line 53: a ring is held for 1 to 300 days"},
		{`because = { en = "A joke" }`, `because = {}`, "line 53: a ring is held for 1 to 300 days"},
		{`{ after = "3s"`, `{ at = "10:00"`, "line 58: here all goes by how long it is before or after"},
		{`{ after = "3s"`, `{ after = "-3s"`, "line 58: "},
		{`turns = ["Ida"]`, ``, "line 55: the live part has a sky, turns"},
		{`turns = ["Ida"]`, `turns = [`, "line 60: "},
	} {
		if strings.Count(small, c.old) == 0 {
			t.Fatalf("%q is nowhere", c.old)
		}
		_, err := Parse(strings.Replace(small, c.old, c.new, 1), "en")
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s → %s:\n  %v, want %q", c.old, c.new, err, c.want)
		}
	}
}

// Whatever is read is either refused or can be played: in the order of time, and
// each thing after the ring that it is about.
func FuzzParse(f *testing.F) {
	f.Add(small)
	f.Add(builtIn)
	f.Add("[live]\nhappens = [\n{ after = \"1s\", ring = \"\" },\n]\n")
	f.Fuzz(func(t *testing.T, text string) {
		s, err := Parse(text, "en")
		if err != nil {
			return
		}
		rings := make(map[string]bool)
		last := time.Time{}
		for _, e := range s.Past(time.Date(2026, 12, 1, 15, 0, 0, 0, time.UTC)) {
			if e.At.Before(last) {
				t.Errorf("%T of %s comes after %s", e.Act, e.At, last)
			}
			last = e.At
			about := ""
			switch act := e.Act.(type) {
			case Ring:
				rings[act.Name] = true
			case Answer:
				about = act.Ring
			case Hold:
				about = act.Ring
			case Erasure:
				about = act.Ring
			}
			if about != "" && !rings[about] {
				t.Errorf("%T of %q before it", e.Act, about)
			}
		}
		for i := range s.file.live.happens {
			s.Live(0, i, last)
		}
	})
}
