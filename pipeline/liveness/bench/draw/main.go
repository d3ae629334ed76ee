// Draw writes rings of stills of package bench for measurements, in the layout
// that `lintel liveness DIR` reads:
//
//	go run ./pipeline/liveness/bench/draw -out DIR -held=false -n 60 -frames 3
//
//	DIR/bona-fide/<ring>/0.jpg ...
//	DIR/attack/<species>/<ring>/0.jpg ...
//
// The portraits are from the folder LINTEL_FACES, the model files from
// LINTEL_MODELS. The same flags draw the same stills.
package main

import (
	"context"
	"flag"
	"fmt"
	"image"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"sync"

	"lintel/pipeline/face"
	"lintel/pipeline/face/doorstep"
	"lintel/pipeline/liveness/bench"
	"lintel/store"
)

func main() {
	out := flag.String("out", "", "the folder to write to; made if need be")
	held := flag.Bool("held", false, "draw from the ranges that are held out, not from those to fit on")
	n := flag.Int("n", 60, "how many rings of persons, and of each species of attack")
	from := flag.Int("first", 0, "the number of the first ring; others have not been looked at yet")
	frames := flag.Int("frames", 3, "how many stills a ring has")
	flag.Parse()
	if *out == "" || flag.NArg() > 0 || *n < 1 || *from < 0 || *frames < 1 {
		fmt.Fprintln(os.Stderr, "usage: draw -out DIR [-held] [-first N] [-n N] [-frames N]")
		os.Exit(2)
	}
	ranges := bench.FitRanges()
	if *held {
		ranges = bench.HeldOutRanges()
	}
	if err := draw(*out, ranges, *from, *n, *frames); err != nil {
		fmt.Fprintln(os.Stderr, "draw:", err)
		os.Exit(1)
	}
}

// A job is one ring.
type job struct {
	species string
	n       int
}

func draw(out string, ranges bench.Ranges, from, n, frames int) error {
	dir, ok := doorstep.Faces()
	if !ok {
		return fmt.Errorf("no photographs in %s; LINTEL_FACES names their folder", filepath.Join(dir, "pairs"))
	}
	models, _ := doorstep.Models()
	finder, err := face.Open(models)
	if err != nil {
		return err
	}
	defer finder.Close()
	b, err := bench.Open(dir, func(img image.Image) (store.Face, error) { return one(finder, img) })
	if err != nil {
		return err
	}
	jobs := make(chan job)
	var workers sync.WaitGroup
	var first sync.Once
	var failed error
	for range runtime.GOMAXPROCS(0) {
		workers.Go(func() {
			for j := range jobs {
				if err := write(b, out, ranges, j, frames); err != nil {
					first.Do(func() { failed = err })
				}
			}
		})
	}
	for i := from; i < from+n; i++ {
		for _, species := range append([]string{bench.BonaFide}, bench.Species...) {
			jobs <- job{species, i}
		}
	}
	close(jobs)
	workers.Wait()
	return failed
}

// one returns the one face of a portrait.
func one(finder *face.Finder, img image.Image) (store.Face, error) {
	faces, err := finder.Find(context.Background(), img)
	if err == nil && len(faces) != 1 {
		err = fmt.Errorf("%d faces, a portrait has one", len(faces))
	}
	if err != nil {
		return store.Face{}, err
	}
	return faces[0], nil
}

func write(b *bench.Bench, out string, ranges bench.Ranges, j job, frames int) error {
	ring, err := b.Ring(j.species, ranges, j.n, frames)
	if err != nil {
		return err
	}
	dir := filepath.Join(out, "attack", j.species)
	if j.species == bench.BonaFide {
		dir = filepath.Join(out, j.species)
	}
	dir = filepath.Join(dir, fmt.Sprintf("%04d", j.n))
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return fmt.Errorf("making a folder: %w", err)
	}
	for i, still := range ring.JPEGs {
		if err := os.WriteFile(filepath.Join(dir, strconv.Itoa(i)+".jpg"), still, 0o644); err != nil {
			return fmt.Errorf("writing a still: %w", err)
		}
	}
	return nil
}
