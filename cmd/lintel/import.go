package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/folder"
	"lintel/pipeline/intake"
	"lintel/store"
)

type importCmd struct {
	Dir    string         `arg:"" help:"The folder of stills, with those in it." type:"existingdir"`
	Bell   string         `help:"The address or name of the bell that they are of." required:"" placeholder:"BELL"`
	Times  []folder.Clock `help:"${import_times}" default:"exif,name,file" enum:"exif,name,file" placeholder:"LIST"`
	Names  string         `help:"${serve_watch_names}" placeholder:"PATTERN"`
	Gap    time.Duration  `help:"${serve_watch_gap}" default:"10s" placeholder:"TIME"`
	DryRun bool           `name:"dry-run" help:"Say what would become of them, and keep nothing."`
	JSON   bool           `name:"json" help:"Print JSON."`
}

func (c *importCmd) Run(g *globals) error {
	names, err := folder.ParseNames(c.Names)
	if err != nil {
		return misused("watch-names", "Error", err)
	}
	a, err := g.openArchive(false)
	if err != nil {
		return err
	}
	defer a.Close()
	bell, err := a.Bell(g.ctx, c.Bell)
	if errors.Is(err, house.ErrNotFound) {
		return failed(err, "problem-unknown-bell")
	}
	if err != nil {
		return err
	}
	var stills intake.Archive = a
	var files folder.Archive = a
	if c.DryRun {
		stills, files = keepsNothing{a}, keepsNothing{a}
	}
	shown := g.newProgress("progress-import", 0)
	job := folder.Import{Bell: bell.Address, Dir: c.Dir, Names: names, Gap: c.Gap, Clocks: c.Times, Step: shown.at}
	report, err := job.Run(g.ctx, files, intake.New(stills, time.Now, intake.DefaultLimits))
	shown.end()
	if report.Kept > 0 && !c.DryRun {
		// What was kept is noted also where it broke off.
		if noteErr := a.NoteImport(context.WithoutCancel(g.ctx), bell.Address); noteErr != nil && err == nil {
			err = noteErr
		}
	}
	if err != nil {
		return failed(err, "import-broke-off", "Error", explain(err), "Kept", report.Kept, "Of", report.Files)
	}
	return g.print(c.JSON, report, func(w io.Writer) { c.tell(w, report) })
}

// tell says what became of the files.
func (c *importCmd) tell(w io.Writer, r folder.Report) {
	key := "imported"
	if c.DryRun {
		key = "import-would"
	}
	tell(w, key, "Kept", r.Kept, "Of", r.Files, "Rings", r.Rings)
	for _, line := range []struct {
		what  string
		count int
	}{{"damaged", r.Damaged}, {"known", r.Known}, {"past", r.Past}, {"quiet", r.Quiet}} {
		if line.count > 0 {
			fmt.Fprintln(w, say.Text("import-"+line.what, "Count", line.count))
		}
	}
	for _, why := range slices.Sorted(maps.Keys(r.Refused)) {
		tell(w, "import-refused", "Count", r.Refused[why], "Why", say.Text("file-"+string(why)))
	}
	if r.Kept > 0 {
		fmt.Fprintln(w, say.Text("import-period", "First", r.First.Local().Format(time.DateTime),
			"Last", r.Last.Local().Format(time.DateTime)))
		tell(w, "import-examined")
	}
}

// keepsNothing is an archive that says it keeps stills, and does not.
type keepsNothing struct{ *store.Archive }

// Keep keeps nothing.
func (keepsNothing) Keep(context.Context, house.NewStill) (visit string, added bool, err error) {
	return "", true, nil
}

// KeepFile remembers nothing.
func (keepsNothing) KeepFile(context.Context, house.FolderFile) error { return nil }
