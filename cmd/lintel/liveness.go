package main

import (
	"fmt"
	"io"
	"maps"
	"math"
	"os"
	"slices"
	"text/tabwriter"

	"lintel/internal/house"
	"lintel/internal/trial"
	"lintel/pipeline/match"
)

type livenessCmd struct {
	Dir    string `arg:"" help:"A folder with bona-fide/RING/*.jpg and attack/SPECIES/RING/*.jpg." type:"path"`
	By     string `help:"${liveness_by}" placeholder:"FILE.csv" type:"path"`
	Single bool   `help:"Judge each still by itself, instead of a ring's frames together."`
	Each   bool   `help:"List every ring that was taken for what it is not."`
	JSON   bool   `name:"json" help:"Print JSON."`
}

func (c *livenessCmd) Help() string {
	return `Each ring goes the way of a ring at the bell, and is taken for an attack if its level is anything but "no sign
of a picture". The frames of a ring are in the order of their names; the largest face decides. The error rates are
those of ISO/IEC 30107-3: APCER for each attack species, and BPCER. A ring on which no face is found is a non-response:
it is in no rate, and counted by itself. It would open no door.

Besides, the probability of a picture is taken for a score: ROC area (1: all attacks above all persons, 0.5: no better
than chance; equal scores count half), equal error rate, and the BPCER where the APCER is at most 10, 5 and 1 %
(BPCER10, BPCER20, BPCER100).

A file of conditions begins with the line "ring,person,condition", and has a line for each ring: its path below the
folder, who stood there or is on the picture, and a word for how it was taken, such as
  bona-fide/ada-01,ada,night
  attack/print/ada-03,ada,
Person and condition may be empty. With persons, the rings of one person are not taken for independent.

Intervals are at 95 %: Clopper-Pearson where each ring is of another person, or no persons are stated. Where a person
has several rings, persons are drawn again and again, with all of their rings (a seeded bootstrap over persons, 2000
draws); a rate of none or all then has the Clopper-Pearson interval of as many trials as there are persons. Areas, EER
and the BPCER at a stated APCER are always resampled. Under some twenty persons resampling tells too little doubt.`
}

// A padReport is what `lintel liveness` reports: presentation attack detection
// in the terms of ISO/IEC 30107-3.
type padReport struct {
	BonaFide      int                   `json:"bona_fide"` // rings
	BPCER         float64               `json:"bpcer"`
	BPCERCI95     [2]float64            `json:"bpcer_ci95"`
	BPCERInterval trial.Method          `json:"bpcer_interval"`
	NoFace        int                   `json:"bona_fide_no_face"` // of BonaFide
	Attacks       map[string]padSpecies `json:"attacks"`
	APCERMax      float64               `json:"apcer_max"`
	Curve         padCurve              `json:"curve"` // over all attacks

	// Conditions has the same of each condition's rings, if there are any.
	Conditions map[string]*padReport `json:"conditions,omitempty"`

	report trial.Report
	wrong  []string
}

type padSpecies struct {
	N             int          `json:"n"` // rings
	APCER         float64      `json:"apcer"`
	APCERCI95     [2]float64   `json:"apcer_ci95"`
	APCERInterval trial.Method `json:"apcer_interval"`
	NoFace        int          `json:"no_face"` // of N
	Curve         padCurve     `json:"curve"`
}

type padCurve struct {
	Area     padEstimate `json:"roc_area"`
	EER      padEstimate `json:"eer"`
	BPCER10  padEstimate `json:"bpcer10"`
	BPCER20  padEstimate `json:"bpcer20"`
	BPCER100 padEstimate `json:"bpcer100"`
}

// A padEstimate has nulls for what is not known.
type padEstimate struct {
	Value    *float64     `json:"value"`
	CI95     *[2]float64  `json:"ci95"`
	Interval trial.Method `json:"interval"`
}

