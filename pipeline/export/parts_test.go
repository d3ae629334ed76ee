package export

import (
	"bytes"
	"encoding/json"
	"encoding/xml"
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"filippo.io/age"
)

// Nobody else is named, in any file, compressed or not.
func checkNames(t *testing.T, h *household, files map[string][]byte) {
	names, err := h.Names(t.Context())
	h.must(err)
	secret := []string{"ring-alone", "ring-together", "ring-hurt", "ring-of", "bo lark", "morgan"}
	for id, name := range names {
		kind, id, _ := strings.Cut(id, " ")
		if id != h.ada.ID {
			secret = append(secret, strings.ToLower(id))
			if kind != "bell" {
				secret = append(secret, strings.ToLower(name))
			}
		}
	}
	if len(secret) < 6+2+2+2+1 { // names and ids of a person, a resident and a tablet, id of a bell
		t.Fatalf("%d secrets are looked for", len(secret))
	}
	for name, data := range files {
		for _, s := range secret {
			if bytes.Contains(bytes.ToLower(data), []byte(s)) || strings.Contains(strings.ToLower(name), s) {
				t.Errorf("%s has %q", name, s)
			}
		}
	}
	w := readJSON(t, files)
	if hold := w.Visits[1].Hold; hold == nil || hold.Reason != "[somebody else] and [somebody else] say a pot broke" {
		t.Errorf("the hold is %+v", hold)
	}
}

