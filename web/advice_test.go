package web

import (
	"fmt"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	app "github.com/pquerna/otp/totp"

	"lintel/internal/house"
	"lintel/pipeline/advice/evidence"
	"lintel/pipeline/advice/policy"
	"lintel/pipeline/advice/totp"
)

// door adds a door that gate rings at.
func (h *household) door(name string) (id string) {
	h.t.Helper()
	id, err := h.archive.SetDoor(h.t.Context(), house.Door{Name: name, Bell: "gate"})
	if err != nil {
		h.t.Fatal(err)
	}
	return id
}

// knownRings has somebody recognised ring now.
func (h *household) knownRings(ring string, persons ...string) (visit string) {
	h.t.Helper()
	visit = h.rung(ring, 0, still(h.t, uint8(37*len(h.files())))).Visit
	var faces []house.Face
	for i, p := range persons {
		f := like(float32(i), 90)
		f.Match = &house.Match{Person: p, Distance: .2, FPIR: 1e-6, Band: "strong", Frames: 1}
		faces = append(faces, f)
	}
	record(h.t, h.archive, visit, 0, faces...)
	return visit
}

// advised keeps advice of now.
func (h *household) advised(d house.Advice) (id string) {
	h.t.Helper()
	d.At = h.clock.now()
	id, err := h.archive.AddAdvice(h.t.Context(), d)
	if err != nil {
		h.t.Fatal(err)
	}
	return id
}

// conditionsBut are all conditions of a person at a door, met but for some.
func conditionsBut(unmet ...string) (all []house.Condition) {
	for i, code := range []string{policy.On, policy.Home, policy.People, policy.Alike, policy.Factors} {
		met := !slices.Contains(unmet, code)
		told := house.Values{Count: 42, Of: 60 + i} // a number of its own, to know it by
		all = append(all, house.Condition{Code: code, Met: met, Reasons: []house.Reason{{Code: "wait", Values: told}}})
	}
	return all
}

// An adviceHouse has Ada recognised at the front door, and nothing suggested
// for want of a factor.
type adviceHouse struct {
	*household
	ada, visit, door, id string
	resident, tablet     option
	secret               totp.Secret
}

func newAdviceHouse(t *testing.T) *adviceHouse {
	h := &adviceHouse{household: newHouse(t), secret: totp.Secret{1}}
	h.resident = h.session(h.household.resident("Odile"))
	h.tablet = h.session(h.household.tablet("Hall", "Odile"))
	h.ada = h.enrolled("Ada Quill").ID
	h.door = h.household.door("the front door")
	h.visit = h.knownRings("R1", h.ada)
	h.id = h.advised(house.Advice{Visit: h.visit, Door: h.door, Person: h.ada, State: house.Withheld,
		Conditions: conditionsBut(policy.Factors)})
	if err := h.archive.SetOneTimeSecret(t.Context(), h.ada, h.household.secret(h.secret.Text()), 0); err != nil {
		t.Fatal(err)
	}
	return h
}

// code is what Ada's app shows now: made by the library that the check is
// made of, too; package totp holds that against RFC 6238.
func (h *adviceHouse) code() string {
	h.t.Helper()
	code, err := app.GenerateCode(h.secret.Text(), h.clock.now())
	if err != nil {
		h.t.Fatal(err)
	}
	return code
}

// suggest has the same visit suggested, for a minute.
func (h *adviceHouse) suggest() {
	h.t.Helper()
	h.id = h.advised(house.Advice{Visit: h.visit, Door: h.door, Person: h.ada, State: house.Suggested,
		ExpiresAt: h.clock.now().Add(time.Minute), Conditions: conditionsBut()})
}

func (h *adviceHouse) adviceSeenBy(who option) []adviceJSON {
	h.t.Helper()
	var v visitJSON
	h.get("/api/v1/visits/"+h.visit, who).is(200).into(&v)
	return v.Advice
}

// factors lists what has been given, by kind and source.
func (h *adviceHouse) factors() (given []string) {
	h.t.Helper()
	all, err := h.archive.FactorsSince(h.t.Context(), h.clock.now().Add(-time.Hour))
	if err != nil {
		h.t.Fatal(err)
	}
	for _, f := range all {
		kind, _, _ := strings.Cut(f.Source, " ")
		given = append(given, string(f.Kind)+" of "+map[string]string{h.ada: "Ada"}[f.Person]+" by a "+kind)
	}
	return given
}

