package web

import (
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"math"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
)

// A document is the API's description, as its readers see it.
type document struct{ root map[string]any }

func readDocument(t testing.TB) document {
	t.Helper()
	var d document
	if err := json.Unmarshal(openAPIDocument, &d.root); err != nil {
		t.Fatal(err)
	}
	return d
}

// at follows names into the document, through any $ref on the way (RFC 6901
// fragments of this document), and returns nil where there is nothing.
func (d document) at(from any, names ...string) any {
	for _, name := range names {
		object, _ := d.follow(from).(map[string]any)
		from = object[name]
	}
	return d.follow(from)
}

func (d document) follow(v any) any {
	object, _ := v.(map[string]any)
	reference, ok := object["$ref"].(string)
	if !ok {
		return v
	}
	path, ok := strings.CutPrefix(reference, "#/")
	if !ok {
		panic("a reference out of the document: " + reference)
	}
	return d.at(d.root, strings.Split(path, "/")...)
}

// operations lists what the document describes, as patterns of http.ServeMux.
func (d document) operations() (patterns []string) {
	for path, item := range d.root["paths"].(map[string]any) {
		for method := range item.(map[string]any) {
			patterns = append(patterns, strings.ToUpper(method)+" "+path)
		}
	}
	slices.Sort(patterns)
	return patterns
}

// checkAnswer checks that the document foresees the answer's status and media
// type, and that its body conforms to the schema there.
func (d document) checkAnswer(t testing.TB, method, pattern string, a *answer) {
	t.Helper()
	content, _ := d.at(d.root, "paths", pattern, strings.ToLower(method), "responses", strconv.Itoa(a.StatusCode),
		"content").(map[string]any)
	if content == nil {
		t.Errorf("%s %s: the document foresees no content with status %d", method, pattern, a.StatusCode)
		return
	}
	media, ok := content[a.Header.Get("Content-Type")].(map[string]any)
	if !ok {
		t.Errorf("%s %s: the document foresees no %s with status %d", method, pattern, a.Header.Get("Content-Type"),
			a.StatusCode)
		return
	}
	if schema, ok := media["schema"]; ok {
		d.checkJSON(t, schema, a.body)
	}
}

func (d document) checkJSON(t testing.TB, schema any, data []byte) {
	t.Helper()
	var v any
	if err := json.Unmarshal(data, &v); err != nil {
		t.Errorf("%v in %s", err, data)
		return
	}
	if err := d.conforms(v, schema); err != nil {
		t.Errorf("%v in %s", err, data)
	}
}

// vocabulary is the part of JSON Schema 2020-12 that conforms knows: what
// asserts, and what only tells (format does not assert by default there, but
// here its times do).
var vocabulary = []string{
	"type", "required", "properties", "items", "enum", "oneOf", "pattern", "minimum", "maximum", "format",
	"description", "default",
}

// conforms reports where a value goes against a schema (JSON Schema 2020-12,
// validation vocabulary). It is stricter in one way: a property that the
// schema does not describe is an error.
func (d document) conforms(v, schema any) error {
	s, ok := d.follow(schema).(map[string]any)
	if !ok {
		return fmt.Errorf("no schema: %v", schema)
	}
	for keyword := range s {
		if !slices.Contains(vocabulary, keyword) {
			return fmt.Errorf("the check does not know %q", keyword)
		}
	}
	if kind, ok := s["type"].(string); ok && !isA(v, kind) {
		return fmt.Errorf("%v is no %s", v, kind)
	}
	if enum, ok := s["enum"].([]any); ok && !slices.Contains(enum, v) {
		return fmt.Errorf("%v is none of %v", v, enum)
	}
	if one, ok := s["oneOf"].([]any); ok {
		fits := 0
		for _, alternative := range one {
			if d.conforms(v, alternative) == nil {
				fits++
			}
		}
		if fits != 1 {
			return fmt.Errorf("%v fits %d of the alternatives", v, fits)
		}
	}
	if s["format"] == "date-time" {
		if _, err := time.Parse(time.RFC3339, v.(string)); err != nil {
			return err
		}
	}
	if items, ok := s["items"]; ok {
		for i, item := range v.([]any) {
			if err := d.conforms(item, items); err != nil {
				return fmt.Errorf("%d: %w", i, err)
			}
		}
	}
	if object, ok := v.(map[string]any); ok && s["type"] == "object" {
		return d.objectConforms(object, s)
	}
	return nil
}

