package view

import (
	"fmt"
	"math"
	"strings"
	"time"

	"lintel/internal/house"
)

// A BellHealth is how a bell is, as Upkeep shows it.
type BellHealth struct {
	Name    string
	Address string
	Heard   string
	Wrong   []string // what is, each with since when
	Moved   bool     // whether it looks elsewhere than usual
	Facts   []BellFact
	Graphs  []BellGraph
	Days    []BellDay
	Past    []string
	View    string // what is known of its view
	Judged  bool   // whether anything is
	Told    bool   // whether a heartbeat ever came
	Expects string // how often heartbeats are expected
	Minutes string // that, as the form has it; empty for none

	Display       string // what it is like
	ChangeDisplay string // address where that is said
	Folder        string // how the folder does that its stills are taken from, "" without one
	Tried         string // that somebody tries secrets, "" for nobody
	FolderLost    bool   // whether that can't be read
}

// Well reports whether nothing wrong was noticed at a bell that told of itself.
func (v BellHealth) Well() bool { return v.Told && len(v.Wrong) == 0 && v.Tried == "" && !v.FolderLost }

// A BellFact is something under its name.
type BellFact struct{ Name, Value string }

// A BellDay is what came on a day.
type BellDay struct{ Day, Rings, Damaged, Mean, Slowest string }

// A BellGraph is a drawing of a week, and what it shows in words.
type BellGraph struct {
	ID, Title, Says string
	Top, Bottom     string // what the ends of its axis are called
	Lines           []Line
	Bars            []Line
	Days            []Tick
}

// A BellWeek is all that is known of a bell.
type BellWeek struct {
	Bell  house.Bell
	House house.Health
	Beats []house.Heartbeat // the oldest first
	Days  []house.BellDay
	Hours int // of 24 at which its view is known
}

// Where a graph's lines are, in units of its viewBox.
const (
	GraphWidth, GraphHeight = 336, 96
	graphTop, graphBottom   = 8.0, 72.0
)

// BellNotice says an ailment with its bell and since when.
func (t Presenter) BellNotice(bell string, s house.Spell) string {
	return t.Words.Text("bell-notice-"+string(s.Ailment), "Bell", bell, "Moment", t.Moment(s.Since))
}

// BellHealth says how a bell is.
func (t Presenter) BellHealth(w BellWeek) BellHealth {
	v := BellHealth{Name: w.Bell.Name, Address: w.Bell.Address, Heard: t.Words.Text("upkeep-not-heard")}
	heard := w.Bell.HeardAt
	if b := w.House.Last; b != nil && b.At.After(heard) {
		heard = b.At
	}
	if !heard.IsZero() {
		v.Heard = t.Words.Text("upkeep-heard", "Moment", t.Moment(heard))
	}
	for _, spell := range w.House.Ailing {
		v.Wrong = append(v.Wrong, t.BellNotice(w.Bell.Name, spell))
		v.Moved = v.Moved || spell.Ailment == house.BellMoved
	}
	for _, spell := range w.House.Past {
		v.Past = append(v.Past, t.Words.Text("bell-past", "What", t.Words.Text("ailment-"+string(spell.Ailment)),
			"From", t.Moment(spell.Since), "Until", t.Moment(spell.Until)))
	}
	v.Judged = w.Hours > 0
	v.View = t.Words.Text("bell-view-unknown")
	if v.Judged {
		v.View = t.Words.Text("bell-view-known", "Count", w.Hours)
	}
	v.Expects = t.Words.Text("bell-expects-none")
	if every := w.House.Every(); every > 0 {
		v.Minutes = fmt.Sprint(int(every / time.Minute))
		v.Expects = t.Words.Text("bell-expects", "Length", t.Words.Length(max(every, 2*time.Minute)))
		if every < 2*time.Minute {
			v.Expects = t.Words.Text("bell-expects-minute")
		}
	}
	v.Facts, v.Told = t.bellFacts(w), w.House.Last != nil
	if len(w.Beats) > 0 {
		v.Graphs = append(v.Graphs, t.signalGraph(w))
	}
	if len(w.Days) > 0 {
		v.Graphs = append(v.Graphs, t.uploadGraph(w))
	}
	for _, d := range w.Days {
		v.Days = append(v.Days, BellDay{t.dayName(d.Day), fmt.Sprint(d.Rings), fmt.Sprint(d.Damaged),
			t.tenths(d.Mean()), t.tenths(d.Slowest)})
	}
	return v
}

// tenths is a length of time in seconds.
func (t Presenter) tenths(d time.Duration) string { return t.Words.Sprintf("%.1f", d.Seconds()) }

// dayName is a date of the last week by its weekday.
func (t Presenter) dayName(day string) string {
	d, err := time.ParseInLocation(time.DateOnly, day, t.Zone)
	if err != nil {
		return day
	}
	return t.Words.Weekday(d.Weekday())
}

// bellFacts are what the last heartbeat said, and how often the bell began anew.
func (t Presenter) bellFacts(w BellWeek) (facts []BellFact) {
	b := w.House.Last
	if b == nil {
		return []BellFact{{t.Words.Text("bell-heartbeat"), t.Words.Text("bell-heartbeat-none")}}
	}
	add := func(name, value string) { facts = append(facts, BellFact{name, value}) }
	add(t.Words.Text("bell-heartbeat"), t.Moment(b.At))
	if b.Signal != nil {
		add(t.Words.Text("bell-signal"), t.dBm(float64(*b.Signal)))
	}
	if ahead, known := b.ClockAhead(); known {
		add(t.Words.Text("bell-clock"), t.clockWords(ahead))
	}
	if b.Battery != nil {
		add(t.Words.Text("bell-battery"), t.Words.Text("percent", "Number", fmt.Sprint(*b.Battery)))
	}
	if b.Memory != nil {
		add(t.Words.Text("bell-memory"), t.Words.Bytes(*b.Memory))
	}
	if b.Uptime != nil {
		add(t.Words.Text("bell-uptime"), t.Words.Length(time.Duration(*b.Uptime)*time.Second))
		add(t.Words.Text("bell-restarts"), fmt.Sprint(Restarts(w.Beats)))
	}
	if b.Firmware != "" {
		add(t.Words.Text("bell-firmware"), b.Firmware)
	}
	return facts
}

