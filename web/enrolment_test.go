package web

import (
	"context"
	"image"
	"net/http"
	"strings"
	"testing"

	"github.com/disintegration/imaging"

	"lintel/internal/house"
)

// TestEnrolByProgram adds a person, is refused without a consent and with poor
// pictures, each time with what is wrong, and enrols a good one.
func TestEnrolByProgram(t *testing.T) {
	h := newHouse(t)
	d := readDocument(t)
	in := h.session(h.resident("Odile"))
	var person personJSON
	h.ask("POST", "/api/v1/persons", strings.NewReader(`{"name":"Ada Quill"}`), in).is(201).into(&person)
	h.secret("Ada Quill")
	sends := func(picture []byte, options ...option) *answer {
		t.Helper()
		a := h.ask("POST", "/api/v1/persons/"+person.ID+"/references", strings.NewReader(string(picture)),
			append([]option{in, header("Content-Type", "image/jpeg")}, options...)...)
		d.checkAnswer(t, "POST", "/api/v1/persons/{person}/references", a)
		return a
	}
	good := asJPEG(t, portrait())
	sends(good).isProblem(409, "no-consent")
	consent := "/api/v1/persons/" + person.ID + "/consent"
	h.ask("PUT", consent, strings.NewReader(`{"given_by":"","scope":"the door"}`), in).isProblem(422, "no-consent")
	h.ask("PUT", consent, strings.NewReader(`{"given_by":"Ada Quill","scope":"the door"}`), in).is(200).into(&person)
	if person.Consent == nil || !person.Consent.GivenAt.Equal(h.clock.now()) {
		t.Errorf("the consent is %+v", person.Consent)
	}

	dark := sends(asJPEG(t, imaging.AdjustBrightness(portrait(), -55)))
	dark.isProblem(422, "poor-picture")
	if body := string(dark.body); !strings.Contains(body, `"quality":{"face_width_px":200`) ||
		!strings.Contains(body, `"code":"dark"`) {
		t.Errorf("a dark picture is answered %s", body)
	}
	sends(asJPEG(t, imaging.Resize(portrait(), 100, 0, imaging.Lanczos))).isProblem(422, "poor-picture")
	sends([]byte("a letter")).isProblem(422, "not-a-picture")
	sends(nil).isProblem(400, "empty")
	sends(good, header("Content-Type", "text/plain")).isProblem(415, "wrong-type")
	for n, kind := range map[int]string{0: "no-face", 2: "several-faces"} {
		find := h.FindFaces
		h.FindFaces = func(context.Context, image.Image) ([]house.Face, error) { return make([]house.Face, n), nil }
		sends(good).isProblem(422, kind)
		h.FindFaces = find
	}
	if all, err := h.archive.Gallery(t.Context()); err != nil || len(all) != 0 {
		t.Errorf("%d references of what was refused, %v", len(all), err)
	}

	enrolTwice(t, h, sends)
	h.ask("POST", "/api/v1/persons/NOBODY/references", strings.NewReader(string(good)), in,
		header("Content-Type", "image/jpeg")).isProblem(404, "not-found")
}

// enrolTwice enrols a good picture, refuses it again, and enrols another.
func enrolTwice(t *testing.T, h *household, sends func(picture []byte, options ...option) *answer) {
	t.Helper()
	good := asJPEG(t, portrait())
	var first referenceJSON
	sends(good).is(201).into(&first)
	if first.Quality == nil || len(first.Quality.Complaints) != 0 || first.Without.Others != 0 || first.More == "" {
		t.Errorf("the first: %+v", first)
	}
	sends(good).isProblem(409, "enrolled")
	h.FindFaces = func(_ context.Context, picture image.Image) ([]house.Face, error) {
		f := faceOn(picture)
		f.Descriptor = descriptorAt(7, .1)
		return []house.Face{f}, nil
	}
	var second referenceJSON
	sends(asJPEG(t, imaging.AdjustBrightness(portrait(), 1))).is(201).into(&second)
	if second.Without.Others != 1 || second.Without.Band != "strong" {
		t.Errorf("the second: %+v", second)
	}
}

// TestSignInByProgram signs in, pairs a tablet and signs out, as a script does.
func TestSignInByProgram(t *testing.T) {
	h := newHouse(t)
	d := readDocument(t)
	h.resident("Odile")
	hashed, err := h.hashPassword(t.Context(), password)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := h.archive.AddResident(t.Context(), "Perrin", hashed); err != nil {
		t.Fatal(err)
	}
	asks := func(method, path, body string, options ...option) *answer {
		t.Helper()
		a := h.ask(method, path, strings.NewReader(body), options...)
		d.checkAnswer(t, method, path, a)
		return a
	}
	const session, tablets = "/api/v1/session", "/api/v1/tablets"
	asks("POST", session, `{"name":"Perrin","password":"not this one"}`).isProblem(401, "wrong-password")
	asks("POST", session, `{"name":"Nobody","password":"`+password+`"}`).isProblem(401, "wrong-password")
	signedIn := asks("POST", session, `{"name":" perrin ","password":"`+password+`"}`).is(201)
	in := h.session(h.secret(signedIn.cookie().Value))
	if strings.Contains(string(signedIn.body), signedIn.cookie().Value) {
		t.Error("the session's token is in the body")
	}
	h.get("/api/v1/rules", in).is(200)

	var code struct{ Code string }
	asks("POST", tablets+"/pairing-code", "", in).is(201).into(&code)
	asks("POST", tablets, `{"name":" ","code":"`+code.Code+`"}`).isProblem(422, "bad-name")
	paired := asks("POST", tablets, `{"name":"Den","code":"`+code.Code+`"}`).is(201)
	h.get("/api/v1/visits", h.session(h.secret(paired.cookie().Value))).is(200)
	// Three wrong ones at once from one address: none is left.
	asks("POST", session, `{"name":"Perrin","password":"not this one"}`).isProblem(401, "wrong-password")
	late := asks("POST", session, `{"name":"Perrin","password":"`+password+`"}`)
	late.isProblem(429, "too-often")
	if got := late.Header.Get("Retry-After"); got != "30" {
		t.Errorf("Retry-After %q", got)
	}
	asks("POST", tablets, `{"name":"Den","code":"`+code.Code+`"}`, from("198.51.100.7")).isProblem(401, "wrong-code")

	asks("DELETE", session, "", in).is(http.StatusNoContent)
	h.get("/api/v1/rules", in).isProblem(401, "not-signed-in")
}