func TestAdviceJSON(t *testing.T) {
	h := newAdviceHouse(t)
	garage := h.household.door("the garage")
	h.advised(house.Advice{Visit: h.visit, Door: garage, Parcel: "", Person: h.ada, State: house.Suggested,
		ExpiresAt: h.clock.now().Add(time.Minute), Conditions: conditionsBut()})
	for name, who := range map[string]option{"a resident": h.resident, "a tablet": h.tablet} {
		seen := h.adviceSeenBy(who)
		if len(seen) != 2 || seen[0].DoorName != "the garage" || seen[0].State != house.Suggested ||
			seen[1].DoorName != "the front door" || seen[1].State != house.Withheld {
			t.Fatalf("%s: a suggestion comes before what is withheld, not %+v", name, seen)
		}
		d := seen[1]
		if d.ID != h.id || d.Door != h.door || d.PersonName != "Ada Quill" || !d.At.Equal(h.clock.now()) ||
			!d.ExpiresAt.IsZero() || len(d.Conditions) != 5 {
			t.Errorf("%s: %+v", name, d)
		}
		if !seen[0].ExpiresAt.Equal(h.clock.now().Add(time.Minute)) {
			t.Errorf("%s: it expires at %v", name, seen[0].ExpiresAt)
		}
		// The numbers are for residents: a guest may stand before a tablet.
		for i, c := range d.Conditions {
			if c.Met != (i < 4) || strings.Contains(c.Says, "42 failed attempts") != (name == "a resident") ||
				!strings.HasSuffix(c.Says, ".") {
				t.Errorf("%s: %+v", name, c)
			}
		}
	}
}

// TestWithheldWaitsForAllStills: while a ring's other still is not looked at yet, what is withheld may be suggested in
// a moment, and no card says that it is.
func TestWithheldWaitsForAllStills(t *testing.T) {
	h := newAdviceHouse(t)
	const says = "Nothing is suggested at the front door"
	h.get("/visits/"+h.visit, h.tablet).says(says)
	if v := h.rung("R1", 1, still(t, 99)).Visit; v != h.visit {
		t.Fatalf("the second still is of visit %s", v)
	}
	if page := string(h.get("/visits/"+h.visit, h.tablet).is(200).body); strings.Contains(page, says) {
		t.Error("it is told before the second still was looked at")
	}
	record(t, h.archive, h.visit, 1)
	h.get("/visits/"+h.visit, h.tablet).says(says)
}

// TestAdviceEnds has suggestions answered, and what becomes of them shown.
func TestAdviceEnds(t *testing.T) {
	for _, test := range []struct {
		how         string
		state       house.AdviceState
		page, words string
	}{
		{"used", house.Used, "Was suggested: let Ada Quill in at the front door", "Used: Odile says they were let in."},
		{"dismissed", house.Dismissed, "Was suggested: let Ada Quill in at the front door", "Dismissed by Odile."},
	} {
		t.Run(test.how, func(t *testing.T) {
			h := newAdviceHouse(t)
			address := func() string { return "/api/v1/advice/" + h.id + "/" + test.how }
			h.ask("POST", address(), nil, h.resident).isProblem(409, "taken") // nothing is suggested
			h.suggest()
			h.ask("POST", address(), nil, h.tablet).isProblem(403, "residents-only")
			h.post("/advice/"+h.id+"/"+test.how, nil, h.tablet, browser).is(403)
			h.get("/visits/"+h.visit, h.resident).says("Suggested: let Ada Quill in at the front door").says("Until <time").
				says("18:31:00").says("We let them in").says(`data-left="60000"`)
			h.get("/", h.tablet).says("We let them in").says("Dismiss")
			h.allow(house.TabletRules{May: house.MayLook})
			if page := string(h.get("/", h.tablet).says("Suggested: let Ada Quill in").body); strings.Contains(page,
				"We let them in") || strings.Contains(page, "Dismiss") {
				t.Error("a tablet that may look may answer")
			}
			var ended adviceJSON
			h.ask("POST", address(), nil, h.resident).is(200).into(&ended)
			if ended.State != test.state || !strings.HasPrefix(ended.By, "resident ") || ended.DoorName != "the front door" ||
				ended.PersonName != "Ada Quill" {
				t.Errorf("answered with %+v", ended)
			}
			h.ask("POST", address(), nil, h.resident).isProblem(409, "taken")
			h.post("/advice/"+h.id+"/dismissed", nil, h.resident, browser).is(409).says("not open any more")
			page := string(h.get("/visits/"+h.visit, h.resident).says(test.page).says(test.words).body)
			if strings.Contains(page, "We let them in") {
				t.Error("it can be answered again")
			}
			// A tablet sees what became of it, and not the name that a resident signs in with.
			if page := string(h.get("/visits/"+h.visit, h.tablet).says(test.page).body); strings.Contains(page, "Odile") {
				t.Error("a tablet is told who answered")
			}
			if seen := h.adviceSeenBy(h.tablet); seen[0].State != test.state || seen[0].By != "" {
				t.Errorf("a tablet sees %+v", seen)
			}
		})
	}
}

