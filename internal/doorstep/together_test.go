package doorstep

import (
	"bytes"
	"sync"
	"testing"
	"time"
)

// TestStillsAtOnce draws stills by more lights than plates are kept of, several at once and each twice: those of one
// scene are alike. What they share is watched where the race detector is on: see MEASUREMENTS.md.
func TestStillsAtOnce(t *testing.T) {
	const each = 2
	scenes := make([]Scene, mostPlates+1)
	for i := range scenes {
		scenes[i] = porchWith(Visitor{Who: People[i], Distance: 1.5, Shows: Shown{Print, People[7]}})
		scenes[i].At = morning.Add(time.Duration(i) * standing)
	}
	var drawing sync.WaitGroup
	drawn := make([][each][]byte, len(scenes))
	for n := range each {
		for i, s := range scenes {
			drawing.Go(func() { drawn[i][n] = s.Still().Image.Pix })
		}
	}
	drawing.Wait()
	for i, d := range drawn {
		if !bytes.Equal(d[0], d[1]) {
			t.Errorf("scene %d is drawn in two ways", i)
		}
	}
}
