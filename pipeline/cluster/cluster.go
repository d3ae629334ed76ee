// Package cluster says which faces of strangers are probably one person's, and
// which persons are easily confused.
//
//	groups := cluster.Faces(descriptors, cluster.Distance(curve, cluster.FMR))
//
// What comes in are descriptors: of faces that nobody was named for, or of the
// gallery. What goes out are groups of faces, or for each person the others who
// are alike. Nothing is kept here and nobody is named.
//
// # Complete linkage
//
// Faces are grouped by agglomerative clustering with complete linkage, cut at a
// distance: groups are joined, the nearest two first, as long as the two faces
// of the joined group that are farthest apart are no farther apart than that
// distance. So every face of a group is that near to every other one, and "this
// face rang three times" stands for three comparisons, each at the stated false
// match rate. Single linkage would ask of a face only to be near to one other,
// and a chain of people, each a little like the next, would become one stranger;
// average linkage lets through pairs that are farther apart than the distance.
// What complete linkage costs is that somebody seen under very different lights
// may become two groups.
//
// The distance is the one at which the false match rate of a comparison is
// [FMR]; see package match, and ISO/IEC 19795-1 for the term.
//
// # How it is done
//
// Faces can only be in one group if a path of pairs within the distance joins
// them. A first pass over all pairs finds the parts that such paths make, with
// one number of memory for each face, and leaves most pairs after a part of
// their 128 numbers. Within each part the nearest-neighbour chain (F. Murtagh,
// A survey of recent advances in hierarchical clustering algorithms, The
// Computer Journal 26, 1983) gives exactly the groups that joining the nearest
// two again and again would, in time that grows with the square of the part's
// size. It keeps the part's distances, 4 bytes for each pair: next to nothing
// for strangers, who are few times alike, and 200 MB where all of 10,000 faces
// are of the same one.
package cluster

import (
	"math"
	"slices"

	"lintel/internal/house"
	"lintel/pipeline/match"
)

// FMR is the false match rate that groups stand for: of pairs of strangers who
// share sex and descent, at most about one in 1,000 is put together by mistake.
const FMR = 1e-3

// Distance returns the largest distance at which the false match rate of one
// comparison is at most fmr by the curve, 0 to [match.MaxDistance]: no match is
// named beyond that, so no faces are put together beyond it either.
func Distance(curve *match.Curve, fmr float64) float64 {
	return min(curve.DistanceAt(fmr), match.MaxDistance)
}

// Faces groups faces that are probably of one person: no two of a group are
// farther apart than the distance. Groups are lists of places in faces, each in
// rising order, and are themselves in the order of their first; a face that is
// like no other is a group of its own. A descriptor of zeros, which is one that
// went with its still, is in no group, nor is one that is not all finite
// numbers. The same faces in another order give the same groups.
func Faces(faces []house.Descriptor, distance float64) (groups [][]int) {
	// Where two pairs are equally near, the order decides which is joined
	// first; so it is one that follows from the faces alone.
	order := make([]int, 0, len(faces))
	for i := range faces {
		if usable(&faces[i]) {
			order = append(order, i)
		}
	}
	slices.SortFunc(order, func(a, b int) int { return slices.Compare(faces[a][:], faces[b][:]) })
	sorted := make([]house.Descriptor, len(order))
	for i, at := range order {
		sorted[i] = faces[at]
	}
	for _, part := range parts(sorted, distance) {
		for _, group := range complete(sorted, part, distance) {
			for i := range group {
				group[i] = order[group[i]]
			}
			slices.Sort(group)
			groups = append(groups, group)
		}
	}
	slices.SortFunc(groups, func(a, b []int) int { return a[0] - b[0] })
	return groups
}

// usable reports whether there is a face to compare.
func usable(d *house.Descriptor) bool {
	for _, v := range d {
		if f := float64(v); math.IsNaN(f) || math.IsInf(f, 0) {
			return false
		}
	}
	return *d != house.Descriptor{}
}
