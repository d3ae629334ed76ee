package policy

import (
	"encoding/json"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/internal/words"
)

// Persons and doors of the tests, all invented.
const (
	ada, ben, cy = "p-ada", "p-ben", "p-cy"
	front, side  = "d-front", "d-garage"
)

var names = map[string]string{ada: "Ada Quill", ben: "Ben Moss", cy: "Cy Quill", front: "the front door", side: "the garage"}

func zoneOf(t testing.TB, name string) *time.Location {
	t.Helper()
	zone, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return zone
}

// berlin and evening are where and when most tests are: a Wednesday.
var (
	berlin  = mustZone("Europe/Berlin")
	evening = time.Date(2026, 11, 25, 18, 5, 0, 0, berlin)
)

func mustZone(name string) *time.Location {
	zone, err := time.LoadLocation(name)
	if err != nil {
		panic(err)
	}
	return zone
}

var workdays = [7]bool{false, true, true, true, true, true, false}

// everyDay is each day of the week.
var everyDay = [7]bool{true, true, true, true, true, true, true}

// ruleFor lets a person be suggested on workdays from 07:00 to 20:00.
func ruleFor(id, person string) house.DoorRule {
	return house.DoorRule{ID: id, Person: person, Door: front, Allowed: true, Days: workdays, From: 7 * 60, To: 20 * 60,
		Factors: []house.FactorKind{house.FactorArrival, house.FactorCode}, Need: 1, Band: "strong", Liveness: house.NoSign}
}

func never(id, person string) house.DoorRule {
	return house.DoorRule{ID: id, Person: person, Door: front, Days: everyDay, From: 0, To: 24 * 60}
}

// faceOf is a face that meets all that is asked, one of n frames.
func faceOf(person string, n int) house.Face {
	return house.Face{
		Descriptor: house.Descriptor{0.1},
		Quality: &house.Quality{FaceWidth: 180, EyeDistance: 70, PixelsPerMetre: 900, Sharpness: 0.2, Luma: 120,
			Clipped: 0.01, Contrast: 0.2, Yaw: 4, Roll: 2, Occlusion: 0, Cut: 0},
		Liveness: &house.Liveness{Level: house.NoSign, Probability: 0.02, Frames: n},
		Match:    &house.Match{Person: person, Distance: 0.31, FPIR: 2e-6, Band: "strong", Probability: 0.99, Frames: n},
	}
}

func arrival(id, person string) house.Factor {
	return house.Factor{ID: id, Kind: house.FactorArrival, Person: person, Source: "phone-" + person,
		At: evening.Add(-90 * time.Second), Until: evening.Add(4 * time.Minute), Strength: 0.6}
}

func code(id, person string) house.Factor {
	return house.Factor{ID: id, Kind: house.FactorCode, Person: person, Source: "pad",
		At: evening.Add(-20 * time.Second), Until: evening.Add(2 * time.Minute), Strength: 1}
}

func personOf(id string) house.Person {
	return house.Person{ID: id, Name: names[id], References: 3,
		Consent: &house.Consent{GivenBy: names[id], GivenAt: evening.AddDate(-1, 0, 0), Scope: "recognition at the door"}}
}

// good is an input for which unlocking is suggested: Ada alone, on two stills,
// whose phone came home.
func good() Input {
	household := house.DefaultAdviceRules()
	household.Holidays = []string{"2026-12-25", "2027-01-01"}
	rung := evening.Add(-8 * time.Second)
	still := func(frame int) house.Still {
		at := rung.Add(time.Duration(frame) * time.Second)
		return house.Still{Visit: "v1", Frame: frame, Width: 1280, Height: 1024, State: house.Done,
			ReceivedAt: at, TakenAt: at.Add(-time.Second), Faces: []house.Face{faceOf(ada, 2)}}
	}
	return Input{
		Now: evening, Zone: berlin,
		Visit: house.Visit{ID: "v1", Bell: "porch", ReceivedAt: rung, Stills: []house.Still{still(0), still(1)}},
		Door:  house.Door{ID: front, Name: "the front door", Bell: "porch"},
		Bells: []string{"porch", "b-77", "back", "b-78"},
		Bell:  &Bell{Name: "porch"},
		Clock: &ClockState{}, House: &household, Misses: &Misses{},
		Rules:   []house.DoorRule{ruleFor("r-ada", ada)},
		Persons: map[string]house.Person{ada: personOf(ada), ben: personOf(ben), cy: personOf(cy)},
		Alike:   map[string][]string{},
		Factors: []house.Factor{arrival("f-arrival", ada)},
	}
}