// TestAdviceEndsOtherwise answers a suggestion on a page, too late, and one that
// is not there.
func TestAdviceEndsOtherwise(t *testing.T) {
	t.Run("on the page", func(t *testing.T) {
		h := newAdviceHouse(t)
		h.suggest()
		if a := h.post("/advice/"+h.id+"/used", nil, h.resident, browser).
			is(303); a.Header.Get("Location") != "/visits/"+h.visit {
			t.Errorf("it leads to %q", a.Header.Get("Location"))
		}
	})
	t.Run("too late", func(t *testing.T) {
		h := newAdviceHouse(t)
		h.suggest()
		h.clock.advance(time.Minute) // nothing has written down yet that it expired
		h.ask("POST", "/api/v1/advice/"+h.id+"/used", nil, h.resident).isProblem(409, "taken")
		h.get("/visits/"+h.visit, h.resident).says("Was suggested").says("Expired at 18:31:00: nobody answered.")
		if seen := h.adviceSeenBy(h.resident); seen[0].State != house.Expired {
			t.Errorf("seen as %s", seen[0].State)
		}
	})
	t.Run("unknown", func(t *testing.T) {
		h := newAdviceHouse(t)
		h.ask("POST", "/api/v1/advice/NOSUCHADVICE/used", nil, h.resident).isProblem(404, "not-found")
		h.ask("POST", "/api/v1/advice/NOSUCHADVICE/dismissed", nil, h.resident).isProblem(404, "not-found")
	})
}

// TestAdviceOfPictures has what speaks for a picture stand against a suggestion,
// apart from the conditions that are counted, and what an earlier version kept
// as met told nowhere.
func TestAdviceOfPictures(t *testing.T) {
	h := newAdviceHouse(t)
	earlier := house.Condition{Code: policy.Sign, Met: true}
	against := house.Condition{Code: policy.Sign, Reasons: []house.Reason{{Code: "picture-plain"}}}
	for _, c := range []struct {
		unmet []string
		last  house.Condition
		says  string
	}{
		{nil, against, "Against it: signs of a picture, or too little to tell."},
		{[]string{policy.Factors}, against,
			"1 of 5 conditions does not hold: a factor is missing. Against it: signs of a picture, or too little to tell."},
		{[]string{policy.Factors}, earlier, "1 of 5 conditions does not hold: a factor is missing."},
	} {
		id := h.advised(house.Advice{Visit: h.visit, Door: h.door, Person: h.ada, State: house.Withheld,
			Conditions: append(conditionsBut(c.unmet...), c.last)})
		for who, o := range map[string]option{"resident": h.resident, "tablet": h.tablet} {
			page := string(h.get("/visits/"+h.visit, o).is(200).says(`<p class="missing">` + c.says + `</p>`).body)
			var answer visitJSON
			h.get("/api/v1/visits/"+h.visit, o).is(200).into(&answer)
			i := slices.IndexFunc(answer.Advice, func(a adviceJSON) bool { return a.ID == id })
			if i < 0 {
				t.Fatalf("no advice %s in %+v", id, answer.Advice)
			}
			told := slices.ContainsFunc(answer.Advice[i].Conditions,
				func(c conditionJSON) bool { return c.Code == policy.Sign })
			if told == c.last.Met || strings.Contains(page, "no sign") ||
				strings.Count(page, `class="unmet"`) != len(c.unmet)+btoi(!c.last.Met) {
				t.Errorf("%s, %+v: told %t: %s", who, c, told, page)
			}
		}
	}
}

