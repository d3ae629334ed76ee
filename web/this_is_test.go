package web

import (
	"archive/zip"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/web/view"
)

// whoOf is where a resident says whose the first face of a visit's first still is.
func whoOf(visit string) string { return "/visits/" + visit + "/faces/0/0/who" }

// TestDayAsLived has a stranger ring and a resident say that it is Ada: Now, the book,
// the visit, her page, the API and how long it is kept say so from then on, and once
// that is undone say again what was found.
func TestDayAsLived(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	ada := h.enrolledAs("Ada Quill", 1)
	visit, _ := h.sees("R1", faceAt(descriptorAt(1, h.justBeyond())))
	told := func(says, not string) {
		t.Helper()
		for _, page := range []string{"/", "/visits", "/visits/" + visit} {
			body := string(h.get(page, in).is(200).body)
			if !strings.Contains(body, says) || not != "" && strings.Contains(body, not) {
				t.Errorf("%s says not %q, or %q", page, says, not)
			}
		}
	}
	told("A stranger", "Ada Quill, said")
	h.get(whoOf(visit), in).is(200).says("Ada Quill").says("Somebody I don’t want to name").
		says("Somebody new")
	to := h.post(whoOf(visit), url.Values{"person": {ada.ID}}, in).leadsTo()
	h.get(to, in).is(200).says("This is Ada Quill from now on.").says("Undo").
		says("Said by Odile. Lintel found: a stranger.")
	told("Ada Quill", "strong match")
	h.get("/visits?person="+ada.ID, in).is(200).says("/visits/" + visit)
	var hers struct{ Visits int }
	if h.get("/api/v1/persons/"+ada.ID, in).is(200).into(&hers); hers.Visits != 1 {
		t.Errorf("%d visits are hers", hers.Visits)
	}
	v := h.told(visit, in)
	if v.Kind != house.Known || v.Outcome != "person" || v.Fate.Rule != house.Known ||
		v.Stills[0].Faces[0].Match != nil || v.Stills[0].Faces[0].Said == nil ||
		v.Stills[0].Faces[0].Said.SaidBy != "Odile" || v.Stills[0].Faces[0].Said.Name != "Ada Quill" {
		t.Errorf("the API tells of %+v, %+v", v, v.Stills[0].Faces[0].Said)
	}

	h.clock.advance(73 * time.Hour) // a stranger's would go
	h.sweep()
	told("Ada Quill", "")
	undo := strings.Replace(whoOf(visit), "/who", "/undo", 1)
	h.get(h.post(undo, nil, in).leadsTo(), in).is(200).says("Taken back").says("A stranger")
	if v := h.told(visit, in); v.Kind != house.Stranger || v.Stills[0].Faces[0].Said != nil {
		t.Errorf("taken back, and it is %+v", v)
	}
	h.post(undo, nil, in).leadsTo() // pressed twice
	h.sweep()
	h.get("/visits/"+visit, in).is(http.StatusNotFound)
}

// TestKnownGoesByItsOwnRule has a visit that is said to be somebody's go when theirs do,
// 30 days after it rang by the rules of a new archive, and not before.
func TestKnownGoesByItsOwnRule(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	jory, err := h.archive.AddPerson(t.Context(), "Jory Tarn")
	if err != nil {
		t.Fatal(err)
	}
	visit, _ := h.sees("R1", faceAt(descriptorAt(1, 0)))
	h.post(whoOf(visit), url.Values{"person": {jory.ID}}, in).leadsTo()
	h.clock.advance(29 * 24 * time.Hour)
	h.sweep()
	if _, err := h.archive.Visit(t.Context(), visit); err != nil {
		t.Errorf("gone a day too soon: %v", err)
	}
	h.clock.advance(3 * 24 * time.Hour)
	h.sweep()
	if _, err := h.archive.Visit(t.Context(), visit); err == nil {
		t.Error("kept for more than 30 days")
	}
}

