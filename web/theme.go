package web

import (
	"bytes"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"
)

// The theme in which a browser shows the screens is its own: its cookie says which,
// whoever is signed in there, and a browser that has none goes by its own setting.
const themeLasts = 365 * 24 * time.Hour

// themes are by day, by night, and as the device has it; theme- in the catalog says
// what they are called.
var themes = []string{"auto", "day", "night"}

// A themeChoice is a button for a theme.
type themeChoice struct {
	Theme  string
	Chosen bool
}

// themeChoices are what a menu offers.
func themeChoices(r *http.Request) []themeChoice {
	var choices []themeChoice
	for _, theme := range themes {
		choices = append(choices, themeChoice{theme, theme == themeOf(r)})
	}
	return choices
}

// themeName is the cookie of the theme. It tells nothing that TLS would have to keep.
const themeName = "lintel_theme"

// themeOf returns the theme that a browser has asked for.
func themeOf(r *http.Request) string {
	if c, err := r.Cookie(themeName); err == nil && slices.Contains(themes, c.Value) {
		return c.Value
	}
	return themes[0]
}

// inTheme has a page that was drawn show itself in a theme, so that it does from
// the first moment on.
func inTheme(page []byte, theme string) []byte {
	return bytes.Replace(page, []byte(` data-theme=""`), []byte(` data-theme="`+theme+`"`), 1)
}

// submitTheme keeps which theme the browser shows, and goes back to where it was.
func (s *Server) submitTheme(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	theme, back := posted.Get("theme"), posted.Get("back")
	if !slices.Contains(themes, theme) {
		return errTheme
	}
	s.setCookie(w, themeName, theme, themeLasts)
	return redirect(w, r, ownPage(back))
}

// ownPage returns an address that a browser sent, if it is of a page of this server,
// or else that of Now. Browsers read \ as /, and skip tabs, which url.Parse refuses.
func ownPage(address string) string {
	u, err := url.Parse(address)
	if err != nil || u.Scheme != "" || u.Host != "" || !strings.HasPrefix(u.Path, "/") ||
		strings.HasPrefix(u.Path, "//") || strings.Contains(u.Path, `\`) {
		return "/"
	}
	return u.RequestURI()
}

var errTheme = problem{Status: http.StatusUnprocessableEntity, Type: "no-theme", Title: "problem-theme"}