func (d document) objectConforms(object, s map[string]any) error {
	required, _ := s["required"].([]any)
	for _, name := range required {
		if _, ok := object[name.(string)]; !ok {
			return fmt.Errorf("%v is missing", name)
		}
	}
	properties, _ := s["properties"].(map[string]any)
	for name, v := range object {
		property, ok := properties[name]
		if !ok {
			return fmt.Errorf("%s is not described", name)
		}
		if err := d.conforms(v, property); err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
	}
	return nil
}

func isA(v any, kind string) bool {
	switch v := v.(type) {
	case nil:
		return kind == "null"
	case bool:
		return kind == "boolean"
	case string:
		return kind == "string"
	case float64:
		return kind == "number" || kind == "integer" && v == math.Trunc(v)
	case []any:
		return kind == "array"
	case map[string]any:
		return kind == "object"
	}
	return false
}

// TestConforms checks the check: what it lets through would mean nothing
// otherwise. The examples follow from the definitions of the keywords.
func TestConforms(t *testing.T) {
	d := document{map[string]any{"components": map[string]any{"name": map[string]any{"type": "string"}}}}
	tests := []struct {
		schema, value string
		want          bool
	}{
		{`{"type":"integer"}`, `3`, true},
		{`{"type":"integer"}`, `3.5`, false},
		{`{"type":"number"}`, `3.5`, true},
		{`{"type":"string"}`, `3`, false},
		{`{"type":"null"}`, `null`, true},
		{`{"type":"array","items":{"type":"string"}}`, `["a","b"]`, true},
		{`{"type":"array","items":{"type":"string"}}`, `["a",1]`, false},
		{`{"type":"array","items":{"type":"string"}}`, `null`, false},
		{`{"enum":["a","b"]}`, `"a"`, true},
		{`{"enum":["a","b"]}`, `"c"`, false},
		{`{"oneOf":[{"type":"null"},{"type":"string"}]}`, `null`, true},
		{`{"oneOf":[{"type":"null"},{"type":"string"}]}`, `1`, false},
		{`{"oneOf":[{"type":"string"},{"type":"string"}]}`, `"a"`, false},
		{`{"type":"object","required":["a"],"properties":{"a":{"type":"boolean"}}}`, `{"a":true}`, true},
		{`{"type":"object","required":["a"],"properties":{"a":{"type":"boolean"}}}`, `{}`, false},
		{`{"type":"object","properties":{"a":{"type":"boolean"}}}`, `{"b":1}`, false},
		{`{"$ref":"#/components/name"}`, `"a"`, true},
		{`{"$ref":"#/components/name"}`, `1`, false},
		{`{"type":"string","format":"date-time"}`, `"2031-05-04T18:30:00Z"`, true},
		{`{"type":"string","format":"date-time"}`, `"today"`, false},
		{`{"type":"string","minLength":1}`, `"a"`, false}, // not known
	}
	for _, test := range tests {
		var schema, v any
		if err := json.Unmarshal([]byte(test.schema), &schema); err != nil {
			t.Fatal(err)
		}
		if err := json.Unmarshal([]byte(test.value), &v); err != nil {
			t.Fatal(err)
		}
		if err := d.conforms(v, schema); (err == nil) != test.want {
			t.Errorf("%s against %s: %v", test.value, test.schema, err)
		}
	}
}

// TestDocumentIsWhole checks what OpenAPI 3.1.0 requires of every document
// (4.8.1, 4.8.2, 4.8.10, 4.8.12, 4.8.17) where this one could go wrong.
func TestDocumentIsWhole(t *testing.T) {
	d := readDocument(t)
	if d.root["openapi"] != "3.1.0" || d.at(d.root, "info", "title") == nil || d.at(d.root, "info", "version") == nil {
		t.Error("no version or no info")
	}
	d.walkReferences(t, d.root)
	schemes, _ := d.at(d.root, "components", "securitySchemes").(map[string]any)
	for path, item := range d.root["paths"].(map[string]any) {
		for method, operation := range item.(map[string]any) {
			responses, _ := d.at(operation, "responses").(map[string]any)
			if len(responses) == 0 {
				t.Errorf("%s %s: no responses", method, path)
			}
			for status := range responses {
				if d.at(responses, status, "description") == nil {
					t.Errorf("%s %s: %s has no description", method, path, status)
				}
			}
			inPath := make(map[string]bool)
			parameters, _ := d.at(operation, "parameters").([]any)
			for _, p := range parameters {
				if d.at(p, "in") == "path" {
					inPath[d.at(p, "name").(string)] = true
					if d.at(p, "required") != true {
						t.Errorf("%s %s: a path's parameter has to be required", method, path)
					}
				}
			}
			for _, name := range wildcards(path) {
				if !inPath[name] {
					t.Errorf("%s %s: %s is not described", method, path, name)
				}
				delete(inPath, name)
			}
			if len(inPath) > 0 {
				t.Errorf("%s %s: %v is not in the path", method, path, slices.Collect(maps.Keys(inPath)))
			}
			security, own := d.at(operation, "security").([]any)
			if !own {
				security = d.root["security"].([]any)
			}
			for _, requirement := range security {
				for name := range requirement.(map[string]any) {
					if schemes[name] == nil {
						t.Errorf("%s %s: no security scheme %s", method, path, name)
					}
				}
			}
		}
	}
}

