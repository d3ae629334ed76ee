package redact

import (
	"fmt"
	"image"
)

// Hidden returns what of a still [Blur] leaves nothing of for the faces in the
// boxes, a rectangle for each box that is on it: its margin, in whole blocks.
// The error is [ErrNotAStill].
func Hidden(still []byte, boxes []image.Rectangle) (hidden []image.Rectangle, err error) {
	m, err := decode(still)
	if err != nil {
		return nil, fmt.Errorf("finding what is hidden: %w", err)
	}
	planes, err := planes(m)
	if err != nil {
		return nil, fmt.Errorf("finding what is hidden: %w", err)
	}
	for _, b := range boxes {
		if b.Overlaps(m.Bounds()) {
			hidden = append(hidden, grown(b, m.Bounds(), block(planes)))
		}
	}
	return hidden, nil
}
