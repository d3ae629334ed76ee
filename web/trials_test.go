package web

import (
	"fmt"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
)

// triedFace is a face with a level and the probability of a picture.
func triedFace(level house.LivenessLevel, p float64, signs ...house.Finding) house.Face {
	f := like(0.3, 90)
	f.Liveness = &house.Liveness{Level: level, Probability: p, Frames: 1, Findings: signs}
	return f
}

// ringsAs has gate ring, and lets the pipeline find that.
func (h *household) ringsAs(ring string, faces ...house.Face) (visit string) {
	h.t.Helper()
	visit = h.rung(ring, 0, still(h.t, uint8(len(ring)+11*len(h.files())))).Visit
	record(h.t, h.archive, visit, 0, faces...)
	return visit
}

// trial asks for a trial as a program does.
func (h *household) trial(id string, in option) (trial bellTrialJSON) {
	h.t.Helper()
	h.get("/api/v1/trials/"+id, in).is(200).into(&trial)
	return trial
}

// begins starts a trial on Upkeep, and returns its id.
func (h *household) begins(in option) (id string) {
	h.t.Helper()
	a := h.post("/upkeep/trials", url.Values{"bell": {"gate"}}, in).is(303)
	return strings.TrimPrefix(a.Header.Get("Location"), "/upkeep/trials/")
}

// TestTrialAsItIsLived goes through a trial: somebody stands there, holds up a
// print, skips the phone, and reads the report when the visits are gone. The
// server is started anew in between.
func TestTrialAsItIsLived(t *testing.T) {
	h := newHouse(t)
	token := h.resident("Odile")
	in := h.session(token)
	h.ringsAs("before", triedFace(house.Picture, .9))
	h.get("/upkeep/trials", in).is(200).says("Try a picture at the bell").says(`<option value="gate">gate</option>`)
	h.clock.advance(time.Minute)
	id := h.begins(in)
	page := "/upkeep/trials/" + id
	h.get(page, in).is(200).says("It ends by itself at 18:51").says("Stand where visitors stand").
		says("3 rings of 3 to come")
	h.get("/", in).is(200).says("Pictures are being tried at the bell gate, until 18:51 at the latest.")
	h.get("/upkeep/trials", in).is(200).says(`href="` + page + `"`).says("Go to the trial")
	// Another can't begin, and this one can't be removed while it runs.
	h.post("/upkeep/trials", url.Values{"bell": {"gate"}}, in).is(422).
		says("A trial with pictures runs already. End it first.")
	h.post(page+"/remove", nil, in).isProblem(409, "trial-state")

	h.triesThemselves(id, in)

	// The server is started anew: the trial goes on.
	h.Server = New(h.Config)
	h.post(page+"/step", url.Values{"step": {"screen"}}, in).is(303) // from a page that is too old: nothing comes of it
	h.post(page+"/step", url.Values{"step": {"print"}}, in).is(303)
	h.get(page, in).is(200).says("Hold a printed photograph of yourself").says("Go on: A phone or tablet")
	h.clock.advance(time.Minute)
	// the holder's own face beside it
	noticed := h.ringsAs("print-0", triedFace(house.Picture, .97), triedFace(house.NoSign, .1))
	h.ringsAs("print-1", triedFace(house.NoSign, .3))
	h.ringsAs("print-2", triedFace(house.NoSign, .2))

	// It ends by itself, between two rings.
	h.clock.advance(house.TrialLasts)
	h.ringsAs("after", triedFace(house.NoSign, .2))
	h.get("/", in).is(200).says(`id="trial" class="notice" hidden`)
	h.post(page+"/step", url.Values{"step": {"screen"}}, in).is(303)
	report := func() string { return string(h.get(page, in).is(200).says("Tried by Odile").body) }
	checkReport(t, report())
	h.get("/upkeep/trials", in).is(200).says("yourself: 1 of 2 taken for a picture, a printed photograph: 1 of 3 noticed")

	h.losesVisitOfTrial(id, noticed, in)
	if again := report(); strings.Contains(again, noticed) ||
		!strings.Contains(again, "1 of 3 rings with a print noticed") {
		t.Errorf("the report has changed:\n%s", again)
	}
	h.get("/upkeep/trail", in).is(200).says("<span class=\"who\">Odile</span> began a trial with pictures, number " + id).
		says("changed a trial with pictures, number " + id)
	h.post(page+"/remove", nil, in).is(303)
	h.get(page, in).isProblem(404, "unknown-trial")
}

