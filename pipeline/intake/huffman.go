package intake

import "errors"

// Why a scan ends before its last block.
var (
	errShort     = errors.New("it breaks off")
	errCode      = errors.New("a code that no table has")
	errBlock     = errors.New("a block with too many coefficients")
	errBeyond    = errors.New("a run of blocks that ends beyond the picture")
	errRestart   = errors.New("a restart that is not where it should be")
	errTable     = errors.New("tables that are missing or broken")
	errScan      = errors.New("a scan that does not fit the picture")
	errSaturated = errors.New("coefficients out of range")
)

// A huffman is a table of codes to decode by (ITU-T T.81, annex C).
type huffman struct {
	short [1 << shortBits]uint16 // value<<8 | length for each code of up to shortBits bits; 0: longer
	after [17]int32              // the first code of that length that is none, 0 where there is none of it
	shift [17]int32              // add it to a code for its place in values
	value []byte
}

const shortBits = 9

// parseHuffman reads the first table of a segment's payload (B.2.4.2), and
// returns its class and destination as they stand, and what follows it.
func parseHuffman(p []byte) (where byte, h *huffman, rest []byte, err error) {
	if len(p) < 17 {
		return 0, nil, nil, errTable
	}
	where, counts, rest := p[0], p[1:17], p[17:]
	h = &huffman{}
	code, values := int32(0), 0
	for i, n := range counts {
		length := i + 1
		h.shift[length] = int32(values) - code
		code, values = code+int32(n), values+int(n)
		if code > 1<<length || values > 256 || values > len(rest) {
			return 0, nil, nil, errTable
		}
		h.after[length] = code
		code <<= 1
	}
	h.value = rest[:values]
	h.fillShort(counts)
	return where, h, rest[values:], nil
}

func (h *huffman) fillShort(counts []byte) {
	code, values := 0, 0
	for i, n := range counts[:shortBits] {
		length := i + 1
		for range n {
			from := code << (shortBits - length)
			for k := range 1 << (shortBits - length) {
				h.short[from+k] = uint16(h.value[values])<<8 | uint16(length)
			}
			code, values = code+1, values+1
		}
		code <<= 1
	}
}

// A bitReader reads entropy-coded data up to a marker (B.1.1.5, F.2.2.5).
type bitReader struct {
	data []byte // not read yet
	bits uint64 // the next n of them, from the highest
	n    int
}

// fill reads ahead: 57 bits or more, or all there are before a marker.
func (r *bitReader) fill() {
	for r.n <= 56 && len(r.data) > 0 {
		c, size := r.data[0], 1
		if c == 0xff {
			if len(r.data) < 2 || r.data[1] != 0 {
				return
			}
			size = 2
		}
		r.data = r.data[size:]
		r.bits |= uint64(c) << (56 - r.n)
		r.n += 8
	}
}

// take returns the next n bits, 0 to 16.
func (r *bitReader) take(n int) (int32, error) {
	if r.n < n {
		if r.fill(); r.n < n {
			return 0, errShort
		}
	}
	v := int32(r.bits >> 1 >> (63 - n))
	r.bits <<= n
	r.n -= n
	return v, nil
}

// code returns the value of the next code.
func (r *bitReader) code(h *huffman) (byte, error) {
	if r.n < 16 {
		r.fill()
	}
	if e := r.short(h); e != 0 {
		return r.used(byte(e>>8), int(e&0xff))
	}
	for length := shortBits + 1; length <= 16; length++ {
		if c := int32(r.bits >> (64 - length)); c < h.after[length] {
			return r.used(h.value[c+h.shift[length]], length)
		}
	}
	if r.n < 16 {
		return 0, errShort
	}
	return 0, errCode
}

func (r *bitReader) short(h *huffman) uint16 { return h.short[r.bits>>(64-shortBits)] }

func (r *bitReader) used(value byte, length int) (byte, error) {
	if length > r.n {
		return 0, errShort
	}
	r.bits <<= length
	r.n -= length
	return value, nil
}

// number returns the next number of so many bits, 0 to 16 (F.2.2.1, EXTEND).
func (r *bitReader) number(bits int) (int32, error) {
	v, err := r.take(bits)
	if bits > 0 && v < 1<<(bits-1) {
		v += -1<<bits + 1
	}
	return v, err
}

// restart goes on behind the next restart marker, which must be that of the
// given number, 0 to 7. What was not read before it is passed over.
func (r *bitReader) restart(number byte) error {
	r.bits, r.n = 0, 0
	for i := 0; i+1 < len(r.data); i++ {
		if r.data[i] != 0xff || r.data[i+1] == 0 || r.data[i+1] == 0xff {
			continue
		}
		if r.data[i+1] != mRST0+number {
			return errRestart
		}
		r.data = r.data[i+2:]
		return nil
	}
	return errShort
}
