package web

import (
	"bytes"
	"math/rand/v2"
	"net/url"
	"reflect"
	"slices"
	"strings"
	"testing"

	markup "golang.org/x/net/html"

	"lintel/internal/house"
	"lintel/internal/words"
	"lintel/web/view"
)

// TestRuleFormRoundTrip writes rules into the page and reads what a browser would
// send back of it.
func TestRuleFormRoundTrip(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	book := view.NewRuleBook(nil, []house.Door{{ID: "C"}, {ID: "D"}}, []house.Person{{ID: "O"}, {ID: "P"}},
		words.For("en"))
	for range 300 {
		rule := house.DoorRule{ID: "R", Person: "P", Door: "D", Allowed: random.IntN(4) > 0, From: random.IntN(24 * 60),
			To: 1 + random.IntN(24*60), Holidays: random.IntN(2) == 0}
		for i := range rule.Days {
			rule.Days[i] = random.IntN(2) == 0
		}
		if rule.Allowed {
			for _, k := range factorKinds {
				if random.IntN(2) == 0 {
					rule.Factors = append(rule.Factors, k)
				}
			}
			rule.Need, rule.Band = 1+random.IntN(4), []string{"strong", "fair"}[random.IntN(2)]
			rule.Liveness, rule.CantTell = []house.LivenessLevel{house.NoSign, house.Doubtful}[random.IntN(2)],
				random.IntN(2) == 0
		}
		var page bytes.Buffer
		if err := drawPage(&page, "en", "advice-rule.html",
			adviceRuleView{ID: "R", Form: ruleForm(rule), Book: book}); err != nil {
			t.Fatal(err)
		}
		got, wrong := readRule(postedForm{sentBy(page.String(), "rule-form")}, "R")
		if len(wrong) > 0 || !reflect.DeepEqual(got, rule) {
			t.Fatalf("%+v\nbecame %+v\nwrong %v", rule, got, wrong)
		}
	}
}

// sentBy is what a browser sends of the form of a class, where nothing is typed.
//
// Outside: HTML Living Standard, 4.10.21.4, “Constructing the entry list”, from
// memory, as golang.org/x/net/html reads the page.
func sentBy(page, class string) url.Values {
	sent, within, field := url.Values{}, false, ""
	for z := markup.NewTokenizer(strings.NewReader(page)); z.Next() != markup.ErrorToken; {
		token := z.Token()
		attributes := make(map[string]string)
		for _, a := range token.Attr {
			attributes[a.Key] = a.Val
		}
		_, checked := attributes["checked"]
		_, selected := attributes["selected"]
		kind := attributes["type"]
		switch {
		case token.Data == "form":
			within = slices.Contains(strings.Fields(attributes["class"]), class)
		case !within:
		case token.Data == "select":
			field = attributes["name"]
		case token.Data == "option" && selected:
			sent.Set(field, attributes["value"])
		case token.Data == "input" && (checked || kind != "checkbox" && kind != "radio"):
			sent.Add(attributes["name"], attributes["value"])
		}
	}
	return sent
}

// FuzzRuleForm reads whatever a form can hold. A rule that nothing is said
// against can be followed.
func FuzzRuleForm(f *testing.F) {
	for _, form := range []string{typedRule, "", "kind=never&day=0&from=00:00&to=00:00&person=P&door=D",
		"kind=allowed&day=9&day=-1&need=-1&factor=x&from=24:00&to=0:0"} {
		f.Add(form)
	}
	book := view.NewRuleBook(nil, []house.Door{{ID: "D", Name: "the oak door"}},
		[]house.Person{{ID: "P", Name: "Edda Marl"}}, words.For("en"))
	f.Fuzz(func(t *testing.T, text string) {
		values, err := url.ParseQuery(text)
		if err != nil {
			return
		}
		rule, wrong := readRule(postedForm{values}, "")
		rule.Person, rule.Door = "P", "D"
		_, err = book.Check(rule)
		if len(wrong) > 0 || err != nil {
			return
		}
		if says := book.Says(rule); strings.Contains(says, "can't be followed") {
			t.Errorf("%q became a rule that says %q", text, says)
		}
	})
}
