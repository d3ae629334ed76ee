package keyfile

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"testing"
)

// A file of slots that is cut into runs holds in each what the numbers of its positions name;
// free slots make no difference, and what is dropped from a run is gone from it alone.
func TestRuns(t *testing.T) {
	path := filepath.Join(t.TempDir(), "keys")
	f, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	wrapped := func(i int) []byte { return bytes.Repeat([]byte{byte(i + 1)}, WrappedSize) }
	var numbers []Number
	for i, position := range []int64{0, 7, RunSlots - 1, RunSlots, RunSlots + 7} {
		n := NewNumber(position)
		numbers = append(numbers, n)
		if err := f.Put(n, wrapped(i)); err != nil {
			t.Fatal(err)
		}
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	data, err := os.ReadFile(path)
	if err != nil || len(data) != 2*RunSize {
		t.Fatal(len(data), err)
	}
	runs := [][]byte{data[:RunSize], data[RunSize:]}
	for i, n := range numbers {
		for r, run := range runs {
			got, there := InRun(run, n)
			if there != (int(n.Position()/RunSlots) == r) || there && !bytes.Equal(got, wrapped(i)) {
				t.Errorf("number %d in run %d: %v", i, r, there)
			}
		}
	}
	again := bytes.Clone(runs[0])
	copy(again[SlotSize:], free(1)) // was free, and is
	if !SameRun(runs[0], again) {
		t.Error("a free slot makes a difference")
	}
	again[8] ^= 1
	if SameRun(runs[0], again) || SameRun(runs[0], runs[1]) || SameRun(runs[0], runs[0][:SlotSize]) {
		t.Error("runs that differ are the same")
	}
	second := filepath.Join(t.TempDir(), "run")
	if err := os.WriteFile(second, runs[1], 0o600); err != nil {
		t.Fatal(err)
	}
	if n, err := DropInRun(second, numbers[4:]); n != 1 || err != nil {
		t.Fatal(n, err)
	}
	left, err := os.ReadFile(second)
	_, kept := InRun(left, numbers[3])
	_, gone := InRun(left, numbers[4])
	if err != nil || !kept || gone {
		t.Errorf("kept %v, still there %v, %v", kept, gone, err)
	}
}

// What a file that was cut lacks is zeros, which FreeZeros makes free slots of.
func TestFreeZeros(t *testing.T) {
	path := filepath.Join(t.TempDir(), "keys")
	f, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	n := NewNumber(3)
	if err := errors.Join(f.Put(n, make([]byte, WrappedSize)), os.Truncate(path, 4*SlotSize),
		os.Truncate(path, 6*SlotSize), FreeZeros(path)); err != nil {
		t.Fatal(err)
	}
	for position, want := range map[int64]bool{0: true, 3: false, 4: true, 5: true} {
		if free, err := f.IsFree(position); free != want || err != nil {
			t.Errorf("slot %d is free: %v, %v", position, free, err)
		}
	}
}
