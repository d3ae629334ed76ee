package web

import (
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"lintel/store"
)

const lensSent = `{"angle_deg":110,"projection":"straight","height_m":1.4,"tilt_deg":-5}`

func TestLensOnPage(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	h.get("/rules", in).is(200).says("/rules/lens/gate").says("not known: a face where no person can be is not noticed")
	h.get("/rules/lens/gate", in).is(200).says("Nothing is known yet of how the bell gate looks").says("Nobody is enrolled yet")

	typed := url.Values{"angle": {"90"}, "projection": {"straight"}, "height": {" 1,45 "}, "tilt": {"−5"}}
	a := h.post("/rules/lens/gate", typed, in).is(http.StatusSeeOther)
	// f is 1280/2/tan(45°) = 640 pixels; at a metre 63.36 mm make 40.55, and a
	// face is 2.3 times as wide: 93.
	h.get(a.Header.Get("Location"), in).is(200).says("Saved.").says(`name="height" value="1.45"`).says("sees 90° across and keeps straight lines straight, is 1.45 m above the ground and looks up by 5°").
		says("On a still 1280 pixels wide, a grown-up one metre away would have a face about 93 pixels wide.")
	h.get("/rules", in).is(200).says("sees 90° across")
	h.get("/upkeep/trail", in).is(200).says("changed the lens of the bell gate")
	lens, known, err := h.archive.Lens(t.Context(), "gate")
	if want := (store.Lens{Angle: 90, Projection: store.Straight, Height: 1.45, Tilt: -5}); err != nil || !known || lens != want {
		t.Errorf("kept %+v, %t, %v", lens, known, err)
	}

	for field, tests := range map[string][]struct{ value, says string }{
		"angle":      {{"", "A number is missing"}, {"wide", "The angle of view is a number"}, {"NaN", "is a number"}, {"1e999", "is a number"}, {"19", "20 to 200 degrees"}, {"175", "under 170 degrees"}},
		"height":     {{"", "A number is missing"}, {"140", "0.3 to 3 metres"}},
		"tilt":       {{"down", "How far it looks down is a number"}, {"61", "looks down by 60 degrees"}},
		"projection": {{"", "straight or equidistant"}, {"round", "straight or equidistant"}},
	} {
		for _, test := range tests {
			bad := url.Values{"angle": {"90"}, "projection": {"straight"}, "height": {"1.45"}, "tilt": {"-5"}}
			bad.Set(field, test.value)
			h.post("/rules/lens/gate", bad, in).is(422).says(test.says).says("Nothing was saved.")
		}
	}
	if now, _, err := h.archive.Lens(t.Context(), "gate"); err != nil || now != lens {
		t.Errorf("after bad forms %+v, %v", now, err)
	}
	h.post("/rules/lens/gate/clear", nil, in).is(http.StatusSeeOther)
	h.get("/rules/lens/gate", in).is(200).says("Nothing is known yet of how the bell gate looks")
	h.get("/upkeep/trail", in).is(200).says("removed the lens of the bell gate")
	for _, path := range []string{"", "/estimate", "/clear"} {
		h.post("/rules/lens/nowhere"+path, typed, in).isProblem(404, "unknown-bell")
	}
	h.get("/rules/lens/nowhere", in).isProblem(404, "unknown-bell")
	h.post("/rules/lens/gate", url.Values{"angle": {strings.Repeat("1", maxForm)}}, in).isProblem(400, "bad-form")
}

// standing is a face of eyes 63.36 mm apart, up metres over the lens and so far
// before it, on a still of 160 by 120 by a straight lens that sees 60 degrees
// and looks straight ahead: 80/tan(30°) pixels make the focal length.
func standing(up, ahead float64, match *store.Match) store.Face {
	f := 80 / math.Tan(math.Pi/6)
	x, y := f*.06336/2/ahead, 60-f*up/ahead
	face := faceAt(descriptorAt(1, .2))
	face.Landmarks = []store.Point{{X: 80 + x + 1, Y: y}, {X: 80 + x - 1, Y: y}, {X: 80 - x - 1, Y: y}, {X: 80 - x + 1, Y: y}, {X: 80, Y: y + x}}
	face.Match = match
	return face
}

