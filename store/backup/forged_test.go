package backup

import (
	"crypto/sha256"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// A list of erasures that somebody shortened, added to or put back, each with the
// SHA-256 that it should end with, is found before anything is restored; and the
// next backup writes what is right, with what was removed from the archive too.
func TestForgedErasures(t *testing.T) {
	for name, forge := range map[string]func(lines []string, earlier string) string{
		"shortened": func(lines []string, _ string) string { return strings.Join(lines[1:], "") },
		"one added": func(lines []string, _ string) string {
			return "visit MADEUP 2031-05-04T18:30:00Z\n" + all(lines)
		},
		"not authentic":  func(lines []string, _ string) string { return all(lines[:len(lines)-1]) },
		"as it once was": func(_ []string, earlier string) string { return earlier },
	} {
		t.Run(name, func(t *testing.T) {
			a, c, visits := furnished(t)
			dir := t.TempDir()
			list := filepath.Join(dir, erasuresFile)
			must(t, a.EraseVisit(t.Context(), visits[1]))
			mustBackup(t, a, dir, Options{})
			earlier, _ := linesOf(t, list)
			c.Advance(time.Hour)
			must(t, a.EraseVisit(t.Context(), visits[2]))
			mustBackup(t, a, dir, Options{})
			lines, _ := linesOf(t, list)

			text := forge(lines, all(earlier))
			must(t, os.WriteFile(list, fmt.Appendf([]byte(text), "%s%x\n", endMark, sha256.Sum256([]byte(text))), 0o600))
			o := RestoreOptions{Key: keyOf(testKey), RespectErasures: true, Now: c.Now}
			_, err := Restore(t.Context(), dir, filepath.Join(t.TempDir(), "data"), o)
			wantError(t, err, ErrForgedErasures)

			mustBackup(t, a, dir, Options{})
			if _, err := Restore(t.Context(), dir, filepath.Join(t.TempDir(), "data"), o); err != nil {
				t.Errorf("after another backup: %v", err)
			}
		})
	}
}

// What was removed from the archive's list of erasures stays in the backups'.
func TestRemovedErasuresStayInTheBackup(t *testing.T) {
	a, c, visits := furnished(t)
	dir := t.TempDir()
	must(t, a.EraseVisit(t.Context(), visits[1]))
	mustBackup(t, a, dir, Options{})
	if _, err := database(t, a.Dir()).Exec(`DELETE FROM erasures`); err != nil {
		t.Fatal(err)
	}
	c.Advance(time.Hour)
	mustBackup(t, a, dir, Options{})
	if lines, _ := linesOf(t, filepath.Join(dir, erasuresFile)); !strings.Contains(all(lines), visits[1]) {
		t.Errorf("the list: %q", lines)
	}
	must(t, a.Close())
}

func all(lines []string) string { return strings.Join(lines, "") }

// linesOf returns the lines of a list, and its last one apart.
func linesOf(t *testing.T, name string) (lines []string, end string) {
	t.Helper()
	data, err := os.ReadFile(name)
	must(t, err)
	lines = strings.SplitAfter(strings.TrimSuffix(string(data), "\n"), "\n")
	return lines[:len(lines)-1], lines[len(lines)-1]
}
