package main

import (
	"bufio"
	"fmt"
	"os"
	"runtime/debug"
	"strings"

	"lintel/pipeline/decoding"
)

// How much memory Go's part of the server may take: a quarter of the machine's,
// and no more than the most, which is enough. The models come on top, about 40
// MB for each worker.
const (
	leastMemory = 192 << 20
	mostMemory  = 400 << 20
)

// limitMemory has the garbage collector keep to what the machine can spare, and
// decoding to a part of that. Whoever set GOMEMLIMIT has said it already.
func limitMemory() {
	limit := debug.SetMemoryLimit(-1) // changes nothing
	if os.Getenv("GOMEMLIMIT") == "" {
		limit = min(mostMemory, max(leastMemory, machineMemory()/4))
		debug.SetMemoryLimit(limit)
	}
	decoding.SetBudget(min(decoding.Usual, limit/8*5))
}

// machineMemory is how many bytes the machine has, by proc(5); where that does
// not say, it is taken to have enough.
func machineMemory() int64 {
	f, err := os.Open("/proc/meminfo")
	if err != nil {
		return 4 * mostMemory
	}
	defer f.Close()
	for lines := bufio.NewScanner(f); lines.Scan(); {
		var kB int64
		if rest, ok := strings.CutPrefix(lines.Text(), "MemTotal:"); ok {
			if _, err := fmt.Sscan(rest, &kB); err == nil {
				return kB << 10
			}
		}
	}
	return 4 * mostMemory
}
