// Package trial runs rings whose truth is known through the search for signs
// of a picture, and counts the errors as ISO/IEC 30107-3 asks: APCER for each
// attack species by itself, and BPCER, with intervals that know which rings
// are of one person.
//
//	rings, err := trial.Read(dir)
//	outcomes, err := trial.Run(ctx, rings, liveness.New(nets), openFinder, done)
//	report := trial.ReportOn(outcomes, attack)
//
// What comes in is a folder:
//
//	DIR/bona-fide/<ring>/*.jpg          a person stood there
//	DIR/attack/<species>/<ring>/*.jpg   a picture was held there
//
// The frames of a ring are in the order of their names. A list may say whom a
// ring shows, and under which condition it was taken ([ReadLabels]). What goes
// out is what was found on each ring ([Outcome]), the error rates over all
// ([Report]), and how well the probability of a picture tells persons from
// pictures at any threshold ([Curve]).
package trial

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"image"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"

	"github.com/disintegration/imaging"
	"golang.org/x/sync/errgroup"

	"lintel/internal/house"
	"lintel/pipeline/liveness"
	"lintel/pipeline/match"
)

// BonaFide is the species of rings that show no attack.
const BonaFide = ""

// ErrNoRings says that a folder holds no ring of a person or none of an attack.
var ErrNoRings = errors.New("a trial needs DIR/bona-fide/RING/*.jpg and DIR/attack/SPECIES/RING/*.jpg")

// A Ring is one presentation whose truth is known.
type Ring struct {
	Species string // of the attack, or BonaFide
	Name    string
	// Person is who stood there, or whom the picture shows: rings of one
	// person are not independent. It is "" for somebody of no other ring.
	Person string
	// Condition is under what it was taken: by night, say; "" if not stated.
	Condition string
	Frames    []func() (image.Image, error)
}

// Path names the ring below the trial's folder: bona-fide/<ring> or
// attack/<species>/<ring>.
func (r Ring) Path() string {
	if r.Species == BonaFide {
		return "bona-fide/" + r.Name
	}
	return "attack/" + r.Species + "/" + r.Name
}

// Read lists the rings of a folder. Hidden files and folders are left out, and
// so are rings without a picture. The error is ErrNoRings where there are no
// rings of a person or none of an attack.
func Read(dir string) ([]Ring, error) {
	rings, err := readRings(filepath.Join(dir, "bona-fide"), BonaFide)
	if err != nil {
		return nil, err
	}
	persons := len(rings)
	species, err := folders(filepath.Join(dir, "attack"))
	if err != nil {
		return nil, err
	}
	for _, s := range species {
		more, err := readRings(filepath.Join(dir, "attack", s), s)
		if err != nil {
			return nil, err
		}
		rings = append(rings, more...)
	}
	if persons == 0 || len(rings) == persons {
		return nil, fmt.Errorf("%w; %s has %d and %d such rings", ErrNoRings, dir, persons, len(rings)-persons)
	}
	return rings, nil
}

func readRings(dir, species string) ([]Ring, error) {
	names, err := folders(dir)
	if err != nil {
		return nil, err
	}
	var rings []Ring
	for _, name := range names {
		files, err := os.ReadDir(filepath.Join(dir, name))
		if err != nil {
			return nil, fmt.Errorf("looking for frames: %w", err)
		}
		r := Ring{Species: species, Name: name}
		for _, f := range files {
			switch strings.ToLower(filepath.Ext(f.Name())) {
			case ".jpg", ".jpeg", ".png":
				if !strings.HasPrefix(f.Name(), ".") {
					path := filepath.Join(dir, name, f.Name())
					r.Frames = append(r.Frames, func() (image.Image, error) { return open(path) })
				}
			}
		}
		if len(r.Frames) > 0 {
			rings = append(rings, r)
		}
	}
	return rings, nil
}

// folders lists the folders in one, by name; none if it is not there.
func folders(dir string) ([]string, error) {
	entries, err := os.ReadDir(dir)
	if errors.Is(err, os.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("looking for rings: %w", err)
	}
	var names []string
	for _, e := range entries {
		if e.IsDir() && !strings.HasPrefix(e.Name(), ".") {
			names = append(names, e.Name())
		}
	}
	return names, nil
}

