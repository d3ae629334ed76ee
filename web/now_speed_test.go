package web

import (
	"bytes"
	"flag"
	"fmt"
	"net/http"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/gorilla/websocket"

	"lintel/internal/house"
)

var speed = flag.Int("speed", 0, "measure so many rings on Now, and its first paint")

// TestNowSpeed measures, in a browser: how long after a page was asked for Now is painted
// first, how long after a ring its still is on the screen, and how long after its findings
// are kept the name is; for one tablet, and with seven more that fetch what a browser would.
// The figures are in MEASUREMENTS.md.
func TestNowSpeed(t *testing.T) {
	if *speed == 0 {
		t.Skip("only with -speed, of rings")
	}
	for _, tablets := range []int{1, 8} {
		t.Run(fmt.Sprint(tablets), func(t *testing.T) {
			w, _ := newFamily(t, 1280, 800)
			for range 5 {
				w.opens(t)
				w.until(t, `performance.getEntriesByName("first-contentful-paint").length > 0`)
				paint := step(t, w, chromedp.Evaluate[float64](
					`performance.getEntriesByName("first-contentful-paint")[0].startTime`))
				t.Logf("first paint after %.0f ms", paint)
			}
			token := w.resident("Morgan")
			for range tablets - 1 {
				defer w.joins(t, token)()
			}
			var stills, names []time.Duration
			for range *speed {
				still, name := w.races(t)
				stills, names = append(stills, still), append(names, name)
			}
			slices.Sort(stills)
			slices.Sort(names)
			at := func(of []time.Duration, q float64) time.Duration { return of[int(q*float64(len(of)-1))] }
			t.Logf("%d tablets, %d rings: the still after %s, p95 %s; the name after %s, p95 %s", tablets, *speed,
				at(stills, 0.5), at(stills, 0.95), at(names, 0.5), at(names, 0.95))
		})
	}
}

// watching has the page write down when it first shows another ring with its pictures, and
// when Ada's name: at the frame that is drawn next.
const watching = `{
	const before = document.querySelector("article")?.id;
	window.seen = {};
	const look = () => {
		const a = document.querySelector("article"), images = [...a?.querySelectorAll("img") ?? []];
		const shown = a && a.id !== before && images.length > 0 && images.every((i) => i.complete && i.naturalWidth > 0);
		if (shown) seen.still ??= Date.now();
		if (shown && a.textContent.includes("Ada Quill")) seen.name = Date.now();
		else requestAnimationFrame(look);
	};
	look();
	true }`

// races has Ada ring, as a bell does, and says how long the browser took to show it.
func (w *wall) races(t *testing.T) (still, name time.Duration) {
	t.Helper()
	data, face := bellStill()
	nobodys := w.rang(t, 1, nil, false)
	w.clock.advance(time.Minute)
	w.until(t, fmt.Sprintf(`document.querySelector("article")?.id === "visit-%s"`, nobodys))
	step(t, w, chromedp.Evaluate[bool](watching))
	w.rings++
	r, err := http.NewRequestWithContext(t.Context(), "POST", w.url+"/api/v1/bells/gate/stills", bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	for _, set := range w.asBell(fmt.Sprint("R", w.rings), 0) {
		set(r)
	}
	rang := time.Now()
	answer, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	answer.Body.Close()
	w.until(t, `seen.still > 0`)
	visits, err := w.archive.LatestVisits(t.Context(), 1)
	if err != nil {
		t.Fatal(err)
	}
	found := time.Now()
	record(t, w.archive, visits[0].ID, 0, house.Face{Box: face,
		Descriptor: house.Descriptor{1, 0, .2}, Match: w.isAda()})
	w.until(t, `seen.name > 0`)
	w.clock.advance(time.Minute)
	return w.since(t, "seen.still", rang), w.since(t, "seen.name", found)
}

func (w *wall) since(t *testing.T, what string, began time.Time) time.Duration {
	t.Helper()
	at := step(t, w, chromedp.Evaluate[float64](what))
	return time.UnixMilli(int64(at)).Sub(began).Round(time.Millisecond)
}

var pictureOf = regexp.MustCompile(`src="(/[^"]+)"`)

// joins has one tablet more be told of all, and fetch the pictures of what it is told.
func (w *wall) joins(t *testing.T, token string) (leaves func()) {
	t.Helper()
	cookie := http.Header{"Cookie": {w.cookieName() + "=" + token}}
	conn, _, err := websocket.DefaultDialer.DialContext(t.Context(),
		"ws"+strings.TrimPrefix(w.url, "http")+"/api/v1/live?since=0", cookie)
	if err != nil {
		t.Fatal(err)
	}
	var listening sync.WaitGroup
	listening.Go(func() {
		for {
			var told struct{ Card, Caller string }
			if conn.ReadJSON(&told) != nil {
				return
			}
			for _, m := range pictureOf.FindAllStringSubmatch(told.Card+told.Caller, -1) {
				r, err := http.NewRequest("GET", w.url+strings.ReplaceAll(m[1], "&amp;", "&"), nil)
				if err != nil {
					t.Error(err)
					return
				}
				r.Header = cookie
				if answer, err := http.DefaultClient.Do(r); err == nil {
					answer.Body.Close()
				}
			}
		}
	})
	return func() {
		conn.Close()
		listening.Wait()
	}
}
