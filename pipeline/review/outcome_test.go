package review

import (
	"reflect"
	"testing"

	"lintel/internal/house"
)

// named is a face that is found to be a person's.
func named(person string, fpir float64, band string) house.Face {
	return house.Face{Match: &house.Match{Person: person, Distance: .31, FPIR: fpir, Band: band}}
}

func examined(state house.StillState, faces ...house.Face) house.Still {
	return house.Still{State: state, Faces: faces}
}

func TestWhoRang(t *testing.T) {
	i3, i5, j4 := named("I", 1e-3, "fair"), named("I", 1e-5, "strong"), named("J", 1e-4, "strong")
	unsure := named("I", 0.5, "none")
	saidJ := &house.Said{Answer: house.AnswerElse, Person: "J", Name: "Jory"}
	saidI := &house.Said{Answer: house.AnswerYes, Person: "I"}
	saidNone := &house.Said{Answer: house.AnswerNotFace}
	saidStranger := &house.Said{Answer: house.AnswerElse}
	says := func(f house.Face, said *house.Said) house.Face {
		f.Said = said
		return f
	}
	byName := house.Match{Person: "J", Name: "Jory"}
	found := func(m ...*house.Match) (all []Visitor) {
		for _, m := range m {
			all = append(all, Visitor{Match: *m})
		}
		return all
	}
	unknown := house.Face{}
	tests := []struct {
		name      string
		stills    []house.Still
		persons   []Visitor
		strangers int
	}{
		{"nobody", nil, nil, 0},
		{"no face", []house.Still{examined(house.Done)}, nil, 0},
		{"one person", []house.Still{examined(house.Done, i3)}, found(i3.Match), 0},
		{"surer on a later frame", []house.Still{examined(house.Done, i3), examined(house.Done, i5)},
			found(i5.Match), 0},
		{"surer on an earlier frame", []house.Still{examined(house.Done, i5), examined(house.Done, i3)},
			found(i5.Match), 0},
		{"two, in the order they were found", []house.Still{examined(house.Done, j4, i3), examined(house.Done, i5)},
			found(j4.Match, i5.Match), 0},
		{"a match of no band is a stranger", []house.Still{examined(house.Done, unsure)}, nil, 1},
		{"frames show the same strangers again",
			[]house.Still{examined(house.Done, unknown, unknown), examined(house.Done, unknown)}, nil, 2},
		{"one of each", []house.Still{examined(house.Done, i3, unknown)}, found(i3.Match), 1},
		{"a stranger who is said to be somebody", []house.Still{examined(house.Done, says(unknown, saidJ))},
			[]Visitor{{byName, saidJ, nil}}, 0},
		{"one who was found to be another", []house.Still{examined(house.Done, says(i5, saidJ), unknown)},
			[]Visitor{{byName, saidJ, i5.Match}}, 1},
		{"one who was found and is", []house.Still{examined(house.Done, i3), examined(house.Done, says(i5, saidI))},
			[]Visitor{{*i5.Match, saidI, i5.Match}}, 0},
		{"found on one frame, said on another", []house.Still{examined(house.Done, says(unknown, saidI)),
			examined(house.Done, i3)}, []Visitor{{*i3.Match, saidI, nil}}, 0},
		{"somebody who is a stranger", []house.Still{examined(house.Done, says(i5, saidStranger))}, nil, 1},
		{"no face", []house.Still{examined(house.Done, says(i5, saidNone), says(unknown, saidNone))}, nil, 0},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			persons, strangers := WhoRang(house.Visit{Stills: test.stills})
			if !reflect.DeepEqual(persons, test.persons) || strangers != test.strangers {
				t.Errorf("%v and %d strangers, want %v and %d", persons, strangers, test.persons, test.strangers)
			}
		})
	}
}

func TestOutcomeOf(t *testing.T) {
	known, unknown := named("I", 1e-3, "fair"), house.Face{}
	pending, failed, empty := examined(house.Pending), examined(house.Failed), examined(house.Done)
	tests := []struct {
		name   string
		stills []house.Still
		want   Outcome
	}{
		{"just rung", []house.Still{pending}, Looking},
		{"a person, more to come", []house.Still{examined(house.Done, known), pending}, Someone},
		{"a stranger, more to come", []house.Still{examined(house.Done, unknown), pending}, Looking},
		{"a failure, more to come", []house.Still{failed, pending}, Looking},
		{"a person", []house.Still{empty, examined(house.Done, known, unknown), failed}, Someone},
		{"a stranger", []house.Still{empty, examined(house.Done, unknown), failed}, Unknown},
		{"nobody to be seen", []house.Still{empty, failed}, NoFace},
		{"failures only", []house.Still{failed, failed}, NotExamined},
		{"no stills", nil, NotExamined},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			if got := OutcomeOf(house.Visit{Stills: test.stills}); got != test.want {
				t.Errorf("%s, want %s", got, test.want)
			}
		})
	}
}
