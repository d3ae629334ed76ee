package models

import (
	"bytes"
	"context"
	"errors"
	"io"
	"io/fs"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

var inventedExtras = []File{
	{Name: "near.net", Size: 3, SHA256: abcSum, Kind: Optional, Origin: Publisher, Path: "resources/near.net"},
	{Name: "wide.net", Size: 56, SHA256: abcdbcSum, Kind: Optional, Origin: Publisher, Path: "resources/wide.net"},
}

// extrasFetcher wants two optional files from the handler, and has all others.
func extrasFetcher(t *testing.T, progress *bytes.Buffer, handler http.HandlerFunc) *fetcher {
	t.Helper()
	server := httptest.NewServer(handler)
	t.Cleanup(server.Close)
	f := &fetcher{
		dir:       t.TempDir(),
		files:     append(ofKinds(invented, nil), inventedExtras...),
		publisher: server.URL + "/commit",
		patience:  context.WithCancel,
	}
	write(t, f.dir, "eyes.dat", abc)
	f.progress.to(progress)
	return f
}

func publish(w http.ResponseWriter, r *http.Request) {
	switch r.Method + " " + r.URL.Path {
	case "GET /commit/resources/near.net":
		io.WriteString(w, abc)
	case "GET /commit/resources/wide.net":
		io.WriteString(w, abcdbc)
	default:
		http.NotFound(w, r)
	}
}

func TestFetchOptional(t *testing.T) {
	var progress bytes.Buffer
	asked := 0
	f := extrasFetcher(t, &progress, func(w http.ResponseWriter, r *http.Request) { asked++; publish(w, r) })
	for range 2 { // the second time there is nothing left to ask for
		if err := f.fetch(t.Context()); err != nil {
			t.Fatal(err)
		}
		findings, err := examine(f.dir, f.files, hashed)
		if err != nil || len(findings) != 3 || findings[1].State != OK || findings[2].State != OK {
			t.Fatalf("found %v, %v", findings, err)
		}
	}
	if asked != 2 {
		t.Errorf("asked %d times for 2 files", asked)
	}
	if strings.Contains(progress.String(), "By hand") {
		t.Errorf("said:\n%s", &progress)
	}
	if _, err := os.Stat(f.scratch); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("%s is left: %v", f.scratch, err)
	}
}

// Whatever the publisher does, Lintel goes on without, leaves no file that is not right, and says what to do.
func TestFetchWithoutOptional(t *testing.T) {
	elsewhere := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		t.Error("went where it was sent")
		io.WriteString(w, abc)
	}))
	defer elsewhere.Close()
	for _, test := range []struct {
		name    string
		handler http.HandlerFunc
		says    string
	}{
		{"not there", http.NotFound, "404"},
		{"another file", func(w http.ResponseWriter, r *http.Request) {
			io.WriteString(w, "abd")
		}, "not the file it has to be"},
		{"too long", func(w http.ResponseWriter, r *http.Request) {
			w.Write(bytes.Repeat([]byte("abc"), 1e6))
		}, "not the file it has to be"},
		{"cut short", func(w http.ResponseWriter, r *http.Request) {
			w.Header().Set("Content-Length", "56")
			io.WriteString(w, "ab")
		}, "unexpected EOF"},
		{"sent to another host", func(w http.ResponseWriter, r *http.Request) {
			http.Redirect(w, r, elsewhere.URL, http.StatusFound)
		}, "sent elsewhere"},
		{"no connection", func(w http.ResponseWriter, r *http.Request) { panic(http.ErrAbortHandler) }, "EOF"},
	} {
		t.Run(test.name, func(t *testing.T) {
			var progress bytes.Buffer
			f := extrasFetcher(t, &progress, test.handler)
			if err := f.fetch(t.Context()); err != nil {
				t.Fatal(err)
			}
			for _, extra := range inventedExtras {
				if _, err := os.Stat(filepath.Join(f.dir, extra.Name)); !errors.Is(err, fs.ErrNotExist) {
					t.Errorf("%s was placed: %v", extra.Name, err)
				}
				for _, part := range []string{extra.Name, extra.SHA256, f.publisher + "/" + extra.Path} {
					if !strings.Contains(progress.String(), part) {
						t.Errorf("%q is not said", part)
					}
				}
			}
			for _, part := range []string{test.says, f.dir, without, "By hand", "lintel models check"} {
				if !strings.Contains(progress.String(), part) {
					t.Errorf("%q is not said:\n%s", part, &progress)
				}
			}
		})
	}
}

// A publisher who does not answer is waited for once, for both files together, and no longer than patience lasts.
func TestFetchOptionalWithPatience(t *testing.T) {
	var progress bytes.Buffer
	asked := make(chan struct{}, 9)
	f := extrasFetcher(t, &progress, func(w http.ResponseWriter, r *http.Request) {
		asked <- struct{}{}
		<-r.Context().Done()
	})
	f.patience = func(ctx context.Context) (context.Context, context.CancelFunc) {
		ctx, cancel := context.WithCancel(ctx)
		go func() { <-asked; cancel() }()
		return ctx, cancel
	}
	if err := f.fetch(t.Context()); err != nil {
		t.Fatal(err)
	}
	if len(asked) > 0 || !strings.Contains(progress.String(), "2 optional model files could not be fetched") {
		t.Errorf("asked again, or said:\n%s", &progress)
	}
}

func TestFetchOptionalInterrupted(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	f := extrasFetcher(t, new(bytes.Buffer), func(w http.ResponseWriter, r *http.Request) {
		cancel()
		<-r.Context().Done()
	})
	if err := f.fetch(ctx); !errors.Is(err, context.Canceled) {
		t.Errorf("error %v", err)
	}
}

// Missing optional files cost something, which is said, and are no error; wrong ones are.
func TestCheckOptional(t *testing.T) {
	dir := t.TempDir()
	findings, err := examine(dir, inventedExtras, hashed)
	if err != nil || len(findings) != 2 {
		t.Fatalf("found %v, %v", findings, err)
	}
	for _, part := range []string{"near.net: missing", without} {
		if said := findings[0].String(); !strings.Contains(said, part) {
			t.Errorf("%q is not in\n%s", part, said)
		}
	}
	write(t, dir, "near.net", "abd")
	if _, err := examine(dir, inventedExtras, hashed); !errors.Is(err, ErrIncomplete) {
		t.Errorf("with a wrong file: %v", err)
	}
}

func TestVerify(t *testing.T) {
	dir := t.TempDir()
	if _, err := Verify(dir, FaceAndEdge); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("missing: %v", err)
	}
	write(t, dir, FaceAndEdge, abc)
	if _, err := Verify(dir, FaceAndEdge); !errors.Is(err, ErrMismatch) {
		t.Errorf("other bytes: %v", err)
	}
	if _, err := Verify(dir, "some.net"); !errors.Is(err, ErrMismatch) {
		t.Errorf("of no table: %v", err)
	}
	if err := os.Mkdir(filepath.Join(dir, FaceAndSurroundings), 0o755); err != nil {
		t.Fatal(err)
	}
	_, err := Verify(dir, FaceAndSurroundings)
	if err == nil || errors.Is(err, fs.ErrNotExist) || errors.Is(err, ErrMismatch) {
		t.Errorf("unreadable: %v", err)
	}
}
