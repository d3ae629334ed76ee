// Paint writes stills for measurements: JPEG pictures as a bell sends them,
// each with one face of a width asked for, or with none.
//
//	go run ./internal/doorstep/paint --out DIR --width 100 --count 100
//
// The faces are from the folder LINTEL_FACES, the model files and the
// background from LINTEL_MODELS. The same flags paint the same stills.
// faces.csv beside them says where each face is: file, left, top, right and
// bottom, in pixels.
package main

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"image"
	"image/jpeg"
	"math/rand/v2"
	"os"
	"path/filepath"

	"github.com/disintegration/imaging"

	"lintel/internal/doorstep"
	"lintel/pipeline/face"
)

func main() {
	var p painting
	flag.StringVar(&p.out, "out", "", "the folder to write the stills to; made if need be")
	flag.IntVar(&p.width, "width", 100, "how wide the faces are, in pixels; 0 for no face")
	flag.IntVar(&p.count, "count", 100, "how many stills")
	flag.Uint64Var(&p.seed, "seed", 1, "another seed paints other stills")
	flag.Float64Var(&p.turn, "turn", 0, "by how many degrees at most faces are turned, either way")
	flag.Parse()
	if p.out == "" || flag.NArg() > 0 || p.count < 1 || p.width < 0 || p.width > doorstep.MaxWidth || p.turn < 0 ||
		p.turn > 45 {
		fmt.Fprintf(os.Stderr, "usage: paint --out DIR [--width 0..%d] [--count N] [--seed N] [--turn 0..45]\n",
			doorstep.MaxWidth)
		flag.PrintDefaults()
		os.Exit(2)
	}
	if err := p.paint(); err != nil {
		fmt.Fprintln(os.Stderr, "paint:", err)
		os.Exit(1)
	}
}

// painting is what the flags ask for.
type painting struct {
	out          string
	width, count int
	seed         uint64
	turn         float64
}

func (p painting) paint() error {
	models, ok := doorstep.Models()
	if !ok {
		return fmt.Errorf("no model files in %s; `lintel models fetch --examples` brings them", models)
	}
	background, err := imaging.Open(filepath.Join(models, "examples", "dogs.jpg"))
	if err != nil {
		return fmt.Errorf("opening the background: %w", err)
	}
	var portraits []doorstep.Portrait
	if p.width > 0 {
		if portraits, err = readPortraits(models, p.count); err != nil {
			return err
		}
	}
	if err := os.MkdirAll(p.out, 0o755); err != nil {
		return fmt.Errorf("making the folder: %w", err)
	}
	r := rand.New(rand.NewPCG(p.seed, p.seed))
	var list bytes.Buffer
	for i := range p.count {
		var portrait *doorstep.Portrait
		if p.width > 0 {
			turned := portraits[i%len(portraits)]
			if p.turn > 0 {
				turned = turned.Rotated(p.turn * (2*r.Float64() - 1))
			}
			portrait = &turned
		}
		still, box := doorstep.Paint(r, background, portrait, p.width)
		name := fmt.Sprintf("still-%04d.jpg", i)
		if err := write(filepath.Join(p.out, name), still); err != nil {
			return fmt.Errorf("writing a still: %w", err)
		}
		if p.width > 0 {
			fmt.Fprintf(&list, "%s,%d,%d,%d,%d\n", name, box.Min.X, box.Min.Y, box.Max.X, box.Max.Y)
		}
	}
	if err := os.WriteFile(filepath.Join(p.out, "faces.csv"), list.Bytes(), 0o644); err != nil {
		return fmt.Errorf("writing where the faces are: %w", err)
	}
	return nil
}

// readPortraits opens up to n portraits and finds the one face on each.
func readPortraits(models string, n int) ([]doorstep.Portrait, error) {
	dir, ok := doorstep.Faces()
	if !ok {
		return nil, fmt.Errorf("no photographs in %s; LINTEL_FACES names their folder", filepath.Join(dir, "pairs"))
	}
	finder, err := face.Open(models)
	if err != nil {
		return nil, err
	}
	defer finder.Close()
	portraits, err := doorstep.ReadPortraits(dir, n, func(img image.Image) (image.Rectangle, error) {
		faces, err := finder.Find(context.Background(), img)
		if err == nil && len(faces) != 1 {
			err = fmt.Errorf("%d faces, a portrait has one", len(faces))
		}
		if err != nil {
			return image.Rectangle{}, err
		}
		return faces[0].Box, nil
	})
	if err == nil && len(portraits) == 0 {
		err = fmt.Errorf("no pairs/*/neutral.jpg in %s", dir)
	}
	return portraits, err
}

func write(name string, still image.Image) error {
	var b bytes.Buffer
	if err := jpeg.Encode(&b, still, &jpeg.Options{Quality: 85}); err != nil {
		return err
	}
	return os.WriteFile(name, b.Bytes(), 0o644)
}
