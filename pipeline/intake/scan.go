package intake

import (
	"bytes"
	"encoding/binary"
)

// A component is one colour of a picture: its coefficients as they were coded,
// before they are multiplied by their steps and become pixels. black is set of
// the fourth, of which the highest value is no ink.
type component struct {
	id           byte
	h, v         int // sampling factors, 1, 2 or 4
	table        byte
	across, down int // blocks, those beyond the picture's edge among them
	wide, high   int // blocks that show any of the picture
	black        bool

	blocks    []int16  // 64 for each block, in zig-zag order; nil before the first scan
	steps     *steps   // of quantization; nil before the first scan
	low       [64]int8 // for each coefficient the lowest bit that is there, or unseen
	rows      int      // rows of minimum coded units that have their averages
	dc, ac    *huffman // of the present scan
	predicted int32    // the average before, in the present scan
}

// steps are what coefficients are multiplied by, in zig-zag order.
type steps [64]uint16

// unseen is one more than the highest bit of a coefficient: tables F.1 and F.2
// have 10 bits and a sign.
const unseen = 10

// whole reports whether every coefficient is there to its last bit.
func (c *component) whole() bool { return c.low == [64]int8{} }

// A decoder goes over a JPEG's scans and collects coefficients. It keeps what
// came before the first mistake, so a JPEG that breaks off is decoded once.
type decoder struct {
	progressive bool
	across      int // minimum coded units in a row
	down        int
	components  []component
	quant       [4]*steps
	huffman     [2][4]*huffman // averages' (DC) and others' (AC)
	interval    int            // minimum coded units between restarts, 0 without

	bits bitReader
	scan scan
	run  int32 // of blocks that have nothing more in the present band
}

// A scan is what its header says (B.2.3).
type scan struct {
	components  []*component
	first, last int // coefficients, by zig-zag order
	high, low   int // bits: what was there before, or 0, and what comes with this one
}

func newDecoder(f *jpegFile) *decoder {
	d := &decoder{progressive: f.frame.progressive, across: f.frame.across, down: f.frame.down}
	d.components = make([]component, len(f.frame.components))
	for i, c := range f.frame.components {
		d.components[i] = c
		for k := range d.components[i].low {
			d.components[i].low[k] = unseen
		}
	}
	return d
}

