package pipeline

import (
	"container/list"
	"sync"
	"time"

	"lintel/pipeline/liveness"
)

// rememberFor is how long after the last still thumbnails are remembered: the
// frames of a ring come within seconds, and what is erased shall not stay in
// memory.
const rememberFor = time.Minute

// maxFrames is how many thumbnails are remembered, at 80 kB each: enough for the
// frames of four rings at once.
const maxFrames = 64

// frameCache remembers what the stills examined last looked like, since those of a
// ring are judged together and come one after the other. It is safe for several
// goroutines. The zero value is ready.
type frameCache struct {
	mu    sync.Mutex
	order list.List // of glanceOf, the latest first
	by    map[string]*list.Element
}

type cachedFrame struct {
	still     string
	thumbnail *liveness.Thumbnail
}

func (g *frameCache) put(still string, thumbnail *liveness.Thumbnail) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.by == nil {
		g.by = make(map[string]*list.Element)
	}
	if old := g.by[still]; old != nil {
		g.order.Remove(old)
	}
	g.by[still] = g.order.PushFront(cachedFrame{still, thumbnail})
	if g.order.Len() > maxFrames {
		delete(g.by, g.order.Remove(g.order.Back()).(cachedFrame).still)
	}
}

func (g *frameCache) clear() {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.order.Init()
	clear(g.by)
}

// get returns nil for a still that is not remembered.
func (g *frameCache) get(still string) *liveness.Thumbnail {
	g.mu.Lock()
	defer g.mu.Unlock()
	if e := g.by[still]; e != nil {
		return e.Value.(cachedFrame).thumbnail
	}
	return nil
}
