package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"github.com/mattn/go-isatty"

	"lintel/pipeline/export"
	"lintel/store/backup"
)

type exportCmd struct {
	Person    string   `arg:"" help:"The person's id or name."`
	Out       string   `help:"${export_out}" required:"" placeholder:"FILE"`
	Recipient []string `help:"${export_recipient}" placeholder:"age1…" sep:"none"`
	JSON      bool     `name:"json" help:"Print JSON."`
}

func (c *exportCmd) Run(g *globals) error {
	recipients, err := backup.ParseRecipients(c.Recipient)
	if err != nil {
		return misused("backup-recipient", "Error", err)
	}
	if c.Out == "-" {
		if f, ok := g.stdout.(*os.File); ok && isatty.IsTerminal(f.Fd()) {
			return misused("export-terminal")
		}
	} else if err := absent(c.Out); err != nil {
		return err
	}
	a, err := g.openArchive(false)
	if err != nil {
		return err
	}
	defer a.Close()
	e, err := export.Begin(g.ctx, a, c.Person, export.Options{Now: time.Now(), Language: locale(os.Getenv), Recipients: recipients})
	if err != nil {
		return err
	}
	return c.write(g, e)
}

// write writes the export, and then the summary: beside it, where standard
// output is taken.
func (c *exportCmd) write(g *globals, e *export.Export) (err error) {
	var sum export.Summary
	if c.Out == "-" {
		beside := *g
		beside.stdout = g.stderr
		sum, err = e.Write(g.ctx, g.stdout)
		g = &beside
	} else {
		err = newFile(c.Out, func(w io.Writer) (err error) {
			sum, err = e.Write(g.ctx, w)
			return err
		})
	}
	if err != nil {
		return err
	}
	if len(c.Recipient) == 0 {
		tell(g.stderr, "export-plain")
	}
	return g.print(c.JSON, sum, func(w io.Writer) {
		tell(w, "exported", "Visits", sum.Visits, "Stills", sum.Stills, "Blurred", sum.Blurred, "Gone", sum.Gone,
			"Withheld", sum.Withheld, "Unreadable", sum.Unreadable)
	})
}

// absent refuses a file that is there.
func absent(path string) error {
	if _, err := os.Lstat(path); !errors.Is(err, fs.ErrNotExist) {
		if err == nil {
			err = fs.ErrExist
		}
		return failed(err, "file-there", "Path", path, "Error", err)
	}
	return nil
}

// newFile makes a file that only its owner may read, whole and durable or not
// at all.
func newFile(path string, write func(io.Writer) error) (err error) {
	f, err := os.CreateTemp(filepath.Dir(path), ".lintel-*.part") // of mode 0600
	if err != nil {
		return fmt.Errorf("making %s: %w", path, err)
	}
	defer func() {
		if err != nil {
			os.Remove(f.Name())
		}
	}()
	err = write(f)
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err != nil {
		return err
	}
	if err := absent(path); err != nil { // somebody else may have been quicker
		return err
	}
	if err := os.Rename(f.Name(), path); err != nil {
		return fmt.Errorf("making %s: %w", path, err)
	}
	folder, err := os.Open(filepath.Dir(path))
	if err != nil {
		return fmt.Errorf("making %s: %w", path, err)
	}
	defer folder.Close()
	if err := folder.Sync(); err != nil && !errors.Is(err, errors.ErrUnsupported) {
		return fmt.Errorf("making %s: %w", path, err)
	}
	return nil
}
