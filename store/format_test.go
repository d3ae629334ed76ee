package store

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"lintel/internal/house"
	"lintel/store/seal"
)

// readSays is what the reader in FORMAT.md says of an archive.
type readSays struct {
	Persons map[string]struct {
		Name     string
		Consents []struct {
			GivenBy string `json:"given_by"`
			Scope   string
		}
	}
	Visits map[string]struct {
		Bell, Ring string
		ReceivedAt string `json:"received_at"`
		Stills     map[string]*string
		Persons    []string
	}
	Trail, Problems []string
}

// formatReader writes the reader that stands in FORMAT.md, and a key file.
func formatReader(t *testing.T) (script, key string) {
	t.Helper()
	page, err := os.ReadFile("FORMAT.md")
	must(t, err)
	_, after, found := bytes.Cut(page, []byte("```python\n"))
	program, _, closed := bytes.Cut(after, []byte("```\n"))
	if !found || !closed {
		t.Fatal("FORMAT.md has no reader")
	}
	dir := t.TempDir()
	script, key = filepath.Join(dir, "read.py"), filepath.Join(dir, "KEY")
	must(t, errors.Join(os.WriteFile(script, program, 0o600), seal.WriteKey(key, testKey)))
	return script, key
}

// readByPage runs the reader on a folder, and returns where it wrote the pictures.
func readByPage(t *testing.T, script, key, dir string) (says readSays, pictures string, whole bool) {
	t.Helper()
	if exec.Command("python3", "-c", "import cryptography").Run() != nil {
		t.Skip("SKIPPED, python3 with its package cryptography is not here")
	}
	pictures = filepath.Join(t.TempDir(), "pictures")
	cmd := exec.Command("python3", script, dir, key, pictures)
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if e := json.Unmarshal(out, &says); e != nil {
		t.Fatalf("the reader said %q and %s: %v, %v", out, &stderr, err, e)
	}
	return says, pictures, err == nil
}

// Whoever has FORMAT.md reads an archive without Lintel: its reader, which shares
// nothing with this module, finds what was put in, byte for byte.
//
// Outside: Python's sqlite3 and hashlib, and AES-GCM and HKDF of its package cryptography.
func TestFormatIsEnough(t *testing.T) {
	a, _, visits := newHousehold(t)
	ctx := t.Context()
	persons, err := a.Persons(ctx)
	must(t, err)
	trail, err := a.Trail(ctx, 0, 1000)
	must(t, err)
	wanted := make([]house.Visit, len(visits))
	for i, id := range visits {
		wanted[i], err = a.Visit(ctx, id)
		must(t, err)
	}
	must(t, a.Close())
	script, key := formatReader(t)
	says, pictures, whole := readByPage(t, script, key, a.dir)
	if !whole || len(says.Problems) > 0 || len(says.Visits) != len(visits) || len(says.Persons) != len(persons) {
		t.Fatalf("whole %v: %+v", whole, says)
	}
	for i, v := range wanted {
		got := says.Visits[v.ID]
		if got.Bell != "gate" || got.Ring != stillOf("r"+string(rune('0'+i)), 0).Ring ||
			got.ReceivedAt != v.ReceivedAt.Format("2006-01-02T15:04:05.000000Z") || len(got.Stills) != 1 {
			t.Errorf("visit %s: %+v", v.ID, got)
		}
		want := stillOf(got.Ring, 0).JPEG
		sum := sha256.Sum256(want)
		picture, err := os.ReadFile(filepath.Join(pictures, v.ID+"-0.jpg"))
		if err != nil || !bytes.Equal(picture, want) || *got.Stills["0"] != hex.EncodeToString(sum[:]) {
			t.Errorf("still of %s: %q, %v", v.ID, picture, err)
		}
	}
	for _, p := range persons {
		got := says.Persons[p.ID]
		if got.Name != p.Name || len(got.Consents) != 1 || got.Consents[0].GivenBy != p.Consent.GivenBy ||
			got.Consents[0].Scope != p.Consent.Scope {
			t.Errorf("person %s: %+v, want %+v", p.ID, got, p)
		}
	}
	last := says.Visits[visits[len(visits)-1]].Persons
	if len(last) != 1 || says.Persons[last[0]].Name != "Tamsin Quill" {
		t.Errorf("the last visit names %q", last)
	}
	if len(says.Trail) != len(trail) {
		t.Fatalf("%d entries of the trail, want %d", len(says.Trail), len(trail))
	}
	for i, line := range says.Trail {
		if want := trail[len(trail)-1-i]; line+"\n" != want.Text() {
			t.Errorf("entry %q, want %q", line, want.Text())
		}
	}
}

