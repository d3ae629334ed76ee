//go:build !race

package store

const killsInCI = 50
