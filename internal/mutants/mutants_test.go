package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

const source = `package gate

import "fmt"

const most = 30

const others = 7 // that nobody here uses

var table = []int{1, 2, 3}

// Open has a bound, and a statement.
func Open(age int, name *string) (string, bool) {
	if name == nil || !(age < most) && age != 0x10 {
		return "", false
	}
	return fmt.Sprint("3 < 4 AND", ` + "`SELECT 1 FROM visits WHERE at > ?2 AND hold IS NULL`" + `), true
}
`

// module makes a module of one package with its tests, in whose folder the test goes on.
func module(t *testing.T, tests string) {
	t.Helper()
	dir := t.TempDir()
	for file, text := range map[string]string{"go.mod": "module gate\n\ngo 1.26\n", "gate.go": source,
		"gate_test.go": "package gate\n\nimport \"testing\"\n\n" + tests} {
		if err := os.WriteFile(filepath.Join(dir, file), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	t.Chdir(dir)
}

// TestMutants has each change that can be made, and none of a table, of a comparison with nil, of a
// constant that only others use, or of a text that is no statement.
func TestMutants(t *testing.T) {
	module(t, "")
	all, err := mutantsIn(".", "")
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, m := range all {
		got = append(got, m.old+"→"+m.new)
		if text := source[m.at : m.at+len(m.old)]; text != m.old || m.line != 1+strings.Count(source[:m.at], "\n") {
			t.Errorf("%s at %d of line %d is %q", m, m.at, m.line, text)
		}
	}
	if want := []string{"30→31", "30→29", "||→&&", "&&→||", "!→", "<→<=", "!=→==", ">→>=", "AND→OR",
		"IS NULL→IS NOT NULL"}; !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
	if none, err := mutantsIn(".", "other.go"); err != nil || len(none) > 0 {
		t.Errorf("of a file that is not there: %v, %v", none, err)
	}
}

// TestJudge has tests that see the moments before and at a bound notice it, those that see one of them not, and a
// change that can't be built is none. A test that fails by itself judges nothing.
func TestJudge(t *testing.T) {
	if _, err := exec.LookPath("go"); err != nil {
		t.Skip("SKIPPED: there is no go command to build with")
	}
	for tests, want := range map[string]bool{
		"func TestOpen(t *testing.T) {\n\tif _, ok := Open(30, new(string)); ok {\n\t\tt.Error()\n\t}\n}": true,
		"func TestOpen(t *testing.T) {\n\tif _, ok := Open(99, new(string)); ok {\n\t\tt.Error()\n\t}\n}\n\n" +
			"func TestWrong(t *testing.T) {\n\tOpen(1, nil)\n\tt.Error()\n}\n\n" +
			"func TestElse(t *testing.T) {}": false,
	} {
		module(t, tests)
		j, err := newJudge(t.Context(), t.TempDir(), ".")
		if err != nil {
			t.Fatal(err)
		}
		all, err := mutantsIn(".", "gate.go")
		if err != nil {
			t.Fatal(err)
		}
		i := slices.IndexFunc(all, func(m mutant) bool { return m.old == "<" })
		if built, noticed, err := j.judge(t.Context(), all[i]); !built || noticed != want || err != nil {
			t.Errorf("%s: built %v, noticed %v, %v", tests, built, noticed, err)
		}
		senselessly := all[i]
		senselessly.new = "<<<"
		if built, noticed, err := j.judge(t.Context(), senselessly); built || noticed || err != nil {
			t.Errorf("what can't be built: %v, %v, %v", built, noticed, err)
		}
	}
	if text, err := os.ReadFile("gate.go"); err != nil || string(text) != source {
		t.Errorf("the file was touched: %v", err)
	}
}
