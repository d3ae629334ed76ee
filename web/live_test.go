package web

import (
	"context"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/gorilla/websocket"

	"lintel/internal/house"
	"lintel/pipeline/review"
	"lintel/store"
)

// The tests here run in bubbles of package synctest: time goes by only when
// every goroutine waits for it, and a goroutine that is left when a test ends
// is an error.

// TestLiveTellsStillThenFinding is the way of a ring onto a tablet: the still
// at once, then who it is.
func TestLiveTellsStillThenFinding(t *testing.T) {
	inBubble(t, func(t *testing.T, h *liveHouse) {
		token := h.resident("Odile")
		c := h.connect(t, h.tablet("Hall", "Odile"), 0)
		began := time.Now()
		receipt := h.rung("R1", 0, still(t, 1))
		first := c.nextVisit()
		if first.Visit.ID != receipt.Visit || first.Visit.Outcome != review.Looking ||
			!strings.Contains(first.Card, "Looking…") {
			t.Errorf("first %+v", first)
		}
		// What the card shows is there to be had.
		h.get("/api/v1/visits/"+receipt.Visit+"/stills/0", h.session(token)).is(http.StatusOK)

		p := h.enrolled("Ilse <Amberg>")
		record(t, h.archive, receipt.Visit, 0, face(10, 50, p, 0.0005, "fair"))
		second := c.nextVisit()
		if second.Visit.ID != receipt.Visit || second.Revision <= first.Revision ||
			second.Visit.Outcome != review.Someone ||
			!strings.Contains(second.Card, "Ilse &lt;Amberg&gt;") {
			t.Errorf("second %+v", second)
		}
		if took := time.Since(began); took > 0 {
			t.Errorf("told after %v: at a beat, and not at once", took)
		}
	})
}

// TestLiveCatchesUp has pages that were away: they hear of what Now shows, and
// that there is more.
func TestLiveCatchesUp(t *testing.T) {
	inBubble(t, func(t *testing.T, h *liveHouse) {
		token := h.resident("Odile")
		var ids []string
		var revisions []int64
		for i := range 3 * shownVisits {
			time.Sleep(time.Second)
			receipt := h.rung(fmt.Sprint("R", i), 0, still(t, 1))
			ids = append(ids, receipt.Visit)
			revisions = append(revisions, h.visit(receipt.Visit, token).Revision)
		}
		last := len(ids) - 1
		for _, c := range []struct {
			known, from int
			then        string
		}{
			{0, last + 1 - shownVisits, "others"},
			{last - shownVisits, last + 1 - shownVisits, "beat"},
			{last - 1, last, "beat"},
			{last, last + 1, "beat"},
		} {
			conn := h.connect(t, token, revisions[c.known])
			for _, want := range ids[c.from:] {
				if m := conn.nextVisit(); m.Visit.ID != want {
					t.Fatalf("since %d: %s, want %s", c.known, m.Visit.ID, want)
				}
			}
			if m := conn.next(); m.Type != c.then || m.Revision != revisions[last] {
				t.Errorf("since %d: %+v, want %s", c.known, m, c.then)
			}
		}
		// A page that knows another archive, since this one is new.
		c := h.connect(t, token, 1<<40)
		if m := c.next(); m.Type != "missed" {
			t.Errorf("from another archive: %+v", m)
		}
		if m := c.nextVisit(); m.Visit.ID != ids[last+1-shownVisits] {
			t.Errorf("from another archive: %+v", m)
		}
	})
}

