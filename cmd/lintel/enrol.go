package main

import (
	"context"
	"errors"
	"fmt"
	"image"
	"io"
	"io/fs"
	"os"
	"strings"

	"lintel/internal/house"
	"lintel/models"
	"lintel/pipeline/enrol"
	"lintel/pipeline/face"
	"lintel/pipeline/liveness"
	"lintel/pipeline/liveness/fasnet"
	"lintel/pipeline/match"
	"lintel/pipeline/quality"
	"lintel/store"
)

type enrolCmd struct {
	Person string   `arg:"" help:"The person's id or name."`
	Files  []string `arg:"" name:"file" help:"Photographs with the one face of the person." type:"existingfile"`
	consentFlags
	JSON bool `name:"json" help:"Print JSON."`
}

// An enrolled file is one that became a reference, or why it did not.
type enrolled struct {
	File      string    `json:"file"`
	FaceWidth int       `json:"face_width,omitempty"`
	Quality   *measured `json:"quality,omitempty"` // missing without the one face
	// Without says how surely the face was known before, if it was enrolled.
	Without *match.Gain `json:"without,omitempty"`
	Error   string      `json:"error,omitempty"`
}

// A measured face is what package quality says of it.
type measured struct {
	house.Quality
	Level      string   `json:"en_62676_4_level"`
	Score      float64  `json:"score"`
	Complaints []string `json:"complaints"` // codes, the worst first
}

// sayPoor says everything that is wrong with a picture, and what to do about the
// worst.
func sayPoor(p enrol.Poor) string {
	var says []string
	w := say
	for _, c := range p {
		says = append(says, w.Complaint(c.Code, c.Value))
	}
	return strings.Join(append(says, w.Remedy(p[0].Code)), " ")
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
		return failed(house.ErrNoConsent, "enrol-consentless", "Name", person.Name)
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
		if err := enrolFile(g, a, finder, person.ID, &r); err != nil {
			r.Error = explain(err)
			refused++
		}
		results = append(results, r)
	}
	err = g.print(c.JSON, results, func(w io.Writer) {
		for _, r := range results {
			r.print(w, person.Name)
		}
	})
	if err == nil && !c.JSON {
		err = askForMore(g, g.stdout, a, person.ID)
	}
	if err == nil && !c.JSON {
		err = printDoubles(g, g.stdout, a, person)
	}
	if err == nil && refused > 0 {
		err = failed(nil, "enrol-refused", "Refused", refused, "Of", len(c.Files))
	}
	return err
}

// askForMore asks for further pictures of a person who has few.
func askForMore(g *globals, w io.Writer, a *store.Archive, person string) error {
	p, err := a.Person(g.ctx, person)
	if err != nil {
		return err
	}
	if p.References < match.EnoughPictures {
		fmt.Fprintln(w, say.Text("pictures-count", "Name", p.Name, "Count", p.References),
			say.Text("pictures-more", "Name", p.Name))
	}
	return nil
}

// print tells what became of a file, and what was measured.
func (r enrolled) print(w io.Writer, name string) {
	if r.Error != "" {
		tell(w, "enrol-not", "File", r.File, "Error", r.Error)
	} else {
		tell(w, "enrolled", "File", r.File)
	}
	if r.Without != nil {
		fmt.Fprintf(w, "    %s\n", say.Gain(name, r.Without.Others, string(r.Without.Band), r.Without.FPIR))
	}
	if m := r.Quality; m != nil {
		tell(w, "enrol-quality", "Measured", m, "Clipped", 100*m.Clipped)
	}
}

// enrolFile makes a reference of the one face in r's file, and fills r in.
func enrolFile(g *globals, a *store.Archive, finder *face.Finder, person string, r *enrolled) error {
	data, err := os.ReadFile(r.File)
	if err != nil {
		return fmt.Errorf("reading a photograph: %w", err)
	}
	got, err := enrol.Enrol(g.ctx, a, finder.Find, person, house.FromPhotograph, data)
	var poor enrol.Poor
	if err != nil && !errors.As(err, &poor) {
		return err
	}
	q := got.Quality
	r.FaceWidth, r.Quality = q.FaceWidth, &measured{q, quality.LevelOf(q).String(), got.Score, []string{}}
	for _, c := range poor {
		r.Quality.Complaints = append(r.Quality.Complaints, c.Code)
	}
	if poor != nil {
		return errors.New(sayPoor(poor))
	}
	r.Without = &got.Without
	return nil
}

func (g *globals) openFinder() (*face.Finder, error) {
	if err := models.Present(g.Models); err != nil {
		return nil, err
	}
	return face.Open(g.Models)
}

// An enrolFinder finds faces on photographs to enrol, beside the pipeline's own
// finders. It is opened when the first photograph comes, since most servers see
// none. It is used by one goroutine at a time.
type enrolFinder struct {
	models string
	finder *face.Finder
}

func (f *enrolFinder) Find(ctx context.Context, picture image.Image) (faces []house.Face, err error) {
	if f.finder == nil {
		if f.finder, err = face.Open(f.models); err != nil {
			return nil, err
		}
	}
	return f.finder.Find(ctx, picture)
}

// Close frees the models, once nobody asks any more.
func (f *enrolFinder) Close() error {
	if f.finder == nil {
		return nil
	}
	return f.finder.Close()
}

// openExaminer opens what looks for signs of a picture. Where the networks'
// files are not there it looks without them, and says what that costs.
func (g *globals) openExaminer() (*liveness.Examiner, error) {
	nets, err := fasnet.Load(g.Models)
	if errors.Is(err, fs.ErrNotExist) {
		tell(g.stderr, "no-networks")
		return liveness.New(nil), nil
	}
	if err != nil {
		return nil, fmt.Errorf("opening the networks that know pictures: %w", err)
	}
	return liveness.New(nets), nil
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
	var descriptors [2]house.Descriptor
	for i, file := range []string{c.A, c.B} {
		data, err := os.ReadFile(file)
		if err != nil {
			return fmt.Errorf("reading a photograph: %w", err)
		}
		_, f, err := enrol.OnlyFace(g.ctx, finder.Find, data)
		if err != nil {
			return fmt.Errorf("%s: %w", file, err)
		}
		descriptors[i] = f.Descriptor
	}
	d := match.Distance(&descriptors[0], &descriptors[1])
	result := comparison{d, match.FMR(d), match.BandOf(d, 1)}
	return g.print(c.JSON, result, func(w io.Writer) {
		key := "compare-two"
		if result.Band != match.None {
			key = "compare-one"
		}
		tell(w, key, "Distance", d, "Band", string(result.Band), "Percent", 100*result.FMR)
	})
}