func (d document) walkReferences(t *testing.T, v any) {
	switch v := v.(type) {
	case map[string]any:
		if reference, ok := v["$ref"]; ok && d.follow(v) == nil {
			t.Errorf("%v leads nowhere", reference)
		}
		for _, inner := range v {
			d.walkReferences(t, inner)
		}
	case []any:
		for _, inner := range v {
			d.walkReferences(t, inner)
		}
	}
}

// wildcards lists the names in braces of a path.
func wildcards(path string) (names []string) {
	for _, part := range strings.Split(path, "/") {
		if name, ok := strings.CutPrefix(part, "{"); ok {
			names = append(names, strings.TrimSuffix(name, "}"))
		}
	}
	return names
}

// TestDocumentDescribesTheRoutes holds the document against the mux, both ways.
func TestDocumentDescribesTheRoutes(t *testing.T) {
	var want []string
	for _, r := range newHouse(t).routes() {
		method, path, ok := strings.Cut(r.pattern, " ")
		if ok && (strings.HasPrefix(path, "/api/") || path == "/healthz") {
			want = append(want, method+" "+path)
		}
	}
	slices.Sort(want)
	if got := readDocument(t).operations(); !slices.Equal(got, want) {
		t.Errorf("the document describes\n%q, the routes are\n%q", got, want)
	}
}

