package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"
	"gonum.org/v1/gonum/stat"

	"lintel/internal/house"
	"lintel/pipeline/face"
	"lintel/pipeline/intake"
	"lintel/pipeline/match"
)

type accuracyCmd struct {
	Dir    string `arg:"" help:"A folder with a folder of photographs (.jpg, .jpeg, .png) for each person." type:"path"`
	Groups string `help:"${accuracy_groups}" placeholder:"FILE.csv" type:"path"`
	JSON   bool   `name:"json" help:"Print JSON."`
}

func (c *accuracyCmd) Help() string {
	return `The largest face of each photograph is compared with that of each other: with the person's own (genuine
comparisons) and with everybody else's (impostor comparisons). Two faces match when their distance is at most the
threshold. The error rates are those of ISO/IEC 19795-1, with Clopper-Pearson intervals at 95 %. A photograph on which
no face is found, or that can't be read, takes part in no comparison; it is named, and counted as not detected.

A file of groups begins with the line "identity,group", and has a line for each person: the folder's name, a comma and
the group. There may be more columns of groups, such as "identity,age,beard". The rates of a group are those of its
persons among themselves, and come first: who rings mostly shares sex, descent and age with who lives there.

Bands are those of a gallery of one reference: up to which distance each goes, how many false matches Lintel says there
are at most, and how many there are here, within groups where these are known.`
}

// The thresholds that error rates are reported at.
var accuracyThresholds = []float64{0.35, 0.40, 0.45, 0.50, 0.55, 0.60}

// nearNoFMR is the false match rate that a threshold is looked for at: 0.01 %.
const nearNoFMR = 1e-4

// What makes a trial impossible.
var (
	errFewIdentities = errors.New("an impostor comparison needs photographs of two persons, " +
		"each in a folder of their own")
	errNoComparisons = errors.New("too few faces were found for an error rate")
)

// An accuracy is what `lintel accuracy` reports.
type accuracy struct {
	Identities  int          `json:"identities"`
	Images      int          `json:"images"`       // all of them
	NotDetected int          `json:"not_detected"` // of Images: no face found, or unreadable
	Genuine     int          `json:"genuine"`
	Impostor    int          `json:"impostor"`
	EER         float64      `json:"eer"`
	At          []accuracyAt `json:"at"`
	// ThresholdAtFMR1e4 is the largest threshold whose observed FMR is at
	// most 1e-4.
	ThresholdAtFMR1e4 float64 `json:"threshold_at_fmr_1e4"`
	// MsPerImageP50 is the median time to decode a picture and find its
	// faces, while as many are looked at as there are cores.
	MsPerImageP50 float64 `json:"ms_per_image_p50"`

	Bands []bandAccuracy `json:"bands"`

	// Groups is there if groups were asked for.
	Groups []groupAccuracy `json:"groups,omitempty"`

	comparisons match.Comparisons
}

type accuracyAt struct {
	Threshold float64    `json:"threshold"`
	FMR       float64    `json:"fmr"`
	FMRCI95   [2]float64 `json:"fmr_ci95"`
	FNMR      float64    `json:"fnmr"`
	FNMRCI95  [2]float64 `json:"fnmr_ci95"`
}

func (c *accuracyCmd) Run(g *globals) error {
	pictures, err := picturesOfPersons(c.Dir)
	if err != nil {
		return err
	}
	var groupings []grouping
	if c.Groups != "" { // before the long run
		if groupings, err = groupsFor(c.Groups, pictures); err != nil {
			return err
		}
	}
	if err := g.describe(pictures); err != nil {
		return err
	}
	for _, p := range pictures {
		if p.err != nil {
			tell(g.stderr, "accuracy-not-detected", "File", p.file, "Error", p.err)
		}
	}
	result, err := accuracyOf(pictures)
	if err != nil {
		return err
	}
	result.Bands, result.Groups = bandsOf(groupings, pictures), byGroup(groupings, pictures)
	return g.print(c.JSON, result, result.write)
}

