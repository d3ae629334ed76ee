package broker

import (
	"bufio"
	"encoding/binary"
	"io"
	"net"

	"github.com/mochi-mqtt/server/v2/packets"

	"lintel/pipeline/advice/evidence"
)

// What a packet may have besides the message: topic, names, lengths; and how large
// one may be that brings no message of a source, and no still.
const (
	room         = 1 << 10
	largestPlain = 3 << 10
)

// An incoming is what a client sends, packet by packet (MQTT 3.1.1, section 2.2).
type incoming struct {
	bytes *bufio.Reader
	ahead []byte // of the packet, read already
	rest  int    // bytes of it that were not
}

func newIncoming(conn net.Conn) incoming { return incoming{bytes: bufio.NewReader(conn)} }

// Read gives the library what came, never of two packets at once. How large a packet
// may be goes by its kind and topic, and is seen to before more of it is read. A
// still is kept back (stills.go): the library gets its packet without it, so that no
// still is in memory twice.
func (l *link) Read(p []byte) (int, error) {
	if len(l.ahead) == 0 && l.rest == 0 {
		if err := l.next(); err != nil {
			return 0, err
		}
	}
	if len(l.ahead) > 0 {
		n := copy(p, l.ahead)
		l.ahead = l.ahead[n:]
		return n, nil
	}
	n, err := l.bytes.Read(p[:min(len(p), l.rest)])
	l.rest -= n
	return n, err
}

// next reads the next packet so far as to know what it is.
func (l *link) next() error {
	head, size, err := readHeader(l.bytes)
	if err != nil {
		return err
	}
	if head[0]>>4 != packets.Publish || size < 2 {
		return l.pass(head, size, largestPlain)
	}
	return l.nextPublish(head, size)
}

// pass hands a packet on, of which a part was read, unless more follows than may.
func (l *link) pass(head []byte, rest, most int) error {
	if rest > most {
		return packets.ErrPacketTooLarge
	}
	l.ahead, l.rest = head, rest
	return nil
}

// readHeader reads a fixed header: its bytes, and how many follow (section 2.2.3).
func readHeader(from io.ByteReader) (head []byte, size int, err error) {
	for i := range 5 {
		b, err := from.ReadByte()
		if err != nil {
			return nil, 0, err
		}
		head = append(head, b)
		if i == 0 {
			continue
		}
		size |= int(b&0x7f) << (7 * (i - 1))
		if b < 0x80 {
			return head, size, nil
		}
	}
	return nil, 0, packets.ErrMalformedVariableByteInteger
}

// nextPublish reads where a message goes (section 3.3.2), and then what goes there.
func (l *link) nextPublish(head []byte, size int) error {
	lead := make([]byte, 2, 2+room)
	if _, err := io.ReadFull(l.bytes, lead); err != nil {
		return err
	}
	length := int(binary.BigEndian.Uint16(lead))
	if length > size-2 { // malformed, which the library says
		return l.pass(append(head, lead...), size-2, largestPlain)
	}
	if length > room {
		return packets.ErrPacketTooLarge
	}
	lead = lead[:2+length]
	if _, err := io.ReadFull(l.bytes, lead[2:]); err != nil {
		return err
	}
	rest := size - len(lead)
	if l.client != nil && l.is.kind == bellAccount {
		if d, own, bad := l.broker.stillAt(l.is.id, string(lead[2:])); own {
			return l.nextStill(head[0], lead, rest, d, bad)
		}
	}
	most := largestPlain
	if l.client != nil && l.is.kind == sourceAccount {
		most = evidence.LargestMessage + room
	}
	return l.pass(append(head, lead...), rest, most)
}
