// Command fit works out the weights that the findings of package liveness are
// weighed with, from real photographs whose truth is known.
//
//	go run ./internal/fit DIR                how well each sign tells them apart, and the weights
//	go run ./internal/fit -write pipeline/liveness/weights.json DIR
//
// DIR is laid out as package trial says; a ring's name begins with where it
// comes from and a hyphen. LINTEL_MODELS names the folder of model files, the
// networks' among them. The same rings give the same weights.
package main

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/signal"
	"slices"
	"text/tabwriter"

	"gonum.org/v1/gonum/integrate"
	"gonum.org/v1/gonum/stat"

	"lintel/internal/house"
	"lintel/internal/trial"
	"lintel/pipeline/face"
	"lintel/pipeline/liveness"
	"lintel/pipeline/liveness/fasnet"
)

func main() {
	write := flag.String("write", "", "write the weights into this `file`")
	flag.Parse()
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	if err := run(ctx, flag.Args(), *write); err != nil {
		fmt.Fprintln(os.Stderr, "fit:", err)
		os.Exit(1)
	}
}

func run(ctx context.Context, dirs []string, write string) error {
	if len(dirs) != 1 {
		return errors.New("name one folder of rings")
	}
	rings, err := trial.Read(dirs[0])
	if err != nil {
		return err
	}
	outcomes, err := look(ctx, rings)
	if err != nil {
		return err
	}
	separation(outcomes)
	weights, err := fit(outcomes)
	if err != nil {
		return err
	}
	text, err := json.MarshalIndent(weights, "", "\t")
	if err != nil {
		return err
	}
	fmt.Printf("%s\n", text)
	if write == "" {
		return nil
	}
	return os.WriteFile(write, append(text, '\n'), 0o644)
}

func look(ctx context.Context, rings []trial.Ring) ([]trial.Outcome, error) {
	models := os.Getenv("LINTEL_MODELS")
	if models == "" {
		models = "models"
	}
	nets, err := fasnet.Load(models)
	if err != nil {
		return nil, err
	}
	return trial.Run(ctx, rings, liveness.New(nets), func() (trial.Finder, error) { return face.Open(models) }, nil)
}

// separation prints, for each sign and species, on how many faces the sign
// could not be looked for, its mean and its largest score, and the area under the ROC curve
// against persons: 0.5 tells nothing apart, 1 all. A missing score counts as 0.
func separation(outcomes []trial.Outcome) {
	var signs, species []string
	scores := make(map[[2]string][]float64) // by sign and species
	lost := make(map[[2]string]int)
	add := func(kind string, findings []house.Finding) {
		for _, f := range findings {
			if !slices.Contains(signs, f.Sign) {
				signs = append(signs, f.Sign)
			}
			key := [2]string{f.Sign, kind}
			scores[key] = append(scores[key], f.Score)
			if f.Missing != "" {
				lost[key]++
			}
		}
	}
	for _, o := range outcomes {
		if !slices.Contains(species, o.Species) {
			species = append(species, o.Species)
		}
		for _, s := range o.Stills {
			add(o.Species, s.Findings)
		}
		if o.Together != nil && o.Together.Frames > 1 {
			add(o.Species, o.Together.Findings[len(o.Stills[0].Findings):])
		}
	}
	w := tabwriter.NewWriter(os.Stdout, 0, 0, 2, ' ', 0)
	defer w.Flush()
	fmt.Fprintln(w, "sign\tspecies\tfaces\tmissing\tmean\tmost\t> 0.5\tAUC")
	for _, sign := range signs {
		persons := scores[[2]string{sign, trial.BonaFide}]
		for _, kind := range species {
			key := [2]string{sign, kind}
			s := scores[key]
			if len(s) == 0 { // a sign of a ring, and no ring of the species has two stills
				continue
			}
			name := kind
			if name == trial.BonaFide {
				name = "(persons)"
			}
			plain := 0
			for _, v := range s {
				if v > 0.5 {
					plain++
				}
			}
			fmt.Fprintf(w, "%s\t%s\t%d\t%.0f %%\t%.3f\t%.2f\t%.1f %%\t", sign, name, len(s),
				100*float64(lost[key])/float64(len(s)), stat.Mean(s, nil), slices.Max(s), 100*float64(plain)/float64(len(s)))
			if kind != trial.BonaFide && len(persons) > 0 {
				fmt.Fprintf(w, "%.3f", area(persons, s))
			}
			fmt.Fprintln(w)
		}
	}
}

// area is that under the ROC curve of telling attacks from persons.
func area(persons, attacks []float64) float64 {
	scores := slices.Concat(persons, attacks)
	classes := make([]bool, len(scores))
	for i := range attacks {
		classes[len(persons)+i] = true
	}
	stat.SortWeightedLabeled(scores, classes, nil)
	tpr, fpr, _ := stat.ROC(nil, scores, classes, nil)
	return integrate.Trapezoidal(fpr, tpr)
}
