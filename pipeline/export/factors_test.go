package export

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"html"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/advice/evidence"
	"lintel/pipeline/advice/geofence"
	"lintel/pipeline/advice/totp"
	"lintel/store"
)

// adasSecret is what Ada's one-time codes are made from.
var adasSecret = totp.Secret{7, 1, 1}

// furnishSecond gives both persons a phone, a token, one-time codes, rules,
// factors, failed attempts and advice.
func (h *household) furnishSecond(resident, together string) {
	h.t.Helper()
	ctx := h.t.Context()
	door, err := h.SetDoor(ctx, house.Door{Name: "Bo Lark's shed", Bell: "garden-gate"})
	h.must(err)
	for i, p := range []house.Person{h.ada, h.bo} {
		phone, _, err := h.AddSource(ctx, house.Phone, p.ID, []string{"The green phone", "The grey phone"}[i])
		h.must(err)
		_, err = h.MoveSource(ctx, phone, func(json.RawMessage) (house.SourceMove, error) {
			at := geofence.Report{Latitude: 61.25 + float64(i), Longitude: -7.5, Accuracy: 12, At: h.now}
			state, err := json.Marshal(geofence.State{Last: at, Fix: at})
			h.must(err)
			told, err := json.Marshal(evidence.Told{Report: at, Place: geofence.Outside})
			h.must(err)
			left, err := json.Marshal(evidence.Told{Report: geofence.Report{Crossing: geofence.Left, NoPlace: true,
				At: h.now},
				Why: "report-order"})
			return house.SourceMove{State: state, Reports: []json.RawMessage{told, left}}, err
		})
		h.must(err)
		_, err = h.AddToken(ctx, p.ID, []string{"brass-4411", "copper-9023"}[i])
		h.must(err)
		h.must(h.SetOneTimeSecret(ctx, p.ID, adasSecret.Text(), 0))
		_, err = h.SetDoorRule(ctx, house.DoorRule{Person: p.ID, Door: door, Allowed: true, Days: [7]bool{true},
			From: 420 + i, To: 1200, Need: 1,
			Factors: []house.FactorKind{house.FactorCode}, Band: "strong", Liveness: house.NoSign})
		h.must(err)
		h.must(h.AddMiss(ctx, "code", p.ID))
		for _, f := range []house.Factor{{Kind: house.FactorArrival, Source: phone},
			{Kind: house.FactorResident, Source: "resident " + resident, Visit: together}} {
			f.Person, f.At, f.Until, f.Strength = p.ID, h.now, h.now.Add(5*time.Minute), .5
			_, err := h.AddFactor(ctx, f)
			h.must(err)
		}
	}
	factors, err := h.FactorsSince(ctx, h.now.Add(-time.Hour))
	h.must(err)
	i := slices.IndexFunc(factors, func(f house.Factor) bool {
		return f.Person == h.ada.ID &&
			f.Kind == house.FactorArrival
	})
	suggested, err := h.AddAdvice(ctx, house.Advice{Visit: together, Door: door, Person: h.ada.ID, State: house.Suggested,
		At: h.now, ExpiresAt: h.now.Add(time.Minute), Factors: []string{factors[i].ID},
		Conditions: []house.Condition{{Code: "match", Met: true},
			{Code: "alike", Reasons: []house.Reason{{Code: "alike-open",
				Values: house.Values{Person: h.ada.ID, Persons: []string{h.bo.ID}, Note: "bo lark"}}}}}}, h.bo.ID)
	h.must(err)
	h.must(h.EndAdvice(house.By(ctx, "resident "+resident), suggested, house.Used))
	other, err := h.SetDoor(ctx, house.Door{Name: "The cellar", Bell: "garden-gate"})
	h.must(err)
	_, err = h.AddAdvice(ctx, house.Advice{Visit: together, Door: other, Person: h.bo.ID, State: house.Withheld,
		At: h.now,
		Conditions: []house.Condition{{Code: "time", Reasons: []house.Reason{{Code: "time-other",
			Values: house.Values{Person: h.bo.ID, Rules: []house.DoorRule{{From: 421, To: 1200}}}}}}}}, h.ada.ID)
	h.must(err)
}

