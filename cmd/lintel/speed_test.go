package main

import (
	"bytes"
	"math"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"lintel/internal/doorstep"
	"lintel/internal/supplies"
)

// The command on a still of a visitor, one of nobody, and two files that one way
// or the other fails on.
func TestSpeedCommand(t *testing.T) {
	models, visitor := supplies.NeedModels(t), aVisitor().JPEG(85)
	dir := t.TempDir()
	if !raceDetector { // a porch is searched twice, which the detector makes long
		writeFile(t, filepath.Join(dir, "nobody.jpg"), doorstep.Scene{At: at(12)}.Still().JPEG(85))
	}
	writeFile(t, filepath.Join(dir, "visitor.jpg"), visitor)
	writeFile(t, filepath.Join(dir, "half.jpg"), visitor[:len(visitor)/2])
	writeFile(t, filepath.Join(dir, "text.jpg"), []byte("this is no picture"))
	writeFile(t, filepath.Join(dir, "other.png"), plainPNG(t, 32, 32))
	var out, complaints bytes.Buffer
	if status := run(t.Context(), []string{"speed", dir, "--json", "--models", models}, &out,
		&complaints); status != exitRight {
		t.Fatalf("status %d: %s", status, &complaints)
	}
	for _, name := range []string{"half.jpg", "text.jpg"} {
		if strings.Count(complaints.String(), name+": left out: ") != 1 {
			t.Errorf("stderr does not name %s once:\n%s", name, &complaints)
		}
	}
	type quantiles struct {
		P50 float64 `json:"p50"`
		P95 float64 `json:"p95"`
	}
	var got struct {
		Stills    int       `json:"stills"`
		Ours      quantiles `json:"ours_ms"`
		Bare      quantiles `json:"bare_ms"`
		RatioP50  float64   `json:"ratio_p50"`
		FacesOurs int       `json:"faces_ours"`
		FacesBare int       `json:"faces_bare"`
	}
	decodeExactly(t, out.Bytes(), &got)
	stills := 2
	if raceDetector {
		stills = 1
	}
	if got.Stills != stills || got.FacesOurs != 1 || got.FacesBare != 1 {
		t.Errorf("got %+v, want %d stills with one face", got, stills)
	}
	if q := got.Ours; q.P50 <= 0 || q.P95 < q.P50 {
		t.Errorf("ours %+v", q)
	}
	if math.Abs(got.RatioP50-got.Ours.P50/got.Bare.P50) > 1e-9 {
		t.Errorf("ratio %v of %v and %v", got.RatioP50, got.Ours.P50, got.Bare.P50)
	}
}

// Outside: the nearest-rank definition of a percentile, common practice, no
// source: of 40 values the 95th is the 38th, of 2 the median is the first.
func TestSpeedTimes(t *testing.T) {
	var laps []lap
	for i := range 40 {
		ours := time.Duration((i*7)%40+1) * time.Millisecond // each of 1 to 40 ms once
		laps = append(laps, lap{ours: ours, bare: 4 * ours})
	}
	var s speed
	s.time(laps)
	if s.Ours != (durations{20, 38}) || s.Bare != (durations{80, 152}) || s.RatioP50 != 0.25 {
		t.Errorf("got %+v", s)
	}
	if got := quantileOf([]float64{3, 1}, 0.5); got != 1 {
		t.Errorf("median of 1 and 3: %v, want 1", got)
	}
	var text strings.Builder
	s.write(&text)
	for _, line := range []string{"20.0 ms", "152.0 ms", "is 0.25 of"} {
		if !strings.Contains(text.String(), line) {
			t.Errorf("no %q in\n%s", line, &text)
		}
	}
}

func TestProgress(t *testing.T) {
	var b bytes.Buffer
	g := &globals{stderr: &b}
	p := g.newProgress("progress-speed", 25)
	for range 25 {
		p.step()
	}
	p.end()
	if got := strings.Count(b.String(), "\n"); got != 10 || !strings.HasSuffix(b.String(), "timing stills: 25 of 25\n") {
		t.Errorf("%d lines, want 10, a tenth each:\n%s", got, &b)
	}
}