func (c *livenessCmd) Run(g *globals) error {
	rings, err := c.rings(g)
	if err != nil {
		return err
	}
	progress := g.newProgress("progress-rings", len(rings))
	signs, err := g.openExaminer()
	if err != nil {
		return err
	}
	open := func() (trial.Finder, error) { return g.openFinder() }
	outcomes, err := trial.Run(g.ctx, rings, signs, open, progress.step)
	progress.end()
	if err != nil {
		return err
	}
	for _, o := range outcomes {
		for _, err := range o.Unread {
			tell(g.stderr, "liveness-left-out", "Error", err)
		}
	}
	report := padReportOf(outcomes)
	if c.Each {
		report.wrong = mistaken(outcomes)
	}
	report.Conditions = byCondition(outcomes)
	return g.print(c.JSON, report, report.write)
}

// rings reads the rings, and whom they show.
func (c *livenessCmd) rings(g *globals) ([]trial.Ring, error) {
	rings, err := trial.Read(c.Dir)
	if err != nil {
		return nil, err
	}
	if c.By != "" {
		if err := g.labelRings(rings, c.By); err != nil {
			return nil, fmt.Errorf("%s: %w", c.By, err)
		}
	}
	if c.Single {
		rings = trial.Apart(rings)
	}
	return rings, nil
}

func (g *globals) labelRings(rings []trial.Ring, file string) error {
	f, err := os.Open(file)
	if err != nil {
		return fmt.Errorf("%w: %w", trial.ErrLabels, err)
	}
	defer f.Close()
	labels, err := trial.ReadLabels(f)
	if err != nil {
		return err
	}
	unlisted, err := trial.LabelRings(rings, labels)
	if unlisted > 0 {
		tell(g.stderr, "liveness-unlisted", "Unlisted", unlisted, "Of", len(rings), "File", file)
	}
	return err
}

func padReportOf(outcomes []trial.Outcome) *padReport {
	r := trial.ReportOn(outcomes, trial.Outcome.Attack)
	p := &padReport{BonaFide: r.BPCER.N + r.NoFace[trial.BonaFide], NoFace: r.NoFace[trial.BonaFide],
		Attacks: make(map[string]padSpecies), APCERMax: r.WorstAPCER(), report: r,
		Curve: curveJSON(trial.CurveOf(outcomes, trial.BonaFide))}
	p.BPCER, p.BPCERCI95, p.BPCERInterval = rateOf(r, trial.BonaFide)
	for species, rate := range r.APCER {
		s := padSpecies{N: rate.N + r.NoFace[species], NoFace: r.NoFace[species],
			Curve: curveJSON(trial.CurveOf(outcomes, species))}
		s.APCER, s.APCERCI95, s.APCERInterval = rateOf(r, species)
		p.Attacks[species] = s
	}
	return p
}

// byCondition reports on the rings of each condition by themselves.
func byCondition(outcomes []trial.Outcome) map[string]*padReport {
	reports := make(map[string]*padReport)
	for _, condition := range trial.Conditions(outcomes) {
		of := slices.DeleteFunc(slices.Clone(outcomes), func(o trial.Outcome) bool { return o.Condition != condition })
		reports[condition] = padReportOf(of)
	}
	return reports
}

// mistaken lists the rings that were taken for what they are not.
func mistaken(outcomes []trial.Outcome) (rings []string) {
	for _, o := range outcomes {
		if o.Together != nil && o.Attack() == (o.Species == trial.BonaFide) {
			rings = append(rings, fmt.Sprintf("%s: %s", o.Path(), levelWords(o.Together)))
		}
	}
	return rings
}

// rateOf returns the rate of a species' errors and its interval. Where nothing
// responded nothing is known, which the interval says: JSON has no word for no
// number.
func rateOf(r trial.Report, species string) (value float64, interval [2]float64, by trial.Method) {
	rate := r.APCER[species]
	if species == trial.BonaFide {
		rate = r.BPCER
	}
	if rate.N > 0 {
		value = rate.Value()
	}
	interval[0], interval[1], by = r.Interval(species)
	return value, interval, by
}

