package web

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"lintel/internal/house"
)

const lensSent = `{"angle_deg":110,"projection":"straight","height_m":1.4,"tilt_deg":-5}`

func TestLensOnPage(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	h.get("/rules/privacy", in).is(200).says("/rules/lens/gate").says("not known")
	h.get("/rules/lens/gate", in).is(200).says("Nothing is known yet of how the bell gate looks")

	typed := url.Values{"angle": {"90"}, "projection": {"straight"}, "height": {" 1,45 "}, "tilt": {"−5"}}
	a := h.fill("/rules/lens/gate", typed, in).is(http.StatusSeeOther)
	// f is 1280/2/tan(45°) = 640 pixels; at a metre 63.36 mm make 40.55, and a
	// face is 2.3 times as wide: 93.
	h.get(a.Header.Get("Location"), in).is(200).says("Saved.").says(`name="height" value="1.45"`).
		says("sees 90° across and keeps straight lines straight, is 1.45 m above the ground and looks up by 5°").
		says("On a still 1280 pixels wide, a grown-up one metre away would have a face about 93 pixels wide.")
	h.get("/rules/privacy", in).is(200).says("sees 90° across")
	h.get("/upkeep/trail", in).is(200).says("changed the lens of the bell gate")
	lens, known, err := h.archive.Lens(t.Context(), "gate")
	if want := (house.Lens{Angle: 90, Projection: house.Straight, Height: 1.45, Tilt: -5}); err != nil || !known ||
		lens != want {
		t.Errorf("kept %+v, %t, %v", lens, known, err)
	}

	for field, tests := range map[string][]struct{ value, says string }{
		"angle": {{"", "A number is missing"}, {"wide", "The angle of view is a number"}, {"NaN", "is a number"},
			{"1e999", "is a number"}, {"19", "20 to 200 degrees"}, {"175", "under 170 degrees"}},
		"height":     {{"", "A number is missing"}, {"140", "0.3 to 3 metres"}},
		"tilt":       {{"down", "How far the bell looks down is a number"}, {"61", "looks down by 60 degrees"}},
		"projection": {{"", "straight or equidistant"}, {"round", "straight or equidistant"}},
	} {
		for _, test := range tests {
			bad := url.Values{"angle": {"90"}, "projection": {"straight"}, "height": {"1.45"}, "tilt": {"-5"}}
			bad.Set(field, test.value)
			h.fill("/rules/lens/gate", bad, in).is(422).says(test.says).says("Nothing was saved.")
		}
	}
	if now, _, err := h.archive.Lens(t.Context(), "gate"); err != nil || now != lens {
		t.Errorf("after bad forms %+v, %v", now, err)
	}
	h.post("/rules/lens/gate/clear", nil, in).is(http.StatusSeeOther)
	h.get("/rules/lens/gate", in).is(200).says("Nothing is known yet of how the bell gate looks")
	h.get("/upkeep/trail", in).is(200).says("removed the lens of the bell gate")
	for _, path := range []string{"", "/clear"} {
		h.post("/rules/lens/nowhere"+path, typed, in).isProblem(404, "unknown-bell")
	}
	h.get("/rules/lens/nowhere", in).isProblem(404, "unknown-bell")
	h.fill("/rules/lens/gate", url.Values{"angle": {strings.Repeat("1", maxForm)}}, in).isProblem(400, "bad-form")
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
	for _, bad := range []string{`{}`, `{"angle_deg":110,"projection":"straight","height_m":1.4}`,
		`{"angle_deg":170,"projection":"straight","height_m":1.4,"tilt_deg":0}`,
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
func (h *household) checkLens(check func(method, pattern, query string, status int, options ...option), in,
	tablet option) {
	const lens = "/api/v1/bells/{bell}/lens"
	check("GET", lens, "", 200, in)
	check("PUT", lens, "", 200, in, sends(lensSent))
	check("PUT", lens, "", 400, in, sends(`[]`))
	check("PUT", lens, "", 422, in, sends(`{}`))
	check("PUT", lens, "", 413, in, sends(strings.Repeat(" ", maxJSON+1)))
	check("GET", lens, "", 200, in)
	check("DELETE", lens, "", 200, in)
	for _, pattern := range []string{"GET " + lens, "PUT " + lens, "DELETE " + lens} {
		method, path, _ := strings.Cut(pattern, " ")
		check(method, path, "", 401)
		check(method, path, "", 403, tablet)
	}
}