// eachFace changes all faces of a ring.
func eachFace(in *Input, change func(*house.Face)) {
	for i := range in.Visit.Stills {
		for k := range in.Visit.Stills[i].Faces {
			change(&in.Visit.Stills[i].Faces[k])
		}
	}
}

// joinedBy adds a person to all stills.
func joinedBy(in *Input, person string) {
	for i := range in.Visit.Stills {
		in.Visit.Stills[i].Faces = append(in.Visit.Stills[i].Faces, faceOf(person, len(in.Visit.Stills)))
	}
}

func conditionOf(t testing.TB, a house.Advice, code string) house.Condition {
	t.Helper()
	i := slices.IndexFunc(a.Conditions, func(c house.Condition) bool { return c.Code == code })
	if i < 0 {
		t.Fatalf("there is no condition %s in %v", code, a.Conditions)
	}
	return a.Conditions[i]
}

func unmet(a house.Advice) (codes []string) {
	for _, c := range a.Conditions {
		if !c.Met {
			codes = append(codes, c.Code)
		}
	}
	return codes
}

// speak says things as a screen of the household would, at a time.
func speak(now time.Time, zone *time.Location) words.Words {
	return words.For("en").At(now, zone).Naming(func(id string) string { return names[id] })
}

func says(in Input, c house.Condition) string { return speak(in.Now, in.Zone).Condition(c) }

func suggested(a house.Advice) bool { return a.State == house.Suggested }

func TestDecideSuggests(t *testing.T) {
	in := good()
	a := Decide(in)
	if !suggested(a) {
		t.Fatalf("withheld: %v", a.Conditions)
	}
	if a.Person != ada || a.Visit != "v1" || a.Door != front || !a.At.Equal(evening) || a.ID != "" || a.By != "" {
		t.Errorf("advice %+v", a)
	}
	if !a.ExpiresAt.Equal(evening.Add(time.Minute)) {
		t.Errorf("expires at %s", a.ExpiresAt)
	}
	if !slices.Equal(a.Factors, []string{"f-arrival"}) {
		t.Errorf("rests on %v", a.Factors)
	}
	order := []string{On, Home, Wait, Door, Fresh, Healthy, Clock, People, Consent, Allowed, Never, Time, Match, Frames, Quality, Alike, Factors}
	var got []string
	for _, c := range a.Conditions {
		got = append(got, c.Code)
		t.Logf("%-8s %s", c.Code, says(in, c))
	}
	if !slices.Equal(got, order) {
		t.Errorf("conditions %v", got)
	}
	// No factor is spent that is not needed, and the one that says most is.
	in.Factors = append(in.Factors, code("f-code", ada))
	if a := Decide(in); !slices.Equal(a.Factors, []string{"f-code"}) {
		t.Errorf("with two kinds where one is needed, rests on %v", a.Factors)
	}
	// A suggestion does not outlive its factor.
	in.Factors[1].Until = evening.Add(20 * time.Second)
	if a := Decide(in); !a.ExpiresAt.Equal(evening.Add(20 * time.Second)) {
		t.Errorf("a suggestion by a factor of 20 s expires at %s", a.ExpiresAt)
	}
}

