package models

import (
	"archive/tar"
	"compress/bzip2"
	"compress/gzip"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
)

// ErrMismatch is what an error is when a file that was brought has not the bytes it has to have.
// What was there under its name before is left as it was.
var ErrMismatch = errors.New("not the file it has to be")

// unpack takes the wanted files out of a compressed tar archive, which is read once and only as far as needed, and
// places them in dir.
func (f *fetcher) unpack(ctx context.Context, archive string, want []File) error {
	step := "unpacking " + filepath.Base(archive)
	in, err := os.Open(archive)
	if err != nil {
		return fmt.Errorf("%s: %w", step, err)
	}
	defer in.Close()
	info, err := in.Stat()
	if err != nil {
		return fmt.Errorf("%s: %w", step, err)
	}
	counted := &countingReader{ctx: ctx, r: in, report: func(n int64) { f.progress.at(step, n, info.Size()) }}
	plain, err := decompress(ctx, filepath.Ext(archive), counted)
	if err != nil {
		return fmt.Errorf("%s: %w", step, err)
	}
	err = f.untar(plain, want)
	plain.Close() // and with it all reports of progress
	if err != nil {
		return fmt.Errorf("%s: %w", step, err)
	}
	f.progress.done(step)
	return nil
}

func (f *fetcher) untar(r io.Reader, want []File) error {
	left := make(map[string]File)
	for _, file := range want {
		left[file.Path] = file
	}
	for t := tar.NewReader(r); len(left) > 0; {
		header, err := t.Next()
		if err == io.EOF {
			return fmt.Errorf("not in the archive: %s", strings.Join(slices.Sorted(maps.Keys(left)), ", "))
		}
		if err != nil {
			return err
		}
		_, path, _ := strings.Cut(header.Name, "/") // the top directory carries the version
		file, ok := left[path]
		if !ok || header.Typeflag != tar.TypeReg {
			continue
		}
		if err := f.place(file, t); err != nil {
			return err
		}
		delete(left, path)
	}
	return nil
}

// place gives r's bytes the file's name, once they are known to be right and are on the disk.
func (f *fetcher) place(file File, r io.Reader) (err error) {
	defer func() {
		if err != nil {
			err = fmt.Errorf("%s: %w", file.Name, err)
		}
	}()
	tmp, err := os.CreateTemp(f.scratch, "unpacking-*")
	if err != nil {
		return err
	}
	defer os.Remove(tmp.Name()) // fails, as it should, after the rename
	defer tmp.Close()
	h := sha256.New()
	// One byte more than wanted is enough to tell that a file is too long, however long it is.
	if _, err := io.Copy(io.MultiWriter(tmp, h), io.LimitReader(r, file.Size+1)); err != nil {
		return err
	}
	if sum := hex.EncodeToString(h.Sum(nil)); sum != file.SHA256 {
		return fmt.Errorf("%w: SHA-256 is %s, wanted %s", ErrMismatch, sum, file.SHA256)
	}
	if err := tmp.Chmod(0o644); err != nil {
		return err
	}
	if err := tmp.Sync(); err != nil {
		return err
	}
	if err := tmp.Close(); err != nil {
		return err
	}
	path := filepath.Join(f.dir, filepath.FromSlash(file.Name))
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		return err
	}
	if err := os.Rename(tmp.Name(), path); err != nil {
		return err
	}
	return syncDir(filepath.Dir(path))
}

func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer d.Close()
	return d.Sync()
}

// decompress undoes the compression that a file's extension names.
func decompress(ctx context.Context, extension string, r io.Reader) (io.ReadCloser, error) {
	switch extension {
	case ".bz2":
		return io.NopCloser(bzip2.NewReader(r)), nil
	case ".gz":
		return gzip.NewReader(r)
	case ".xz": // not in Go's library
		return startXz(ctx, r)
	}
	return nil, fmt.Errorf("archives ending in %q are not known", extension)
}

// startXz runs xz on r. Reading ends with the error xz ended with; closing stops xz and waits for it.
func startXz(ctx context.Context, r io.Reader) (io.ReadCloser, error) {
	ctx, cancel := context.WithCancel(ctx)
	cmd := exec.CommandContext(ctx, "xz", "--decompress", "--stdout")
	cmd.Stdin = r
	out, in := io.Pipe()
	cmd.Stdout = in
	if err := cmd.Start(); err != nil {
		cancel()
		return nil, err
	}
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		err := cmd.Wait()
		if err != nil {
			err = fmt.Errorf("xz: %w", err)
		}
		in.CloseWithError(err) // nil gives io.EOF
	}()
	return &pipe{out, func() { out.Close(); cancel(); <-ended }}, nil
}

// pipe reads what another process writes; closing it stops the process and waits for it.
type pipe struct {
	io.Reader
	stop func()
}

func (p *pipe) Close() error {
	p.stop()
	return nil
}

// countingReader reports how far r has been read, and ends when ctx does.
type countingReader struct {
	ctx    context.Context
	r      io.Reader
	n      int64
	report func(n int64)
}

func (c *countingReader) Read(p []byte) (int, error) {
	if err := c.ctx.Err(); err != nil {
		return 0, err
	}
	n, err := c.r.Read(p)
	c.n += int64(n)
	c.report(c.n)
	return n, err
}