// A picture is one photograph of a trial, and what was found on it.
type picture struct {
	person, file string
	face         house.Face // the largest, if err is nil
	err          error      // why there is no face
	took         time.Duration
}

// picturesOfPersons lists the photographs in the folders of a folder.
func picturesOfPersons(dir string) ([]picture, error) {
	persons, err := os.ReadDir(dir)
	if err != nil {
		return nil, fmt.Errorf("looking for photographs: %w", err)
	}
	var pictures []picture
	identities := 0
	for _, person := range persons {
		if hidden(person.Name()) {
			continue
		}
		files, err := picturesIn(filepath.Join(dir, person.Name()))
		if err != nil {
			return nil, err
		}
		for _, file := range files {
			pictures = append(pictures, picture{person: person.Name(), file: file})
		}
		if len(files) > 0 {
			identities++
		}
	}
	if identities < 2 {
		return nil, failed(errFewIdentities, "accuracy-few", "Folder", dir, "Folders", identities)
	}
	return pictures, nil
}

// picturesIn lists the files of a folder that are pictures by their name,
// except hidden ones. What is no folder has none.
func picturesIn(dir string) ([]string, error) {
	if info, err := os.Stat(dir); err != nil || !info.IsDir() {
		return nil, err
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, fmt.Errorf("looking for photographs: %w", err)
	}
	var files []string
	for _, e := range entries {
		switch strings.ToLower(filepath.Ext(e.Name())) {
		case ".jpg", ".jpeg", ".png":
			if !hidden(e.Name()) {
				files = append(files, filepath.Join(dir, e.Name()))
			}
		}
	}
	return files, nil
}

func hidden(name string) bool { return strings.HasPrefix(name, ".") }

// describe finds the largest face of each picture, with a Finder for each core.
// An error means that the run can't go on; what is wrong with one picture is
// noted there.
func (g *globals) describe(pictures []picture) error {
	progress := g.newProgress("progress-photographs", len(pictures))
	defer progress.end()
	next := make(chan *picture)
	workers, ctx := errgroup.WithContext(g.ctx)
	workers.Go(func() error {
		defer close(next)
		for i := range pictures {
			select {
			case next <- &pictures[i]:
			case <-ctx.Done():
				return ctx.Err()
			}
		}
		return nil
	})
	for range min(runtime.GOMAXPROCS(0), len(pictures)) {
		workers.Go(func() error {
			finder, err := g.openFinder()
			if err != nil {
				return err
			}
			defer finder.Close()
			for p := range next {
				p.describe(ctx, finder)
				progress.step()
			}
			return ctx.Err()
		})
	}
	return workers.Wait()
}

// describe finds the picture's largest face.
func (p *picture) describe(ctx context.Context, finder *face.Finder) {
	data, err := os.ReadFile(p.file)
	if err != nil {
		p.err = err
		return
	}
	began := time.Now()
	still, err := intake.Clean(data)
	if err != nil {
		p.err = err
		return
	}
	img, err := still.Picture()
	if err != nil {
		p.err = err
		return
	}
	faces, err := finder.Find(ctx, img)
	p.took = time.Since(began)
	switch {
	case err != nil:
		p.err = err
	case len(faces) == 0:
		p.err = failed(nil, "no-face-found")
	default:
		p.face = slices.MaxFunc(faces, func(a, b house.Face) int { return cmp.Compare(a.Width(), b.Width()) })
	}
}

// A compared is what comparing pictures came to.
type compared struct {
	identities, notDetected int
	comparisons             match.Comparisons
}

// compareAll compares all pictures with each other.
func compareAll(pictures []picture) compared {
	var t compared
	var genuine, impostor []float64
	persons := make(map[string]bool)
	for i, p := range pictures {
		persons[p.person] = true
		if p.err != nil {
			t.notDetected++
			continue
		}
		for _, q := range pictures[:i] {
			if q.err != nil {
				continue
			}
			d := match.Distance(&p.face.Descriptor, &q.face.Descriptor)
			if p.person == q.person {
				genuine = append(genuine, d)
			} else {
				impostor = append(impostor, d)
			}
		}
	}
	t.identities, t.comparisons = len(persons), match.NewComparisons(genuine, impostor)
	return t
}