// TestSomebodyNew makes a person of a face: by the name alone, and with a consent and
// a reference; what is wrong is beside its field, and nobody was added then.
func TestSomebodyNew(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	visit, _ := h.sees("R1", faceAt(descriptorAt(1, 0)))
	h.enrolled("Ben Orrin")
	for _, bad := range []struct {
		form url.Values
		says []string
	}{
		{url.Values{"name": {""}}, []string{`id="fault-name"`, `aria-describedby="fault-name"`, "Write a name"}},
		{url.Values{"name": {"ben orrin"}}, []string{"Somebody of this name is here already", `value="ben orrin"`}},
		{url.Values{"name": {" "}, "know": {"true"}}, []string{`id="fault-name"`, `id="fault-given_by"`, "checked"}},
		{url.Values{"name": {"Jory Tarn"}, "know": {"true"}}, []string{`id="fault-given_by"`, `value="Jory Tarn"`}},
	} {
		bad.form.Set("answer", "new")
		page := h.post(whoOf(visit), bad.form, in).is(http.StatusUnprocessableEntity)
		for _, says := range bad.says {
			page.says(says)
		}
		checkMarkup(t, string(page.body))
	}
	if persons, err := h.archive.Persons(t.Context()); err != nil || len(persons) != 1 {
		t.Fatalf("%d persons, %v", len(persons), err)
	}
	to := h.post(whoOf(visit), url.Values{"answer": {"new"}, "name": {"Jory Tarn"}, "know": {"true"},
		"given_by": {"Jory Tarn"}}, in).leadsTo()
	h.get(to, in).is(200).says("This is Jory Tarn from now on. The face is a reference from now on.")
	jory, err := h.archive.Person(t.Context(), "Jory Tarn")
	if err != nil || jory.References != 1 || jory.Consent == nil || jory.Consent.GivenBy != "Jory Tarn" {
		t.Errorf("Jory is %+v, %v", jory, err)
	}
	other, _ := h.sees("R2", faceAt(descriptorAt(2, 0)))
	h.post(whoOf(other), url.Values{"answer": {"new"}, "name": {"Sable Wren"}}, in).leadsTo()
	sable, err := h.archive.Person(t.Context(), "Sable Wren")
	if err != nil || sable.References != 0 || sable.Consent != nil {
		t.Errorf("Sable is %+v, %v", sable, err)
	}
	if v := h.told(other, in); v.Kind != house.Known || v.Stills[0].Faces[0].Said.Name != "Sable Wren" {
		t.Errorf("the visit is %+v", v)
	}
}

// TestStrangerAndNoFace says of a face that it is nobody's, and that it is none.
func TestStrangerAndNoFace(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	ada := h.enrolledAs("Ada Quill", 1)
	visit, _ := h.sees("R1", faceAt(descriptorAt(1, h.weakly())))
	for _, said := range []struct {
		form url.Values
		kind house.Kind
		says string
	}{
		{url.Values{"answer": {"stranger"}}, house.Stranger, "A stranger, said by Odile. Lintel found: Ada Quill"},
		{url.Values{"answer": {"no-face"}}, house.NoFace, "No face, said by Odile. Lintel found: Ada Quill"},
		{url.Values{"person": {ada.ID}}, house.Known, "Said by Odile. Lintel found the same"},
	} {
		h.get(h.post(whoOf(visit), said.form, in).leadsTo(), in).is(200).says(said.says)
		if v := h.told(visit, in); v.Kind != said.kind {
			t.Errorf("%v makes a visit of kind %s, want %s", said.form, v.Kind, said.kind)
		}
	}
	h.post(whoOf(visit), url.Values{"person": {"NOBODY"}}, in).is(http.StatusConflict)
	h.post(whoOf(visit), url.Values{}, in).is(http.StatusUnprocessableEntity)
	for _, none := range []string{"/faces/0/1/who", "/faces/1/0/who", "/faces/x/0/who", "/faces/0/-1/who"} {
		h.get("/visits/"+visit+none, in).is(http.StatusNotFound)
	}
}