// TestAdviceCard looks at what the card says of each condition, in its order.
func TestAdviceCard(t *testing.T) {
	h := newAdviceHouse(t)
	h.advised(house.Advice{Visit: h.visit, Door: h.door, Person: h.ada, State: house.Withheld,
		Conditions: conditionsBut(policy.Home, policy.Factors)})
	page := string(h.get("/", h.resident).
		says("2 of 5 conditions do not hold: the household is away; a factor is missing.").body)
	at := -1
	for i, code := range []string{policy.On, policy.Home, policy.People, policy.Alike, policy.Factors} {
		label := "Holds:"
		if i == 1 || i == 4 {
			label = "Does not hold:"
		}
		says := fmt.Sprintf("%d begin a wait", 60+i)
		next := strings.Index(page, says)
		if next <= at || !strings.Contains(page[max(0, next-200):max(0, next)], label) {
			t.Errorf("%s is at %d, after %d, and is to be told as %q", code, next, at, label)
		}
		at = next
	}
	parcel := house.ParcelRule{Note: "boots", From: h.clock.now().Add(-time.Hour),
		To: h.clock.now().Add(time.Hour), Window: time.Minute}
	garage, err := h.archive.SetDoor(t.Context(), house.Door{Name: "the garage", Bell: "gate", Parcel: true})
	if err != nil {
		t.Fatal(err)
	}
	parcel.Door = garage
	rule, err := h.archive.AddParcelRule(t.Context(), parcel)
	if err != nil {
		t.Fatal(err)
	}
	h.advised(house.Advice{Visit: h.visit, Door: garage, Parcel: rule, State: house.Suggested,
		ExpiresAt: h.clock.now().Add(time.Minute), Conditions: conditionsBut()})
	page = string(h.get("/", h.tablet).says("Suggested: open the garage for a parcel").body)
	if strings.Index(page, "Suggested: open") > strings.Index(page, "Nothing is suggested at the front door") {
		t.Error("what is withheld comes before a suggestion")
	}
	if err := h.archive.RemoveDoor(t.Context(), garage); err != nil {
		t.Fatal(err)
	}
	h.get("/", h.tablet).is(200)
}

// TestAdviceMarkup has names and reasons that would be markup.
func TestAdviceMarkup(t *testing.T) {
	const evil = `<b onclick=x()>"'&lt;</b>`
	h := newAdviceHouse(t)
	door := h.household.door(evil)
	ben := h.enrolled(evil).ID
	if err := h.archive.SetOneTimeSecret(t.Context(), ben, h.household.secret(totp.New().Text()), 0); err != nil {
		t.Fatal(err)
	}
	h.clock.advance(time.Second) // so that Now shows this ring, and not the one before
	visit := h.knownRings("R2", h.ada, ben)
	reasons := conditionsBut(policy.Factors)
	reasons[0].Reasons = []house.Reason{{Code: "home-away", Values: house.Values{Person: ben}}, {Code: evil},
		{Code: "consent-none", Values: house.Values{Person: ben}}}
	h.advised(house.Advice{Visit: visit, Door: door, Person: ben, State: house.Withheld, Conditions: reasons})
	h.advised(house.Advice{Visit: visit, Door: h.door, Person: ben, State: house.Suggested,
		ExpiresAt: h.clock.now().Add(time.Minute), Conditions: reasons})
	for path, a := range map[string]*answer{
		"/": h.get("/", h.resident).is(200).says("&lt;b onclick"), "tablet": h.get("/", h.tablet).
			is(200), "/visits": h.get("/visits/"+visit, h.resident).
			is(200).says("Whose code"), "/upkeep/advice": h.get("/upkeep/advice", h.resident).is(200),
		"told": h.post("/visits/"+visit+"/code", url.Values{"person": {evil}, "code": {evil}}, h.tablet, browser).is(422),
	} {
		if strings.Contains(string(a.body), "<b onclick") {
			t.Errorf("%s shows a name as markup:\n%s", path, a.body)
		}
		checkMarkup(t, string(a.body))
	}
}

