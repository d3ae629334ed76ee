package main

import (
	"bytes"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"
)

// What a household may expect of a busy door, on 2 cores that do little else; where
// they do more, so many times what a single bell waits there.
const (
	answerWithin = 500 * time.Millisecond // 99 of 100 answers
	answerTimes  = 5                      // the longest of a single bell's
	tellWithin   = 100 * time.Millisecond // 95 of 100 tablets' first word of a ring, after its first still is kept
	tellTimes    = 2
)

// rounds is how often all bells ring, at most, until a round keeps these times:
// whatever else the machine does makes a round slower, and never faster.
const rounds = 3

// A load is many bells that ring at once.
type load struct {
	*flooded
	bells  []string
	frames int
	studio studio
	bodies [][]byte // of a round's stills, a bell's one after the other
	ringID string   // of this round

	singly []time.Duration // a single bell's answers
	began  time.Time
	slow   []string // what took too long in this round
	mu     sync.Mutex
	got    []answered
	visits map[string]time.Duration // when each visit's first still was acknowledged
}

func newLoad(t *testing.T, bells, frames int) *load {
	l := &load{frames: frames, studio: newStudio(1280)}
	for i := range bells {
		l.bells = append(l.bells, fmt.Sprintf("bell-%d", i))
	}
	l.flooded = newFlooded(t, append(l.bells, "single")...)
	for n := range 9 { // the models are loaded meanwhile
		all, err := l.untilKept(t.Context(), http.DefaultClient, "single", fmt.Sprint(n), 0, l.studio.still(-1-n), time.Now())
		if err != nil {
			t.Fatal(err)
		}
		l.singly = append(l.singly, all[0].took)
	}
	l.follow(len(l.singly))
	return l
}

// round has all bells ring with stills of their own, and returns when the last is examined
// and all is checked but the times, of which it says what was slow.
func (l *load) round(n int) {
	l.ringID = fmt.Sprint("R", n)
	l.bodies, l.got, l.slow, l.visits = nil, nil, nil, make(map[string]time.Duration)
	stills := len(l.bells) * l.frames
	for i := range stills {
		l.bodies = append(l.bodies, l.studio.still(n*stills+i))
	}
	l.began = time.Now()
	hungUp := l.listens(l.began)
	var found []string
	var following sync.WaitGroup
	following.Go(func() { found = l.follow((n+1)*stills + len(l.singly)) })
	l.ring()
	kept := time.Since(l.began).Round(time.Millisecond)
	following.Wait()
	examined := time.Since(l.began).Round(time.Millisecond)
	l.t.Logf("%d stills of %d kB: all kept after %s, examined after %s; the server took %d MB", stills,
		len(l.bodies[0])>>10, kept, examined, l.peak())
	l.checkAnswers()
	l.checkTold(hungUp())
	l.checkOrder(found)
	l.checkContent()
}

// ring has all bells ring at once, each its frames one after the other, and returns
// when all is kept.
func (l *load) ring() {
	var ringing sync.WaitGroup
	for i, bell := range l.bells {
		ringing.Go(func() {
			client := from(i)
			defer client.CloseIdleConnections()
			for frame := range l.frames {
				all, err := l.untilKept(l.t.Context(), client, bell, l.ringID, frame, l.bodies[i*l.frames+frame], l.began)
				if err != nil {
					l.t.Errorf("%s, frame %d: %v", bell, frame, err)
					return
				}
				l.mu.Lock()
				l.got = append(l.got, all...)
				if last := all[len(all)-1]; frame == 0 {
					l.visits[last.visit] = last.at + last.took
				}
				l.mu.Unlock()
			}
		})
	}
	ringing.Wait()
}

// TestLoad has 50 bells ring at once, each with five frames of 300 kB, from
// addresses of their own and over HTTP, up to three times.
func TestLoad(t *testing.T) {
	if raceDetector || testing.Short() {
		t.Skip("SKIPPED: times mean nothing with the race detector, and it takes a while")
	}
	l := newLoad(t, 50, 5)
	for n := range rounds {
		if l.round(n); len(l.slow) == 0 {
			return
		}
	}
	t.Errorf("in none of %d rounds all was quick; in the last: %s", rounds, strings.Join(l.slow, "; "))
}

