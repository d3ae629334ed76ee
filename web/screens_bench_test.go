package web

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
)

const (
	asksEach = 20               // how often each screen is asked for
	asksFor  = 10 * time.Second // or for how long, where that is too often
)

// unmeasured are the routes that are no screen.
var unmeasured = map[string]string{
	"GET /api/v1/live":                    "events, for as long as somebody listens",
	"GET /api/v1/bells/{bell}/display":    "a bell's question is held back until something changes",
	"GET /api/v1/persons/{person}/export": "a download of all stills of a person, as long as there are stills",
}

// A screenTime is what a screen took, each time that it was asked for.
type screenTime struct {
	name string
	took []time.Duration // rising
	cpu  time.Duration   // of one, with the asking
}

func (s screenTime) at(q float64) float64 {
	return float64(s.took[int(q*float64(len(s.took)-1))].Microseconds()) / 1000
}

// BenchmarkScreens asks for every page, and whatever the API reads, from outside: over
// HTTP, signed in, 20 times each, by the table of routes. It says what each took as rows
// of the table in MEASUREMENTS.md, the slowest first. What it asks for is written to, so
// the archive is best a copy. Run it with -benchtime 1x.
func BenchmarkScreens(b *testing.B) {
	h, newest := newGrown(b)
	w := h.amongMany(b)
	in := h.session(h.resident(fmt.Sprint("Odile ", time.Now().UnixNano())))
	server := httptest.NewServer(h)
	defer server.Close()
	var all []screenTime
	for b.Loop() {
		all = nil
		for _, route := range h.routes() {
			if !strings.HasPrefix(route.pattern, "GET ") || unmeasured[route.pattern] != "" {
				continue
			}
			_, target, _, options := w.rightly(route.pattern)
			all = append(all, timeScreen(b, route.pattern, server.URL+target, "", route.guard != open,
				append(options, in, header("Accept-Language", "en"))))
		}
		for _, page := range h.grownPages(newest) {
			all = append(all, timeScreen(b, page.name, server.URL+page.address, "", true, []option{in}))
		}
		for name, target := range besidesGET(newest) {
			all = append(all, timeScreen(b, name, server.URL+target, "", true, []option{in}))
		}
		all = append(all, timeScreen(b, "POST /api/v1/rules/preview", server.URL+"/api/v1/rules/preview", sentRules, true,
			[]option{in, header("Content-Type", "application/json")}))
	}
	slices.SortFunc(all, func(a, b screenTime) int { return int(b.took[len(b.took)-1] - a.took[len(a.took)-1]) })
	var worst float64
	for _, s := range all {
		worst = max(worst, s.at(0.95))
		b.Logf("| %s | %.1f | %.1f | %.1f |", s.name, s.at(0.5), s.at(0.95), float64(s.cpu.Microseconds())/1000)
	}
	b.ReportMetric(worst, "worst-p95-ms")
	b.ReportMetric(float64(len(all)), "screens")
}

// besidesGET are addresses of pages that read more than their routes' own.
func besidesGET(newest time.Time) map[string]string {
	day := func(back int) string { return newest.AddDate(0, 0, back).Format(time.DateOnly) }
	return map[string]string{
		"Erase a period: ten years": "/visits/erase?from=" + day(-3650) + "&until=" + day(1),
		"Checks API, 100":           "/api/v1/checks?limit=100",
		"Visits API, 100":           "/api/v1/visits?limit=100",
	}
}

