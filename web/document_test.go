package web

import (
	"bytes"
	"encoding/json"
	"io"
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/pb33f/libopenapi"
	validator "github.com/pb33f/libopenapi-validator"
	"github.com/pb33f/libopenapi-validator/config"
	"github.com/pb33f/libopenapi-validator/errors"
	"github.com/pb33f/libopenapi-validator/schema_validation"
	v3 "github.com/pb33f/libopenapi/datamodel/high/v3"
)

// A document is the API's description, as a library for OpenAPI 3.1 reads it,
// which holds answers against it. It is stricter than JSON Schema in one way: a
// property that no schema describes is an error.
type document struct {
	root  map[string]any
	model *v3.Document
	validator.Validator
	schemas schema_validation.SchemaValidator
}

var readOnce = sync.OnceValues(func() (d document, err error) {
	if err := json.Unmarshal(openAPIDocument, &d.root); err != nil {
		return d, err
	}
	read, err := libopenapi.NewDocument(openAPIDocument)
	if err != nil {
		return d, err
	}
	model, err := read.BuildV3Model()
	if err != nil {
		return d, err
	}
	options := []config.Option{config.WithStrictMode(), config.WithFormatAssertions(), config.WithoutSecurityValidation(),
		config.WithStrictIgnoredHeadersExtra("Accept")}
	d.model, d.schemas = &model.Model, schema_validation.NewSchemaValidator(options...)
	v, errs := validator.NewValidator(read, options...)
	d.Validator = v
	for _, e := range errs {
		return d, e
	}
	return d, nil
})

func readDocument(t testing.TB) document {
	t.Helper()
	d, err := readOnce()
	if err != nil {
		t.Fatal(err)
	}
	return d
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

// operation returns what the document says of an address.
func (d document) operation(method, path string) *v3.Operation {
	item := d.model.Paths.PathItems.GetOrZero(path)
	if item == nil {
		return nil
	}
	return item.GetOperations().GetOrZero(strings.ToLower(method))
}

// checkAnswer checks that the document foresees the answer's status and media
// type, and that its body conforms to the schema there.
func (d document) checkAnswer(t testing.TB, method, pattern string, a *answer) {
	t.Helper()
	r, err := http.NewRequestWithContext(t.Context(), method, strings.NewReplacer("{", "", "}", "").Replace(pattern), nil)
	if err != nil {
		t.Fatal(err)
	}
	// The library lets headers pass only if they are described, and those are
	// the same everywhere.
	sent := *a.Response
	sent.Header, sent.Body = http.Header{"Content-Type": a.Header["Content-Type"]}, io.NopCloser(bytes.NewReader(a.body))
	if ok, errs := d.ValidateHttpResponse(r, &sent); !ok {
		tellAll(t, method+" "+pattern, errs, a.body)
	}
}

// checkJSON checks that a value conforms to the schema of that name.
func (d document) checkJSON(t testing.TB, schema string, data []byte) {
	t.Helper()
	s := d.model.Components.Schemas.GetOrZero(schema)
	if s == nil {
		t.Fatalf("no schema %s", schema)
	}
	if ok, errs := d.schemas.ValidateSchemaBytesWithVersion(s.Schema(), data, 3.1); !ok {
		tellAll(t, schema, errs, data)
	}
}

func tellAll(t testing.TB, what string, errs []*errors.ValidationError, data []byte) {
	t.Helper()
	for _, e := range errs {
		t.Errorf("%s: %s: %s", what, e.Message, e.Reason)
		for _, s := range e.SchemaValidationErrors {
			t.Errorf("    %s at %s", s.Reason, s.FieldPath)
		}
	}
	if len(data) > 2000 {
		data = data[:2000]
	}
	t.Logf("of %s", data)
}
