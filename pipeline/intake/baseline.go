package intake

import (
	"encoding/binary"
	"fmt"
	"math/bits"
	"slices"
)

// maxCoded bounds what a picture may grow to when it is coded as baseline: a
// progressive one may be coded more tightly than a picture ever is.
const maxCoded = 2 * MaxBytes

// baseline codes a picture from its coefficients alone, as one baseline scan
// with the standard's own tables (ITU-T T.81, annexes F and K.3). Nothing of
// the file that they came from is in it: no byte between, after or beside the
// codes, no table that is not used, no block that lies beyond the picture's
// edge, no step of a coefficient that is nowhere. The coefficients and their
// steps are as they were, and so each pixel is.
//
// colours is the segment that says what the components are; identifiers are
// kept only where a decoder may go by them.
func (d *decoder) baseline(f *jpegFile) ([]byte, error) {
	w := bitWriter{limit: maxCoded}
	used := d.code(&w)
	if err := w.end(); err != nil {
		return nil, err
	}
	tables, places := d.tables(used)
	b := append(make([]byte, 0, len(w.out)+1024), 0xff, mSOI)
	b = append(b, f.colours...)
	var payload []byte
	marker := byte(mSOF0)
	for i, t := range tables {
		p := t.segment(byte(i))
		if p[0]>>4 != 0 {
			marker = mSOF1 // as libjpeg does where steps have 16 bits
		}
		payload = append(payload, p...)
	}
	b = appendSegment(b, segment{marker: mDQT, payload: payload})
	b = appendSegment(b, segment{marker: marker, payload: d.frame(f, places)})
	b = appendSegment(b, segment{marker: mDHT, payload: codesFor(len(d.components))})
	b = appendSegment(b, segment{marker: mSOS, payload: d.scanHeader(f)})
	b = append(b, w.out...)
	return append(b, 0xff, mEOI), nil
}

// identifier is what a component is called: JFIF's number, or its own where no
// JFIF segment says what it is.
func (d *decoder) identifier(f *jpegFile, i int) byte {
	if f.colours == jfif {
		return byte(i + 1)
	}
	return d.components[i].id
}

func (d *decoder) frame(f *jpegFile, places []byte) []byte {
	p := []byte{8}
	p = binary.BigEndian.AppendUint16(p, uint16(f.frame.height))
	p = binary.BigEndian.AppendUint16(p, uint16(f.frame.width))
	p = append(p, byte(len(d.components)))
	for i, c := range d.components {
		p = append(p, d.identifier(f, i), byte(c.h<<4|c.v), places[i])
	}
	return p
}

func (d *decoder) scanHeader(f *jpegFile) []byte {
	p := []byte{byte(len(d.components))}
	for i := range d.components {
		p = append(p, d.identifier(f, i), byte(coded(i)<<4|coded(i)))
	}
	return append(p, 0, 63, 0)
}

// tables returns the tables that the components need, and the place of each
// component's among them. A step that nothing is multiplied by could be
// anything, and is 1.
func (d *decoder) tables(used []uint64) (tables []steps, places []byte) {
	together := make(map[steps]uint64) // which steps the components with the same table use
	for i, c := range d.components {
		if c.steps != nil {
			together[*c.steps] |= used[i]
		}
	}
	for _, c := range d.components {
		var needed, t steps
		if c.steps != nil {
			t = *c.steps
		}
		for k := range needed {
			needed[k] = 1
			if together[t]>>k&1 != 0 {
				needed[k] = t[k]
			}
		}
		place := slices.Index(tables, needed)
		if place < 0 {
			place = len(tables)
			tables = append(tables, needed)
		}
		places = append(places, byte(place))
	}
	return tables, places
}

// segment writes the table as a segment has it (B.2.4.1).
func (t steps) segment(place byte) []byte {
	if slices.Max(t[:]) <= 255 {
		p := []byte{place}
		for _, s := range t {
			p = append(p, byte(s))
		}
		return p
	}
	p := []byte{1<<4 | place}
	for _, s := range t {
		p = binary.BigEndian.AppendUint16(p, s)
	}
	return p
}

// code writes all blocks and returns which coefficients each component has.
func (d *decoder) code(w *bitWriter) (used []uint64) {
	used = make([]uint64, len(d.components))
	before := make([]int16, len(d.components))
	for y := range d.down {
		for x := range d.across {
			for i := range d.components {
				c := &d.components[i]
				for n := range c.h * c.v {
					before[i] = c.codeBlock(w, c.h*x+n%c.h, c.v*y+n/c.h, standard[coded(i)], before[i], &used[i])
				}
			}
		}
	}
	return used
}

// codeBlock writes the block at column x of row y. before is the average of the
// last, and the new one is returned.
func (c *component) codeBlock(w *bitWriter, x, y int, t *codeTable, before int16, used *uint64) int16 {
	if c.blocks == nil || x >= c.wide || y >= c.high { // it shows nothing: as short as can be
		if c.blocks == nil {
			before = 0
		}
		w.difference(t, 0)
		w.put(t.ac[0])
		return before
	}
	b := c.at(x, y)
	average := c.kept(b, 0)
	w.difference(t, average-before)
	zeros := 0
	for k := 1; k < 64; k++ {
		v := c.kept(b, k)
		if v == 0 {
			zeros++
			continue
		}
		for ; zeros > 15; zeros -= 16 {
			w.put(t.ac[0xf0])
		}
		size := bits.Len16(uint16(max(v, -v)))
		w.put(t.ac[zeros<<4|size])
		w.number(v, size)
		*used |= 1 << k
		zeros = 0
	}
	if zeros > 0 {
		w.put(t.ac[0])
	}
	if average != 0 {
		*used |= 1
	}
	return average
}

// kept is a coefficient, or 0 if that is what its step makes of it.
func (c *component) kept(b *[64]int16, k int) int16 {
	if c.steps[k] == 0 {
		return 0
	}
	return b[k]
}

// A bitWriter writes codes, and a 0 after each byte of ones (B.1.1.5).
type bitWriter struct {
	out   []byte
	bits  uint64 // n of them that are not written yet, the latest lowest
	n     int
	limit int // of bytes
}

func (w *bitWriter) put(c code) { w.append(uint64(c.bits), int(c.length)) }

// difference writes the difference of an average to the one before.
func (w *bitWriter) difference(t *codeTable, v int16) {
	size := bits.Len16(uint16(max(v, -v)))
	w.put(t.dc[size])
	w.number(v, size)
}

// number writes a number of so many bits, as F.1.2.1 has negative ones.
func (w *bitWriter) number(v int16, size int) {
	if v < 0 {
		v--
	}
	w.append(uint64(v)&(1<<size-1), size)
}

func (w *bitWriter) append(v uint64, length int) {
	w.bits, w.n = w.bits<<length|v, w.n+length
	if w.n < 32 || len(w.out) > w.limit {
		return
	}
	w.flush()
}

func (w *bitWriter) flush() {
	for ; w.n >= 8; w.n -= 8 {
		c := byte(w.bits >> (w.n - 8))
		if w.out = append(w.out, c); c == 0xff {
			w.out = append(w.out, 0)
		}
	}
}

// end fills the last byte with ones, as F.1.2.3 has it.
func (w *bitWriter) end() error {
	if len(w.out) > w.limit {
		return fmt.Errorf("%w: coded as baseline JPEG it has more than %d bytes", ErrTooLarge, w.limit)
	}
	if over := -w.n & 7; over > 0 {
		w.append(1<<over-1, over)
	}
	w.flush()
	return nil
}
