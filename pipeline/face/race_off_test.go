//go:build !race

package face

const (
	paintedStills          = 40
	paintedPortraits       = 20
	wholeStills            = 20
	photographsAgainstPigo = 3
)
