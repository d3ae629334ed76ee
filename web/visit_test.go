package web

import (
	"net/http"
	"net/url"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
)

// TestVisitPage draws visits of every kind.
func TestVisitPage(t *testing.T) {
	h := newHouse(t)
	in, tablet := h.session(h.resident("Odile")), option(nil)
	h.furnish()
	tablet = h.session(h.tablet("Hall", "Odile"))
	var list struct{ Visits []visitJSON }
	h.get("/api/v1/visits?limit=100", in).is(200).into(&list)
	byRing := make(map[string]visitJSON)
	for _, v := range list.Visits {
		byRing[v.Ring] = v
	}
	for _, kind := range visitKinds(house.Person{ID: "x"}) {
		t.Run(kind.name, func(t *testing.T) {
			h.within(t)
			page := h.get("/visits/"+byRing[kind.name].ID, in).is(200)
			body := string(page.body)
			checkMarkup(t, body)
			faces := 0
			for _, s := range kind.stills {
				faces += len(s.faces)
			}
			if got := strings.Count(body, "<rect"); got != faces {
				t.Errorf("%d outlines of %d faces", got, faces)
			}
			if got := strings.Count(body, `alt="Still `); got != len(kind.stills) {
				t.Errorf("%d pictures of %d stills", got, len(kind.stills))
			}
			if got := strings.Count(body, `class="portrait large"`); (got > 0) != (faces > 0) || got > faces {
				t.Errorf("%d faces above, of %d", got, faces)
			}
			page.says("Photos and entry deleted ")
			h.allow(house.TabletRules{May: house.MayLook})
			body = string(h.get("/visits/"+byRing[kind.name].ID, tablet).is(200).body)
			_, body, _ = strings.Cut(body, "<main")
			for _, not := range []string{"<form", "/people", "/erase", "/who", "/undo", "/export"} {
				if strings.Contains(body, not) {
					t.Errorf("a tablet is shown %s", not)
				}
			}
		})
	}
}

// TestFacesAreOutlined checks the outlines, in pixels of the still.
func TestFacesAreOutlined(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	visit := h.rung("R1", 0, still(t, 1)).Visit // 160x120
	record(t, h.archive, visit, 0, face(90, 40, none, 0, ""), face(10, 50, h.enrolled("Ilse"), 1e-5, "strong"))
	page := h.get("/visits/"+visit, in).is(200)
	page.says(`viewBox="0 0 160 120"`)
	page.says(`<rect class="face strong" x="10" y="20" width="50" height="50"/>`)
	page.says(`<rect class="face " x="90" y="20" width="40" height="40"/>`)
	for _, m := range regexp.MustCompile(`<text [^>]*y="(-?\d+)" font-size="(\d+)"`).
		FindAllStringSubmatch(string(page.body), -1) {
		y, _ := strconv.Atoi(m[1])
		size, _ := strconv.Atoi(m[2])
		if y < size || y > 120 {
			t.Errorf("a number at %d, %d high, is off the still", y, size)
		}
	}
}

