package web

import (
	"bytes"
	"cmp"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/alexedwards/argon2id"
	"github.com/gorilla/websocket"

	"lintel/internal/house"
)

// securityOf is how the document says that guards are passed.
var securityOf = map[guard][]string{
	open:          nil,
	anyone:        {"session"},
	resident:      {"session resident"},
	looker:        {"session"},
	answerer:      {"session"},
	readNow:       {"session", "program read-visits"},
	readVisits:    {"session", "program read-visits"},
	readAdvice:    {"session resident", "program read-advice"},
	manageSources: {"session resident", "program manage-sources"},
	sendMessages:  {"session", "program send-messages"},
	tellOutside:   {"session resident", "program tell-temperature"},
	readMetrics:   {"session resident", "program read-metrics"},
}

// security lists what the document says an operation takes, one of them: a scheme
// and its roles, such as "program read-visits".
func (d document) security(method, path string) (ways []string) {
	requirements := d.operation(method, path).Security
	if requirements == nil {
		requirements = d.model.Security
	}
	for _, requirement := range requirements {
		for scheme, roles := range requirement.Requirements.FromOldest() {
			ways = append(ways, strings.TrimSpace(scheme+" "+strings.Join(roles, " ")))
		}
	}
	return ways
}

// TestSecurityIsTheGuards holds what the document says of who may ask against the
// routes, and sees to it that each operation names its refusals.
func TestSecurityIsTheGuards(t *testing.T) {
	d := readDocument(t)
	for _, pattern := range d.operations() {
		method, path, _ := strings.Cut(pattern, " ")
		got, want := d.security(method, path), securityOf[doors[pattern]]
		switch pattern {
		case "POST " + stillsPattern, "GET /api/v1/bells/{bell}/display", "POST " + heartbeatPattern,
			"POST /api/v1/bells/{bell}/display/{message}/shown":
			want = []string{"bell"}
		case "POST /api/v1/factors":
			want = []string{"source"}
		}
		if !slices.Equal(got, want) {
			t.Errorf("%s takes %q by the document, want %q", pattern, got, want)
		}
		for _, way := range got {
			statuses := []string{"401"}
			if way == "session resident" || strings.HasPrefix(way, "program") {
				statuses = append(statuses, "403")
			}
			if strings.HasPrefix(way, "program") {
				statuses = append(statuses, "429")
			}
			for _, status := range statuses {
				if d.operation(method, path).Responses.Codes.GetOrZero(status) == nil {
					t.Errorf("%s takes %s, and does not name %s", pattern, way, status)
				}
			}
		}
		for _, way := range got {
			if d.model.Components.SecuritySchemes.GetOrZero(strings.Fields(way)[0]) == nil {
				t.Errorf("%s takes %s, which is no scheme", pattern, way)
			}
		}
	}
}

// late are asked for after all else: what ends the trial or the session by which
// others are asked for.
var late = map[string]int{"POST /api/v1/trials/{trial}/end": 1, "DELETE /api/v1/session": 2}

// A caller asks a running server, and holds what is sent and what comes back
// against the document.
type caller struct {
	walk
	document
	server *httptest.Server
}

// call asks for an operation as it is right to, but for whose request it is.
// The status has to be one of the document's.
func (c caller) call(pattern string, as ...option) *http.Response {
	c.t.Helper()
	method, target, body, with := c.rightly(pattern)
	r, err := http.NewRequestWithContext(c.t.Context(), method, c.server.URL+target, strings.NewReader(body))
	if err != nil {
		c.t.Fatal(err)
	}
	for _, o := range with {
		o(r)
	}
	asked := r.Clone(c.t.Context()) // without who asks: of that the next lines judge
	asked.Body = io.NopCloser(strings.NewReader(body))
	if ok, errs := c.ValidateHttpRequest(asked); !ok {
		tellAll(c.t, "asking for "+pattern, errs, []byte(body))
	}
	for _, o := range as {
		o(r)
	}
	response, err := c.server.Client().Do(r)
	if err != nil {
		c.t.Fatal(err)
	}
	defer response.Body.Close()
	got, err := io.ReadAll(response.Body)
	if err != nil {
		c.t.Fatal(err)
	}
	response.Body = io.NopCloser(bytes.NewReader(got))
	c.checkAnswer(c.t, method, strings.Fields(pattern)[1], &answer{response, c.t, got})
	return response
}

