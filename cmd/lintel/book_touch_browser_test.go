package main

import (
	"context"
	"errors"
	"fmt"
	"image"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"

	"lintel/internal/house"
	"lintel/pipeline/match"
)

// manyVisits is how many there are in the book that is gone through by touch.
const manyVisits = 80

// fillBook puts visits of three days into the archive, which the rules let none go of yet, of a known person, of strangers
// who come alone and together, and of nobody.
func (h *household) fillBook() {
	t := h.t
	t.Helper()
	a, drawing := h.newArchive()
	defer a.Close()
	for _, bell := range []string{"front", "yard"} {
		if _, err := a.AddBell(t.Context(), bell); err != nil {
			t.Fatal(err)
		}
	}
	var persons []house.Person
	for _, name := range []string{"Ada Quill", "Émile Farrow"} {
		p, err := a.AddPerson(t.Context(), name)
		if err != nil {
			t.Fatal(err)
		}
		persons = append(persons, p)
	}
	for i := range manyVisits {
		unknown := house.Face{Box: aVisitor().Truth[0].Box}
		known := unknown
		known.Match = &house.Match{Person: persons[i%10/5].ID, Distance: 0.31, FPIR: match.FPIR(0.31, 6),
			Band: string(match.BandOf(0.31, 6))}
		second := house.Face{Box: image.Rect(100, 300, 240, 440)}
		if i%7 == 0 {
			unknown.Liveness = &house.Liveness{Level: house.Doubtful, Probability: 0.6, Frames: 1}
		}
		faces := [][]house.Face{{known}, {unknown}, {known, second}, nil}[i%4]
		id, _, err := a.Keep(t.Context(), house.NewStill{Bell: []string{"front", "yard"}[i%3/2], Ring: fmt.Sprint(i),
			JPEG: drawing, Width: 1280, Height: 1024,
			ReceivedAt: time.Now().Add(-time.Duration(i*50) * time.Minute)})
		if err != nil {
			t.Fatal(err)
		}
		v, err := a.Visit(t.Context(), id)
		if err != nil {
			t.Fatal(err)
		}
		if err := a.Record(t.Context(), v.Stills[0].ID, house.Done, faces); err != nil {
			t.Fatal(err)
		}
	}
}

// A finger touches a page.
type finger struct {
	t       *testing.T
	browser context.Context
}

// tap taps on the middle of what a selector finds until something holds: a tap on a
// page that still moves only stops it.
func (f finger) tap(selector, then string) {
	f.t.Helper()
	until(f.t, f.browser, fmt.Sprintf(`!!document.querySelector(%q)`, selector))
	for range 4 {
		at := do(f.t, f.browser, chromedp.Evaluate[[]float64](fmt.Sprintf(`(() => {
			const e = document.querySelector(%q); if (!e) return [];
			e.scrollIntoView({ block: "center", behavior: "instant" });
			const r = e.getBoundingClientRect(); return [r.x + r.width / 2, r.y + r.height / 2] })()`, selector)))
		if len(at) == 2 {
			f.touch(input.DispatchTouchEventTypeTouchStart, &input.TouchPoint{X: at[0], Y: at[1]})
			f.touch(input.DispatchTouchEventTypeTouchEnd)
		}
		err := context.Canceled // where another page came meanwhile, it is asked
		for err != nil && !errors.Is(err, chromedp.ErrPollingTimeout) && f.browser.Err() == nil {
			_, err = chromedp.Run(f.browser, chromedp.Poll[bool](then, chromedp.WithPollingTimeout(12*time.Second)))
		}
		if err == nil {
			return
		}
	}
	f.t.Fatalf("tapping on %s: never %s\n%s", selector, then, body(f.browser))
}

// swipe draws the page up, or down for a step above zero, as a finger does.
func (f finger) swipe(step float64) {
	f.t.Helper()
	y := 400 - 3*step
	f.touch(input.DispatchTouchEventTypeTouchStart, &input.TouchPoint{X: 150, Y: y})
	for range 6 {
		y += step
		f.touch(input.DispatchTouchEventTypeTouchMove, &input.TouchPoint{X: 150, Y: y})
	}
	f.touch(input.DispatchTouchEventTypeTouchEnd)
}

func (f finger) touch(kind input.DispatchTouchEventType, at ...*input.TouchPoint) {
	f.t.Helper()
	if at == nil {
		at = []*input.TouchPoint{}
	}
	if _, err := chromedp.Call(f.browser, input.DispatchTouchEvent,
		input.DispatchTouchEventParams{Type: kind, TouchPoints: at}); err != nil {
		f.t.Fatalf("touching: %v", err)
	}
}

// TestBookByTouch goes through the visitor book at a tablet and at a telephone: on and
// on, to a visit and back to its row, to what is newer, by a person, by a name, a day
// and a year.
func TestBookByTouch(t *testing.T) {
	h := newHousehold(t)
	h.fillBook()
	h.serve()
	defer h.stop()
	h.browsers("Ada Quill")
	for name, size := range map[string]image.Point{"1280": {1280, 800}, "390": {390, 844}} {
		for what, goes := range map[string]func(*testing.T, *household, finger, string){
			"leafing": leafsByTouch, "picking": picksByTouch} {
			t.Run(what+" "+name, func(t *testing.T) {
				browser := newBrowser(t, size.X, size.Y)
				do(t, browser, chromedp.Navigate(h.url+"/sign-in"))
				fill(t, browser, "name", "Morgan Vale", "password", "a very quiet lantern")
				see(t, browser, "#visits", "Ada Quill")
				if _, err := chromedp.Call(browser, emulation.SetTouchEmulationEnabled,
					emulation.SetTouchEmulationEnabledParams{Enabled: true}); err != nil {
					t.Fatal(err)
				}
				goes(t, h, finger{t, browser}, name)
			})
		}
	}
}

