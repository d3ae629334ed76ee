//go:build !race

package store_test

const killsInCI = 50
