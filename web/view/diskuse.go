package view

import (
	"fmt"
	"strings"
	"time"

	"lintel/internal/house"
)

// A DiskUse draws how much the archive took of its disk, day by day, and how that goes
// on. It is drawn in 640 by 200 units; y goes down.
type DiskUse struct {
	Says  string // when it will be full, in a sentence
	Past  string // points of a line, "" where only today is known
	Ahead string // points of the line that goes on, "" where nothing is known of it
	Full  int    // where the disk is full
	Today int    // where today is
	Top   string // how much that is
	Now   string // how much is taken
	From  string // the first day
	Until string // the last
}

// The picture's frame, in its units.
const (
	diskWidth  = 640
	diskTop    = 24
	diskBottom = 160
)

// diskAhead is how far the picture looks ahead.
const diskAhead = 60 * 24 * time.Hour

// DiskUse draws the days that are known, the last of which is today, and says when
// the archive has taken all that it may: what it takes and what is free.
func (t Presenter) DiskUse(days []house.DiskDay, used, free int64) (d DiskUse) {
	today := t.Now.UTC().Truncate(24 * time.Hour)
	if n := len(days); n > 0 && days[n-1].Day.Equal(today) {
		days = days[:n-1]
	}
	days = append(days[:len(days):len(days)], house.DiskDay{Day: today, Bytes: used})
	full := used + free
	perDay, at, known := house.DiskFull(days, full)
	end := today.Add(diskAhead)
	if !at.IsZero() && at.Before(end) {
		end = at
	}
	begin := days[0].Day
	x := func(day time.Time) float64 {
		return diskWidth * day.Sub(begin).Hours() / max(1, end.Sub(begin).Hours())
	}
	y := func(bytes float64) float64 {
		return diskBottom - (diskBottom-diskTop)*min(1, max(0, bytes/max(1, float64(full))))
	}
	var past []string
	for _, day := range days {
		past = append(past, fmt.Sprintf("%.0f,%.1f", x(day.Day), y(float64(day.Bytes))))
	}
	d = DiskUse{Past: strings.Join(past, " "), Full: diskTop, Today: int(x(today)), Top: t.Words.Bytes(full),
		Now: t.Words.Bytes(used), From: t.Words.Date(begin), Until: t.Words.Date(end),
		Says: t.Words.Text("disk-unknown")}
	if !known {
		return d
	}
	goes := float64(used) + perDay*end.Sub(today).Hours()/24
	d.Ahead = fmt.Sprintf("%.0f,%.1f %d,%.1f", x(today), y(float64(used)), diskWidth, y(goes))
	d.Says = t.Words.Text("disk-enough")
	if !at.IsZero() {
		d.Says = t.Words.Text("disk-full", "Date", t.Words.Date(at))
	}
	return d
}
