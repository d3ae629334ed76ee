package intake

import (
	"errors"
	"testing"
	"time"

	"lintel/internal/hostile"
)

// What a hostile picture takes is known from its header, and bounded. All that
// is ever allocated for it, though not at once, is no more than twice that.
func TestCleanHostile(t *testing.T) {
	if testing.Short() {
		t.Skip("SKIPPED with -short: large pictures")
	}
	refused := 0
	for _, p := range hostile.Pictures() {
		sent, err := Open(p.Body)
		if err != nil {
			t.Logf("%-26s %4d kB: %v", p.Name, len(p.Body)>>10, err)
			refused++
			if !errors.Is(err, ErrTooManyPixels) {
				t.Errorf("%s: %v", p.Name, err)
			}
			continue
		}
		var still Still
		began := time.Now()
		n := allocated(func() { still, err = sent.Clean() })
		t.Logf("%-26s %4d kB: %d MB said, %d MB allocated in all, %v; %d kB kept, damaged: %v, %v", p.Name,
			len(p.Body)>>10, sent.Memory()>>20, n>>20, time.Since(began).Round(time.Millisecond), len(still.JPEG)>>10,
			still.Damaged, err)
		if sent.Memory() > MaxMemory || n > 2*uint64(sent.Memory()) {
			t.Errorf("%s: %d MB allocated, %d said", p.Name, n>>20, sent.Memory()>>20)
		}
	}
	if refused != 3 { // CMYK whole and cut, the larger PNG
		t.Errorf("%d are refused by their headers", refused)
	}
}
