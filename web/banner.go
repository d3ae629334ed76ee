package web

import "sync"

// banner is what every screen has to say for as long as it lasts.
type banner struct {
	mu      sync.Mutex
	text    string
	changed chan struct{} // closed when text changes; nil while nobody asked
}

// diskFull is what is said of a disk that took no still.
const diskFull = "The disk is full or can't be written: new stills are not kept. What was kept before is safe. Make " +
	"room on the server's disk."

// set says what is wrong from now on; "" for nothing.
func (t *banner) set(text string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.text == text {
		return
	}
	t.text = text
	if t.changed != nil {
		close(t.changed)
		t.changed = nil
	}
}

// get returns what is wrong, and a channel that is closed when that changes.
func (t *banner) get() (text string, changed <-chan struct{}) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.changed == nil {
		t.changed = make(chan struct{})
	}
	return t.text, t.changed
}
