package cluster

import (
	"math"
	"runtime"
	"slices"
	"sync"

	"lintel/internal/house"
	"lintel/pipeline/match"
)

// complete groups the faces of a part by complete linkage, cut at the distance.
//
// The chain begins with any group, and goes from each to its nearest. Two that
// are each other's nearest are joined, since with complete linkage joining
// others can't bring anything nearer to either of them. A group whose nearest is
// beyond the distance is done: it only gets farther from others.
func complete(faces []house.Descriptor, part []int, distance float64) [][]int {
	d := measure(faces, part)
	if len(d) == 0 || float64(slices.Max(d)) <= distance {
		return [][]int{part} // whatever is joined first
	}
	joined := newSets(len(part))
	open := make([]int, len(part)) // groups to be joined, each by one of its faces, in rising order
	for i := range open {
		open[i] = i
	}
	var chain []int
	for len(open) > 0 {
		if len(chain) == 0 {
			chain = append(chain, open[0])
		}
		top, before := chain[len(chain)-1], -1
		if len(chain) > 1 {
			before = chain[len(chain)-2]
		}
		switch nearest, far := d.nearest(top, before, open); {
		case float64(far) > distance: // only of the chain's first: the way gets shorter
			open = remove(open, top)
			chain = chain[:0]
		case nearest == before:
			d.merge(before, top, open)
			joined.join(before, top)
			open = remove(open, top)
			chain = chain[:len(chain)-2]
		default:
			chain = append(chain, nearest)
		}
	}
	groups := joined.lists()
	for _, group := range groups {
		for i := range group {
			group[i] = part[group[i]]
		}
	}
	return groups
}

// remove takes one out of a list, whose order stays.
func remove(list []int, one int) []int {
	kept := list[:0]
	for _, v := range list {
		if v != one {
			kept = append(kept, v)
		}
	}
	return kept
}

// distances are those between n groups: of 1 from 0, of 2 from 0 and 1, and so on.
type distances []float32

// at is where the distance between two is.
func at(i, j int) int {
	if i < j {
		i, j = j, i
	}
	return i*(i-1)/2 + j
}

// measure returns the distances between the faces of a part. They are rounded
// up, so that none beyond a limit passes for one within.
func measure(faces []house.Descriptor, part []int) distances {
	d := make(distances, len(part)*(len(part)-1)/2)
	workers := min(runtime.GOMAXPROCS(0), 1+len(part)/64)
	var done sync.WaitGroup
	for w := range workers {
		done.Go(func() {
			for i := w; i < len(part); i += workers {
				for j := range i {
					d[at(i, j)] = roundedUp(match.Distance(&faces[part[i]], &faces[part[j]]))
				}
			}
		})
	}
	done.Wait()
	return d
}

func roundedUp(exact float64) float32 {
	rounded := float32(exact)
	if float64(rounded) < exact {
		rounded = math.Nextafter32(rounded, float32(math.Inf(1)))
	}
	return rounded
}

// nearest returns the open group that is nearest to one, and how far it is: the
// preferred one, if there is one and none is nearer, so that the chain ends.
func (d distances) nearest(one, preferred int, open []int) (nearest int, far float32) {
	nearest, far = preferred, float32(math.Inf(1))
	if preferred >= 0 {
		far = d[at(one, preferred)]
	}
	for _, other := range open {
		if other != one && d[at(one, other)] < far {
			nearest, far = other, d[at(one, other)]
		}
	}
	return nearest, far
}

// merge makes one group of two, under the name of the first: it is as far from
// any other as the farther of the two.
func (d distances) merge(one, two int, open []int) {
	for _, other := range open {
		if other != one && other != two {
			d[at(one, other)] = max(d[at(one, other)], d[at(two, other)])
		}
	}
}
