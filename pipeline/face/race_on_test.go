//go:build race

package face

// The race detector makes the search for faces, and painting, ten times slower.
const (
	paintedStills          = 10
	paintedPortraits       = 4
	wholeStills            = 3
	photographsAgainstPigo = 1
)