// TestDocumentedAnswers asks for everything that the document describes, and
// checks each answer against it.
func TestDocumentedAnswers(t *testing.T) {
	h := newHouse(t)
	d := readDocument(t)
	token := h.resident("Odile")
	visit := h.furnish()
	person := h.enrolled("Jory Amberg").ID
	stranger, _ := h.strangerTwice()
	h.enrolledAs("Ada Quill", 1)
	_, face := h.sees("doubt", faceAt(descriptorAt(1, h.weakly())))
	all := strings.NewReplacer("{bell}", "gate", "{visit}", visit, "{frame}", "0", "{person}", person, "{stranger}",
		stranger, "{face}", face)
	here := all

	answered := make(map[string]bool)
	check := func(method, pattern, query string, status int, options ...option) {
		t.Helper()
		a := h.ask(method, here.Replace(pattern)+query, nil, options...)
		if a.StatusCode != status {
			t.Errorf("%s %s%s: status %d, want %d: %s", method, pattern, query, a.StatusCode, status, a.body)
			return
		}
		answered[method+" "+pattern] = true
		if pattern != "/healthz" {
			d.checkAnswer(t, method, pattern, a)
		}
	}
	in := h.session(token)
	check("GET", "/healthz", "", 200)
	check("POST", stillsPattern, "", 401) // TestRefusedStills has the rest
	check("GET", "/api/v1/visits", "", 200, in)
	check("GET", "/api/v1/visits", "?limit=1", 200, in)
	check("GET", "/api/v1/visits", "?since=0&limit=100", 200, in)
	for _, bad := range []string{"?limit=0", "?limit=101", "?limit=-1", "?limit=x", "?since=-1", "?since=x",
		"?since=99999999999999999999"} {
		check("GET", "/api/v1/visits", bad, 400, in)
	}
	check("GET", "/api/v1/visits", "", 401)
	for _, bad := range []string{"?kind=x", "?held=x", "?from=2031-05-04", "?until=x", "?cursor=x", "?since=0&bell=gate",
		"?since=0&cursor=",
		"?from=2031-05-04T00:00:00Z&until=2031-05-04T00:00:00Z"} {
		check("GET", "/api/v1/visits", bad, 400, in)
	}
	check("GET", "/api/v1/visits/{visit}", "", 200, in)
	check("GET", "/api/v1/visits/{visit}", "", 401)
	const holds, parcels, visits = "/api/v1/visits/{visit}/hold", "/api/v1/visits/{visit}/parcel", "/api/v1/visits"
	check("PUT", holds, "", 200, in, sends(`{"reason":"A claim","ends_at":"2031-05-05T00:00:00Z"}`))
	check("DELETE", "/api/v1/visits/{visit}", "", 409, in)
	for _, bad := range []string{`{}`, `{"reason":"A claim"}`, `{"ends_at":"2031-05-05T00:00:00Z"}`,
		`{"reason":"A claim","ends_at":"2031-05-04T00:00:00Z"}`,
		`{"reason":"A claim","ends_at":"2033-05-04T00:00:00Z"}`} {
		check("PUT", holds, "", 422, in, sends(bad))
	}
	for _, bad := range []string{``, `{"reason":"A claim","ends_at":"tomorrow"}`, `{"why":"A claim"}`, `[]`} {
		check("PUT", holds, "", 400, in, sends(bad))
	}
	check("PUT", holds, "", 401)
	check("GET", "/api/v1/visits/{visit}", "", 200, in)
	check("DELETE", holds, "", 200, in)
	check("DELETE", holds, "", 404, in)
	check("DELETE", holds, "", 401)
	check("PUT", parcels, "", 200, in, sends(`{"parcel":true}`))
	for _, bad := range []string{``, `{}`, `{"parcel":"yes"}`, `true`} {
		check("PUT", parcels, "", 400, in, sends(bad))
	}
	check("PUT", parcels, "", 401)
	check("GET", "/api/v1/persons", "", 200, in)
	check("GET", "/api/v1/persons", "", 401)
	check("GET", "/api/v1/persons/{person}", "", 200, in)
	check("GET", "/api/v1/persons/{person}", "", 401)
	const consent = "/api/v1/persons/{person}/consent"
	check("DELETE", consent, "", 409, in)
	h.consents(person)
	check("DELETE", consent, "", 401)
	check("DELETE", consent, "", 403, h.session(h.tablet("Attic", "Odile")))
	check("DELETE", consent, "", 202, in)
	h.accepted.Wait()
	const exports = "/api/v1/persons/{person}/export"
	check("GET", exports, "", 200, in)
	check("GET", exports, "?recipient=age1nobody", 400, in)
	check("GET", exports, "", 401)
	for _, bad := range []string{"", "?visits=", "?visits=yes"} {
		check("DELETE", "/api/v1/persons/{person}", bad, 400, in)
	}
	check("DELETE", "/api/v1/persons/{person}", "?visits=true", 401)
	check("DELETE", "/api/v1/persons/{person}", "?visits=true", 202, in)
	h.accepted.Wait()
	check("DELETE", "/api/v1/persons/{person}", "?visits=true", 404, in)
	check("DELETE", consent, "", 404, in)
	check("GET", "/api/v1/persons/{person}", "", 404, in)
	check("GET", exports, "", 404, in)
	for _, bad := range []string{"", "?from=2031-05-04T00:00:00Z", "?until=2031-05-04T00:00:00Z",
		"?from=2031-05-04&until=2031-05-05",
		"?from=2031-05-04T00:00:00Z&until=2031-05-04T00:00:00Z"} {
		check("DELETE", visits, bad, 400, in)
	}
	check("DELETE", visits, "?from=2001-05-04T00:00:00Z&until=2001-05-05T00:00:00Z", 202, in)
	check("DELETE", visits, "", 401)
	tablet := h.session(h.tablet("Hall", "Odile"))
	const erasure = "/api/v1/erasures/{erasure}"
	check("GET", erasure, "", 404, in)
	h.accepted.Wait()
	here = strings.NewReplacer("{erasure}", h.erasing.all[0].id)
	check("GET", erasure, "", 200, in)
	check("GET", erasure, "", 401)
	check("GET", erasure, "", 403, tablet)
	here = all
	h.checkRulesOf(check, in, tablet)
	check("GET", "/api/v1/prior", "", 200, in)
	check("GET", "/api/v1/prior", "", 401)
	check("GET", "/api/v1/prior", "", 403, tablet)
	check("PUT", "/api/v1/prior", "", 200, in, sends(`{"prior":0.25}`))
	check("PUT", "/api/v1/prior", "", 400, in, sends(`{"prior":"often"}`))
	check("PUT", "/api/v1/prior", "", 422, in, sends(`{"prior":1.5}`))
	check("PUT", "/api/v1/prior", "", 401)
	check("PUT", "/api/v1/prior", "", 403, tablet)
	h.checkLens(check, in, tablet)
	h.checkAdviceRules(func(replacer *strings.Replacer) { here = replacer }, check, in, tablet)
	here = all
	h.checkTrials(func(replacer *strings.Replacer) { here = replacer }, check, in, tablet)
	here = all
	h.checkChecks(check, in, tablet)
	h.checkFactors(check)
	h.checkAdvice(func(replacer *strings.Replacer) { here = replacer }, check, in, tablet)
	here = all
	check("DELETE", visits, "?from=2001-05-04T00:00:00Z&until=2001-05-05T00:00:00Z", 403, tablet)
	check("DELETE", "/api/v1/visits/{visit}", "", 403, tablet)
	check("PUT", holds, "", 403, tablet)
	check("DELETE", holds, "", 403, tablet)
	check("PUT", parcels, "", 403, tablet)
	check("GET", "/api/v1/persons", "", 403, tablet)
	check("GET", "/api/v1/persons/{person}", "", 403, tablet)
	check("DELETE", "/api/v1/persons/{person}", "?visits=true", 403, tablet)
	check("GET", exports, "", 403, tablet)
	check("GET", "/api/v1/visits/{visit}/stills/{frame}", "", 200, in)
	check("GET", "/api/v1/visits/{visit}/stills/{frame}", "", 401)
	check("GET", "/api/v1/openapi.json", "", 200, in)
	check("GET", "/api/v1/openapi.json", "", 401)
	check("GET", "/api/v1/live", "", 400, in) // not a WebSocket handshake
	check("GET", "/api/v1/live", "?since=x", 400, in)
	check("GET", "/api/v1/live", "", 401)

	checkStrangers(check, in, h.session(h.tablet("Porch", "Odile")))
	here = strings.NewReplacer("{visit}", visit, "{frame}", "15")
	check("GET", "/api/v1/visits/{visit}/stills/{frame}", "", 404, in)
	check("DELETE", "/api/v1/visits/{visit}", "", 200, in)
	check("DELETE", "/api/v1/visits/{visit}", "", 404, in)
	check("GET", "/api/v1/visits/{visit}", "", 404, in)
	here = strings.NewReplacer("{visit}", "NOSUCHVISIT", "{frame}", "0")
	check("PUT", holds, "", 404, in, sends(`{"reason":"A claim","ends_at":"2031-05-05T00:00:00Z"}`))
	check("DELETE", holds, "", 404, in)
	check("PUT", parcels, "", 404, in, sends(`{"parcel":true}`))
	check("GET", "/api/v1/visits/{visit}", "", 404, in)
	check("GET", "/api/v1/visits/{visit}/stills/{frame}", "", 404, in)
	here = strings.NewReplacer("{visit}", visit, "{frame}", "x")
	check("GET", "/api/v1/visits/{visit}/stills/{frame}", "", 404, in)

	for _, operation := range d.operations() {
		if !answered[operation] {
			t.Errorf("%s was not asked for", operation)
		}
	}
}