func curveJSON(c trial.Curve) padCurve {
	return padCurve{estimateJSON(c.Area), estimateJSON(c.EER),
		estimateJSON(c.BPCER10), estimateJSON(c.BPCER20), estimateJSON(c.BPCER100)}
}

func estimateJSON(e trial.Estimate) padEstimate {
	j := padEstimate{Interval: e.By}
	if !math.IsNaN(e.Value) {
		j.Value = &e.Value
	}
	if e.By != trial.NotKnown {
		j.CI95 = &[2]float64{e.Low, e.High}
	}
	return j
}

func levelWords(l *house.Liveness) string {
	return say.Text("liveness-level", "Level", string(l.Level), "Probability", l.Probability)
}

// write says the same to people.
func (p *padReport) write(w io.Writer) {
	for _, line := range p.wrong {
		fmt.Fprintln(w, line)
	}
	p.writeTables(w)
	fmt.Fprintln(w)
	tell(w, "liveness-worst", "APCER", 100*p.APCERMax, "BPCER", 100*p.BPCER)
	if len(p.Conditions) == 0 {
		return
	}
	for _, condition := range slices.Sorted(maps.Keys(p.Conditions)) {
		fmt.Fprintln(w)
		tell(w, "liveness-condition", "Condition", condition)
		p.Conditions[condition].writeTables(w)
	}
	fmt.Fprintln(w)
	tell(w, "liveness-conditions")
}

// writeTables writes the rates, and how well persons and pictures are told apart
// at other thresholds.
func (p *padReport) writeTables(w io.Writer) {
	table := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	tell(table, "liveness-head")
	row := func(what string, rate match.Rate, species string) {
		value, interval, by := rateOf(p.report, species)
		noFace := p.report.NoFace[species]
		shown := say.Text("not-measured") + "\t"
		if rate.N > 0 {
			shown = say.Sprintf("%.1f %%\t%s", 100*value, percents(interval))
		}
		fmt.Fprintf(table, "%s\t%d\t%d\t%d\t%s\t%s\n", what, rate.N+noFace, noFace, rate.Errors, shown, by.Words())
	}
	row(say.Text("liveness-bpcer"), p.report.BPCER, trial.BonaFide)
	species := p.report.Species()
	for _, s := range species {
		row(say.Text("liveness-apcer", "Species", s), p.report.APCER[s], s)
	}
	fmt.Fprintln(table)
	tell(table, "liveness-curves")
	curve := func(what string, c padCurve) {
		by := c.Area.Interval
		if by == trial.NotKnown { // an area of 1: what else is known is by another method
			by = c.BPCER10.Interval
		}
		fmt.Fprintf(table, "%s\t%s\t%s\t%s\t%s\t%s\t%s\n", what, c.Area.number(), c.EER.percent(),
			c.BPCER10.percent(), c.BPCER20.percent(), c.BPCER100.percent(), by.Words())
	}
	for _, s := range species {
		curve(say.Text("liveness-curve", "Species", s), p.Attacks[s].Curve)
	}
	if len(species) != 1 {
		curve(say.Text("liveness-curve-all"), p.Curve)
	}
	table.Flush()
}

// percents writes an interval, rounded outwards.
func percents(interval [2]float64) string {
	return say.Text("interval-percent", "Low", math.Floor(1000*interval[0])/10, "High", math.Ceil(1000*interval[1])/10)
}

func (e padEstimate) percent() string {
	if e.Value == nil {
		return say.Text("not-measured")
	}
	says := say.Sprintf("%.1f %%", 100**e.Value)
	if e.CI95 != nil {
		says += " (" + percents(*e.CI95) + ")"
	}
	return says
}

func (e padEstimate) number() string {
	if e.Value == nil {
		return say.Text("not-measured")
	}
	says := say.Sprintf("%.3f", *e.Value)
	if e.CI95 != nil {
		says += " (" + say.Text("interval", "Low", math.Floor(1000*e.CI95[0])/1000, "High",
			math.Ceil(1000*e.CI95[1])/1000) + ")"
	}
	return says
}
