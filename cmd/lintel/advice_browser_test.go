package main

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	app "github.com/pquerna/otp/totp"

	"lintel/internal/house"
	"lintel/pipeline/advice/policy"
	"lintel/pipeline/advice/totp"
	"lintel/store"
	"lintel/store/seal"
)

// newestCard is the first of the visits that a screen shows.
const newestCard = "#visits article:first-child"

// TestAdviceInBrowser has advice shown and answered, by a resident on a tablet
// and on a telephone, and by whoever stands before the wall tablet. The advice
// is put into the archive here, at a door that another bell rings at, so that
// nothing else has a word in it. The still is a drawing, the names are invented.
func TestAdviceInBrowser(t *testing.T) {
	h := newHousehold(t)
	h.fillWithAdvice()
	h.serve()
	defer h.stop()
	wide, narrow := h.browsers("A stranger")
	wall := h.wallTablet(wide)
	s := adviceScreens{h.openAdvice(), wide, narrow, wall}

	s.withhold()
	visit := s.rings("ada-now") // within the minute
	s.change(visit)
	s.enterCodes()
	s.countDown(visit)
	s.expire()
	s.month()
}

// adviceScreens are the browsers that advice is shown in.
type adviceScreens struct {
	adviser
	wide, narrow, wall context.Context
}

// all are the screens by name.
func (s adviceScreens) all() map[string]context.Context {
	return map[string]context.Context{"1280": s.wide, "400": s.narrow, "wall": s.wall}
}

// every has all screens show a page, whole and with every reason to be seen.
func (s adviceScreens) every(path, name, selector, pattern string) {
	s.t.Helper()
	for width, browser := range s.all() {
		do(s.t, browser, chromedp.Navigate(s.url+path))
		until(s.t, browser, `document.body?.dataset.advice === "ready"`)
		see(s.t, browser, selector, pattern)
		do(s.t, browser, chromedp.Poll[bool](`[...document.images].every(i => i.complete && i.naturalWidth > 0 || `+
			`i.loading === "lazy")`))
		whole(s.t, browser, name+"-"+width)
		do(s.t, browser, chromedp.Evaluate[bool](`(document.querySelectorAll("article .why:has(.reasons)").forEach(e => { e.open = true }), true)`))
		if hidden := do(s.t, browser, chromedp.Evaluate[int](`[...document.querySelectorAll("article:first-child .reasons `+
			`li, .reasons.card li")].filter(e => { const r = e.getBoundingClientRect(); return r.width < 100 || r.left < 0 `+
			`|| r.right > innerWidth }).length`)); hidden > 0 {
			s.t.Errorf("%s-%s: %d reasons can't be seen", name, width, hidden)
		}
	}
}

// withhold has nothing suggested for want of a factor.
func (s adviceScreens) withhold() {
	s.t.Helper()
	s.advise(s.rings("ada"), house.Withheld, 0, policy.Factors)
	s.every("/", "advice-withheld", newestCard, `Waiting for .*no proof of who stands there. A good photograph of a face `+
		`passes. Lintel moves no lock. Look before you open`)
	for name, says := range map[string]string{"1280": "Waiting for Ada Quill’s code, or a resident’s word",
		"400": "Waiting for Ada Quill’s code, or a resident’s word", "wall": "Waiting for more than Ada Quill’s face"} {
		see(s.t, s.all()[name], newestCard, says+`.*1 of 17 conditions does not hold: a factor is missing`)
	}
	for name, buttons := range map[string]int{"1280": 1, "400": 1, "wall": 1} {
		if n := do(s.t, s.all()[name], chromedp.Evaluate[int](`document.querySelectorAll("`+newestCard+
			` form[action$=agree]").length`)); n != buttons {
			s.t.Errorf("%s: %d buttons to agree, want %d", name, n, buttons)
		}
	}
	// Whoever does not see the signs hears them.
	if heard := do(s.t, s.wide, chromedp.Evaluate[[]string](`["Holds:", "Does not hold:"].map(l => `+
		`[...document.querySelectorAll("`+newestCard+` .reasons li")].filter(e => `+
		`e.querySelector("svg[role=img]").getAttribute("aria-label") === l).length + " " + l)`)); heard[0] != "16 Holds:" ||
		heard[1] != "1 Does not hold:" {
		s.t.Errorf("heard: %q", heard)
	}
}

