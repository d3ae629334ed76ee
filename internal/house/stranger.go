package house

import (
	"errors"
	"math"
)

// ErrBadPrior says that a prior can't be one, and why.
var ErrBadPrior = errors.New("how often a ring is somebody enrolled lies between 1 % and 99 %")

// StrangerDistances are how far faces that the household called strangers were
// from its persons. They are counts, and so stay when the faces go.
type StrangerDistances struct {
	Strangers int `json:"strangers"` // faces
	// Counts says how many distances there are by hundredth, rounded up:
	// Counts[40] those above 0.39 and up to 0.40.
	Counts []int `json:"counts"`
}

// Comparisons returns how many distances there are.
func (s StrangerDistances) Comparisons() (n int) {
	for _, count := range s.Counts {
		n += count
	}
	return n
}

// farthest is the last hundredth that is counted by itself; what is farther
// counts as if it were there.
const farthest = 150

// With returns the counts with one stranger more.
func (s StrangerDistances) With(distances []float64) StrangerDistances {
	more := StrangerDistances{s.Strangers + 1, make([]int, farthest+1)}
	copy(more.Counts, s.Counts)
	for _, d := range distances {
		more.Counts[int(math.Ceil(min(max(100*d-1e-9, 0), farthest)))]++
	}
	return more
}
