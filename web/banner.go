package web

import (
	"sync"

	"lintel/internal/words"
)

// A trouble is what is wrong for all to see, by its code; "" for nothing.
type trouble string

// diskFull is of a disk that took no still.
const diskFull trouble = "disk-full"

func (t trouble) say(w words.Words) string {
	if t == "" {
		return ""
	}
	return w.Text("trouble-" + string(t))
}

// banner is what every screen has to say for as long as it lasts.
type banner struct {
	mu      sync.Mutex
	trouble trouble
	changed chan struct{} // closed when trouble changes; nil while nobody asked
}

// set says what is wrong from now on.
func (b *banner) set(t trouble) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.trouble == t {
		return
	}
	b.trouble = t
	if b.changed != nil {
		close(b.changed)
		b.changed = nil
	}
}

// get returns what is wrong, and a channel that is closed when that changes.
func (b *banner) get() (now trouble, changed <-chan struct{}) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.changed == nil {
		b.changed = make(chan struct{})
	}
	return b.trouble, b.changed
}