// change has the advice on a visit change while somebody types, and another
// agrees: what somebody types, and what they were told, stays.
func (s adviceScreens) change(visit string) {
	s.t.Helper()
	s.advise(visit, house.Withheld, 0, policy.Factors)
	for _, browser := range s.all() {
		do(s.t, browser, chromedp.Navigate(s.url))
		until(s.t, browser, `document.body?.dataset.advice === "ready" && document.querySelector("#visits article").id `+
			`=== "visit-`+visit+`"`)
	}
	click(s.t, s.wall, newestCard+" .pad summary")
	do(s.t, s.wall, chromedp.SendKeys(chromedp.CSS(newestCard+" input[name=code]"), "123"))
	s.advise(visit, house.Withheld, 0, policy.Home, policy.Factors)
	click(s.t, s.wide, newestCard+" form[action$=agree] button")
	see(s.t, s.wide, newestCard+" .told", `Your word was taken`)
	for _, browser := range s.all() {
		until(s.t, browser, `!!document.querySelector("`+newestCard+` > .why")`)
		do(s.t, browser, chromedp.Evaluate[bool](`(document.querySelector("`+newestCard+` > .why").open = true)`))
		see(s.t, browser, newestCard, `2 of 17 conditions do not hold: the household is away; a factor is missing`)
	}
	see(s.t, s.wide, newestCard+" .told", `Your word was taken`)
	if !do(s.t, s.wall, chromedp.Evaluate[bool](`(f => f.value === "123" && document.activeElement === `+
		`f)(document.querySelector("`+newestCard+` input[name=code]"))`)) {
		s.t.Error("what was typed is gone")
	}
	do(s.t, s.wall, chromedp.Evaluate[bool](`(document.querySelector("`+newestCard+
		` input[name=code]").value = "", true)`))
}

// enterCodes gives a code that is too short, a wrong one, and the right one twice.
func (s adviceScreens) enterCodes() {
	s.t.Helper()
	enter := func(browser context.Context, code, says string) {
		s.t.Helper()
		do(s.t, browser, chromedp.Evaluate[bool](`(document.querySelector("`+newestCard+` .pad").open = true)`))
		do(s.t, browser, chromedp.SendKeys(chromedp.CSS(newestCard+" input[name=code]"), code))
		click(s.t, browser, newestCard+" form[action$=code] > button")
		see(s.t, browser, newestCard+" .told", says)
	}
	code := s.code()
	enter(s.wall, code[:5], `A code has 6 digits`)
	enter(s.wall, string(code[:5])+string('0'+(code[5]-'0'+5)%10), `wrong, or its time is over`)
	screenshot(s.t, s.wall, "advice-wrong-code")
	enter(s.wall, code, `The code was right`)
	enter(s.narrow, code, `was used before`)
}

// countDown shows a suggestion that counts down, and is answered: what somebody
// says of it is seen by all.
func (s adviceScreens) countDown(visit string) {
	s.t.Helper()
	s.advise(visit, house.Suggested, 4*time.Minute)
	s.every("/", "advice-suggested", newestCard, `Suggested: let Ada Quill in at the front door.*Until `+
		`[0-9:]{8}.*[0-9]+ min [0-9]+ s left`)
	const left = `(([m, s]) => 60 * m + 1 * s)(document.querySelector(".left").textContent.match(/[0-9]+/g))`
	if begin := do(s.t, s.wide, chromedp.Evaluate[float64](left)); begin < 200 || begin > 240 {
		s.t.Errorf("%v seconds left of 240", begin)
	} else {
		until(s.t, s.wide, fmt.Sprintf(`%s < %v`, left, begin))
	}
	// What changes each second is not read out; what matters is, and politely.
	if !do(s.t, s.wide, chromedp.Evaluate[bool](`document.querySelector(".left").getAttribute("aria-hidden") === "true"
		&& document.querySelector("#said").getAttribute("role") === "status"
		&& document.getAnimations().length === 0`)) {
		s.t.Error("the countdown is read out, or something moves")
	}
	if n := do(s.t, s.wall, chromedp.Evaluate[int](`document.querySelectorAll("`+newestCard+
		` form[data-answer]").length`)); n != 2 {
		s.t.Errorf("the tablet on the wall has %d buttons", n)
	}
	click(s.t, s.wall, newestCard+" form[action$=dismissed] button") // which takes a PIN, and nobody has one yet
	see(s.t, s.wall, "main", "That may Morgan Vale")
	do(s.t, s.wall, chromedp.Navigate(s.url))
	see(s.t, s.wall, newestCard, "Suggested: let Ada Quill in")
	click(s.t, s.narrow, newestCard+" form[action$=used] button")
	for _, browser := range s.all() {
		see(s.t, browser, newestCard, `Was suggested: let Ada Quill in at the front door.*Used: .*they were let in`)
	}
	s.every("/visits/"+visit, "advice-visit", "main", `Used: .*they were let in.*Lintel moves no lock`)
}

