package web

import (
	"cmp"
	"encoding/json"
	"fmt"
	"html"
	"net/http"
	"net/url"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/advice/policy"
)

// What browsers and programs send of advice; names in braces are of a ruled.
const (
	typedRule = "person={ruled-person}&door={lasting-door}&kind=allowed&day=1&day=2&from=07:00&to=20:00" +
		"&factor=code&factor=arrival&need=1&band=strong"
	typedHouse  = "window=5&expiry=60&misses=3&wait=15&holidays=2031-12-25&latitude=&longitude=&radius="
	typedParcel = "door={parcel-door}&note=A+lamp&from=2031-06-01T09:00&to=2031-06-01T12:00&window=60"
	sentRule    = `{"person":"{ruled-person}","door":"{lasting-door}","allowed":true,` +
		`"days":[false,true,true,false,false,false,false],"from_minute":420,"to_minute":1200,` +
		`"holidays":false,"factors":["arrival","code"],"need":1,"band":"strong","liveness":"no-sign","cant_tell":false}`
	sentHouse = `{"paused":false,"away_until":null,"parcels_while_away":true,"window_s":300,"expiry_s":60,` +
		`"misses":3,"wait_s":900,"holidays":["2031-12-25"],` +
		`"home":{"latitude_deg":48.5,"longitude_deg":-9.25,"radius_m":80}}`
	sentParcel = `{"door":"{parcel-door}","note":"A lamp",` +
		`"from":"2031-06-01T09:00:00Z","to":"2031-06-01T12:00:00Z","window_s":60}`
)

// A ruled is a household with a door, a door for parcels, and somebody at home
// there; and with a door, a rule and a parcel for each pattern that names one.
type ruled struct {
	door, parcelDoor, person string
	rule                     house.DoorRule
	doors, rules, parcels    map[string]string // by pattern
}

func (r ruled) place(pattern string) *strings.Replacer {
	return strings.NewReplacer("{lasting-door}", r.door, "{parcel-door}", r.parcelDoor, "{ruled-person}", r.person,
		"{door}", cmp.Or(r.doors[pattern], r.door), "{rule}", cmp.Or(r.rules[pattern], r.rule.ID), "{parcel}",
		cmp.Or(r.parcels[pattern], "NOSUCHPARCEL"))
}

func (h *household) ruledFor(patterns ...string) (r ruled) {
	h.t.Helper()
	set := func(id string, err error) string {
		h.t.Helper()
		if err != nil {
			h.t.Fatal(err)
		}
		return id
	}
	ctx := h.t.Context()
	r.person = h.enrolledAs("Edda Marl", 9).ID
	r.door = set(h.archive.SetDoor(ctx, house.Door{Name: h.secret("the oak door"), Bell: "gate"}))
	r.parcelDoor = set(h.archive.SetDoor(ctx, house.Door{Name: "the box", Bell: "gate", Parcel: true}))
	r.rule = house.DoorRule{Person: r.person, Door: r.door, Allowed: true,
		Days: [7]bool{false, true, true, true, true, true}, From: 7 * 60, To: 20 * 60,
		Factors: []house.FactorKind{house.FactorArrival, house.FactorCode}, Need: 1, Band: "strong", Liveness: house.NoSign}
	r.rule.ID = set(h.archive.SetDoorRule(ctx, r.rule))
	r.doors, r.rules, r.parcels = make(map[string]string), make(map[string]string), make(map[string]string)
	for i, pattern := range patterns {
		if strings.Contains(pattern, "{door}") {
			r.doors[pattern] = set(h.archive.SetDoor(ctx, house.Door{Name: fmt.Sprint("Door ", i), Bell: "gate"}))
		}
		if strings.Contains(pattern, "{rule}") {
			r.rules[pattern] = set(h.archive.SetDoorRule(ctx,
				house.DoorRule{Person: r.person, Door: r.door, Days: [7]bool{true}, To: 24 * 60}))
		}
		if strings.Contains(pattern, "{parcel}") {
			r.parcels[pattern] = set(h.archive.AddParcelRule(ctx, house.ParcelRule{Door: r.parcelDoor, From: h.clock.now(),
				To: h.clock.now().Add(time.Hour), Window: time.Minute}))
		}
	}
	return r
}