// sends gives a request a body.
func sends(body string) option {
	return func(r *http.Request) { r.Body = io.NopCloser(strings.NewReader(body)) }
}

// TestVisitsSince asks for changes as a program does that keeps its own copy.
func TestVisitsSince(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	visits := func(query string) []visitJSON {
		t.Helper()
		var list struct{ Visits []visitJSON }
		h.get("/api/v1/visits"+query, in).is(http.StatusOK).into(&list)
		return list.Visits
	}
	if a := h.get("/api/v1/visits", in).is(http.StatusOK); strings.TrimSpace(string(a.body)) != `{"visits":[]}` {
		t.Errorf("an empty archive answers %s", a.body)
	}
	first := h.rung("R1", 0, still(t, 1))
	known := visits("?since=0")[0].Revision
	second := h.rung("R2", 0, still(t, 1))
	if got := visits(fmt.Sprint("?since=", known)); len(got) != 1 || got[0].ID != second.Visit {
		t.Errorf("since the first visit: %+v", got)
	}
	// A change of the first visit makes it the newest change.
	h.rung("R1", 1, still(t, 1))
	got := visits(fmt.Sprint("?since=", known))
	if len(got) != 2 || got[0].ID != second.Visit || got[1].ID != first.Visit || got[1].Revision <= got[0].Revision {
		t.Errorf("since the first visit: %+v", got)
	}
	if got := visits(fmt.Sprint("?since=", got[1].Revision)); len(got) != 0 {
		t.Errorf("nothing changed, but %+v", got)
	}
	if got := visits("?limit=1"); len(got) != 1 {
		t.Errorf("%d visits, 1 at most was asked for", len(got))
	}
}