// TestLiveFarBehind has pages that were away while many visits went: few are
// told by their ids, and many have the page begin anew.
func TestLiveFarBehind(t *testing.T) {
	inBubble(t, func(t *testing.T, h *liveHouse) {
		token := h.resident("Odile")
		var erased []string
		for i := range catchUp {
			erased = append(erased, h.rung(fmt.Sprint("R", i), 0, still(t, 1)).Visit)
		}
		kept := h.rung("R", 0, still(t, 1))
		known, err := h.archive.Revision(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		erase := func(visits ...string) {
			for _, v := range visits {
				if err := h.archive.EraseVisit(t.Context(), v); err != nil {
					t.Fatal(err)
				}
			}
		}
		erase(erased[1:]...)
		few := h.connect(t, token, known).next()
		slices.Sort(few.Gone)
		if want := slices.Sorted(slices.Values(erased[1:])); few.Type != "gone" || !slices.Equal(few.Gone, want) {
			t.Errorf("%+v, want %q gone", few, want)
		}
		erase(erased[0])
		many := h.connect(t, token, known)
		if m := many.next(); m.Type != "missed" {
			t.Errorf("%+v, want missed", m)
		}
		if m := h.connect(t, token, 0).next(); m.Type != "missed" {
			t.Errorf("%+v, want missed", m)
		}
		h.get("/", h.session(token), browser).is(http.StatusOK).says("visit-" + kept.Visit)
	})
}

func TestLiveBeats(t *testing.T) {
	inBubble(t, func(t *testing.T, h *liveHouse) {
		c := h.connect(t, h.resident("Odile"), 0)
		last := time.Now()
		for range 10 { // for longer than a silent client may be silent: it answers pings
			if m := c.next(); m.Type != "beat" || time.Since(last) != beatEvery {
				t.Errorf("%+v after %v", m, time.Since(last))
			}
			last = time.Now()
		}
		if 10*beatEvery < 2*readWithin {
			t.Error("not long enough to tell")
		}
	})
}

// TestLiveForgetsTheSilent has a client that takes everything and answers no
// ping, as one whose way back is broken.
func TestLiveForgetsTheSilent(t *testing.T) {
	inBubble(t, func(t *testing.T, h *liveHouse) {
		c := h.connect(t, h.resident("Odile"), 0)
		c.SetPingHandler(func(string) error { return nil })
		began := time.Now()
		for {
			if _, _, err := c.ReadMessage(); err != nil {
				break
			}
		}
		if lasted := time.Since(began); lasted != readWithin {
			t.Errorf("forgotten after %v, want %v", lasted, readWithin)
		}
	})
}

// TestLiveForgetsTheStuck has a client that takes nothing in.
func TestLiveForgetsTheStuck(t *testing.T) {
	inBubble(t, func(t *testing.T, h *liveHouse) {
		h.connect(t, h.resident("Odile"), 0)
		h.rung("R1", 0, still(t, 1)) // is taken in all the same
		time.Sleep(sendWithin + time.Second)
		synctest.Wait()
		if err := h.Drain(t.Context()); err != nil || !strings.Contains(h.log.String(), "a live connection broke") {
			t.Errorf("error %v, log:\n%s", err, h.log)
		}
	})
}

func TestLiveEndsWithTheServer(t *testing.T) {
	inBubble(t, func(t *testing.T, h *liveHouse) {
		token := h.resident("Odile")
		a, b := h.connect(t, token, 0), h.connect(t, token, 0)
		drained := make(chan error, 1)
		go func() { drained <- h.Drain(t.Context()) }()
		a.isEnded(websocket.CloseGoingAway, "stopping")
		b.isEnded(websocket.CloseGoingAway, "stopping")
		if err := <-drained; err != nil {
			t.Error(err)
		}
	})
}

func TestLiveEndsWithTheSession(t *testing.T) {
	tests := []struct {
		name string
		end  func(t *testing.T, h *liveHouse, resident, tablet string)
	}{
		{"signed out", func(t *testing.T, h *liveHouse, resident, _ string) {
			h.post("/sign-out", nil, h.session(resident)).is(http.StatusSeeOther)
		}},
		{"unpaired", func(t *testing.T, h *liveHouse, resident, _ string) {
			tablets, err := h.archive.Tablets(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			h.post("/upkeep/tablets/"+tablets[0].ID+"/unpair", nil, h.session(resident)).is(http.StatusSeeOther)
		}},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			inBubble(t, func(t *testing.T, h *liveHouse) {
				resident := h.resident("Odile")
				tablet := h.tablet("Hall", "Odile")
				c, other := h.connect(t, tablet, 0), h.connect(t, resident, 0)
				if test.name == "signed out" { // only a resident may
					c, other = other, c
				}
				began := time.Now()
				test.end(t, h, resident, tablet)
				c.isEnded(websocket.ClosePolicyViolation, "signed-out")
				if lasted := time.Since(began); lasted > beatEvery {
					t.Errorf("ended after %v", lasted)
				}
				other.next() // goes on
			})
		})
	}
}

