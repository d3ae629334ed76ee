package main

import (
	"archive/zip"
	"bytes"
	"encoding/json"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"filippo.io/age"
	"github.com/chromedp/chromedp"
	"github.com/disintegration/imaging"

	"lintel/internal/house"
	"lintel/pipeline/export"
	"lintel/pipeline/match"
	"lintel/pipeline/redact"
	"lintel/store"
	"lintel/store/seal"
)

// exportHouse makes an archive with a person who rang, once in company, and
// returns the flags that name it. The picture is a drawing.
func exportHouse(t *testing.T) []string {
	t.Helper()
	dir := t.TempDir()
	data, keyFile, key := filepath.Join(dir, "data"), filepath.Join(dir, "key"), seal.NewKey()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	must(seal.WriteKey(keyFile, key))
	now := time.Now()
	a, err := store.Open(t.Context(), data, key, time.Now)
	must(err)
	defer a.Close()
	_, err = a.AddBell(t.Context(), "front")
	must(err)
	ada, err := a.AddPerson(t.Context(), "Ada Quill")
	must(err)
	must(a.RecordConsent(t.Context(), ada.ID, house.Consent{GivenBy: "Ada Quill", GivenAt: now.Add(-72 * time.Hour),
		Scope: "Recognising my face at the door."}))
	must(a.AddReference(t.Context(), house.Reference{Person: ada.ID, FaceWidth: 311,
		Descriptor: house.Descriptor{0: .125}}))
	drawing := aVisitor().Image
	crowd := image.NewRGBA(drawing.Rect)
	draw.Draw(crowd, crowd.Rect, drawing, image.Point{}, draw.Src)
	second := image.Rect(940, 420, 1060, 540)
	draw.Draw(crowd, second, image.NewUniform(color.RGBA{200, 150, 110, 255}), image.Point{}, draw.Src)
	own := house.Face{Box: aVisitor().Truth[0].Box, Descriptor: house.Descriptor{0: .5}}
	own.Match = &house.Match{Person: ada.ID, Distance: 0.31, FPIR: match.FPIR(0.31, 6),
		Band: string(match.BandOf(0.31, 6))}
	weak := own
	weak.Match = &house.Match{Person: ada.ID, Distance: 0.53, FPIR: match.FPIR(0.53, 6), Band: "weak"}
	for i, v := range []struct {
		picture image.Image
		faces   []house.Face
		state   house.StillState
	}{
		{drawing, []house.Face{own}, house.Done},
		{crowd, []house.Face{weak, {Box: second}}, house.Done},
		{crowd, nil, house.Failed}, // of the same visit
	} {
		jpeg, err := redact.Encode(imaging.Clone(v.picture))
		must(err)
		visit, _, err := a.Keep(t.Context(), house.NewStill{
			Bell: "front", Ring: fmt.Sprint("ring-", min(i, 1)), Frame: i / 2, JPEG: jpeg, Width: 1280, Height: 1024,
			ReceivedAt: now.Add(time.Duration(i-2) * time.Hour),
		})
		must(err)
		kept, err := a.Visit(t.Context(), visit)
		must(err)
		must(a.Record(t.Context(), kept.Stills[i/2].ID, v.state, v.faces))
		if i == 1 {
			must(a.PlaceHold(t.Context(), visit, "A flower pot broke; the insurer asks.", now.AddDate(0, 2, 0)))
			must(a.Note(house.By(t.Context(), "tablet HALLWAY"), "looked", "visit "+visit))
		}
	}
	return []string{"--data", data, "--key", keyFile}
}

func lintel(t *testing.T, args ...string) (status int, stdout, stderr string) {
	t.Helper()
	var out, err bytes.Buffer
	status = run(t.Context(), args, &out, &err)
	return status, out.String(), err.String()
}

func zipOf(t *testing.T, data []byte) []string {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, f := range z.File {
		names = append(names, f.Name)
	}
	return names
}

func TestExportCommand(t *testing.T) {
	house := exportHouse(t)
	dir := t.TempDir()
	file := filepath.Join(dir, "ada.zip")
	args := append([]string{"export", "Ada Quill"}, house...)

	status, out, stderr := lintel(t, append(args, "--out", file, "--json")...)
	var sum export.Summary
	if err := json.Unmarshal([]byte(out), &sum); status != exitRight || err != nil ||
		!strings.Contains(stderr, "not encrypted") {
		t.Fatalf("status %d, %v: %s%s", status, err, out, stderr)
	}
	if want := (export.Summary{Visits: 2, Stills: 2, Blurred: 1, Withheld: 1}); sum != want {
		t.Errorf("%+v, want %+v", sum, want)
	}
	made, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if names := zipOf(t, made); len(names) != 5 { // two stills, the page, the JSON and the sums
		t.Errorf("it has %q", names)
	}
	if info, err := os.Stat(file); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("%v, %v", info.Mode(), err)
	}

	if status, _, stderr := lintel(t, append(args, "--out", file)...); status != exitFailed ||
		!strings.Contains(stderr, "left as it is") {
		t.Errorf("onto a file that is there: status %d, %s", status, stderr)
	}
	if now, err := os.ReadFile(file); err != nil || !bytes.Equal(now, made) {
		t.Errorf("the file that was there is another, %v", err)
	}

	status, out, stderr = lintel(t, append(args, "--out", "-")...)
	if status != exitRight || !strings.Contains(stderr, "Visits: 2. Stills: 2, with 1 faces") {
		t.Errorf("to standard output: status %d, %s", status, stderr)
	}
	zipOf(t, []byte(out))

	refuseExports(t, house, dir, args)
	if left, err := os.ReadDir(dir); err != nil || len(left) != 1 {
		t.Errorf("%v, %v", left, err)
	}
}

