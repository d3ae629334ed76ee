package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"image"
	"image/color"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/disintegration/imaging"

	"lintel/pipeline/match"
)

// TestEnrol enrols a photograph, and is refused worse copies of it, each with
// the reason and what to do.
//
// The photograph is from dlib's source package; the names are invented.
func TestEnrol(t *testing.T) {
	h := newHousehold(t)
	photo := filepath.Join(h.models, "examples", "2009_004587.jpg")
	if _, err := os.Stat(photo); err != nil {
		t.Skip("SKIPPED: dlib's example photographs are missing; `make test` fetches them")
	}
	good := cutOut(t, photo, image.Rect(110, 0, 280, 170))
	h.lintel("bell", "add", "front")
	h.lintel("person", "add", "Ada Quill", "--consent-by", "Ada Quill")

	img, err := imaging.Open(good)
	if err != nil {
		t.Fatal(err)
	}
	worse := func(name string, img image.Image) string {
		path := filepath.Join(t.TempDir(), name+".jpg")
		if err := imaging.Save(img, path); err != nil {
			t.Fatal(err)
		}
		return path
	}
	for _, c := range []struct{ name, file, code, says string }{
		{"small", worse("small", imaging.Resize(img, 2*img.Bounds().Dx()/5, 0, imaging.Box)), "small", "The face is only "},
		{"blurred", worse("blurred", imaging.Blur(img, 4)), "blurred", "The face is blurred."},
		{"clipped", worse("clipped", imaging.AdjustContrast(img, 80)), "clipped",
			" % of the face is plain black or white."},
		{"nobody", worse("nobody", imaging.New(200, 200, color.Gray{128})), "", "no face found; "},
	} {
		t.Run(c.name, func(t *testing.T) {
			results, stderr := h.enrols(t, exitFailed, c.file)
			r := results[0]
			if r.File != c.file || !strings.Contains(r.Error, c.says) ||
				!strings.Contains(strings.ToLower(r.Error), "choose a ") ||
				!strings.Contains(stderr, "1 of 1 photographs were not enrolled") {
				t.Errorf("%+v; %s", r, stderr)
			}
			if c.code == "" {
				if r.Quality != nil {
					t.Errorf("no face, and a quality %+v", r.Quality)
				}
				return
			}
			if q := r.Quality; q == nil || !slices.Contains(q.Complaints, c.code) || q.FaceWidth != r.FaceWidth ||
				q.FaceWidth == 0 {
				t.Errorf("quality %+v", q)
			}
			var text strings.Builder
			r.print(&text, "Ada Quill")
			if !strings.HasPrefix(text.String(), c.file+": not enrolled: "+r.Error+"\n") ||
				!strings.Contains(text.String(), fmt.Sprintf("the face is %d pixels wide", r.FaceWidth)) {
				t.Errorf("printed %s", text.String())
			}
		})
	}
	results, _ := h.enrols(t, exitRight, good)
	r := results[0]
	q := r.Quality
	if r.Error != "" || q == nil || len(q.Complaints) > 0 || q.Complaints == nil || q.Level != "identify" ||
		q.PixelsPerMetre < 250 || q.FaceWidth < 80 || q.Score <= 0 {
		t.Errorf("%+v, quality %+v", r, q)
	}
	if r.Without == nil || *r.Without != (match.Gain{FPIR: 1, Band: match.None}) {
		t.Errorf("the first picture: %+v", r.Without)
	}
	enrolMirrored(t, h, good, worse, q)
}

// enrolMirrored enrols much the same picture once more.
func enrolMirrored(t *testing.T, h *household, good string, worse func(name string, img image.Image) string,
	q *measured) {
	t.Helper()
	// The mirror image is much the same picture.
	again, err := imaging.Open(good)
	if err != nil {
		t.Fatal(err)
	}
	out := h.lintel("enrol", "Ada Quill", worse("mirrored", imaging.FlipH(again)))
	for _, says := range []string{": enrolled\n", "    Without this picture, a face like this is a strong match already. " +
		"With it Lintel is hardly surer.", "Ada Quill has 2 pictures. Add pictures of Ada Quill until there are five. Take them in different light and pose"} {
		if !strings.Contains(string(out), says) {
			t.Errorf("no %q in %s", says, out)
		}
	}
	a := openAt(t, []string{"--data", h.data, "--key", h.key})
	defer a.Close()
	gallery, err := a.Gallery(t.Context())
	if err != nil || len(gallery) != 2 || gallery[0].Quality != q.Score && gallery[1].Quality != q.Score {
		t.Errorf("the gallery is %d references, %v", len(gallery), err)
	}
}

// enrols runs the command with --json.
func (h *household) enrols(t *testing.T, want int, file string) (results []enrolled, stderr string) {
	t.Helper()
	var out, complaints bytes.Buffer
	if status := run(t.Context(), h.args("enrol", "Ada Quill", file, "--json"), &out, &complaints); status != want {
		t.Fatalf("status %d, want %d: %s", status, want, complaints.String())
	}
	if err := json.Unmarshal(out.Bytes(), &results); err != nil || len(results) != 1 {
		t.Fatalf("%s: %v", out.Bytes(), err)
	}
	return results, complaints.String()
}
