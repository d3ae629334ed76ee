package main

import (
	"bytes"
	"errors"
	"math"
	"slices"
	"strings"
	"testing"

	"lintel/internal/house"
	"lintel/internal/python"
	"lintel/pipeline/match"
)

// line puts a face on a line, so that distances are differences.
func line(person string, x float32) picture {
	return picture{person: person, face: house.Face{Descriptor: house.Descriptor{x}}, took: 1000}
}

// A trial worked by hand. Within groups: ann and ben 0.25 apart twice and 0.5 and
// 0 apart, cid and dot 0.4375 apart. All bands end between 0.25 and 0.4375, but
// weak, which ends beyond.
func TestBandsOf(t *testing.T) {
	pictures := []picture{
		line("ann", 0), line("ann", 0.25), line("ben", 0.25), line("ben", 0.5),
		{person: "ben", err: errors.New("no face found")},
		line("cid", 3), line("dot", 3.4375), line("dot", 3.875),
	}
	groupings := []grouping{
		{"age", map[string]string{"ann": "old", "ben": "old", "cid": "old", "dot": "old"}},
		{"beard", map[string]string{"ann": "no", "ben": "no", "cid": "yes", "dot": "yes"}},
	}
	within, pooled := bandsOf(groupings, pictures), bandsOf(nil, pictures)
	for i, want := range []struct {
		band                       match.Band
		fmr, pooled, missed, limit float64
	}{{match.Strong, 3. / 6, 3. / 18, 1. / 3, 1e-4}, {match.Fair, 3. / 6, 3. / 18, 1. / 3, 1e-3},
		{match.Weak, 4. / 6, 4. / 18, 0, 1e-2}} {
		b, p := within[i], pooled[i]
		if b.Band != want.band || *b.FMR != want.fmr || *p.FMR != want.pooled || *b.FNMR != want.missed ||
			*p.FNMR != want.missed {
			t.Errorf("%+v, pooled %+v, want %+v", b, p, want)
		}
		if math.Abs(b.Said/want.limit-1) > 1e-9 || match.FMR(b.Distance) > want.limit*(1+1e-9) ||
			match.FMR(b.Distance+1e-6) < want.limit {
			t.Errorf("%s ends at %v and says %v", b.Band, b.Distance, b.Said)
		}
		if !(b.FMRCI95[0] <= *b.FMR && *b.FMR <= b.FMRCI95[1]) {
			t.Errorf("%s: the interval %v is not around %v", b.Band, b.FMRCI95, *b.FMR)
		}
	}
	alone := bandsOf([]grouping{{"one each", map[string]string{"ann": "a", "ben": "b", "cid": "c", "dot": "d"}}},
		pictures)
	if alone[0].FMR != nil || alone[0].FMRCI95 != [2]float64{0, 1} {
		t.Errorf("nobody was compared, and %+v", alone[0])
	}
	var text bytes.Buffer
	writeBands(&text, alone, true)
	if !strings.Contains(text.String(), "two persons of one group") || !strings.Contains(text.String(), "not measured") {
		t.Errorf("%s", &text)
	}
}

// Outside: SciPy's exact binomial interval (Clopper and Pearson). Where each
// person is in one comparison, those of a bootstrap over persons are about the
// same; where one of six persons makes all the errors, it is wider.
func TestRateOverPersons(t *testing.T) {
	var apart, shared []tally
	for i := range 200 {
		n := 0
		if i < 20 {
			n = 1
		}
		apart = append(apart, tally{a: 2 * i, b: 2*i + 1, n: 1, errors: []int{n}})
	}
	for b := range 6 {
		for a := range b {
			n := 0
			if a == 0 {
				n = 8
			}
			shared = append(shared, tally{a: a, b: b, n: 40, errors: []int{n}})
		}
	}
	rates, question := make([]match.Rate, 2), [][2]int{{20, 200}, {40, 600}}
	intervals := make([][2]float64, 2)
	for i, of := range [][]tally{apart, shared} {
		rates[i], intervals[i] = rateOverPersons(of, 0)
		if [2]int{rates[i].Errors, rates[i].N} != question[i] {
			t.Errorf("%+v, want %v", rates[i], question[i])
		}
	}
	var answer [][2]float64
	python.Ask(t, "scipy.stats", `
import json, sys
from scipy.stats import binomtest
answer = []
for k, n in json.load(sys.stdin):
    ci = binomtest(k, n).proportion_ci(0.95, method="exact")
    answer.append([ci.low, ci.high])
json.dump(answer, sys.stdout)`, question, &answer)
	for i, exact := range answer {
		if intervals[i][0] > exact[0]+1e-9 || intervals[i][1] < exact[1]-1e-9 {
			t.Errorf("%v is narrower than %v", intervals[i], exact)
		}
	}
	if width, exact := intervals[1][1]-intervals[1][0], answer[1][1]-answer[1][0]; width < 2*exact {
		t.Errorf("one person made all errors, and the interval is %v, not wider than %v", intervals[1], answer[1])
	}
}

// A bandField has the fields of a band, exactly.
type bandField struct {
	Band     string    `json:"band"`
	Distance float64   `json:"distance"`
	Said     float64   `json:"said"`
	FMR      *float64  `json:"fmr"`
	FMRCI95  []float64 `json:"fmr_ci95"`
	FNMR     *float64  `json:"fnmr"`
	FNMRCI95 []float64 `json:"fnmr_ci95"`
}

func checkBandFields(t *testing.T, bands []bandField) {
	t.Helper()
	var names []string
	last := bandField{}
	for _, b := range bands {
		names = append(names, b.Band)
		if !(b.Distance > last.Distance && b.Said > last.Said) || len(b.FMRCI95) != 2 || len(b.FNMRCI95) != 2 ||
			b.FMR == nil || b.FNMR == nil {
			t.Errorf("band %+v after %+v", b, last)
		}
		last = b
	}
	if !slices.Equal(names, []string{"strong", "fair", "weak"}) {
		t.Errorf("bands %q", names)
	}
}