// TestDecideEach goes through single doubts: the condition that has to tell it,
// and a word that it has to say.
func TestDecideEach(t *testing.T) {
	faces := func(change func(*house.Face)) func(*Input) {
		return func(in *Input) { eachFace(in, change) }
	}
	factor := func(change func(*house.Factor)) func(*Input) {
		return func(in *Input) { change(&in.Factors[0]) }
	}
	rule := func(change func(*house.DoorRule)) func(*Input) {
		return func(in *Input) { change(&in.Rules[0]) }
	}
	for _, test := range []struct {
		name   string
		change func(*Input)
		code   string // "" where it is suggested all the same
		says   string
	}{
		{"paused", func(in *Input) { in.House.Paused = true }, On, "paused"},
		{"settings unknown", func(in *Input) { in.House = nil }, On, "not known"},
		{"settings out of range", func(in *Input) { in.House.Expiry = time.Hour }, On, "15 seconds to 5 minutes"},
		{"away", func(in *Input) { in.House.AwayUntil = evening.Add(time.Second) }, Home, "away until"},
		{"away no more", func(in *Input) { in.House.AwayUntil = evening }, "", ""},

		{"three misses in an hour", func(in *Input) { in.Misses.At = ago(62*time.Minute, 10*time.Minute, 2*time.Minute) }, Wait, "3 failed attempts came within an hour. Nothing is suggested until 18:18"},
		{"three misses in more", func(in *Input) { in.Misses.At = ago(63*time.Minute, 10*time.Minute, 2*time.Minute) }, "", ""},
		{"the wait is over", func(in *Input) { in.Misses.At = ago(17*time.Minute, 16*time.Minute, 15*time.Minute) }, "", ""},
		{"the wait is nearly over", func(in *Input) {
			in.Misses.At = ago(17*time.Minute, 15*time.Minute-time.Second, 16*time.Minute)
		}, Wait, "18:05"},
		{"a long wait", func(in *Input) {
			in.House.Wait = 24 * time.Hour
			in.Misses.At = ago(20*time.Hour, 20*time.Hour, 20*time.Hour, time.Minute)
		}, Wait, "Nothing is suggested until 22:05"},
		{"a miss of the future", func(in *Input) { in.Misses.At = ago(-time.Second) }, Wait, "later than now"},
		{"misses unknown", func(in *Input) { in.Misses = nil }, Wait, "not known"},

		{"another door's bell", func(in *Input) { in.Door.Bell = "back" }, Door, "back"},
		{"no bell at the door", func(in *Input) { in.Door.Bell, in.Visit.Bell = "", "" }, Door, "not known"},

		{"60 s old", func(in *Input) { in.Visit.ReceivedAt = evening.Add(-time.Minute) }, Fresh, "60 seconds old"},
		{"59 s old", func(in *Input) { in.Visit.ReceivedAt = evening.Add(-59 * time.Second) }, "", ""},
		{"ring of the future", func(in *Input) { in.Visit.ReceivedAt = evening.Add(time.Second) }, Fresh, "later than now"},
		{"still of the future", func(in *Input) { in.Visit.Stills[1].ReceivedAt = evening.Add(1) }, Fresh, "later than now"},
		{"old by the bell's clock", func(in *Input) { in.Visit.Stills[0].TakenAt = evening.Add(-time.Minute) }, Fresh, "By the bell's clock"},
		{"future by the bell's clock", func(in *Input) { in.Visit.Stills[0].TakenAt = evening.Add(11 * time.Second) }, Fresh, "By the bell's clock"},
		{"the bell does not say", func(in *Input) { in.Visit.Stills[0].TakenAt, in.Visit.Stills[1].TakenAt = time.Time{}, time.Time{} }, "", ""},
		{"no stills", func(in *Input) { in.Visit.Stills = nil }, Fresh, "no still"},

		{"refused in the future", func(in *Input) { in.Bell.RefusedAt = evening.Add(1) }, Healthy, "later than now"},
		{"refused", func(in *Input) { in.Bell.RefusedAt = evening.Add(-59 * time.Minute) }, Healthy, "wrong secret"},
		{"pictures are tried", func(in *Input) { in.Bell.TrialUntil = evening.Add(time.Minute) }, Healthy, "a trial with pictures"},
		{"pictures were tried when it rang", func(in *Input) { in.Bell.TrialUntil = in.Visit.ReceivedAt.Add(1) }, Healthy, "a trial with pictures"},
		{"pictures were tried before", func(in *Input) { in.Bell.TrialUntil = in.Visit.ReceivedAt }, "", ""},
		{"refused long ago", func(in *Input) { in.Bell.RefusedAt = evening.Add(-time.Hour) }, "", ""},
		{"bell unknown", func(in *Input) { in.Bell = nil }, Healthy, "not known"},
		{"bell not of the house", func(in *Input) { in.Bells = []string{"back"} }, Healthy, "not known"},

		{"clock jumped", func(in *Input) { in.Clock.JumpedAt = evening.Add(-59 * time.Minute) }, Clock, "jumped"},
		{"clock jumped back", func(in *Input) { in.Clock.JumpedAt = evening.Add(time.Minute) }, Clock, "jumped back"},
		{"clock jumped long ago", func(in *Input) { in.Clock.JumpedAt = evening.Add(-time.Hour) }, "", ""},
		{"clock not watched", func(in *Input) { in.Clock = nil }, Clock, "not known"},
		{"bell's clock slow", func(in *Input) { in.Visit.Stills[0].TakenAt = in.Visit.Stills[0].ReceivedAt.Add(-11 * time.Second) }, Clock, "differ by 11 seconds"},

		{"a stranger beside", func(in *Input) {
			in.Visit.Stills[1].Faces = append(in.Visit.Stills[1].Faces, house.Face{})
		}, People, "1 face of nobody known"},
		{"a still not examined", func(in *Input) { in.Visit.Stills[1].State = house.Pending }, People, "not examined"},
		{"a still given up", func(in *Input) { in.Visit.Stills[1].State = house.Failed }, People, "could not be examined"},
		{"a broken still", func(in *Input) { in.Visit.Stills[1].Damaged = true }, People, "damaged"},
		{"no face", faces(func(f *house.Face) { f.Match = nil }), People, "Nobody known"},
		{"twice on one still", func(in *Input) {
			in.Visit.Stills[0].Faces = append(in.Visit.Stills[0].Faces, faceOf(ada, 2))
		}, People, "both taken for Ada Quill"},
		{"company without a rule", func(in *Input) { joinedBy(in, ben) }, People, "No rule lets Ben Moss"},
		{"company that is allowed", func(in *Input) { joinedBy(in, ben); in.Rules = append(in.Rules, ruleFor("r-ben", ben)) }, "", ""},
		{"company that never is", func(in *Input) {
			joinedBy(in, ben)
			in.Rules = append(in.Rules, ruleFor("r-ben", ben), never("n-ben", ben))
		}, Never, "says never for Ben Moss"},
		{"company that is a weak match", func(in *Input) {
			joinedBy(in, ben)
			in.Rules = append(in.Rules, ruleFor("r-ben", ben))
			in.Visit.Stills[0].Faces[1].Match.Band = "weak"
		}, Match, "Ben Moss is weak"},

		{"no consent", func(in *Input) { in.Persons[ada] = house.Person{ID: ada, Name: "Ada Quill"} }, Consent, "no consent"},
		{"gone", func(in *Input) { delete(in.Persons, ada) }, Consent, "not known"},
		{"consent of the future", func(in *Input) { in.Persons[ada].Consent.GivenAt = evening.Add(1) }, Consent, "later than now"},

		{"rules unknown", func(in *Input) { in.Rules = nil }, Never, "not known"},
		{"no rule", func(in *Input) { in.Rules = []house.DoorRule{} }, Allowed, "No rule lets Ada Quill"},
		{"a rule for another door", rule(func(r *house.DoorRule) { r.Door = side }), Allowed, "No rule lets"},
		{"a rule for nothing", rule(func(r *house.DoorRule) { r.Need = 0 }), Allowed, "can't be followed"},
		{"another rule that can't be followed", func(in *Input) {
			in.Rules = append(in.Rules, never("n", ada))
			in.Rules[1].To = 0
		}, Allowed, "can't be followed"},
		{"never", func(in *Input) { in.Rules = append(in.Rules, never("n", ada)) }, Never, "wins over all"},
		{"never, at another time", func(in *Input) {
			in.Rules = append(in.Rules, never("n", ada))
			in.Rules[1].To = 18*60 + 5
		}, "", ""},
		{"too late", rule(func(r *house.DoorRule) { r.To = 18*60 + 5 }), Time, "It is Wednesday 25 November, 18:05"},
		{"to the minute", rule(func(r *house.DoorRule) { r.From, r.To = 18*60+5, 18*60+6 }), "", ""},
		{"not on Wednesdays", rule(func(r *house.DoorRule) { r.Days[time.Wednesday] = false }), Time, "on Monday, Tuesday, Thursday and Friday"},
		{"a holiday", func(in *Input) { in.House.Holidays = []string{"2026-11-25"} }, Time, "a holiday"},
		{"a holiday that is meant", func(in *Input) {
			in.House.Holidays = []string{"2026-11-25"}
			in.Rules[0].Holidays = true
		}, "", ""},
		{"a holiday that can't be read", func(in *Input) { in.House.Holidays = []string{"2026-11-31"} }, Time, "not known"},
		{"no zone", func(in *Input) { in.Zone = nil }, Time, "not known"},

		{"fair", faces(func(f *house.Face) { f.Match.Band, f.Match.FPIR = "fair", 5e-4 }), Match, "A strong match is asked for"},
		{"fair, which is enough", func(in *Input) {
			eachFace(in, func(f *house.Face) { f.Match.Band, f.Match.FPIR = "fair", 5e-4 })
			in.Rules[0].Band = "fair"
		}, "", ""},
		{"weak", faces(func(f *house.Face) { f.Match.Band, f.Match.FPIR = "weak", 5e-3 }), Match, "never counts"},
		{"a band that its rate is not of", faces(func(f *house.Face) { f.Match.FPIR = 5e-4 }), Match, "not of its band"},
		{"a copy of the reference", faces(func(f *house.Face) { f.Match.Distance = 0 }), Match, "can't be"},
		{"no number", faces(func(f *house.Face) { f.Match.Distance = math.NaN() }), Match, "can't be"},
		{"no band", faces(func(f *house.Face) { f.Match.Band = "" }), Match, "not known"},
		{"fair on one still", func(in *Input) {
			in.Visit.Stills[1].Faces[0].Match.Band, in.Visit.Stills[1].Faces[0].Match.FPIR = "fair", 5e-4
		}, Match, "is fair"},

		{"judged by one still of two", faces(func(f *house.Face) { f.Match.Frames = 1 }), Frames, "The match is by 1"},
		{"looked at one still of two", func(in *Input) { in.Visit.Stills[0].Faces[0].Liveness.Frames = 1 }, Sign, "looked for on 1 of them"},
		{"not judged", faces(func(f *house.Face) { f.Match.Frames = 0 }), Frames, "by 0"},
		{"descriptor gone", faces(func(f *house.Face) { f.Descriptor = house.Descriptor{} }), Frames, "not kept any more"},

		{"small", faces(func(f *house.Face) { f.Quality.FaceWidth = 20 }), Quality, "20 pixels"},
		{"not measured", faces(func(f *house.Face) { f.Quality = nil }), Quality, "not measured"},
		{"no eyes", faces(func(f *house.Face) { f.Quality.EyeDistance = 0 }), Quality, "eyes"},

		{"a twin", func(in *Input) { in.Alike[ada] = []string{cy} }, Alike, "easily confused with Cy Quill"},
		{"a twin, from the other end", func(in *Input) { in.Alike[cy] = []string{ada} }, Alike, "easily confused with Cy Quill"},
		{"a twin, and a code", func(in *Input) {
			in.Alike[ada] = []string{cy}
			in.Factors = append(in.Factors, code("f-code", ada))
		}, "", ""},
		{"a twin, and the twin's code", func(in *Input) {
			in.Alike[ada] = []string{cy}
			in.Factors = append(in.Factors, code("f-code", cy))
		}, Alike, "has to settle it"},
		{"a twin, and a code that is worth less", func(in *Input) {
			in.Alike[ada] = []string{cy}
			in.Factors = append(in.Factors, code("f-code", ada))
			in.Factors[1].Strength = 0.9
		}, Alike, "has to settle it"},
		{"a twin, and an arrival as strong", func(in *Input) {
			in.Alike[ada] = []string{cy}
			in.Factors[0].Strength = 1
		}, Alike, "has to settle it"},
		{"settings out of range, two of them", func(in *Input) { in.House.Expiry, in.House.Window = 0, 0 }, On, "15 minutes. A suggestion"},
		{"likeness unknown", func(in *Input) { in.Alike = nil }, Alike, "not known"},

		{"doubtful", faces(func(f *house.Face) { f.Liveness.Level = house.Doubtful }), Sign, "signs"},
		{"doubtful on one still", func(in *Input) { in.Visit.Stills[1].Faces[0].Liveness.Level = house.Doubtful }, Sign, "signs"},
		{"doubtful, which is allowed", func(in *Input) {
			eachFace(in, func(f *house.Face) { f.Liveness.Level = house.Doubtful })
			in.Rules[0].Liveness = house.Doubtful
		}, "", ""},
		{"a picture, whatever is allowed", func(in *Input) {
			eachFace(in, func(f *house.Face) { f.Liveness.Level = house.Picture })
			in.Rules[0].Liveness = house.Doubtful
		}, Sign, "looks like a picture"},
		{"not looked at", faces(func(f *house.Face) { f.Liveness = nil }), Sign, "not known"},
		{"too dark to tell, whatever is allowed", func(in *Input) {
			eachFace(in, func(f *house.Face) { f.Liveness.CantTell = []string{"dark"} })
			in.Rules[0].CantTell = true
		}, Sign, "too dark"},
		{"one still", oneStill, Sign, "only one still"},
		{"one still that does not say so", func(in *Input) {
			oneStill(in)
			in.Visit.Stills[0].Faces[0].Liveness.CantTell = nil
		}, Sign, "only one still"},
		{"one still, which is allowed", func(in *Input) { oneStill(in); in.Rules[0].CantTell = true }, "", ""},

		{"no factor", func(in *Input) { in.Factors = nil }, Factors, "Given: 0"},
		{"somebody else's", factor(func(f *house.Factor) { f.Person = ben }), Factors, "Given: 0"},
		{"used", factor(func(f *house.Factor) { f.UsedBy = "a-1" }), Factors, "used before"},
		{"a bell's", factor(func(f *house.Factor) { f.Source = "porch" }), Factors, "from a bell"},
		{"another bell's, by its id", factor(func(f *house.Factor) { f.Source = "B-78" }), Factors, "from a bell"},
		{"nobody's", factor(func(f *house.Factor) { f.Source = "" }), Factors, "does not say"},
		{"of the future", factor(func(f *house.Factor) { f.At = evening.Add(1) }), Factors, "later than now"},
		{"of this very moment", factor(func(f *house.Factor) { f.At = evening }), "", ""},
		{"over", factor(func(f *house.Factor) { f.Until = evening }), Factors, "was good until"},
		{"beyond the window", factor(func(f *house.Factor) { f.At = evening.Add(-5 * time.Minute) }), Factors, "too long ago"},
		{"without strength", factor(func(f *house.Factor) { f.Strength = 0 }), Factors, "no strength"},
		{"of no number", factor(func(f *house.Factor) { f.Strength = math.NaN() }), Factors, "no strength"},
		{"too strong", factor(func(f *house.Factor) { f.Strength = 1.5 }), Factors, "no strength"},
		{"of a kind that does not count", factor(func(f *house.Factor) { f.Kind = house.FactorToken }), Factors, "Given: 0"},
		{"of no kind", factor(func(f *house.Factor) { f.Kind = "smile" }), Factors, "no known kind"},
		{"two needed", rule(func(r *house.DoorRule) { r.Need = 2 }), Factors, "2 of these are needed"},
		{"two of one kind where two are needed", func(in *Input) {
			in.Rules[0].Need = 2
			in.Factors = append(in.Factors, arrival("f-2", ada))
		}, Factors, "Given: 1"},
		{"two kinds where two are needed", func(in *Input) {
			in.Rules[0].Need = 2
			in.Factors = append(in.Factors, code("f-2", ada))
		}, "", ""},
		{"two kinds of two persons", func(in *Input) {
			in.Rules[0].Need = 2
			in.Factors = append(in.Factors, code("f-2", ben))
		}, Factors, "Given: 1"},
		{"a resident for this visit", resident("v1", 2*time.Second), "", ""},
		{"a resident for another visit", resident("v0", 2*time.Second), Factors, "another visit"},
		{"a resident before the bell rang", resident("v1", 9*time.Second), Factors, "another visit"},
		{"a resident for no visit", resident("", 2*time.Second), Factors, "another visit"},
	} {
		t.Run(test.name, func(t *testing.T) {
			in := good()
			test.change(&in)
			a := Decide(in)
			if test.code == "" {
				if !suggested(a) {
					t.Fatalf("withheld for %v: %v", unmet(a), a.Conditions)
				}
				return
			}
			c := conditionOf(t, a, test.code)
			if suggested(a) || c.Met {
				t.Fatalf("%s, and %s is met: %v", a.State, test.code, c.Reasons)
			}
			if got := says(in, c); !strings.Contains(got, test.says) {
				t.Errorf("%s says %q, without %q", test.code, got, test.says)
			}
			if !a.ExpiresAt.IsZero() || a.Factors != nil {
				t.Errorf("withheld advice expires at %s and rests on %v", a.ExpiresAt, a.Factors)
			}
		})
	}
}

