package store

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"

	"lintel/store/internal/keyfile"
)

// A DiskReport is what [Archive.SearchDisk] looked at and found.
type DiskReport struct {
	Bytes  int64    `json:"bytes"`  // that were read
	Erased int      `json:"erased"` // keys of what was erased that were looked for
	Found  []OnDisk `json:"found"`  // a thousand at most
	More   int      `json:"more"`   // how many more there are
}

// An OnDisk is a key of something erased that opens yet.
type OnDisk struct {
	At   int64  `json:"at"`   // which byte of the disk
	What string `json:"what"` // slot, or row: a key of before there were slots
	Of   string `json:"of"`   // the slot's number, or the visit's id
}

// SearchDisk looks for keys of what was erased in the raw bytes of a disk or of an
// image of one, by two ways: slots by their marks, which are remembered, wherever 64
// bytes of the disk begin; and wrapped keys as rows had them before there were slots,
// by the ids of erased visits, which stand beside. What it finds it opens, so nothing
// is taken for a key that is none. It reads the disk once, and in parts.
//
// It does not find what a disk itself keeps of blocks that it wrote elsewhere, nor
// pieces of a key.
func (a *Archive) SearchDisk(ctx context.Context, disk io.Reader) (r DiskReport, err error) {
	s := diskSearch{a: a, marks: make(map[uint32][]keyfile.Number), visits: make(map[string]bool),
		seen: make(map[int64]bool)}
	s.Found = []OnDisk{}
	slots, err := a.ErasedSlots(ctx)
	if err != nil {
		return r, err
	}
	for _, n := range slots {
		s.marks[n.Mark()] = append(s.marks[n.Mark()], n)
	}
	erased, err := a.Erasures(ctx)
	if err != nil {
		return r, err
	}
	for _, e := range erased {
		if e.What == "visit" && len(e.ID) == idLength {
			s.visits[e.ID] = true
		}
	}
	s.Erased = len(slots)
	if err := s.read(ctx, disk); err != nil {
		return s.DiskReport, fmt.Errorf("searching the disk, after %d bytes: %w", s.Bytes, err)
	}
	return s.DiskReport, nil
}

const (
	idLength = 26
	nearby   = 4096 // how far from its visit's id a row's key is at most: a page of the database
	diskPart = 4 << 20
	maxFound = 1000
)

type diskSearch struct {
	DiskReport
	a      *Archive
	marks  map[uint32][]keyfile.Number
	visits map[string]bool
	seen   map[int64]bool // where rows' keys were found
}

// read reads the disk in parts, each with what is near to it on either side.
func (s *diskSearch) read(ctx context.Context, disk io.Reader) error {
	const around = nearby + idLength // whole sectors, but for the id
	const kept = (around + 511) / 512 * 512
	buf := make([]byte, 0, diskPart+2*kept)
	begin := int64(0) // of buf, on the disk
	from := 0         // where in buf what was not looked at yet begins
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		n, err := io.ReadFull(disk, buf[len(buf):cap(buf)])
		buf = buf[:len(buf)+n]
		s.Bytes += int64(n)
		last := errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF)
		if err != nil && !last {
			return err
		}
		until := len(buf)
		if !last {
			until -= kept
		}
		s.slots(buf, from, until, begin)
		s.rows(buf, from, until, begin)
		if last {
			return nil
		}
		drop := until - kept
		begin += int64(drop)
		buf = buf[:copy(buf, buf[drop:])]
		from = kept
	}
}

func (s *diskSearch) found(x OnDisk) {
	if len(s.Found) == maxFound {
		s.More++
		return
	}
	s.Found = append(s.Found, x)
}

// slots looks at every slot that begins from one place until before another.
func (s *diskSearch) slots(buf []byte, from, until int, begin int64) {
	for at := from; at < until && at+keyfile.SlotSize <= len(buf); at += keyfile.SlotSize {
		for _, n := range s.marks[binary.BigEndian.Uint32(buf[at:])] {
			wrapped := buf[at+keyfile.SlotSize-keyfile.WrappedSize:][:keyfile.WrappedSize]
			if _, err := s.a.seals.Unwrap(wrapped, slotPlace(int64(n))...); err == nil {
				s.found(OnDisk{begin + int64(at), "slot", fmt.Sprint(int64(n))})
			}
		}
	}
}

// rows looks for ids of erased visits that begin from one place until before another,
// and then for a wrapped key near each. One of every idLength bytes is in an id.
func (s *diskSearch) rows(buf []byte, from, until int, begin int64) {
	if len(s.visits) == 0 {
		return
	}
	next := from
	for at := from + idLength - 1; at < min(until+idLength, len(buf)); at += idLength {
		if !inID(buf[at]) {
			continue
		}
		for start := max(next, at-idLength+1); start <= at && start < until && start+idLength <= len(buf); start++ {
			if s.visits[string(buf[start:start+idLength])] {
				s.row(buf, start, begin)
			}
		}
		next = at + 1
	}
}

// inID reports whether a byte may be part of an id (RFC 4648, base 32).
func inID(b byte) bool { return b >= 'A' && b <= 'Z' || b >= '2' && b <= '7' }

func (s *diskSearch) row(buf []byte, id int, begin int64) {
	visit := string(buf[id : id+idLength])
	for at := max(0, id-nearby); at+keyfile.WrappedSize <= min(len(buf), id+nearby); at++ {
		wrapped := buf[at : at+keyfile.WrappedSize]
		if s.seen[begin+int64(at)] || binary.LittleEndian.Uint64(wrapped) == 0 {
			continue
		}
		for frame := range 16 {
			if _, err := s.a.seals.Unwrap(wrapped, stillPlace(visit, frame)...); err == nil {
				s.seen[begin+int64(at)] = true
				s.found(OnDisk{begin + int64(at), "row", visit})
			}
		}
	}
}
