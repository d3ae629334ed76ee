package main

import (
	"fmt"
	"io"

	"lintel/models"
)

type modelsCmd struct {
	Fetch modelsFetchCmd `cmd:"" help:"Bring the model files that are missing; optional ones if their publisher answers."`
	Check modelsCheckCmd `cmd:"" help:"Check the model files by SHA-256."`
}

// modelKinds say which files are wanted besides those that Lintel needs.
type modelKinds struct {
	Examples bool `help:"Also the example photographs that tests read."`
	Research bool `help:"Also the 68-point predictor, whose licence is for research only."`
}

func (k modelKinds) kinds() (kinds []models.Kind) {
	if k.Examples {
		kinds = append(kinds, models.Example)
	}
	if k.Research {
		kinds = append(kinds, models.Research)
	}
	return kinds
}

type modelsFetchCmd struct {
	modelKinds
}

func (c *modelsFetchCmd) Run(g *globals) error {
	return models.Fetch(g.ctx, g.Models, models.FetchOptions{Kinds: c.kinds(), Progress: g.stderr})
}

type modelsCheckCmd struct {
	modelKinds
	JSON bool `name:"json" help:"Print JSON."`
}

// A checked file is what was found of it.
type checked struct {
	Name    string `json:"name"`
	State   string `json:"state"`
	SHA256  string `json:"sha256,omitempty"`
	Wanted  string `json:"wanted_sha256"`
	Licence string `json:"licence"`
	// Whether Lintel does without it.
	Optional bool `json:"optional"`
}

func (c *modelsCheckCmd) Run(g *globals) error {
	findings, incomplete := models.Check(g.Models, append(c.kinds(), models.Optional)...)
	results := []checked{}
	for _, f := range findings {
		results = append(results, checked{f.File.Name, f.State.String(), f.SHA256, f.File.SHA256, f.File.Licence,
			f.File.Kind == models.Optional})
	}
	err := g.print(c.JSON, results, func(w io.Writer) {
		for _, f := range findings {
			fmt.Fprintln(w, f)
		}
	})
	if err != nil {
		return err
	}
	return incomplete
}
