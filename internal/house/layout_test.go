package house_test

import (
	"encoding/json"
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

const (
	root     = "../.."
	module   = "lintel/"
	database = "modernc.org/sqlite"
	faces    = "github.com/Kagami/go-face"
)

// onTheArchive are the packages of the pipeline that may link the database.
var onTheArchive = []string{"lintel/pipeline/export", "lintel/pipeline/review"}

// above says which rooms a room may not know.
var above = map[string][]string{
	"lintel/internal/house": {module},
	"lintel/store":          {"lintel/pipeline", "lintel/web", "lintel/cmd"},
	"lintel/pipeline":       {"lintel/web", "lintel/cmd"},
	"lintel/web":            {"lintel/cmd"},
	"lintel/web/view":       {"lintel/cmd", "lintel/store"},
	"lintel/models":         {"lintel/cmd", "lintel/web", "lintel/pipeline", "lintel/store"},
}

type imports struct {
	ImportPath                               string
	Imports, TestImports, XTestImports, Deps []string
}

// within reports whether a package is the room, or lies in it.
func within(path, room string) bool {
	return path == room || strings.HasPrefix(path, strings.TrimSuffix(room, "/")+"/")
}

// Imports go one way, so that each room can be read without those above it, and
// what needs no archive links no database.
//
// Outside: what the go command says of each package (`go help list`).
func TestImports(t *testing.T) {
	for _, p := range list(t) {
		for room, upper := range above {
			if !within(p.ImportPath, room) {
				continue
			}
			for _, dep := range p.Deps {
				if slices.ContainsFunc(upper, func(u string) bool { return within(dep, u) }) {
					t.Errorf("%s knows %s", p.ImportPath, dep)
				}
			}
		}
		if within(p.ImportPath, "lintel/internal/house") {
			for _, dep := range p.Deps {
				if first, _, _ := strings.Cut(dep, "/"); strings.Contains(first, ".") && first != "vendor" {
					t.Errorf("%s imports %s, which is not of the standard library", p.ImportPath, dep)
				}
			}
		}
		if within(p.ImportPath, "lintel/pipeline") && slices.Contains(p.Deps, database) &&
			!slices.Contains(onTheArchive, p.ImportPath) {
			t.Errorf("%s links %s", p.ImportPath, database)
		}
		if p.ImportPath != "lintel/pipeline/face" {
			for _, all := range [][]string{p.Imports, p.TestImports, p.XTestImports} {
				if slices.Contains(all, faces) {
					t.Errorf("%s imports %s", p.ImportPath, faces)
				}
			}
		}
	}
}

// list asks the go command about all packages.
func list(t *testing.T) (all []imports) {
	t.Helper()
	if _, err := exec.LookPath("go"); err != nil {
		t.Skip("SKIPPED: there is no go command to ask")
	}
	cmd := exec.Command("go", "list", "-json=ImportPath,Imports,TestImports,XTestImports,Deps", "./...")
	cmd.Dir = root
	var stderr strings.Builder
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("go list: %v\n%s", err, stderr.String())
	}
	for d := json.NewDecoder(strings.NewReader(string(out))); ; {
		var p imports
		if err := d.Decode(&p); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatal(err)
		}
		all = append(all, p)
	}
	has := func(path, dep string) bool {
		i := slices.IndexFunc(all, func(p imports) bool { return p.ImportPath == path })
		return i >= 0 && slices.Contains(all[i].Deps, dep)
	}
	if !has("lintel/store", database) || !has("lintel/pipeline/face", faces) {
		t.Fatal("what is looked for is not found where it must be")
	}
	return all
}

// DEVELOPERS.md leads to files that are there.
func TestDevelopersPaths(t *testing.T) {
	text, err := os.ReadFile(filepath.Join(root, "DEVELOPERS.md"))
	if err != nil {
		t.Fatal(err)
	}
	paths := regexp.MustCompile(
		"`((?:cmd|docs|internal|models|pipeline|store|testdata|web)/[a-z0-9_./]*)`").FindAllStringSubmatch(string(text), -1)
	if len(paths) < 40 {
		t.Errorf("only %d paths were found", len(paths))
	}
	for _, p := range paths {
		if _, err := os.Stat(filepath.Join(root, p[1])); err != nil {
			t.Errorf("%s is not there", p[1])
		}
	}
}

// What is written for people leads to files that are there.
func TestLinks(t *testing.T) {
	link := regexp.MustCompile(`\]\(([^)#:]+)[^):]*\)`)
	found := 0
	for _, pattern := range []string{"*.md", "docs/*.md", "docs/*/*.md", "models/*.md"} {
		pages, err := filepath.Glob(filepath.Join(root, pattern))
		if err != nil {
			t.Fatal(err)
		}
		for _, page := range pages {
			text, err := os.ReadFile(page)
			if err != nil {
				t.Fatal(err)
			}
			for _, l := range link.FindAllStringSubmatch(string(text), -1) {
				found++
				if _, err := os.Stat(filepath.Join(filepath.Dir(page), l[1])); err != nil {
					t.Errorf("%s leads to %s, which is not there", page, l[1])
				}
			}
		}
	}
	if found < 20 {
		t.Errorf("only %d links were found", found)
	}
}
