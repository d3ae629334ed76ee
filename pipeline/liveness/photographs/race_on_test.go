//go:build race

package photographs

const race = true
