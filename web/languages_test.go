package web

import (
	"fmt"
	"net/http"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"testing/fstest"

	"lintel/internal/house"
	"lintel/internal/words"
)

// choose has a form choose a language.
func (h *household) choose(lang string, options ...option) *answer {
	h.t.Helper()
	form := header("Content-Type", "application/x-www-form-urlencoded")
	return h.ask("POST", "/language", strings.NewReader("language="+lang+"&back=%2Fpair"), append(options, form)...)
}

// TestLanguageOfReader has each way to say which language one reads win over those
// after it: an account's choice, a tablet's, the browser's cookie, Accept-Language.
func TestLanguageOfReader(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	tablet := h.tablet("Hall", "Odile")
	german := header("Accept-Language", "de-CH;q=0.9, nl;q=0.8")
	says := func(lang, path string, options ...option) {
		t.Helper()
		a := h.get(path, append(options, browser)...)
		if got := a.Header.Get("Content-Language"); got != lang || !strings.Contains(string(a.body), `<html lang="`+lang+`"`) {
			t.Errorf("%s is in %q, want %s", path, got, lang)
		}
		if vary := a.Header.Values("Vary"); !slices.Contains(vary, "Accept-Language") || !slices.Contains(vary, "Cookie") {
			t.Errorf("%s varies by %q", path, vary)
		}
	}
	says("en", "/sign-in")
	says("de", "/sign-in", german)
	says("en", "/sign-in", header("Accept-Language", "ja, en;q=0.1"))
	says("de", "/", h.session(tablet), german)
	says("en", "/", h.session(tablet))
	all, err := h.archive.Tablets(t.Context())
	if err != nil || len(all) != 1 {
		t.Fatal(all, err)
	}
	form := header("Content-Type", "application/x-www-form-urlencoded")
	h.ask("POST", "/upkeep/tablets/"+all[0].ID+"/language", strings.NewReader("language=de"), form, in).is(http.StatusSeeOther)
	says("de", "/", h.session(tablet), header("Accept-Language", "en"))
	h.choose("de", in).is(http.StatusSeeOther)
	says("de", "/rules", in, header("Accept-Language", "en"))
	h.choose("en", in).is(http.StatusSeeOther)
	says("en", "/rules", in, german)
}

// TestChooseLanguage has the browser keep a choice where nobody is signed in, and
// takes none that there is not, nor from a guest at the tablet.
func TestChooseLanguage(t *testing.T) {
	h := newHouse(t)
	a := h.choose("de").is(http.StatusSeeOther)
	if to, kept := a.Header.Get("Location"), a.Header.Get("Set-Cookie"); to != "/pair" ||
		!strings.HasPrefix(kept, languageName+"=de;") {
		t.Errorf("leads to %q with %q", to, kept)
	}
	cookie := header("Cookie", languageName+"=de")
	if got := h.get("/pair", cookie, browser, header("Accept-Language", "en")).Header.Get("Content-Language"); got != "de" {
		t.Errorf("after the choice the page is in %s", got)
	}
	if got := h.get("/pair", header("Cookie", languageName+"=xx"), browser).Header.Get("Content-Language"); got != "en" {
		t.Errorf("a cookie of no language makes the page %s", got)
	}
	h.choose("fr").is(http.StatusUnprocessableEntity)
	h.resident("Odile")
	h.choose("de", h.session(h.tablet("Hall", "Odile"))).is(http.StatusForbidden)
	for _, back := range []string{"//elsewhere.example", "https://elsewhere.example", "", "/\\elsewhere.example", "/\r\nx"} {
		if got := backAddress(back); got != "/" {
			t.Errorf("%q leads to %q", back, got)
		}
	}
}

// TestProblemsInGerman has problems told in the language that is asked for
// (RFC 9457, section 3.1.4: a title may be localised by content negotiation).
func TestProblemsInGerman(t *testing.T) {
	h := newHouse(t)
	a := h.get("/api/v1/visits", header("Accept-Language", "de")).is(http.StatusUnauthorized)
	if got := a.Header.Get("Content-Language"); got != "de" || !strings.Contains(string(a.body), "Bitte zuerst anmelden.") {
		t.Errorf("in %q: %s", got, a.body)
	}
}

// TestThirdLanguage draws pages in a language of which there is nothing but a file:
// each English message turned inside out.
func TestThirdLanguage(t *testing.T) {
	english, err := os.ReadFile("../internal/words/en.toml")
	if err != nil {
		t.Fatal(err)
	}
	made := regexp.MustCompile(`(?m)(^[a-z0-9_-]+ = |one = |other = )"([^"])`).ReplaceAllString(string(english), `$1"⟦$2`)
	made = strings.Replace(made, `number-point = "⟦.`, `number-point = "·`, 1)
	made = strings.Replace(made, `language-tag = "⟦en`, `language-tag = "eo`, 1)
	c, err := words.Read(fstest.MapFS{"en.toml": {Data: english}, "eo.toml": {Data: []byte(made)}})
	if err != nil {
		t.Fatal(err)
	}
	wasCatalog, wasSpeak := catalog, speak
	catalog, speak = c, c.For
	t.Cleanup(func() { catalog, speak = wasCatalog, wasSpeak })
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	for _, path := range []string{"/", "/visits", "/people", "/checks", "/rules", "/upkeep", "/sign-in"} {
		a := h.get(path, in, browser, header("Accept-Language", "eo"))
		if body := string(a.body); !strings.Contains(body, `<html lang="eo"`) || strings.Count(body, "⟦") < 5 {
			t.Errorf("%s is not in the third language: %.300s", path, body)
		}
	}
	if got := speak("eo").Sprintf("%.1f", 2.5); got != "2·5" {
		t.Errorf("%q", got)
	}
	if got, want := fmt.Sprint(choicesOfLanguage("eo")), "[{en English false} {eo ⟦English true}]"; got != want {
		t.Errorf("to choose from are %s, want %s", got, want)
	}
}

// TestLanguageIsKept has the archive forget a language with the empty tag.
func TestLanguageIsKept(t *testing.T) {
	h := newHouse(t)
	token := h.resident("Odile")
	who, err := h.archive.Session(t.Context(), token)
	if err != nil {
		t.Fatal(err)
	}
	for _, tag := range []string{"de", ""} {
		h.ask("PUT", "/api/v1/language", strings.NewReader(`{"language":"`+tag+`"}`), h.session(token)).is(200)
		if who, err = h.archive.Session(t.Context(), token); err != nil || who.Language != tag {
			t.Errorf("%q is kept as %q (%v)", tag, who.Language, err)
		}
	}
	if err := h.archive.SetTabletLanguage(t.Context(), "NOSUCH", "de"); err == nil || !strings.Contains(err.Error(), house.ErrNotFound.Error()) {
		t.Error(err)
	}
}
