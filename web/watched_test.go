package web

import (
	"context"
	"net/http"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"lintel/pipeline/folder"
)

// Upkeep says how the folder does that a bell's stills are taken from, and what of it
// was not taken; what is taken is on Now like any ring.
func TestWatchedFolder(t *testing.T) {
	inBubble(t, func(t *testing.T, h *liveHouse) {
		token := h.resident("Odile")
		dir := filepath.Join(t.TempDir(), "share")
		w := folder.NewWatcher(folder.Watch{Bell: "gate", Dir: dir, Gap: folder.Gap}, h.archive, folderIntake{h}, h.Log,
			time.Now)
		h.Watch(w)
		ctx, stop := context.WithCancel(t.Context())
		var running sync.WaitGroup
		running.Go(func() { w.Run(ctx, folder.NoNotice{}, time.Second) })
		defer running.Wait()
		defer stop()
		synctest.Wait()
		upkeep := func(says string) {
			t.Helper()
			a := h.get("/upkeep", h.session(token)).is(http.StatusOK).says(says)
			checkMarkup(t, string(a.body))
		}
		upkeep("The folder can’t be read since")
		if err := os.Mkdir(dir, 0o700); err != nil {
			t.Fatal(err)
		}
		time.Sleep(2 * time.Second)
		for name, body := range map[string][]byte{"one.jpg": still(t, 1),
			"two.heic": []byte("\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic")} {
			if err := os.WriteFile(filepath.Join(dir, name), body, 0o600); err != nil {
				t.Fatal(err)
			}
		}
		time.Sleep(3 * time.Second)
		upkeep("A folder is watched: 1 still taken since the server started. Not taken, HEIC, HEIF or AVIF, " +
			"to be converted to JPEG: 1.")
		h.keeps(1)
	})
}

// A folderIntake is as the server has it.
type folderIntake struct{ *liveHouse }

func (f folderIntake) Vouch(ctx context.Context, bell string) error { return f.Intake.Vouch(ctx, bell) }

func (f folderIntake) Allow(bell string, size int64) (func(), time.Duration, error) {
	return f.Intake.Allow(bell, size)
}
