package web

import (
	"math"
	"net/http"
	"strings"
	"testing"
)

// TestAnswerThatCantBeMade has a handler answer with what is no JSON, and with a
// page that can't be drawn: each is told to who asked, and logged.
func TestAnswerThatCantBeMade(t *testing.T) {
	for _, test := range []struct {
		name   string
		handle handler
		logged string
	}{
		{"JSON", func(w http.ResponseWriter, r *http.Request) error { return sendJSON(w, http.StatusOK, math.NaN()) },
			"unsupported value: NaN"},
		{"a page", func(w http.ResponseWriter, r *http.Request) error {
			return sendPage(w, r, http.StatusOK, "now.html", 7)
		},
			"drawing now.html"},
	} {
		t.Run(test.name, func(t *testing.T) {
			h := newHouse(t)
			h.handler = h.answering(test.handle)
			h.get("/api/v1/rules").is(http.StatusInternalServerError)
			if log := h.log.String(); !strings.Contains(log, test.logged) || !strings.Contains(log, "/api/v1/rules") {
				t.Errorf("the log is %q", log)
			}
		})
	}
}
