package models

import (
	"bytes"
	"context"
	"crypto/sha256"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
)

// Every style of sources.list(5), on the machine's real apt; mirrors at names that RFC 2606 reserves.
func TestSourcePackages(t *testing.T) {
	if _, err := exec.LookPath("apt-get"); err != nil {
		t.Skip("no apt on this machine: ", err)
	}
	machine := t.TempDir()
	write(t, machine, "sources.list", `# of our own
deb http://mirror.example/debian bookworm main contrib # near
deb [ arch=amd64 signed-by=/usr/share/keyrings/debian-archive-keyring.gpg ]	http://mirror.example/security any main
#deb http://off.example/debian bookworm main
deb cdrom:[A disc]/ bookworm main
deb-src http://source.example/debian bookworm main
`)
	write(t, machine, "sources.list.d/ours.sources", `# of our own
Types: deb
URIs: http://two.example/debian
Suites: bookworm bookworm-updates
# in between
Components: main
Signed-By: /usr/share/keyrings/debian-archive-keyring.gpg

types:
 deb
URIs: http://three.example/flat
Suites: ./

Types: deb
URIs: http://four.example/debian
Suites: bookworm
Components: main
Enabled: no
`)
	machineApt(t, machine)
	const want = `deb-src [trusted=yes] http://mirror.example/debian/ bookworm contrib
deb-src [trusted=yes] http://mirror.example/debian/ bookworm main
deb-src [trusted=yes] http://mirror.example/security/ any main
deb-src [trusted=yes] http://source.example/debian/ bookworm main
deb-src [trusted=yes] http://three.example/flat/ ./
deb-src [trusted=yes] http://two.example/debian/ bookworm main
deb-src [trusted=yes] http://two.example/debian/ bookworm-updates main
`
	got, err := sourcePackages(context.Background())
	if err != nil || string(got) != want {
		t.Errorf("sources (%v)\n%s", err, got)
	}
}

// machineApt has apt take its settings from a folder instead of the machine's.
func machineApt(t *testing.T, machine string) {
	t.Helper()
	write(t, machine, "apt.conf", fmt.Sprintf(`Dir::Etc::sourcelist "%[1]s/sources.list";
Dir::Etc::sourceparts "%[1]s/sources.list.d";
APT::Sandbox::User "root"; // the test's directory is closed to others
APT::Update::Post-Invoke { "touch %[1]s/hooked"; };
APT::Update::Post-Invoke-Success { "touch %[1]s/hooked"; };
`, machine))
	t.Setenv("APT_CONFIG", filepath.Join(machine, "apt.conf"))
}

// The whole way with the machine's real apt, and a mirror that is a directory, so without a network.
func TestFetchThroughRealApt(t *testing.T) {
	for _, program := range []string{"apt-get", "/usr/lib/apt/apt-helper"} {
		if _, err := exec.LookPath(program); err != nil {
			t.Skip("no apt on this machine: ", err)
		}
	}
	machine := t.TempDir()
	var index strings.Builder
	index.WriteString("Package: dlib\nBinary: libdlib-dev\nVersion: 1-1\nFormat: 3.0 (quilt)\nDirectory: " +
		".\nChecksums-Sha256:\n")
	for name, content := range invent(t) {
		write(t, machine, "mirror/"+name, string(content))
		fmt.Fprintf(&index, " %x %d %s\n", sha256.Sum256(content), len(content), name)
	}
	write(t, machine, "mirror/Sources", index.String())
	write(t, machine, "sources.list.d/ours.sources", "Types: deb\nURIs: file:"+machine+"/mirror\nSuites: ./\n")
	// Another mirror that does not answer must not matter. Nor may the machine's own hooks be run.
	write(t, machine, "sources.list", "deb file:"+machine+"/gone bookworm main\n")
	machineApt(t, machine)

	f := fakeFetcher(t, "", new(bytes.Buffer))
	f.helper = "/usr/lib/apt/apt-helper"
	if err := f.fetch(context.Background()); err != nil {
		t.Fatal(err)
	}
	if _, err := examine(f.dir, f.files, hashed); err != nil {
		t.Error(err)
	}
	if _, err := os.Stat(filepath.Join(machine, "hooked")); err == nil {
		t.Error("apt ran the machine's hook")
	}
	if _, err := os.Stat(filepath.Join(machine, "mirror", "dlib_1.orig.tar.gz")); err != nil {
		t.Errorf("the mirror lost its file: %v", err)
	}
}

func TestParseURIs(t *testing.T) {
	// As apt 2.6.1 prints it, with the mirror's name and the sums replaced.
	const printed = `Reading package lists...
Please use:
git clone https://git.example/dlib.git
Need to get 209 MB of source archives.
'http://mirror.example/d/dlib_1%2bdfsg-1.dsc' dlib_1+dfsg-1.dsc 2483 SHA256:` + abcSum + `
'http://mirror.example/d/dlib_1%2bdfsg.orig-dlib-models.tar.bz2' ` +
		`dlib_1+dfsg.orig-dlib-models.tar.bz2 200155223 SHA256:` + abcdbcSum + `
'http://mirror.example/d/weak.tar.gz' weak.tar.gz 5 MD5Sum:900150983cd24fb0d6963f7d28e17f72
'http://mirror.example/d/sly.tar.gz' ../sly.tar.gz 5 SHA256:` + abcSum + `
`
	want := []archive{
		{"http://mirror.example/d/dlib_1%2bdfsg-1.dsc", "dlib_1+dfsg-1.dsc", 2483, abcSum},
		{"http://mirror.example/d/dlib_1%2bdfsg.orig-dlib-models.tar.bz2", "dlib_1+dfsg.orig-dlib-models.tar.bz2",
			200155223,
			abcdbcSum},
	}
	if got := parseURIs([]byte(printed)); !reflect.DeepEqual(got, want) {
		t.Errorf("read %+v", got)
	}
}

func TestFollowStatus(t *testing.T) {
	var got []float64
	followStatus(strings.NewReader("dlstatus:1:0.0000:Retrieving file 1 of 1\npmstatus:x:5:no\n\ndlstatus:1:x:no\n"+
		"dlstatus:1:13.3333:Retrieving file 1 of 1 (20s: remaining)\n"), func(p float64) { got = append(got, p) })
	if !reflect.DeepEqual(got, []float64{0, 13.3333}) {
		t.Errorf("reported %v", got)
	}
}

func TestNoSources(t *testing.T) {
	fakeApt(t, nil)
	if err := os.Remove(filepath.Join(os.Getenv("FAKE"), "sources")); err != nil {
		t.Fatal(err)
	}
	_, err := newApt(context.Background(), t.TempDir(), filepath.Join(os.Getenv("FAKE"), "bin", "apt-helper"))
	if err == nil || !strings.Contains(err.Error(), "no package sources") {
		t.Errorf("error %v", err)
	}
}
