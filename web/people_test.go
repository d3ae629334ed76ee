package web

import (
	"net/url"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/review"
	"lintel/store"
)

// newPeople has two persons; the first has a consent, a reference
// and three visits, one of them held.
func newPeople(t *testing.T) (h *household, in option, first, second house.Person) {
	t.Helper()
	h = newHouse(t)
	in = h.session(h.resident("Odile"))
	first, second = h.enrolled("Ilse Amberg"), h.enrolled("Mona Tarn")
	consent := house.Consent{GivenBy: "Runa <Amberg>", GivenAt: h.clock.now().
		Add(-time.Hour), Scope: "Being known at the gate"}
	if err := h.archive.RecordConsent(t.Context(), first.ID, consent); err != nil {
		t.Fatal(err)
	}
	if err := h.archive.AddReference(t.Context(), house.Reference{Person: first.ID, FaceWidth: 90}); err != nil {
		t.Fatal(err)
	}
	for i, ring := range []string{"R1", "R2", "R3"} {
		visit := h.rung(ring, 0, still(t, uint8(i))).Visit
		record(t, h.archive, visit, 0, face(10, 50, first, 1e-5, "strong"))
		if i == 0 {
			if err := h.archive.PlaceHold(t.Context(), visit, "The scratch", h.clock.now().Add(time.Hour)); err != nil {
				t.Fatal(err)
			}
		}
	}
	h.rung("R4", 0, still(t, 9))
	return h, in, first, second
}

func TestPeople(t *testing.T) {
	h, in, first, second := newPeople(t)
	page := h.get("/people", in).is(200).says("1 picture<").says("No consent")
	checkMarkup(t, string(page.body))
	page = h.get("/people/"+first.ID, in).is(200).
		says("Given by Runa &lt;Amberg&gt; on Sunday 4 May, to: Being known at the gate").
		says("<dt>Visits that name Ilse Amberg</dt><dd>3</dd>").says("<dt>Of these held</dt><dd>1</dd>").
		says("/visits?person=" + first.ID)
	checkMarkup(t, string(page.body))
	h.get("/people/"+second.ID, in).is(200).says("None is in force")
	var answer struct{ Persons []personJSON }
	h.get("/api/v1/persons", in).is(200).into(&answer)
	if len(answer.Persons) != 2 {
		t.Fatalf("%d persons", len(answer.Persons))
	}
	var p personJSON
	h.get("/api/v1/persons/"+first.ID, in).is(200).into(&p)
	if p.ID != first.ID || p.Visits != 3 || p.Held != 1 || p.References != 1 || p.Consent == nil ||
		p.Consent.GivenBy != "Runa <Amberg>" {
		t.Errorf("the API says %+v", p)
	}
	// A name is no address, whether it is one person's or two's.
	h.enrolled("Jory")
	for _, wrong := range []string{"Jory", "Ilse%20Amberg", "NOSUCHPERSON", strings.ToLower(first.ID)} {
		h.get("/people/"+wrong, in).isProblem(404, "not-found")
		h.get("/people/"+wrong+"/erase?visits=true", in).isProblem(404, "not-found")
		h.post("/people/"+wrong+"/erase", url.Values{"visits": {"true"}}, in).isProblem(404, "not-found")
		h.get("/api/v1/persons/"+wrong, in).isProblem(404, "not-found")
		h.ask("DELETE", "/api/v1/persons/"+wrong+"?visits=true", nil, in).isProblem(404, "not-found")
	}
}

