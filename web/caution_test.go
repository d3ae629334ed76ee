package web

import (
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/liveness"
)

// TestNoSignIsNoComfort reads every page that shows a face, of a known person
// and of a stranger, judged without a sign and not judged at all: they say the
// same, and look the same.
func TestNoSignIsNoComfort(t *testing.T) {
	quiet := func(cantTell ...string) *house.Liveness {
		return &house.Liveness{Level: house.NoSign, Probability: .02, Frames: 1, CantTell: cantTell,
			Findings: []house.Finding{
				{Sign: liveness.Edges, Score: .125, Values: []float64{.5, .25, 30, 3, 2, 1, 1, 1},
					Region: []house.Point{{X: 20, Y: 30}, {X: 60, Y: 30}, {X: 40, Y: 70}}},
				{Sign: liveness.Repeat}, {Sign: liveness.Detail, Missing: liveness.Dark}}}
	}
	blind := pagesOf(t, nil)
	for name, l := range map[string]*house.Liveness{"can tell": quiet(),
		"can't tell": quiet(liveness.OneFrame, liveness.Dark)} {
		for path, page := range pagesOf(t, l) {
			if was, now := textOf(t, blind[path]), textOf(t, page); now != was {
				t.Errorf("%s, %s: says\n%s\nand where nobody looked\n%s", name, path, now, was)
			}
			if was, now := classes(blind[path]), classes(page); !slices.Equal(was, now) {
				t.Errorf("%s, %s: looks other than where nobody looked: %q, %q", name, path, now, was)
			}
			if strings.Contains(page, "no-sign") {
				t.Errorf("%s, %s: has the level", name, path)
			}
		}
	}
	if len(blind) < 10 || !strings.Contains(blind["/checks"], "In question") ||
		!strings.Contains(blind["/people/strangers"], "The face, from a still") {
		t.Errorf("%d pages, or they show no faces", len(blind))
	}
}

// pagesOf fills a house with faces that were all judged in one way, and returns
// every page that shows them, by its name.
func pagesOf(t *testing.T, l *house.Liveness) map[string]string {
	t.Helper()
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	h.enrolledAs("Ada Quill", 1)
	judged := func(f house.Face) house.Face { f.Liveness = l; return f }
	known, _ := h.sees("known", judged(faceAt(descriptorAt(1, h.strongly()))))
	doubted, id := h.sees("doubted", judged(faceAt(descriptorAt(1, h.weakly()))))
	h.rings("stranger", judged(like(50, 120)))
	h.clock.advance(time.Minute)
	again := h.rings("again", judged(like(50.1, 90)))
	read := map[string]string{"/visits/known": "/visits/" + known, "/visits/doubted": "/visits/" + doubted,
		"/visits/again": "/visits/" + again,
		"/checks/face":  "/checks/" + id, "/checks/answer": "/checks/" + id + "/answer?answer=else",
		"/people/stranger": "/people/strangers/" + h.seenAgainBy(in).Strangers[0].ID + "/person"}
	for _, path := range []string{"/", "/visits", "/people", "/people/strangers", "/checks", "/checks/changes",
		"/checks/threshold", "/checks/answers"} {
		read[path] = path
	}
	for name, path := range read {
		read[name] = string(h.get(path, in).is(200).body)
	}
	return read
}

// TestCaution finds on every page that names somebody with a band, once, that a
// photograph passes.
func TestCaution(t *testing.T) {
	all := pagesOf(t, nil)
	for _, path := range []string{"/", "/visits", "/visits/known", "/visits/doubted", "/checks", "/checks/face",
		"/checks/changes"} {
		if got := strings.Count(wordsOn(all[path]), caution); got != 1 {
			t.Errorf("%s says %d times that a photograph passes", path, got)
		}
	}
	h := newAdviceHouse(t)
	for path, times := range map[string]int{"/": 1, "/visits/" + h.visit: 1} { // beside the name and what is advised
		page := strings.ToLower(wordsOn(string(h.get(path, h.tablet).is(200).body)))
		if got := strings.Count(page, strings.ToLower(caution)); got != times {
			t.Errorf("with advice, %s says %d times that a photograph passes", path, got)
		}
	}
}

var classed = regexp.MustCompile(`class="([^"]*)"`)

// classes lists how the parts of a page look, in order.
func classes(page string) (all []string) {
	for _, m := range classed.FindAllStringSubmatch(page, -1) {
		all = append(all, m[1])
	}
	return all
}

// TestNoScreenCallsAFaceLive reads every screen that shows faces.
func TestNoScreenCallsAFaceLive(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	visit := h.furnish()
	for _, path := range []string{"/", "/visits", "/visits/" + visit, "/visits/" + visit + "/erase", "/people",
		"/people/strangers", "/checks", "/checks/changes", "/checks/threshold", "/checks/answers"} {
		if textOf(t, string(h.get(path, in).is(200).body)) == "" {
			t.Errorf("%s is empty", path)
		}
	}
	// The check itself: words are found wherever they are read or heard.
	for _, bad := range []string{"<p>Live</p>", `<img alt="a real face">`, "<p>no <b>liveness</b></p>"} {
		if !unsaid.MatchString(wordsOn(bad)) {
			t.Errorf("%s passes", bad)
		}
	}
}