// ago are times before the evening's.
func ago(all ...time.Duration) (times []time.Time) {
	for _, d := range all {
		times = append(times, evening.Add(-d))
	}
	return times
}

func oneStill(in *Input) {
	in.Visit.Stills = in.Visit.Stills[:1]
	in.Visit.Stills[0].Faces = []house.Face{faceOf(ada, 1)}
	in.Visit.Stills[0].Faces[0].Liveness.CantTell = []string{"one-frame"}
}

// resident has one agree to a visit, so long ago, and makes that what counts.
func resident(visit string, ago time.Duration) func(*Input) {
	return func(in *Input) {
		in.Rules[0].Factors = []house.FactorKind{house.FactorResident}
		in.Factors = []house.Factor{{ID: "f", Kind: house.FactorResident, Person: ada, Source: "resident-1", Visit: visit,
			At: evening.Add(-ago), Until: evening.Add(time.Minute), Strength: 1}}
	}
}

// TestDecideSeveralRules holds that of several rules each must be met.
func TestDecideSeveralRules(t *testing.T) {
	in := good()
	lax := ruleFor("r-lax", ada)
	lax.Band, lax.Liveness, lax.CantTell = "fair", house.Doubtful, true
	in.Rules = append(in.Rules, lax)
	eachFace(&in, func(f *house.Face) { f.Match.Band, f.Match.FPIR = "fair", 5e-4 })
	if a := Decide(in); suggested(a) || conditionOf(t, a, Match).Met {
		t.Error("a laxer rule loosened the band")
	}
	for _, order := range []bool{false, true} {
		for what, change := range map[string]func(*Input){
			"signs":      func(in *Input) { eachFace(in, func(f *house.Face) { f.Liveness.Level = house.Doubtful }) },
			"one still":  oneStill,
			"the band":   func(in *Input) { eachFace(in, func(f *house.Face) { f.Match.Band, f.Match.FPIR = "fair", 5e-4 }) },
			"no factors": func(in *Input) { in.Factors = nil },
		} {
			in := good()
			in.Rules = append(in.Rules, lax)
			if order {
				slices.Reverse(in.Rules)
			}
			change(&in)
			if suggested(Decide(in)) {
				t.Errorf("a laxer rule loosened what is asked of %s", what)
			}
		}
	}
	in = good()
	other := ruleFor("r-token", ada)
	other.Factors = []house.FactorKind{house.FactorToken}
	in.Rules = append(in.Rules, other)
	if a := Decide(in); suggested(a) {
		t.Error("suggested though one of two rules had no factor")
	}
	token := arrival("f-token", ada)
	token.Kind = house.FactorToken
	in.Factors = append(in.Factors, token)
	a := Decide(in)
	slices.Sort(a.Factors)
	if !suggested(a) || !slices.Equal(a.Factors, []string{"f-arrival", "f-token"}) {
		t.Errorf("%s, rests on %v: %v", a.State, a.Factors, unmet(a))
	}
}

