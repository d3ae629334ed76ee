package keyfile

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
)

// A copy of a file of slots may be cut into runs of RunSlots, so that those that did not
// change need no second copy. The slot at a position p is the one at p%RunSlots of the run
// p/RunSlots.
const (
	RunSlots = step
	RunSize  = RunSlots * SlotSize
)

// SameRun reports whether two runs hold the same: free slots are alike whatever their bytes.
func SameRun(a, b []byte) bool {
	if len(a) != len(b) {
		return false
	}
	for at := 0; at+SlotSize <= len(a); at += SlotSize {
		x, y := a[at:at+SlotSize], b[at:at+SlotSize]
		if !bytes.Equal(x, y) && (x[0]&0x80 == 0 || y[0]&0x80 == 0) {
			return false
		}
	}
	return true
}

// InRun returns what the number names, if it is in its run.
func InRun(run []byte, n Number) (wrapped []byte, there bool) {
	at := n.Position() % RunSlots * SlotSize
	if n <= 0 || at+SlotSize > int64(len(run)) || binary.BigEndian.Uint32(run[at:]) != n.Mark() {
		return nil, false
	}
	return run[at+markSize : at+SlotSize], true
}

// DropInRun is [Drop] for a file that holds one run, and numbers of that run.
func DropInRun(path string, numbers []Number) (dropped int, err error) {
	within := make([]Number, len(numbers))
	for i, n := range numbers {
		within[i] = n&^(1<<32-1) | Number(n.Position()%RunSlots)
	}
	return Drop(path, within)
}

// FreeZeros overwrites slots of nothing but zeros, which a file that was cut has, as free ones
// are.
func FreeZeros(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return fmt.Errorf("opening the keys: %w", err)
	}
	keys, slot, zeros := &File{f}, make([]byte, SlotSize), make([]byte, SlotSize)
	for position := int64(0); err == nil; position++ {
		if _, err = f.ReadAt(slot, position*SlotSize); err == nil && bytes.Equal(slot, zeros) {
			err = keys.Clear(position)
		}
	}
	if errors.Is(err, io.EOF) {
		err = keys.Sync()
	}
	return errors.Join(err, keys.Close())
}
