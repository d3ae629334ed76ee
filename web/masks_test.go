package web

import (
	"bytes"
	"encoding/json"
	"image"
	"image/jpeg"
	"net/http"
	"net/url"
	"os"
	"reflect"
	"slices"
	"strings"
	"testing"

	"lintel/internal/house"
	"lintel/web/view"
)

var faceBox = image.Rect(100, 20, 140, 60)

// corner is a mask over the left upper quarter, as text and as JSON.
const (
	quarter     = "0,0 0.5,0 0.5,0.5 0,0.5"
	quarterJSON = `[[{"x":0,"y":0},{"x":0.5,"y":0},{"x":0.5,"y":0.5},{"x":0,"y":0.5}]]`
	bowTie      = "0,0 1,1 1,0 0,1"
)

func TestDrawingMasks(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	h.get("/rules/privacy", in).is(200).says("Nothing is masked.").says("/rules/masks/gate")
	h.get("/rules/masks/gate", in).is(200).says("no still of this bell").says(`viewBox="0 0 1280 1024"`)
	visit := h.found("R1", true)
	h.get("/rules/masks/gate", in).is(200).says("/api/v1/visits/" + visit + "/stills/0").says(`viewBox="0 0 160 120"`).
		says("nothing brings it back")

	a := h.fill("/rules/masks/gate", url.Values{"masks": {quarter + "\r\n\r\n 0.6,0.6  0.9,0.6 0.75,0.9 \r\n"}}, in).
		is(http.StatusSeeOther)
	h.get(a.Header.Get("Location"), in).is(200).says("The masks are saved").says(`<polygon points="` + quarter + `"/>`).
		says(`<polygon points="0.6,0.6 0.9,0.6 0.75,0.9"/>`).says("Make it black on the 1 still kept earlier as well")
	h.get("/rules/privacy", in).is(200).says("2 masks")

	h.fill("/rules/masks/gate", url.Values{"masks": {""}}, in).is(http.StatusSeeOther)
	h.get("/rules/masks/gate", in).is(200).says("The saved masks would change none of them.")
	h.get("/rules/privacy", in).is(200).says("Nothing is masked.")
}

// TestBadMasks has the drawing come back, with what is wrong with it.
func TestBadMasks(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	h.fill("/rules/masks/gate", url.Values{"masks": {quarter}}, in).is(http.StatusSeeOther)
	tests := []struct{ text, says string }{
		{"0,0 1,1", "3 corners or more, and this one has 2"},
		{bowTie, "crosses or touches"},
		{"0,0 1,0 1,0", "are in the same place"},
		{"0,0 1,0 2,1", "not on the still"},
		{"0,0 1,0 NaN,1", "not on the still"},
		{"0,0 1,0 1,Inf", "not on the still"},
		{"0,0 1,0 1", "is not a corner"},
		{"0,0 1,0 1,1,1", "is not a corner"},
		{quarter + "\nhello", "Mask 2"},
		{strings.Repeat(quarter+"\n", 17), "16 masks at most"},
		{strings.Repeat("0.1,0.1 ", 101), "100 corners at most"},
	}
	for _, test := range tests {
		h.fill("/rules/masks/gate", url.Values{"masks": {test.text}}, in).is(422).says(test.says).
			says("Nothing was saved.").says(strings.TrimSpace(test.text))
	}
	h.fill("/rules/masks/gate", url.Values{"masks": {strings.Repeat("x", maxJSON)}}, in).isProblem(400, "bad-form")
	if masks, _, err := h.archive.Masks(t.Context(), "gate"); err != nil || len(masks) != 1 {
		t.Errorf("the masks are now %v, %v", masks, err)
	}
	for _, method := range []string{"GET", "POST"} {
		h.ask(method, "/rules/masks/nowhere", nil, in).isProblem(404, "unknown-bell")
	}
	h.post("/rules/masks/nowhere/earlier", nil, in).isProblem(404, "unknown-bell")
}

