package policy

import (
	"fmt"
	"syscall"
	"testing"
	"time"

	"lintel/internal/house"
)

// crowded is a large household: 100 persons, 1000 rules, and two at the door on
// three stills.
func crowded() Input {
	in := good()
	in.Visit.Stills = append(in.Visit.Stills, in.Visit.Stills[1])
	in.Visit.Stills[2].Frame = 2
	for i := range in.Visit.Stills {
		in.Visit.Stills[i].Faces = []house.Face{faceOf(ada, 3), faceOf(ben, 3)}
	}
	in.Rules = nil
	for i := range 100 {
		id := fmt.Sprintf("p-%d", i)
		switch i {
		case 40:
			id = ada
		case 99:
			id = ben
		}
		p := personOf(ada)
		p.ID, p.Name = id, "Person "+id
		in.Persons[id] = p
		in.Alike[id] = []string{}
		if i > 0 && id != ada && id != ben {
			in.Alike[id] = []string{"p-0"}
		}
		for k := range 10 {
			r := ruleFor(fmt.Sprintf("r-%d-%d", i, k), id)
			if k > 4 {
				r.Door = side
			}
			if k == 4 {
				r = never(r.ID, id)
				r.To = 60
			}
			in.Rules = append(in.Rules, r)
		}
		in.Factors = append(in.Factors, arrival(fmt.Sprintf("f-%d", i), id))
	}
	for i := range 20 {
		in.House.Holidays = append(in.House.Holidays, fmt.Sprintf("2027-05-%02d", i+1))
	}
	return in
}

func BenchmarkDecide(b *testing.B) {
	in := crowded()
	if a := Decide(in); !suggested(a) {
		b.Fatalf("withheld: %v", unmet(a))
	}
	timed(b, func() { Decide(in) })
}

// BenchmarkDecideSmall is of one person and one rule.
func BenchmarkDecideSmall(b *testing.B) {
	in := good()
	timed(b, func() { Decide(in) })
}

func BenchmarkDecideParcel(b *testing.B) {
	in := parcelGood()
	in.Rules = crowded().Rules
	timed(b, func() { DecideParcel(in) })
}

// timed also reports the processor's time, since the machine may be busy with
// other things.
func timed(b *testing.B, decide func()) {
	b.ReportAllocs()
	used := func() time.Duration {
		var u syscall.Rusage
		if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
			b.Fatal(err)
		}
		return time.Duration(u.Utime.Nano() + u.Stime.Nano())
	}
	before := used()
	for b.Loop() {
		decide()
	}
	b.ReportMetric(float64(used()-before)/float64(b.N), "cpu-ns/op")
}

func BenchmarkConflicts(b *testing.B) {
	rules := crowded().Rules
	for b.Loop() {
		Conflicts(rules)
	}
}
