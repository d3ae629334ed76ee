package web

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"lintel/internal/house"
)

// TestTwoWhoSave has two residents open one form, and the second save over what the
// first one did: they are told who it was and when, see what holds, and have what they
// typed; only the save after that counts.
func TestTwoWhoSave(t *testing.T) {
	h := newHouse(t)
	odile, other := h.session(h.resident("Odile")), h.session(h.resident("Rune"))
	door := h.door("the front door")
	forms := []struct {
		address      string
		one, two     url.Values
		keeps, shows string
	}{
		{"/rules/house", url.Values{"zone": {"Europe/Oslo"}, "percent": {"50"}},
			url.Values{"zone": {"Europe/Lisbon"}, "percent": {"30"}}, "Europe/Oslo", `value="Europe/Lisbon"`},
		{"/rules/masks/gate", url.Values{"masks": {quarter}}, url.Values{"masks": {"0.5,0.5 0.9,0.5 0.9,0.9"}},
			"1 mask is drawn.", "0.5,0.5 0.9,0.5 0.9,0.9"},
		{"/rules/advice/doors/" + door, typedDoor("the oak door", "gate", "house"),
			typedDoor("the elm door", "gate", "house"), "the oak door", `value="the elm door"`},
		{"/rules/advice/house", url.Values{"window": {"6"}, "expiry": {"60"}, "misses": {"3"}, "wait": {"15"}},
			url.Values{"window": {"7"}, "expiry": {"60"}, "misses": {"3"}, "wait": {"15"}}, "6 minutes",
			`name="window" value="7"`},
	}
	for _, f := range forms {
		t.Run(f.address, func(t *testing.T) {
			h.within(t)
			first := revisionIn.FindSubmatch(h.get(f.address, other).is(200).body)
			h.fill(f.address, f.one, odile).is(http.StatusSeeOther)
			f.two.Set("revision", string(first[1]))
			told := h.post(f.address, f.two, other).is(http.StatusConflict).says("Somebody saved before you").
				says("Odile saved this on Sunday 4 May, ").says(f.keeps).says(f.shows)
			f.two.Set("revision", string(revisionIn.FindSubmatch(told.body)[1]))
			h.post(f.address, f.two, other).is(http.StatusSeeOther)
		})
	}
	if rules, err := h.archive.Rules(t.Context()); err != nil || rules.Zone != "Europe/Lisbon" {
		t.Errorf("rules %+v, %v", rules, err)
	}
}

// TestKeepingMoved has the rules of keeping change between the preview and its save.
func TestKeepingMoved(t *testing.T) {
	h := newHouse(t)
	odile, other := h.session(h.resident("Odile")), h.session(h.resident("Rune"))
	shown := h.fill("/rules/keeping", typed("stranger.stills=50"), other).is(200)
	carried := url.Values{"rules": {shown.hidden()}, "revision": {string(revisionIn.FindSubmatch(shown.body)[1])}}
	again := h.fill("/rules/keeping", typed(), odile).is(200)
	h.fill("/rules/keeping/save", url.Values{"rules": {again.hidden()}}, odile).is(http.StatusSeeOther)

	told := h.post("/rules/keeping/save", carried, other).is(http.StatusConflict).says("Odile saved this").
		says("Strangers: photos are deleted after 48 hours").says(`name="stranger.stills" value="50"`)
	if rules, err := h.archive.Rules(t.Context()); err != nil ||
		rules.Keep[house.Stranger].Stills != (house.Period{Hours: 48}) {
		t.Errorf("rules %+v, %v", rules, err)
	}
	if strings.Contains(string(told.body), carried.Get("revision")) {
		t.Error("the form still has the old revision")
	}
}

// TestIfMatch asks as RFC 9110, section 13.1.1, has it: the change is made where one of
// the listed entity tags is that of what is there, or for "*"; else the answer is 412.
func TestIfMatch(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	for address, body := range map[string]string{"/api/v1/rules": sentRules, "/api/v1/bells/gate/masks": "[]",
		"/api/v1/messages": string(h.get("/api/v1/messages", in).is(200).body)} {
		t.Run(address, func(t *testing.T) {
			h.within(t)
			put := func(match string) *answer {
				options := []option{in}
				if match != "" {
					options = append(options, header("If-Match", match))
				}
				return h.ask("PUT", address, strings.NewReader(body), options...)
			}
			old := h.get(address, in).is(200).Header.Get("ETag")
			if !strings.HasPrefix(old, `"`) || !strings.HasSuffix(old, `"`) || len(old) < 4 {
				t.Fatalf("ETag %s", old)
			}
			put(`"another"`).isProblem(http.StatusPreconditionFailed, "changed-meanwhile")
			put(`W/`+old).isProblem(http.StatusPreconditionFailed, "changed-meanwhile") // weak ones never match
			put(`"another", ` + old).is(200)
			put("*").is(200)
			put("").is(200)
			if now := h.get(address, in).Header.Get("ETag"); address != "/api/v1/messages" && now == old {
				t.Errorf("changed, and the ETag is still %s", now)
			}
		})
	}
}
