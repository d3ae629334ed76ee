// Draw writes stills of the invented doorstep for those who work on it, and for measurements.
//
//	go run ./internal/doorstep/draw --out DIR --who heron,clover --distance 0.7 --hour 18.5
//
// draws one still. Several stills are those of one ring:
//
//	go run ./internal/doorstep/draw --out DIR --who flint --shows teal --phone --count 4
//
// The same flags draw the same stills. faces.csv beside them says where each
// face is: file, who, left, top, right and bottom, in pixels.
package main

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"lintel/internal/doorstep"
)

func main() {
	var d drawing
	flag.StringVar(&d.out, "out", "", "the folder to write the stills to; made if need be")
	flag.StringVar(&d.who, "who", "heron", "who is there, from the left, with commas between; empty for nobody")
	flag.StringVar(&d.shows, "shows", "", "whose picture the first of them holds up")
	flag.BoolVar(&d.phone, "phone", false, "the picture is on a phone, not on paper")
	flag.BoolVar(&d.garden, "garden", false, "at the garden door, not at the front")
	flag.IntVar(&d.sky, "sky", 0, "0 clear, 1 overcast, 2 rain")
	flag.Float64Var(&d.hour, "hour", 10, "of a day in May")
	flag.Float64Var(&d.first.Distance, "distance", 0.8, "metres from the lens")
	flag.Float64Var(&d.first.Yaw, "yaw", 0, "degrees to the picture's right")
	flag.Float64Var(&d.first.Pitch, "pitch", 0, "degrees upwards")
	flag.Float64Var(&d.first.Smile, "smile", 0, "0 to 1")
	flag.BoolVar(&d.first.Glasses, "glasses", false, "with glasses")
	flag.BoolVar(&d.first.Hat, "hat", false, "with a hat")
	flag.BoolVar(&d.first.Scarf, "scarf", false, "with a scarf")
	flag.BoolVar(&d.first.Carrying, "carrying", false, "with a parcel")
	flag.IntVar(&d.count, "count", 1, "how many stills")
	flag.Uint64Var(&d.seed, "seed", 1, "another seed draws other stills")
	flag.Parse()
	if d.out == "" || flag.NArg() > 0 || d.count < 1 || d.sky < 0 || d.sky > 2 {
		fmt.Fprintln(os.Stderr, "usage: draw --out DIR [flags]")
		flag.PrintDefaults()
		os.Exit(2)
	}
	if err := d.draw(); err != nil {
		fmt.Fprintln(os.Stderr, "draw:", err)
		os.Exit(1)
	}
}

// drawing is what the flags ask for.
type drawing struct {
	out, who, shows string
	phone, garden   bool
	sky, count      int
	hour            float64
	first           doorstep.Visitor // what all of them are like
	seed            uint64
}

func (d drawing) draw() error {
	scene, err := d.scene()
	if err != nil {
		return err
	}
	if err := os.MkdirAll(d.out, 0o777); err != nil {
		return fmt.Errorf("making the folder for the stills: %w", err)
	}
	var faces strings.Builder
	for i, s := range scene.Burst(d.count, 400*time.Millisecond) {
		still := s.Still()
		name := fmt.Sprintf("still-%03d.jpg", i)
		if err := os.WriteFile(filepath.Join(d.out, name), still.JPEG(88), 0o666); err != nil {
			return fmt.Errorf("writing a still: %w", err)
		}
		for _, f := range still.Truth {
			fmt.Fprintf(&faces, "%s,%s,%d,%d,%d,%d\n", name, f.Who.Name, f.Box.Min.X, f.Box.Min.Y, f.Box.Max.X, f.Box.Max.Y)
		}
	}
	if err := os.WriteFile(filepath.Join(d.out, "faces.csv"), []byte(faces.String()), 0o666); err != nil {
		return fmt.Errorf("writing where the faces are: %w", err)
	}
	return nil
}

func (d drawing) scene() (doorstep.Scene, error) {
	midnight := time.Date(2026, time.May, 3, 0, 0, 0, 0, time.FixedZone("", 3600))
	at := midnight.Add(time.Duration(d.hour * float64(time.Hour)))
	s := doorstep.Scene{At: at, Sky: doorstep.Sky(d.sky), Seed: d.seed}
	if d.garden {
		s.Door = doorstep.Garden
	}
	names := slices.DeleteFunc(strings.Split(d.who, ","), func(name string) bool { return name == "" })
	for i, name := range names {
		v := d.first
		v.Aside = 0.6 * (float64(i) - float64(len(names)-1)/2)
		var err error
		if v.Who, err = person(name); err != nil {
			return s, err
		}
		if d.shows != "" && i == 0 {
			v.Shows.As = doorstep.Print
			if d.phone {
				v.Shows.As = doorstep.Phone
			}
			if v.Shows.Of, err = person(d.shows); err != nil {
				return s, err
			}
		}
		s.Visitors = append(s.Visitors, v)
	}
	return s, nil
}

func person(name string) (*doorstep.Person, error) {
	i := slices.IndexFunc(doorstep.People[:], func(p *doorstep.Person) bool { return p.Name == name })
	if i < 0 {
		return nil, fmt.Errorf("nobody is called %q", name)
	}
	return doorstep.People[i], nil
}
