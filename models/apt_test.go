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

// Both styles as in sources.list(5); mirrors at names that RFC 2606 reserves.
const (
	listStyle = `# of our own
deb http://mirror.example/debian bookworm main contrib # near
deb [ arch=amd64 signed-by=/usr/share/keyrings/debian-archive-keyring.gpg ]	http://mirror.example/security bookworm-security main
#deb http://off.example/debian bookworm main
deb cdrom:[A disc]/ bookworm main
deb-src http://source.example/debian bookworm main
`
	listTurned = `deb-src http://mirror.example/debian bookworm main contrib
deb-src [ arch=amd64 signed-by=/usr/share/keyrings/debian-archive-keyring.gpg ]	http://mirror.example/security bookworm-security main
deb-src http://source.example/debian bookworm main
`
	stanzaStyle = `# of our own
Types: deb
URIs: http://mirror.example/debian
Suites: bookworm bookworm-updates
# in between
Components: main
Signed-By: /usr/share/keyrings/debian-archive-keyring.gpg

types:
 deb
URIs: http://two.example/debian
Suites: bookworm
Components: main
Enabled: no
`
	stanzasTurned = `Types: deb-src
URIs: http://mirror.example/debian
Suites: bookworm bookworm-updates
Components: main
Signed-By: /usr/share/keyrings/debian-archive-keyring.gpg

Types: deb-src
URIs: http://two.example/debian
Suites: bookworm
Components: main
Enabled: no
`
)

func TestTurnSources(t *testing.T) {
	if got := string(sourceList([]byte(listStyle))); got != listTurned {
		t.Errorf("one-line style became\n%s", got)
	}
	if got := string(sourceStanzas([]byte(stanzaStyle))); got != stanzasTurned {
		t.Errorf("deb822 style became\n%s", got)
	}
}

// Turning what is turned already must change nothing, and no binary packages may be left.
func FuzzTurnSources(f *testing.F) {
	f.Add(listStyle)
	f.Add(stanzaStyle)
	f.Fuzz(func(t *testing.T, text string) {
		list := sourceList([]byte(text))
		if again := sourceList(list); string(again) != string(list) {
			t.Errorf("one-line style: %q became %q", list, again)
		}
		if strings.HasPrefix(string(list), "deb ") || strings.Contains(string(list), "\ndeb ") {
			t.Errorf("binary packages in %q", list)
		}
		stanzas := sourceStanzas([]byte(text))
		if again := sourceStanzas(stanzas); string(again) != string(stanzas) {
			t.Errorf("deb822 style: %q became %q", stanzas, again)
		}
	})
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
	index.WriteString("Package: dlib\nBinary: libdlib-dev\nVersion: 1-1\nFormat: 3.0 (quilt)\nDirectory: .\nChecksums-Sha256:\n")
	for name, content := range invent(t) {
		write(t, machine, "mirror/"+name, string(content))
		fmt.Fprintf(&index, " %x %d %s\n", sha256.Sum256(content), len(content), name)
	}
	write(t, machine, "mirror/Sources", index.String())
	write(t, machine, "sources.list.d/ours.sources", "Types: deb\nURIs: file:"+machine+"/mirror\nSuites: ./\nTrusted: yes\n")
	// Another mirror that does not answer must not matter. Nor may the machine's own hooks be run.
	write(t, machine, "sources.list", "deb file:"+machine+"/gone bookworm main\n")
	write(t, machine, "apt.conf", fmt.Sprintf(`Dir::Etc::sourcelist "%[1]s/sources.list";
Dir::Etc::sourceparts "%[1]s/sources.list.d";
APT::Sandbox::User "root"; // the test's directory is closed to others
APT::Update::Post-Invoke { "touch %[1]s/hooked"; };
APT::Update::Post-Invoke-Success { "touch %[1]s/hooked"; };
`, machine))
	t.Setenv("APT_CONFIG", filepath.Join(machine, "apt.conf"))

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
'http://mirror.example/d/dlib_1%2bdfsg.orig-dlib-models.tar.bz2' dlib_1+dfsg.orig-dlib-models.tar.bz2 200155223 SHA256:` + abcdbcSum + `
'http://mirror.example/d/weak.tar.gz' weak.tar.gz 5 MD5Sum:900150983cd24fb0d6963f7d28e17f72
'http://mirror.example/d/sly.tar.gz' ../sly.tar.gz 5 SHA256:` + abcSum + `
`
	want := []archive{
		{"http://mirror.example/d/dlib_1%2bdfsg-1.dsc", "dlib_1+dfsg-1.dsc", 2483, abcSum},
		{"http://mirror.example/d/dlib_1%2bdfsg.orig-dlib-models.tar.bz2", "dlib_1+dfsg.orig-dlib-models.tar.bz2", 200155223, abcdbcSum},
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
	if err := os.RemoveAll(filepath.Join(os.Getenv("FAKE"), "etc")); err != nil {
		t.Fatal(err)
	}
	_, err := newApt(context.Background(), t.TempDir(), filepath.Join(os.Getenv("FAKE"), "bin", "apt-helper"))
	if err == nil || !strings.Contains(err.Error(), "no package sources") {
		t.Errorf("error %v", err)
	}
}
