package cluster

import (
	"runtime"
	"sync"

	"lintel/internal/house"
)

// parts returns the parts into which the pairs within the distance join the
// faces, each in rising order. Every core takes some of the rows and joins what
// it finds by itself; then these are joined.
func parts(faces []house.Descriptor, distance float64) (all [][]int) {
	workers := min(runtime.GOMAXPROCS(0), 1+len(faces)/64)
	joined := make([]sets, workers)
	limit := squareOf(distance)
	var done sync.WaitGroup
	for w := range workers {
		joined[w] = newSets(len(faces))
		done.Go(func() {
			for i := w; i < len(faces); i += workers {
				for j := range i {
					if joined[w].find(i) != joined[w].find(j) && within(&faces[i], &faces[j], limit) {
						joined[w].join(i, j)
					}
				}
			}
		})
	}
	done.Wait()
	for _, other := range joined[1:] {
		for i := range other {
			joined[0].join(i, other.find(i))
		}
	}
	return joined[0].lists()
}

// squareOf is a limit for within, a little larger than the distance's square:
// within rounds as float32 does, and may let a pair through but never keep
// one back.
func squareOf(distance float64) float32 { return float32(distance*distance) * (1 + 1e-4) }

// within reports whether two faces may be within a distance, whose squareOf is
// the limit. Most pairs are told apart long before the last number.
func within(a, b *house.Descriptor, limit float32) bool {
	sum := float32(0)
	for at := 0; at < len(a); at += 16 {
		a, b := (*[16]float32)(a[at:]), (*[16]float32)(b[at:])
		var s, t, u, v float32 // four sums, so that none waits for another
		for i := 0; i < 16; i += 4 {
			d0, d1, d2, d3 := a[i]-b[i], a[i+1]-b[i+1], a[i+2]-b[i+2], a[i+3]-b[i+3]
			s += d0 * d0
			t += d1 * d1
			u += d2 * d2
			v += d3 * d3
		}
		if sum += s + t + (u + v); !(sum <= limit) {
			return false
		}
	}
	return true
}

// sets are disjoint sets of 0 to n-1: each names another of its set, and the
// smallest names itself.
type sets []int32

func newSets(n int) sets {
	s := make(sets, n)
	for i := range s {
		s[i] = int32(i)
	}
	return s
}

// find returns the smallest of i's set.
func (s sets) find(i int) int {
	for int(s[i]) != i {
		s[i] = s[s[i]] // halves the way for the next who asks
		i = int(s[i])
	}
	return i
}

func (s sets) join(i, j int) {
	i, j = s.find(i), s.find(j)
	s[max(i, j)] = int32(min(i, j))
}

// lists returns the sets, each in rising order and in the order of their first.
func (s sets) lists() (all [][]int) {
	at := make(map[int]int) // by the smallest
	for i := range s {
		first := s.find(i)
		n, ok := at[first]
		if !ok {
			n = len(all)
			at[first] = n
			all = append(all, nil)
		}
		all[n] = append(all[n], i)
	}
	return all
}