// triesThemselves goes through the first step: a ring that waits, one that is
// doubtful, one with no face, and one of a postman, which is taken out again.
func (h *household) triesThemselves(id string, in option) {
	h.t.Helper()
	t, page := h.t, "/upkeep/trials/"+id
	h.clock.advance(time.Second)
	waiting := h.rung("me-0", 0, still(t, 7)).Visit
	h.get(page, in).is(200).says("Looking…")
	record(t, h.archive, waiting, 0, triedFace(house.NoSign, .02))
	h.ringsAs("me-1", triedFace(house.Doubtful, .6, house.Finding{Sign: "no-such-sign", Score: .4},
		house.Finding{Sign: "unseen"}))
	h.ringsAs("me-2") // no face
	postman := h.ringsAs("postman", triedFace(house.NoSign, .1))
	h.ring("before", 1, still(t, 99)).is(201) // a late frame of a ring that came before is none of it
	h.get(page, in).is(200).says("Nothing noticed").says("Doubtful").says("No face found").
		says("no-such-sign").says("probability of a picture 60 %").says(`href="/visits/` + waiting + `"`)
	trial := h.trial(id, in)
	if s := trial.Steps[0]; s.Judged != 3 || s.Errors != 1 || s.NoFace != 1 || len(s.Rings) != 4 ||
		s.Rings[1].Found.Signs[0].Score != .4 || len(s.Rings[1].Found.Signs) != 1 {
		t.Fatalf("%+v", s)
	}
	i := slices.IndexFunc(trial.Steps[0].Rings, func(r trialRingJSON) bool { return r.Visit == postman })
	h.post(page+"/rings/"+trial.Steps[0].Rings[i].ID+"/remove", nil, in).is(303)
}

// checkReport reads what a trial came to.
func checkReport(t *testing.T, report string) {
	t.Helper()
	for _, want := range []string{
		"Yourself: 1 of 2 rings of yourself taken for a picture. By these few, that happens to 1.2 % to 99 % of your " +
			"rings. " +
			"On 1 more no face could be judged.",
		// 2 of 3 passed: 9.4 % to 99.2 % by SciPy's binomtest(2, 3), exact.
		"A printed photograph: 1 of 3 rings with a print noticed, so 2 passed. By these few, 9.4 % to 100 % of such " +
			"prints pass.",
		"A phone or tablet: Not tried.", "up to 71 % may still pass", "Remove this report",
	} {
		if !strings.Contains(report, want) {
			t.Errorf("the report lacks %q:\n%s", want, report)
		}
	}
}

// losesVisitOfTrial erases a visit that was noticed in a trial: what was found
// stays with the trial.
func (h *household) losesVisitOfTrial(id, visit string, in option) {
	h.t.Helper()
	h.ask("DELETE", "/api/v1/visits/"+visit, nil, in).is(200)
	trial := h.trial(id, in)
	if s := trial.Steps[1]; s.Judged != 3 || s.Errors != 2 || s.Rings[0].Visit != "" ||
		s.Rings[0].Found.Probability != .97 || trial.Running || len(trial.Steps[2].Rings) != 0 {
		h.t.Errorf("%+v", trial)
	}
	if proof, err := h.archive.VerifyErased(h.t.Context(), visit); err != nil {
		h.t.Errorf("%+v, %v", proof, err)
	}
}

// TestTrialOnScreens follows what a tablet is told of trials: one that a resident
// ends, and one that ends by itself.
func TestTrialOnScreens(t *testing.T) {
	inBubble(t, func(t *testing.T, h *liveHouse) {
		in := h.session(h.resident("Odile"))
		c := h.connect(t, h.tablet("Hall", "Odile"), 0)
		next := func() string {
			for {
				if m := c.next(); m.Type == "trial" {
					return m.Text
				}
			}
		}
		id := h.begins(in)
		if text := next(); !strings.Contains(text, "Pictures are being tried at the bell gate") ||
			strings.Contains(text, "Odile") {
			t.Errorf("the tablet is told %q", text)
		}
		h.post("/upkeep/trials/"+id+"/end", nil, in).is(303)
		if text := next(); text != "" {
			t.Errorf("then it is told %q", text)
		}
		h.begins(in)
		began := time.Now()
		next()
		if text := next(); text != "" {
			t.Errorf("in the end it is told %q", text)
		}
		if lasted := time.Since(began); lasted < house.TrialLasts || lasted > house.TrialLasts+beatEvery {
			t.Errorf("it lasted %s", lasted)
		}
	})
}

// TestTrialNeedsRings says what no trial can begin with.
func TestTrialNeedsRings(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	h.post("/upkeep/trials", url.Values{"bell": {"cellar"}}, in).is(422).says("Choose a bell.")
	rules := house.DefaultRules()
	rules.Quiet = []house.Quiet{{Days: []time.Weekday{0, 1, 2, 3, 4, 5, 6}, From: 0, Until: 23*60 + 59}}
	if err := h.archive.SetRules(t.Context(), rules); err != nil {
		t.Fatal(err)
	}
	h.get("/upkeep/trials", in).is(200).says("Not now: nothing is kept at this time of the week.")
	h.post("/upkeep/trials", url.Values{"bell": {"gate"}}, in).is(422).says("Nothing is kept at this time of the week")
	h.ask("POST", "/api/v1/trials", strings.NewReader(`{"bell":"gate"}`), in).isProblem(409, "trial-state")
}

