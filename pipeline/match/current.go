package match

import (
	"context"
	"fmt"
	"sync"

	"lintel/internal/house"
)

// A Source is what a [Current] gallery is read from: a store.Archive.
type Source interface {
	// GalleryRevision returns a number that grows with every change of what
	// the other methods return, whichever process made it.
	GalleryRevision(ctx context.Context) (int64, error)
	Gallery(ctx context.Context) ([]house.Reference, error)
	// Prior returns how often a ring is somebody enrolled, 0 where the
	// household has not said.
	Prior(ctx context.Context) (float64, error)
	StrangerDistances(ctx context.Context) (house.StrangerDistances, error)
}

// A Current keeps the gallery in memory, opened once, and reads it anew when
// it changed. It is safe for use by several goroutines.
type Current struct {
	source Source

	mu       sync.Mutex
	gallery  *Gallery
	revision int64
}

// NewCurrent returns the source's gallery, to be read when it is first asked
// for.
func NewCurrent(source Source) *Current { return &Current{source: source} }

// Gallery returns the gallery as it is now.
func (c *Current) Gallery(ctx context.Context) (*Gallery, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	// The number comes first: what changes after it is read once too often.
	revision, err := c.source.GalleryRevision(ctx)
	if err != nil {
		return nil, err
	}
	if c.gallery != nil && revision == c.revision {
		return c.gallery, nil
	}
	g, err := c.read(ctx)
	if err != nil {
		return nil, fmt.Errorf("taking the gallery into memory: %w", err)
	}
	c.gallery, c.revision = g, revision
	return g, nil
}

func (c *Current) read(ctx context.Context) (*Gallery, error) {
	refs, err := c.source.Gallery(ctx)
	if err != nil {
		return nil, err
	}
	prior, err := c.source.Prior(ctx)
	if err != nil {
		return nil, err
	}
	if prior == 0 {
		prior = DefaultPrior
	}
	strangers, err := c.source.StrangerDistances(ctx)
	if err != nil {
		return nil, err
	}
	curve := Shipped().Adapt(strangers)
	return NewGallery(refs, curve, prior), nil
}