// The page is well-formed XML as well as HTML (encoding/xml is the judge),
// escapes names, shows each still that is there, and leads nowhere else.
func checkPage(t *testing.T, files map[string][]byte) {
	d := xml.NewDecoder(bytes.NewReader(files["index.html"]))
	d.Entity = xml.HTMLEntity
	ids := make(map[string]bool)
	var links, shown []string
	var text strings.Builder
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatalf("index.html: %v", err)
		}
		switch token := token.(type) {
		case xml.CharData:
			text.Write(token)
		case xml.StartElement:
			if strings.EqualFold(token.Name.Local, "script") {
				t.Error("there is a script")
			}
			for _, a := range token.Attr {
				switch {
				case a.Name.Local == "id":
					ids["#"+a.Value] = true
				case a.Name.Local == "href":
					links = append(links, a.Value)
				case a.Name.Local == "src":
					shown = append(shown, a.Value)
				case strings.HasPrefix(a.Name.Local, "on"):
					t.Errorf("there is a script in %s", a.Name.Local)
				}
			}
		}
	}
	for _, l := range append(links, shown...) {
		if _, ok := files[l]; !ok && !ids[l] {
			t.Errorf("%q leads nowhere", l)
		}
	}
	if len(shown) != 5 { // a reference's picture first
		t.Errorf("%d pictures are shown: %q", len(shown), shown)
	}
	if bytes.Contains(files["index.html"], []byte("url(")) || bytes.Contains(files["index.html"], []byte("://")) {
		t.Error("something is loaded from elsewhere")
	}
	words := regexp.MustCompile(`\s+`).ReplaceAllString(text.String(), " ")
	for _, want := range []string{
		"What is held of " + adasName, "Article 15", "Article 7(3)", "Article 17", "Article 77", "local law decides",
		"Sunday 4 May 2031, 18:32:00 CEST, bell “garden-gate”", // two hours ahead of UTC
		"strong match at distance 0.31, 60 pixels wide. Fewer than 1 stranger in 10\u202f000",
		"All of it is deleted on Tuesday 3 June 2031, 18:31:00 CEST. The household’s rule: Known persons are kept 30 days.",
		"The household holds it until Friday 13 June 2031, 18:32:00 CEST. Its reason: [somebody else]",
		"has not been examined yet", "could not be examined", "can’t be decoded", "is lost", "is not as it was written",
		"A residentlooked at a still of a visit", "Somebody at a tabletlooked", "All of it is deleted when the hold ends",
		"the blur covers a part of it", "211 pixels",
	} {
		if !strings.Contains(words, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	if t.Failed() {
		t.Log(words)
	}
}

// Other programs open the zip and find its sums right: Python's zipfile, and
// sha256sum of GNU coreutils.
func checkWithOthers(t *testing.T, h *household) {
	var b bytes.Buffer
	if _, err := h.begin(h).Write(t.Context(), &b); err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	file := filepath.Join(dir, "export.zip")
	h.must(os.WriteFile(file, b.Bytes(), 0o600))
	for name := range unzip(t, b.Bytes()) {
		if !filepath.IsLocal(name) || strings.Trim(name,
			"abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_./") != "" {
			t.Errorf("no file is called %q everywhere", name)
		}
	}
	python, err := exec.LookPath("python3")
	if err != nil {
		t.Skip("SKIPPED: no python3")
	}
	if out, err := exec.Command(python, "-m", "zipfile", "-t", file).CombinedOutput(); err != nil ||
		!bytes.Contains(out, []byte("Done testing")) || bytes.Contains(out, []byte("corrupted")) {
		t.Errorf("zipfile -t: %v\n%s", err, out)
	}
	if out, err := exec.Command(python, "-m", "zipfile", "-e", file, dir).CombinedOutput(); err != nil {
		t.Fatalf("zipfile -e: %v\n%s", err, out)
	}
	check := exec.Command("sha256sum", "--check", "--strict", "SHA256SUMS")
	check.Dir = dir
	out, err := check.CombinedOutput()
	if errors.Is(err, exec.ErrNotFound) {
		t.Skip("SKIPPED: no sha256sum")
	}
	// All files but the list itself.
	if n := len(unzip(t, b.Bytes())) - 1; err != nil || bytes.Count(out, []byte(": OK\n")) != n {
		t.Errorf("sha256sum: %v, want %d right\n%s", err, n, out)
	}
}

// Every field of data.json is explained in it, and nothing that is not there.
func checkMeanings(t *testing.T, files map[string][]byte) {
	explained := make(map[string]bool)
	for _, m := range readJSON(t, files).Meanings {
		explained[m.Field] = true
	}
	var tree any
	if err := json.Unmarshal(files["data.json"], &tree); err != nil {
		t.Fatal(err)
	}
	there := make(map[string]bool)
	var walk func(at string, v any)
	walk = func(at string, v any) {
		there[at] = true
		switch v := v.(type) {
		case map[string]any:
			if strings.HasSuffix(at, "landmarks_px[]") {
				return // a point's x and y
			}
			for name, field := range v {
				walk(strings.TrimPrefix(at+"."+name, "."), field)
			}
		case []any:
			for _, item := range v {
				if _, ok := item.(map[string]any); ok {
					walk(at+"[]", item)
				} else {
					walk(at, item)
				}
			}
		default:
			if !explained[at] {
				t.Errorf("%s is not explained", at)
			}
		}
	}
	walk("", tree)
	for field := range explained {
		sometimes := []string{"withdrawn_at", "smaller_at", "stills_gone_at"}
		if !there[field] && !slices.Contains(sometimes, field[strings.LastIndex(field, ".")+1:]) {
			t.Errorf("%s is explained and not there", field)
		}
	}
}

func checkEncrypted(t *testing.T, h *household) {
	var recipients []age.Recipient
	var identities []age.Identity
	for range 2 {
		id, err := age.GenerateX25519Identity()
		h.must(err)
		identities, recipients = append(identities, id), append(recipients, id.Recipient())
	}
	var b bytes.Buffer
	e := h.begin(h, recipients...)
	_, err := e.Write(t.Context(), &b)
	h.must(err)
	if !strings.HasSuffix(e.FileName(), ".zip.age") || bytes.Contains(b.Bytes(), []byte("index.html")) {
		t.Errorf("%s is not encrypted", e.FileName())
	}
	var opened [][]byte
	for _, id := range identities {
		r, err := age.Decrypt(bytes.NewReader(b.Bytes()), id)
		h.must(err)
		data, err := io.ReadAll(r)
		h.must(err)
		opened = append(opened, data)
	}
	if readJSON(t, unzip(t, opened[0])).Person.Name != adasName || !bytes.Equal(opened[0], opened[1]) {
		t.Error("the recipients get something else")
	}
	stranger, err := age.GenerateX25519Identity()
	h.must(err)
	if _, err := age.Decrypt(bytes.NewReader(b.Bytes()), stranger); err == nil {
		t.Error("a stranger opens it")
	}
}
