package advisor

import (
	"context"
	"errors"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"lintel/internal/house"
	"lintel/store"
)

// A failing archive fails at one call, named.
type failing struct {
	*store.Archive
	at atomic.Value // the call's name, a string
}

func newFailing(a *store.Archive, at string) *failing {
	f := &failing{Archive: a}
	f.at.Store(at)
	return f
}

var errDisk = errors.New("the disk is gone")

func (f *failing) err(at string) error {
	if f.at.Load() == at {
		return errDisk
	}
	return nil
}

func either[T any](v T, err, mine error) (T, error) {
	if mine != nil {
		var none T
		return none, mine
	}
	return v, err
}

func (f *failing) VisitsBetween(ctx context.Context, after, until time.Time, n int) ([]house.Visit, error) {
	v, err := f.Archive.VisitsBetween(ctx, after, until, n)
	return either(v, err, f.err("VisitsBetween"))
}
func (f *failing) Visit(ctx context.Context, id string) (house.Visit, error) {
	v, err := f.Archive.Visit(ctx, id)
	return either(v, err, f.err("Visit"))
}
func (f *failing) Newest(ctx context.Context) (time.Time, error) {
	v, err := f.Archive.Newest(ctx)
	return either(v, err, f.err("Newest"))
}
func (f *failing) Doubts(ctx context.Context) ([]house.Doubt, error) {
	v, err := f.Archive.Doubts(ctx)
	return either(v, err, f.err("Doubts"))
}
func (f *failing) AdviceUntil(ctx context.Context, t time.Time) ([]house.Advice, error) {
	v, err := f.Archive.AdviceUntil(ctx, t)
	return either(v, err, f.err("AdviceUntil"))
}
func (f *failing) Bells(ctx context.Context) ([]house.Bell, error) {
	v, err := f.Archive.Bells(ctx)
	return either(v, err, f.err("Bells"))
}
func (f *failing) Doors(ctx context.Context) ([]house.Door, error) {
	v, err := f.Archive.Doors(ctx)
	return either(v, err, f.err("Doors"))
}
func (f *failing) DoorRules(ctx context.Context) ([]house.DoorRule, error) {
	v, err := f.Archive.DoorRules(ctx)
	return either(v, err, f.err("DoorRules"))
}
func (f *failing) ParcelRules(ctx context.Context) ([]house.ParcelRule, error) {
	v, err := f.Archive.ParcelRules(ctx)
	return either(v, err, f.err("ParcelRules"))
}
func (f *failing) AdviceRules(ctx context.Context) (house.AdviceRules, error) {
	v, err := f.Archive.AdviceRules(ctx)
	return either(v, err, f.err("AdviceRules"))
}
func (f *failing) Rules(ctx context.Context) (house.Rules, error) {
	v, err := f.Archive.Rules(ctx)
	return either(v, err, f.err("Rules"))
}
func (f *failing) Persons(ctx context.Context) ([]house.Person, error) {
	v, err := f.Archive.Persons(ctx)
	return either(v, err, f.err("Persons"))
}
func (f *failing) FactorsSince(ctx context.Context, t time.Time) ([]house.Factor, error) {
	v, err := f.Archive.FactorsSince(ctx, t)
	return either(v, err, f.err("FactorsSince"))
}
func (f *failing) MissesSince(ctx context.Context, t time.Time) ([]house.Miss, error) {
	v, err := f.Archive.MissesSince(ctx, t)
	return either(v, err, f.err("MissesSince"))
}
func (f *failing) AdviceOn(ctx context.Context, visits ...string) ([]house.Advice, error) {
	v, err := f.Archive.AdviceOn(ctx, visits...)
	return either(v, err, f.err("AdviceOn"))
}
func (f *failing) GalleryRevision(ctx context.Context) (int64, error) {
	v, err := f.Archive.GalleryRevision(ctx)
	return either(v, err, f.err("GalleryRevision"))
}
func (f *failing) Gallery(ctx context.Context) ([]house.Reference, error) {
	v, err := f.Archive.Gallery(ctx)
	return either(v, err, f.err("Gallery"))
}
func (f *failing) AddAdvice(ctx context.Context, d house.Advice, persons ...string) (string, error) {
	if err := f.err("AddAdvice"); err != nil {
		return "", err
	}
	return f.Archive.AddAdvice(ctx, d, persons...)
}
func (f *failing) Receivers(ctx context.Context) ([]house.Receiver, error) {
	v, err := f.Archive.Receivers(ctx)
	return either(v, err, f.err("Receivers"))
}
func (f *failing) ExpireAdvice(ctx context.Context) (time.Time, error) {
	v, err := f.Archive.ExpireAdvice(ctx)
	return either(v, err, f.err("ExpireAdvice"))
}

// Whatever of the archive fails, nothing is suggested, no message is sent, and
// the log says it. Once it works again, so does the advisor.
func TestArchiveFails(t *testing.T) {
	for _, at := range []string{
		"VisitsBetween", "Newest", "Doubts", "AdviceUntil", "Bells", "Doors", "DoorRules", "ParcelRules", "AdviceRules",
		"Rules", "Persons", "FactorsSince",
		"MissesSince",
		"AdviceOn", "GalleryRevision", "Gallery", "AddAdvice", "ExpireAdvice",
	} {
		synctest.Test(t, func(t *testing.T) {
			h := newHouse(t)
			archive := newFailing(h.archive, at)
			defer h.run(archive)()
			h.arrive()
			visit := h.ring(h.face())
			if d := h.advice(visit, h.front); d.ID != "" {
				t.Errorf("%s fails: %+v", at, d)
			}
			if sent := h.publisher.take(); len(sent) > 0 {
				t.Errorf("%s fails: %d messages", at, len(sent))
			}
			if !strings.Contains(h.log.String(), errDisk.Error()) {
				t.Errorf("%s fails: the log is silent", at)
			}
			archive.at.Store("")
			h.arrive()
			if d := h.advice(visit, h.front); d.State != house.Suggested {
				t.Errorf("%s works again: %s, not met %v", at, d.State, unmet(d))
			}
		})
	}
	// After it was kept: it is told once the archive works again.
	for _, at := range []string{"Receivers", "Visit"} {
		synctest.Test(t, func(t *testing.T) {
			h := newHouse(t)
			archive := newFailing(h.archive, at)
			defer h.run(archive)()
			h.arrive()
			visit := h.ring(h.face())
			if d := h.advice(visit, h.front); d.State != house.Suggested || len(h.publisher.take()) > 0 {
				t.Errorf("%s fails: %s, or a message", at, d.State)
			}
			if !strings.Contains(h.log.String(), errDisk.Error()) {
				t.Errorf("%s fails: the log is silent", at)
			}
			archive.at.Store("")
			time.Sleep(lookWhileOpen)
			synctest.Wait()
			if n := len(h.publisher.take()); n != 2 {
				t.Errorf("%s works again: %d messages", at, n)
			}
		})
	}
	synctest.Test(t, func(t *testing.T) { // nothing is withdrawn since the archive could not be asked
		h := newHouse(t)
		archive := newFailing(h.archive, "")
		defer h.run(archive)()
		visit := h.ring(h.face())
		h.suggested(visit, h.arrive())
		archive.at.Store("Rules")
		time.Sleep(10 * time.Second)
		synctest.Wait()
		if d := h.advice(visit, h.front); d.State != house.Suggested || len(h.publisher.take()) > 0 {
			t.Errorf("%s, or a message", d.State)
		}
	})
}
