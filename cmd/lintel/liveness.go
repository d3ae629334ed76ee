package main

import (
	"fmt"
	"io"
	"text/tabwriter"

	"lintel/pipeline/liveness/trial"
	"lintel/pipeline/match"
	"lintel/store"
)

type livenessCmd struct {
	Dir    string `arg:"" help:"A folder with bona-fide/RING/*.jpg and attack/SPECIES/RING/*.jpg." type:"path"`
	Single bool   `help:"Judge each still by itself, instead of a ring's frames together."`
	Each   bool   `help:"List every ring that was taken for what it is not."`
	JSON   bool   `name:"json" help:"Print JSON."`
}

func (c *livenessCmd) Help() string {
	return `Each ring goes the way of a ring at the bell, and is taken for an attack if its level is anything but "no sign of a
picture". The frames of a ring are in the order of their names; the largest face decides. The error rates are those of
ISO/IEC 30107-3: APCER for each attack species, and BPCER, with Clopper-Pearson intervals at 95 %. A ring on which no
face is found is a non-response: it is in no rate, and counted by itself. It would open no door.`
}

// A padReport is what `lintel liveness` reports: presentation attack detection
// in the terms of ISO/IEC 30107-3.
type padReport struct {
	BonaFide  int                   `json:"bona_fide"` // rings
	BPCER     float64               `json:"bpcer"`
	BPCERCI95 [2]float64            `json:"bpcer_ci95"`
	NoFace    int                   `json:"bona_fide_no_face"` // of BonaFide
	Attacks   map[string]padSpecies `json:"attacks"`
	APCERMax  float64               `json:"apcer_max"`

	report trial.Report
	wrong  []string
}

type padSpecies struct {
	N         int        `json:"n"` // rings
	APCER     float64    `json:"apcer"`
	APCERCI95 [2]float64 `json:"apcer_ci95"`
	NoFace    int        `json:"no_face"` // of N
}

func (c *livenessCmd) Run(g *globals) error {
	rings, err := trial.Read(c.Dir)
	if err != nil {
		return err
	}
	if c.Single {
		rings = trial.Apart(rings)
	}
	progress := g.newProgress("looking at rings", len(rings))
	signs, err := g.openExaminer()
	if err != nil {
		return err
	}
	outcomes, err := trial.Run(g.ctx, rings, signs, func() (trial.Finder, error) { return g.openFinder() }, progress.step)
	progress.end()
	if err != nil {
		return err
	}
	for _, o := range outcomes {
		for _, err := range o.Unread {
			fmt.Fprintf(g.stderr, "left out: %v\n", err)
		}
	}
	report := padReportOf(outcomes)
	if !c.Each {
		report.wrong = nil
	}
	return g.print(c.JSON, report, report.write)
}

func padReportOf(outcomes []trial.Outcome) *padReport {
	r := trial.ReportOn(outcomes, trial.Outcome.Attack)
	p := &padReport{BonaFide: r.BPCER.N + r.NoFace[trial.BonaFide], NoFace: r.NoFace[trial.BonaFide],
		Attacks: make(map[string]padSpecies), APCERMax: r.WorstAPCER(), report: r}
	p.BPCER, p.BPCERCI95 = rateOf(r.BPCER)
	for species, rate := range r.APCER {
		s := padSpecies{N: rate.N + r.NoFace[species], NoFace: r.NoFace[species]}
		s.APCER, s.APCERCI95 = rateOf(rate)
		p.Attacks[species] = s
	}
	for _, o := range outcomes {
		switch {
		case o.Species == trial.BonaFide && o.Attack():
			p.wrong = append(p.wrong, fmt.Sprintf("bona-fide/%s: %s", o.Name, levelWords(o.Together)))
		case o.Species != trial.BonaFide && o.Together != nil && !o.Attack():
			p.wrong = append(p.wrong, fmt.Sprintf("attack/%s/%s: %s", o.Species, o.Name, levelWords(o.Together)))
		}
	}
	return p
}

// rateOf returns a rate and its interval. Where nothing responded nothing is
// known, which the interval says: JSON has no word for no number.
func rateOf(r match.Rate) (value float64, interval [2]float64) {
	if r.N == 0 {
		return 0, [2]float64{0, 1}
	}
	interval[0], interval[1] = r.Interval(0.95)
	return r.Value(), interval
}

func levelWords(l *store.Liveness) string {
	return fmt.Sprintf("%s, probability of a picture %.3f", l.Level, l.Probability)
}

// write says the same to people.
func (p *padReport) write(w io.Writer) {
	for _, line := range p.wrong {
		fmt.Fprintln(w, line)
	}
	table := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(table, "\trings\tno face\terrors\trate\t95 % interval")
	row := func(what string, rate match.Rate, noFace int) {
		value, _ := rateOf(rate)
		fmt.Fprintf(table, "%s\t%d\t%d\t%d\t%.1f %%\t%s\n", what, rate.N+noFace, noFace, rate.Errors, 100*value, rate.IntervalString())
	}
	row("persons taken for pictures (BPCER)", p.report.BPCER, p.NoFace)
	for _, species := range p.report.Species() {
		row("taken for persons: "+species+" (APCER)", p.report.APCER[species], p.report.NoFace[species])
	}
	table.Flush()
	fmt.Fprintf(w, "The worst species decides: APCER %.1f %%, at a BPCER of %.1f %%.\n", 100*p.APCERMax, 100*p.BPCER)
}
