package web

import (
	"html"
	"maps"
	"net/http"
	"net/url"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
)

// typedRules and sentRules are the same rules as a browser sends them and as a
// program does.
const (
	typedRules = "stranger.stills=48&stranger.stills.unit=h&stranger.findings=14&stranger.findings.unit=d" +
		"&stranger.smaller=12&stranger.smaller.unit=h" +
		"&person.stills=30&person.stills.unit=d&parcel.stills=72&parcel.stills.unit=h" +
		"&no-face.stills=24&no-face.stills.unit=h" +
		"&damaged.stills=24&damaged.stills.unit=h" +
		"&quiet.0.day=6&quiet.0.day=0&quiet.0.from=22:30&quiet.0.until=06:00"
	sentRules = `{"zone":"Europe/Lisbon","keep":{
		"stranger":{"smaller":"12h","stills":"48h","findings":"14d"},"person":{"smaller":"","stills":"30d","findings":"30d"},
		"parcel":{"smaller":"","stills":"72h","findings":"72h"},"no-face":{"smaller":"","stills":"24h","findings":"24h"},
		"damaged":{"smaller":"","stills":"24h","findings":"24h"}},
		"quiet":[{"days":[6,0],"from":"22:30","until":"06:00"}]}`
)

// typed is that form with fields changed ("name=value") or taken out ("name").
func typed(changes ...string) url.Values {
	form, err := url.ParseQuery(typedRules)
	if err != nil {
		panic(err)
	}
	for _, change := range changes {
		if name, value, ok := strings.Cut(change, "="); ok {
			form.Set(name, value)
		} else {
			form.Del(change)
		}
	}
	return form
}

func evilRules(evil string) url.Values {
	return typed("stranger.stills="+evil, "quiet.0.from="+evil, "quiet.0.day="+evil)
}

// hidden returns the rules that a preview carries.
func (a *answer) hidden() string {
	a.t.Helper()
	_, rest, _ := strings.Cut(string(a.body), `name="rules" value="`)
	value, _, ok := strings.Cut(rest, `"`)
	if !ok {
		a.t.Fatalf("the page carries no rules:\n%s", a.body)
	}
	return html.UnescapeString(value)
}

// TestChangingRules goes the whole way on the page: as it is, typed, shown what
// goes, back, and saved.
func TestChangingRules(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	h.get("/rules/keeping", in).is(200).says("Strangers: photos and entry are deleted after 72 hours.").
		says("Known persons: photos and entry are deleted after 30 days.").
		says("paragraph 121").says("data-protection authority")

	// Two strangers and two pictures without a face, 60 hours ago.
	for i, ring := range []string{"R1", "R2", "R3", "R4"} {
		v := h.found(ring, i < 2)
		if i == 0 {
			if err := h.archive.PlaceHold(t.Context(), v, "A claim", h.clock.now().Add(240*time.Hour)); err != nil {
				t.Fatal(err)
			}
		}
	}
	h.clock.advance(60 * time.Hour)

	a := h.fill("/rules/keeping", typed(), in).is(200).
		says("Strangers: the photos of 1 visit would be deleted, and its entry stays.").
		says("Visits without a face: 2 visits would be deleted.").
		says("Strangers: photos are kept 48 hours instead of 72 hours: shorter.").
		says("Strangers: the entry is kept 14 days instead of 72 hours: longer.").
		says("Strangers: photos keep their size only 12 hours: shorter.").
		says("From now on nothing is kept on Saturday and Sunday from 22:30 until 06:00 the next day.").
		says("Strangers: photos are deleted after 48 hours, the entry after 14 days.").
		says("Strangers: photos are made smaller after 12 hours.")
	if rules, _ := h.archive.Rules(t.Context()); rules.Zone != "" {
		t.Fatal("a preview saved the rules")
	}
	h.keeps(4)

	h.fill("/rules/keeping", url.Values{"rules": {a.hidden()}, "back": {"1"}}, in).is(200).
		says(`name="stranger.stills" value="48"`).says(`name="stranger.findings" value="14"`).
		says(`name="quiet.0.day" value="6" checked`).says(`value="22:30"`).
		says(`name="person.findings" value=""`)

	b := h.fill("/rules/keeping/save", url.Values{"rules": {a.hidden()}}, in).is(http.StatusSeeOther)
	h.get(b.Header.Get("Location"), in).is(200).says("The rules are saved").
		says("Nothing is kept on Saturday and Sunday from 22:30")
	var rules map[string]any
	h.get("/api/v1/rules", in).is(200).into(&rules)
	if keep := rules["keep"].(map[string]any); keep["stranger"].(map[string]any)["stills"] != "48h" {
		t.Errorf("saved %v", rules)
	}
	h.fill("/rules/keeping", typed(), in).is(200).says("Nothing: these are the rules as they are.").says("Save")
}

