package trial

import (
	"slices"

	"lintel/internal/house"
	"lintel/pipeline/match"
)

// Attack reports whether the ring is taken for an attack: whether its level is
// anything but house.NoSign.
func (o Outcome) Attack() bool { return o.Together != nil && o.Together.Level != house.NoSign }

// A Report has the error rates of a trial. Rings on which no face was found are
// non-responses: they are in no rate, and counted by themselves, as ISO/IEC
// 30107-3 has it.
type Report struct {
	BPCER  match.Rate            // persons taken for pictures
	APCER  map[string]match.Rate // pictures taken for persons, by species
	NoFace map[string]int        // rings on which no face was found, by species; those of persons under BonaFide

	judged map[string][]judged // rings on which a face was found, by species
}

// ReportOn counts errors, by what is taken for an attack: most often
// [Outcome.Attack] says that.
func ReportOn(outcomes []Outcome, attack func(Outcome) bool) Report {
	r := Report{APCER: make(map[string]match.Rate), NoFace: make(map[string]int), judged: make(map[string][]judged)}
	for _, o := range outcomes {
		rate := r.APCER[o.Species]
		if o.Species == BonaFide {
			rate = r.BPCER
		}
		if o.Together == nil {
			r.NoFace[o.Species]++
		} else {
			wrong := attack(o) == (o.Species == BonaFide)
			if rate.N++; wrong {
				rate.Errors++
			}
			r.judged[o.Species] = append(r.judged[o.Species], judged{o.Person, wrong})
		}
		if o.Species == BonaFide {
			r.BPCER = rate
		} else {
			r.APCER[o.Species] = rate
		}
	}
	return r
}

// Interval returns the 95 % interval of an attack species' APCER, or of the
// BPCER for BonaFide, and how it was worked out.
func (r Report) Interval(species string) (low, high float64, by Method) {
	return intervalOf(r.judged[species])
}

// Species lists the attack species of a report, by name.
func (r Report) Species() []string {
	var all []string
	for s := range r.APCER {
		all = append(all, s)
	}
	slices.Sort(all)
	return all
}

// WorstAPCER returns the largest APCER of all species, which is what ISO/IEC
// 30107-3 has a system reported by.
func (r Report) WorstAPCER() float64 {
	worst := 0.0
	for _, rate := range r.APCER {
		if rate.N > 0 {
			worst = max(worst, rate.Value())
		}
	}
	return worst
}