// A tried has trials for the doors that need one.
type tried struct {
	over  map[string]string // by pattern, and "" for all others
	rings []string          // of the one for all others
}

func (h *household) triedBefore() tried {
	h.t.Helper()
	v := tried{over: make(map[string]string)}
	// Those that the walk begins dismiss nothing at the gate.
	if _, err := h.archive.AddBell(h.t.Context(), "shed"); err != nil {
		h.t.Fatal(err)
	}
	for i, pattern := range []string{"", "DELETE /api/v1/trials/{trial}", "POST /upkeep/trials/{trial}/remove"} {
		id, err := h.archive.StartTrial(h.t.Context(), "gate", "X")
		if err != nil {
			h.t.Fatal(err)
		}
		for k := range 2 {
			h.ringsAs(fmt.Sprintf("trial-%d-%d", i, k))
		}
		if err := h.archive.EndTrial(h.t.Context(), id); err != nil {
			h.t.Fatal(err)
		}
		v.over[pattern] = id
	}
	trial, err := h.archive.Trial(h.t.Context(), v.over[""])
	if err != nil {
		h.t.Fatal(err)
	}
	for _, r := range trial.Rings {
		v.rings = append(v.rings, r.ID)
	}
	return v
}

// place has the trial that runs, where one has to.
func (v tried) place(h *household, pattern string) *strings.Replacer {
	id, ok := v.over[pattern]
	if !ok {
		id = v.over[""]
	}
	if pattern == "PUT /api/v1/trials/{trial}/step" || pattern == "POST /api/v1/trials/{trial}/end" {
		if running, runs, err := h.archive.RunningTrial(h.t.Context()); err == nil && runs {
			id = running.ID
		}
	}
	ring := v.rings[0]
	if strings.HasPrefix(pattern, "DELETE") {
		ring = v.rings[1]
	}
	return strings.NewReplacer("{trial}", id, "{ring}", ring)
}

// checkTrials checks the addresses of trials.
func (h *household) checkTrials(place func(*strings.Replacer),
	check func(method, pattern, query string, status int, options ...option), in, tablet option) {
	const all, one = "/api/v1/trials", "/api/v1/trials/{trial}"
	large := sends(strings.Repeat(" ", maxJSON+1))
	check("GET", all, "", 200, in)
	check("POST", all, "", 201, in, sends(`{"bell":"gate"}`))
	check("POST", all, "", 409, in, sends(`{"bell":"gate"}`))
	check("POST", all, "", 404, in, sends(`{"bell":"cellar"}`))
	check("POST", all, "", 400, in, sends(`[]`))
	check("POST", all, "", 413, in, large)
	h.ringsAs("tried-1", triedFace(house.Picture, .9, house.Finding{Sign: "x", Score: 1}))
	h.ringsAs("tried-2")
	h.rung("tried-3", 0, still(h.t, 3))
	trial, _, err := h.archive.RunningTrial(h.t.Context())
	if err != nil {
		h.t.Fatal(err)
	}
	ring := h.trial(trial.ID, in).Steps[0].Rings[0].ID
	place(strings.NewReplacer("{trial}", trial.ID, "{ring}", ring))
	check("GET", one, "", 200, in)
	check("GET", all, "", 200, in)
	check("PUT", one+"/step", "", 409, in, sends(`{"step":"screen"}`))
	check("PUT", one+"/step", "", 200, in, sends(`{"step":"print"}`))
	check("PUT", one+"/step", "", 400, in, sends(`{"step":1}`))
	check("PUT", one+"/step", "", 413, in, large)
	check("DELETE", one, "", 409, in)
	check("DELETE", one+"/rings/{ring}", "", 200, in)
	check("DELETE", one+"/rings/{ring}", "", 404, in)
	check("POST", one+"/end", "", 200, in)
	check("POST", one+"/end", "", 409, in)
	check("DELETE", one, "", 200, in)
	for _, pattern := range []string{"GET " + one, "DELETE " + one, "PUT " + one + "/step", "POST " + one + "/end"} {
		method, path, _ := strings.Cut(pattern, " ")
		check(method, path, "", 404, in, sends(`{"step":"print"}`))
	}
	for _, pattern := range []string{"GET " + all, "POST " + all, "GET " + one, "DELETE " + one, "PUT " + one + "/step",
		"POST " + one + "/end", "DELETE " + one + "/rings/{ring}"} {
		method, path, _ := strings.Cut(pattern, " ")
		check(method, path, "", 401)
		check(method, path, "", 403, tablet)
	}
}