// expire lets the time of another one pass: the page itself ends it, and the
// server agrees.
func (s adviceScreens) expire() {
	s.t.Helper()
	s.advise(s.rings("ada-again"), house.Suggested, 12*time.Second)
	for _, browser := range s.all() {
		do(s.t, browser, chromedp.Navigate(s.url))
		see(s.t, browser, newestCard, `s left`)
	}
	for name, browser := range s.all() {
		see(s.t, browser, newestCard+" .advice", `Expired at [0-9:]{8}`)
		if n := do(s.t, browser, chromedp.Evaluate[int](`document.querySelectorAll("`+newestCard+
			` form[action$=used]").length`)); n != 0 {
			s.t.Errorf("%s: it can be answered after its time", name)
		}
	}
	s.every("/", "advice-expired", newestCard, `Expired at [0-9:]{8}`)
	// One that is open is still there when somebody else rings meanwhile.
	s.advise(s.rings("ada-behind"), house.Suggested, 4*time.Minute)
	s.rings("ada-before")
	s.every("/", "advice-behind", "#today li:nth-child(2)",
		`Suggested: let Ada Quill in at the front door.*[0-9]+ s left`)
}

// month shows a resident what came of all that.
func (s adviceScreens) month() {
	s.t.Helper()
	for width, browser := range map[string]context.Context{"1280": s.wide, "400": s.narrow} {
		do(s.t, browser, chromedp.Navigate(s.url+"/upkeep/advice"))
		see(s.t, browser, "main", `Of 4 withheld, 2 for this reason alone: a factor is missing.*By door.*The newest`)
		whole(s.t, browser, "advice-month-"+width)
		do(s.t, browser, chromedp.Navigate(s.url+"/upkeep"))
		unfoldTo(s.t, browser, "#notices")
		see(s.t, browser, "main", `A month of advice`)
		whole(s.t, browser, "advice-upkeep-"+width)
	}
}

// wallTablet pairs a tablet, by a resident's browser.
func (h *household) wallTablet(resident context.Context) context.Context {
	h.t.Helper()
	do(h.t, resident, chromedp.Navigate(h.url+"/upkeep"))
	unfoldTo(h.t, resident, "#tablets")
	click(h.t, resident, `form[action="/upkeep/pairing-code"] button`)
	see(h.t, resident, "#pairing-code", `[0-9]{4} [0-9]{4}`)
	code := do(h.t, resident, chromedp.Text(chromedp.CSS("#pairing-code")))
	wall := newBrowser(h.t, 1280, 800)
	do(h.t, wall, chromedp.Navigate(h.url+"/pair"))
	fill(h.t, wall, "code", code, "name", "Hall")
	see(h.t, wall, "main", "A stranger")
	return wall
}

// An adviser puts visits and advice into an archive that is served.
type adviser struct {
	*household
	*store.Archive
	ada, door string
	secret    totp.Secret
}

// fillWithAdvice makes a household with Ada, doors, and advice that was
// withheld on the visits of strangers.
func (h *household) fillWithAdvice() {
	h.t.Helper()
	a, drawing := h.newArchive()
	defer a.Close()
	for _, bell := range []string{"front", "workshop"} {
		if _, err := a.AddBell(h.t.Context(), bell); err != nil {
			h.t.Fatal(err)
		}
	}
	ada, err := a.AddPerson(h.t.Context(), "Ada Quill")
	if err != nil {
		h.t.Fatal(err)
	}
	if err := a.SetOneTimeSecret(h.t.Context(), ada.ID, totp.Secret{7}.Text(), 0); err != nil {
		h.t.Fatal(err)
	}
	for _, name := range []string{"the front door", "the garage"} {
		if _, err := a.SetDoor(h.t.Context(), house.Door{Name: name, Bell: "workshop"}); err != nil {
			h.t.Fatal(err)
		}
	}
	d := h.adviserIn(a)
	for i, unmet := range [][]string{{policy.People, policy.Consent, policy.Allowed, policy.Time, policy.Match,
		policy.Factors}, {policy.People, policy.Factors}, {policy.Factors}} {
		visit := d.keeps(fmt.Sprint(i), drawing, time.Now().Add(time.Duration(i-9)*time.Hour), nil)
		d.advise(visit, house.Withheld, 0, unmet...)
	}
}