// typedAs is a form with names filled in and fields changed ("name=value") or
// taken out ("name").
func (r ruled) typedAs(form string, changes ...string) url.Values {
	values, err := url.ParseQuery(r.place("").Replace(form))
	if err != nil {
		panic(err)
	}
	for _, change := range changes {
		if name, value, ok := strings.Cut(change, "="); ok {
			values.Set(name, value)
		} else {
			values.Del(change)
		}
	}
	return values
}

// shownRule returns the rule that a preview carries.
func (a *answer) shownRule() string {
	a.t.Helper()
	_, rest, _ := strings.Cut(string(a.body), `name="rule" value="`)
	value, _, ok := strings.Cut(rest, `"`)
	if !ok {
		a.t.Fatalf("the page carries no rule:\n%s", a.body)
	}
	return html.UnescapeString(value)
}

func (a *answer) saysNot(text string) *answer {
	a.t.Helper()
	if strings.Contains(string(a.body), text) {
		a.t.Errorf("the page says %q:\n%s", text, a.body)
	}
	return a
}

func (h *household) doorRules() []house.DoorRule {
	h.t.Helper()
	rules, err := h.archive.DoorRules(h.t.Context())
	if err != nil {
		h.t.Fatal(err)
	}
	return rules
}

func TestRuleOnPage(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	h.get("/rules", in).is(200).says("There is no rule yet. Nobody may be let in.").says(`href="/rules/advice"`)
	h.get("/rules/advice", in).is(200).says("There is no rule yet. Nobody may be let in.").
		says("Lintel never moves a lock.").
		says("must leave the way out free at all times, without power and without a network").
		says("A licensed locksmith or electrician").saysNot("Add a rule")
	r := h.ruledFor()
	h.get("/rules/advice", in).is(200).
		says("Edda Marl may be suggested at the oak door on Monday to Friday from 07:00 to 20:00, not on holidays").
		says("Add a rule")
	h.get("/rules", in).is(200).says("by 1 rule.")
	t.Run("over midnight", func(t *testing.T) { h.addNightRule(t, r, in) })
	t.Run("never", func(t *testing.T) { h.changeIntoNever(t, r, in) })
	t.Run("removed", func(t *testing.T) {
		h.get("/rules/advice/rules/"+r.rule.ID+"/remove", in).is(200).says("Edda Marl is never suggested").
			says("What other rules allow would then count")
		h.post("/rules/advice/rules/"+r.rule.ID+"/remove", nil, in).is(http.StatusSeeOther)
		h.post("/rules/advice/rules/"+r.rule.ID+"/remove", nil, in).is(http.StatusSeeOther)
		h.get("/rules/advice/rules/"+r.rule.ID, in).isProblem(404, "unknown-rule")
		h.fill("/rules/advice/rules/"+r.rule.ID, url.Values{"rule": {"{}"}, "save": {"true"}}, in).
			isProblem(404, "unknown-rule")
		h.fill("/rules/advice/rules", url.Values{"rule": {"{"}, "save": {"true"}}, in).isProblem(400, "bad-form")
		if got := h.doorRules(); len(got) != 1 {
			t.Errorf("%d rules are left", len(got))
		}
	})
}

