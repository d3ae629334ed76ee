package policy

import (
	"slices"
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

var names = map[string]string{ada: "Ada Quill", ben: "Ben Moss", cy: "Cy Quill", front: "the front door",
	side: "the garage"}

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
		Clock: &ClockState{}, House: &household, Misses: []house.Miss{},
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
