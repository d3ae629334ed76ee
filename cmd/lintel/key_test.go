package main

import (
	"bytes"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// lintelAt runs a command line and returns its status and what it said.
func lintelAt(t *testing.T, args ...string) (status int, stdout, stderr string) {
	t.Helper()
	var out, err bytes.Buffer
	status = run(t.Context(), args, &out, &err)
	return status, out.String(), err.String()
}

func TestMasterKey(t *testing.T) {
	dir := t.TempDir()
	t.Setenv("XDG_CONFIG_HOME", filepath.Join(dir, "config"))
	t.Setenv("CREDENTIALS_DIRECTORY", "")
	data, usual := filepath.Join(dir, "data"), filepath.Join(dir, "config", "lintel", "master.key")
	write := func(name, content string) string {
		t.Helper()
		path := filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	move := func(from, to string) {
		t.Helper()
		if err := os.Rename(from, to); err != nil {
			t.Fatal(err)
		}
	}

	status, secret, said := lintelAt(t, "bell", "add", "front", "--data", data)
	if status != exitRight || len(strings.TrimSpace(secret)) != 26 || !strings.Contains(said, usual) {
		t.Fatalf("the first command ended with %d: %q %q", status, secret, said)
	}
	if info, err := os.Stat(usual); err != nil || info.Mode().Perm() != 0o600 {
		t.Fatalf("the key file: %v, %v", info, err)
	}

	other := write("other.key", "")
	os.Remove(other)
	if status, _, said := lintelAt(t, "bell", "add", "x", "--data", filepath.Join(dir, "elsewhere"), "--key",
		other); status != exitRight {
		t.Fatal(said)
	}
	before := folderOf(t, data)
	credentials := filepath.Join(dir, "credentials")
	link := filepath.Join(dir, "link")
	if err := os.Symlink(data, link); err != nil {
		t.Fatal(err)
	}
	passphrase := write("passphrase", "eleven quiet lanterns\n")
	for _, c := range []struct {
		name string
		args []string
		want string // "" if the archive opens
	}{
		{"the usual place", nil, ""},
		{"the key of another archive", []string{"--key", other}, "not the archive's"},
		{"no key there", []string{"--key", filepath.Join(dir, "none")}, "The master key is missing"},
		{"not a key", []string{"--key", write("bad.key", "hello")}, "not a master key"},
		{"inside the archive", []string{"--key", filepath.Join(data, "master.key")}, "must not lie in the archive"},
		{"inside by a link", []string{"--key", filepath.Join(link, "master.key")}, "must not lie in the archive"},
		{"a passphrase, for an archive with a key file", []string{"--passphrase-file", passphrase}, "salt"},
	} {
		status, _, said := lintelAt(t, append([]string{"bell", "list", "--data", data}, c.args...)...)
		if c.want == "" && status != exitRight || c.want != "" &&
			(status != exitFailed || !strings.Contains(said, c.want)) {
			t.Errorf("%s: status %d, said %q, want %q", c.name, status, said, c.want)
		}
	}
	if after := folderOf(t, data); after != before {
		t.Errorf("a refused key changed the folder from %s to %s", before, after)
	}

	tryCredential(t, data, usual, move, credentials)

	tryPassphrase(t, dir, write, passphrase)
}

// tryCredential has the key come as a credential.
func tryCredential(t *testing.T, data string, usual string, move func(from string, to string), credentials string) {
	t.Helper()
	// The key comes as a credential; without it nothing takes its place.
	if err := os.Mkdir(credentials, 0o700); err != nil {
		t.Fatal(err)
	}
	move(usual, filepath.Join(credentials, "lintel-key"))
	if status, _, said := lintelAt(t, "bell", "list", "--data", data); status != exitFailed ||
		!strings.Contains(said, "nothing was changed") {
		t.Errorf("with the key gone: status %d, %q", status, said)
	}
	t.Setenv("CREDENTIALS_DIRECTORY", credentials)
	if status, _, said := lintelAt(t, "bell", "list", "--data", data); status != exitRight {
		t.Errorf("with the credential: %q", said)
	}
}

// tryPassphrase opens an archive that was made with a passphrase.
func tryPassphrase(t *testing.T, dir string, write func(name string, content string) string, passphrase string) {
	t.Helper()
	// A passphrase alone opens an archive made with it.
	second := filepath.Join(dir, "second")
	for _, name := range []string{"Ada Quill", "Bo Quill"} {
		if status, _, said := lintelAt(t, "person", "add", name, "--data", second, "--passphrase-file",
			passphrase); status != exitRight {
			t.Fatal(said)
		}
	}
	wrong := write("wrong", "eleven quiet lantern\n")
	if status, _, said := lintelAt(t, "person", "list", "--data", second, "--passphrase-file",
		wrong); status != exitFailed || !strings.Contains(said, "not the archive's") {
		t.Errorf("with a wrong passphrase: status %d, %q", status, said)
	}
	if status, _, _ := lintelAt(t, "person", "list", "--data", second, "--passphrase-file",
		write("short", "secret")); status != exitFailed {
		t.Error("a passphrase of 6 bytes was taken")
	}
}

// folder lists a folder's files with their sizes.
func folderOf(t *testing.T, dir string) string {
	t.Helper()
	var b strings.Builder
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || strings.HasSuffix(path, "-shm") || strings.HasSuffix(path, "-wal") {
			return err // SQLite's own, made and removed at every opening
		}
		info, err := d.Info()
		if err != nil {
			return err
		}
		b.WriteString(path)
		b.WriteByte(' ')
		b.WriteString(info.ModTime().String())
		b.WriteByte('\n')
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return b.String()
}