// addNightRule adds a rule over midnight, which is seen first, then saved.
func (h *household) addNightRule(t *testing.T, r ruled, in option) {
	night := r.typedAs(typedRule, "day=6", "from=22:00", "to=06:00", "need=2", "band=fair", "doubtful=true",
		"cant_tell=true", "holidays=true")
	says := "Edda Marl may be suggested at the oak door on Saturday from 22:00 to 06:00 the day after, holidays too, " +
		"if " +
		"a phone of theirs came home and a one-time code of theirs was given, " +
		"the match is strong or fair and there is one still or more. " +
		"A face that looks like a picture is never suggested. Lesser " +
		"signs of one are allowed."
	shown := h.fill("/rules/advice/rules", night, in).is(200).says(says).says("No other rule holds").shownRule()
	if got := h.doorRules(); len(got) != 1 {
		t.Fatalf("a preview kept a rule: %+v", got)
	}
	h.fill("/rules/advice/rules", url.Values{"rule": {shown}, "back": {"true"}}, in).is(200).
		says(`name="from" value="22:00"`).says(`name="need" value="2"`).
		says(`value="fair" checked`).says(`name="doubtful" value="true" checked`).says(`value="` + r.person + `" selected`)
	h.get(h.fill("/rules/advice/rules", url.Values{"rule": {shown}, "save": {"true"}}, in).
		is(http.StatusSeeOther).Header.Get("Location"), in).is(200).says("Saved.").says(says)
	h.get("/upkeep/trail", in).is(200).says("<span class=\"who\">Odile</span> added a rule for a door, number ")
}

// changeIntoNever changes the first rule into one that says never, which wins
// over one for all days.
func (h *household) changeIntoNever(t *testing.T, r ruled, in option) {
	never := h.fill("/rules/advice/rules/"+r.rule.ID,
		r.typedAs(typedRule, "kind=never", "day=6", "from=00:00", "to=00:00"), in).is(200).
		says("Edda Marl is never suggested at the oak door on Saturday at any time, holidays or not, whatever else is " +
			"allowed.").
		says("Instead of: Edda Marl may be suggested").says("one allows and one says never. Never wins.").shownRule()
	h.fill("/rules/advice/rules/"+r.rule.ID, url.Values{"rule": {never}, "save": {"true"}}, in).is(http.StatusSeeOther)
	rules := h.doorRules()
	i := slices.IndexFunc(rules, func(kept house.DoorRule) bool { return kept.ID == r.rule.ID })
	if got := rules[i]; got.Allowed || got.Days != [7]bool{time.Saturday: true} || got.From != 0 || got.To != 24*60 ||
		len(got.Factors) != 0 || got.Need != 0 || got.Band != "" || got.Liveness == house.Doubtful {
		t.Errorf("kept %+v", got)
	}
	h.get("/rules/advice", in).is(200).says("one allows and one says never. Never wins.")
	h.get("/rules/advice/rules/"+r.rule.ID, in).is(200).says(`name="to" value="00:00"`).says(`value="never" checked`).
		says(`value="strong" checked`)
}

// TestWrongRule has each thing wrong that a rule can have. What is wrong is said
// at its field.
func TestWrongRule(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	r := h.ruledFor()
	before := h.doorRules()
	for _, test := range []struct{ change, says, after string }{
		{"person=", "Choose who the rule is for.", `name="person"`},
		{"person=NOBODY", "Choose who the rule is for.", `name="person"`},
		{"door=", "Choose the door.", `name="door"`},
		{"kind", "Say whether the rule allows a suggestion or says never.", `name="kind"`},
		{"day", "A rule holds on one day of the week at least.", `name="holidays"`},
		{"from=", "Choose a time of day such as 07:30.", `name="to"`},
		{"to=25:00", "Choose a time of day such as 07:30.", `name="to"`},
		{"to=07:00", "A rule holds from 00:00 or later to 24:00 or earlier, and the two differ.", `name="to"`},
		{"factor", "A rule needs one factor at least, and no more than it names.", `name="need"`},
		{"factor=face", "A rule needs one factor at least, and no more than it names.", `name="need"`},
		{"need=0", "A rule needs one factor at least, and no more than it names.", `name="need"`},
		{"need=3", "A rule needs one factor at least, and no more than it names.", `name="need"`},
		{"need=one", "A rule needs one factor at least, and no more than it names.", `name="need"`},
		{"band=weak", "A weak match never counts.", `value="fair"`},
		{"band=", "The smallest band is strong or fair.", `value="fair"`},
	} {
		for _, address := range []string{"/rules/advice/rules", "/rules/advice/rules/" + r.rule.ID} {
			a := h.fill(address, r.typedAs(typedRule, test.change), in).is(422).says(test.says).says("Nothing was saved.")
			// The form's field stands before what is wrong with it, and no other between.
			head, _, _ := strings.Cut(string(a.body), `class="fault" id=`)
			if last := head[strings.LastIndex(head, "name="):]; !strings.Contains(head, test.after) ||
				strings.HasPrefix(test.after, "name") && !strings.HasPrefix(last, test.after) {
				t.Errorf("%s: told after %s", test.change, last)
			}
			if strings.Count(string(a.body), `class="fault" id=`) != 1 {
				t.Errorf("%s: not told once", test.change)
			}
		}
	}
	h.fill("/rules/advice/rules", url.Values{"person": {strings.Repeat("x", maxForm)}}, in).isProblem(400, "bad-form")
	if after := h.doorRules(); !reflect.DeepEqual(before, after) {
		t.Errorf("wrong rules left %+v", after)
	}
}