// refuseExports tries what is no export.
func refuseExports(t *testing.T, house []string, dir string, args []string) {
	t.Helper()
	for name, c := range map[string]struct {
		args   []string
		status int
		says   string
	}{
		"nobody": {append([]string{"export", "Nobody", "--out", filepath.Join(dir, "1")}, house...), exitFailed,
			"not found"},
		"no file": {args, exitUsage, "--out"},
		"bad recipient": {append(args, "--out", filepath.Join(dir, "2"), "--recipient", "age1nonsense"), exitUsage,
			"no age recipient"},
		"empty recipient": {append(args, "--out", filepath.Join(dir, "3"), "--recipient", ""), exitUsage,
			"no age recipient"},
		"no such folder": {append(args, "--out", filepath.Join(dir, "none", "4")), exitFailed, "no such file"},
	} {
		if status, out, stderr := lintel(t, c.args...); status != c.status || !strings.Contains(stderr, c.says) ||
			out != "" {
			t.Errorf("%s: status %d, %s%s", name, status, out, stderr)
		}
	}
}

func TestExportCommandEncrypts(t *testing.T) {
	house := exportHouse(t)
	args := append([]string{"export", "Ada Quill", "--out", "-"}, house...)
	var identities []age.Identity
	for range 2 {
		id, err := age.GenerateX25519Identity()
		if err != nil {
			t.Fatal(err)
		}
		identities = append(identities, id)
		args = append(args, "--recipient", id.Recipient().String())
	}
	status, out, stderr := lintel(t, args...)
	if status != exitRight || strings.Contains(stderr, "not encrypted") {
		t.Fatalf("status %d: %s", status, stderr)
	}
	for _, id := range identities {
		r, err := age.Decrypt(strings.NewReader(out), id)
		if err != nil {
			t.Fatal(err)
		}
		data, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		zipOf(t, data)
	}
}

// A file that can't be made whole is not there at all.
func TestNewFile(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "new")
	err := newFile(path, func(w io.Writer) error {
		io.WriteString(w, "half")
		return io.ErrShortWrite
	})
	if left, _ := os.ReadDir(dir); err == nil || len(left) != 0 {
		t.Errorf("%v, and there is %v", err, left)
	}
	err = newFile(path, func(w io.Writer) error {
		io.WriteString(w, "whole")
		return os.WriteFile(path, []byte("another's"), 0o600) // who is quicker
	})
	if left, _ := os.ReadDir(dir); err == nil || len(left) != 1 {
		t.Errorf("%v, and there is %v", err, left)
	}
	if data, err := os.ReadFile(path); err != nil || string(data) != "another's" {
		t.Errorf("%q, %v", data, err)
	}
}

// TestExportPage opens an export's page in a browser, from its files: its
// stills show, it is no wider than the screen, and nothing comes from elsewhere.
func TestExportPage(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "ada.zip")
	if status, _, stderr := lintel(t, append([]string{"export", "Ada Quill", "--out", file},
		exportHouse(t)...)...); status != exitRight {
		t.Fatal(stderr)
	}
	z, err := zip.OpenReader(file)
	if err != nil {
		t.Fatal(err)
	}
	defer z.Close()
	if err := os.CopyFS(filepath.Join(dir, "ada"), z); err != nil {
		t.Fatal(err)
	}
	for _, width := range []int{1280, 400} {
		browser := newBrowser(t, width, 900)
		do(t, browser, chromedp.Navigate("file://"+filepath.Join(dir, "ada", "index.html")))
		see(t, browser, "h1", "What is held of Ada Quill")
		if shown := do(t, browser,
			chromedp.Evaluate[int](`[...document.images].filter(i => i.naturalWidth == 1280).length`)); shown != 2 {
			t.Errorf("at %d: %d stills are shown, want 2", width, shown)
		}
		if do(t, browser, chromedp.Evaluate[bool](`document.documentElement.scrollWidth > innerWidth`)) {
			t.Errorf("at %d: the page is wider than the screen", width)
		}
		elsewhere := do(t, browser, chromedp.Evaluate[[]string](`performance.getEntriesByType("resource").map(e => `+
			`e.name).filter(n => !n.startsWith("file:"))`))
		if len(elsewhere) > 0 {
			t.Errorf("at %d: loaded from elsewhere: %q", width, elsewhere)
		}
		if *screenshots != "" {
			png := do(t, browser, chromedp.FullScreenshot(100))
			if err := os.WriteFile(filepath.Join(*screenshots, fmt.Sprintf("export-%d.png", width)), png, 0o644); err != nil {
				t.Fatal(err)
			}
			pdf := do(t, browser, chromedp.PrintToPDF(chromedp.PDFPreferCSSPageSize()))
			if err := os.WriteFile(filepath.Join(*screenshots, "export.pdf"), pdf, 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
}