// checkAnswers checks that whoever was not told to wait was answered soon.
func (l *load) checkAnswers() {
	l.t.Helper()
	var took, waited []time.Duration
	for _, a := range l.got {
		if a.status == http.StatusTooManyRequests {
			waited = append(waited, a.took)
		} else {
			took = append(took, a.took)
		}
	}
	l.t.Logf("answers: a single bell's %s; kept %s; to wait %s", shape(l.singly), shape(took), shape(waited))
	if q := quantile(append(took, waited...), .99); q > max(answerWithin, answerTimes*slices.Max(l.singly)) {
		l.slow = append(l.slow, fmt.Sprintf("1 of 100 answers takes %s or more", q))
	}
}

// checkTold checks that a tablet heard of each ring soon after it was kept.
func (l *load) checkTold(told []toldOf) {
	l.t.Helper()
	first := make(map[string]time.Duration)
	for _, h := range slices.Backward(told) {
		first[h.Visit.ID] = h.at
	}
	var after, since []time.Duration
	for visit, kept := range l.visits {
		if at, is := first[visit]; is {
			after, since = append(after, max(0, at-kept)), append(since, at)
		}
	}
	l.t.Logf("a tablet hears of a ring, after its still is kept: %s; since all rang: %s", shape(after), shape(since))
	if len(after) != len(l.bells) {
		l.t.Errorf("a tablet heard of %d of %d rings", len(after), len(l.bells))
	}
	if q := quantile(after, .95); q > max(tellWithin, tellTimes*slices.Max(l.singly)) {
		l.slow = append(l.slow, fmt.Sprintf("1 of 20 rings is told after %s or more", q))
	}
}

// checkOrder checks that the findings on rings' first stills come in the order in
// which these were kept. As many as are examined at once may come in any order, and one that
// takes as long as two others, for want of a core, is passed by as many again.
func (l *load) checkOrder(found []string) {
	l.t.Helper()
	book := slices.DeleteFunc(l.book(), func(v bookVisit) bool { return v.Ring != l.ringID })
	found = slices.DeleteFunc(found, func(id string) bool {
		return !slices.ContainsFunc(book, func(v bookVisit) bool { return v.ID == id })
	})
	slices.SortFunc(book, func(a, b bookVisit) int { return a.ReceivedAt.Compare(b.ReceivedAt) })
	furthest := 0
	for turn, v := range book {
		furthest = max(furthest, turn-slices.Index(found, v.ID), slices.Index(found, v.ID)-turn)
	}
	l.t.Logf("findings on %d rings come at most %d places from the order in which they rang", len(found), furthest)
	if len(found) != len(book) || furthest > 2*workers() {
		l.t.Errorf("findings on %d of %d rings, one %d places from its turn", len(found), len(book), furthest)
	}
}

// checkContent checks that every still is in the archive once, and shows what was
// sent. Outside: libjpeg-turbo's djpeg decodes both.
func (l *load) checkContent() {
	l.t.Helper()
	seen := 0
	for _, v := range l.book() {
		bell := slices.Index(l.bells, v.Bell)
		if bell < 0 || v.Ring != l.ringID {
			continue // the single one's, or another round's
		}
		for _, s := range v.Stills {
			body := l.bodies[bell*l.frames+s.Frame]
			kept := l.get(fmt.Sprintf("/api/v1/visits/%s/stills/%d", v.ID, s.Frame))
			if !bytes.Equal(pixels(l.t, kept), pixels(l.t, body)) {
				l.t.Errorf("%s, frame %d shows something else", v.Bell, s.Frame)
			}
			seen++
		}
	}
	if seen != len(l.bodies) {
		l.t.Errorf("the archive has %d stills of %d", seen, len(l.bodies))
	}
}
