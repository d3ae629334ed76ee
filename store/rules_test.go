package store

import (
	"encoding/json"
	"reflect"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
)

func TestSetRules(t *testing.T) {
	a, _ := newArchive(t)
	ctx := t.Context()
	if got, err := a.Rules(ctx); err != nil || !reflect.DeepEqual(got, house.DefaultRules()) {
		t.Errorf("at first %+v, %v", got, err)
	}
	rules := house.DefaultRules()
	rules.Zone = "Europe/Lisbon"
	rules.Keep[house.Known] = house.Rule{Smaller: house.Period{Days: 2}, Stills: house.Period{Days: 9},
		Findings: house.Period{Days: 400}}
	rules.Quiet = []house.Quiet{{Days: []time.Weekday{time.Friday, time.Sunday}, From: 22*60 + 30, Until: 0}}
	must(t, a.SetRules(ctx, rules))
	bad := rules
	bad.Zone = "Nowhere"
	wantError(t, a.SetRules(ctx, bad), house.ErrBadRule)
	if got, err := a.Rules(ctx); err != nil || !reflect.DeepEqual(got, rules) {
		t.Errorf("%+v, %v, want %+v", got, err, rules)
	}
	text, err := json.Marshal(rules)
	if err != nil {
		t.Fatal(err)
	}
	for _, part := range []string{`"zone":"Europe/Lisbon"`, `"person":{"smaller":"2d","stills":"9d","findings":"400d"}`,
		`"stranger":{"smaller":"","stills":"72h","findings":"72h"}`,
		`"quiet":[{"days":[5,0],"from":"22:30","until":"00:00"}]`} {
		if !strings.Contains(string(text), part) {
			t.Errorf("%s lacks %s", text, part)
		}
	}
}
