package web

import (
	"bytes"
	"context"
	"fmt"
	"image"
	"image/jpeg"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"lintel/internal/house"
	"lintel/web/view"
)

// shownPictures are the addresses of a visit's pictures as a page has them that is
// drawn for a session.
func (h *household) shownPictures(visit, token string) (still, face view.Picture) {
	h.t.Helper()
	who, err := h.archive.Session(h.t.Context(), token)
	if err != nil {
		h.t.Fatal(err)
	}
	presenter, err := h.presenterFor(h.t.Context(), who)
	if err != nil {
		h.t.Fatal(err)
	}
	v, err := h.archive.Visit(h.t.Context(), visit)
	if err != nil {
		h.t.Fatal(err)
	}
	return presenter.StillOf(v.Stills[0], 160), presenter.FaceOf(v.Stills[0], 0, 96)
}

// pictured is a house with a visit of somebody whose face was found.
func pictured(t *testing.T) (h *household, visit, face string) {
	h = newHouse(t)
	visit, face = h.sees("R1", faceAt(house.Descriptor{0.3}))
	return h, visit, face
}

func TestPicturesOfASession(t *testing.T) {
	h, visit, _ := pictured(t)
	resident, tablet := h.resident("Odile"), h.tablet("Hall", "Odile")
	still, face := h.shownPictures(visit, resident)
	for _, p := range []view.Picture{still, face} {
		if p.Src == "" || p.Width == 0 || p.Height == 0 || p.Alt == "" || !strings.HasPrefix(p.SrcSet, p.Src+" 1x") {
			t.Fatalf("%+v", p)
		}
		a := h.get(p.Src, h.session(resident)).is(200)
		if got := a.Header.Get("Cache-Control"); got != "private, max-age=3600, immutable" {
			t.Errorf("Cache-Control %q", got)
		}
		if c, err := jpeg.DecodeConfig(bytes.NewReader(a.body)); err != nil || c.Width == 0 {
			t.Errorf("%+v, %v", c, err)
		}
		h.get(p.Src, h.session(tablet)).isProblem(404, "not-found")
		h.get(p.Src, h.session(h.signsIn("Odile"))).isProblem(404, "not-found")
		h.get(p.Src).isProblem(401, "not-signed-in")
		// Without a key, as programs ask, and of a file that is not there any more.
		for _, address := range []string{strings.Split(p.Src, "?")[0],
			regexp.MustCompile("of=[^&]+").ReplaceAllString(p.Src, "of=OTHER")} {
			if a := h.get(address, h.session(resident)).is(200); a.Header.Get("Cache-Control") != "no-store" {
				t.Errorf("%s: Cache-Control %q", address, a.Header.Get("Cache-Control"))
			}
		}
	}
	again, _ := h.shownPictures(visit, resident)
	others, _ := h.shownPictures(visit, tablet)
	if again != still || others.Src == still.Src {
		t.Errorf("%q, then %q, and for a tablet %q", still.Src, again.Src, others.Src)
	}
}

func TestNoSuchPicture(t *testing.T) {
	h, visit, face := pictured(t)
	resident := h.session(h.resident("Odile"))
	for _, address := range []string{
		"/api/v1/visits/" + visit + "/stills/1/small/320", "/api/v1/visits/" + visit + "/stills/x/small/320",
		"/api/v1/visits/" + visit + "/stills/0/small/321", "/api/v1/visits/" + visit + "/stills/0/small/-1",
		"/api/v1/visits/NOSUCHVISIT/stills/0/small/320",
		"/api/v1/faces/" + face + "/picture/97", "/api/v1/faces/NOSUCHFACE/picture/96",
	} {
		h.get(address, resident).isProblem(404, "not-found")
	}
}

// smallFiles are the files with small pictures that lie in the archive's folder.
func (h *household) smallFiles() (files []string) {
	h.t.Helper()
	err := filepath.WalkDir(h.archive.Dir(), func(path string, d fs.DirEntry, err error) error {
		if filepath.Ext(path) == ".small" {
			files = append(files, path)
		}
		return err
	})
	if err != nil {
		h.t.Fatal(err)
	}
	return files
}

// TestErasedPictures erases a visit whose pictures were seen: none is on the disk, none
// is answered, and whoever erased it keeps none.
func TestErasedPictures(t *testing.T) {
	h, visit, _ := pictured(t)
	token := h.resident("Odile")
	_, face := h.shownPictures(visit, token)
	h.get(face.Src, h.session(token)).is(200)
	files := h.smallFiles()
	if len(files) != 1 {
		t.Fatalf("small pictures %q", files)
	}
	if data, err := os.ReadFile(files[0]); err != nil || bytes.Contains(data, []byte("JFIF")) {
		t.Errorf("not sealed, or %v", err)
	}
	a := h.post("/visits/"+visit+"/erase", nil, h.session(token)).is(http.StatusSeeOther)
	a = h.get(a.Header.Get("Location"), h.session(token)).is(200)
	if a.Header.Get("Clear-Site-Data") != `"cache"` {
		t.Errorf("Clear-Site-Data %q", a.Header.Get("Clear-Site-Data"))
	}
	h.get(face.Src, h.session(token)).isProblem(404, "not-found")
	if left := h.smallFiles(); len(left) > 0 {
		t.Errorf("left: %q", left)
	}
}