func TestHold(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	rules := house.DefaultRules()
	rules.Zone = "Europe/Lisbon"
	if err := h.archive.SetRules(t.Context(), rules); err != nil {
		t.Fatal(err)
	}
	visit := h.rung("R1", 0, still(t, 1)).Visit
	hold := func() *house.Hold {
		t.Helper()
		v, err := h.archive.Visit(t.Context(), visit)
		if err != nil {
			t.Fatal(err)
		}
		return v.Hold
	}
	address := "/visits/" + visit
	for _, test := range []struct{ reason, until, says string }{
		{"", "2031-05-10", "A reason has"},
		{"  ", "2031-05-10", "A reason has"},
		{"The scratch", "", "A hold needs an end"},
		{"The scratch", "2031-05-03", "The hold’s end has passed."},
		{"The scratch", "2033-05-04", "A hold ends within a year"},
		{"The scratch", "soon", "A day is written like"},
		{strings.Repeat("x", 1001), "2031-05-10", "A reason has"},
	} {
		a := h.post(address+"/hold", url.Values{"reason": {test.reason}, "until": {test.until}}, in).is(422).says(test.says)
		a.says(`value="` + test.until + `"`)
		if hold() != nil {
			t.Fatalf("held for %q until %q", test.reason, test.until)
		}
	}
	a := h.post(address+"/hold", url.Values{"reason": {"The scratch"}, "until": {"2031-05-10"}}, in).
		is(http.StatusSeeOther)
	if to := a.Header.Get("Location"); to != address {
		t.Errorf("leads to %s", to)
	}
	// The end of the day in Lisbon's summer.
	if got := hold(); got == nil || !got.EndsAt.Equal(time.Date(2031, 5, 10, 23, 0, 0, 0, time.UTC)) ||
		got.Reason != "The scratch" {
		t.Fatalf("held %+v", got)
	}
	h.get(address, in).is(200).says("Held until the end of Saturday 10 May: The scratch").says(`value="2031-05-10"`).
		says("End the hold")
	h.get(address+"/erase", in).is(200).says("End its hold first")
	h.post(address+"/erase", nil, in).isProblem(409, "held")
	h.post(address+"/release", nil, in).is(http.StatusSeeOther)
	h.post(address+"/release", nil, in).is(http.StatusSeeOther) // pressed twice
	if hold() != nil {
		t.Error("held still")
	}
	for _, path := range []string{"hold", "release", "erase"} {
		h.post("/visits/NOSUCHVISIT/"+path, url.Values{"reason": {"The scratch"}, "until": {"2031-05-10"}}, in).
			isProblem(404, "not-found")
	}
	h.get("/visits/NOSUCHVISIT", in, browser).is(404).says("may have been erased")
	h.get("/visits/NOSUCHVISIT/erase", in).isProblem(404, "not-found")
	h.post("/visits/NOSUCHVISIT/hold", nil, in).is(404) // the bad hold is not shown for want of a visit
}

func TestParcel(t *testing.T) {
	h := newHouse(t)
	token := h.resident("Odile")
	in := h.session(token)
	visit := h.rung("R1", 0, still(t, 1)).Visit
	record(t, h.archive, visit, 0)
	for _, test := range []struct {
		parcel string
		kind   house.Kind
		says   string
	}{{"true", house.Parcel, "No parcel after all"}, {"true", house.Parcel, "Parcels are kept 72 hours"},
		{"false", house.NoFace, "A parcel came"}} {
		h.post("/visits/"+visit+"/parcel", url.Values{"parcel": {test.parcel}}, in).is(http.StatusSeeOther)
		h.get("/visits/"+visit, in).is(200).says(test.says)
		if v := h.visit(visit, token); v.Kind != test.kind || v.Parcel != (test.parcel == "true") {
			t.Errorf("parcel %s makes it %s, %t", test.parcel, v.Kind, v.Parcel)
		}
	}
	for _, bad := range []string{"", "yes", "1"} {
		h.post("/visits/"+visit+"/parcel", url.Values{"parcel": {bad}}, in).isProblem(400, "bad-form")
	}
	h.post("/visits/NOSUCHVISIT/parcel", url.Values{"parcel": {"true"}}, in).isProblem(404, "not-found")
}

func TestEraseVisit(t *testing.T) {
	told := 0
	h := newHouse(t, func(c *Config) { c.Erased = func() { told++ } })
	in := h.session(h.resident("Odile"))
	visit, other := h.rung("R1", 0, still(t, 1)).Visit, h.rung("R2", 0, still(t, 2)).Visit
	h.rung("R1", 1, still(t, 3))
	h.get("/visits/"+visit+"/erase", in).is(200).says("2 stills with 0 faces")
	h.keeps(3) // the page alone erases nothing
	a := h.post("/visits/"+visit+"/erase", nil, in).is(http.StatusSeeOther)
	h.get(a.Header.Get("Location"), in).is(200).says("1 visit erased.")
	h.keeps(1)
	h.get("/visits/"+visit, in).isProblem(404, "not-found")
	h.ring("R1", 0, still(t, 1)).isProblem(410, "erased")
	h.ask("DELETE", "/api/v1/visits/"+other, nil, in).is(200)
	h.keeps(0)
	h.ask("DELETE", "/api/v1/visits/"+other, nil, in).isProblem(404, "not-found")
	if told != 2 {
		t.Errorf("told %d times that something was erased", told)
	}
	// What an address says was erased is a number or nothing.
	for _, bad := range []string{"x", "-1", "<b>"} {
		if words := doneWords(speak(language), url.Values{"erased": {bad}}); words != "" {
			t.Errorf("%q: %s", bad, words)
		}
	}
}
