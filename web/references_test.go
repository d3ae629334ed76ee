package web

import (
	"bytes"
	"encoding/json"
	"image/jpeg"
	"mime/multipart"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/disintegration/imaging"

	"lintel/internal/house"
)

// typedPerson is the form that adds somebody, filled in.
var typedPerson = url.Values{"name": {"Wren Sorrel"}, "given_by": {"they"}, "given_at": {"2031-05-04"},
	"scope": {"the door"}}.Encode()

// portrayed adds a reference with a picture to somebody who agreed, and returns its id.
func (h *household) portrayed(person string) (reference string) {
	h.t.Helper()
	if err := h.archive.AddReference(h.t.Context(), house.Reference{Person: person, FaceWidth: 200, Quality: .8,
		Descriptor: descriptorAt(90, .1), SourceSHA256: [32]byte{90},
		Portrait: &house.Portrait{Origin: house.FromCamera, JPEG: asJPEG(h.t, portrait())}}); err != nil {
		h.t.Fatal(err)
	}
	all, err := h.archive.Enrolments(h.t.Context(), person)
	if err != nil {
		h.t.Fatal(err)
	}
	i := slices.IndexFunc(all, func(e house.Enrolment) bool { return e.Portrait != nil })
	return all[i].ID
}

// referencesOf is what programs are told of a person's references.
func (h *household) referencesOf(person string, in option) (list []keptReferenceJSON) {
	h.t.Helper()
	var sent struct{ References []keptReferenceJSON }
	h.get("/api/v1/persons/"+person+"/references", in).is(200).into(&sent)
	return sent.References
}

// TestNewPerson adds somebody on the page, is told all that is wrong at once with
// what was typed kept, and goes on to pictures.
func TestNewPerson(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	page := h.get("/people/new", in).is(200).says("biometric data").says("each with a small picture").
		says(`value="2031-05-04"`)
	checkMarkup(t, string(page.body))
	page = h.post("/people", url.Values{"name": {" "}, "given_by": {""}, "given_at": {"2031-05-05"},
		"scope": {"my porch"}}, in).is(422)
	if n := strings.Count(string(page.body), `aria-invalid="true"`); n != 3 {
		t.Errorf("%d faults are shown, want 3", n)
	}
	page.says("my porch").says(`value="2031-05-05"`)
	checkMarkup(t, string(page.body))
	if all, err := h.archive.Persons(t.Context()); err != nil || len(all) > 0 {
		t.Fatalf("%d persons, %v", len(all), err)
	}
	form, _ := url.ParseQuery(typedPerson)
	done := h.post("/people", form, in).is(http.StatusSeeOther)
	h.secret("Wren Sorrel")
	page = h.get(done.Header.Get("Location"), in).is(200).says("Wren Sorrel was added.").says("there is no picture")
	checkMarkup(t, string(page.body))
	h.post("/people", form, in).is(422).says("Somebody here has this name already.")
	h.get("/people", in).is(200).says("Wren Sorrel").says("No picture yet").says(">WS<")

	// One without a consent agrees on their own page.
	ilse := h.enrolled("Ilse Amberg")
	h.get("/people/"+ilse.ID+"/pictures", in).isProblem(409, "no-consent")
	h.post("/people/"+ilse.ID+"/consent", url.Values{"given_by": {"they"}}, in).is(422).says("fault-scope")
	h.post("/people/"+ilse.ID+"/consent", form, in).is(http.StatusSeeOther)
	h.get("/people/"+ilse.ID, in).is(200).says("Given by they on Sunday 4 May")
}

