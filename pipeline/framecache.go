package pipeline

import (
	"slices"
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
	mu     sync.Mutex
	frames []cachedFrame // the latest last
}

type cachedFrame struct {
	still     string
	thumbnail *liveness.Thumbnail
}

func (c *frameCache) put(still string, thumbnail *liveness.Thumbnail) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.frames = slices.DeleteFunc(c.frames, func(f cachedFrame) bool { return f.still == still })
	if len(c.frames) == maxFrames {
		c.frames = slices.Delete(c.frames, 0, 1)
	}
	c.frames = append(c.frames, cachedFrame{still, thumbnail})
}

func (c *frameCache) clear() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.frames = nil
}

// get returns nil for a still that is not remembered.
func (c *frameCache) get(still string) *liveness.Thumbnail {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, f := range c.frames {
		if f.still == still {
			return f.thumbnail
		}
	}
	return nil
}
