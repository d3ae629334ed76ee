package main

import (
	"fmt"
	"io"
	"runtime/debug"

	"lintel/models"
)

// version names this build of Lintel: another one may examine what it gave up. It is
// the module's version, and of a build from a repository the revision as well.
func version() string {
	b := built()
	if b.Revision == "" {
		return b.Version
	}
	return b.Version + " " + b.Revision
}

// Origins are what the go command wrote into the program.
type origins struct {
	Version  string `json:"version"`
	Revision string `json:"revision"` // the commit, "" if it was not built from a repository
	Time     string `json:"time"`     // of the commit
	Changed  bool   `json:"changed"`  // whether files were changed since
	Go       string `json:"go"`
}

func built() origins {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return origins{Version: "unknown"}
	}
	b := origins{Version: info.Main.Version, Go: info.GoVersion}
	for _, s := range info.Settings {
		switch s.Key {
		case "vcs.revision":
			b.Revision = s.Value
		case "vcs.time":
			b.Time = s.Value
		case "vcs.modified":
			b.Changed = s.Value == "true"
		}
	}
	return b
}

type versionCmd struct {
	JSON bool `name:"json" help:"Print JSON."`
}

func (c *versionCmd) Run(g *globals) error {
	findings, _ := models.Check(g.Models, models.Optional) // what is not right is listed
	told := struct {
		origins
		Models []modelFile `json:"models"`
	}{built(), []modelFile{}}
	for _, f := range findings {
		told.Models = append(told.Models, modelFile{f.File.Name, f.State.String(), f.SHA256})
	}
	return g.print(c.JSON, told, func(w io.Writer) {
		tell(w, "version", "Version", told.Version, "Revision", told.Revision, "Time", told.Time, "Changed", told.Changed,
			"Go", told.Go)
		for _, m := range told.Models {
			fmt.Fprintf(w, "%-64s  %s  %s\n", m.SHA256, m.Name, m.State)
		}
	})
}

// A modelFile is which one the program works with.
type modelFile struct {
	Name   string `json:"name"`
	State  string `json:"state"`
	SHA256 string `json:"sha256,omitempty"`
}
