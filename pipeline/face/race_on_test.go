//go:build race

package face

// The race detector makes the search for faces, and drawing, ten times slower.
const (
	smallFaces             = 10
	drawnScenes            = 0
	wholeStills            = 3
	photographsAgainstPigo = 1
)
