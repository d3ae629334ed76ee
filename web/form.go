package web

import (
	"errors"
	"html"
	"html/template"
	"net/http"
	"net/url"
	"strings"
	"time"

	"lintel/internal/house"
)

// maxForm is the most bytes that a form has, but for that of masks.
const maxForm = 16 << 10

// A postedForm is what a browser sent by one of the pages' forms, or would send by
// one that is filled in.
type postedForm struct{ url.Values }

// readPosted reads a posted form. The error is errBadForm.
func readPosted(w http.ResponseWriter, r *http.Request) (postedForm, error) {
	return readLongForm(w, r, maxForm)
}

// readLongForm reads a form of so many bytes at the most.
func readLongForm(w http.ResponseWriter, r *http.Request, most int64) (postedForm, error) {
	r.Body = http.MaxBytesReader(w, r.Body, most)
	if err := r.ParseForm(); err != nil {
		return postedForm{}, errBadForm
	}
	return postedForm{r.PostForm}, nil
}

// text returns a field without the space around it.
func (f postedForm) text(field string) string { return strings.TrimSpace(f.Get(field)) }

// name returns a field that has to be a name. The error is that of house.CheckName.
func (f postedForm) name(field string) (string, error) { return properName(f.Get(field)) }

// properName returns a name without the space around it. The error is that of
// house.CheckName.
func properName(name string) (string, error) {
	name = strings.TrimSpace(name)
	return name, house.CheckName(name, nameLength)
}

// isNoName tells that somebody typed what can be no name.
func isNoName(err error) bool {
	return errors.Is(err, house.ErrNameLength) || errors.Is(err, house.ErrNameUnseen)
}

// tick ticks a box, or does not.
func (f postedForm) tick(field string, on bool) {
	if on {
		f.Set(field, "true")
	}
}

// duration reads a number of some unit; it is negative for what is none, or is
// longer than any here may be.
func (f postedForm) duration(field string, unit time.Duration) time.Duration {
	v, err := typedNumber(f.text(field))
	if err != nil || v < 0 || v > 1e5 {
		return -1
	}
	return time.Duration(v * float64(unit)).Round(time.Second)
}

// wrongs is what is wrong with a form: all of it, in the order of its fields.
type wrongs []fault

// A fault is what is wrong with a field. Pages say it in their reader's language.
type fault struct {
	Field string
	Why   error // nil for nothing
}

// What is worded is said in the reader's words already.
type worded string

func (w worded) Error() string { return string(w) }

// ID is that of the element which says it, and Input that of the field.
func (f fault) ID() string    { return "fault-" + f.Field }
func (f fault) Input() string { return "field-" + f.Field }

// add says what is wrong with a field, unless something was said of it before.
func (w *wrongs) add(field string, err error) {
	if err != nil && w.Of(field).Why == nil {
		*w = append(*w, fault{field, err})
	}
}

// Of is what is wrong with a field; it says nothing where it is right.
func (w wrongs) Of(field string) fault {
	for _, f := range w {
		if f.Field == field {
			return f
		}
	}
	return fault{Field: field}
}

// At are the attributes of a field's element: its id, by which the list of faults
// leads to it, and where a fault is, which element says so (WCAG 2.2, 3.3.1;
// WAI-ARIA 1.2, aria-invalid).
func (w wrongs) At(field string) template.HTMLAttr {
	f := w.Of(field)
	at := `id="` + html.EscapeString(f.Input()) + `"`
	if f.Why != nil {
		at += ` aria-invalid="true" aria-describedby="` + html.EscapeString(f.ID()) + `"`
	}
	return template.HTMLAttr(at)
}

// truth returns a field that has to be true or false; title is the key that
// says what a form without it lacks.
func (f postedForm) truth(field, title string) (bool, error) {
	v := f.Get(field)
	if v != "true" && v != "false" {
		return false, problem{Status: http.StatusBadRequest, Type: "bad-form", Title: title}
	}
	return v == "true", nil
}

// json reads what the form of a preview carries in a field. The error is
// errBadForm.
func (f postedForm) json(field string, v any) error {
	if decodeJSON(strings.NewReader(f.Get(field)), v) != nil {
		return errBadForm
	}
	return nil
}
