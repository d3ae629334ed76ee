package match

import (
	_ "embed"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"sort"
	"sync"
)

// A Curve turns a distance into error rates and a likelihood ratio. It holds a
// table over distances from 0 in steps of [Step]; between two of them the
// logarithm of a rate is a straight line, and beyond the last one the last
// value goes on. A Curve is not changed once made, so goroutines may share it.
type Curve struct {
	Source      string `json:"source"`      // what was compared, in words
	Persons     int    `json:"persons"`     // compared with each other
	Comparisons int    `json:"comparisons"` // between two of them, of one group
	Genuine     int    `json:"genuine"`     // between two pictures of one person
	Strangers   int    `json:"strangers"`   // of the household's own, 0 in the shipped curve

	// Groups are those that persons were compared within.
	Groups []FittedGroup `json:"groups"`

	// Rate is the false match rate of one comparison with that distance as
	// the threshold, from 0 to 1, in the worst group: the upper end of its
	// one-sided 95 % interval. Estimate is the worst group's estimate, and at
	// most the rate. Both rise with the distance, and none is ever 0.
	Rate     []float64 `json:"rate"`
	Estimate []float64 `json:"estimate"`

	// Evidence is the natural logarithm of the likelihood ratio; it falls
	// with the distance.
	Evidence []float64 `json:"evidence"`
}

// A FittedGroup is what a curve keeps of a group that persons were compared
// within.
type FittedGroup struct {
	Name        string  `json:"name"`
	Persons     int     `json:"persons"`     // compared with each other
	Comparisons int     `json:"comparisons"` // between two persons
	Observed    float64 `json:"observed"`    // the least distance; rates below are the tail's alone
	Tail        Tail    `json:"tail"`
}

// A Tail is what was fitted to the least distances between persons: a
// generalised Pareto distribution of how far they lie below a threshold, as
// extreme value theory has it of the excesses over a high one. ISO/IEC
// 5152:2024 extends biometric error rates below what was observed by such a
// fit (from memory; the text was not at hand).
type Tail struct {
	Threshold float64 `json:"threshold"` // distances below belong to the tail
	Share     float64 `json:"share"`     // of comparisons that do, 0 to 1
	Shape     float64 `json:"shape"`     // below 0, the distribution has an end
	Scale     float64 `json:"scale"`     // of distance, above 0
}

// Step is the distance between two entries of a curve's tables.
const Step = 0.01

// entries is how many there are: up to a distance of 1.2, beyond which two
// persons in a hundred are.
const entries = 121

// leastRate is the least rate that is ever claimed. A fitted tail may end at
// some distance, but that nobody is nearer was never shown.
const leastRate = 1e-9

// mostEvidence bounds the logarithm of a likelihood ratio: no trial has as many
// persons as it would take to see more.
const mostEvidence = 50

// ErrBadCurve says that a curve's table can't be one.
var ErrBadCurve = errors.New("not a calibration curve")

//go:embed curve.json
var shippedTable []byte

// shipped is the curve that comes with Lintel, read when first asked for.
var shipped = sync.OnceValue(func() *Curve { return mustCurve(shippedTable) })

// Shipped returns the curve that comes with Lintel, fitted to an open set of
// portraits; Source names it. How it was made is in fit_test.go; `go test -run Curve
// -update` in this folder makes it anew.
func Shipped() *Curve { return shipped() }

func mustCurve(table []byte) *Curve {
	c, err := ParseCurve(table)
	if err != nil {
		panic(err) // the table is a part of the program, and a test reads it
	}
	return c
}

// ParseCurve reads a curve from its JSON. The error is ErrBadCurve where a
// table has gaps, is no rate, or turns round.
func ParseCurve(table []byte) (*Curve, error) {
	var c Curve
	if err := json.Unmarshal(table, &c); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrBadCurve, err)
	}
	for _, t := range [][]float64{c.Rate, c.Estimate, c.Evidence} {
		if len(t) != entries {
			return nil, fmt.Errorf("%w: a table of %d entries, not %d", ErrBadCurve, len(t), entries)
		}
	}
	for i := range entries {
		last := max(0, i-1)
		switch {
		case !(c.Estimate[i] > 0 && c.Estimate[i] <= c.Rate[i] && c.Rate[i] <= 1):
			return nil, fmt.Errorf("%w: at %.2f the rate is %v, estimated as %v",
				ErrBadCurve, float64(i)*Step, c.Rate[i], c.Estimate[i])
		case c.Rate[last] > c.Rate[i] || c.Estimate[last] > c.Estimate[i] || !(c.Evidence[last] >= c.Evidence[i]):
			return nil, fmt.Errorf("%w: at %.2f a table turns round", ErrBadCurve, float64(i)*Step)
		case math.Abs(c.Evidence[i]) > mostEvidence:
			return nil, fmt.Errorf("%w: at %.2f the evidence is %v", ErrBadCurve, float64(i)*Step, c.Evidence[i])
		}
	}
	return &c, nil
}

// FMR returns the false match rate of one comparison with that distance as
// the threshold: how often two persons of the worst group are at most as far
// apart, at the upper end of what is likely. It is more than 0 and at most 1; 1
// for a distance that is no number.
func (c *Curve) FMR(distance float64) float64 { return rateAt(c.Rate, distance) }

// DistanceAt returns the largest distance whose FMR is at most fmr; 0 where
// even that of a distance of 0 is more, and +Inf where all are at most fmr.
func (c *Curve) DistanceAt(fmr float64) float64 {
	i := sort.Search(entries, func(i int) bool { return c.Rate[i] > fmr })
	switch i {
	case 0:
		return 0
	case entries:
		return math.Inf(1)
	}
	from, to := math.Log(c.Rate[i-1]), math.Log(c.Rate[i])
	return Step * (float64(i-1) + (math.Log(fmr)-from)/(to-from))
}

// rateAt looks a rate up in a table.
func rateAt(table []float64, distance float64) float64 {
	i, part, ok := entry(distance)
	if !ok {
		return 1
	}
	if part == 0 {
		return table[i]
	}
	return math.Exp((1-part)*math.Log(table[i]) + part*math.Log(table[i+1]))
}

// entry returns the table's entry at or before a distance, and what part of
// the way to the next one it lies; false for what is no number.
func entry(distance float64) (i int, part float64, ok bool) {
	switch steps := distance / Step; {
	case math.IsNaN(steps):
		return 0, 0, false
	case steps <= 0:
		return 0, 0, true
	case steps >= entries-1:
		return entries - 1, 0, true
	default:
		whole := math.Floor(steps)
		return int(whole), steps - whole, true
	}
}
