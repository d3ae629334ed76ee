package main

import (
	"context"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"lintel/internal/house"
	"lintel/store"
)

// TestBellsInBrowser looks at a week of two bells, one of which is not well, and
// says that this is meant.
func TestBellsInBrowser(t *testing.T) {
	h := newHousehold(t)
	a, _ := h.newArchive()
	aWeekOfBells(t, a)
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}
	if list := h.lintel("bell", "list"); !strings.Contains(list, "Looking elsewhere since") {
		t.Errorf("lintel bell list says %q", list)
	}
	if list := h.lintel("bell", "list", "--json"); !strings.Contains(list, `"ailment"`) {
		t.Errorf("lintel bell list --json says %q", list)
	}
	h.serve()
	defer h.stop()
	wide, narrow := h.browsers("")
	for width, b := range map[string]context.Context{"1280": wide, "400": narrow} {
		picture := func(name string) {
			t.Helper()
			do(t, b, chromedp.Poll[bool](`document.readyState === "complete"`)) // with its style
			whole(t, b, name+"-"+width)
		}
		see(t, b, "#unwell", "The bell yard was not heard since.*The bell yard looks elsewhere")
		picture("now-bells")
		do(t, b, chromedp.Navigate(h.url+"/upkeep/bells"))
		see(t, b, "#bells", "yard.*gate|gate.*yard")
		unfold(t, b)
		picture("upkeep-bells")
	}
	click(t, wide, `#bell-yard form[action$="/view/forget"] button`)
	see(t, wide, "#bell-yard", "^(?!.*looks elsewhere)")
	unfold(t, wide)
	see(t, wide, "#bell-yard", "Looking elsewhere: from.*until")
	do(t, narrow, chromedp.Navigate(h.url+"/"))
	see(t, narrow, "#unwell", "^The bell yard was not heard since[^.]*. Look at its power and its network.$")
}

// unfold opens what is one tap away.
func unfold(t *testing.T, b context.Context) {
	t.Helper()
	do(t, b, chromedp.Evaluate[any](`document.querySelectorAll("#bells details").forEach((d) => { d.open = true; })`))
}

// aWeekOfBells has two bells tell how they were for a week.
func aWeekOfBells(t *testing.T, a *store.Archive) {
	t.Helper()
	ctx, now := t.Context(), time.Now().Truncate(time.Minute)
	check := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	for _, name := range []string{"gate", "yard"} {
		_, err := a.AddBell(ctx, name)
		check(err)
		last := now
		if name == "yard" {
			last = now.Add(-5 * time.Hour)
		}
		for at := now.Add(-house.HealthKept + time.Minute); !at.After(last); at = at.Add(20 * time.Minute) {
			if name == "gate" && at.Hour() < 5 && at.YearDay()%3 == 0 {
				continue // its plug was pulled for some nights
			}
			signal, memory, ahead := -58+int(9*math.Sin(float64(at.Unix())/9000)), int64(183_000), int64(-700)
			uptime, battery := int64(at.Sub(now.Add(-9*24*time.Hour)).Seconds())%400_000, 71
			check(a.KeepHeartbeat(ctx, name, house.Heartbeat{At: at, Signal: &signal, Memory: &memory, Firmware: "porch 1.4",
				Uptime: &uptime, Ahead: &ahead, Battery: &battery, Interval: 1200}))
		}
		beats, err := a.Heartbeats(ctx, name, now.Add(-house.HealthKept))
		check(err)
		check(a.ChangeBellHealth(ctx, name, func(h *house.Health) error {
			h.Last, h.Interval = &beats[len(beats)-1], 20*time.Minute
			h.Begin(house.BellBattery, now.Add(-50*time.Hour))
			h.End(house.BellBattery, now.Add(-30*time.Hour))
			if name == "yard" {
				h.Begin(house.BellQuiet, last)
				h.Begin(house.BellMoved, now.Add(-29*time.Hour))
			}
			return nil
		}))
		for back := range 6 {
			check(a.AddBellDay(ctx, name, house.BellDay{Day: now.AddDate(0, 0, -back).Format(time.DateOnly), Rings: 2 + back,
				Stills: 3 * (2 + back), Damaged: back / 4, Upload: time.Duration(2+back) * 2 * time.Second,
				Slowest: time.Duration(1+back%3) * time.Second}))
		}
		check(a.KeepBellView(ctx, name, knownView()))
	}
}

// knownView is a view that is known at one hour.
func knownView() []byte {
	const cells = 24 * 18
	grid := `"` + strings.Repeat("QUFB", cells/3) + `"`
	return []byte(`{"hours":[{"rings":3,"grey":` + grid + `,"detail":` + grid + `,"seen":` + grid + `}` +
		strings.Repeat(",null", 23) + `]}`)
}
