package house

import (
	"errors"
	"math"
	"time"
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

// A StrangersFace is a face that is nobody's, as it is compared with others.
type StrangersFace struct {
	Place    int64 // rises from one to the next, and comes never again
	Stranger int64 // the number of whose it is; 0 for nobody's yet
	Within   int   // hundredths of the distance that it was compared by, 0 before
	Face     Face
}

// A Placing says whose a stranger's face is.
type Placing struct {
	Place    int64
	Stranger int64 // 0 for a face that can't be compared
	Size     int   // how many faces the stranger had before; 0 for a new one
}

// A SeenStranger is a stranger by the faces that are kept, all of them.
type SeenStranger struct {
	Stranger    int64
	Visits      int // on which they were seen
	First, Last time.Time
}
