package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// A variable that is set to nothing is told of by its name, and nothing is done; one
// of another command, or in whose place a flag is given, is let be.
func TestEmptied(t *testing.T) {
	picture := filepath.Join(t.TempDir(), "still.jpg")
	if err := os.WriteFile(picture, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, test := range []struct {
		name string
		args []string
		says bool
	}{
		{"LINTEL_KEY", []string{"bell", "add", "front"}, true},
		{"LINTEL_DATA", []string{"bell", "list"}, true},
		{"LINTEL_PASSPHRASE_FILE", []string{"bell", "add", "front"}, true},
		{"LINTEL_BELL_SECRET", []string{"ring", picture}, true},
		{"LINTEL_BELL_SECRET", []string{"ring", picture, "--secret", "x", "--server", "http://127.0.0.1:1", "--patience", "0s"}, false},
		{"LINTEL_BELL_SECRET", []string{"bell", "add", "front"}, false},
		{"LINTEL_KEY", []string{"bell", "add", "front", "--key", filepath.Join(t.TempDir(), "key")}, false},
	} {
		t.Run(test.name+" "+test.args[0], func(t *testing.T) {
			data := filepath.Join(t.TempDir(), "data")
			t.Setenv("XDG_CONFIG_HOME", t.TempDir())
			t.Setenv("LINTEL_DATA", data)
			t.Setenv(test.name, "")
			status, out, complaint := lintelAt(t, test.args...)
			if says := strings.Contains(complaint, test.name+" is set, but to nothing"); says != test.says {
				t.Errorf("status %d, says %q", status, complaint)
			}
			if _, err := os.Stat(data); test.says && (status != exitUsage || out != "" || err == nil) {
				t.Errorf("status %d, %q, and the archive: %v", status, out, err)
			}
		})
	}
}
