package cluster_test

import (
	"fmt"

	"lintel/internal/house"
	"lintel/pipeline/cluster"
	"lintel/pipeline/match"
)

// Faces come in, and those that may be near to one go out.
func ExampleIndex() {
	faces := []house.Descriptor{{0: 0.4}, {1: 0.4}, {0: 0.4, 2: 0.2}, {0: 0.4, 3: 0.2}, {5: 0.4}}
	var index cluster.Index
	for place := range faces {
		index.Add(int64(place), 0, &faces[place])
	}
	distance := cluster.Distance(match.Shipped(), cluster.FMR)
	for _, near := range index.Within(&faces[2], distance) {
		fmt.Printf("%d is %.2f to %.2f away\n", near.Place, near.Least, near.Most)
	}
	// Output:
	// 0 is 0.20 to 0.20 away
	// 2 is 0.00 to 0.00 away
	// 3 is 0.28 to 0.29 away
}
