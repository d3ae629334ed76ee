package keyfile

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"log"
	"os"
	"path/filepath"
	"syscall"
	"testing"
)

// wrappedOf is what stands for a wrapped key.
func wrappedOf(b byte) []byte { return bytes.Repeat([]byte{b}, WrappedSize) }

func newFile(t *testing.T) (f *File, path string) {
	t.Helper()
	path = filepath.Join(t.TempDir(), "keys")
	f, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	return f, path
}

// What is put into a slot is read by its number alone, and after it was overwritten
// its bytes are nowhere in the file, which is as long as before.
//
// Outside: the file's bytes are looked at themselves.
func TestSlots(t *testing.T) {
	f, path := newFile(t)
	var numbers []Number
	for position := range int64(5) {
		n := NewNumber(position)
		if n <= 0 || n.Position() != position || n.Mark()>>31 != 0 {
			t.Fatalf("number %#x of position %d", int64(n), position)
		}
		numbers = append(numbers, n)
		if err := errors.Join(f.Put(n, wrappedOf(byte('a'+position))), f.Sync()); err != nil {
			t.Fatal(err)
		}
	}
	before, err := os.ReadFile(path)
	if err != nil || len(before)%4096 != 0 {
		t.Fatalf("%d bytes, %v", len(before), err)
	}
	for i, n := range numbers {
		slot := before[64*i:][:64]
		if binary.BigEndian.Uint32(slot) != n.Mark() || !bytes.Equal(slot[4:], wrappedOf(byte('a'+i))) {
			t.Errorf("slot %d holds %x", i, slot)
		}
		if got, err := f.Get(n); err != nil || !bytes.Equal(got, wrappedOf(byte('a'+i))) {
			t.Errorf("slot %d: %q, %v", i, got, err)
		}
	}
	for _, none := range []Number{0, -1, numbers[2] ^ 1<<32, numbers[2]&^(1<<32-1) | 3, NewNumber(700), NewNumber(1 << 30)} {
		if got, err := f.Get(none); !errors.Is(err, ErrGone) {
			t.Errorf("number %#x: %q, %v", int64(none), got, err)
		}
	}
	if err := errors.Join(f.Clear(numbers[2].Position()), f.Clear(1<<30), f.Sync()); err != nil {
		t.Fatal(err)
	}
	after, err := os.ReadFile(path)
	if err != nil || len(after) != len(before) || bytes.Contains(after, wrappedOf('c')[:8]) {
		t.Errorf("%d bytes of %d, or the key is there yet; %v", len(after), len(before), err)
	}
	if !bytes.Equal(after[:128], before[:128]) || !bytes.Equal(after[192:], before[192:]) {
		t.Error("other slots were changed")
	}
	if _, err := f.Get(numbers[2]); !errors.Is(err, ErrGone) {
		t.Errorf("the key that went: %v", err)
	}
	for position, want := range []bool{false, false, true, false, false, true} {
		if free, err := f.IsFree(int64(position)); err != nil || free != want {
			t.Errorf("slot %d free: %v, %v", position, free, err)
		}
	}
	if err := f.Put(numbers[2], []byte("short")); err == nil {
		t.Error("put a key that is too short")
	}
}

// A copy holds what it is asked for and no more, and drops what it holds by number.
func TestCopyAndDrop(t *testing.T) {
	f, _ := newFile(t)
	numbers := make([]Number, 6)
	for i := range numbers {
		numbers[i] = NewNumber(int64(i))
		if err := f.Put(numbers[i], wrappedOf(byte('a'+i))); err != nil {
			t.Fatal(err)
		}
	}
	path, left := filepath.Join(t.TempDir(), "copy"), numbers[1:4]
	err := f.Copy(path, 6, func() (Number, bool, error) {
		if len(left) == 0 {
			return 0, false, nil
		}
		n := left[0]
		left = left[1:]
		return n, true, nil
	})
	holds := func(want string) {
		t.Helper()
		data, err := os.ReadFile(path)
		if err != nil || len(data) != 6*SlotSize {
			t.Fatalf("%d bytes, %v", len(data), err)
		}
		for b := byte('a'); b <= 'f'; b++ {
			if bytes.Contains(data, wrappedOf(b)) != bytes.ContainsRune([]byte(want), rune(b)) {
				t.Errorf("key %c: there %v, want of %q", b, bytes.Contains(data, wrappedOf(b)), want)
			}
		}
	}
	if err != nil {
		t.Fatal(err)
	}
	holds("bcd")
	another := NewNumber(3)
	if n, err := Drop(path, []Number{numbers[0], numbers[2], another, NewNumber(99)}); n != 1 || err != nil {
		t.Errorf("dropped %d, %v", n, err)
	}
	holds("bd")
	failed := errors.New("no")
	if err := f.Copy(path+"2", 6, func() (Number, bool, error) { return 0, false, failed }); !errors.Is(err, failed) {
		t.Errorf("copying: %v", err)
	}
}

