package web

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"

	"lintel/pipeline/advice/policy"
)

// banner is what every screen has to say for as long as it lasts.
type banner struct {
	mu      sync.Mutex
	texts   [troubles]string
	changed chan struct{} // closed when a text changes; nil while nobody asked
}

// A trouble is what is said about, in this order.
type trouble int

const (
	diskTrouble trouble = iota
	clockTrouble
	troubles
)

// diskFull is what is said of a disk that took no still.
const diskFull = "The disk is full or can't be written: new stills are not kept. What was kept before is safe. Make " +
	"room on the server's disk."

// set says what is wrong from now on; "" for nothing.
func (t *banner) set(about trouble, text string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.texts[about] == text {
		return
	}
	t.texts[about] = text
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
	said := slices.DeleteFunc(slices.Clone(t.texts[:]), func(text string) bool { return text == "" })
	return strings.Join(said, " "), t.changed
}

// about returns what is wrong of one kind.
func (t *banner) about(what trouble) string {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.texts[what]
}

// watchClock says that the server's clock is behind what the archive has, for as
// long as it is: then nothing is suggested, and what is kept goes late.
func (s *Server) watchClock(ctx context.Context) error {
	newest, err := s.Archive.Newest(ctx)
	if err != nil {
		return err
	}
	text := ""
	if behind := newest.Sub(s.Now()); behind > policy.MaxSkew {
		text = fmt.Sprintf("The server’s clock is %s behind the newest visit. Nothing is suggested until it is right. "+
			"Set it on the server.", spell(behind))
	}
	s.trouble.set(clockTrouble, text)
	return nil
}
