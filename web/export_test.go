package web

import (
	"archive/zip"
	"bytes"
	"io"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"filippo.io/age"
)

// A resident takes a copy of all that is held of a person, in clear or sealed
// to an age key, and the audit trail has it; a tablet gets none.
func TestExportPerson(t *testing.T) {
	h := newHouse(t)
	odile := h.session(h.resident("Odile"))
	p, err := h.archive.AddPerson(t.Context(), h.secret("Tamsin Quill"))
	if err != nil {
		t.Fatal(err)
	}
	address := "/api/v1/persons/" + p.ID + "/export"
	plain := h.get(address, odile).is(http.StatusOK)
	if got := strings.Join(filesIn(t, plain.body), " "); plain.Header.Get("Content-Type") != "application/zip" ||
		!strings.Contains(got, "index.html") || !strings.Contains(got, "data.json") {
		t.Errorf("%s: %s", plain.Header, got)
	}
	if got := plain.Header.Get("Content-Disposition"); !strings.HasPrefix(got, "attachment;") ||
		strings.Contains(got, "Quill") {
		t.Errorf("Content-Disposition %q", got)
	}
	identity, err := age.GenerateX25519Identity()
	if err != nil {
		t.Fatal(err)
	}
	sealed := h.get(address+"?recipient="+url.QueryEscape(identity.Recipient().String()), odile).is(http.StatusOK)
	opened, err := age.Decrypt(bytes.NewReader(sealed.body), identity)
	if err != nil {
		t.Fatal(err)
	}
	content, err := io.ReadAll(opened)
	if err != nil || len(filesIn(t, content)) != len(filesIn(t, plain.body)) {
		t.Errorf("sealed: %v, %v", filesIn(t, content), err)
	}
	h.get(address+"?recipient=age1nobody", odile).isProblem(http.StatusBadRequest, "bad-recipient")
	h.get("/api/v1/persons/NOBODY/export", odile).isProblem(http.StatusNotFound, "not-found")
	h.get("/api/v1/persons/"+url.PathEscape(p.Name)+"/export", odile).isProblem(http.StatusNotFound, "not-found")
	h.get(address, h.session(h.tablet("Hall", "Odile"))).isProblem(http.StatusForbidden, "residents-only")
	h.get("/people/"+p.ID, odile).says(`action="` + address + `"`)

	trail, err := h.archive.Trail(t.Context(), 0, 100)
	if err != nil {
		t.Fatal(err)
	}
	exports := 0
	for _, e := range trail {
		if e.Action == "exported" && e.Subject == "person "+p.ID && strings.HasPrefix(e.Actor, "resident ") {
			exports++
		}
	}
	if exports != 2 {
		t.Errorf("%d exports in the trail, want 2", exports)
	}
}

// filesIn are the names of the files in a zip archive.
func filesIn(t *testing.T, content []byte) (names []string) {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(content), int64(len(content)))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range z.File {
		names = append(names, f.Name)
	}
	return names
}
