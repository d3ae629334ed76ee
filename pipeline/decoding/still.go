package decoding

import "encoding/binary"

// StillMemory returns how many bytes image/jpeg takes to decode a still of the
// archive, from its header: 3 for each pixel, and 12 more for the coefficients
// of a progressive one, as were kept as they came once. It is 0 for what has no
// such header, which does not decode either.
//
// The markers are those of ITU-T T.81, table B.1; a still has nothing between
// its segments.
func StillMemory(jpeg []byte) int64 {
	const start, sof0, sof2, dht, jpg, dac, sof15 = 2, 0xc0, 0xc2, 0xc4, 0xc8, 0xcc, 0xcf
	for b := jpeg[min(start, len(jpeg)):]; len(b) >= 9 && b[0] == 0xff; {
		marker := b[1]
		if marker >= sof0 && marker <= sof15 && marker != dht && marker != jpg && marker != dac {
			pixels := int64(binary.BigEndian.Uint16(b[5:])) * int64(binary.BigEndian.Uint16(b[7:]))
			if marker == sof2 {
				return 15 * pixels
			}
			return 3 * pixels
		}
		next := 2 + int(binary.BigEndian.Uint16(b[2:]))
		if next > len(b) {
			break
		}
		b = b[next:]
	}
	return 0
}
