package web

import (
	"fmt"
	"html"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/store"
)

// A bookHouse has three visits a day at two bells, of three kinds, and keeps
// its days by Lisbon's clock.
type bookHouse struct {
	*household
	in     option
	person house.Person
	all    []kept // oldest first
}

type kept struct {
	id, bell, day string // the day in Lisbon
	kind          house.Kind
	picture       bool // whether there is a sign of one
}

func newBookHouse(t *testing.T, days int) bookHouse {
	t.Helper()
	h := bookHouse{household: newHouse(t)}
	h.in = h.session(h.resident("Odile"))
	rules := house.DefaultRules()
	rules.Zone = "Europe/Lisbon"
	if err := h.archive.SetRules(t.Context(), rules); err != nil {
		t.Fatal(err)
	}
	if _, err := h.archive.AddBell(t.Context(), "yard"); err != nil {
		t.Fatal(err)
	}
	h.person = h.enrolled("Ilse Amberg")
	for i := range 3 * days {
		k := kept{bell: []string{"gate", "yard"}[i%2], kind: []house.Kind{house.Known, house.Stranger, house.NoFace}[i%3]}
		k.day = h.clock.now().In(rules.Location()).Format(time.DateOnly)
		var err error
		k.id, _, err = h.archive.Keep(t.Context(), house.NewStill{Bell: k.bell, Ring: fmt.Sprint(i), JPEG: still(t, 1),
			Width: 160, Height: 120, ReceivedAt: h.clock.now()})
		if err != nil {
			t.Fatal(err)
		}
		faces := map[house.Kind][]house.Face{house.Known: {face(10, 50, h.person, 1e-5, "strong")},
			house.Stranger: {face(10, 50, none, 0, "")}}
		if k.picture = i%5 == 0 && k.kind != house.NoFace; k.picture {
			faces[k.kind][0].Liveness = &house.Liveness{Level: house.Doubtful, Probability: 0.6, Frames: 1}
		}
		record(t, h.archive, k.id, 0, faces[k.kind]...)
		h.all = append(h.all, k)
		h.clock.advance(8 * time.Hour)
	}
	return h
}

// wanted lists the ids of visits that fit, newest first.
func (h bookHouse) wanted(fits func(kept) bool) (ids []string) {
	for _, k := range slices.Backward(h.all) {
		if fits(k) {
			ids = append(ids, k.id)
		}
	}
	return ids
}

var entryLink = regexp.MustCompile(`<a class="entry [a-z-]+" href="/visits/([A-Z2-7]+)">`)
var earlierLink = regexp.MustCompile(`href="([^"]+)" rel="next"`)

// leaf goes through the pages of the book from an address on.
func (h bookHouse) leaf(address string) (ids []string, pages int) {
	h.t.Helper()
	for address != "" {
		page := string(h.get(address, h.in).is(200).body)
		for _, m := range entryLink.FindAllStringSubmatch(page, -1) {
			ids = append(ids, m[1])
		}
		pages++
		address = ""
		if m := earlierLink.FindStringSubmatch(page); m != nil {
			address = html.UnescapeString(m[1])
		}
		if pages > 100 {
			h.t.Fatal("the book has no end")
		}
	}
	return ids, pages
}

// turn goes through the book by the API.
func (h bookHouse) turn(query url.Values) (ids []string) {
	h.t.Helper()
	for range 100 {
		var answer struct {
			Visits []visitJSON
			Next   string
		}
		h.get("/api/v1/visits?"+query.Encode(), h.in).is(200).into(&answer)
		for _, v := range answer.Visits {
			ids = append(ids, v.ID)
		}
		if answer.Next == "" {
			return ids
		}
		query.Set("cursor", answer.Next)
	}
	h.t.Fatal("the book has no end")
	return nil
}

