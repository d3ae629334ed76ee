package store

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"time"

	"lintel/internal/house"
	"lintel/store/seal"
)

// A still's file says itself whose it is, so that it can be taken in again where its row
// was lost:
//
//	mark     8 bytes
//	length   2 bytes, big-endian: of the label, sealed
//	label    sealed under the still's data key; JSON, filled up with blanks, so that its
//	         length tells nothing of the ring's name
//	picture  sealed under the same key for its visit and frame
//
// It does not name its slot, and need not: of the keys that no row names, one opens the
// label. Files of before there were labels are the sealed picture alone; their nonce is
// the mark once in 2^64 files.

// A label is what a still's file says of itself.
type label struct {
	Bell, Ring                      string
	Frame                           int
	Sent                            []byte // keyed hash of the bytes as the bell sent them
	Width, Height                   int
	Damaged                         bool
	Masked                          int64
	ReceivedAt, TakenAt, ImportedAt time.Time
	Doubted                         bool // the clock was
}

const (
	labelMark  = "LNTLSTL1"
	labelSteps = 512 // bytes by which a label grows
)

var labelPlace = []string{"still label"}

func (a *Archive) labelOf(n house.NewStill, doubted bool) label {
	l := label{Bell: n.Bell, Ring: n.Ring, Frame: n.Frame, Sent: a.seals.Index(string(n.SentSHA256[:])), Width: n.Width,
		Height: n.Height, Damaged: n.Damaged, Masked: n.Masked, ReceivedAt: n.ReceivedAt, TakenAt: n.TakenAt, Doubted: doubted}
	if n.Imported {
		l.ImportedAt = a.now()
	}
	return l
}

// sealStill seals a picture with its label.
func (a *Archive) sealStill(key seal.Key, l label, jpeg []byte) ([]byte, error) {
	raw, err := json.Marshal(l)
	if err != nil {
		return nil, fmt.Errorf("sealing a still: %w", err)
	}
	raw = append(raw, bytes.Repeat([]byte{' '}, labelSteps-1-(len(raw)+labelSteps-1)%labelSteps)...)
	sealed, err := key.Seal(raw, labelPlace...)
	if err != nil {
		return nil, fmt.Errorf("sealing a still: %w", err)
	}
	picture, err := key.Seal(jpeg, stillPlace(a.visitID(l.Bell, l.Ring), l.Frame)...)
	if err != nil {
		return nil, fmt.Errorf("sealing a still: %w", err)
	}
	file := binary.BigEndian.AppendUint16([]byte(labelMark), uint16(len(sealed)))
	return append(append(file, sealed...), picture...), nil
}

// unlabelled returns the sealed label and the sealed picture of a still's file; no label
// of a file of before.
func unlabelled(file []byte) (label, picture []byte) {
	const head = len(labelMark) + 2
	if !bytes.HasPrefix(file, []byte(labelMark)) || len(file) < head {
		return nil, file
	}
	length := int(binary.BigEndian.Uint16(file[len(labelMark):]))
	if len(file) < head+length {
		return nil, file
	}
	return file[head : head+length], file[head+length:]
}

// openPicture opens the picture of a still's file, if all of the file is as it was written.
func (a *Archive) openPicture(file []byte, slot int64, visit string, frame int) ([]byte, error) {
	key, err := a.keyIn(slot)
	if err != nil {
		return nil, err
	}
	defer clear(key[:])
	label, picture := unlabelled(file)
	if label != nil {
		if _, err := key.Open(label, labelPlace...); err != nil {
			return nil, err
		}
	}
	return key.Open(picture, stillPlace(visit, frame)...)
}

// readLabel opens the label of a still's file, and its picture, with the key that it may
// have. The error is seal.ErrOpen if it has another or none.
func (a *Archive) readLabel(key seal.Key, file []byte) (l label, err error) {
	sealed, picture := unlabelled(file)
	raw, err := key.Open(sealed, labelPlace...)
	if err != nil {
		return l, err
	}
	if err := json.Unmarshal(raw, &l); err != nil {
		return l, fmt.Errorf("reading a still's label: %w", err)
	}
	_, err = key.Open(picture, stillPlace(a.visitID(l.Bell, l.Ring), l.Frame)...)
	return l, err
}