// TestEveryOperation walks every operation of the document against a running
// server: with nothing, with what the document says will not do, and rightly, by
// each way that it names.
//
// Outside: libopenapi-validator, which reads the document and judges each request
// and each answer by it.
func TestEveryOperation(t *testing.T) {
	hashed, err := argon2id.CreateHash(password, costs)
	if err != nil {
		t.Fatal(err)
	}
	for _, way := range []string{"session resident", "program read-visits", "program read-advice",
		"program manage-sources", "program send-messages", "program tell-temperature", "program read-metrics"} {
		t.Run(way, func(t *testing.T) {
			w, ofResident, ofTablet := newWalk(t)
			c := caller{w, readDocument(t), httptest.NewServer(w.household)}
			t.Cleanup(c.server.Close)
			if _, err := w.archive.AddResident(t.Context(), "Perrin", hashed); err != nil {
				t.Fatal(err)
			}
			keys := map[string]option{"session resident": w.session(ofResident), "session": w.session(ofTablet)}
			for i, scope := range house.AllScopes {
				_, keys["program "+string(scope)] = w.token(fmt.Sprint("Program ", i), scope)
			}
			patterns := c.operations()
			slices.SortStableFunc(patterns, func(a, b string) int { return cmp.Compare(late[a], late[b]) })
			for _, pattern := range patterns {
				method, path, _ := strings.Cut(pattern, " ")
				c.refused(pattern, c.security(method, path), keys)
				c.rightlyAsked(pattern, c.security(method, path), way, keys)
			}
		})
	}
}

// refused asks without signing in, and with every key that will not do.
func (c caller) refused(pattern string, ways []string, keys map[string]option) {
	c.t.Helper()
	if len(ways) == 0 {
		return
	}
	if r := c.call(pattern); r.StatusCode != 401 {
		c.t.Errorf("%s without signing in: %d", pattern, r.StatusCode)
	}
	if !strings.HasPrefix(ways[0], "session") {
		return // bells and sources have tests of their own
	}
	for key, option := range keys {
		if key == "session resident" || slices.Contains(ways, key) {
			continue
		}
		if r := c.call(pattern, option); r.StatusCode != 403 {
			c.t.Errorf("%s by a %s: %d", pattern, key, r.StatusCode)
		}
	}
}

// rightlyAsked asks by the way, if it is one of the document's, and has to get
// what the document promises.
func (c caller) rightlyAsked(pattern string, ways []string, way string, keys map[string]option) {
	c.t.Helper()
	var options []option
	switch {
	case pattern == "POST "+stillsPattern:
		options = c.asBell("of-the-walk", 0)
	case slices.Equal(ways, []string{"bell"}):
		options = []option{header("Authorization", "Bearer "+c.bell)}
	case pattern == "GET /readyz":
		c.clock.advance(-time.Hour) // nothing here examines stills, so they wait for too long
		defer c.clock.advance(time.Hour)
	case pattern == "POST /api/v1/factors":
		_, token, err := c.archive.AddSource(c.t.Context(), house.Reader, "", "The walk's")
		if err != nil {
			c.t.Fatal(err)
		}
		options = []option{header("Authorization", "Bearer "+c.secret(token))}
	case pattern == "POST /api/v1/tablets":
		residents, err := c.archive.Residents(c.t.Context())
		if err == nil {
			c.pairing, err = c.tickets.issueDigits(forPairing, residents[0].ID, pairingLasts)
		}
		if err != nil {
			c.t.Fatal(err)
		}
	case len(ways) == 0:
	case pattern == "PUT /api/v1/password" && way == "session resident": // which ends their sessions
		options = []option{c.session(c.signsIn("Perrin"))}
	case slices.Contains(ways, way), way == "session resident" && slices.Contains(ways, "session"):
		options = []option{keys[way]}
	default:
		return
	}
	if pattern == "GET /api/v1/live" {
		r := httptest.NewRequest("GET", "/api/v1/live", nil)
		options[0](r)
		conn, response, err := websocket.DefaultDialer.DialContext(c.t.Context(),
			"ws"+strings.TrimPrefix(c.server.URL, "http")+"/api/v1/live", r.Header)
		if err != nil {
			c.t.Errorf("%s by %s: %v, %v", pattern, way, err, response)
			return
		}
		conn.Close()
		return
	}
	if r := c.call(pattern, options...); r.StatusCode >= 300 {
		body, _ := io.ReadAll(r.Body)
		c.t.Errorf("%s by %s: %d %s", pattern, way, r.StatusCode, body)
	}
}
