// Package python lets tests ask Python's libraries for a second opinion. Only
// tests import it.
package python

import (
	"bytes"
	"encoding/json"
	"os/exec"
	"slices"
	"testing"
)

// With returns the first Python that has the module, and skips the test aloud where
// none has: `make test` installs the modules on Debian.
func With(t testing.TB, module string) (path string) {
	t.Helper()
	// The machine's own Python sees Debian's packages; another one may stand
	// before it on the path.
	pythons := []string{"python3", "/usr/bin/python3"}
	i := slices.IndexFunc(pythons, func(python string) bool {
		return exec.Command(python, "-c", "import "+module).Run() == nil
	})
	if i < 0 {
		t.Skipf("SKIPPED: no Python here has the module %s, so nothing was checked against it", module)
	}
	return pythons[i]
}

// Ask runs the program in the first Python that has the module, as [With] has it. The
// program reads the question as JSON from its standard input and writes the
// answer as JSON to its standard output.
func Ask(t testing.TB, module, program string, question, answer any) {
	t.Helper()
	path := With(t, module)
	in, err := json.Marshal(question)
	if err != nil {
		t.Fatal("asking Python: ", err)
	}
	cmd := exec.CommandContext(t.Context(), path, "-c", program)
	var complaint bytes.Buffer
	cmd.Stdin, cmd.Stderr = bytes.NewReader(in), &complaint
	out, err := cmd.Output()
	if err == nil {
		err = json.Unmarshal(out, answer)
	}
	if err != nil {
		t.Fatalf("asking Python: %v\n%s", err, complaint.Bytes())
	}
}
