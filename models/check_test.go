package models

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// Bytes whose SHA-256 others published: FIPS 180-2, appendix B.1 and B.2.
const (
	abc       = "abc"
	abcSum    = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
	abcdbc    = "abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq"
	abcdbcSum = "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1"
)

// invented stands in for the real table.
var invented = []File{
	{Name: "eyes.dat", Size: 3, SHA256: abcSum, Origin: DlibModels, Path: "eyes.dat"},
	{Name: "photographs/street.jpg", Size: 56, SHA256: abcdbcSum, Kind: Example, Origin: Dlib,
		Path: "examples/street.jpg"},
}

func write(t *testing.T, dir, name, content string) {
	t.Helper()
	path := filepath.Join(dir, name)
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(content), 0o644); err != nil {
		t.Fatal(err)
	}
}

func TestExamine(t *testing.T) {
	tests := []struct {
		name   string
		files  map[string]string
		dirs   []string // in a file's place, which not even root can read as a file
		kinds  []Kind
		hashed []State
		sized  []State
	}{
		{name: "all right", files: map[string]string{"eyes.dat": abc, "photographs/street.jpg": abcdbc},
			kinds:  []Kind{Example},
			hashed: []State{OK, OK}, sized: []State{OK, OK}},
		{name: "optional absent, not asked for", files: map[string]string{"eyes.dat": abc},
			hashed: []State{OK}, sized: []State{OK}},
		{name: "optional absent, asked for", files: map[string]string{"eyes.dat": abc}, kinds: []Kind{Example},
			hashed: []State{OK, Missing}, sized: []State{OK, Missing}},
		{name: "empty directory", hashed: []State{Missing}, sized: []State{Missing}},
		{name: "cut short", files: map[string]string{"eyes.dat": "ab"}, hashed: []State{Wrong}, sized: []State{Wrong}},
		{name: "other bytes, same size", files: map[string]string{"eyes.dat": "abd"}, hashed: []State{Wrong},
			sized: []State{OK}},
		{name: "unreadable", dirs: []string{"eyes.dat"}, hashed: []State{Unreadable}, sized: []State{Wrong}},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			dir := t.TempDir()
			for name, content := range test.files {
				write(t, dir, name, content)
			}
			for _, name := range test.dirs {
				if err := os.Mkdir(filepath.Join(dir, name), 0o755); err != nil {
					t.Fatal(err)
				}
			}
			files := ofKinds(invented, test.kinds)
			for _, look := range []struct {
				by   func(string, File) Finding
				want []State
			}{{hashed, test.hashed}, {sized, test.sized}} {
				findings, err := examine(dir, files, look.by)
				var got []State
				complete := true
				for _, f := range findings {
					got = append(got, f.State)
					complete = complete && f.State == OK
				}
				if fmt.Sprint(got) != fmt.Sprint(look.want) {
					t.Errorf("states %v, want %v", got, look.want)
				}
				if errors.Is(err, ErrIncomplete) == complete {
					t.Errorf("error %v, with states %v", err, got)
				}
			}
		})
	}
}

// The message is all a person without apt has: it must name each file amiss, where it goes and which one is wanted.
func TestIncompleteMessage(t *testing.T) {
	dir := t.TempDir()
	write(t, dir, "eyes.dat", abcdbc)
	_, err := examine(dir, invented, hashed)
	var incomplete *IncompleteError
	if !errors.As(err, &incomplete) || incomplete.Checked != 2 {
		t.Fatalf("error %#v", err)
	}
	for _, part := range []string{dir, "eyes.dat: wrong", abcSum, "photographs/street.jpg: missing",
		"lintel models check"} {
		if !strings.Contains(err.Error(), part) {
			t.Errorf("message lacks %q:\n%v", part, err)
		}
	}
	if found := incomplete.Findings[0]; found.SHA256 != abcdbcSum || found.Size != 56 {
		t.Errorf("found SHA-256 %s, %d bytes", found.SHA256, found.Size)
	}
}

// People copy files by the README's table, and the program goes by its own: they must say the same.
func TestReadmeHasTheTable(t *testing.T) {
	readme, err := os.ReadFile("README.md")
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range Files(Research, Optional) {
		row := fmt.Sprintf("| %s | %d | %s | %s |\n", f.Name, f.Size, f.SHA256, f.Licence)
		if !strings.Contains(string(readme), row) {
			t.Errorf("README.md lacks the row\n%s", row)
		}
	}
	version := goModVersion(t)
	for _, named := range regexp.MustCompile(`v\d+\.\d+\.\d+`).FindAllString(string(readme), -1) {
		if named != version {
			t.Errorf("README.md names pigo %s, the program is built with %s", named, version)
		}
	}
}

// goModVersion asks the go command, since a test's build information names no modules.
func goModVersion(t *testing.T) string {
	t.Helper()
	out, err := exec.Command("go", "list", "-m", "-f", "{{.Version}}", pigoModule).Output()
	if err != nil {
		t.Fatal(err)
	}
	return strings.TrimSpace(string(out))
}

func TestTable(t *testing.T) {
	seen := make(map[string]bool)
	sum := regexp.MustCompile(`^[0-9a-f]{64}$`)
	for _, f := range Files(Research, Example, Optional) {
		if seen[f.Name] || seen[f.SHA256] {
			t.Errorf("%s: name or SHA-256 stands twice in the table", f.Name)
		}
		seen[f.Name], seen[f.SHA256] = true, true
		if !sum.MatchString(f.SHA256) || f.Size <= 0 || f.Licence == "" || !filepath.IsLocal(f.Name) {
			t.Errorf("not a whole entry: %+v", f)
		}
	}
	for _, f := range Files() {
		if f.Kind != Required {
			t.Errorf("%s is fetched without being asked for", f.Name)
		}
	}
}
