package cluster_test

import (
	"fmt"

	"lintel/internal/house"
	"lintel/pipeline/cluster"
	"lintel/pipeline/match"
)

// Faces of strangers come in, and which of them are probably one person's goes out.
func ExampleFaces() {
	faces := []house.Descriptor{
		{0: 1},
		{1: 1},
		{0: 1, 2: 0.2},
		{0: 1, 3: 0.2},
		{5: 1},
	}
	distance := cluster.Distance(match.Shipped(), cluster.FMR)
	fmt.Printf("at most %.2f apart: %v\n", distance, cluster.Faces(faces, distance))
	// Output:
	// at most 0.43 apart: [[0 2 3] [1] [4]]
}
