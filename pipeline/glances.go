package pipeline

import (
	"container/list"
	"sync"
	"time"

	"lintel/pipeline/liveness"
)

// rememberFor is how long after the last still glances are remembered: the
// frames of a ring come within seconds, and what is erased shall not stay in
// memory.
const rememberFor = time.Minute

// maxGlances is how many glances are remembered, at 80 kB each: enough for the
// frames of four rings at once.
const maxGlances = 64

// glances remembers what the stills examined last looked like, since those of a
// ring are judged together and come one after the other. It is safe for several
// goroutines. The zero value is ready.
type glances struct {
	mu    sync.Mutex
	order list.List // of glanceOf, the latest first
	by    map[string]*list.Element
}

type glanceOf struct {
	still  string
	glance *liveness.Glance
}

func (g *glances) put(still string, glance *liveness.Glance) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.by == nil {
		g.by = make(map[string]*list.Element)
	}
	if old := g.by[still]; old != nil {
		g.order.Remove(old)
	}
	g.by[still] = g.order.PushFront(glanceOf{still, glance})
	if g.order.Len() > maxGlances {
		delete(g.by, g.order.Remove(g.order.Back()).(glanceOf).still)
	}
}

func (g *glances) clear() {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.order.Init()
	clear(g.by)
}

// get returns nil for a still that is not remembered.
func (g *glances) get(still string) *liveness.Glance {
	g.mu.Lock()
	defer g.mu.Unlock()
	if e := g.by[still]; e != nil {
		return e.Value.(glanceOf).glance
	}
	return nil
}