func TestMasksByAPI(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	put := func(bell, body string) *answer {
		return h.ask("PUT", "/api/v1/bells/"+bell+"/masks", strings.NewReader(body), in)
	}
	var kept map[string]any
	put("gate", quarterJSON).is(200).into(&kept)
	var want any
	if err := json.Unmarshal([]byte(quarterJSON), &want); err != nil || !reflect.DeepEqual(kept["masks"], want) ||
		kept["revision"] != 1.0 {
		t.Errorf("kept %v", kept)
	}
	for _, test := range []struct {
		body   string
		status int
		kind   string
	}{
		{"", 400, "bad-body"}, {"{}", 400, "bad-body"}, {`[[{"x":0,"y":0,"z":0}]]`, 400, "bad-body"},
		{`[[0,0]]`, 400, "bad-body"},
		{strings.Repeat(" ", maxJSON+1), 413, "too-large"},
		{`[[]]`, 422, "bad-mask"}, {`[null]`, 422, "bad-mask"}, {`[[{"x":0,"y":0},{"x":1,"y":0}]]`, 422, "bad-mask"},
		{`[[{"x":0,"y":0},{"x":1},{"x":1,"y":1}]]`, 422, "bad-mask"},
		{`[[{"x":0,"y":0},{"x":1,"y":1},{"x":1,"y":0},{"x":0,"y":1}]]`, 422, "bad-mask"},
		{`[[{"x":0,"y":0},{"x":1,"y":0},{"x":1,"y":1.01}]]`, 422, "bad-mask"},
	} {
		put("gate", test.body).isProblem(test.status, test.kind)
	}
	put("nowhere", "[]").isProblem(404, "unknown-bell")
	h.get("/api/v1/bells/nowhere/masks", in).isProblem(404, "unknown-bell")
	h.get("/api/v1/bells/nowhere/masks/earlier", in).isProblem(404, "unknown-bell")
	h.get("/api/v1/bells/gate/masks", in).is(200).into(&kept)
	if !reflect.DeepEqual(kept["masks"], want) {
		t.Errorf("the masks are now %v", kept)
	}
	var list struct{ Bells []bellJSON }
	h.get("/api/v1/bells", in).is(200).into(&list)
	if len(list.Bells) != 1 || list.Bells[0].Name != "gate" || !list.Bells[0].HeardAt.IsZero() {
		t.Errorf("bells %+v", list)
	}
}

// TestMaskingEarlierStills looks at the pixels, with the standard library's
// decoder.
func TestMaskingEarlierStills(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	visit := h.found("R1", true)
	red, _, _, _ := h.pixel(visit, 10, 10, in)
	if red < 0x8000 {
		t.Fatalf("the scene has no red corner: %x", red)
	}
	h.fill("/rules/masks/gate", url.Values{"masks": {quarter}}, in).is(http.StatusSeeOther)
	h.post("/rules/masks/gate/earlier", nil, in).is(http.StatusSeeOther)
	h.accepted.Wait()
	h.get("/rules/masks/gate", in).is(200).says("The masks were laid on 1 still kept earlier.")
	if r, g, b, _ := h.pixel(visit, 10, 10, in); r+g+b > 0x1800 {
		t.Errorf("the corner is %x %x %x", r, g, b)
	}
	if _, _, blue, _ := h.pixel(visit, 155, 10, in); blue < 0x8000 {
		t.Errorf("the other corner is %x blue", blue)
	}
	entries, err := h.archive.Trail(t.Context(), 0, 1)
	if err != nil || entries[0].Action != "masked" || !strings.HasPrefix(entries[0].Actor, "resident ") {
		t.Errorf("trail %+v, %v", entries, err)
	}
	// With nothing left to do it is over at once.
	var state maskingJSON
	h.ask("POST", "/api/v1/bells/gate/masks/earlier", nil, in).is(http.StatusAccepted).into(&state)
	if state.State != "done" || state.Of != 0 || state.Done != 0 || state.Failed != nil {
		t.Errorf("state %+v", state)
	}
}

// pixel returns a colour of a visit's first still.
func (h *household) pixel(visit string, x, y int, in option) (r, g, b, a uint32) {
	h.t.Helper()
	m, err := jpeg.Decode(bytes.NewReader(h.get("/api/v1/visits/"+visit+"/stills/0", in).is(200).body))
	if err != nil {
		h.t.Fatal(err)
	}
	return m.At(x, y).RGBA()
}

