package models

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// fakePrograms act like apt's programs, on the files in $FAKE: `archives` is what the mirror has, `log` is what was
// asked. A file `offline` takes the network away; `cut` cuts the next download in half, once; `corrupt` spoils it.
var fakePrograms = map[string]string{
	"apt-get": `[ "$3" = indextargets ] && { cat "$FAKE/sources" 2>/dev/null || true; exit; }
shift 4
echo "apt-get $*" >>"$FAKE/log"
case $1 in
update)
	[ -e "$FAKE/offline" ] && { echo "E: Temporary failure resolving 'mirror.example'" >&2; exit 100; }
	echo "dlstatus:1:50.0000:Retrieving file 1 of 2" >&3;;
source)
	[ -e "$FAKE/offline" ] || [ -z "$(ls "$FAKE/archives")" ] && {
		echo "E: Unable to find a source package for $3" >&2; exit 100
	}
	cd "$FAKE/archives" && for f in *; do
		echo "'http://mirror.example/$f' $f $(stat -c %s "$f") SHA256:$(sha256sum "$f" | cut -d' ' -f1)"
	done;;
esac`,
	"apt-helper": `shift 4
echo "apt-helper $*" >>"$FAKE/log"
from=$FAKE/archives/${2##*/}
if [ -e "$FAKE/cut" ]; then
	rm "$FAKE/cut"; head -c 100 "$from" >"$3"; echo "E: Remote end closed connection" >&2; exit 100
fi
if [ -e "$FAKE/lost" ]; then
	head -c 100 "$from" >"$3"; echo "E: Remote end closed connection" >&2; exit 100
fi
echo "dlstatus:1:50.0000:Retrieving file 1 of 1" >&3
cp "$from" "$3"`,
}

// fakeApt puts fakePrograms before all others on PATH, with the given archives on their mirror.
func fakeApt(t *testing.T, archives map[string][]byte) (fake string) {
	t.Helper()
	fake = t.TempDir()
	for name, script := range fakePrograms {
		write(t, fake, "bin/"+name, "#!/bin/sh\nset -e\n"+script+"\n")
		if err := os.Chmod(filepath.Join(fake, "bin", name), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	write(t, fake, "sources", "deb-src [trusted=yes] http://mirror.example/debian/ bookworm main\n")
	if err := os.Mkdir(filepath.Join(fake, "archives"), 0o755); err != nil {
		t.Fatal(err)
	}
	for name, content := range archives {
		write(t, fake, "archives/"+name, string(content))
	}
	t.Setenv("FAKE", fake)
	t.Setenv("PATH", filepath.Join(fake, "bin")+":"+os.Getenv("PATH"))
	return fake
}

func fakeFetcher(t *testing.T, fake string, progress *bytes.Buffer) *fetcher {
	t.Helper()
	f := &fetcher{
		dir:    filepath.Join(t.TempDir(), "models"),
		files:  slices.Clone(invented),
		helper: filepath.Join(fake, "bin", "apt-helper"),
		pigo:   func(context.Context, string) (string, error) { return "", errors.New("not in this test") },
	}
	f.progress.to(progress)
	return f
}

func invent(t *testing.T) map[string][]byte {
	return map[string][]byte{
		"dlib_1.orig-dlib-models.tar.gz": tarGz(t, entry{"dlib-models-1/eyes.dat", abc}),
		"dlib_1.orig.tar.gz":             tarGz(t, entry{"dlib-1/examples/street.jpg", abcdbc}),
		"dlib_1.dsc":                     []byte("words"),
	}
}

// asked returns what the fake programs were asked to do, a line each.
func asked(t *testing.T, fake string) []string {
	t.Helper()
	log, err := os.ReadFile(filepath.Join(fake, "log"))
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		t.Fatal(err)
	}
	return strings.Split(strings.TrimSpace(string(log)), "\n")
}

func TestFetchOnceOnly(t *testing.T) {
	fake := fakeApt(t, invent(t))
	var progress bytes.Buffer
	f := fakeFetcher(t, fake, &progress)
	if err := f.fetch(context.Background()); err != nil {
		t.Fatal(err)
	}
	if _, err := examine(f.dir, f.files, hashed); err != nil {
		t.Error(err)
	}
	if _, err := os.Stat(f.scratch); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("%s is left: %v", f.scratch, err)
	}
	for _, line := range []string{"downloading dlib_1.orig.tar.gz: 50 %",
		"unpacking dlib_1.orig-dlib-models.tar.gz: done"} {
		if !strings.Contains(progress.String(), line) {
			t.Errorf("progress lacks %q:\n%s", line, &progress)
		}
	}
	before := asked(t, fake)
	if err := f.fetch(context.Background()); err != nil {
		t.Fatal(err)
	}
	if after := asked(t, fake); len(after) != len(before) {
		t.Errorf("though all was there, apt was asked for %v", after[len(before):])
	}
}

// Only what is wanted may be downloaded: the photographs' archive stays where it is unless asked for.
func TestFetchOnlyWhatIsMissing(t *testing.T) {
	fake := fakeApt(t, invent(t))
	f := fakeFetcher(t, fake, new(bytes.Buffer))
	f.files = ofKinds(invented, nil)
	if err := f.fetch(context.Background()); err != nil {
		t.Fatal(err)
	}
	var downloads []string
	for _, line := range asked(t, fake) {
		if strings.HasPrefix(line, "apt-helper ") {
			downloads = append(downloads, line)
		}
	}
	if len(downloads) != 1 || !strings.Contains(downloads[0], "dlib_1.orig-dlib-models.tar.gz") {
		t.Errorf("asked for %q", downloads)
	}
}