// found rings and records one stranger, or nobody.
func (h *household) found(ring string, face bool) (visit string) {
	h.t.Helper()
	visit = h.rung(ring, 0, still(h.t, 1)).Visit
	v, err := h.archive.Visit(h.t.Context(), visit)
	if err != nil {
		h.t.Fatal(err)
	}
	var faces []house.Face
	if face {
		faces = append(faces, house.Face{Box: faceBox})
	}
	if err := h.archive.Record(h.t.Context(), v.Stills[0].ID, house.Done, faces); err != nil {
		h.t.Fatal(err)
	}
	return visit
}

func TestNothingGoes(t *testing.T) {
	h := newHouse(t)
	h.fill("/rules/keeping", typed(), h.session(h.resident("Odile"))).is(200).says("Nothing would be deleted now.").
		says("Save")
}

// TestBadRules has the form come back as typed, with what is wrong, and nothing
// saved. No such zones: the tz database's zone.tab and backward.
func TestBadRules(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	before, err := h.archive.Rules(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	tests := []struct {
		change      string
		says, shows string
	}{
		{"stranger.stills=0", "Strangers: a period is one hour at least", `value="0"`},
		{"stranger.stills=-3", "Strangers: “-3h” is not a period", `value="-3"`},
		{"stranger.stills=1.5", "“1.5h” is not a period", `value="1.5"`},
		{"stranger.stills=", "how long", `name="stranger.stills" value=""`},
		{"stranger.stills=9999999", "not a period", `value="9999999"`},
		{"person.stills=3661", "3660 days at most", `value="3661"`},
		{"stranger.findings=1", "an entry is kept as long as its photos, or longer", `name="stranger.findings" value="1"`},
		{"stranger.smaller=99", "smaller before they are deleted", `name="stranger.smaller" value="99"`},
		{"quiet.0.from=25:00", "not a time of day", `value="25:00"`},
		{"quiet.0.until=", "not a time of day", `name="quiet.0.until" value=""`},
		{"quiet.0.day=9", "tick the days", `name="quiet.0.until" value="06:00"`},
	}
	for _, test := range tests {
		t.Run(test.change, func(t *testing.T) {
			h.within(t)
			form := typed(test.change)
			if test.change == "stranger.findings=1" {
				form.Set("stranger.findings.unit", "h")
			}
			h.fill("/rules/keeping", form, in).is(http.StatusUnprocessableEntity).says(test.says).says(test.shows).
				says("Nothing is saved yet").
				says(`name="no-face.stills" value="24"`)
		})
	}
	for _, bad := range []string{"", "{", `{"zone":1}`, `{"zones":""}`, sentRules + sentRules} {
		h.fill("/rules/keeping/save", url.Values{"rules": {bad}}, in).isProblem(400, "bad-form")
	}
	h.fill("/rules/keeping/save", url.Values{"rules": {`{"keep":{}}`}}, in).isProblem(422, "bad-rule")
	if after, err := h.archive.Rules(t.Context()); err != nil || !maps.Equal(after.Keep, before.Keep) ||
		after.Zone != before.Zone || len(after.Quiet) > 0 {
		t.Errorf("the rules are now %+v, %v", after, err)
	}
}

// TestQuietTimes adds and removes without a script, and without saving.
func TestQuietTimes(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	a := h.fill("/rules/keeping", typed("add=1", "stranger.stills=x"), in).is(200).says("Quiet time 2").says(`value="x"`).
		says(`name="quiet.1.from" value="22:00"`)
	if strings.Contains(string(a.body), "Quiet time 3") {
		t.Error("added more than one")
	}
	two := typed("remove=0", "quiet.1.from=12:15", "quiet.1.until=13:00", "quiet.1.day=2")
	a = h.fill("/rules/keeping", two, in).is(200).says("Quiet time 1").says(`name="quiet.0.from" value="12:15"`).
		says(`name="quiet.0.day" value="2" checked`)
	if strings.Contains(string(a.body), "22:30") {
		t.Error("the first is still there")
	}
	for _, none := range []string{"7", "-1", "x"} {
		form := typed("remove="+none, "stranger.stills=x")
		h.fill("/rules/keeping", form, in).is(422).says(`value="22:30"`)
	}
	many := url.Values{}
	for i := range 400 {
		many.Set("quiet."+strconv.Itoa(i)+".from", "")
	}
	if d := readRulesForm(many); len(d.Quiet) != maxQuiets {
		t.Errorf("read %d quiet times", len(d.Quiet))
	}
}

func TestHoldsOnRules(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	h.get("/rules/keeping", in).is(200).says("No visit is held past its time.")
	visit := h.found("R1", true)
	ends := h.clock.now().Add(72 * time.Hour)
	if err := h.archive.PlaceHold(t.Context(), visit, "The <b>gate</b> was broken", ends); err != nil {
		t.Fatal(err)
	}
	h.get("/rules/keeping", in).is(200).says("/visits/" + visit).says("Wednesday 7 May, 18:30").
		says("The &lt;b&gt;gate&lt;/b&gt; was broken")
	var list struct{ Holds []placedHoldJSON }
	h.get("/api/v1/holds", in).is(200).into(&list)
	if len(list.Holds) != 1 || list.Holds[0].Visit != visit ||
		!list.Holds[0].EndsAt.Equal(h.clock.now().Add(72*time.Hour)) {
		t.Errorf("holds %+v", list)
	}
	for range 2 { // once more, as when two residents do
		h.post("/rules/holds/"+visit+"/end", nil, in).is(http.StatusSeeOther)
	}
	h.get("/rules/keeping", in).is(200).says("No visit is held past its time.")
}

// TestZone has a household elsewhere than its server. 18:30 UTC on 4 May 2031
// is 06:30 on the 5th in Auckland (tz database: NZST, +12, from 6 April 2031).
func TestZone(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	if zone := h.zone(t.Context()); zone != time.UTC {
		t.Errorf("zone %v, want the server's", zone)
	}
	rules := strings.Replace(sentRules, "Europe/Lisbon", "Pacific/Auckland", 1)
	h.ask("PUT", "/api/v1/rules", strings.NewReader(rules), in).is(200)
	if zone := h.zone(t.Context()); zone.String() != "Pacific/Auckland" {
		t.Errorf("zone %v", zone)
	}
	h.rung("R1", 0, still(t, 1))
	h.get("/upkeep", in).is(200).says("last heard Monday 5 May, 06:30")
}

func TestRulesByAPI(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	h.found("R1", false)
	h.clock.advance(25 * time.Hour)
	var preview struct{ Kinds map[string]house.Swept }
	h.ask("POST", "/api/v1/rules/preview", strings.NewReader(sentRules), in).is(200).into(&preview)
	if preview.Kinds["no-face"].Visits != 1 || preview.Kinds["stranger"] != (house.Swept{}) {
		t.Errorf("preview %+v", preview)
	}
	change := func(old, new string) string {
		if !strings.Contains(sentRules, old) {
			t.Fatalf("no %s", old)
		}
		return strings.Replace(sentRules, old, new, 1)
	}
	tests := []struct {
		body   string
		status int
		kind   string
	}{
		{"", 400, "bad-body"}, {"null null", 400, "bad-body"}, {"[]", 400, "bad-body"}, {`{"keeps":{}}`, 400, "bad-body"},
		{strings.Repeat(" ", maxJSON+1), 413, "too-large"},
		{"{}", 422, "bad-rule"}, {"null", 422, "bad-rule"},
		{change(`"48h"`, `"0h"`), 422, "bad-rule"}, {change(`"48h"`, `"-1h"`), 422, "bad-rule"},
		{change(`"48h"`, `""`), 422, "bad-rule"},
		{change(`"48h"`, `"15d"`), 422, "bad-rule"}, {change(`"48h"`, `48`), 400, "bad-body"},
		{change(`Europe/Lisbon`, `Mars/Base`), 422, "bad-rule"}, {change(`"22:30"`, `"22:61"`), 422, "bad-rule"},
		{change(`[6,0]`, `[]`), 422, "bad-rule"}, {change(`[6,0]`, `[7]`), 422, "bad-rule"},
		{change(`"parcel"`, `"looking"`), 422, "bad-rule"},
	}
	for _, test := range tests {
		h.ask("PUT", "/api/v1/rules", strings.NewReader(test.body), in).isProblem(test.status, test.kind)
		h.ask("POST", "/api/v1/rules/preview", strings.NewReader(test.body), in).isProblem(test.status, test.kind)
	}
	if rules, err := h.archive.Rules(t.Context()); err != nil || rules.Zone != "" {
		t.Errorf("the rules are now %+v, %v", rules, err)
	}
}

// TestZoneNames compares with the tz database's own table, where there is one.
func TestZoneNames(t *testing.T) {
	if _, err := os.Stat("/usr/share/zoneinfo/zone.tab"); err != nil {
		t.Skip("SKIPPED: no zone.tab; Debian's tzdata has it")
	}
	names := zoneNames()
	if len(names) < 300 {
		t.Errorf("%d names", len(names))
	}
	for _, name := range names {
		if _, err := time.LoadLocation(name); err != nil {
			t.Error(err)
		}
	}
}
