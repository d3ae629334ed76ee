package backup

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// SHA256SUMS names the database, the salt and every still with the SHA-256 that
// Go's crypto/sha256 makes of the archive's files.
func TestSums(t *testing.T) {
	t.Parallel()
	a, c, _ := furnished(t)
	dir := t.TempDir()
	r := mustBackup(t, a, dir, Options{})
	var want []string
	list := func(path, name string) {
		data, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		want = append(want, fmt.Sprintf("%x  %s", sha256.Sum256(data), name))
	}
	for _, file := range filesIn(t, a.Dir(), stillsDir) {
		list(filepath.Join(a.Dir(), file), file)
	}
	pieces, spares := databasePieces(t, dir)
	for _, piece := range append(pieces, spares...) { // one group, whose spare piece is its last
		list(piece, strings.TrimPrefix(piece, dir+"/"))
	}
	list(filepath.Join(a.Dir(), saltFile), snapshotsDir+"/"+r.Snapshot+"/"+saltFile)
	var got []string
	err := readList(newest(t, dir, sumsFile), func(line string) error {
		if !strings.HasPrefix(line, "#") {
			got = append(got, line)
		}
		return nil
	})
	if err != nil || !slices.Equal(got, want) {
		t.Errorf("got %q, want %q; %v", got, want, err)
	}
	if r.Snapshot != "000001."+c.Now().Format(snapshotTime) {
		t.Errorf("snapshot %s, made at %v", r.Snapshot, c.Now())
	}
}

// A list is untrusted until its end: whatever it holds, it is read to its end or
// refused, and names nothing outside the folder.
func FuzzReadList(f *testing.F) {
	text := "4ab8  stills/5L/5LFBK5BM556LZWMKQIWSOCCSXS.still\n440a  snapshots/000001.20310504T183300Z/archive.db\n"
	f.Add(fmt.Sprintf("%s# end %x\n", text, sha256.Sum256([]byte(text))))
	f.Add(text)
	f.Add("440a  snapshots/000001.20310504T183300Z/../../archive.db\n")
	f.Add("# database 5 af\n440a  pieces/../../../archive.db\n# spare\n440a  pieces/00/00.piece\n")
	f.Fuzz(func(t *testing.T, text string) {
		dir := t.TempDir()
		s := snapshot{dir: filepath.Join(dir, snapshotsDir, "000001.20310504T183300Z"), name: "000001.20310504T183300Z"}
		err := os.MkdirAll(s.dir, 0o700)
		for _, ended := range []string{text, fmt.Sprintf("%s\n# end %x\n", text, sha256.Sum256([]byte(text+"\n")))} {
			must(t, errors.Join(err, os.WriteFile(filepath.Join(s.dir, sumsFile), []byte(ended), 0o600)))
			m, err := (&folder{dir: dir}).checkOwnFiles(s)
			if err == nil {
				t.Errorf("a list of files that are not there: %+v", m)
			}
			if !errors.Is(err, ErrDamaged) {
				t.Errorf("error %v of %q", err, ended)
			}
		}
	})
}
