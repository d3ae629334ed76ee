package web

import (
	"net/url"
	"strings"
	"testing"
)

// A bell with spaces in its name rings by its address, and is called by its name on
// every screen; once renamed, by that, and it still rings.
func TestBellNamesOnPages(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	secret, err := h.archive.AddBell(t.Context(), "Garden door & path")
	if err != nil {
		t.Fatal(err)
	}
	ring := func(id string) string {
		t.Helper()
		a := h.ask("POST", "/api/v1/bells/garden-door-path/stills", strings.NewReader(string(still(t, 7))),
			header("Authorization", "Bearer "+h.secret(secret)), header("Content-Type", "image/jpeg"),
			header("Lintel-Ring", id), header("Lintel-Frame", "0")).is(201)
		var receipt struct{ Visit string }
		a.into(&receipt)
		return receipt.Visit
	}
	visit := ring("R1")
	h.ask("POST", "/api/v1/bells/Garden%20door%20&%20path/stills", nil).isProblem(404, "unknown-bell")
	says := func(name, other string) {
		t.Helper()
		for _, page := range []string{"/", "/visits", "/visits/" + visit, "/upkeep", "/rules/privacy",
			"/rules/masks/garden-door-path", "/rules/lens/garden-door-path", "/rules/advice/doors",
			"/visits/" + visit + "/erase"} {
			a := h.get(page, in).is(200).says(name)
			checkMarkup(t, string(a.body))
			if strings.Contains(string(a.body), other) {
				t.Errorf("%s says %s", page, other)
			}
		}
	}
	says("Garden door &amp; path", "Ivy porch")
	h.refusesBellNames(in)
	h.post("/upkeep/bells/garden-door-path/name", url.Values{"name": {"Ivy porch"}}, in).is(303)
	says("Ivy porch", "Garden door")
	ring("R2")
	var kept struct {
		Bell     string
		BellName string `json:"bell_name"`
	}
	h.get("/api/v1/visits/"+visit, in).is(200).into(&kept)
	if kept.Bell != "garden-door-path" || kept.BellName != "Ivy porch" {
		t.Errorf("%+v", kept)
	}
	var bells struct{ Bells []bellJSON }
	h.get("/api/v1/bells", in).is(200).into(&bells)
	if len(bells.Bells) != 2 || bells.Bells[0].Address != "garden-door-path" || bells.Bells[0].Name != "Ivy porch" {
		t.Errorf("%+v", bells)
	}
	h.get("/visits?bell=garden-door-path", in).is(200).says(visit)
	if page := h.get("/visits?bell=gate", in).is(200); strings.Contains(string(page.body), visit) {
		t.Error("under another bell too")
	}
}

// refusesBellNames gives the bell names that are none.
func (h *household) refusesBellNames(in option) {
	t := h.t
	t.Helper()
	name := func(name string) url.Values { return url.Values{"name": {name}} }
	h.post("/upkeep/bells/garden-door-path/name", name("Gate"), in).is(422).says("A bell has this name or address")
	h.post("/upkeep/bells/garden-door-path/name", name(" "), in).is(422).says("1 to 64 characters")
	h.post("/upkeep/bells/garden-door-path/name", name("x\u202ey"), in).is(422).says("Type it anew")
	h.post("/upkeep/bells/cellar/name", name("x"), in).isProblem(404, "unknown-bell")
	for body, want := range map[string]string{`{"name":"gate"}`: "name-taken", `{"name":""}`: "bad-name",
		`{"name":"\u202e"}`: "bad-name"} {
		if a := h.ask("PUT", "/api/v1/bells/garden-door-path/name", strings.NewReader(body), in,
			header("Content-Type", "application/json")); a.problem() != want {
			t.Errorf("%s: %s", body, a.body)
		}
	}
}