func (t Presenter) dBm(v float64) string {
	return t.Words.Text("dbm", "Number", strings.Replace(t.Words.Sprintf("%.0f", v), "-", "−", 1))
}

// clockWords say by how much a bell's clock differs.
func (t Presenter) clockWords(ahead time.Duration) string {
	switch {
	case ahead.Abs() < time.Second:
		return t.Words.Text("bell-clock-right")
	case ahead > 0:
		return t.Words.Text("bell-clock-ahead", "Length", t.Words.Length(ahead))
	}
	return t.Words.Text("bell-clock-behind", "Length", t.Words.Length(-ahead))
}

// Restarts counts how often a bell began anew, by its heartbeats in their order.
func Restarts(beats []house.Heartbeat) (n int) {
	before := int64(-1)
	for _, b := range beats {
		if b.Uptime == nil {
			continue
		}
		if *b.Uptime < before {
			n++
		}
		before = *b.Uptime
	}
	return n
}

// week is the week until now, as x of a graph.
func (t Presenter) week(at time.Time) float64 {
	return math.Round(10*GraphWidth*(1-float64(t.Now.Sub(at))/float64(house.HealthKept))) / 10
}

// midnights are the days of the week, at their midnights.
func (t Presenter) midnights() (days []Tick) {
	now := t.Now.In(t.Zone)
	for back := 6; back >= 0; back-- {
		at := time.Date(now.Year(), now.Month(), now.Day()-back, 0, 0, 0, 0, t.Zone)
		days = append(days, Tick{At: t.week(at), Label: string([]rune(t.Words.Weekday(at.Weekday()))[:2])})
	}
	return days
}

// signalStep is over how long signals are taken together, since a line has no
// more points than a screen.
const signalStep = 30 * time.Minute

// signalGraph draws the signal; where none was told, the line breaks off.
func (t Presenter) signalGraph(w BellWeek) BellGraph {
	const best, worst = -30, -100
	g := BellGraph{ID: "signal-" + w.Bell.Address, Title: t.Words.Text("bell-signal"), Top: t.dBm(best),
		Bottom: t.dBm(worst), Days: t.midnights()}
	y := scale(worst, best, graphBottom, graphTop)
	gap := max(4*w.House.Every(), 2*signalStep)
	var points []string
	end := func() {
		if len(points) == 1 {
			points = append(points, points[0])
		}
		if points != nil {
			g.Lines = append(g.Lines, Line{"det", strings.Join(points, " ")})
		}
		points = nil
	}
	low, high, sum, n := math.Inf(1), math.Inf(-1), 0.0, 0.0
	var began, last time.Time
	step := func() {
		if n > 0 {
			points = append(points, fmt.Sprintf("%g,%g", t.week(began), y(max(worst, min(best, sum/n)))))
		}
		sum, n = 0, 0
	}
	for _, b := range w.Beats {
		if b.Signal == nil || t.Now.Sub(b.At) > house.HealthKept {
			continue
		}
		if b.At.Sub(began) >= signalStep {
			step()
			began = b.At
		}
		if !last.IsZero() && b.At.Sub(last) > gap {
			end()
		}
		s := float64(*b.Signal)
		sum, n, last = sum+s, n+1, b.At
		low, high = min(low, s), max(high, s)
	}
	step()
	end()
	g.Says = t.Words.Text("bell-signal-none")
	if !math.IsInf(low, 0) {
		g.Says = t.Words.Text("bell-signal-says", "Low", t.dBm(low), "High", t.dBm(high))
	}
	return g
}

// uploadGraph draws how long stills took on their way, day by day.
func (t Presenter) uploadGraph(w BellWeek) BellGraph {
	g := BellGraph{ID: "upload-" + w.Bell.Address, Title: t.Words.Text("bell-upload"), Bottom: "0", Days: t.midnights()}
	most, slowest, stills, all := time.Second, time.Duration(0), 0, time.Duration(0)
	for _, d := range w.Days {
		most, slowest = max(most, d.Slowest), max(slowest, d.Slowest)
		stills, all = stills+d.Stills, all+d.Upload
	}
	g.Top = t.Words.Text("seconds-short", "Number", t.tenths(most))
	y := scale(0, most.Seconds(), graphBottom, graphTop)
	for _, d := range w.Days {
		at, err := time.ParseInLocation(time.DateOnly, d.Day, t.Zone)
		if err != nil {
			continue
		}
		left := t.week(at)
		right := min(left+GraphWidth/7, GraphWidth)
		bar := func(class string, took time.Duration, inset float64) {
			x0, x1 := max(0, left)+inset, right-inset
			if x1 > x0 {
				g.Bars = append(g.Bars, Line{class, fmt.Sprintf("%g,%g %g,%g %g,%g %g,%g", x0, graphBottom, x0,
					y(took.Seconds()), x1, y(took.Seconds()), x1, graphBottom)})
			}
		}
		bar("slowest", d.Slowest, 6)
		bar("mean", d.Mean(), 10)
	}
	g.Says = t.Words.Text("bell-upload-says", "Mean", t.tenths(all/time.Duration(max(stills, 1))),
		"Slowest", t.tenths(slowest))
	return g
}
