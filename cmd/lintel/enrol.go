package main

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"os"

	"lintel/models"
	"lintel/pipeline/face"
	"lintel/pipeline/intake"
	"lintel/pipeline/match"
	"lintel/store"
)

type enrolCmd struct {
	Person string   `arg:"" help:"The person's id or name."`
	Files  []string `arg:"" name:"file" help:"Photographs with the one face of the person." type:"existingfile"`
	consentFlags
	JSON bool `name:"json" help:"Print JSON."`
}

// minEnrolWidth is the width in pixels under which a face makes no reference:
// error rates grow tenfold between 32 and 24 pixels, and a reference counts in
// every comparison to come.
const minEnrolWidth = 80

var (
	errNoFace    = errors.New("no face found; choose a photograph that shows it from the front, in good light")
	errFaces     = errors.New("several faces; cut out the person's")
	errSmallFace = errors.New("the face is too small; choose a photograph that shows it larger")
)

// An enrolled file is one that became a reference, or why it did not.
type enrolled struct {
	File      string `json:"file"`
	FaceWidth int    `json:"face_width,omitempty"`
	Error     string `json:"error,omitempty"`
}

func (c *enrolCmd) Run(g *globals) error {
	a, err := g.openArchive(false)
	if err != nil {
		return err
	}
	defer a.Close()
	person, err := a.Person(g.ctx, c.Person)
	if err != nil {
		return err
	}
	if c.ConsentBy != "" {
		if err := a.RecordConsent(g.ctx, person.ID, c.consent()); err != nil {
			return err
		}
	} else if person.Consent == nil {
		return fmt.Errorf("%w is recorded for %s, so nothing was enrolled; ask them, then say who agreed: --consent-by NAME (--consent-on, --consent-to)",
			store.ErrNoConsent, person.Name)
	}
	finder, err := g.openFinder()
	if err != nil {
		return err
	}
	defer finder.Close()
	var results []enrolled
	refused := 0
	for _, file := range c.Files {
		r := enrolled{File: file}
		if r.FaceWidth, err = enrolFile(g, a, finder, person.ID, file); err != nil {
			r.Error = err.Error()
			refused++
		}
		results = append(results, r)
	}
	err = g.print(c.JSON, results, func(w io.Writer) {
		for _, r := range results {
			if r.Error != "" {
				fmt.Fprintf(w, "%s: not enrolled: %s\n", r.File, r.Error)
			} else {
				fmt.Fprintf(w, "%s: enrolled, the face is %d pixels wide\n", r.File, r.FaceWidth)
			}
		}
	})
	if err == nil && refused > 0 {
		err = fmt.Errorf("%d of %d photographs were not enrolled", refused, len(c.Files))
	}
	return err
}

// enrolFile makes a reference of the one face in a file, and returns its width.
func enrolFile(g *globals, a *store.Archive, finder *face.Finder, person, file string) (width int, err error) {
	f, hash, err := onlyFace(g, finder, file)
	if err != nil {
		return 0, err
	}
	if f.Width() < minEnrolWidth {
		return f.Width(), fmt.Errorf("%w (%d pixels, at least %d)", errSmallFace, f.Width(), minEnrolWidth)
	}
	return f.Width(), a.AddReference(g.ctx, store.Reference{
		Person: person, Descriptor: f.Descriptor, FaceWidth: f.Width(), SourceSHA256: hash,
	})
}

// onlyFace returns the one face in a file, with the SHA-256 of the file.
func onlyFace(g *globals, finder *face.Finder, file string) (f store.Face, hash [32]byte, err error) {
	data, err := os.ReadFile(file)
	if err != nil {
		return f, hash, fmt.Errorf("reading a photograph: %w", err)
	}
	still, err := intake.Clean(data)
	if err != nil {
		return f, hash, err
	}
	faces, err := finder.Find(g.ctx, still.Image)
	switch {
	case err != nil:
		return f, hash, err
	case len(faces) == 0:
		return f, hash, errNoFace
	case len(faces) > 1:
		return f, hash, fmt.Errorf("%w (%d of them)", errFaces, len(faces))
	}
	return faces[0], sha256.Sum256(data), nil
}

func (g *globals) openFinder() (*face.Finder, error) {
	if err := models.Present(g.Models); err != nil {
		return nil, err
	}
	return face.Open(g.Models)
}

type compareCmd struct {
	A    string `arg:"" help:"A photograph with one face." type:"existingfile"`
	B    string `arg:"" help:"Another." type:"existingfile"`
	JSON bool   `name:"json" help:"Print JSON."`
}

// A comparison is of two faces, as if one were the whole gallery.
type comparison struct {
	Distance float64    `json:"distance"`
	FMR      float64    `json:"fmr"`
	Band     match.Band `json:"band"`
}

func (c *compareCmd) Run(g *globals) error {
	finder, err := g.openFinder()
	if err != nil {
		return err
	}
	defer finder.Close()
	var descriptors [2]store.Descriptor
	for i, file := range []string{c.A, c.B} {
		f, _, err := onlyFace(g, finder, file)
		if err != nil {
			return fmt.Errorf("%s: %w", file, err)
		}
		descriptors[i] = f.Descriptor
	}
	d := match.Distance(&descriptors[0], &descriptors[1])
	result := comparison{d, match.FMR(d), match.BandOf(d, 1)}
	return g.print(c.JSON, result, func(w io.Writer) {
		verdict := "probably two persons"
		if result.Band != match.None {
			verdict = fmt.Sprintf("probably one person, a %s match", result.Band)
		}
		fmt.Fprintf(w, "distance %.3f: %s (two strangers are this alike in about %.2g of 100 comparisons)\n", d, verdict, 100*result.FMR)
	})
}
