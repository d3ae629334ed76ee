// Package keyfile keeps wrapped keys in a file of slots, each of which is written
// and overwritten where it is, so that a key that goes is nowhere any more:
//
//	f, err := keyfile.Open("/var/lib/lintel/keys")
//	n := keyfile.NewNumber(position)
//	err = errors.Join(f.Put(n, wrapped), f.Sync())
//	wrapped, err := f.Get(n)
//	err = errors.Join(f.Clear(n.Position()), f.Sync())
//
// A slot has 64 bytes and begins at a multiple of 64, so that none lies across two
// sectors of a disk, and one that is being written harms no other:
//
//	mark     4 bytes, big-endian: of what is in the slot; the first bit is 1 if it is free
//	wrapped 60 bytes: nonce, key and tag, as package seal wraps a key
//
// A [Number] names a slot and its mark, which is random each time that the slot is
// taken. So whoever has an old number does not meet the key of somebody else, and
// a copy of a slot is known, wherever it is, by its first four bytes. Neither
// mark nor place is a secret. A free slot has random bytes: of zeros a disk, or a file
// system, may make a hole somewhere else.
//
// Which slots are free is for the caller to know; so is that only one writes at a
// time. The file grows by whole steps, filled with free slots and synced, so that
// what is written later changes neither its size nor where it lies.
package keyfile

import (
	"crypto/rand"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"syscall"

	"lintel/store/internal/durable"
)

const (
	// SlotSize is what a slot takes, in bytes.
	SlotSize = 64
	// WrappedSize is what it holds.
	WrappedSize = SlotSize - markSize

	markSize = 4
	freeMark = 1 << 31
	step     = 1024 // slots by which the file grows
)

// ErrGone says that a slot does not hold what the number names.
var ErrGone = errors.New("the key is gone")

// A Number names what a slot holds: its mark, and then its position.
type Number int64

// NewNumber names what is to come into the slot at a position.
func NewNumber(position int64) Number {
	var mark [markSize]byte
	rand.Read(mark[:]) // never fails, see crypto/rand
	return Number(int64(binary.BigEndian.Uint32(mark[:])&^freeMark)<<32 | position)
}

// Position returns which slot it is, from 0 on.
func (n Number) Position() int64 { return int64(n) & (1<<32 - 1) }

// Mark returns what a slot with this number begins with.
func (n Number) Mark() uint32 { return uint32(int64(n) >> 32) }

func (n Number) at() int64 { return n.Position() * SlotSize }

// A File is a file of slots. It is safe for use by several goroutines, but for what
// is said of each method.
type File struct{ f *os.File }

// Open opens a file of slots, and makes an empty one where there is none. On a disk that
// can only be read it is opened to be read.
func Open(path string) (*File, error) {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR, 0o600)
	if errors.Is(err, syscall.EROFS) {
		f, err = os.Open(path)
	}
	if err != nil {
		return nil, fmt.Errorf("opening the keys: %w", err)
	}
	return &File{f}, nil
}

// Close closes the file, once.
func (f *File) Close() error {
	if err := f.f.Close(); !errors.Is(err, os.ErrClosed) {
		return err
	}
	return nil
}

// Slots returns how many slots the file has.
func (f *File) Slots() (int64, error) {
	info, err := f.f.Stat()
	if err != nil {
		return 0, fmt.Errorf("measuring the keys: %w", err)
	}
	return info.Size() / SlotSize, nil
}

// Put writes a wrapped key of WrappedSize into the slot that the number names. It is
// durable once [File.Sync] returned. Only one may write at a time, of all processes.
func (f *File) Put(n Number, wrapped []byte) error {
	if len(wrapped) != WrappedSize {
		return fmt.Errorf("writing a key: it has %d bytes, not %d", len(wrapped), WrappedSize)
	}
	if err := f.grow(n.Position() + 1); err != nil {
		return fmt.Errorf("making room for keys: %w", err)
	}
	slot := binary.BigEndian.AppendUint32(make([]byte, 0, SlotSize), n.Mark())
	if _, err := f.f.WriteAt(append(slot, wrapped...), n.at()); err != nil {
		return fmt.Errorf("writing a key: %w", err)
	}
	return nil
}

// grow makes the file at least that many slots long.
func (f *File) grow(slots int64) error {
	have, err := f.Slots()
	if err != nil || have >= slots {
		return err
	}
	want := (slots + step - 1) / step * step
	if _, err := f.f.WriteAt(free(want-have), have*SlotSize); err != nil {
		return err
	}
	return errors.Join(f.f.Sync(), durable.SyncFolder(filepath.Dir(f.f.Name())))
}

// free returns slots that hold nothing.
func free(slots int64) []byte {
	b := make([]byte, slots*SlotSize)
	rand.Read(b)
	for at := 0; at < len(b); at += SlotSize {
		b[at] |= 0x80
	}
	return b
}

// Get returns the wrapped key that the number names. The error is ErrGone if the slot
// holds another or none.
func (f *File) Get(n Number) ([]byte, error) {
	slot := make([]byte, SlotSize)
	if _, err := f.f.ReadAt(slot, n.at()); err != nil && !errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("reading a key: %w", err)
	}
	if n <= 0 || binary.BigEndian.Uint32(slot) != n.Mark() {
		return nil, ErrGone
	}
	return slot[markSize:], nil
}

// Clear overwrites the slot at a position. That is durable once [File.Sync] returned.
// Only one may write at a time, of all processes.
func (f *File) Clear(position int64) error {
	if slots, err := f.Slots(); err != nil || position >= slots {
		return err // there never was anything
	}
	if _, err := f.f.WriteAt(free(1), position*SlotSize); err != nil {
		return fmt.Errorf("overwriting a key: %w", err)
	}
	return nil
}

