package main

import (
	"encoding/json"
	"path/filepath"
	"strings"
	"testing"

	"lintel/store"
)

// TestPersonWithdraw withdraws a consent from the command line.
func TestPersonWithdraw(t *testing.T) {
	dir := t.TempDir()
	t.Setenv("XDG_CONFIG_HOME", filepath.Join(dir, "config"))
	t.Setenv("CREDENTIALS_DIRECTORY", "")
	at := func(args ...string) (status int, said string) {
		t.Helper()
		status, out, err := lintelAt(t, append(args, "--data", filepath.Join(dir, "data"))...)
		return status, out + err
	}
	for _, step := range []struct {
		args   []string
		status int
		says   string
	}{
		{[]string{"person", "add", "Ada Quill", "--consent-by", "Ada Quill"}, exitRight, "Ada Quill"},
		{[]string{"person", "withdraw", "Ada Quill"}, exitRight, "References deleted: 0. Visits that named them and no " +
			"longer do: 0."},
		{[]string{"person", "list"}, exitRight, "no consent"},
		{[]string{"person", "withdraw", "Ada Quill"}, exitFailed, "no consent"},
		{[]string{"person", "withdraw", "Bo Tansy"}, exitFailed, "not found"},
		{[]string{"person", "add", "Bo Tansy", "--consent-by", "Bo Tansy"}, exitRight, "Bo Tansy"},
	} {
		if status, said := at(step.args...); status != step.status || !strings.Contains(said, step.says) {
			t.Errorf("%q: status %d, %q", step.args, status, said)
		}
	}
	var e store.Erased
	if status, said := at("person", "withdraw", "Bo Tansy", "--json"); status != exitRight ||
		json.Unmarshal([]byte(said), &e) != nil || e != (store.Erased{}) {
		t.Errorf("as JSON: %d, %q", status, said)
	}
}