// What besides the face is held of Ada is in her export, and nothing of Bo's.
func TestSecond(t *testing.T) {
	h := furnish(t)
	files, _ := h.export()
	w := readJSON(t, files)
	if len(w.Phones) != 1 || w.Phones[0].Name != "The green phone" || w.Phones[0].Kind != "phone" ||
		!w.Phones[0].HeardAt.Equal(h.now) || w.Phones[0].Last == nil ||
		*w.Phones[0].Last != (reportRecord{61.25, -7.5, 12, h.now}) {
		t.Errorf("phones %+v", w.Phones)
	}
	if week := w.Phones[0].Week; len(week) != 2 || *week[0].Place != (reportRecord{61.25, -7.5, 12, h.now}) ||
		week[0].Found != "outside" || week[1].Place != nil || week[1].Crossing != "left" ||
		week[1].Found != "refused: report-order" || !week[1].HeardAt.Equal(h.now) {
		t.Errorf("the week of the phone %+v", week)
	}
	if !slices.Equal(w.Tokens, []string{"brass-4411"}) || !w.Codes {
		t.Errorf("tokens %q, one-time codes %t", w.Tokens, w.Codes)
	}
	if len(w.Rules) != 1 || !w.Rules[0].Allowed || w.Rules[0].Door != "[somebody else]'s shed" ||
		!strings.Contains(w.Rules[0].Says, "07:00") {
		t.Errorf("rules %+v", w.Rules)
	}
	var factors []string
	for _, f := range w.Factors {
		factors = append(factors, string(f.Kind)+" from a "+f.From)
		if used := f.Kind == house.FactorArrival; f.Used != used || f.Strength != .5 ||
			!f.Until.Equal(h.now.Add(5*time.Minute)) || (f.Visit != "") == used {
			t.Errorf("a factor is %+v", f)
		}
	}
	slices.Sort(factors)
	if !slices.Equal(factors, []string{"arrival from a source", "resident from a resident"}) {
		t.Errorf("factors %q", factors)
	}
	if len(w.Misses) != 1 || w.Misses[0].What != "code" {
		t.Errorf("failed attempts %+v", w.Misses)
	}
	if len(w.Advice) != 2 {
		t.Fatalf("advice %+v", w.Advice)
	}
	for _, a := range w.Advice {
		if a.Yours && (a.State != house.Used || a.By != "resident" || len(a.Conditions) != 2 ||
			!strings.Contains(a.Conditions[1].Says, " is easily confused with [somebody else]. ")) {
			t.Errorf("advice on Ada %+v", a)
		}
		if !a.Yours && (a.State != house.Withheld || len(a.Conditions) != 0 || a.Door != "The cellar") {
			t.Errorf("advice on Bo %+v", a)
		}
	}
	for name, data := range files {
		for _, secret := range []string{adasSecret.Text(), "grey phone", "copper-9023", "62.25", "07:01"} {
			if bytes.Contains(data, []byte(secret)) {
				t.Errorf("%s has %q", name, secret)
			}
		}
	}
	checkSecondPage(t, files)
}

// checkSecondPage checks what the page says of it.
func checkSecondPage(t *testing.T, files map[string][]byte) {
	t.Helper()
	page := html.UnescapeString(regexp.MustCompile(`<[^>]*>`).ReplaceAllString(string(files["index.html"]), ""))
	for _, want := range []string{
		"The green phone, added", "latitude 61.25°, longitude -7.5°, give or take 12 m", "2 reports of it, " +
			"of the last week, are kept", "Tokens: brass-4411.", "The secret that they are made from is not in here",
		"may be suggested at [somebody else]'s shed", "Your phone came home on", "Something was suggested by it",
		"A resident looked and agreed that it is you",
		"A wrong one-time code was given for you", "Lintel itself, by the rulesgave you one-time codes", "It was " +
			"suggested that you be let in, and a resident says so was done, at [somebody else]'s shed",
		"Yes: The match is sure enough.",
		"No: " + adasName + " is easily confused with [somebody else].",
		"Nothing was suggested while you stood there, at The cellar",
	} {
		if !strings.Contains(page, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
}

// Of somebody of whom nothing is held, the export says so.
func TestNothingSecond(t *testing.T) {
	h := newHouse(t)
	files, _ := h.export()
	w := readJSON(t, files)
	if w.Phones == nil || w.Tokens == nil || w.Rules == nil || w.Factors == nil || w.Misses == nil || w.Advice == nil ||
		w.Codes {
		t.Errorf("%+v", w.document)
	}
	for _, want := range []string{"No phone of yours", "No token of yours", "You have no one-time codes",
		"nothing is ever suggested for you", "Nothing was weighed"} {
		if !bytes.Contains(files["index.html"], []byte(want)) {
			t.Errorf("the page does not say %q", want)
		}
	}
}

// A secondless archive can't read tokens.
type secondless struct {
	*store.Archive
	err error
}

func (s secondless) Tokens(context.Context) ([]house.CarriedToken, error) { return nil, s.err }

// What can't be read is an error before anything is given out.
func TestSecondFails(t *testing.T) {
	h := newHouse(t)
	broken := errors.New("the disk gives no answer")
	if _, err := Begin(t.Context(), secondless{h.Archive, broken}, h.ada.ID, Options{Now: h.now}); !errors.Is(err,
		broken) {
		t.Errorf("%v, want %v", err, broken)
	}
	trail, err := h.Trail(t.Context(), 0, 100)
	h.must(err)
	for _, e := range trail {
		if e.Action == "exported" {
			t.Error("the trail has an export that never began")
		}
	}
}
