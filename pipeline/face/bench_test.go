package face

import (
	"bytes"
	"fmt"
	"image"
	"image/jpeg"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
)

// BenchmarkFind times a Finder, from JPEG to descriptors, and one bare go-face
// call, alternately on the same drawn stills. ns/op is the Finder's alone;
// the other metrics are medians in milliseconds, their ratio and that of the
// 95th percentiles, and how many of 100 faces each found. B/op is what Go
// allocates from JPEG to descriptors. Run it with
// -benchtime=40x, once over all stills.
func BenchmarkFind(b *testing.B) {
	for _, test := range []struct {
		name    string
		width   int
		degrees float64
	}{
		{"no-face", 0, 0}, {"30", 30, 0}, {"40", 40, 0}, {"60", 60, 0}, {"100", 100, 0}, {"140", 140, 0}, {"300", 300, 0},
		{"40-turned", 40, 20}, {"60-turned", 60, 20}, {"100-turned", 100, 20}, {"300-turned", 300, 20},
	} {
		b.Run(test.name, func(b *testing.B) {
			f, bare := open(b), openBare(b)
			stills := make([][]byte, 40)
			faces := make([]image.Rectangle, len(stills))
			r := rand.New(rand.NewPCG(uint64(test.width), 1))
			for i := range stills {
				stills[i], faces[i] = visitor(test.width, test.degrees*(2*r.Float64()-1), uint64(i))
			}
			var ours, theirs []time.Duration
			oursFound, theirsFound := 0, 0
			timed := func(find func() ([]house.Face, error), times *[]time.Duration, found *int, face image.Rectangle) {
				began := time.Now()
				got, err := find()
				*times = append(*times, time.Since(began))
				if err != nil {
					b.Fatal(err)
				}
				if test.width > 0 && hit(got, face) {
					*found++
				}
			}
			for b.Loop() {
				i := len(ours) % len(stills)
				timed(func() ([]house.Face, error) { return findIn(f, stills[i]) }, &ours, &oursFound, faces[i])
				b.StopTimer()
				timed(func() ([]house.Face, error) { return bare.Find(stills[i]) }, &theirs, &theirsFound, faces[i])
				b.StartTimer()
			}
			b.ReportAllocs()
			n := len(ours)
			slices.Sort(ours)
			slices.Sort(theirs)
			b.ReportMetric(ours[n/2].Seconds()*1e3, "ours-ms")
			b.ReportMetric(theirs[n/2].Seconds()*1e3, "bare-ms")
			b.ReportMetric(ours[n/2].Seconds()/theirs[n/2].Seconds(), "ratio-p50")
			b.ReportMetric(ours[n*95/100].Seconds()/theirs[n*95/100].Seconds(), "ratio-p95")
			if test.width > 0 {
				b.ReportMetric(100*float64(oursFound)/float64(n), "%found")
				b.ReportMetric(100*float64(theirsFound)/float64(n), "%bare-found")
			}
		})
	}
}

// BenchmarkShifted reports how many labelled faces of 40 pixels or more are
// missed when a photograph is cut by 0 to 7 pixels at the left and the top,
// which moves the faces about between the squares that are tried.
func BenchmarkShifted(b *testing.B) {
	f := open(b)
	photographs := labelled(b)
	labels, missed := 0, 0
	for b.Loop() {
		labels, missed = 0, 0
		for _, p := range photographs {
			photo := example(b, p.File)
			for i := range 8 {
				corner := image.Pt(i, 3*i%8)
				faces := find(b, f, cut(photo, image.Rectangle{corner, photo.Bounds().Max}))
				for _, box := range p.Boxes {
					if box.Width < 40 {
						continue
					}
					labels++
					if !hit(faces, box.rectangle().Sub(corner)) {
						missed++
					}
				}
			}
		}
	}
	b.ReportMetric(float64(labels), "faces")
	b.ReportMetric(float64(missed), "missed")
}

// BenchmarkSteps times what Find is made of, on a still with no face: the
// searches go over all of it.
func BenchmarkSteps(b *testing.B) {
	f := open(b)
	raw, _ := visitor(0, 0, 1)
	still, err := jpeg.Decode(bytes.NewReader(raw))
	if err != nil {
		b.Fatal(err)
	}
	var drawn planes
	drawn.of(still)
	coarse, wide := drawn.coarse, drawn.fine
	withFace, box := visitor(140, 0, 1)
	crowded, err := jpeg.Decode(bytes.NewReader(withFace))
	if err != nil {
		b.Fatal(err)
	}
	at := proposal{x: (box.Min.X + box.Max.X) / 2, y: (box.Min.Y + box.Max.Y) / 2, side: box.Dx() * 100 / 84}
	onFace, err := cropAround(crowded, at).encode(new(bytes.Buffer))
	if err != nil {
		b.Fatal(err)
	}
	onNothing, err := cropAround(still, at).encode(new(bytes.Buffer))
	if err != nil {
		b.Fatal(err)
	}
	for _, step := range []struct {
		name string
		run  func()
	}{
		{"decode", func() { jpeg.Decode(bytes.NewReader(raw)) }},
		{"luma", func() { drawn.of(still) }},
		{"large-first", func() { f.here.search(coarse, largeFirst) }},
		{"large-second", func() { f.here.search(coarse, largeSecond) }},
		{"small-first", func() { f.here.search(wide, smallFirst) }},
		{"large-close", func() { f.here.search(coarse, largeClose) }},
		{"medium-close", func() { f.here.search(wide, mediumClose) }},
		{"small-close", func() { f.here.search(wide, smallClose) }},
		{"again", func() { f.here.again(coarse, at) }},
		{"crop", func() { cropAround(crowded, at).encode(&f.encoded) }},
		{"go-face-yes", func() { f.detector.Recognize(onFace) }},
		{"go-face-no", func() { f.detector.Recognize(onNothing) }},
	} {
		b.Run(step.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				step.run()
			}
		})
	}
}

// BenchmarkOpen reports besides how much more memory the process has for each
// Finder that found faces once.
func BenchmarkOpen(b *testing.B) {
	photo := example(b, "2008_002506.jpg")
	find(b, open(b), photo) // the libraries' own memory, and the garbage collector's, is there after this
	before := resident(b)
	for b.Loop() {
		find(b, open(b), photo)
	}
	b.ReportMetric((resident(b)-before)/float64(b.N), "MB")
}

// resident is how much memory the process has, in MB.
func resident(b *testing.B) float64 {
	raw, err := os.ReadFile("/proc/self/status")
	if err != nil {
		b.Skip(err)
	}
	for line := range strings.Lines(string(raw)) {
		if rest, ok := strings.CutPrefix(line, "VmRSS:"); ok {
			kB, err := strconv.Atoi(strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(rest), "kB")))
			if err != nil {
				b.Fatal(err)
			}
			return float64(kB) / 1000
		}
	}
	b.Fatal(fmt.Errorf("no VmRSS in %q", raw))
	return 0
}
