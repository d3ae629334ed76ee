package web

import (
	"encoding/xml"
	"io"
	"io/fs"
	"net/url"
	"path"
	"regexp"
	"strings"
	"testing"

	"lintel/internal/house"
	"lintel/pipeline/review"
)

// TestPagesHoldNothingInline walks every page there is.
func TestPagesHoldNothingInline(t *testing.T) {
	h := newHouse(t)
	setUp := h.get("/set-up?token=" + h.setUpLink())
	_, joining, err := h.archive.Invite(t.Context(), "")
	if err != nil {
		t.Fatal(err)
	}
	h.secret(joining)
	token := h.resident("Odile")
	h.tablet("Hall", "Odile")
	visit := h.furnish()
	h.shows("No, thank you.")
	persons, err := h.archive.Persons(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	person := persons[0].ID
	in := h.session(token)
	pages := map[string]*answer{
		"sign-in": h.get("/sign-in").is(200).says("Sign in"),
		"set-up": setUp.is(200).says("Set Lintel up").says("data-protection authority").
			says("Fire and building codes"),
		"join":       h.get("/join?token=" + joining).is(200).says("Join this household"),
		"away":       h.get("/away").is(200).says("can’t be reached"),
		"pair":       h.get("/pair").is(200).says("Pair this tablet"),
		"stale link": h.get("/set-up?token=none", browser).is(410).says("too old"),
		"now":        h.get("/", in).is(200).says("Look before you open"),
		"upkeep": h.get("/upkeep", in).is(200).says("Hall").says("paired by Odile").says("gate").says("last heard").
			says("data-protection authority"),
		"rules":        h.get("/rules/keeping", in).is(200).says("paragraph 121"),
		"rules, typed": h.fill("/rules/keeping", typed("add=1"), in).is(200).says("Quiet time 1"),
		"preview":      h.fill("/rules/keeping", typed(), in).is(200).says("What would be deleted now"),
		"masks":        h.get("/rules/masks/gate", in).is(200).says("nothing brings it back"),
		"messages":     h.get("/rules/messages", in).is(200).says("tells burglars"),
		"message": h.post("/visits/"+visit+"/message", typedMessage, in).is(200).
			says("As the display will show it").says("à is shown as a"),
		"display":      h.get("/upkeep/displays/gate", in).is(200).says("The display of gate"),
		"lens":         h.get("/rules/lens/gate", in).is(200).says("How the bell looks: gate"),
		"trail":        h.get("/upkeep/trail", in).is(200).says("Lintel itself").says("newest first"),
		"trail, check": h.post("/upkeep/trail/check", nil, in).is(200).says("intact"),
		"pairing code": h.post("/upkeep/pairing-code", nil, in).is(200).says(`id="pairing-code"`),
		"invitation":   h.post("/upkeep/invitation", nil, in).is(200).says(`id="invitation"`),
		"backups":      h.get("/upkeep/backups", in).is(200).says("an hour when"),
		"residents":    h.get("/upkeep/residents", in).is(200).says("Who is signed in where"),
		"book":         h.get("/visits", in).is(200).says("Erase a period"),
		"visit":        h.get("/visits/"+visit, in).is(200).says("Hold the visit"),
		"erase visit":  h.get("/visits/"+visit+"/erase", in).is(200).says("for good"),
		"erase period": h.get("/visits/erase?from=2031-05-04&until=2031-05-04", in).is(200).says("for good"),
		"people":       h.get("/people", in).is(200).says("lintel enrol"),
		"person":       h.get("/people/"+person, in).is(200).says("What is held"),
		"erase person": h.get("/people/"+person+"/erase?visits=true", in).is(200).says("for good"),
		"nothing here": h.get("/nothing", in, browser).is(404).says("nothing at this address"),
	}
	for name, a := range pages {
		t.Run(name, func(t *testing.T) { checkMarkup(t, string(a.body)) })
	}
	for _, name := range []string{"style.css", "now.css", "now.js", "chime.js", "masks.js", "visit.js", "advice.js", "trial.js", "shell.js", "sw.js",
		"thisis.js", "visit.css"} {
		a := h.get("/assets/"+name, in).is(200)
		if found := elsewhere.FindString(string(a.body)); found != "" {
			t.Errorf("%s holds an address: %q", name, found)
		}
	}
}

// elsewhere finds addresses of other hosts, and ways for styles and scripts
// to run or load what a policy can't see. `//` also begins a comment, but no
// host follows there without a space.
var elsewhere = regexp.MustCompile(`https?://|["'(]//|@import|url\(|\beval\(|new Function`)

// TestFormsSayWhereTheyGo reads every page's template: a form without an address would go to
// where its page is asked for anew (`data-came`), which is not what it was drawn for.
func TestFormsSayWhereTheyGo(t *testing.T) {
	names, err := fs.Glob(pageFiles, "pages/*.html")
	if err != nil {
		t.Fatal(err)
	}
	forms := 0
	for _, name := range names {
		page, err := pageFiles.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		for _, form := range regexp.MustCompile(`<form[^>]*`).FindAllString(string(page), -1) {
			if forms++; !strings.Contains(form, ` action="`) {
				t.Errorf("%s: %s", name, form)
			}
		}
	}
	if forms < 50 {
		t.Errorf("%d forms", forms)
	}
}

// checkMarkup walks a page, or part of one, for what the content security
// policy would block: scripts and styles inside, handlers in attributes, and
// addresses of other hosts.
func checkMarkup(t *testing.T, page string) {
	t.Helper()
	d := xml.NewDecoder(strings.NewReader(page))
	d.Strict, d.AutoClose, d.Entity = false, xml.HTMLAutoClose, xml.HTMLEntity
	within := ""
	elements := 0
	for {
		token, err := d.Token()
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatalf("%v in\n%s", err, page)
		}
		switch e := token.(type) {
		case xml.StartElement:
			elements++
			within = e.Name.Local
			if within == "style" || within == "base" || within == "iframe" || within == "object" {
				t.Errorf("an element %s", within)
			}
			for _, a := range e.Attr {
				if blocked(a.Name.Local, a.Value) {
					t.Errorf("%s has %s=%q", within, a.Name.Local, a.Value)
				}
			}
		case xml.EndElement:
			within = ""
		case xml.CharData:
			if within == "script" && strings.TrimSpace(string(e)) != "" {
				t.Errorf("a script inside: %s", e)
			}
		}
	}
	if elements == 0 {
		t.Errorf("no markup in %q", page)
	}
}