// TestBook asks for the book by every filter, on the page and by the API, and
// compares with the visits that were kept.
func TestBook(t *testing.T) {
	h := newBookHouse(t, 25)
	held := h.all[40].id
	if err := h.archive.PlaceHold(t.Context(), held, "The <scratch>", h.clock.now().Add(time.Hour)); err != nil {
		t.Fatal(err)
	}
	tests := []struct {
		name       string
		page, call url.Values
		fits       func(kept) bool
	}{
		{"all", url.Values{}, url.Values{}, func(kept) bool { return true }},
		{"an empty form", url.Values{"bell": {""}, "kind": {""}, "person": {""}, "from": {""}, "until": {""}, "held": {""},
			"name": {" "}, "picture": {""}, "day": {""}, "year": {""}},
			url.Values{"held": {"false"}},
			func(kept) bool { return true }},
		{"a bell", url.Values{"bell": {"yard"}}, url.Values{"bell": {"yard"}},
			func(k kept) bool { return k.bell == "yard" }},
		{"a kind", url.Values{"kind": {"no-face"}}, url.Values{"kind": {"no-face"}},
			func(k kept) bool { return k.kind == house.NoFace }},
		{"a person", url.Values{"person": {h.person.ID}}, url.Values{"person": {h.person.ID}},
			func(k kept) bool { return k.kind == house.Known }},
		{"a bell and a person", url.Values{"bell": {"gate"}, "person": {h.person.ID}},
			url.Values{"bell": {"gate"}, "person": {h.person.ID}},
			func(k kept) bool { return k.kind == house.Known && k.bell == "gate" }},
		{"from a day on", url.Values{"from": {"2031-05-20"}}, url.Values{"from": {"2031-05-20T00:00:00+01:00"}},
			func(k kept) bool { return k.day >= "2031-05-20" }},
		{"one day", url.Values{"from": {"2031-05-20"}, "until": {"2031-05-20"}},
			url.Values{"from": {"2031-05-19T23:00:00Z"}, "until": {"2031-05-20T23:00:00Z"}},
			func(k kept) bool { return k.day == "2031-05-20" }},
		{"held", url.Values{"held": {"true"}}, url.Values{"held": {"true"}}, func(k kept) bool { return k.id == held }},
		{"the beginning of a name", url.Values{"name": {"ilse"}}, url.Values{"name": {"AMB"}},
			func(k kept) bool { return k.kind == house.Known }},
		{"both its words, with an accent", url.Values{"name": {"ámb ILS"}}, url.Values{"name": {"ilse ämberg"}},
			func(k kept) bool { return k.kind == house.Known }},
		{"the middle of a name", url.Values{"name": {"mberg"}}, url.Values{"name": {"lse"}},
			func(kept) bool { return false }},
		{"a name and another person", url.Values{"name": {"ilse"}, "person": {"X"}},
			url.Values{"name": {"ilse"}, "person": {"X"}}, func(kept) bool { return false }},
		{"a sign of a picture", url.Values{"picture": {"true"}}, url.Values{"picture": {"true"}},
			func(k kept) bool { return k.picture }},
		{"a sign of a picture, of a person at a bell",
			url.Values{"picture": {"true"}, "person": {h.person.ID}, "bell": {"yard"}},
			url.Values{"picture": {"true"}, "name": {"ilse"}, "bell": {"yard"}, "kind": {"person"}},
			func(k kept) bool { return k.picture && k.kind == house.Known && k.bell == "yard" }},
		{"no such bell", url.Values{"bell": {"attic"}}, url.Values{"bell": {"attic"}}, func(kept) bool { return false }},
		{"no such person", url.Values{"person": {"X"}}, url.Values{"person": {"X"}}, func(kept) bool { return false }},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			h.within(t)
			want := h.wanted(test.fits)
			got, pages := h.leaf("/visits?" + test.page.Encode())
			if wantPages := max(1, (len(want)+rowsOnPage-1)/rowsOnPage); !slices.Equal(got, want) || pages != wantPages {
				t.Errorf("the page has %d visits on %d pages, want %d on %d", len(got), pages, len(want), wantPages)
			}
			for _, limit := range []string{"7", "100"} {
				query := url.Values{"limit": {limit}}
				for name, v := range test.call {
					query[name] = v
				}
				if got := h.turn(query); !slices.Equal(got, want) {
					t.Errorf("the API has %d visits, %s a page, want %d", len(got), limit, len(want))
				}
			}
		})
	}
}

// TestBookOfHeld marks what is held, and tells the reason on the visit, to residents
// alone.
func TestBookOfHeld(t *testing.T) {
	h := newBookHouse(t, 1)
	if err := h.archive.PlaceHold(t.Context(), h.all[0].id, "The <scratch>", h.clock.now().Add(time.Hour)); err != nil {
		t.Fatal(err)
	}
	tablet := h.session(h.tablet("Hall", "Odile"))
	for _, who := range []option{h.in, tablet} {
		page := h.get("/visits?held=true", who).is(200).says(`<span class="tag">Held</span>`)
		checkMarkup(t, string(page.body))
		if strings.Contains(string(page.body), "scratch") {
			t.Error("the book tells why a visit is held")
		}
	}
	h.get("/visits/"+h.all[0].id, h.in).is(200).says("The &lt;scratch&gt;")
	for _, address := range []string{"/visits", "/visits/" + h.all[0].id} {
		page := h.get(address, tablet).is(200).says("Held")
		if strings.Contains(string(page.body), "scratch") || strings.Contains(string(page.body), "Erase") {
			t.Errorf("%s: a tablet is shown a reason, or the way to erase", address)
		}
	}
	var answer struct{ Visits []visitJSON }
	h.get("/api/v1/visits?held=true", tablet).is(200).into(&answer)
	if hold := answer.Visits[0].Hold; hold == nil || hold.Reason != "" {
		t.Errorf("a tablet is told of the hold %+v", hold)
	}
	h.get("/api/v1/visits?held=true", h.in).is(200).into(&answer)
	if hold := answer.Visits[0].Hold; hold == nil || hold.Reason != "The <scratch>" {
		t.Errorf("a resident is told of the hold %+v", hold)
	}
}

