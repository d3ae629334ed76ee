package models

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime/debug"
	"slices"
	"strings"

	_ "github.com/esimov/pigo/core" // so that the program knows which version it was built with
)

const pigoModule = "github.com/esimov/pigo"

// FetchOptions says what [Fetch] does besides bringing the required files, in silence.
type FetchOptions struct {
	Kinds    []Kind    // what to bring besides the required files
	Progress io.Writer // where a person reads how far it is; rewritten in place on a terminal
}

// Fetch brings those files into dir that [Check] finds missing or wrong, and makes dir if need be. If there are none,
// it uses no network. It also tries the optional files, for ten seconds in all; where they can't be had it says how to
// bring them by hand, and that is no error. When it is interrupted, or the network is, what was downloaded so far is
// kept in dir's .fetch and the next call goes on from there; when all is well, .fetch is removed.
//
// The error is [ErrNotDebian] where apt cannot bring the files and people have to, [ErrDownload] if a download failed,
// [ErrMismatch] if what arrived is not the file wanted, and the context's error if that ended.
func Fetch(ctx context.Context, dir string, options FetchOptions) error {
	f := &fetcher{
		dir:       dir,
		files:     Files(slices.Concat(options.Kinds, []Kind{Optional})...),
		helper:    "/usr/lib/apt/apt-helper",
		pigo:      pigoDir,
		publisher: publisher,
		patience: func(ctx context.Context) (context.Context, context.CancelFunc) {
			return context.WithTimeout(ctx, patience)
		},
	}
	f.progress.to(options.Progress)
	return f.fetch(ctx)
}

// fetcher is one call of Fetch.
type fetcher struct {
	dir       string
	files     []File
	helper    string                                        // apt's program that downloads one file
	pigo      func(context.Context, string) (string, error) // where the module pigo is unpacked
	publisher string                                        // the address that optional files are below
	patience  func(context.Context) (context.Context, context.CancelFunc)
	scratch   string // on dir's own file system, so that a rename is atomic
	progress  progress
}

func (f *fetcher) fetch(ctx context.Context) error {
	findings, _ := examine(f.dir, f.files, hashed)
	var want []File
	for _, found := range findings {
		if found.State != OK {
			want = append(want, found.File)
		}
	}
	if len(want) == 0 {
		f.progress.say("model files: all %d are there and right", len(findings))
		return nil
	}
	if err := f.makeScratch(); err != nil {
		return fmt.Errorf("fetching model files: %w", err)
	}
	err := errors.Join(f.fromPigo(ctx, from(want, Pigo)), f.fromDebian(ctx, from(want, DlibModels, Dlib)))
	if err != nil {
		if ctx.Err() != nil {
			// The rest is apt's surprise at being interrupted.
			err = fmt.Errorf("%w; what has been downloaded is kept in %s for the next time", ctx.Err(), f.scratch)
		}
		return fmt.Errorf("fetching model files: %w", err)
	}
	f.fromPublisher(ctx, from(want, Publisher))
	if ctx.Err() != nil {
		return fmt.Errorf("fetching model files: %w", ctx.Err())
	}
	needed := slices.DeleteFunc(slices.Clone(f.files), func(f File) bool { return f.Kind == Optional })
	if _, err = examine(f.dir, needed, hashed); err != nil {
		return fmt.Errorf("after fetching: %w", err)
	}
	f.progress.say("model files: all %d that Lintel needs are there and right", len(needed))
	return os.RemoveAll(f.scratch)
}

// from returns those of files that come from one of the origins.
func from(files []File, origins ...Origin) []File {
	return slices.DeleteFunc(slices.Clone(files), func(f File) bool { return !slices.Contains(origins, f.Origin) })
}

