package store

import (
	"bytes"
	"encoding/binary"
	"os"
	"testing"
)

// FuzzUnused checks that nothing is taken for unused that lies outside the
// page or that a header, a cell or a free block's own header has, whatever the
// page holds.
func FuzzUnused(f *testing.F) {
	for _, file := range shapes(f)[:6] { // those with pages small enough to search
		data, err := os.ReadFile(file)
		if err != nil {
			f.Fatal(err)
		}
		size := int(binary.BigEndian.Uint16(data[16:])) // of a page, section 1.3.2 of sqlite.org/fileformat2.html
		for at := 0; at < len(data) && at < 40*size; at += 3 * size {
			f.Add(data[at:at+size], at == 0)
		}
	}
	f.Add([]byte{13}, false)
	f.Add(bytes.Repeat([]byte{0xff}, 512), true)
	f.Fuzz(func(t *testing.T, page []byte, first bool) {
		before := bytes.Clone(page)
		spans := unused(page, first)
		if !bytes.Equal(page, before) {
			t.Fatal("looking at a page changed it")
		}
		if len(spans) == 0 {
			return
		}
		header, end := headerOf(page, first), 0
		pointers := len(header)
		if first {
			pointers += 100
		}
		cells := int(binary.BigEndian.Uint16(header[3:]))
		for _, s := range spans {
			if s.from < end || s.until < s.from || s.until > len(page) || s.from < pointers+2*cells {
				t.Fatalf("%v is none of a page of %d bytes with %d cells: %v", s, len(page), cells, spans)
			}
			end = s.until
			for i := range cells {
				at := int(binary.BigEndian.Uint16(page[pointers+2*i:]))
				if size := cellSize(page, at, header[0]); at < s.until && at+size > s.from {
					t.Fatalf("%v has a part of a cell at %d of %d bytes", s, at, size)
				}
			}
			clear(page[s.from:s.until])
		}
		// Once wiped, the same parts are unused, and hold nothing.
		if again := unused(page, first); len(again) != len(spans) || hasLeftovers(page, first) {
			t.Fatalf("after wiping %v, unused are %v", spans, again)
		}
	})
}

// headerOf returns a b-tree page's header, of 8 or 12 bytes.
func headerOf(page []byte, first bool) []byte {
	if first {
		page = page[100:]
	}
	if page[0] == 2 || page[0] == 5 {
		return page[:12]
	}
	return page[:8]
}
