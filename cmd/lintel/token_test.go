package main

import (
	"bytes"
	"encoding/json"
	"slices"
	"strings"
	"testing"

	"lintel/internal/house"
)

// TestToken gives a program a token, lists it and ends it, by command.
func TestToken(t *testing.T) {
	h := newHousehold(t)
	h.lintel("bell", "add", "front")
	fails := func(status int, says string, args ...string) {
		t.Helper()
		var out, complaints bytes.Buffer
		if got := run(t.Context(), h.args(args...), &out, &complaints); got != status ||
			!strings.Contains(complaints.String(), says) {
			t.Errorf("%q: status %d, want %d: %s", args, got, status, complaints.String())
		}
	}
	fails(exitUsage, "--scope", "token", "add", "Porch light")
	fails(exitUsage, "read-visits, read-advice, manage-sources, send-messages, tell-temperature, read-metrics, "+
		"hear-visits, hear-names and hear-displays", "token", "add", "Porch light", "--scope", "rules")
	fails(exitUsage, "1 to 60 characters", "token", "add", " ", "--scope", "read-visits")

	token := h.lintel("token", "add", "Porch light", "--scope", "read-visits", "--scope", "read-advice")
	if len(token) != 26 {
		t.Errorf("the token is %q", token)
	}
	fails(exitFailed, "already there", "token", "add", "porch light", "--scope", "read-visits")
	var second struct {
		house.Program
		Token string
	}
	out := h.lintel("token", "add", "Mat", "--scope", "manage-sources", "--json")
	if err := json.Unmarshal([]byte(out), &second); err != nil || len(second.Token) != 26 ||
		second.Scopes != "manage-sources" {
		t.Errorf("added %+v, %v", second, err)
	}

	var all []house.Program
	both := []house.Scope{house.ReadVisits, house.ReadAdvice}
	if err := json.Unmarshal([]byte(h.lintel("token", "list", "--json")), &all); err != nil || len(all) != 2 ||
		all[1].Name != "Porch light" || !slices.Equal(all[1].Scopes.List(), both) {
		t.Errorf("listed %+v, %v", all, err)
	}
	list := h.lintel("token", "list")
	if !strings.Contains(list, "Porch light  read-visits read-advice  never used") || strings.Contains(list, token) {
		t.Errorf("listed %s", list)
	}

	h.lintel("token", "remove", "PORCH light")
	h.lintel("token", "remove", second.ID)
	fails(exitFailed, "not found", "token", "remove", "Porch light")
	if list := h.lintel("token", "list", "--json"); list != "[]" {
		t.Errorf("left are %s", list)
	}
}
