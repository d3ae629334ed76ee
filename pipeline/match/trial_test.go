package match

import (
	"context"
	"encoding/csv"
	"fmt"
	"image"
	"image/color"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"

	"github.com/disintegration/imaging"
	"golang.org/x/sync/errgroup"

	"lintel/internal/house"
	"lintel/internal/supplies"
	"lintel/pipeline/face"
)

// A sight is how a portrait reaches the door: what is done to it before the
// face is looked for.
type sight struct {
	name   string
	weight float64 // of a reference made so, 0 to 1
	spoil  func(r *rand.Rand, p portrait) image.Image
}

// A portrait is a photograph of one face.
type portrait struct {
	image image.Image
	face  image.Rectangle // dlib's box
}

// sights are those that references and probes of a trial are seen in. They are
// our own choice: what a door camera does to a face that is far off, not in
// focus, or badly lit.
var sights = []sight{
	{"full", 1, func(_ *rand.Rand, p portrait) image.Image { return p.image }},
	{"60 px", 0.7, func(_ *rand.Rand, p portrait) image.Image { return reduced(p, 60) }},
	{"40 px", 0.4, func(_ *rand.Rand, p portrait) image.Image { return reduced(p, 40) }},
	{"32 px", 0.25, func(_ *rand.Rand, p portrait) image.Image { return reduced(p, 32) }},
	{"blurred", 0.5, func(r *rand.Rand, p portrait) image.Image {
		return imaging.Blur(reduced(p, 80), 1.5+r.Float64())
	}},
	{"dark", 0.5, func(r *rand.Rand, p portrait) image.Image {
		still := imaging.AdjustFunc(reduced(p, 100), func(c color.NRGBA) color.NRGBA {
			return color.NRGBA{c.R / 6, c.G / 6, c.B / 6, c.A}
		})
		for i := range still.Pix {
			if i%4 != 3 {
				still.Pix[i] = uint8(min(max(float64(still.Pix[i])+3*r.NormFloat64(), 0), 255)) // a sensor's noise
			}
		}
		return still
	}},
}

// reduced returns the portrait with the face that many pixels wide, on a grey
// wall of 320 by 256 pixels or more.
func reduced(p portrait, width int) *image.NRGBA {
	b := p.image.Bounds()
	w := max(1, b.Dx()*width/p.face.Dx())
	small := imaging.Resize(p.image, w, 0, imaging.Lanczos)
	wall := imaging.New(max(320, small.Bounds().Dx()), max(256, small.Bounds().Dy()), color.Gray{150})
	return imaging.PasteCenter(wall, small)
}

// pictureNames are those of each pair.
var pictureNames = [2]string{"neutral", "smiling"}

// A subject is a person of the open set: the descriptors of two pictures, each
// by sight; nil where no face was found.
type subject struct {
	id    string
	group string // descent and sex, as the set's own table has them: "white female"
	seen  [2][]*house.Descriptor
}

// sex is the last word of the group.
func (s subject) sex() string { return s.group[strings.LastIndex(s.group, " ")+1:] }

// groupsOf reads the set's table of groups: lines of an id, a comma and a group
// below a header.
func groupsOf(dir string) (map[string]string, error) {
	f, err := os.Open(filepath.Join(dir, "groups.csv"))
	if err != nil {
		return nil, fmt.Errorf("opening the groups of the portraits: %w", err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		return nil, fmt.Errorf("reading the groups of the portraits: %w", err)
	}
	groups := make(map[string]string)
	for _, row := range rows[min(1, len(rows)):] {
		groups[row[0]] = row[1]
	}
	return groups, nil
}

var (
	openSet     []subject
	openSetErr  error
	openSetOnce sync.Once
)

// subjects describes the open set, once a run.
func subjects(t testing.TB) []subject {
	t.Helper()
	if raceDetector {
		t.Skip("SKIPPED: describing the open set takes too long with the race detector")
	}
	dir, ok := supplies.Faces()
	if !ok {
		t.Skip("SKIPPED: no face pairs; set LINTEL_FACES to measure on them")
	}
	models := supplies.NeedModels(t)
	openSetOnce.Do(func() { openSet, openSetErr = describe(dir, models) })
	if openSetErr != nil {
		t.Fatal(openSetErr)
	}
	return openSet
}

func describe(dir, models string) ([]subject, error) {
	folders, err := filepath.Glob(filepath.Join(dir, "pairs", "*"))
	if err != nil {
		return nil, err
	}
	groups, err := groupsOf(dir)
	if err != nil {
		return nil, err
	}
	all := make([]subject, len(folders))
	next := make(chan int)
	var workers errgroup.Group
	workers.Go(func() error {
		defer close(next)
		for i := range folders {
			next <- i
		}
		return nil
	})
	for range runtime.GOMAXPROCS(0) {
		workers.Go(func() error {
			f, err := face.Open(models)
			if err == nil {
				defer f.Close()
			}
			for i := range next {
				if err == nil {
					all[i], err = describeSubject(f, folders[i], uint64(i))
					all[i].group = groups[all[i].id]
				}
			}
			return err
		})
	}
	return all, workers.Wait()
}

func describeSubject(f *face.Finder, folder string, seed uint64) (s subject, err error) {
	s.id = filepath.Base(folder)
	r := rand.New(rand.NewPCG(seed, 7))
	for i, name := range pictureNames {
		img, err := imaging.Open(filepath.Join(folder, name+".jpg"))
		if err != nil {
			return s, fmt.Errorf("opening a portrait: %w", err)
		}
		seen := portrait{image: img}
		s.seen[i] = make([]*house.Descriptor, len(sights))
		for j, sight := range sights {
			still := sight.spoil(r, seen)
			found, err := largest(f, still)
			if err != nil {
				return s, err
			}
			if found == nil {
				if j == 0 {
					return s, fmt.Errorf("%s: no face", folder)
				}
				continue
			}
			if j == 0 {
				seen.face = found.Box
			}
			s.seen[i][j] = &found.Descriptor
		}
	}
	return s, nil
}

// largest returns the largest face on a still, nil without any.
func largest(f *face.Finder, still image.Image) (*house.Face, error) {
	faces, err := f.Find(context.Background(), still)
	if err != nil {
		return nil, err
	}
	var best *house.Face
	for i := range faces {
		if best == nil || faces[i].Width() > best.Width() {
			best = &faces[i]
		}
	}
	return best, nil
}