// blocked reports whether an attribute runs something, or leads to another host.
func blocked(name, value string) bool {
	switch name {
	case "src", "href", "action", "formaction", "srcset", "poster":
		u, err := url.Parse(value)
		return err != nil || u.Host != "" || u.Scheme != ""
	}
	return name == "style" || name == "srcdoc" || strings.HasPrefix(name, "on")
}

// TestBlocked checks the check.
func TestBlocked(t *testing.T) {
	for _, test := range []struct {
		name, value string
		want        bool
	}{
		{"href", "/upkeep", false}, {"class", "on", false},
		{"href", "//elsewhere.example/x", true}, {"src", "https://elsewhere.example/x", true},
		{"href", "data:,", true}, {"href", "javascript:alert(1)", true}, {"onclick", "x()", true}, {"style", "top:0", true},
	} {
		if got := blocked(test.name, test.value); got != test.want {
			t.Errorf("%s=%q: %t", test.name, test.value, got)
		}
	}
}

// TestEveryTemplateIsRendered makes sure that no page is forgotten above.
func TestEveryTemplateIsRendered(t *testing.T) {
	files, err := pageFiles.ReadDir("pages")
	if err != nil {
		t.Fatal(err)
	}
	answered := &itemView{Doubt: review.Doubt{Sighting: house.Sighting{File: "0123456789"}}}
	data := map[string]any{
		"account.html": form{}, "sign-in.html": form{}, "pair.html": form{}, "frame.html": nil,
		"start.html": startView{}, "new-bell.html": newBellView{}, "pin.html": pinView{}, "tablet.html": tabletView{},
		"erase-period.html": confirmView{}, "who.html": whoView{}, "rules-chime.html": nil, "now.html": nowView{}, "book.html": bookView{}, "visit.html": visitView{}, "confirm.html": confirmView{},
		"erasure.html": erasureView{},
		"people.html":  peopleView{}, "person.html": personView{}, "upkeep.html": upkeepView{}, "rules.html": rulesView{},
		"forms.html": nil, "rules-keeping.html": keepingView{}, "rules-privacy.html": privacyView{},
		"rules-house.html": rulesHouseView{}, "upkeep-part.html": upkeepView{},
		"rules-preview.html": previewView{},
		"sources.html":       nil, "phone-week.html": nil, "warning.html": nil, "bells.html": nil, "backups.html": nil,
		"strangers.html": strangersView{}, "person-new.html": newPersonView{}, "pictures.html": picturesView{},
		"stranger.html": strangerPageView{},
		"checks.html":   checkView{}, "check-answer.html": answerView{Item: answered}, "check-answers.html": answersView{},
		"check-changes.html": changesView{}, "check-threshold.html": thresholdView{},
		"household.html": nil, "masks.html": masksView{}, "lens.html": lensView{}, "trail.html": trailView{},
		"residents.html": residentsView{},
		"trial.html":     trialView{}, "programs.html": programsView{}, "problem.html": problemJSON{}, "away.html": nil,
		"trust.html":       trustView{},
		"advice-card.html": nil, "advice-month.html": adviceMonthView{},
		"advice-rules.html": suggestingView{}, "advice-rule.html": adviceRuleView{},
		"advice-rule-preview.html": rulePreview{}, "advice-house.html": adviceHouseView{},
		"advice-door.html": adviceDoorView{}, "advice-parcels.html": adviceParcelsView{},
		"advice-dry.html": adviceDryView{},
		"display.html":    displayView{}, "message.html": messageView{}, "messages.html": messageRulesView{},
	}
	for _, f := range files {
		v, ok := data[path.Base(f.Name())]
		if !ok {
			t.Errorf("%s is not known to the tests", f.Name())
			continue
		}
		if err := drawPage(io.Discard, language, f.Name(), v); err != nil {
			t.Error(err)
		}
	}
}