// TestWrongRuleSent sends wrong rules in what a preview carries, and by the API.
func TestWrongRuleSent(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	r := h.ruledFor()
	before := h.doorRules()
	var rule house.DoorRule
	for _, change := range []func(){
		func() { rule.Person = "NOBODY" }, func() { rule.Door = "" }, func() { rule.Days = [7]bool{} },
		func() { rule.To = rule.From }, func() { rule.To = 1441 }, func() { rule.From = -1 },
		func() { rule.Factors = nil }, func() { rule.Factors = []house.FactorKind{"code", "code"} },
		func() { rule.Factors = []house.FactorKind{"face"} }, func() { rule.Need = 0 }, func() { rule.Need = 3 },
		func() { rule.Band = "weak" }, func() { rule.Band = "" }, func() { rule.Liveness = "picture" },
		func() { rule.Liveness = "" },
	} {
		rule = r.rule
		rule.ID = ""
		change()
		raw, err := json.Marshal(rule)
		if err != nil {
			t.Fatal(err)
		}
		h.fill("/rules/advice/rules", url.Values{"rule": {string(raw)}, "save": {"true"}}, in).is(422).
			says("Nothing was saved.")
		h.ask("POST", "/api/v1/doors/rules", strings.NewReader(string(raw)), in).isProblem(422, "bad-door-rule")
		h.ask("PUT", "/api/v1/doors/rules/"+r.rule.ID, strings.NewReader(string(raw)), in).isProblem(422, "bad-door-rule")
		h.post("/rules/advice/dry-run", url.Values{"rule": {string(raw)}}, in).is(422)
	}
	short := strings.Replace(r.place("").Replace(sentRule), "[false,true,true,", "[true,", 1)
	h.ask("POST", "/api/v1/doors/rules", strings.NewReader(short), in).isProblem(422, "bad-door-rule")
	if after := h.doorRules(); !reflect.DeepEqual(before, after) {
		t.Errorf("wrong rules left %+v", after)
	}
}

func TestDoorRulesByAPI(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	r := h.ruledFor()
	var added, changed doorRuleJSON
	h.ask("POST", "/api/v1/doors/rules", strings.NewReader(r.place("").Replace(sentRule)), in).is(201).into(&added)
	if added.ID == "" || !strings.HasPrefix(added.Says,
		"Edda Marl may be suggested at the oak door on Monday and Tuesday from 07:00 to 20:00") {
		t.Errorf("added %+v", added)
	}
	// What was read can be sent back.
	added.Days[0] = true
	raw, err := json.Marshal(added)
	if err != nil {
		t.Fatal(err)
	}
	h.ask("PUT", "/api/v1/doors/rules/"+added.ID, strings.NewReader(string(raw)), in).is(200).into(&changed)
	if changed.ID != added.ID || !strings.Contains(changed.Says, "Monday, Tuesday and Sunday") {
		t.Errorf("changed %+v", changed)
	}
	var list struct {
		Rules     []doorRuleJSON
		Conflicts []conflictJSON
	}
	h.get("/api/v1/doors/rules", in).is(200).into(&list)
	if len(list.Rules) != 2 || len(list.Conflicts) != 1 || list.Conflicts[0].Kind != policy.Repeats {
		t.Errorf("list %+v", list)
	}
	h.ask("DELETE", "/api/v1/doors/rules/"+added.ID, nil, in).is(200).into(&list)
	if len(list.Rules) != 1 || len(list.Conflicts) != 0 {
		t.Errorf("left %+v", list)
	}
	h.ask("DELETE", "/api/v1/doors/rules/"+added.ID, nil, in).isProblem(404, "unknown-rule")
	h.ask("PUT", "/api/v1/doors/rules/"+added.ID, strings.NewReader(string(raw)), in).isProblem(404, "unknown-rule")
	for _, bad := range []string{``, `[]`, `{"Allow":true}`, `{"days":"all"}`} {
		h.ask("POST", "/api/v1/doors/rules", strings.NewReader(bad), in).isProblem(400, "bad-body")
	}
}