// leafsByTouch goes through the whole book, to a visit and back to its row, and from
// there to what is newer.
func leafsByTouch(t *testing.T, h *household, f finger, name string) {
	rows := `document.querySelectorAll("#list li").length`
	do(t, f.browser, chromedp.Navigate(h.url+"/visits"))
	whole(t, f.browser, "book-"+name)
	screenshot(t, f.browser, "book-first-"+name)
	audit(t, f.browser, "book-"+name)
	if took := do(t, f.browser, chromedp.Evaluate[float64](`performance.getEntries()
		.reduce((sum, e) => sum + (e.encodedBodySize ?? 0), 0)`)); took > 400_000 || took < 20_000 {
		t.Errorf("the page takes %.0f bytes, want 400 kB at most", took)
	} else {
		t.Logf("%s: the page and its pictures take %.0f bytes", name, took)
	}
	for range 60 {
		if do(t, f.browser, chromedp.Evaluate[int](rows)) == manyVisits {
			break
		}
		f.swipe(-95)
	}
	until(t, f.browser, rows+fmt.Sprintf(` === %d`, manyVisits))
	once := do(t, f.browser, chromedp.Evaluate[bool](`(() => {
		const days = [...document.querySelectorAll("#list > section")].map((s) => s.dataset.day);
		const times = [...document.querySelectorAll("#list .when time")].map((t) => Date.parse(t.dateTime));
		return new Set(days).size === days.length && times.every((t, i) => i === 0 || t <= times[i - 1]) })()`))
	if !once {
		t.Error("a day is there twice, or rows are not in order")
	}

	// A visit, and back to where it was.
	row := do(t, f.browser, chromedp.Evaluate[string](`document.querySelectorAll("#list li")[50].id`))
	f.tap("#"+row+" .portrait", `location.pathname.startsWith("/visits/") && document.readyState === "complete"`)
	do(t, f.browser, chromedp.NavigateBack())
	inSight := fmt.Sprintf(`(() => { const r = document.getElementById(%q)?.getBoundingClientRect();
		return !!r && r.bottom > 0 && r.top < innerHeight })()`, row)
	until(t, f.browser, inSight)
	// And from there to what is newer, without jumping.
	for range 60 {
		f.swipe(95)
		if do(t, f.browser, chromedp.Evaluate[bool](`!document.querySelector("#found > .pages a[rel=prev]")`)) {
			break
		}
	}
	until(t, f.browser, `!document.querySelector("#found > .pages a[rel=prev]")`)
}

// picksByTouch picks visits by a person, by a name, a day and a year.
func picksByTouch(t *testing.T, h *household, f finger, name string) {
	do(t, f.browser, chromedp.Navigate(h.url+"/visits"))
	f.tap(`.who .chip`, `!!document.querySelector(".who .chip[aria-current]")`)
	see(t, f.browser, "#list", "Ada Quill")
	if others := do(t, f.browser, chromedp.Evaluate[int](`[...document.querySelectorAll("#list .what")]
		.filter((e) => !e.innerText.includes("Ada Quill")).length`)); others > 0 {
		t.Errorf("%d visits of others under a person", others)
	}
	f.tap(`.who .chip[aria-current]`, `!document.querySelector(".who .chip[aria-current]")`)
	f.tap(`#search input[type=search]`, `document.activeElement.name === "name"`)
	do(t, f.browser, chromedp.SendKeys(chromedp.CSS(`#search input[type=search]`), "emi"))
	until(t, f.browser, `document.querySelectorAll(".who .chip").length === 1 &&
		[...document.querySelectorAll("#list .what")].every((e) => e.innerText.includes("Émile Farrow"))`)
	screenshot(t, f.browser, "book-name-"+name)

	f.tap(`.find .chip:nth-child(2)`, `!!document.querySelector(".hours")`)
	see(t, f.browser, ".hours", "00:00.*23:00")
	do(t, f.browser, chromedp.Navigate(h.url+"/visits?day="+time.Now().AddDate(0, 0, -1).Format(time.DateOnly)))
	whole(t, f.browser, "book-day-"+name)
	audit(t, f.browser, "book-day-"+name)
	f.tap(`.find .chip:nth-child(3)`, `document.querySelectorAll(".month").length === 12`)
	whole(t, f.browser, "book-year-"+name)
	audit(t, f.browser, "book-year-"+name)
	f.tap(`.month a`, `!!document.querySelector(".hours")`)
	see(t, f.browser, ".hours", "00:00")
	do(t, f.browser, chromedp.Navigate(h.url+"/visits?picture=true"))
	whole(t, f.browser, "book-more-"+name)
	audit(t, f.browser, "book-more-"+name)
}
