//go:build !race

package face

const (
	smallFaces             = 40
	drawnScenes            = 8
	wholeStills            = 20
	photographsAgainstPigo = 3
)