// TestLiveHearsOfErasure has a person erased by another process, such as a
// command: the page learns of it at the next beat, by itself.
func TestLiveHearsOfErasure(t *testing.T) {
	inBubble(t, func(t *testing.T, h *liveHouse) {
		p := h.enrolled("Ilse Amberg")
		receipt := h.rung("R1", 0, still(t, 1))
		record(t, h.archive, receipt.Visit, 0, face(10, 50, p, 0.0005, "fair"))
		c := h.connect(t, h.resident("Odile"), 0)
		before := c.nextVisit()
		if !strings.Contains(before.Card, "Ilse Amberg") {
			t.Fatalf("before %+v", before)
		}

		other := openArchive(t, h.dir, time.Now) // its signals reach nobody here
		if _, err := other.ErasePerson(t.Context(), p.ID, false); err != nil {
			t.Fatal(err)
		}
		began := time.Now()
		for {
			m := c.next()
			if m.Type == "beat" {
				continue
			}
			if m.Visit.ID != receipt.Visit || m.Revision <= before.Revision || m.Visit.Outcome != review.Unknown ||
				strings.Contains(m.Card, "Ilse") {
				t.Errorf("after %+v", m)
			}
			break
		}
		if took := time.Since(began); took > beatEvery {
			t.Errorf("told after %v", took)
		}
	})
}

// TestLiveClientLeaves ends connections from the client's side; the bubble
// sees to it that no goroutine of theirs is left.
func TestLiveClientLeaves(t *testing.T) {
	inBubble(t, func(t *testing.T, h *liveHouse) {
		token := h.resident("Odile")
		polite, rude := h.connect(t, token, 0), h.connect(t, token, 0)
		done := websocket.FormatCloseMessage(websocket.CloseNormalClosure, "")
		if err := polite.WriteControl(websocket.CloseMessage, done, time.Time{}); err != nil {
			t.Fatal(err)
		}
		polite.isEnded(websocket.CloseNormalClosure, "")
		rude.Close()
		chatty := h.connect(t, token, 0)
		if err := chatty.WriteMessage(websocket.TextMessage, make([]byte, 4<<10)); err == nil { // nobody asked for 4 kB
			chatty.isEnded(websocket.CloseMessageTooBig, "")
		}
		h.accepted.Wait() // every handler has returned
		if strings.Contains(h.log.String(), "broke") {
			t.Errorf("leaving is no error:\n%s", h.log)
		}
	})
}

// TestLiveQuietRing has somebody ring while nothing is kept: screens hear of it
// once, and of nothing that would be of a visit.
func TestLiveQuietRing(t *testing.T) {
	inBubble(t, func(t *testing.T, h *liveHouse) {
		rules := house.DefaultRules()
		rules.Zone = "Etc/UTC"
		every := []time.Weekday{0, 1, 2, 3, 4, 5, 6}
		rules.Quiet = []house.Quiet{{Days: every, From: 0, Until: 0}}
		if err := h.archive.SetRules(t.Context(), rules); err != nil {
			t.Fatal(err)
		}
		c := h.connect(t, h.resident("Odile"), 0)
		synctest.Wait() // until it is told from now on
		for frame := range 2 {
			h.ring("R1", frame, still(t, 1)).is(http.StatusOK)
		}
		h.ring("R1", 0, still(t, 1)).is(http.StatusOK)
		want := "Somebody rang at gate at " + h.Now().Format("15:04") + ". Nothing is kept at this time."
		if m := c.next(); m.Type != "ring" || m.Text != want || m.Visit != nil {
			t.Errorf("%+v, want %q", m, want)
		}
		if m := c.next(); m.Type != "beat" {
			t.Errorf("%+v", m)
		}
		h.ring("R2", 0, still(t, 1)).is(http.StatusOK)
		if m := c.next(); m.Type != "ring" {
			t.Errorf("%+v", m)
		}
		// Who connects afterwards hears nothing: nothing is kept.
		if m := h.connect(t, h.resident("Ilse"), 0).next(); m.Type != "beat" {
			t.Errorf("%+v", m)
		}
		h.keeps(0)
	})
}

