// Package cluster says which faces of strangers are probably one person's, and
// which persons are easily confused.
//
//	groups := cluster.NewGroups(archive)
//	more, cost, err := groups.Step(ctx, cluster.Hundredths(cluster.Distance(curve, cluster.FMR)))
//
// What comes in are descriptors: of faces that nobody was named for, or of the
// gallery. What goes out are groups of faces, kept in a [Book] as the faces come and
// go, or for each person the others who are alike. Nobody is named.
//
// # Complete linkage
//
// A face joins the group of which even the farthest face is within a distance: of
// several groups the one whose farthest face is nearest. If there is none it begins a
// group of its own. Where a face goes, what is left of its group is joined with another
// if all of their faces are that near to each other. So at any time
//
//   - each face is in one group,
//   - no two faces of a group are farther apart than the distance, and
//   - no two groups could be made one.
//
// This is what agglomerative clustering with complete linkage promises, cut at that
// distance, and "this face rang three times" stands for three comparisons, each at the
// stated false match rate. Single linkage would ask of a face only to be near to one
// other, and a chain of people, each a little like the next, would become one stranger;
// average linkage lets through pairs that are farther apart than the distance. What
// complete linkage costs is that somebody seen under very different lights may become
// two groups.
//
// Joining faces as they come, and not the nearest two first, makes a difference only
// between people who are alike, or where one is seen so differently that not all
// faces are near: MEASUREMENTS.md says how much. In return a face costs one
// look at the others, and what a page shows stands in a table.
//
// The distance is one at which the false match rate of a comparison is at most [FMR];
// see package match, and ISO/IEC 19795-1 for the term.
//
// # The look at the others
//
// An [Index] holds all faces in memory, a byte for each number of a descriptor. By
// the triangle inequality a face is no nearer than its codes are, less what both faces
// are away from their codes; so whoever is within the distance is found, always, and
// most of the others are told apart after a part of their numbers. Where the codes
// can't tell, the descriptors decide, which are opened one by one. Nothing of the
// index is on a disk: it is read in the background after each start.
package cluster

import (
	"math"

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

// usable reports whether there is a face to compare.
func usable(d *house.Descriptor) bool {
	for _, v := range d {
		if f := float64(v); math.IsNaN(f) || math.IsInf(f, 0) {
			return false
		}
	}
	return *d != house.Descriptor{}
}