// Whoever copies keeps others from overwriting, in one process as in several.
func TestLocks(t *testing.T) {
	f, _ := newFile(t)
	release, err := f.Share()
	if err != nil {
		t.Fatal(err)
	}
	again, err := f.Share()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.Exclude(false); !errors.Is(err, syscall.EWOULDBLOCK) {
		t.Errorf("excluded: %v", err)
	}
	excluded := make(chan error)
	go func() {
		release, err := f.Exclude(true)
		if err == nil {
			release()
		}
		excluded <- err
	}()
	release()
	again()
	if err := <-excluded; err != nil {
		t.Error(err)
	}
}

func Example() {
	dir, err := os.MkdirTemp("", "keys")
	if err != nil {
		log.Fatal(err)
	}
	defer os.RemoveAll(dir)
	f, err := Open(filepath.Join(dir, "keys"))
	if err != nil {
		log.Fatal(err)
	}
	defer f.Close()
	n := NewNumber(7)
	err = errors.Join(f.Put(n, bytes.Repeat([]byte("wrapped."), 8)[:WrappedSize]), f.Sync())
	wrapped, failed := f.Get(n)
	fmt.Printf("%.7s, %v\n", wrapped, errors.Join(err, failed))

	err = errors.Join(f.Clear(n.Position()), f.Sync())
	_, failed = f.Get(n)
	fmt.Println(failed, err)
	// Output:
	// wrapped, <nil>
	// the key is gone <nil>
}

// A file is wrapped anew under the same numbers and nothing else, and one that is
// destroyed is overwritten before its name goes.
//
// Outside: the files' bytes are looked at themselves.
func TestRewrapAndDestroy(t *testing.T) {
	f, path := newFile(t)
	var numbers []Number
	for _, position := range []int64{0, 3, 1500} {
		n := NewNumber(position)
		numbers = append(numbers, n)
		if err := f.Put(n, wrappedOf(byte(position%200+1))); err != nil {
			t.Fatal(err)
		}
	}
	next := path + ".new"
	if err := f.Rewrap(next, func(_ Number, wrapped []byte) ([]byte, error) {
		return wrappedOf(wrapped[0] + 1), nil
	}); err != nil {
		t.Fatal(err)
	}
	to, err := Open(next)
	if err != nil {
		t.Fatal(err)
	}
	defer to.Close()
	for _, n := range numbers {
		if got, err := to.Get(n); err != nil || !bytes.Equal(got, wrappedOf(byte(n.Position()%200+2))) {
			t.Errorf("slot %d: %q, %v", n.Position(), got, err)
		}
	}
	was, errWas := f.Slots()
	is, errIs := to.Slots()
	if was != is || errors.Join(errWas, errIs) != nil {
		t.Errorf("%d slots of %d, %v, %v", is, was, errWas, errIs)
	}
	taken := 0
	for position := range is {
		if free, err := to.IsFree(position); err != nil || !free {
			taken++
		}
	}
	if taken != len(numbers) {
		t.Errorf("%d slots are taken", taken)
	}
	failing := errors.New("no")
	if err := f.Rewrap(path+".x", func(Number, []byte) ([]byte, error) { return nil, failing }); !errors.Is(err, failing) {
		t.Error(err)
	}
	link := path + ".link" // of the same bytes
	if err := errors.Join(os.Link(path, link), Destroy(path)); err != nil {
		t.Fatal(err)
	}
	left, err := os.ReadFile(link)
	if err != nil || bytes.Contains(left, wrappedOf(1)[:8]) || bytes.Contains(left, wrappedOf(4)[:8]) {
		t.Errorf("keys are left: %v", err)
	}
	if _, err := os.Stat(path); !errors.Is(err, os.ErrNotExist) {
		t.Error(err)
	}
}
