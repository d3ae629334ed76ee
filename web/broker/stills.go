package broker

import (
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"github.com/mochi-mqtt/server/v2/packets"

	"lintel/pipeline/intake"
)

const (
	// stillTime is how long a still may be on its way, as by HTTP.
	stillTime = time.Minute
	// longestHold is how long a bell that sends too often is read no further. One
	// that has to wait longer is disconnected.
	longestHold = 5 * time.Second
	// mostStills bounds the bytes of stills in memory, of all bells.
	mostStills = 6 * intake.MaxBytes
)

// An upload is a still as it came, or why it is not taken.
type upload struct {
	intake.Delivery
	bad  error
	done func() // gives back what it took up
}

// stillAt reads the topic of a still, PREFIX/bells/BELL/stills/RING/FRAME and, where
// the bell knows the time, /TAKEN-AT. It reports whether the topic is one of the
// bell's own, and what is wrong with the rest of it.
func (b *Broker) stillAt(bell, topic string) (d intake.Delivery, own bool, bad error) {
	rest, own := strings.CutPrefix(topic, b.bellTopic(bell, "stills/"))
	parts := strings.Split(rest, "/")
	if !own || len(parts) < 2 || len(parts) > 3 {
		return d, false, nil
	}
	frame, err := strconv.Atoi(parts[1])
	if err != nil {
		frame = -1
	}
	d = intake.Delivery{Bell: bell, Ring: parts[0], Frame: frame}
	if bad = intake.CheckNames(d.Ring, d.Frame); bad == nil && len(parts) == 3 {
		if d.TakenAt, err = time.Parse(time.RFC3339, parts[2]); err != nil || d.TakenAt.Year() < 1 {
			bad = errTakenAt
		}
	}
	return d, true, bad
}

// nextStill reads a still, or lets its bytes go by where it is not taken, and hands
// the library its packet without them.
func (l *link) nextStill(first byte, lead []byte, rest int, d intake.Delivery, bad error) error {
	qos := first >> 1 & 3
	if qos > 1 {
		l.end(errQoS)
		return errQoS
	}
	if qos == 1 {
		if rest < 2 {
			return packets.ErrMalformedPacketID
		}
		id := make([]byte, 2)
		if _, err := io.ReadFull(l.bytes, id); err != nil {
			return err
		}
		lead, rest = append(lead, id...), rest-2
	}
	switch {
	case bad != nil:
	case first&1 != 0:
		bad = errKept
	case qos == 0:
		bad = errNoPromise
	case rest > intake.MaxBytes:
		bad = intake.ErrTooLarge
	}
	l.upload = &upload{Delivery: d, bad: bad, done: func() {}}
	if err := l.readStill(rest); err != nil {
		return err
	}
	packet := append([]byte{first}, binary.AppendUvarint(nil, uint64(len(lead)))...)
	l.ahead = append(packet, lead...)
	return nil
}

func (l *link) readStill(size int) error {
	began := time.Now()
	if l.upload.bad != nil {
		l.SetReadDeadline(began.Add(stillTime))
		_, err := io.CopyN(io.Discard, l.bytes, int64(size))
		return err
	}
	if err := l.makeRoom(int64(size)); err != nil {
		return err
	}
	began = time.Now()
	l.SetReadDeadline(began.Add(stillTime))
	l.upload.Body = make([]byte, size)
	_, err := io.ReadFull(l.bytes, l.upload.Body)
	l.upload.Took = time.Since(began)
	return err
}

// makeRoom waits until a still of so many bytes may be read. A bell that sends too
// often is kept waiting, as TCP has it, and loses nothing.
func (l *link) makeRoom(size int64) error {
	ctx, cancel := context.WithTimeout(l.ctx, longestHold)
	defer cancel()
	for {
		done, wait, err := l.broker.Intake.Allow(l.is.id, size)
		if err == nil {
			l.upload.done = done
			break
		}
		timer := time.NewTimer(wait)
		select {
		case <-timer.C:
		case <-ctx.Done():
			timer.Stop()
			l.end(errFlood)
			return fmt.Errorf("reading a still: %w", err)
		}
	}
	if err := l.broker.stills.Acquire(ctx, size); err != nil {
		l.end(errFull)
		return fmt.Errorf("reading a still: %w", err)
	}
	done := l.upload.done
	l.upload.done = func() {
		l.broker.stills.Release(size)
		done()
	}
	return nil
}

// forget lets go of a still that was on its way.
func (l *link) forget() {
	if l.upload != nil {
		l.upload.done()
		l.upload = nil
	}
}

// takeStill takes in the still that came last: it is safe when there is no error.
func (g *gate) takeStill(ctx context.Context, l *link) error {
	defer l.forget()
	if l.upload.bad != nil {
		return l.upload.bad
	}
	_, err := g.Bells.Receive(ctx, l.upload.Delivery)
	return err
}