// upload is a form with files, as a browser sends it (RFC 7578).
func upload(t *testing.T, files map[string][]byte) (body string, contentType option) {
	t.Helper()
	var b bytes.Buffer
	form := multipart.NewWriter(&b)
	for name, data := range files {
		w, err := form.CreateFormFile("picture", name)
		if err == nil {
			_, err = w.Write(data)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := form.Close(); err != nil {
		t.Fatal(err)
	}
	return b.String(), header("Content-Type", form.FormDataContentType())
}

// TestUploadPictures sends files of a person: the good one is kept, with a picture of
// the face, and of each other it is said why not and what to do.
func TestUploadPictures(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	ada := h.enrolled("Ada Quill")
	h.consents(ada.ID)
	address := "/people/" + ada.ID + "/pictures"
	body, kind := upload(t, map[string][]byte{"dark.jpg": asJPEG(t, imaging.AdjustBrightness(portrait(), -55)),
		"a letter": []byte("Dear Ada"), "good.jpg": asJPEG(t, portrait())})
	page := h.ask("POST", address, strings.NewReader(body), in, kind).is(200).says("good.jpg").
		says("This is a good picture.").says("65 % of the face is plain black or white.").says("Choose a photograph in even light.").says("a letter")
	checkMarkup(t, string(page.body))
	kept := h.referencesOf(ada.ID, in)
	if len(kept) != 1 || kept[0].Origin != house.FromPhotograph || kept[0].FaceWidth != 200 {
		t.Fatalf("kept %+v", kept)
	}
	picture := h.get(kept[0].Picture, in).is(200)
	m, err := jpeg.Decode(bytes.NewReader(picture.body))
	if err != nil || m.Bounds().Dx() > 384 || picture.Header.Get("Content-Type") != "image/jpeg" {
		t.Errorf("a picture of %v, %v", m, err)
	}
	// Nothing but what is wrong: none is kept.
	body, kind = upload(t, map[string][]byte{"good.jpg": asJPEG(t, portrait()), "empty": nil})
	h.ask("POST", address, strings.NewReader(body), in, kind).is(422).says("a reference already").says("empty")
	body, kind = upload(t, nil)
	h.ask("POST", address, strings.NewReader(body), in, kind).is(422).says("No file was chosen.")
	body, kind = upload(t, map[string][]byte{"good.jpg": asJPEG(t, portrait())})
	h.ask("POST", address, strings.NewReader(body[:len(body)/2]), in, kind).isProblem(400, "cut-short")
	h.post(address, nil, in).isProblem(400, "bad-form")
	if n := len(h.referencesOf(ada.ID, in)); n != 1 {
		t.Errorf("%d references", n)
	}
}

// TestTryPicture has a picture of a camera judged and not kept, and then kept; what is
// wrong with it is said as somebody before a camera can mend it.
func TestTryPicture(t *testing.T) {
	h := newHouse(t)
	d := readDocument(t)
	in := h.session(h.resident("Odile"))
	ada := h.enrolled("Ada Quill")
	h.consents(ada.ID)
	sends := func(query string, picture []byte) *answer {
		t.Helper()
		a := h.ask("POST", "/api/v1/persons/"+ada.ID+"/references?"+query, bytes.NewReader(picture), in,
			header("Content-Type", "image/jpeg"))
		d.checkAnswer(t, "POST", "/api/v1/persons/{person}/references", a)
		return a
	}
	good, dark := asJPEG(t, portrait()), asJPEG(t, imaging.AdjustBrightness(portrait(), -55))
	var tried referenceJSON
	sends("from=camera&try=true", good).is(200).into(&tried)
	if tried.Says != "This is a good picture. This is the first picture of Ada Quill." || tried.More == "" {
		t.Errorf("%+v", tried)
	}
	refused := sends("from=camera&try=true", dark)
	refused.isProblem(422, "poor-picture")
	var said problemJSON
	if err := json.Unmarshal(refused.body, &said); err != nil || !strings.HasPrefix(said.Detail, "Look for even light") {
		t.Errorf("%+v", said)
	}
	sends("from=cellar", good).isProblem(400, "bad-query")
	sends("try=perhaps", good).isProblem(400, "bad-query")
	if n := len(h.referencesOf(ada.ID, in)); n != 0 {
		t.Fatalf("%d references were kept", n)
	}
	sends("from=camera", good).is(201)
	if kept := h.referencesOf(ada.ID, in); len(kept) != 1 || kept[0].Origin != house.FromCamera {
		t.Errorf("kept %+v", kept)
	}
}

// TestRemoveReference asks first, removes one by the page and one by a program, and
// tells that something is to be wiped.
func TestRemoveReference(t *testing.T) {
	h := newHouse(t)
	d := readDocument(t)
	in := h.session(h.resident("Odile"))
	ada := h.enrolledAs("Ada Quill", 3)
	wiped := 0
	h.Erased = func() { wiped++ }
	id := h.portrayed(ada.ID)
	page := h.get("/people/"+ada.ID, in).is(200).says("By the camera, Sunday 4 May").says("when Lintel kept no pictures")
	checkMarkup(t, string(page.body))
	src := regexp.MustCompile(`/references/` + id + `/picture\?k=[^"&]+`).FindString(string(h.get("/people", in).is(200).body))
	kept := h.get("/api/v1/persons/"+ada.ID+src, in).is(200)
	if got := kept.Header.Get("Cache-Control"); !strings.HasPrefix(got, "private, max-age=3600") {
		t.Errorf("a picture may be kept by %q", got)
	}
	other := h.session(h.resident("Perrin"))
	h.get("/api/v1/persons/"+ada.ID+src, other).isProblem(404, "unknown-reference")
	address := "/people/" + ada.ID + "/references/" + id + "/remove"
	page = h.get(address, in).is(200).says("would go for good").says("1 other picture")
	checkMarkup(t, string(page.body))
	done := h.post(address, nil, in).is(http.StatusSeeOther)
	h.get(strings.TrimSuffix(done.Header.Get("Location"), "#pictures"), in).is(200).says("The picture was removed.")
	h.post(address, nil, in).is(http.StatusSeeOther) // what was wanted
	h.get(address, in).isProblem(404, "unknown-reference")
	h.get("/api/v1/persons/"+ada.ID+"/references/"+id+"/picture", in).isProblem(404, "unknown-reference")

	left := h.referencesOf(ada.ID, in)
	if len(left) != 1 || left[0].Picture != "" {
		t.Fatalf("left %+v", left)
	}
	const pattern = "/api/v1/persons/{person}/references/{reference}"
	h.get("/people/"+ada.ID+"/references/"+left[0].ID+"/remove", in).is(200).says("It is the only one.")
	a := h.ask("DELETE", "/api/v1/persons/"+ada.ID+"/references/"+left[0].ID, nil, in).is(200)
	d.checkAnswer(t, "DELETE", pattern, a)
	h.ask("DELETE", "/api/v1/persons/"+ada.ID+"/references/"+left[0].ID, nil, in).isProblem(404, "unknown-reference")
	if wiped != 2 {
		t.Errorf("told %d times that something is to be wiped, want 2", wiped)
	}
	h.get("/upkeep/trail", in).is(200).says("removed a picture of")
}

// TestPicturesOfVisits makes references of faces of visits that a resident ticks.
func TestPicturesOfVisits(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	ada := h.enrolledAs("Ada Quill", 1)
	address := "/people/" + ada.ID + "/pictures"
	h.get(address, in).is(200).says("No stills of the last 30 days")
	_, mine := h.sees("mine", faceAt(descriptorAt(1, .2)))
	h.clock.advance(time.Minute)
	_, strange := h.sees("strange", faceAt(descriptorAt(9, 0)))
	page := h.get(address, in).is(200).says("Known as Ada Quill").says(mine).says(strange)
	checkMarkup(t, string(page.body))
	done := h.post(address+"/visits", url.Values{"face": {mine, "NONE"}}, in).is(http.StatusSeeOther)
	page = h.get(done.Header.Get("Location"), in).is(200).says("1 reference enrolled.").says("From a visit, ").says(strange)
	if strings.Contains(string(page.body), `value="`+mine+`"`) {
		t.Error("a face that is a reference is offered again")
	}
	if kept := h.referencesOf(ada.ID, in); len(kept) != 2 || kept[1].Origin != house.FromVisit {
		t.Errorf("kept %+v", kept)
	}
}
