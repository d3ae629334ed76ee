package backup

import (
	"context"
	"errors"
	"fmt"
	"os"

	"lintel/store"
	"lintel/store/seal"
)

// TrySample restores the newest snapshot's database and the stills of one visit into a folder of
// its own, opens them, and leaves nothing there. What is wrong it returns as an error.
func TrySample(ctx context.Context, dir, into, visit string, o RestoreOptions) (err error) {
	defer func() {
		if left := os.RemoveAll(into); left != nil {
			err = errors.Join(err, left)
		}
	}()
	if err := os.RemoveAll(into); err != nil { // what a trial that was killed left
		return err
	}
	o.sample = visit
	var key seal.Key
	asks := o.Key
	o.Key = func(dir string) (seal.Key, error) {
		key, err = asks(dir)
		return key, err
	}
	r, err := Restore(ctx, dir, into, o)
	if err != nil {
		return err
	}
	if len(r.Items) > 0 || r.Lost > 0 || r.Stills == 0 {
		return fmt.Errorf("%w: of visit %s are %d stills whole; damaged: %+v", ErrDamaged, visit, r.Stills, r.Items)
	}
	a, err := store.Open(ctx, into, key, o.Now)
	if err != nil {
		return err
	}
	defer a.Close()
	v, err := a.Visit(ctx, visit)
	for _, s := range v.Stills {
		if s.File != "" && err == nil {
			_, err = a.ReadStill(ctx, visit, s.Frame)
		}
	}
	return err
}