// A browser is told to drop what it keeps when its session ends (Clear-Site-Data,
// https://www.w3.org/TR/clear-site-data/, 3.1: the type is a quoted string).
func TestEndedSessionForgetsPictures(t *testing.T) {
	h := newHouse(t)
	resident, tablet := h.resident("Odile"), h.tablet("Hall", "Odile")
	tablets, err := h.archive.Tablets(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for what, a := range map[string]*answer{
		"a page":   h.get("/", h.session(resident), browser).is(200),
		"sign-out": h.post("/sign-out", nil, h.session(resident)),
		"after":    h.get("/", h.session(resident), browser).is(http.StatusSeeOther),
	} {
		if got := a.Header.Get("Clear-Site-Data"); (got == `"cache"`) != (what != "a page") {
			t.Errorf("%s: Clear-Site-Data %q", what, got)
		}
	}
	if err := h.archive.UnpairTablet(t.Context(), tablets[0].ID); err != nil {
		t.Fatal(err)
	}
	a := h.get("/visits", h.session(tablet), browser).is(http.StatusSeeOther)
	if a.Header.Get("Clear-Site-Data") != `"cache"` {
		t.Error("a tablet that was unpaired keeps pictures")
	}
}

// Small pictures are seen as stills are: a look is noted.
func TestLooksAtPicturesAreNoted(t *testing.T) {
	h, visit, _ := pictured(t)
	token := h.resident("Odile")
	still, face := h.shownPictures(visit, token)
	h.get("/api/v1/faces/NOSUCHFACE/picture/96", h.session(token)).is(404)
	h.get(still.Src, h.session(token)).is(200)
	h.get(face.Src, h.session(token)).is(200)
	if got := h.looked(); len(got) != 1 || got[0] != "resident: visit "+visit {
		t.Errorf("noted %q", got)
	}
}

// TestPicturesAreMadeBefore has a still's pictures made when it was examined: who asks
// then waits for nothing.
func TestPicturesAreMadeBefore(t *testing.T) {
	h, visit, _ := pictured(t)
	v, err := h.archive.Visit(t.Context(), visit)
	if err != nil {
		t.Fatal(err)
	}
	img := image.NewYCbCr(image.Rect(0, 0, v.Stills[0].Width, v.Stills[0].Height), image.YCbCrSubsampleRatio420)
	if err := h.MakePictures(context.Background(), v.Stills[0], img); err != nil || len(h.smallFiles()) != 1 {
		t.Errorf("%d files, %v", len(h.smallFiles()), err)
	}
	if err := h.archive.EraseVisit(t.Context(), visit); err != nil {
		t.Fatal(err)
	}
	if err := h.MakePictures(context.Background(), v.Stills[0], img); err != nil || len(h.smallFiles()) != 0 {
		t.Errorf("erased: %d files, %v", len(h.smallFiles()), err)
	}
}

// TestPicturesOfPlaces picks addresses by what a screen has the points for.
func TestPicturesOfPlaces(t *testing.T) {
	s := house.Still{Visit: "V", File: "FILEFILEFILE", Width: 1600, Height: 1200, Faces: []house.Face{{ID: "A"}}}
	pending := s
	pending.State = house.Pending
	small := func(width int) string { return fmt.Sprintf("/api/v1/visits/V/stills/0/small/%d?of=FILEFILE", width) }
	face := func(size int) string { return fmt.Sprintf("/api/v1/faces/A/picture/%d?of=FILEFILE", size) }
	var t0 view.Presenter
	t0.Words = speak(language)
	for name, test := range map[string]struct{ got, want view.Picture }{
		"a still": {t0.StillOf(s, 600),
			view.Picture{Src: small(640), SrcSet: small(640) + " 1x, " + small(960) + " 2x", Width: 600, Height: 450}},
		"a wide one": {t0.StillOf(s, 2000), view.Picture{Src: small(1280), SrcSet: small(1280) + " 1x", Width: 1600,
			Height: 1200}},
		"a face": {t0.FaceOf(s, 0, 96), view.Picture{Src: face(96), SrcSet: face(96) + " 1x, " + face(192) + " 2x",
			Width: 96, Height: 96}},
		"a large face": {t0.FaceOf(s, 0, 400), view.Picture{Src: face(384), SrcSet: face(384) + " 1x", Width: 400,
			Height: 400}},
		"a still that waits": {t0.StillOf(pending, 600), view.Picture{Src: view.StillAddress(s),
			SrcSet: view.StillAddress(s) + " 1x", Width: 600, Height: 450}},
		"no face":      {t0.FaceOf(s, 1, 96), view.Picture{}},
		"a gone still": {t0.StillOf(house.Still{Visit: "V"}, 600), view.Picture{}},
		"and its face": {t0.FaceOf(house.Still{Visit: "V", Faces: s.Faces}, 0, 96), view.Picture{}},
	} {
		test.got.Alt = ""
		if test.got != test.want {
			t.Errorf("%s: %+v, want %+v", name, test.got, test.want)
		}
	}
}