// A busyArchive is one to which something happens right after visits were read
// for the first time.
type busyArchive struct {
	*store.Archive
	happens func()
}

func (a *busyArchive) LatestVisits(ctx context.Context, limit int) ([]house.Visit, error) {
	visits, err := a.Archive.LatestVisits(ctx, limit)
	if a.happens != nil {
		a.happens()
		a.happens = nil
	}
	return visits, err
}

// TestLiveBetweenReadings has a visit change, and then another go, after a
// connection has read the visits and before it reads which are gone.
func TestLiveBetweenReadings(t *testing.T) {
	h := newHouse(t)
	stays, goes := h.rung("R1", 0, still(t, 1)).Visit, h.rung("R2", 0, still(t, 2)).Visit
	known, err := h.archive.Revision(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	record(t, h.archive, goes, 0) // so that there is something to tell
	busy := &busyArchive{h.archive, func() {
		record(t, h.archive, stays, 0)
		if err := h.archive.EraseVisit(t.Context(), goes); err != nil {
			t.Fatal(err)
		}
	}}
	c := screen{known: known}
	var told []string
	for range 3 {
		n, err := c.look(t.Context(), busy)
		if err != nil {
			t.Fatal(err)
		}
		for _, id := range n.gone {
			told = append(told, "gone "+id)
		}
		for _, v := range n.visits {
			told = append(told, v.ID)
		}
	}
	want := []string{goes, "gone " + goes, stays}
	if !slices.Equal(told, want) {
		t.Errorf("told of %q, want %q", told, want)
	}
}

// moves reads so many visits that went off the screen or came onto it.
func (c client) moves(t *testing.T, n int) (gone, came []string) {
	t.Helper()
	for len(gone)+len(came) < n {
		switch m := c.next(); m.Type {
		case "gone":
			gone = append(gone, m.Gone...)
		case "visit":
			came = append(came, m.Visit.ID)
		default:
			t.Fatalf("%+v", m)
		}
	}
	return slices.Sorted(slices.Values(gone)), slices.Sorted(slices.Values(came))
}

// TestLiveTellsOfTheScreen changes many visits of which Now shows some, and lets
// many go, as a sweep does: a tablet hears of those it shows, and one word of
// all others.
func TestLiveTellsOfTheScreen(t *testing.T) {
	inBubble(t, func(t *testing.T, h *liveHouse) {
		const many = 60
		token := h.resident("Odile")
		var ids []string
		for i := range many + shownVisits {
			time.Sleep(time.Second)
			ids = append(ids, h.rung(fmt.Sprint("R", i), 0, still(t, 1)).Visit)
		}
		known, err := h.archive.Revision(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		c := h.connect(t, token, known)
		if m := c.next(); m.Type != "beat" {
			t.Fatalf("%+v", m)
		}
		for _, id := range ids[:many] {
			record(t, h.archive, id, 0)
		}
		record(t, h.archive, ids[many], 0)
		if m := c.nextVisit(); m.Visit.ID != ids[many] {
			t.Errorf("%+v, want the one on the screen", m)
		}
		if m := c.next(); m.Type != "others" {
			t.Errorf("%+v, want one word of the others", m)
		}
		if m := c.next(); m.Type != "beat" {
			t.Errorf("%+v, want no more of them", m)
		}

		// Two of the screen go among many: two older ones come up.
		for _, id := range append(slices.Clone(ids[:many-3]), ids[many], ids[many+1]) {
			if err := h.archive.EraseVisit(t.Context(), id); err != nil {
				t.Fatal(err)
			}
		}
		gone, came := c.moves(t, 4)
		if want := slices.Sorted(slices.Values(ids[many : many+2])); !slices.Equal(gone, want) {
			t.Errorf("gone %q, want %q", gone, want)
		}
		if want := slices.Sorted(slices.Values(ids[many-2 : many])); !slices.Equal(came, want) {
			t.Errorf("came up %q, want %q", came, want)
		}
		if m := c.next(); m.Type != "others" {
			t.Errorf("%+v, want one word of the others", m)
		}
	})
}
