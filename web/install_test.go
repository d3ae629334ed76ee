package web

import (
	"bytes"
	"encoding/json"
	"image"
	_ "image/png"
	"io/fs"
	"math"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// TestInstall has a browser find what it needs to put Lintel among a tablet's
// programs, without anybody being signed in: W3C's Web Application Manifest, whose
// icons have the sizes that it says. One of 192 and one of 512 pixels is what
// Chromium wants (its own documentation, from memory). What a maskable icon shows lies
// within 2/5 of its size from the middle, by the manifest's "safe zone".
func TestInstall(t *testing.T) {
	h := newHouse(t)
	h.get("/sign-in").is(200).says(`<link rel="manifest" href="/assets/manifest.webmanifest">`)
	var manifest struct {
		Name, Scope, Display string
		Start                string `json:"start_url"`
		Background           string `json:"background_color"`
		Theme                string `json:"theme_color"`
		Icons                []struct{ Src, Sizes, Type, Purpose string }
	}
	if err := json.Unmarshal(h.get("/assets/manifest.webmanifest").is(200).body, &manifest); err != nil {
		t.Fatal(err)
	}
	if manifest.Name != "Lintel" || manifest.Scope != "/" || manifest.Start != "/" || manifest.Display != "standalone" {
		t.Errorf("%+v", manifest)
	}
	night, _ := looks(t)
	if manifest.Theme != night["ground"] || manifest.Background != night["ground"] {
		t.Errorf("the frame is %s and %s, the page %s", manifest.Theme, manifest.Background, night["ground"])
	}
	found := map[string]bool{}
	for _, icon := range manifest.Icons {
		a := h.get(icon.Src).is(200)
		if got := a.Header.Get("Content-Type"); got != icon.Type {
			t.Errorf("%s is %s", icon.Src, got)
		}
		if icon.Type != "image/png" {
			continue
		}
		picture, _, err := image.Decode(bytes.NewReader(a.body))
		if err != nil {
			t.Fatal(err)
		}
		if found[icon.Purpose+icon.Sizes] = true; strings.Trim(picture.Bounds().Size().String(), "()") !=
			strings.Replace(icon.Sizes, "x", ",", 1) {
			t.Errorf("%s is %v", icon.Src, picture.Bounds())
		}
		checkSafeZone(t, icon.Src, picture)
	}
	for _, want := range []string{"192x192", "512x512", "maskable192x192", "maskable512x512"} {
		if !found[want] {
			t.Errorf("no icon %s", want)
		}
	}
}

// checkSafeZone has nothing but ground outside the circle that is never cut off.
func checkSafeZone(t *testing.T, name string, picture image.Image) {
	t.Helper()
	side, ground := picture.Bounds().Dx(), picture.At(0, 0)
	for y := range side {
		for x := range side {
			far := math.Hypot(float64(x)+.5-float64(side)/2, float64(y)+.5-float64(side)/2) > .4*float64(side)
			if far && picture.At(x, y) != ground {
				t.Fatalf("%s shows something at %d, %d", name, x, y)
			}
		}
	}
}

// TestShellIsLight bounds what a browser loads of style and script, as it is served: for
// all pages together, and so for each. Of each it loads the sheets and scripts that the
// page names, with what those import, and those of every page.
func TestShellIsLight(t *testing.T) {
	const most = 70_000
	files, h := sheetsAndScripts(t), newHouse(t)
	in := h.session(h.resident("Odile"))
	served, all := make(map[string]int), 0
	for name := range files {
		served[name] = len(h.get("/assets/"+name, in).is(200).body)
		all += served[name]
	}
	if t.Logf("all pages load %d bytes", all); all > most {
		t.Errorf("all pages load %d bytes of style and script, over %d", all, most)
	}
	named := regexp.MustCompile(`(?:/assets/|from "\./)([a-z]+\.(?:css|js))"`)
	var load func(text string, loaded map[string]bool)
	load = func(text string, loaded map[string]bool) {
		for _, m := range named.FindAllStringSubmatch(text, -1) {
			if !loaded[m[1]] {
				loaded[m[1]] = true
				load(files[m[1]], loaded)
			}
		}
	}
	read := func(page string) string {
		text, err := pageFiles.ReadFile("pages/" + page)
		if err != nil {
			t.Fatal(err)
		}
		return string(text)
	}
	entries, err := pageFiles.ReadDir("pages")
	if err != nil {
		t.Fatal(err)
	}
	heaviest := 0
	for _, e := range entries {
		loaded := make(map[string]bool)
		load(read("frame.html")+read(e.Name()), loaded)
		total := 0
		for name := range loaded {
			total += served[name]
		}
		heaviest = max(heaviest, total)
	}
	t.Logf("the heaviest page loads %d bytes", heaviest)
	if heaviest < 20_000 || all < heaviest {
		t.Error("too little was found to be loaded")
	}
}

// sheetsAndScripts returns the texts of all of them by name, as they are written.
func sheetsAndScripts(t *testing.T) map[string]string {
	t.Helper()
	files := map[string]string{}
	entries, err := fs.ReadDir(assetFiles, "assets")
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if ext := path.Ext(e.Name()); ext == ".css" || ext == ".js" {
			data, err := assetFiles.ReadFile("assets/" + e.Name())
			if err != nil {
				t.Fatal(err)
			}
			files[e.Name()] = string(data)
		}
	}
	return files
}

// TestNoDeadStyle has every class in a style sheet on a page: written there, or in what
// pages are made by, as a word. What every
// screen is made of is there for the next one, too.
func TestNoDeadStyle(t *testing.T) {
	var used strings.Builder
	comments := regexp.MustCompile(`(?m)^\s*//.*$`)
	templates, err := fs.Glob(pageFiles, "pages/*.html")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range templates {
		data, err := pageFiles.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		used.Write(data)
	}
	for _, folder := range []string{".", "view", "../internal/house", "../pipeline/match", "../pipeline/advice/policy"} {
		sources, err := filepath.Glob(folder + "/*.go")
		if err != nil || len(sources) == 0 {
			t.Fatalf("%d sources in %s, %v", len(sources), folder, err)
		}
		for _, name := range sources {
			if strings.HasSuffix(name, "_test.go") {
				continue
			}
			data, err := os.ReadFile(name)
			if err != nil {
				t.Fatal(err)
			}
			used.Write(comments.ReplaceAll(data, nil))
		}
	}
	sheets := sheetsAndScripts(t)
	for name, text := range sheets {
		if path.Ext(name) == ".js" {
			used.WriteString(text)
		}
	}
	kit := map[string]bool{"act": true, "lead": true, "portrait": true, "strip": true}
	block := regexp.MustCompile(`(?s)/\*.*?\*/|\{[^{}]*\}`)
	for name, text := range sheets {
		if path.Ext(name) != ".css" {
			continue
		}
		selectors := block.ReplaceAllString(text, " ")
		for _, m := range regexp.MustCompile(`\.([a-z][a-z-]*)`).FindAllStringSubmatch(selectors, -1) {
			name := `\b` + m[1] + `\b`
			if strings.HasSuffix(m[1], "-") { // a number follows, which the page fills in
				name = `\b` + m[1] + `\{\{`
			}
			if !kit[m[1]] && !regexp.MustCompile(name).MatchString(used.String()) {
				t.Errorf("%s has rules for .%s, which is on no page", name, m[1])
			}
		}
	}
}