// openAdvice opens the archive beside the server.
func (h *household) openAdvice() adviser {
	h.t.Helper()
	key, err := seal.ReadKey(h.key)
	if err != nil {
		h.t.Fatal(err)
	}
	a, err := store.Open(h.t.Context(), h.data, key, time.Now)
	if err != nil {
		h.t.Fatal(err)
	}
	h.t.Cleanup(func() { a.Close() })
	return h.adviserIn(a)
}

func (h *household) adviserIn(a *store.Archive) adviser {
	h.t.Helper()
	d := adviser{household: h, Archive: a, secret: totp.Secret{7}}
	persons, err := a.Persons(h.t.Context())
	if err != nil {
		h.t.Fatal(err)
	}
	doors, err := a.Doors(h.t.Context())
	if err != nil {
		h.t.Fatal(err)
	}
	d.ada = persons[0].ID
	for _, door := range doors {
		if door.Name == "the front door" {
			d.door = door.ID
		}
	}
	return d
}

// rings has Ada ring now.
func (d adviser) rings(ring string) (visit string) {
	d.t.Helper()
	match := house.Match{Person: d.ada, Distance: .2, FPIR: 1e-6, Band: "strong", Probability: .995, Frames: 1}
	return d.keeps(ring, aVisitor().JPEG(85), time.Now(), &match)
}

func (d adviser) keeps(ring string, drawing []byte, at time.Time, m *house.Match) (visit string) {
	d.t.Helper()
	visit, _, err := d.Keep(d.t.Context(), house.NewStill{Bell: "front", Ring: ring, JPEG: drawing, Width: 1280,
		Height: 1024, ReceivedAt: at})
	if err != nil {
		d.t.Fatal(err)
	}
	v, err := d.Visit(d.t.Context(), visit)
	if err != nil {
		d.t.Fatal(err)
	}
	face := house.Face{Box: aVisitor().Truth[0].Box, Descriptor: house.Descriptor{1, 0, .2}, Match: m}
	if err := d.Record(d.t.Context(), v.Stills[0].ID, house.Done, []house.Face{face}); err != nil {
		d.t.Fatal(err)
	}
	return visit
}

// advise keeps advice on a visit, with the reasons that a decision on nothing
// at all has.
func (d adviser) advise(visit string, state house.AdviceState, lasts time.Duration, unmet ...string) {
	d.t.Helper()
	advice := house.Advice{Visit: visit, Door: d.door, Person: d.ada, State: state, At: time.Now()}
	if lasts > 0 {
		advice.ExpiresAt = time.Now().Add(lasts)
	}
	for _, c := range policy.Decide(policy.Input{}).Conditions {
		c.Met, c.NotAsked = true, false
		c.Reasons = []house.Reason{{Code: "clock-differs",
			Values: house.Values{Lasted: 42 * time.Second, Longest: policy.MaxSkew}}}
		for _, code := range unmet {
			if c.Code == code {
				rule := house.DoorRule{Factors: []house.FactorKind{house.FactorCode, house.FactorResident}}
				c.Met, c.Reasons = false, []house.Reason{{Code: "factors-lack",
					Values: house.Values{Person: d.ada, Of: 1, Rules: []house.DoorRule{rule}}}}
			}
		}
		advice.Conditions = append(advice.Conditions, c)
	}
	if _, err := d.AddAdvice(d.t.Context(), advice); err != nil {
		d.t.Fatal(err)
	}
}

// code is what an app shows now. Package totp is held against RFC 6238.
func (d adviser) code() string {
	d.t.Helper()
	code, err := app.GenerateCode(d.secret.Text(), time.Now())
	if err != nil {
		d.t.Fatal(err)
	}
	return code
}
