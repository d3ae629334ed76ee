package web

import (
	"fmt"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
)

var (
	heatCell = regexp.MustCompile(`<a class="heat-([1-4])" href="/visits\?[^"]*day=([0-9-]+)[^"]*">` +
		`<small>([0-9]+)</small> <b>([0-9]+)</b> <span class="unseen">([^<]+)</span>`)
	stripHour = regexp.MustCompile(`(?s)<li(?: class="rang")?><time datetime="([0-9:]+)">[0-9:]+</time>(.*?)</li>`)
	stripRing = regexp.MustCompile(`<a href="/visits/([A-Z2-7]+)"`)
	stripRest = regexp.MustCompile(`<a class="rest" href="([^"]+)" aria-label="[^"]+">\+([0-9]+)</a>`)
)

// TestBookYear compares the heat calendar's counts with counting the visits, for
// filters of all kinds.
func TestBookYear(t *testing.T) {
	h := newBookHouse(t, 25)
	for _, test := range []struct {
		name  string
		query url.Values
		fits  func(kept) bool
	}{
		{"all", url.Values{}, func(kept) bool { return true }},
		{"a person", url.Values{"person": {h.person.ID}}, func(k kept) bool { return k.kind == house.Known }},
		{"a name and a bell", url.Values{"name": {"ilse"}, "bell": {"gate"}},
			func(k kept) bool { return k.kind == house.Known && k.bell == "gate" }},
		{"signs of a picture", url.Values{"picture": {"true"}}, func(k kept) bool { return k.picture }},
		{"a kind", url.Values{"kind": {"no-face"}}, func(k kept) bool { return k.kind == house.NoFace }},
	} {
		t.Run(test.name, func(t *testing.T) {
			h.within(t)
			want := make(map[string]int)
			for _, k := range h.all {
				if test.fits(k) {
					want[k.day]++
				}
			}
			test.query.Set("year", "2031")
			page := string(h.get("/visits?"+test.query.Encode(), h.in).is(200).body)
			checkMarkup(t, page)
			cells := heatCell.FindAllStringSubmatch(page, -1)
			if len(cells) != len(want) || len(want) == 0 {
				t.Errorf("%d days with visits, want %d", len(cells), len(want))
			}
			for _, c := range cells {
				if n, _ := strconv.Atoi(c[4]); n != want[c[2]] || !strings.Contains(c[5], speak(language).N(n, "visit")) ||
					strings.TrimLeft(c[2][8:], "0") != c[3] {
					t.Errorf("%q, want %d", c[0], want[c[2]])
				}
			}
		})
	}
	h.get("/visits?year=2031", h.in).is(200).says("2031: 75 visits")
	h.get("/visits?year=1999", h.in).is(200).says("1999: 0 visits")
}

// TestBookDay compares each day's strip with the visits of that day: a day of 23, of 24
// and of 25 hours, and those whose clocks are put half an hour. When clocks are changed
// is the tz database's, through Python's zoneinfo: in Berlin on 2031-03-30 at 02:00 and
// on 2031-10-26 at 03:00, on Lord Howe Island, by half an hour, on 2031-04-06 at 02:00.
func TestBookDay(t *testing.T) {
	for _, test := range []struct {
		zone, day string
		hours     int
		length    time.Duration
		twice     string // a clock that the day shows twice, or
		never     string // one that it lacks
	}{
		{"Europe/Berlin", "2031-03-29", 24, 24 * time.Hour, "", ""},
		{"Europe/Berlin", "2031-03-30", 23, 23 * time.Hour, "", "02:00"},
		{"Europe/Berlin", "2031-10-26", 25, 25 * time.Hour, "02:00", ""},
		{"Australia/Lord_Howe", "2031-04-06", 25, 24*time.Hour + 30*time.Minute, "", ""},
	} {
		t.Run(test.zone+" "+test.day, func(t *testing.T) {
			h := newHouse(t)
			in := h.session(h.resident("Odile"))
			rules := house.DefaultRules()
			rules.Zone = test.zone
			if err := h.archive.SetRules(t.Context(), rules); err != nil {
				t.Fatal(err)
			}
			begins, err := time.ParseInLocation(time.DateOnly, test.day, rules.Location())
			if err != nil {
				t.Fatal(err)
			}
			want := h.ringAllDay(begins.Add(-3*time.Hour), begins, begins.Add(test.length))
			page := string(h.get("/visits?day="+test.day, in).is(200).body)
			checkMarkup(t, page)
			hours := stripHour.FindAllStringSubmatch(page, -1)
			var clocks, rings []string
			for _, hour := range hours {
				clocks = append(clocks, hour[1])
				for _, ring := range stripRing.FindAllStringSubmatch(hour[2], -1) {
					rings = append(rings, ring[1])
				}
			}
			if len(hours) != test.hours || !slices.Equal(rings, want) {
				t.Errorf("%d hours with %d rings, want %d with %d: %v", len(hours), len(rings), test.hours, len(want), clocks)
			}
			if n := strings.Count(strings.Join(clocks, " "), test.twice); test.twice != "" && n != 2 {
				t.Errorf("%s comes %d times in %v", test.twice, n, clocks)
			}
			if test.never != "" && slices.Contains(clocks, test.never) {
				t.Errorf("%s is in %v", test.never, clocks)
			}
		})
	}
}

// ringAllDay has somebody ring every 55 minutes for a day from a time on, and returns
// the visits between two others.
func (h *household) ringAllDay(from, begin, end time.Time) (within []string) {
	h.t.Helper()
	for i, at := 0, from; at.Before(end.Add(3 * time.Hour)); i, at = i+1, at.Add(55*time.Minute) {
		id, _, err := h.archive.Keep(h.t.Context(), house.NewStill{Bell: "gate", Ring: fmt.Sprint(i), JPEG: still(h.t, 1),
			Width: 160, Height: 120, ReceivedAt: at})
		if err != nil {
			h.t.Fatal(err)
		}
		if !at.Before(begin) && at.Before(end) {
			within = append(within, id)
		}
	}
	return within
}

// TestBookBusyHour shows two of an hour's rings and leads to the others.
func TestBookBusyHour(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	at := h.clock.now().Truncate(24 * time.Hour).Add(10 * time.Hour)
	var all []string
	for i := range 7 {
		id, _, err := h.archive.Keep(t.Context(), house.NewStill{Bell: "gate", Ring: fmt.Sprint(i), JPEG: still(t, 1),
			Width: 160, Height: 120, ReceivedAt: at.Add(time.Duration(i) * time.Minute)})
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, id)
	}
	h.get("/visits?day="+at.Format(time.DateOnly), in).is(200).says("7 visits").says("5 more from 10:00")
	page := string(h.get("/visits?day="+at.Format(time.DateOnly), in).body)
	rest := stripRest.FindStringSubmatch(page)
	if rest == nil || rest[2] != "5" {
		t.Fatalf("the rest of the hour: %v", rest)
	}
	there := string(h.get(strings.ReplaceAll(strings.TrimSuffix(rest[1], "#list"), "&amp;", "&"), in).is(200).body)
	if first := entryLink.FindStringSubmatch(there); first == nil || first[1] != all[6] {
		t.Errorf("it leads to %v, want %s first", first, all[6])
	}
}
