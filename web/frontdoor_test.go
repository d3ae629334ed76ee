package web

import (
	"bytes"
	"context"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/bell"
	"lintel/pipeline/folder"
)

// A frontDoor is a bell whose name is no address, in a live house.
type frontDoor struct {
	*liveHouse
	secret string
	in     option // as a resident
}

const frontDoorPath = "/api/v1/bells/front-door"

// TestFrontDoor has a bell "Front door" send a still, a heartbeat and, by a watched
// folder, another still, and show a message: all is found by its address and shown by
// its name.
func TestFrontDoor(t *testing.T) {
	inBubble(t, func(t *testing.T, h *liveHouse) {
		secret, err := h.archive.AddBell(t.Context(), "Front door")
		if err == nil {
			err = h.archive.SetDisplay(t.Context(), "front-door", house.UsualDisplay)
		}
		if err != nil {
			t.Fatal(err)
		}
		f := frontDoor{h, h.secret(secret), h.session(h.resident("Odile"))}
		visit := f.still()
		f.message(visit)
		f.heartbeat()
		f.folder()
		for path, says := range map[string]string{
			"/": `alt="Still from the bell Front door"`, "/visits/" + visit: "Front door", "/visits?bell=front-door": visit,
			"/upkeep/bells": "<h3>Front door <small>sends as front-door;", "/upkeep/trail": "the bell Front door",
			"/upkeep/displays/front-door": "The display of Front door", "/rules/messages": "Front door",
		} {
			a := h.get(path, f.in).is(http.StatusOK).says(says)
			checkMarkup(t, string(a.body))
			if strings.Contains(textOf(t, string(a.body)), "bell front-door") {
				t.Errorf("%s calls the bell by its address", path)
			}
		}
	})
}

// ask asks as the bell does.
func (f frontDoor) ask(method, path string, body []byte, options ...option) *answer {
	f.t.Helper()
	return f.household.ask(method, frontDoorPath+path, bytes.NewReader(body),
		append(options, header("Authorization", "Bearer "+f.secret))...)
}

// still sends one, and returns its visit.
func (f frontDoor) still() (visit string) {
	f.t.Helper()
	var receipt struct{ Visit string }
	f.ask("POST", "/stills", still(f.t, 1), header("Content-Type", "image/jpeg"), header("Lintel-Ring", "R1"),
		header("Lintel-Frame", "0")).is(http.StatusCreated).into(&receipt)
	return receipt.Visit
}

// message has the household say something to who rang, which the bell shows.
func (f frontDoor) message(visit string) {
	f.t.Helper()
	f.post("/visits/"+visit+"/message", url.Values{"text": {"No, thank you."}}, f.in).is(http.StatusSeeOther)
	var page bell.Page
	f.ask("GET", "/display", nil).is(http.StatusOK).into(&page)
	if text(page) != "No, thank you." {
		f.t.Errorf("the bell shows %+v", page)
	}
	f.ask("POST", "/display/"+page.Message+"/shown", nil).is(http.StatusNoContent)
	f.get("/visits/"+visit, f.in).is(http.StatusOK).says("Shown at ")
}

// heartbeat has the bell say how it is, and then fall silent.
func (f frontDoor) heartbeat() {
	f.t.Helper()
	f.ask("POST", "/heartbeat", []byte(`{"signal_dbm":-61}`), header("Content-Type", "application/json")).is(http.StatusOK)
	var health healthJSON
	f.get(frontDoorPath+"/health", f.in).is(http.StatusOK).into(&health)
	if health.Last == nil || health.Last.Signal == nil || *health.Last.Signal != -61 {
		f.t.Errorf("its health is %+v", health)
	}
	time.Sleep(16 * time.Minute)
	if err := f.watch().Look(f.t.Context()); err != nil {
		f.t.Fatal(err)
	}
	for _, path := range []string{"/", "/upkeep"} {
		f.get(path, f.in).is(http.StatusOK).says("The bell Front door was not heard since")
	}
}

// folder puts a still into a folder that is watched.
func (f frontDoor) folder() {
	f.t.Helper()
	dir := f.t.TempDir()
	w := folder.NewWatcher(folder.Watch{Bell: "front-door", Dir: dir, Gap: folder.Gap}, f.archive,
		folderIntake{f.liveHouse}, f.Log, time.Now)
	f.Watch(w)
	ctx, stop := context.WithCancel(f.t.Context())
	var running sync.WaitGroup
	running.Go(func() { w.Run(ctx, folder.NoNotice{}, time.Second) })
	defer running.Wait()
	defer stop()
	time.Sleep(2 * time.Second)
	if err := os.WriteFile(filepath.Join(dir, "two.jpg"), still(f.t, 2), 0o600); err != nil {
		f.t.Fatal(err)
	}
	time.Sleep(3 * time.Second)
	synctest.Wait()
	f.keeps(2)
	f.get("/upkeep", f.in).is(http.StatusOK).says("A folder is watched: 1 still taken since the server started.")
}