// accuracyOf reports on the comparisons of all pictures.
func accuracyOf(pictures []picture) (*accuracy, error) {
	t := compareAll(pictures)
	a := &accuracy{Identities: t.identities, Images: len(pictures), NotDetected: t.notDetected,
		Genuine: t.comparisons.Genuine(), Impostor: t.comparisons.Impostor(), comparisons: t.comparisons}
	if a.Genuine == 0 || a.Impostor == 0 {
		return nil, failed(errNoComparisons, "accuracy-none", "Found", a.Images-a.NotDetected, "Of", a.Images,
			"Genuine", a.Genuine, "Impostor", a.Impostor)
	}
	a.EER = a.comparisons.EER()
	a.ThresholdAtFMR1e4 = a.comparisons.ThresholdAt(nearNoFMR)
	for _, threshold := range accuracyThresholds {
		a.At = append(a.At, a.at(threshold))
	}
	a.MsPerImageP50 = medianTook(pictures)
	return a, nil
}

// medianTook is the median time that pictures took, in milliseconds, of those
// that were looked at.
func medianTook(pictures []picture) float64 {
	var took []float64
	for _, p := range pictures {
		if p.took > 0 {
			took = append(took, milliseconds(p.took))
		}
	}
	return quantileOf(took, 0.5)
}

func (a *accuracy) at(threshold float64) accuracyAt {
	fmr, fnmr := a.comparisons.FMR(threshold), a.comparisons.FNMR(threshold)
	at := accuracyAt{Threshold: threshold, FMR: fmr.Value(), FNMR: fnmr.Value()}
	at.FMRCI95[0], at.FMRCI95[1] = fmr.Interval(0.95)
	at.FNMRCI95[0], at.FNMRCI95[1] = fnmr.Interval(0.95)
	return at
}

// write says the same to people.
func (a *accuracy) write(w io.Writer) {
	tell(w, "accuracy-of", "Persons", a.Identities, "Photographs", a.Images, "Faceless", a.NotDetected,
		"Rate", match.Rate{Errors: a.NotDetected, N: a.Images}, "Genuine", a.Genuine, "Impostor", a.Impostor,
		"Took", a.MsPerImageP50)
	fmt.Fprintln(w)
	writeBands(w, a.Bands, len(a.Groups) > 0)
	fmt.Fprintln(w)
	if len(a.Groups) > 0 {
		writeGroups(w, a.Groups)
		fmt.Fprintln(w)
		tell(w, "accuracy-together")
		fmt.Fprintln(w)
	}
	writeRates(w, a.comparisons)
	fmt.Fprintln(w)
	a.writeSummary(w)
}

func (a *accuracy) writeSummary(w io.Writer) {
	if a.EER > 0 {
		tell(w, "accuracy-eer", "EER", 100*a.EER)
	} else {
		tell(w, "accuracy-no-eer")
	}
	t := a.ThresholdAtFMR1e4
	fmr, fnmr := a.comparisons.FMR(t), a.comparisons.FNMR(t)
	tell(w, "accuracy-threshold", "Threshold", math.Floor(t*1e4)/1e4, "Matched", fmr.Errors, "Of", fmr.N, "FNMR", fnmr)
	if _, high := fmr.Interval(0.95); high > nearNoFMR {
		tell(w, "accuracy-threshold-few", "Range", fmr.IntervalString())
	}
	tell(w, "accuracy-independent")
}

func milliseconds(d time.Duration) float64 { return float64(d) / float64(time.Millisecond) }

// quantileOf is the smallest of the values that a share of at least p does not
// exceed.
func quantileOf(values []float64, p float64) float64 {
	return stat.Quantile(p, stat.Empirical, slices.Sorted(slices.Values(values)), nil)
}
