//go:build !race

package recognise

const race = false