// TestAdvicePagesHoldNothingInline walks the pages, with names and a form that
// would run something where they could.
func TestAdvicePagesHoldNothingInline(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	const evil = `"><script src=//elsewhere.example></script><i style=x>`
	r := h.ruledFor()
	if _, err := h.archive.SetDoor(t.Context(), house.Door{ID: r.door, Name: evil, Bell: "gate"}); err != nil {
		t.Fatal(err)
	}
	if _, err := h.archive.AddParcelRule(t.Context(), house.ParcelRule{Door: r.parcelDoor, Note: evil,
		From: h.clock.now(), To: h.clock.now().Add(time.Hour), Window: time.Minute}); err != nil {
		t.Fatal(err)
	}
	h.wellSeen("R1", h.enrolled(evil).ID)
	evilForm := url.Values{}
	for _, field := range []string{"name", "bell", "person", "door", "from", "to", "need", "note", "window",
		"away_until", "holidays", "latitude", "factor", "day"} {
		evilForm.Set(field, evil)
	}
	pages := map[string]*answer{
		"rules":            h.get("/rules/advice", in).is(200),
		"house":            h.get("/rules/advice/house", in).is(200),
		"house, wrong":     h.fill("/rules/advice/house", evilForm, in).is(422),
		"door":             h.get("/rules/advice/doors/"+r.door, in).is(200),
		"door, wrong":      h.fill("/rules/advice/doors", evilForm, in).is(422),
		"door, to remove":  h.get("/rules/advice/doors/"+r.door+"/remove", in).is(200),
		"rule":             h.get("/rules/advice/rules/"+r.rule.ID, in).is(200),
		"rule, wrong":      h.fill("/rules/advice/rules", evilForm, in).is(422),
		"rule, seen first": h.fill("/rules/advice/rules", r.typedAs(typedRule), in).is(200),
		"rule, to remove":  h.get("/rules/advice/rules/"+r.rule.ID+"/remove", in).is(200),
		"parcels":          h.get("/rules/advice/parcels", in).is(200),
		"parcels, wrong":   h.fill("/rules/advice/parcels", evilForm, in).is(422),
		"trial":            h.get("/rules/advice/dry-run?factor=code&door="+r.door, in).is(200),
		"trial, wrong":     h.get("/rules/advice/dry-run?"+evilForm.Encode(), in).is(422),
		"trail":            h.get("/upkeep/trail", in).is(200),
	}
	for name, a := range pages {
		t.Run(name, func(t *testing.T) {
			checkMarkup(t, string(a.body))
			if strings.Contains(string(a.body), "<script src=//") || strings.Contains(string(a.body), "ZgotmplZ") {
				t.Errorf("what was typed is not as text:\n%s", a.body)
			}
		})
	}
}