// TestMaskingEndsWithTheServer has Drain come while the first of two stills is
// masked: that one is finished, the other stays as it was.
func TestMaskingEndsWithTheServer(t *testing.T) {
	begun, goOn := make(chan bool, 2), make(chan bool)
	h := newHouse(t, func(c *Config) {
		mask := c.Mask
		c.Mask = func(jpeg []byte, masks []house.Polygon) ([]byte, error) {
			begun <- true
			<-goOn
			return mask(jpeg, masks)
		}
	})
	in := h.session(h.resident("Odile"))
	h.found("R1", true)
	h.found("R2", true)
	h.fill("/rules/masks/gate", url.Values{"masks": {quarter}}, in).is(http.StatusSeeOther)
	h.post("/rules/masks/gate/earlier", nil, in).is(http.StatusSeeOther)
	<-begun
	h.get("/rules/masks/gate", in).is(200).says("Making stills black: 0 of 2 are done.").says(`data-state="running"`)
	h.post("/rules/masks/gate/earlier", nil, in).isProblem(409, "masking")
	h.ask("POST", "/api/v1/bells/gate/masks/earlier", nil, in).isProblem(409, "masking")

	drained := make(chan error)
	go func() { drained <- h.Drain(t.Context()) }()
	<-h.ended
	close(goOn)
	if err := <-drained; err != nil {
		t.Error(err)
	}
	left, err := h.archive.Unmasked(t.Context(), "gate")
	state := h.masking.of("gate")
	// The run may have asked for the second still before it heard of the end.
	if err != nil || left != 2-state.Done || state.Done == 0 || state.State == "running" {
		t.Errorf("%d stills left, %+v, %v", left, state, err)
	}
	h.post("/rules/masks/gate/earlier", nil, in)
	if left > 0 {
		h.post("/rules/masks/gate/earlier", nil, in).isProblem(503, "stopping")
	}
}

// TestMaskingFails says that it did, and leaves the still as it was.
func TestMaskingFails(t *testing.T) {
	h := newHouse(t, func(c *Config) {
		c.Mask = func([]byte, []house.Polygon) ([]byte, error) { return nil, http.ErrNotSupported }
	})
	in := h.session(h.resident("Odile"))
	visit := h.found("R1", true)
	h.fill("/rules/masks/gate", url.Values{"masks": {quarter}}, in).is(http.StatusSeeOther)
	h.post("/rules/masks/gate/earlier", nil, in).is(http.StatusSeeOther)
	h.accepted.Wait()
	h.get("/rules/masks/gate", in).is(200).says("laid on 0 stills kept earlier. 1 still could not be read:").
		says("Make it black on the 1 still").says(view.VisitAddress(visit))
	if red, _, _, _ := h.pixel(visit, 10, 10, in); red < 0x8000 {
		t.Errorf("the corner is %x red", red)
	}
}

// TestMaskingGoesOn has the file of one still of three broken, as a failing disk
// leaves it: the others are masked, and the page names the one that is not.
func TestMaskingGoesOn(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	visits := []string{h.found("R1", true), h.found("R2", true), h.found("R3", true)}
	slices.Sort(visits) // the order they are masked in
	v, err := h.archive.Visit(t.Context(), visits[0])
	if err != nil {
		t.Fatal(err)
	}
	file := h.files()[slices.IndexFunc(h.files(),
		func(path string) bool { return strings.Contains(path, v.Stills[0].File) })]
	if err := os.WriteFile(file, []byte("broken"), 0o600); err != nil {
		t.Fatal(err)
	}
	h.fill("/rules/masks/gate", url.Values{"masks": {quarter}}, in).is(http.StatusSeeOther)
	h.post("/rules/masks/gate/earlier", nil, in).is(http.StatusSeeOther)
	h.accepted.Wait()
	for _, visit := range visits[1:] {
		if r, g, b, _ := h.pixel(visit, 10, 10, in); r+g+b > 0x1800 {
			t.Errorf("the corner is %x %x %x", r, g, b)
		}
	}
	page := h.get("/rules/masks/gate", in).is(200)
	page.says("laid on 2 stills kept earlier. 1 still could not be read:").says(view.VisitAddress(visits[0])).
		says("Frame 1 of the visit Sunday 4 May, 18:30")
	checkMarkup(t, string(page.body))
	var state maskingJSON
	h.get("/api/v1/bells/gate/masks/earlier", in).is(200).into(&state)
	if state.Done != 2 || !slices.Equal(state.Failed, []failedJSON{{visits[0], 0}}) {
		t.Errorf("state %+v", state)
	}
}

// FuzzParseMasks checks that what was read is read again from what is written.
func FuzzParseMasks(f *testing.F) {
	for _, text := range []string{"", quarter, bowTie, quarter + "\n\n" + bowTie, "0,0", "1e-300,-0 NaN,Inf", ",",
		"0x1p-2,1"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		masks, err := parseMasks(text)
		if err != nil {
			return
		}
		written := formatMasks(masks)
		again, err := parseMasks(written)
		if err != nil || formatMasks(again) != written || len(again) != len(masks) {
			t.Errorf("%q was written as %q, and read as %v (%v)", text, written, again, err)
		}
	})
}