func TestLensByAPerson(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	ada := h.enrolledAs("Ada Quill", 1)
	ben := h.enrolledAs("Ben Orrin", 2)
	// The lens is 1.3 m over the ground; eyes of somebody 1.75 m tall at 0.936
	// of that.
	const up = .936*1.75 - 1.3
	var places []facePlace
	for i, ahead := range []float64{.6, .75, .9} {
		visit, _ := h.sees(fmt.Sprint("R", i), standing(up, ahead, nil))
		places = append(places, facePlace{visit, 0, 0})
	}
	values := func(more ...string) url.Values {
		v := url.Values{"angle": {"60"}, "projection": {"straight"}, "height": {""}, "tilt": {"0"}, "person": {ada.ID}, "person_height": {"1,75"}}
		for i := 0; i < len(more); i += 2 {
			v.Add(more[i], more[i+1])
		}
		return v
	}
	page := h.post("/rules/lens/gate/estimate", values("show", "true"), in).is(200).says("Tick faces")
	for _, place := range places {
		page.says(`name="face" value="` + place.String() + `"`)
	}
	others := values("show", "true")
	others.Set("person", ben.ID)
	h.post("/rules/lens/gate/estimate", others, in).is(200).says("No still of theirs")

	one := values("face", places[0].String())
	h.post("/rules/lens/gate/estimate", one, in).is(200).says("By 1 face, it is 1.3 m above the ground, give or take 0.0").says(`name="height" value="1.3"`).
		says("Nothing is saved yet").says(`value="` + places[0].String() + `" checked`)
	if _, known, err := h.archive.Lens(t.Context(), "gate"); known || err != nil {
		t.Errorf("an estimate was kept, %v", err)
	}
	full := values("face", places[0].String())
	full.Set("height", "1.4")
	giant := values("face", places[0].String())
	giant.Set("person_height", "175")
	none := values("face", places[0].String())
	none.Set("person_height", "")
	angle := values("face", places[0].String())
	angle.Set("angle", "")
	for _, test := range []struct {
		form url.Values
		says string
	}{
		{values(), "too few faces"}, {full, "Nothing is left to work out"}, {giant, "0.5 to 2.3 metres tall"}, {none, "The person’s height is a number of metres"},
		{angle, "too few faces"}, {values("face", "NOSUCHVISIT/0/0"), "not there any more"}, {values("face", places[0].Visit+"/0/7"), "not there any more"},
		{values("face", places[0].Visit+"/9/0"), "not there any more"}, {values("face", "x"), "too few faces"},
	} {
		h.post("/rules/lens/gate/estimate", test.form, in).is(422).says(test.says).says("Nothing was saved.")
	}

	// The same by the API.
	ask := func(body string) *answer {
		return h.ask("POST", "/api/v1/bells/gate/lens/estimate", strings.NewReader(body), in)
	}
	list := fmt.Sprintf(`[{"visit":%q,"frame":0,"face":0},{"visit":%q,"frame":0,"face":0},{"visit":%q,"frame":0,"face":0}]`, places[0].Visit, places[1].Visit, places[2].Visit)
	var got struct {
		Lens   store.Lens
		Errors struct {
			Height float64 `json:"height_m"`
			Tilt   float64 `json:"tilt_deg"`
		} `json:"standard_errors"`
		Faces int
	}
	ask(`{"angle_deg":60,"projection":"straight","tilt_deg":0,"person_height_m":1.75,"faces":` + list + `}`).is(200).into(&got)
	if math.Abs(got.Lens.Height-1.3) > .005 || got.Errors.Height < .01 || got.Errors.Height > .1 || got.Errors.Tilt != 0 || got.Faces != 3 {
		t.Errorf("worked out %+v", got)
	}
	// The prior of 63.36 mm is met exactly, and so are the heights.
	ask(`{"angle_deg":60,"projection":"straight","height_m":1.3,"person_height_m":1.75,"faces":` + list + `}`).is(200).into(&got)
	if math.Abs(got.Lens.Tilt) > .3 || got.Errors.Tilt < .3 || got.Errors.Tilt > 4 {
		t.Errorf("worked out %+v", got)
	}
	for _, test := range []struct{ body, kind string }{
		{`{"projection":"straight","tilt_deg":0,"person_height_m":1.75,"faces":` + list + `}`, "alike-faces"},
		{`{"angle_deg":60,"projection":"straight","tilt_deg":0,"person_height_m":1.75,"faces":[]}`, "few-faces"},
		{`{"angle_deg":60,"projection":"straight","tilt_deg":0,"faces":` + list + `}`, "bad-height"},
		{`{"angle_deg":60,"tilt_deg":0,"person_height_m":1.75,"faces":` + list + `}`, "bad-lens"},
		{`{"angle_deg":60,"projection":"straight","tilt_deg":0,"height_m":1,"person_height_m":1.75,"faces":` + list + `}`, "nothing-unknown"},
	} {
		ask(test.body).isProblem(422, test.kind)
	}
	ask(`{"angle_deg":60,"projection":"straight","tilt_deg":0,"person_height_m":1.75,"faces":[{"visit":"NOSUCHVISIT","frame":0,"face":0}]}`).isProblem(404, "unknown-face")
	ask(`{"angle_deg":"wide"}`).isProblem(400, "bad-body")
	// A face seen by another bell says nothing of this one.
	if _, err := h.archive.AddBell(t.Context(), "yard"); err != nil {
		t.Fatal(err)
	}
	h.ask("POST", "/api/v1/bells/yard/lens/estimate", strings.NewReader(`{"angle_deg":60,"projection":"straight","tilt_deg":0,"person_height_m":1.75,"faces":`+list+`}`), in).isProblem(404, "unknown-face")
}