// TestSaidBySomebodyGone has the resident removed who said whose a face is.
func TestSaidBySomebodyGone(t *testing.T) {
	h := newHouse(t)
	in, other := h.session(h.resident("Odile")), h.session(h.resident("Casper"))
	ada := h.enrolledAs("Ada Quill", 1)
	visit, _ := h.sees("R1", faceAt(descriptorAt(1, h.justBeyond())))
	h.post(whoOf(visit), url.Values{"person": {ada.ID}}, other).leadsTo()
	h.get("/visits/"+visit, in).is(200).says("Said by Casper.")
	all, err := h.archive.Residents(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range all {
		if r.Name == "Casper" {
			h.ask("DELETE", "/api/v1/residents/"+r.ID, nil, in).is(200)
		}
	}
	h.get("/visits/"+visit, in).is(200).says("Said by somebody who lived here.")
	if said := h.told(visit, in).Stills[0].Faces[0].Said; said == nil || said.SaidBy != "" || said.Name != "Ada Quill" {
		t.Errorf("the API tells of %+v", said)
	}
}

// TestSaidIsNoMatch has a stranger said to be somebody who may be let in by a code: no
// code can be given of them, since no face told.
func TestSaidIsNoMatch(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	ada := h.enrolledAs("Ada Quill", 1)
	visit, _ := h.sees("R1", faceAt(descriptorAt(1, h.justBeyond())))
	h.post(whoOf(visit), url.Values{"person": {ada.ID}}, in).leadsTo()
	v, err := h.archive.Visit(t.Context(), visit)
	if err != nil || len(view.Recognised(v)) != 0 {
		t.Errorf("recognised are %+v, %v", view.Recognised(v), err)
	}
	h.post("/visits/"+visit+"/agree", url.Values{"person": {ada.ID}}, in).is(http.StatusUnprocessableEntity)
}

// TestVisitExport looks into the zip of a visit: its stills, what was said, and who
// looked, with sums as sha256sum writes them.
func TestVisitExport(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	ada := h.enrolledAs("Ada Quill", 1)
	visit, _ := h.sees("R1", faceAt(descriptorAt(1, h.justBeyond())))
	h.post(whoOf(visit), url.Values{"person": {ada.ID}}, in).leadsTo()
	got := h.get("/api/v1/visits/"+visit+"/export", in).is(200)
	if name := got.Header.Get("Content-Disposition"); !strings.Contains(name, "lintel-visit-") ||
		strings.Contains(name, "Ada") {
		t.Errorf("the file is called %q", name)
	}
	files := unzipped(t, got.body)
	for name, want := range map[string]string{"stills/0.jpg": "\xff\xd8\xff", "data.json": ada.ID, "SHA256SUMS": "stills/0.jpg"} {
		if !strings.Contains(string(files[name]), want) {
			t.Errorf("%s is %.100q", name, files[name])
		}
	}
	var document struct {
		Format string
		Visit  visitJSON
		Trail  []house.Entry
	}
	if err := json.Unmarshal(files["data.json"], &document); err != nil || document.Format != "lintel visit 1" ||
		document.Visit.ID != visit || document.Visit.Stills[0].Faces[0].Said.Name != "Ada Quill" {
		t.Errorf("data.json tells of %+v, %v", document, err)
	}
	var did []string
	for _, e := range document.Trail {
		did = append(did, e.Action)
	}
	if !slices.Contains(did, "checked") || did[len(did)-1] != "exported" {
		t.Errorf("the trail has %q", did)
	}
}

// leadsTo wants the answer to lead on, and returns where.
func (a *answer) leadsTo() string {
	a.is(http.StatusSeeOther)
	return a.Header.Get("Location")
}

// unzipped returns what a zip holds.
func unzipped(t *testing.T, data []byte) map[string][]byte {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		t.Fatal(err)
	}
	files := make(map[string][]byte)
	for _, f := range z.File {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		if files[f.Name], err = io.ReadAll(r); err != nil {
			t.Fatal(fmt.Errorf("%s: %w", f.Name, err))
		}
	}
	return files
}

// told asks the API for a visit.
func (h *household) told(visit string, who option) (v visitJSON) {
	h.t.Helper()
	h.get("/api/v1/visits/"+visit, who).is(200).into(&v)
	return v
}

// sweep lets go what is due.
func (h *household) sweep() {
	h.t.Helper()
	if _, err := h.archive.Sweep(h.t.Context(), func(b []byte) ([]byte, int, int, error) { return b, 160, 120, nil }); err != nil {
		h.t.Fatal(err)
	}
}