// The reader in FORMAT.md says what was changed or erased, and reads the rest.
func TestFormatReaderTells(t *testing.T) {
	for name, test := range map[string]struct {
		harm func(t *testing.T, a *Archive, file string)
		want string
	}{
		"a still": {func(t *testing.T, a *Archive, file string) {
			data, err := os.ReadFile(a.stillPath(file))
			must(t, err)
			data[len(data)-1] ^= 1
			must(t, os.WriteFile(a.stillPath(file), data, 0o600))
		}, "still FILE: InvalidTag"},
		"a slot": {func(t *testing.T, a *Archive, file string) {
			var slot int64
			must(t, outsider(t, a).QueryRow(`SELECT slot FROM stills WHERE file = ?`, file).Scan(&slot))
			must(t, a.keys.Clear(slot&(1<<32-1)))
		}, "still FILE: InvalidTag"},
		"an entry": {func(t *testing.T, a *Archive, _ string) {
			must(t, second(outsider(t, a).Exec(`DROP TRIGGER audit_is_not_cut; DELETE FROM audit WHERE seq = 2`)))
		}, "audit trail, entry 3: not the one that was written after entry 1"},
		"the end": {func(t *testing.T, a *Archive, _ string) {
			must(t, second(outsider(t, a).Exec(`DROP TRIGGER audit_is_not_cut;
				DELETE FROM audit WHERE seq = (SELECT max(seq) FROM audit)`)))
		}, "audit trail: its end is missing"},
	} {
		t.Run(name, func(t *testing.T) {
			a, c := newArchive(t)
			v, err := a.Visit(t.Context(), keep(t, a, stillOf("r1", 0)))
			must(t, err)
			must(t, second(a.AddConsenting(t.Context(), "Odo Fenwright",
				house.Consent{GivenBy: "himself", GivenAt: c.Now(), Scope: "the gate"})))
			must(t, a.Note(t.Context(), "looked", "visit "+v.ID))
			test.harm(t, a, v.Stills[0].File)
			must(t, a.Close())
			script, key := formatReader(t)
			says, _, whole := readByPage(t, script, key, a.dir)
			want := strings.ReplaceAll(test.want, "FILE", v.Stills[0].File)
			if whole || len(says.Problems) != 1 || says.Problems[0] != want || len(says.Persons) != 1 {
				t.Errorf("whole %v: %+v, want %q", whole, says, want)
			}
		})
	}
}

// The example of FORMAT.md opens as the page says; its values were sealed by Python's
// package cryptography.
func TestFormatExample(t *testing.T) {
	page, err := os.ReadFile("FORMAT.md")
	must(t, err)
	var values [][]byte
	for _, found := range regexp.MustCompile("\\| `([0-9a-f]{40,})` \\|").FindAllSubmatch(page, -1) {
		value, err := hex.DecodeString(string(found[1]))
		must(t, err)
		values = append(values, value)
	}
	if len(values) != 5 {
		t.Fatalf("%d values", len(values))
	}
	a, _ := newArchive(t)
	names, _, err := schemaOf(t.Context(), a.read)
	must(t, err)
	for _, says := range []string{fmt.Sprintf("`application_id` is %d,", applicationID),
		fmt.Sprintf("from schema %d on", 1+slices.Index(names, namesScript))} {
		if !bytes.Contains(page, []byte(says)) {
			t.Errorf("it does not say %q", says)
		}
	}
	for _, k := range keyedTables {
		for _, column := range k.columns {
			if !bytes.Contains(page, []byte("`"+k.table+"."+column+"`")) {
				t.Errorf("it does not say that %s.%s has a key of its own", k.table, column)
			}
		}
	}
	seals, err := seal.NewSealer(seal.Key(bytes.Repeat([]byte{7}, seal.KeySize)))
	must(t, err)
	gate, err := seals.OpenValue(values[2], "bells.name", "EXAMPLE")
	if err != nil || string(gate) != "gate" {
		t.Errorf("%q, %v", gate, err)
	}
	key, err := seals.Unwrap(values[3][4:], slotPlace(72623859706101765)...)
	if err != nil || key != seal.Key(bytes.Repeat([]byte{9}, seal.KeySize)) {
		t.Errorf("the data key: %v", err)
	}
	name, err := key.Open(values[4][slotPrefix:], "persons.name", "EXAMPLE")
	if err != nil || string(name) != "Tamsin Quill" {
		t.Errorf("%q, %v", name, err)
	}
}