// TestDecideCompany holds that the suggestion is for whoever gave the factor.
func TestDecideCompany(t *testing.T) {
	in := good()
	joinedBy(&in, ben)
	in.Rules = append(in.Rules, ruleFor("r-ben", ben))
	in.Factors = []house.Factor{arrival("f-ben", ben)}
	a := Decide(in)
	if !suggested(a) || a.Person != ben || !slices.Equal(a.Factors, []string{"f-ben"}) {
		t.Errorf("%s for %s by %v", a.State, a.Person, a.Factors)
	}
}

// TestDecideTwinSpendsTheCode holds that a factor which settled who it is
// counts as used, though the rule did not need it.
func TestDecideTwinSpendsTheCode(t *testing.T) {
	in := good()
	in.Alike[ada] = []string{cy}
	in.Rules[0].Factors = []house.FactorKind{house.FactorArrival}
	in.Factors = append(in.Factors, code("f-code", ada))
	a := Decide(in)
	if !suggested(a) || !slices.Equal(a.Factors, []string{"f-arrival", "f-code"}) {
		t.Errorf("%s by %v", a.State, a.Factors)
	}
}

// TestBellCondition claims no more of the bell than can fail: the ring itself is
// the last that was heard of it, so silence is no part of it.
func TestBellCondition(t *testing.T) {
	in := good()
	for _, c := range Decide(in).Conditions {
		if c.Code == Healthy && (!c.Met || says(in, c) != "Nobody came in the bell's name with a wrong secret lately.") {
			t.Errorf("of a good bell: %+v", c)
		}
	}
}

// TestDecideKeepsItsInput and says the same twice.
func TestDecideKeepsItsInput(t *testing.T) {
	in := good()
	in.Misses.At = ago(time.Minute, 2*time.Minute)
	in.Factors = append(in.Factors, code("f-code", ada))
	before, first := dump(t, in), dump(t, Decide(in))
	if dump(t, DecideParcel(in)); dump(t, in) != before {
		t.Error("the input changed")
	}
	if dump(t, Decide(in)) != first {
		t.Error("another decision the second time")
	}
}

func dump(t testing.TB, v any) string {
	t.Helper()
	if in, ok := v.(Input); ok {
		in.Zone = nil
		v = in
	}
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}