func TestLensByAPI(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	const path = "/api/v1/bells/gate/lens"
	wants := func(a *answer, want string) {
		t.Helper()
		if got := strings.TrimSpace(string(a.is(200).body)); got != `{"lens":`+want+`}` {
			t.Errorf("answered %s, want %s", got, want)
		}
	}
	put := func(body string) *answer { return h.ask("PUT", path, strings.NewReader(body), in) }
	wants(h.get(path, in), "null")
	wants(h.ask("DELETE", path, nil, in), "null")
	wants(put(lensSent), lensSent)
	for _, bad := range []string{`{}`, `{"angle_deg":110,"projection":"straight","height_m":1.4}`, `{"angle_deg":170,"projection":"straight","height_m":1.4,"tilt_deg":0}`,
		`{"angle_deg":110,"projection":"f","height_m":1.4,"tilt_deg":0}`} {
		put(bad).isProblem(422, "bad-lens")
	}
	for _, bad := range []string{``, `[]`, `{"angle":110}`, `{"angle_deg":NaN}`} {
		put(bad).isProblem(400, "bad-body")
	}
	wants(h.get(path, in), lensSent)
	wants(h.ask("DELETE", path, nil, in), "null")
	h.get("/api/v1/bells/nowhere/lens", in).isProblem(404, "unknown-bell")
	h.ask("PUT", "/api/v1/bells/nowhere/lens", strings.NewReader(lensSent), in).isProblem(404, "unknown-bell")
	h.ask("DELETE", "/api/v1/bells/nowhere/lens", nil, in).isProblem(404, "unknown-bell")
}

// checkLens checks the addresses of how a bell looks.
func (h *house) checkLens(check func(method, pattern, query string, status int, options ...option), in, tablet option) {
	const lens, estimate = "/api/v1/bells/{bell}/lens", "/api/v1/bells/{bell}/lens/estimate"
	check("GET", lens, "", 200, in)
	check("PUT", lens, "", 200, in, sends(lensSent))
	check("PUT", lens, "", 400, in, sends(`[]`))
	check("PUT", lens, "", 422, in, sends(`{}`))
	check("PUT", lens, "", 413, in, sends(strings.Repeat(" ", maxJSON+1)))
	check("GET", lens, "", 200, in)
	check("DELETE", lens, "", 200, in)
	visit, _ := h.sees("measured", faceAt(descriptorAt(1, h.weakly())))
	faces := fmt.Sprintf(`,"projection":"straight","tilt_deg":0,"person_height_m":1.6,"faces":[{"visit":%q,"frame":0,"face":0}]}`, visit)
	check("POST", estimate, "", 200, in, sends(`{"angle_deg":100`+faces))
	check("POST", estimate, "", 422, in, sends(`{"angle_deg":1`+faces))
	check("POST", estimate, "", 400, in, sends(`{`))
	check("POST", estimate, "", 413, in, sends(strings.Repeat(" ", maxJSON+1)))
	check("POST", estimate, "", 404, in, sends(`{"angle_deg":100,"projection":"straight","tilt_deg":0,"person_height_m":1.6,"faces":[{"visit":"X","frame":0,"face":0}]}`))
	for _, pattern := range []string{"GET " + lens, "PUT " + lens, "DELETE " + lens, "POST " + estimate} {
		method, path, _ := strings.Cut(pattern, " ")
		check(method, path, "", 401)
		check(method, path, "", 403, tablet)
	}
}

// FuzzParseFacePlace checks that what was read is written the same.
func FuzzParseFacePlace(f *testing.F) {
	for _, text := range []string{"", "A/0/0", "A/B/0", "///", "A/-1/9", "A/1/2/3"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		p, ok := parseFacePlace(text)
		if !ok {
			return
		}
		if again, ok := parseFacePlace(p.String()); !ok || again != p {
			t.Errorf("%q was read as %+v, and then as %+v", text, p, again)
		}
	})
}