// decode takes in the tables and scans of a JPEG, one after the other, until
// the first mistake, and returns that.
func (d *decoder) decode(f *jpegFile) error {
	for _, s := range f.segments {
		var err error
		switch s.marker {
		case mDQT:
			err = d.quantization(s.payload)
		case mDHT:
			err = d.codes(s.payload)
		case mDRI:
			if len(s.payload) != 2 {
				return errTable
			}
			d.interval = int(binary.BigEndian.Uint16(s.payload))
		case mSOS:
			if err = d.header(s.payload); err == nil {
				err = d.entropy(s.entropy)
			}
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// quantization reads tables of steps (B.2.4.1).
func (d *decoder) quantization(p []byte) error {
	for len(p) > 0 {
		precision, where, size := p[0]>>4, p[0]&0x0f, 64
		if precision == 1 {
			size = 128
		}
		if precision > 1 || int(where) >= len(d.quant) || len(p) < 1+size {
			return errTable
		}
		t := new(steps)
		for k := range t {
			if precision == 1 {
				t[k] = binary.BigEndian.Uint16(p[1+2*k:])
			} else {
				t[k] = uint16(p[1+k])
			}
		}
		d.quant[where] = t
		p = p[1+size:]
	}
	return nil
}

// codes reads Huffman tables.
func (d *decoder) codes(p []byte) error {
	for len(p) > 0 {
		where, h, rest, err := parseHuffman(p)
		if err != nil || where>>4 > 1 || where&0x0f > 3 {
			return errTable
		}
		d.huffman[where>>4][where&0x0f] = h
		p = rest
	}
	return nil
}

// header reads a scan's header and holds it against what was there before:
// each bit of each coefficient comes once (G.1.1.1), which bounds the work.
func (d *decoder) header(p []byte) error {
	if len(p) < 6 || len(p) != 4+2*int(p[0]) || int(p[0]) > len(d.components) {
		return errScan
	}
	s := scan{last: 63}
	if end := p[len(p)-3:]; d.progressive {
		s.first, s.last, s.high, s.low = int(end[0]), int(end[1]), int(end[2]>>4), int(end[2]&0x0f)
	}
	units := 0
	for c := p[1 : len(p)-3]; len(c) > 0; c = c[2:] {
		i := bytes.IndexByte(d.ids(), c[0])
		if i < 0 || c[1]>>4 > 3 || c[1]&0x0f > 3 {
			return errScan
		}
		found := &d.components[i]
		for _, other := range s.components {
			if other == found {
				return errScan
			}
		}
		found.dc, found.ac = d.huffman[0][c[1]>>4], d.huffman[1][c[1]&0x0f]
		units += found.h * found.v
		s.components = append(s.components, found)
	}
	if len(s.components) > 1 && units > 10 || !s.fits(d.progressive) {
		return errScan
	}
	d.scan = s
	return d.begin()
}

func (d *decoder) ids() []byte {
	ids := make([]byte, len(d.components))
	for i, c := range d.components {
		ids[i] = c.id
	}
	return ids
}

// fits reports whether the scan says what annex G allows, at this place.
func (s scan) fits(progressive bool) bool {
	averages := s.first == 0
	if progressive && (averages != (s.last == 0) || s.first > s.last || s.last > 63 ||
		!averages && len(s.components) > 1 || s.low >= unseen || s.high != 0 && s.high != s.low+1) {
		return false
	}
	before := int8(unseen)
	if s.high != 0 {
		before = int8(s.high)
	}
	for _, c := range s.components {
		if !averages && c.low[0] == unseen {
			return false
		}
		for k := s.first; k <= s.last; k++ {
			if c.low[k] != before {
				return false
			}
		}
	}
	return true
}

// begin looks for the tables that the scan needs, and makes room for what it
// brings.
func (d *decoder) begin() error {
	for _, c := range d.scan.components {
		refinesAverages := d.scan.first == 0 && d.scan.high != 0
		if d.quant[c.table] == nil || d.scan.first == 0 && !refinesAverages && c.dc == nil ||
			d.scan.last > 0 && c.ac == nil {
			return errTable
		}
		c.steps = d.quant[c.table]
		if c.blocks != nil {
			continue
		}
		c.blocks = make([]int16, 64*c.across*c.down)
		c.blank(0)
	}
	return nil
}

// blank makes a component's blocks from a row on neutral: mid-grey and no
// colour, which all zeros are, or no ink.
func (c *component) blank(row int) {
	blocks := c.blocks[64*c.across*row:]
	clear(blocks)
	if step := int(c.steps[0]); c.black && step > 0 {
		for i := 0; i < len(blocks); i += 64 {
			blocks[i] = int16(min(8*127/step, maxAverage))
		}
	}
}

// dropPart takes the row out that is there in part, with all that follows. Where
// a picture is to be coded anew, it would smear over what is whole.
func (d *decoder) dropPart() {
	rows := d.down
	for _, c := range d.components {
		rows = min(rows, c.rows)
	}
	for i := range d.components {
		c := &d.components[i]
		c.blank(rows * c.v)
	}
}

// entropy decodes a scan's data. Blocks come in minimum coded units, those of a
// scan of one component one by one and only where they show something (A.2).
func (d *decoder) entropy(data []byte) (err error) {
	d.bits, d.run = bitReader{data: data}, 0
	for _, c := range d.scan.components {
		c.predicted = 0
	}
	across, down := d.across, d.down
	single := d.scan.components[0]
	if len(d.scan.components) == 1 {
		across, down = single.wide, single.high
	}
	for y := range down {
		for x := range across {
			if n := y*across + x; d.interval > 0 && n > 0 && n%d.interval == 0 {
				if err := d.restart(n / d.interval); err != nil {
					return err
				}
			}
			if err := d.unit(x, y); err != nil {
				return err
			}
		}
		d.endRow(y)
	}
	if d.run > 0 {
		return errBeyond
	}
	for _, c := range d.scan.components {
		for k := d.scan.first; k <= d.scan.last; k++ {
			c.low[k] = int8(d.scan.low)
		}
		if d.scan.first == 0 {
			c.rows = d.down
		}
	}
	return nil
}

// endRow counts how far a component's averages came.
func (d *decoder) endRow(y int) {
	for _, c := range d.scan.components {
		if d.scan.first == 0 && d.scan.high == 0 {
			if c.rows = y + 1; len(d.scan.components) == 1 {
				c.rows = (y + 1) / c.v
			}
		}
	}
}

func (d *decoder) restart(number int) error {
	if d.run > 0 {
		return errBeyond
	}
	for _, c := range d.scan.components {
		c.predicted = 0
	}
	return d.bits.restart(byte((number - 1) % 8))
}

// unit decodes the minimum coded unit at column x of row y.
func (d *decoder) unit(x, y int) error {
	if len(d.scan.components) == 1 {
		c := d.scan.components[0]
		return d.block(c, c.at(x, y))
	}
	for _, c := range d.scan.components {
		for i := range c.h * c.v {
			if err := d.block(c, c.at(c.h*x+i%c.h, c.v*y+i/c.h)); err != nil {
				return err
			}
		}
	}
	return nil
}

func (c *component) at(x, y int) *[64]int16 {
	return (*[64]int16)(c.blocks[64*(y*c.across+x):])
}

// block decodes what the scan has of one block.
func (d *decoder) block(c *component, b *[64]int16) error {
	switch s := d.scan; {
	case !d.progressive:
		return d.sequential(c, b)
	case s.first == 0 && s.high == 0:
		return d.average(c, &b[0])
	case s.first == 0:
		bit, err := d.bits.take(1)
		b[0] |= int16(bit << s.low)
		return err
	case s.high == 0:
		return d.band(c, b)
	}
	return d.refine(c, b)
}