func TestFetchSettingsAreItsOwn(t *testing.T) {
	fake := fakeApt(t, invent(t))
	f := fakeFetcher(t, fake, new(bytes.Buffer))
	write(t, fake, "lost", "")
	if err := f.fetch(context.Background()); err == nil {
		t.Fatal("no error")
	}
	settings, err := os.ReadFile(filepath.Join(f.scratch, "apt.conf"))
	if err != nil {
		t.Fatal(err)
	}
	for _, setting := range []string{"Dir::State::lists", "Dir::Cache", "Dir::Etc::sourcelist"} {
		if !strings.Contains(string(settings), fmt.Sprintf("%s \"%s/", setting, f.scratch)) {
			t.Errorf("%s is the machine's in\n%s", setting, settings)
		}
	}
	sources, err := os.ReadFile(filepath.Join(f.scratch, "sources.list"))
	if err != nil || string(sources) != "deb-src [trusted=yes] http://mirror.example/debian/ bookworm main\n" {
		t.Errorf("sources %q (%v)", sources, err)
	}
}

func TestFetchFails(t *testing.T) {
	spoilt := invent(t)
	spoilt["dlib_1.orig-dlib-models.tar.gz"] = tarGz(t, entry{"dlib-models-1/eyes.dat", "abd"})
	without := invent(t)
	delete(without, "dlib_1.orig-dlib-models.tar.gz")
	tests := []struct {
		name     string
		archives map[string][]byte
		trouble  string
		is       error
		says     []string // in the message, for a person to act on
	}{
		{"no network", invent(t), "offline", ErrDownload, []string{"failure resolving", "run this again"}},
		{"network lost", invent(t), "lost", ErrDownload, []string{"closed connection", "are kept in", "run this again"}},
		{"another file in the archive", spoilt, "", ErrMismatch, []string{"eyes.dat", abcSum}},
		{"no such source package", nil, "", ErrNotDebian, []string{"libdlib-dev", "eyes.dat", abcSum, "models check"}},
		{"a source package without models", without, "", ErrNotDebian, []string{"orig-dlib-models", "eyes.dat", abcSum}},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			fake := fakeApt(t, test.archives)
			if test.trouble != "" {
				write(t, fake, test.trouble, "")
			}
			f := fakeFetcher(t, fake, new(bytes.Buffer))
			write(t, f.dir, "eyes.dat", "from before")
			err := f.fetch(context.Background())
			if !errors.Is(err, test.is) {
				t.Fatalf("error %v", err)
			}
			for _, part := range test.says {
				if !strings.Contains(err.Error(), part) {
					t.Errorf("message lacks %q:\n%v", part, err)
				}
			}
			if got, err := os.ReadFile(filepath.Join(f.dir, "eyes.dat")); string(got) != "from before" {
				t.Errorf("eyes.dat was replaced by %q (%v)", got, err)
			}
		})
	}
}

func TestFetchGoesOn(t *testing.T) {
	fake := fakeApt(t, invent(t))
	write(t, fake, "cut", "")
	f := fakeFetcher(t, fake, new(bytes.Buffer))
	if err := f.fetch(context.Background()); err != nil {
		t.Fatalf("one cut connection was too much: %v", err)
	}
}

func TestFetchWithoutApt(t *testing.T) {
	t.Setenv("PATH", t.TempDir())
	f := fakeFetcher(t, t.TempDir(), new(bytes.Buffer))
	err := f.fetch(context.Background())
	if !errors.Is(err, ErrNotDebian) {
		t.Fatalf("error %v", err)
	}
	for _, part := range []string{"no apt-get", "libopenblas-dev", "photographs/street.jpg", abcdbcSum, f.dir,
		"lintel models check"} {
		if !strings.Contains(err.Error(), part) {
			t.Errorf("message lacks %q:\n%v", part, err)
		}
	}
}

func TestFetchCancelled(t *testing.T) {
	fake := fakeApt(t, invent(t))
	f := fakeFetcher(t, fake, new(bytes.Buffer))
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if err := f.fetch(ctx); !errors.Is(err, context.Canceled) {
		t.Errorf("error %v", err)
	}
	if _, err := os.Stat(filepath.Join(f.dir, "eyes.dat")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a file was placed: %v", err)
	}
}

// The module itself, in the version that go.mod names, has to have the file that the table names.
func TestPigoHasTheFile(t *testing.T) {
	dir, err := moduleDir(context.Background(), t.TempDir(), pigoModule, goModVersion(t))
	if err != nil {
		t.Fatal(err)
	}
	for _, file := range from(files, Pigo) {
		content, err := os.ReadFile(filepath.Join(dir, file.Path))
		if err != nil {
			t.Fatal(err)
		}
		if sum := fmt.Sprintf("%x", sha256.Sum256(content)); sum != file.SHA256 {
			t.Errorf("%s: SHA-256 %s, the table has %s", file.Name, sum, file.SHA256)
		}
	}
}