// IsFree reports whether nothing is in the slot at a position.
func (f *File) IsFree(position int64) (bool, error) {
	_, free, err := f.At(position)
	return free, err
}

// At returns the number of what is in the slot at a position, or reports that it is
// free.
func (f *File) At(position int64) (n Number, free bool, err error) {
	mark := make([]byte, markSize)
	read, err := f.f.ReadAt(mark, position*SlotSize)
	if err != nil && !errors.Is(err, io.EOF) {
		return 0, false, fmt.Errorf("reading a key: %w", err)
	}
	if read < markSize || mark[0]&0x80 != 0 {
		return 0, true, nil
	}
	return Number(int64(binary.BigEndian.Uint32(mark))<<32 | position), false, nil
}

// Sync makes all that was written durable.
func (f *File) Sync() error {
	if err := syscall.Fdatasync(int(f.f.Fd())); err != nil {
		return fmt.Errorf("syncing the keys: %w", err)
	}
	return nil
}

// Share keeps slots from being overwritten by whoever asks [File.Exclude] before,
// until release is called.
func (f *File) Share() (release func(), err error) { return f.lock(syscall.LOCK_SH) }

// Exclude waits until nobody shares the file, and keeps it so until release is called.
// Without wait the error is syscall.EWOULDBLOCK if somebody does.
func (f *File) Exclude(wait bool) (release func(), err error) {
	if wait {
		return f.lock(syscall.LOCK_EX)
	}
	return f.lock(syscall.LOCK_EX | syscall.LOCK_NB)
}

// lock locks the file by a descriptor of its own, so that goroutines exclude each
// other as processes do.
func (f *File) lock(how int) (release func(), err error) {
	own, err := os.Open(f.f.Name())
	if err != nil {
		return nil, fmt.Errorf("locking the keys: %w", err)
	}
	for err = syscall.EINTR; errors.Is(err, syscall.EINTR); {
		err = syscall.Flock(int(own.Fd()), how)
	}
	if err != nil {
		own.Close()
		return nil, fmt.Errorf("locking the keys: %w", err)
	}
	return func() { own.Close() }, nil
}

// Copy writes a file of that many slots that holds what the numbers name that next
// returns until it says that there are no more, and nothing else. It is durable but
// for its name.
func (f *File) Copy(path string, slots int64, next func() (n Number, more bool, err error)) error {
	return f.copy(path, slots, next, func(_ Number, wrapped []byte) ([]byte, error) { return wrapped, nil })
}

func (f *File) copy(path string, slots int64, next func() (n Number, more bool, err error),
	rewrap func(n Number, wrapped []byte) ([]byte, error)) error {
	to, err := Open(path)
	if err != nil {
		return err
	}
	for at := int64(0); at < slots && err == nil; at += step {
		_, err = to.f.WriteAt(free(min(step, slots-at)), at*SlotSize)
	}
	if err != nil {
		return errors.Join(fmt.Errorf("copying the keys: %w", err), to.Close())
	}
	for {
		n, more, err := next()
		if err != nil || !more {
			return errors.Join(err, to.f.Sync(), to.Close())
		}
		wrapped, err := f.Get(n)
		if errors.Is(err, ErrGone) {
			continue // it is lost, and whoever needs it says so
		}
		if err == nil {
			wrapped, err = rewrap(n, wrapped)
		}
		if err == nil {
			err = to.Put(n, wrapped)
		}
		if err != nil {
			return errors.Join(fmt.Errorf("copying the keys: %w", err), to.Close())
		}
	}
}

// Rewrap writes a file of as many slots that holds under the same numbers what rewrap
// makes of each. It is durable but for its name.
func (f *File) Rewrap(path string, rewrap func(n Number, wrapped []byte) ([]byte, error)) error {
	slots, err := f.Slots()
	if err != nil {
		return err
	}
	position := int64(0)
	next := func() (n Number, more bool, err error) {
		for ; position < slots; position++ {
			if n, free, err := f.At(position); err != nil || !free {
				position++
				return n, err == nil, err
			}
		}
		return 0, false, nil
	}
	return f.copy(path, slots, next, rewrap)
}

// Destroy overwrites a file of slots and removes it. That is durable but for its name.
func Destroy(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return fmt.Errorf("overwriting keys: %w", err)
	}
	k := &File{f}
	slots, err := k.Slots()
	for at := int64(0); at < slots && err == nil; at += step {
		_, err = f.WriteAt(free(min(step, slots-at)), at*SlotSize)
	}
	if err = errors.Join(err, k.Sync(), f.Close()); err != nil {
		return fmt.Errorf("overwriting keys: %w", err)
	}
	return os.Remove(path)
}

// Drop overwrites of a file of slots those that hold what the numbers name, durable
// when it returns, and returns how many did.
func Drop(path string, numbers []Number) (dropped int, err error) {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return 0, fmt.Errorf("opening the keys: %w", err)
	}
	keys := &File{f}
	for _, n := range numbers {
		_, gone := keys.Get(n)
		if errors.Is(gone, ErrGone) {
			continue
		}
		if err := errors.Join(gone, keys.Clear(n.Position())); err != nil {
			return dropped, errors.Join(err, keys.Close())
		}
		dropped++
	}
	if dropped > 0 {
		err = keys.Sync()
	}
	return dropped, errors.Join(err, keys.Close())
}