func TestBookRefusesBadFilters(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	for _, query := range []string{"kind=visitors", "held=perhaps", "picture=some", "day=today", "year=x", "year=12026",
		"from=yesterday", "until=2031-02-30",
		"from=2031-05-05&until=2031-05-04",
		"cursor=x", "cursor=-", "cursor=1-" + strings.Repeat("A", 65), "from=2031-05-04T00:00:00Z"} {
		page := h.get("/visits?"+query, in, browser).is(400).says(`role="alert"`)
		checkMarkup(t, string(page.body))
	}
	// A cursor of a visit that has gone is a place all the same.
	h.get("/visits?cursor=zz-GONE", in).is(200)
}

// TestBookSaysWhatBecame shows stills that went by a rule and one that broke.
func TestBookSaysWhatBecame(t *testing.T) {
	h := newBookHouse(t, 1)
	rules := house.DefaultRules()
	rules.Keep[house.Known] = house.Rule{Stills: house.Period{Hours: 1}, Findings: house.Period{Days: 30}}
	if err := h.archive.SetRules(t.Context(), rules); err != nil {
		t.Fatal(err)
	}
	known := h.all[0].id
	if _, err := h.archive.Sweep(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	h.get("/visits", h.in).is(200).says("Still gone, as the rules say").says("Ilse Amberg")
	h.get("/visits/"+known, h.in).is(200).says("This still is gone, as the rules say.").says("Ilse Amberg")
	var v visitJSON
	h.get("/api/v1/visits/"+known, h.in).is(200).into(&v)
	if v.Stage != "findings" || v.Stills[0].Present || v.Stills[0].Lost || v.Fate.Rule != house.Known ||
		v.Fate.Period != (house.Period{Days: 30}) || !v.Fate.StillsGoneAt.IsZero() {
		t.Errorf("the API says %+v", v)
	}
	h.get("/api/v1/visits/"+known+"/stills/0", h.in).isProblem(404, "not-found")
}

// TestErasePeriod erases days, on the page and by the API.
func TestErasePeriod(t *testing.T) {
	told := 0
	h := newBookHouse(t, 4)
	h.Erased = func() { told++ }
	day := h.all[4].day
	ofDay := h.wanted(func(k kept) bool { return k.day == day })
	if err := h.archive.PlaceHold(t.Context(), ofDay[0], "The scratch", h.clock.now().Add(time.Hour)); err != nil {
		t.Fatal(err)
	}
	period := url.Values{"from": {day}, "until": {day}}
	h.get("/visits/erase?"+period.Encode(), h.in).is(200).says("Erase " + speak(language).N(len(ofDay)-1, "visit")).
		says("1 visit is held and would stay")
	h.get("/visits/erase", h.in).is(200).says("Every visit of these days goes for good")
	h.post("/visits/erase", url.Values{}, h.in).isProblem(400, "bad-period")
	for _, bad := range []url.Values{{"from": {""}, "until": {""}}, {"from": {day}}, {"until": {day}}, {"from": {day}, "until": {"2031-01-01"}},
		{"from": {"x"}, "until": {day}}} {
		h.get("/visits/erase?"+bad.Encode(), h.in).is(400).says("Nothing was erased")
		h.post("/visits/erase", bad, h.in).isProblem(400, "bad-period")
	}
	h.keeps(len(h.all))
	h.over(h.post("/visits/erase", period, h.in), h.in).
		says(speak(language).N(len(ofDay)-1, "visit") + " erased. 1 visit is held and stays.")
	h.keeps(len(h.all) - len(ofDay) + 1)
	if told != 1 {
		t.Errorf("told %d times that something was erased", told)
	}
	h.get("/visits/erase?from=2001-01-01&until=2001-01-01", h.in).is(200).says("There is no visit that would go.")

	e := h.erasedBy(h.ask("DELETE", "/api/v1/visits?from=2031-01-01T00:00:00Z&until=2032-01-01T00:00:00Z", nil,
		h.in), h.in)
	if want := (store.Erased{Visits: len(h.all) - len(ofDay), Held: 1}); e.Erased != want || told != 2 {
		t.Errorf("erased %+v, want %+v; told %d times", e, want, told)
	}
	h.keeps(1)
}