// makeScratch makes .fetch, and has git pass it over.
func (f *fetcher) makeScratch() error {
	dir, err := filepath.Abs(f.dir)
	if err != nil {
		return err
	}
	f.scratch = filepath.Join(dir, ".fetch")
	if err := os.MkdirAll(f.scratch, 0o755); err != nil {
		return err
	}
	return os.WriteFile(filepath.Join(f.scratch, ".gitignore"), []byte("*\n"), 0o644)
}

// fromPigo copies files out of the module pigo.
func (f *fetcher) fromPigo(ctx context.Context, want []File) error {
	if len(want) == 0 {
		return nil
	}
	module, err := f.pigo(ctx, f.scratch)
	if err != nil {
		return fmt.Errorf("finding %s: %w", pigoModule, err)
	}
	for _, file := range want {
		step := "copying " + file.Name
		in, err := os.Open(filepath.Join(module, filepath.FromSlash(file.Path)))
		if err != nil {
			return fmt.Errorf("%s: %w", step, err)
		}
		err = f.place(file, in)
		in.Close()
		if err != nil {
			return fmt.Errorf("copying from %s: %w", pigoModule, err)
		}
		f.progress.done(step)
	}
	return nil
}

// pigoDir has the go command unpack the module pigo, if it has not yet, and returns where. The version is the one in
// this program's build information, which go.mod decides: asking `go list -m` instead would need the source around.
func pigoDir(ctx context.Context, scratch string) (string, error) {
	version, err := pigoVersion()
	if err != nil {
		return "", err
	}
	return moduleDir(ctx, scratch, pigoModule, version)
}

func moduleDir(ctx context.Context, scratch, path, version string) (string, error) {
	cmd := exec.CommandContext(ctx, "go", "mod", "download", "-json", path+"@"+version)
	cmd.Dir = scratch
	// The file's own SHA-256 is checked, so no other witness is needed; and whatever module scratch is in has no say.
	cmd.Env = append(os.Environ(), "GONOSUMDB="+path, "GOFLAGS=", "GOWORK=off", "GO111MODULE=on")
	out, err := cmd.Output()
	var module struct{ Dir, Error string }
	if jsonErr := json.Unmarshal(out, &module); err == nil {
		err = jsonErr
	}
	if module.Error != "" {
		err = fmt.Errorf("%w: %s", ErrDownload, module.Error)
	}
	return module.Dir, err
}

func pigoVersion() (string, error) {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "", errors.New("the program has no build information")
	}
	for _, m := range info.Deps {
		if m.Path == pigoModule {
			return m.Version, nil
		}
	}
	return "", errors.New("the program's build information does not name it")
}

// fromDebian downloads the archives of the source package dlib that hold the wanted files, and unpacks those.
func (f *fetcher) fromDebian(ctx context.Context, want []File) error {
	if len(want) == 0 {
		return nil
	}
	a, err := newApt(ctx, f.scratch, f.helper)
	if err == nil {
		err = f.throughApt(ctx, a, want)
	}
	if cause := (*notDebian)(nil); errors.As(err, &cause) {
		cause.dir, cause.want = f.dir, want
	}
	return err
}

func (f *fetcher) throughApt(ctx context.Context, a *apt, want []File) error {
	archives, err := a.archives(ctx, "dlib", &f.progress)
	if err != nil {
		return err
	}
	for _, origin := range []Origin{DlibModels, Dlib} {
		files := from(want, origin)
		if len(files) == 0 {
			continue
		}
		i := slices.IndexFunc(archives, func(a archive) bool { return strings.Contains(a.name, marks[origin]) })
		if i < 0 {
			return &notDebian{cause: "its source package dlib has no archive " + strings.Trim(marks[origin], ".")}
		}
		path, err := a.download(ctx, archives[i], &f.progress)
		if err != nil {
			return err
		}
		if err := f.unpack(ctx, path, files); err != nil {
			return err
		}
		if err := os.Remove(path); err != nil {
			return err
		}
	}
	return nil
}

// marks tell a source package's archives apart by name.
var marks = map[Origin]string{DlibModels: ".orig-dlib-models.tar.", Dlib: ".orig.tar."}
