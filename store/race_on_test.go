//go:build race

package store_test

// The race detector makes a process do a tenth in the time it has until it is
// killed. `make test` runs TestKill once more without.
const killsInCI = 8
