package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image/jpeg"
	"io"
	"os"
	"path/filepath"
	"strings"
	"text/tabwriter"
	"time"

	"lintel/pipeline/face"
)

type speedCmd struct {
	Dir  string `arg:"" help:"A folder of stills (.jpg, .jpeg)." type:"path"`
	JSON bool   `name:"json" help:"Print JSON."`
}

func (c *speedCmd) Help() string {
	return `Each still is examined twice, right after each other: as Lintel does it, from JPEG to descriptors, and by one
bare call of the face library on the whole still. Which comes first changes from still to still. The first three stills
are examined once before, uncounted. Few stills are gone through several times, until there are 40 timings of each. A
still that either way fails on is named and left out.`
}

// minTimings is how many timings a median and a 95th percentile are worth
// reporting from.
const minTimings = 40

// warmUp is how many stills are examined before anything is timed.
const warmUp = 3

// errNoStills says that there is nothing to measure.
var errNoStills = errors.New("no stills to measure")

// A speed is what `lintel speed` reports.
type speed struct {
	Stills int       `json:"stills"` // without those left out
	Ours   durations `json:"ours_ms"`
	Bare   durations `json:"bare_ms"`
	// RatioP50 is Ours.P50 / Bare.P50: a ratio of medians, not a median of
	// ratios.
	RatioP50  float64 `json:"ratio_p50"`
	FacesOurs int     `json:"faces_ours"` // on all stills together
	FacesBare int     `json:"faces_bare"`

	leftOut, rounds int
}

// durations are quantiles of a time, in milliseconds.
type durations struct {
	P50 float64 `json:"p50"`
	P95 float64 `json:"p95"`
}

func (c *speedCmd) Run(g *globals) error {
	files, err := picturesIn(c.Dir)
	if err != nil {
		return fmt.Errorf("looking for stills: %w", err)
	}
	var stills []string
	for _, f := range files {
		if !strings.EqualFold(filepath.Ext(f), ".png") {
			stills = append(stills, f)
		}
	}
	if len(stills) == 0 {
		return failed(errNoStills, "speed-no-stills", "Folder", c.Dir)
	}
	race, err := g.newRace()
	if err != nil {
		return err
	}
	defer race.close()
	result, err := race.over(g, stills)
	if err != nil {
		return err
	}
	return g.print(c.JSON, result, result.write)
}

// A race runs both ways to examine a still.
type race struct {
	finder *face.Finder
	bare   *face.Bare
}

func (g *globals) newRace() (*race, error) {
	finder, err := g.openFinder()
	if err != nil {
		return nil, err
	}
	bare, err := face.OpenBare(g.Models)
	if err != nil {
		finder.Close()
		return nil, err
	}
	return &race{finder, bare}, nil
}

func (r *race) close() {
	r.finder.Close()
	r.bare.Close()
}

// over times both ways on all stills.
func (r *race) over(g *globals, files []string) (*speed, error) {
	for _, file := range files[:min(len(files), warmUp)] {
		r.lap(g.ctx, file, true) // an error comes again below
	}
	result := &speed{rounds: (minTimings + len(files) - 1) / len(files)}
	var laps []lap
	leftOut := make(map[string]error)
	progress := g.newProgress("progress-speed", result.rounds*len(files))
	for round := range result.rounds {
		for i, file := range files {
			progress.step()
			if leftOut[file] != nil {
				continue
			}
			l, err := r.lap(g.ctx, file, (round+i)%2 == 0)
			if g.ctx.Err() != nil {
				progress.end()
				return nil, g.ctx.Err()
			}
			if err != nil {
				leftOut[file] = err
				continue
			}
			laps = append(laps, l)
			if round == 0 {
				result.count(l)
			}
		}
	}
	progress.end()
	for _, file := range files {
		if err := leftOut[file]; err != nil {
			tell(g.stderr, "left-out", "What", file, "Error", err)
		}
	}
	if len(laps) == 0 {
		return nil, failed(errNoStills, "speed-all-left-out", "Stills", len(files))
	}
	result.leftOut = len(leftOut)
	result.time(laps)
	return result, nil
}

// count counts a still and its faces.
func (s *speed) count(l lap) {
	s.Stills++
	s.FacesOurs += l.facesOurs
	s.FacesBare += l.facesBare
}

// time sums the laps up.
func (s *speed) time(laps []lap) {
	var ours, bare []float64
	for _, l := range laps {
		ours, bare = append(ours, milliseconds(l.ours)), append(bare, milliseconds(l.bare))
	}
	s.Ours = durations{quantileOf(ours, 0.5), quantileOf(ours, 0.95)}
	s.Bare = durations{quantileOf(bare, 0.5), quantileOf(bare, 0.95)}
	s.RatioP50 = s.Ours.P50 / s.Bare.P50
}

// A lap is what both ways made of one still.
type lap struct {
	ours, bare           time.Duration
	facesOurs, facesBare int
}

// lap times both ways on one still. Reading the file is not counted.
func (r *race) lap(ctx context.Context, file string, oursFirst bool) (l lap, err error) {
	data, err := os.ReadFile(file)
	if err != nil {
		return l, err
	}
	runOurs := func() error {
		began := time.Now()
		img, err := jpeg.Decode(bytes.NewReader(data))
		if err != nil {
			return fmt.Errorf("decoding: %w", err)
		}
		faces, err := r.finder.Find(ctx, img)
		l.ours, l.facesOurs = time.Since(began), len(faces)
		return err
	}
	runBare := func() error {
		began := time.Now()
		faces, err := r.bare.Find(data)
		l.bare, l.facesBare = time.Since(began), len(faces)
		return err
	}
	first, second := runOurs, runBare
	if !oursFirst {
		first, second = runBare, runOurs
	}
	if err := first(); err != nil {
		return l, err
	}
	return l, second()
}

// write says the same to people.
func (s *speed) write(w io.Writer) {
	tell(w, "speed-of", "Stills", s.Stills, "LeftOut", s.leftOut, "Rounds", s.rounds)
	fmt.Fprintln(w)
	table := tabwriter.NewWriter(w, 0, 0, 3, ' ', tabwriter.AlignRight)
	tell(table, "speed-head")
	tell(table, "speed-ours", "P50", s.Ours.P50, "P95", s.Ours.P95, "Faces", s.FacesOurs)
	tell(table, "speed-bare", "P50", s.Bare.P50, "P95", s.Bare.P95, "Faces", s.FacesBare)
	table.Flush()
	fmt.Fprintln(w)
	tell(w, "speed-ratio", "Ratio", s.RatioP50)
}
