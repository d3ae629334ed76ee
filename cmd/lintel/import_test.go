package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"lintel/pipeline/folder"
)

// TestImport brings a folder in as a household does: it looks what would come of it,
// does it, and does it again.
func TestImport(t *testing.T) {
	dir := t.TempDir()
	data, keyFile, stills := filepath.Join(dir, "data"), filepath.Join(dir, "key"), filepath.Join(dir, "stills")
	says := func(status int, want string, args ...string) string {
		t.Helper()
		got, out, complaint := lintelAt(t, append(args, "--data", data, "--key", keyFile)...)
		if got != status || !strings.Contains(out+complaint, want) {
			t.Errorf("%v: status %d, %q %q, want %d and %q", args, got, out, complaint, status, want)
		}
		return out
	}
	report := func(args ...string) (r folder.Report) {
		t.Helper()
		out := says(exitRight, "", append([]string{"import", stills, "--bell", "front", "--json"}, args...)...)
		if err := json.Unmarshal([]byte(out), &r); err != nil {
			t.Fatal(err)
		}
		return r
	}
	if err := os.Mkdir(stills, 0o700); err != nil {
		t.Fatal(err)
	}
	picture := aVisitor().JPEG(85)
	yesterday := time.Now().Add(-24 * time.Hour)
	for name, body := range map[string][]byte{"a.jpg": picture, "b.jpg": append(picture[:len(picture):len(picture)], 0),
		"c.heic": []byte("\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic"), "notes.txt": []byte("none")} {
		path := filepath.Join(stills, name)
		if err := os.WriteFile(path, body, 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.Chtimes(path, yesterday, yesterday); err != nil {
			t.Fatal(err)
		}
	}
	says(exitFailed, "no archive", "import", stills, "--bell", "front")
	says(exitRight, "", "bell", "add", "front")
	says(exitUsage, "pattern of names", "import", stills, "--bell", "front", "--names", "(?P<who>a)")
	says(exitFailed, "no bell", "import", stills, "--bell", "back")
	if r := report("--dry-run"); r.Files != 3 || r.Kept != 2 || r.Refused[folder.HEIC] != 1 {
		t.Errorf("would be %+v", r)
	}
	if r := report(); r.Kept != 2 || r.Rings != 1 || r.Known != 0 || !r.First.Equal(r.Last) {
		t.Errorf("%+v", r)
	}
	if r := report(); r.Kept != 0 || r.Known != 2 {
		t.Errorf("again: %+v", r)
	}
	says(exitRight, "", "bell", "rename", "front", "By the pump")
	says(exitRight, "HEIC, HEIF or AVIF, to be converted to JPEG: 1", "import", stills, "--bell", "by the pump")
	if r := report(); r.Known != 2 {
		t.Errorf("by the address that stays: %+v", r)
	}
}

// TestWatchFlags has wrong words said before anything is opened.
func TestWatchFlags(t *testing.T) {
	for want, args := range map[string][]string{
		"pattern of names":               {"--watch", "front=x", "--watch-names", "front=("},
		"no folder of that bell":         {"--watch", "front=x", "--watch-names", "back=a"},
		"--watch-every is 100ms or more": {"--watch-every", "1ms"},
	} {
		got, out, complaint := lintelAt(t, append([]string{"serve", "--data", t.TempDir()}, args...)...)
		if got != exitUsage || !strings.Contains(complaint, want) {
			t.Errorf("%v: status %d, %q %q, want %q", args, got, out, complaint, want)
		}
	}
}