// checkAdviceRules checks the addresses of doors, rules, parcels and trials.
func (h *household) checkAdviceRules(at func(*strings.Replacer),
	check func(method, pattern, query string, status int, options ...option), in, tablet option) {
	const house, doors, rules, parcels, dry = "/api/v1/advice/rules", "/api/v1/doors", "/api/v1/doors/rules",
		"/api/v1/parcels", "/api/v1/advice/dry-run"
	r := h.ruledFor("{door} {rule} {parcel}")
	at(r.place("{door} {rule} {parcel}"))
	fill := r.place("").Replace
	check("GET", house, "", 200, in)
	check("PUT", house, "", 200, in, sends(sentHouse))
	check("GET", house, "", 200, in)
	check("PUT", house, "", 200, in,
		sends(strings.Replace(sentHouse, `"away_until":null`, `"away_until":"2031-06-01T00:00:00Z"`, 1)))
	check("PUT", house, "", 400, in, sends(`[]`))
	check("PUT", house, "", 422, in, sends(`{}`))
	check("GET", doors, "", 200, in)
	check("POST", doors, "", 201, in, sends(`{"name":"the loft","bell":"gate","parcel":false}`))
	check("POST", doors, "", 422, in, sends(`{"name":"the loft","bell":"gate","parcel":false}`))
	check("POST", doors, "", 400, in, sends(`{"lock":"open"}`))
	check("PUT", doors+"/{door}", "", 200, in, sends(`{"name":"the attic","bell":"gate","parcel":true}`))
	check("PUT", doors+"/{door}", "", 422, in, sends(`{"name":"","bell":"gate","parcel":true}`))
	check("PUT", doors+"/{door}", "", 400, in, sends(`{`))
	check("GET", rules, "", 200, in)
	check("POST", rules, "", 201, in, sends(fill(sentRule)))
	check("POST", rules, "", 422, in, sends(`{}`))
	check("POST", rules, "", 400, in, sends(`{`))
	check("PUT", rules+"/{rule}", "", 200, in, sends(fill(sentRule)))
	check("PUT", rules+"/{rule}", "", 422, in, sends(`{}`))
	check("PUT", rules+"/{rule}", "", 400, in, sends(`{`))
	check("GET", rules, "", 200, in)
	check("GET", parcels, "", 200, in)
	check("POST", parcels, "", 201, in, sends(fill(sentParcel)))
	check("POST", parcels, "", 422, in, sends(`{}`))
	check("POST", parcels, "", 400, in, sends(`{`))
	h.sees("tried", faceAt(descriptorAt(9, h.strongly())))
	check("POST", dry, "", 200, in, sends(fill(`{"door":"{lasting-door}","factors":["code","resident"]}`)))
	check("POST", dry, "", 200, in, sends(fill(`{"door":"{lasting-door}","factors":[],"rule":`+sentRule+`}`)))
	check("POST", dry, "", 404, in, sends(`{"door":"NOSUCHDOOR","factors":[]}`))
	check("POST", dry, "", 422, in, sends(fill(`{"door":"{lasting-door}","factors":["face"]}`)))
	check("POST", dry, "", 422, in, sends(fill(`{"door":"{lasting-door}","factors":[],"rule":{}}`)))
	check("POST", dry, "", 400, in, sends(`{`))
	for _, pattern := range []string{"PUT " + house, "POST " + doors, "PUT " + doors + "/{door}", "POST " + rules,
		"PUT " + rules + "/{rule}", "POST " + parcels, "POST " + dry} {
		method, path, _ := strings.Cut(pattern, " ")
		check(method, path, "", 413, in, sends(strings.Repeat(" ", maxJSON+1)))
	}
	for _, pattern := range []string{"GET " + house, "PUT " + house, "GET " + doors, "POST " + doors,
		"PUT " + doors + "/{door}", "DELETE " + doors + "/{door}", "GET " + rules, "POST " + rules,
		"PUT " + rules + "/{rule}", "DELETE " + rules + "/{rule}", "GET " + parcels, "POST " + parcels,
		"DELETE " + parcels + "/{parcel}", "POST " + dry} {
		method, path, _ := strings.Cut(pattern, " ")
		check(method, path, "", 401)
		check(method, path, "", 403, tablet)
	}
	for _, path := range []string{parcels + "/{parcel}", rules + "/{rule}", doors + "/{door}"} {
		check("DELETE", path, "", 200, in)
		check("DELETE", path, "", 404, in)
	}
	check("PUT", doors+"/{door}", "", 404, in, sends(`{"name":"the attic","bell":"gate","parcel":true}`))
	check("PUT", rules+"/{rule}", "", 404, in, sends(fill(sentRule)))
}
