package web

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
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
