package web

import (
	"net/http"
	"net/url"
	"strings"
	"time"
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

// name returns a field that has to be a name. The error is errName.
func (f postedForm) name(field string) (string, error) {
	name := f.text(field)
	if name == "" || !nameable(name, nameLength) {
		return "", errName
	}
	return name, nil
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

// wrongs is what is wrong with a form, by its fields.
type wrongs map[string]string

// add says what is wrong with a field, unless something was said of it before.
func (w wrongs) add(field string, err error) {
	if err != nil && w[field] == "" {
		w[field] = refused(err)
	}
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