// TestWithdrawConsent withdraws a consent on the person's page and by the API.
func TestWithdrawConsent(t *testing.T) {
	for _, byAPI := range []bool{false, true} {
		h, in, first, second := newPeople(t)
		h.get("/people/"+first.ID, in).is(200).says("/people/" + first.ID + "/withdraw")
		page := h.get("/people/"+first.ID+"/withdraw", in).is(200).says("1 reference of Ilse Amberg would go for good").
			says("3 visits would stay and show a stranger.")
		checkMarkup(t, string(page.body))
		if byAPI {
			e := h.erasedBy(h.ask("DELETE", "/api/v1/persons/"+first.ID+"/consent", nil, in), in)
			if want := (store.Erased{Unnamed: 3}); e.Erased != want || e.Of != 3 || e.Done != 3 {
				t.Errorf("withdrawn: %+v", e)
			}
		} else {
			h.over(h.post("/people/"+first.ID+"/withdraw", nil, in), in).
				says("The consent is withdrawn. 3 visits show a stranger now.").says("None is in force")
		}
		h.keeps(4) // the visits stay
		var p personJSON
		h.get("/api/v1/persons/"+first.ID, in).is(200).into(&p)
		if p.Consent != nil || p.References != 0 || p.Visits != 0 {
			t.Errorf("the API says %+v", p)
		}
		var list struct{ Visits []visitJSON }
		h.get("/api/v1/visits", in).is(200).into(&list)
		for _, v := range list.Visits {
			if v.Outcome == review.Someone || v.Fate.Rule == house.Known {
				t.Errorf("a visit is %+v", v)
			}
		}
		h.get("/upkeep/trail", in).is(200).says("withdrew the consent of")
		for _, without := range []string{first.ID, second.ID} {
			h.get("/people/"+without+"/withdraw", in).isProblem(409, "no-consent")
			h.post("/people/"+without+"/withdraw", nil, in).isProblem(409, "no-consent")
			h.ask("DELETE", "/api/v1/persons/"+without+"/consent", nil, in).isProblem(409, "no-consent")
		}
	}
}

// TestWithdrawalEndsSuggestions has one that is open when the consent ends.
func TestWithdrawalEndsSuggestions(t *testing.T) {
	h := newAdviceHouse(t)
	h.consents(h.ada)
	h.suggest()
	h.ask("DELETE", "/api/v1/persons/"+h.ada+"/consent", nil, h.resident).is(202)
	h.accepted.Wait()
	h.ask("POST", "/api/v1/advice/"+h.id+"/used", nil, h.resident).isProblem(409, "taken")
}

func TestErasePerson(t *testing.T) {
	for _, test := range []struct {
		name    string
		visits  string
		confirm string
		done    string
		erased  store.Erased
		left    int // stills
	}{
		{"keeping the visits", "false", "3 visits would stay, and show a stranger.",
			"0 visits were erased with them. 3 visits show a stranger now.", store.Erased{Unnamed: 3}, 4},
		{"with the visits", "true", "2 visits would go whole",
			"2 visits were erased with them. 1 visit shows a stranger now.",
			store.Erased{Visits: 2, Unnamed: 1, Held: 1}, 2},
	} {
		t.Run(test.name, func(t *testing.T) {
			for _, byAPI := range []bool{false, true} {
				h, in, first, second := newPeople(t)
				told := 0
				h.Erased = func() { told++ }
				h.get("/people/"+first.ID+"/erase?visits="+test.visits, in).is(200).says(test.confirm).says("1 reference")
				for _, bad := range []string{"", "visits=", "visits=all"} {
					h.get("/people/"+first.ID+"/erase?"+bad, in).isProblem(400, "bad-query")
				}
				h.post("/people/"+first.ID+"/erase", nil, in).isProblem(400, "bad-query")
				h.keeps(4)
				if byAPI {
					e := h.erasedBy(h.ask("DELETE", "/api/v1/persons/"+first.ID+"?visits="+test.visits, nil, in), in)
					if e.Erased != test.erased || e.Of != 3 || e.Done != 3 {
						t.Errorf("erased %+v, want %+v", e, test.erased)
					}
				} else {
					h.over(h.post("/people/"+first.ID+"/erase", url.Values{"visits": {test.visits}}, in), in).says(test.done)
				}
				h.keeps(test.left)
				persons, err := h.archive.Persons(t.Context())
				if err != nil || len(persons) != 1 || persons[0].ID != second.ID {
					t.Errorf("persons %v, %v", persons, err)
				}
				if told != 1 {
					t.Errorf("told %d times that something was erased", told)
				}
				// not in the filter either
				if page := h.get("/visits", in).is(200); strings.Contains(string(page.body), "Ilse") {
					t.Error("the book still names the person")
				}
			}
		})
	}
}