// amongMany has what each route of a grown archive is asked with: a visit, a person, a
// doubtful face and a stranger of many, and one each of what an archive has few of.
func (h *household) amongMany(b *testing.B) walk {
	b.Helper()
	ctx := b.Context()
	w := walk{household: h, visits: map[string]string{}, persons: map[string]string{}, faces: map[string]string{},
		kept: map[string]string{}}
	persons, err := h.archive.Persons(ctx)
	if err != nil {
		b.Fatal(err)
	}
	w.person = persons[0].ID
	seen, err := h.archive.LatestVisits(ctx, 100)
	if err != nil {
		b.Fatal(err)
	}
	seen = slices.DeleteFunc(seen, func(v house.Visit) bool { return len(v.Stills[0].Faces) == 0 })
	w.visit = seen[0].ID
	doubtful, err := h.archive.Doubtful(ctx, 1, "~", 1)
	if err != nil || len(doubtful) == 0 {
		b.Fatalf("%d doubtful faces, %v", len(doubtful), err)
	}
	face, in := seen[0].Stills[0].Faces[0].ID, h.session(h.resident("Odile of the tablets"))
	var strangers struct{ Strangers []strangerJSON }
	if h.get("/api/v1/strangers", in).is(200).into(&strangers); len(strangers.Strangers) > 0 {
		w.stranger = strangers.Strangers[0].ID
	}
	for _, route := range h.routes() {
		if !strings.HasPrefix(route.pattern, "GET ") {
			continue
		}
		w.faces[route.pattern] = face
		if strings.Contains(route.pattern, "/checks") && !strings.HasSuffix(route.pattern, "/crop") {
			w.faces[route.pattern] = doubtful[0].ID
		}
	}
	h.furnishFew(b, &w)
	return w
}

// furnishFew makes one each of what an archive has few of.
func (h *household) furnishFew(b *testing.B, w *walk) {
	b.Helper()
	ctx := b.Context()
	var err error
	if h.bell, err = h.archive.RenewBell(ctx, "gate"); err != nil {
		b.Fatal(err)
	}
	w.tried = h.triedBefore()
	w.ruled = h.ruledFor("GET /rules/advice/doors/{door}", "GET /rules/advice/rules/{rule}")
	h.tablet("Hall", "Odile of the tablets")
	tablets, err := h.archive.Tablets(ctx)
	if err != nil {
		b.Fatal(err)
	}
	w.tabletID = tablets[0].ID
	residents, err := h.archive.Residents(ctx)
	if err != nil {
		b.Fatal(err)
	}
	reference := h.portrayed(w.person)
	for _, route := range h.routes() {
		switch {
		case strings.Contains(route.pattern, "{resident}"):
			w.kept[route.pattern] = residents[0].ID
		case strings.Contains(route.pattern, "{reference}"):
			w.kept[route.pattern] = reference
		}
	}
	w.message = h.shows("No, thank you.")
	w.erasing.all = append(w.erasing.all, &erasure{id: "LASTING", state: "running", back: "/visits",
		left: func(context.Context) (int, error) { return 0, nil }})
}

// timeScreen asks for an address again and again. What is shut is to be answered with
// what was asked for.
func timeScreen(b *testing.B, name, target, body string, shut bool, options []option) (s screenTime) {
	b.Helper()
	s.name = name
	ask := func() {
		method := http.MethodGet
		if body != "" {
			method = http.MethodPost
		}
		r, err := http.NewRequestWithContext(b.Context(), method, target, strings.NewReader(body))
		if err != nil {
			b.Fatal(err)
		}
		for _, o := range options {
			o(r)
		}
		answer, err := http.DefaultTransport.RoundTrip(r)
		if err != nil {
			b.Fatal(err)
		}
		defer answer.Body.Close()
		sent, err := io.ReadAll(answer.Body)
		if err != nil || answer.StatusCode >= 500 || shut && answer.StatusCode >= 400 {
			b.Errorf("%s: %d %v %.200s", name, answer.StatusCode, err, sent)
		}
	}
	began, cpu := time.Now(), cpuTime(b)
	for len(s.took) < asksEach && (len(s.took) == 0 || time.Since(began) < asksFor) {
		asked := time.Now()
		ask()
		s.took = append(s.took, time.Since(asked))
	}
	s.cpu = (cpuTime(b) - cpu) / time.Duration(len(s.took))
	slices.Sort(s.took)
	return s
}
