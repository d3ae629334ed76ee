package pipeline

import (
	"context"
	"fmt"
	"log/slog"
	"testing"
	"testing/synctest"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/liveness"
)

func TestFrameCache(t *testing.T) {
	var g frameCache
	if g.get("none") != nil {
		t.Error("remembered what was never seen")
	}
	for i := range maxFrames + 2 {
		g.put(fmt.Sprint(i), &liveness.Thumbnail{Width: i})
	}
	g.put("5", &liveness.Thumbnail{Width: 500})
	if g.get("1") != nil || g.get("2") == nil {
		t.Error("forgot others than the oldest")
	}
	if got := g.get("5"); got == nil || got.Width != 500 {
		t.Errorf("the still that was seen again: %v", got)
	}
	if len(g.frames) != maxFrames {
		t.Errorf("remembers %d", len(g.frames))
	}
	g.clear()
	if g.get("5") != nil || len(g.frames) != 0 {
		t.Error("remembers after clear")
	}
	g.put("5", &liveness.Thumbnail{})
	if g.get("5") == nil {
		t.Error("does not remember after clear")
	}
}

// noStills is an archive in which nothing ever happens.
type noStills struct{ Archive }

func (noStills) PendingStills(context.Context, int) ([]house.Still, error) { return nil, nil }
func (noStills) Watch() (<-chan struct{}, func())                          { return nil, func() {} }

// Pictures of visitors do not stay in memory.
func TestFrameCacheForgets(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := New(noStills{}, slog.New(slog.DiscardHandler), nil, nil, 0)
		ctx, stop := context.WithCancel(t.Context())
		ended := make(chan struct{})
		go func() {
			defer close(ended)
			p.dispatch(ctx, nil, nil)
		}()
		p.thumbnails.put("still", &liveness.Thumbnail{})
		time.Sleep(rememberFor - time.Nanosecond) // of the test's own clock
		synctest.Wait()
		if p.thumbnails.get("still") == nil {
			t.Error("forgotten too early")
		}
		time.Sleep(time.Nanosecond)
		synctest.Wait()
		if p.thumbnails.get("still") != nil {
			t.Error("still remembered")
		}
		stop()
		<-ended
	})
}
