package models

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"context"
	"encoding/base64"
	"errors"
	"os"
	"path/filepath"
	"testing"
)

// What GNU tar 1.34 with bzip2 1.0.8 and XZ Utils 5.4.1 made of dlib-models-1/eyes.dat, which holds "abc".
const (
	bz2ByTar = "QlpoOTFBWSZTWY7H1Q4AAJV/hMmAAEJAA/+AABAQAH4mniAAAIAIIACUhKKRskepjJGnoGUPU9BJSAGgGgAAOj5jZ7HyBIDOJCSH" +
		"DopQa5hMRhUMEgeAVLD6WH43FzLWCImmrRDSJaNzV8OuLoajHCqFfZL4T9SoTuaVnQ6FCJ/JB3C8eUOxdUYMU5PiGQSD8XckU4UJ" +
		"COx9UOA="
	xzByTar = "/Td6WFoAAATm1rRGAgAhARwAAAAQz1jM4Cf/AIJdADIbCWCsekwzTYPIznctcO0FDUWSfrO+6vjTb7HXOc5/FZ+pA0WWkre25PWw" +
		"+cNWJ+ftSVyD9NfLkKumTROnpSsyKmv2T8DNdJFw4a8qLzVszh20pIilz1Wn8zuUmC1fpJAIwkbKAx5Q6AKbAcOc6OGb3F4jb2sl" +
		"7ZV5XO6wF5ZVUAAAAAD/youg/oKiaAABngGAUAAA1RK8WLHEZ/sCAAAAAARZWg=="
)

// entry is a file in an invented archive.
type entry struct{ name, content string }

func tarGz(t *testing.T, entries ...entry) []byte {
	t.Helper()
	var b bytes.Buffer
	z := gzip.NewWriter(&b)
	w := tar.NewWriter(z)
	for _, e := range entries {
		header := &tar.Header{Name: e.name, Mode: 0o755, Size: int64(len(e.content)), Typeflag: tar.TypeReg}
		if err := w.WriteHeader(header); err != nil {
			t.Fatal(err)
		}
		if _, err := w.Write([]byte(e.content)); err != nil {
			t.Fatal(err)
		}
	}
	if err := errors.Join(w.Close(), z.Close()); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func newFetcher(t *testing.T, dir string) *fetcher {
	t.Helper()
	f := &fetcher{dir: dir, files: invented}
	f.progress.to(nil)
	if err := f.makeScratch(); err != nil {
		t.Fatal(err)
	}
	return f
}

func TestUnpack(t *testing.T) {
	decode := func(s string) []byte {
		b, err := base64.StdEncoding.DecodeString(s)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	right := tarGz(t, entry{"m-1/README", "words"}, entry{"m-1/eyes.dat", abc}, entry{"m-1/more", "more"})
	tests := []struct {
		name      string
		extension string
		archive   []byte
		placed    bool
		mismatch  bool
	}{
		{"gzip", ".gz", right, true, false},
		{"bzip2", ".bz2", decode(bz2ByTar), true, false},
		{"xz", ".xz", decode(xzByTar), true, false},
		{"xz cut short", ".xz", decode(xzByTar)[:100], false, false},
		{"cut short", ".gz", right[:len(right)/2], false, false},
		{"other bytes", ".gz", tarGz(t, entry{"m-1/eyes.dat", "abd"}), false, true},
		{"right start, then more", ".gz", tarGz(t, entry{"m-1/eyes.dat", abc + "d"}), false, true},
		{"only in another directory", ".gz", tarGz(t, entry{"m-1/old/eyes.dat", abc}), false, false},
		{"unknown compression", ".zip", right, false, false},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			dir := t.TempDir()
			f := newFetcher(t, dir)
			write(t, dir, "eyes.dat", "from before")
			write(t, f.scratch, "archive"+test.extension, string(test.archive))
			err := f.unpack(context.Background(), filepath.Join(f.scratch, "archive"+test.extension), invented[:1])
			if (err == nil) != test.placed || errors.Is(err, ErrMismatch) != test.mismatch {
				t.Errorf("error %v", err)
			}
			want := "from before"
			if test.placed {
				want = abc
			}
			if got, err := os.ReadFile(filepath.Join(dir, "eyes.dat")); err != nil || string(got) != want {
				t.Errorf("eyes.dat holds %q (%v), want %q", got, err, want)
			}
			if left, _ := filepath.Glob(filepath.Join(f.scratch, "unpacking-*")); len(left) > 0 {
				t.Errorf("left behind: %v", left)
			}
		})
	}
}

// stopping ends a context after some bytes, as somebody does who presses Ctrl-C.
type stopping struct {
	after  int64
	cancel context.CancelFunc
}

func (s *stopping) Write(p []byte) (int, error) {
	if s.after--; s.after <= 0 {
		s.cancel()
	}
	return len(p), nil
}

func TestUnpackInterrupted(t *testing.T) {
	dir := t.TempDir()
	f := newFetcher(t, dir)
	// Bytes that gzip cannot shrink much, so that the archive takes several reads.
	filler := make([]byte, 1<<18)
	for i, x := 0, uint32(1); i < len(filler); i++ {
		x = x*1664525 + 1013904223
		filler[i] = byte(x >> 24)
	}
	archive := tarGz(t, entry{"m-1/filler", string(filler)}, entry{"m-1/eyes.dat", abc})
	write(t, f.scratch, "a.tar.gz", string(archive))
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	f.progress.to(&stopping{after: 4, cancel: cancel})
	err := f.unpack(ctx, filepath.Join(f.scratch, "a.tar.gz"), invented[:1])
	if !errors.Is(err, context.Canceled) {
		t.Errorf("error %v", err)
	}
	if _, err := os.Stat(filepath.Join(dir, "eyes.dat")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a file was placed: %v", err)
	}
}