// TestLiveTellsAdvice follows advice over the live connection.
func TestLiveTellsAdvice(t *testing.T) {
	inBubble(t, func(t *testing.T, h *liveHouse) {
		h.resident("Odile")
		tablet := h.tablet("Hall", "Odile")
		ada := h.enrolled("Ada Quill").ID
		door := h.door("the front door")
		visit := h.knownRings("R1", ada)
		revision, err := h.archive.Revision(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		c := h.connect(t, tablet, revision)
		id, err := h.archive.AddAdvice(t.Context(), house.Advice{Visit: visit, Door: door, Person: ada,
			State: house.Suggested, At: time.Now(), ExpiresAt: time.Now().Add(time.Minute), Conditions: conditionsBut()})
		if err != nil {
			t.Fatal(err)
		}
		m := c.next()
		if m.Type != "visit" || len(m.Visit.Advice) != 1 || m.Visit.Advice[0].ID != id ||
			m.Visit.Advice[0].State != house.Suggested {
			t.Fatalf("told %+v", m)
		}
		if !strings.Contains(m.Card, "Suggested: let Ada Quill in at the front door") ||
			!strings.Contains(m.Card, "We let them in") || strings.Contains(m.Card, ": 42.") {
			t.Errorf("a tablet is shown %s", m.Card)
		}
		if err := h.archive.EndAdvice(t.Context(), id, house.Dismissed); err != nil {
			t.Fatal(err)
		}
		if m := c.next(); m.Type != "visit" || m.Visit.Advice[0].State != house.Dismissed ||
			!strings.Contains(m.Card, "Dismissed.") {
			t.Errorf("told %+v", m)
		}
	})
}

// checkAdvice checks the answers to answers against the API's description.
func (h *household) checkAdvice(at func(*strings.Replacer),
	check func(method, pattern, query string, status int, options ...option), in, tablet option) {
	inbox := h.Factors
	defer func() { h.Factors = inbox }()
	h.Factors = anyCode{inbox}
	ada := h.enrolled("Ada of the advice").ID
	visit, door := h.knownRings("advice", ada), h.door("the front door")
	const code, agree = "/api/v1/visits/{visit}/code", "/api/v1/visits/{visit}/agree"
	who := sends(fmt.Sprintf(`{"person":%q}`, ada))
	h.receives(door)
	confirms := func(id string) {
		const confirm = "/api/v1/advice/{advice}/confirm"
		at(strings.NewReplacer("{advice}", id))
		check("POST", confirm, "", 401)
		check("POST", confirm, "", 400, in, sends(`[]`))
		check("POST", confirm, "", 422, tablet, sends(`{"resident":"NOBODY","pin":"135791"}`))
		check("POST", confirm, "", 200, in, sends(`{}`))
		check("POST", confirm, "", 409, in, sends(`{}`))
		at(strings.NewReplacer("{advice}", "NOSUCHADVICE"))
		check("POST", confirm, "", 404, in, sends(`{}`))
	}
	for i, how := range []string{"used", "dismissed"} {
		id := h.advised(house.Advice{Visit: visit, Door: door, Person: ada, State: house.Suggested,
			ExpiresAt: h.clock.now().Add(time.Minute), Conditions: conditionsBut()})
		confirms(id)
		at(strings.NewReplacer("{visit}", visit, "{advice}", id))
		answer := "/api/v1/advice/{advice}/" + how
		check("GET", "/api/v1/visits/{visit}", "", 200, tablet)
		check("POST", answer, "", 401)
		check("POST", answer, "", 403, tablet)
		check("POST", answer, "", 200, in)
		check("POST", answer, "", 409, in)
		at(strings.NewReplacer("{advice}", "NOSUCHADVICE"))
		check("POST", answer, "", 404, in)
		visit = h.knownRings(fmt.Sprint("advice-", i), ada)
	}
	h.advised(house.Advice{Visit: visit, Door: door, Person: ada, State: house.Withheld,
		Conditions: conditionsBut(policy.Factors)})
	at(strings.NewReplacer("{visit}", visit))
	check("GET", "/api/v1/visits/{visit}", "", 200, in)
	for _, pattern := range []string{code, agree} {
		check("POST", pattern, "", 401)
		check("POST", pattern, "", 400, in, sends(`[]`))
		check("POST", pattern, "", 422, in, sends(`{"person":"NOBODY"}`))
		check("POST", pattern, "", 200, in, who)
	}
	check("POST", code, "", 200, tablet, who)
	check("POST", agree, "", 403, tablet, who)
	for err, status := range map[error]int{totp.ErrWrong: 422, totp.ErrReused: 422, totp.ErrFormat: 422,
		house.ErrNotFound: 422, fmt.Errorf("%w lately", evidence.ErrGuesses): 429} {
		h.Factors = refusing{inbox, err}
		check("POST", code, "", status, tablet, who)
	}
	h.clock.advance(time.Hour)
	check("POST", code, "", 409, in, who)
	check("POST", agree, "", 409, in, who)
	at(strings.NewReplacer("{visit}", "NOSUCHVISIT"))
	check("POST", code, "", 404, in, who)
	check("POST", agree, "", 404, in, who)
}