// open decodes a JPEG as it is, since the pipeline too looks at what the file
// holds.
func open(path string) (image.Image, error) {
	img, err := imaging.Open(path)
	if err != nil {
		return nil, fmt.Errorf("opening a frame: %w", err)
	}
	return img, nil
}

// Apart returns a ring for each frame of each ring, as if every still had come
// alone. Those of one ring show one person.
func Apart(rings []Ring) []Ring {
	var apart []Ring
	for _, r := range rings {
		for i, frame := range r.Frames {
			one := r
			one.Person = cmp.Or(r.Person, r.Path())
			one.Name, one.Frames = fmt.Sprintf("%s, frame %d", r.Name, i), []func() (image.Image, error){frame}
			apart = append(apart, one)
		}
	}
	return apart
}

// A Finder finds the faces on a still.
type Finder interface {
	Find(ctx context.Context, still image.Image) ([]house.Face, error)
	Close() error
}

// An Outcome is what was found on a ring.
type Outcome struct {
	Ring
	// Stills is what each frame's face shows by itself, as if it had come
	// alone, for the frames where the face was found.
	Stills []house.Liveness
	// Together is what all frames show together; nil if no face was found.
	Together *house.Liveness
	// Unread names frames that could not be looked at.
	Unread []error
}

// Run looks at each ring, on all cores, and calls done after each, from one
// goroutine at a time; it may be nil. An error means that the trial can't go on:
// that a frame can't be read is noted with its ring.
func Run(ctx context.Context, rings []Ring, signs *liveness.Examiner, open func() (Finder, error),
	done func()) ([]Outcome, error) {
	outcomes := make([]Outcome, len(rings))
	var next atomic.Int64 // the ring that nobody looks at yet
	var telling sync.Mutex
	workers, ctx := errgroup.WithContext(ctx)
	for range min(runtime.GOMAXPROCS(0), len(rings)) {
		workers.Go(func() error {
			finder, err := open()
			if err != nil {
				return fmt.Errorf("opening a face finder: %w", err)
			}
			defer finder.Close()
			for i := next.Add(1) - 1; i < int64(len(rings)); i = next.Add(1) - 1 {
				if err := ctx.Err(); err != nil {
					return err
				}
				if outcomes[i], err = look(ctx, signs, finder, rings[i]); err != nil {
					return err
				}
				if done != nil {
					telling.Lock()
					done()
					telling.Unlock()
				}
			}
			return nil
		})
	}
	return outcomes, workers.Wait()
}

// look examines a ring as the pipeline does.
func look(ctx context.Context, signs *liveness.Examiner, finder Finder, ring Ring) (Outcome, error) {
	o := Outcome{Ring: ring}
	var frames []liveness.Frame
	for n, read := range ring.Frames {
		still, err := read()
		if err != nil {
			o.Unread = append(o.Unread, err)
			continue
		}
		faces, err := finder.Find(ctx, still)
		if ctx.Err() != nil {
			return o, ctx.Err()
		}
		if err != nil {
			o.Unread = append(o.Unread, fmt.Errorf("%s, frame %d: %w", ring.Name, n, err))
			continue
		}
		signs.Examine(still, faces)
		frames = append(frames, liveness.Frame{Number: n, Thumbnail: liveness.NewThumbnail(still), Faces: faces})
	}
	main := prominent(frames)
	for _, f := range main {
		o.Stills = append(o.Stills, *f.Liveness)
	}
	liveness.JudgeRing(frames)
	if len(main) > 0 {
		o.Together = main[len(main)-1].Liveness
	}
	return o, nil
}

// prominent returns the face that a ring is judged by: the largest on any
// frame, and those of the same person on the others.
func prominent(frames []liveness.Frame) []*house.Face {
	var largest *house.Face
	for _, frame := range frames {
		for i := range frame.Faces {
			if f := &frame.Faces[i]; largest == nil || f.Width() > largest.Width() {
				largest = f
			}
		}
	}
	var same []*house.Face
	for _, frame := range frames {
		var nearest *house.Face
		best := 0.5
		for i := range frame.Faces {
			f := &frame.Faces[i]
			if d := match.Distance(&f.Descriptor, &largest.Descriptor); f == largest || d < best {
				nearest, best = f, d
			}
			if f == largest {
				break
			}
		}
		if nearest != nil {
			same = append(same, nearest)
		}
	}
	return same
}