// furnish fills the archive with a visit of every kind, and returns one that
// has a match and a stranger.
func (h *household) furnish() (visit string) {
	h.t.Helper()
	ctx := h.t.Context()
	person := h.enrolled("Ilse <Amberg>")
	for i, kind := range visitKinds(person) {
		h.clock.advance(time.Minute)
		for frame, s := range kind.stills {
			body := still(h.t, uint8(16*i+frame))
			if s.damaged {
				body = asJPEG(h.t, scene(320, 240))
				body = body[:len(body)/2]
			}
			taken := h.clock.now().Add(kind.ahead).Format(time.RFC3339)
			receipt := h.rung(kind.name, frame, body, header("Lintel-Taken-At", taken))
			if s.state == house.Pending {
				continue
			}
			v, err := h.archive.Visit(ctx, receipt.Visit)
			if err != nil {
				h.t.Fatal(err)
			}
			if err := h.archive.Record(ctx, v.Stills[frame].ID, s.state, s.faces); err != nil {
				h.t.Fatal(err)
			}
			if kind.name == "person-and-stranger" {
				visit = receipt.Visit
			}
		}
	}
	return visit
}

// enrolled adds a person, with consent.
func (h *household) enrolled(name string) house.Person {
	h.t.Helper()
	p, err := h.archive.AddPerson(h.t.Context(), h.secret(name))
	if err != nil {
		h.t.Fatal(err)
	}
	return p
}

// checkRulesOf checks the addresses of the screens Rules and Upkeep.
func (h *household) checkRulesOf(check func(method, pattern, query string, status int, options ...option), in,
	tablet option) {
	const rules, masks, earlier = "/api/v1/rules", "/api/v1/bells/{bell}/masks", "/api/v1/bells/{bell}/masks/earlier"
	check("GET", rules, "", 200, in)
	check("PUT", rules, "", 200, in, sends(sentRules))
	check("PUT", rules, "", 400, in, sends(`{`))
	check("PUT", rules, "", 422, in, sends(`{}`))
	check("PUT", rules, "", 413, in, sends(strings.Repeat(" ", maxJSON+1)))
	check("GET", rules, "", 200, in)
	check("POST", rules+"/preview", "", 200, in, sends(sentRules))
	check("POST", rules+"/preview", "", 400, in, sends(`{`))
	check("POST", rules+"/preview", "", 422, in, sends(`{}`))
	check("PUT", "/api/v1/visits/{visit}/hold", "", 200, in,
		sends(`{"reason":"A claim","ends_at":"2031-05-05T00:00:00Z"}`))
	check("GET", "/api/v1/holds", "", 200, in)
	check("DELETE", "/api/v1/visits/{visit}/hold", "", 200, in)
	check("GET", "/api/v1/bells", "", 200, in)
	check("GET", masks, "", 200, in)
	check("PUT", masks, "", 200, in, sends(quarterJSON))
	check("PUT", masks, "", 400, in, sends(`{}`))
	check("PUT", masks, "", 422, in, sends(`[[]]`))
	check("GET", masks, "", 200, in)
	check("GET", earlier, "", 200, in)
	check("POST", earlier, "", 202, in)
	h.accepted.Wait()
	check("GET", earlier, "", 200, in)
	check("GET", "/api/v1/trail", "", 200, in)
	check("GET", "/api/v1/trail", "?before=3", 200, in)
	check("GET", "/api/v1/trail", "?before=x", 400, in)
	for _, pattern := range []string{"GET " + rules, "PUT " + rules, "POST " + rules + "/preview", "GET /api/v1/holds",
		"GET /api/v1/bells",
		"GET " + masks, "PUT " + masks, "GET " + earlier, "POST " + earlier, "GET /api/v1/trail"} {
		method, path, _ := strings.Cut(pattern, " ")
		check(method, path, "", 401)
		check(method, path, "", 403, tablet)
	}
}
