package web

import (
	"bytes"
	"embed"
	"html/template"
	"net/http"
	"strings"

	"lintel/internal/house"
)

//go:embed pages/*.html
var pageFiles embed.FS

var pages = template.Must(template.New("").Funcs(speaking("")).ParseFS(pageFiles, "pages/*.html"))

// sendPage answers with a page. It is rendered whole before anything is
// sent, so that no half page goes out.
func sendPage(w http.ResponseWriter, r *http.Request, status int, name string, data any) error {
	var b bytes.Buffer
	if err := drawPage(&b, languageOf(r), name, data); err != nil {
		return err
	}
	page, err := withNotice(r, b.Bytes())
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	sayLanguage(w, r)
	w.WriteHeader(status)
	w.Write(inTheme(page, themeOf(r))) // an error is of who hung up
	return nil
}

// showAway is the page that the shell has for when the server can't be reached.
func (s *Server) showAway(w http.ResponseWriter, r *http.Request) error {
	return sendPage(w, r, http.StatusOK, "away.html", nil)
}

// A barView is what heads a page: its title, and the way to the other screens.
type barView struct {
	Title    string
	Screens  []screenLink
	Resident bool   // false on a tablet
	Tablet   bool   // whether it is one, and nobody is signed in there
	Guest    bool   // whether it shows neither names nor what was
	Blur     bool   // whether faces blur there after a while
	Address  string // of this page, to come back to
	Themes   []themeChoice
	Parts    []screenLink // pages of this screen, if it has several
	Who      string       // id of the resident, "" on a tablet
	Typed    bool         // whether forms hold what was sent
}

type screenLink struct {
	Screen  string // its name is screen- in the catalog
	Address string
	Here    bool
	tablets house.TabletMay // that a tablet needs for it, "" where none gets there
}

// screens are what the bar leads to; those for residents come last.
var screens = []screenLink{{Screen: "now", Address: "/", tablets: house.MayNow},
	{Screen: "book", Address: "/visits", tablets: house.MayLook},
	{Screen: "people", Address: "/people"}, {Screen: "checks", Address: "/checks"},
	{Screen: "rules", Address: "/rules"}, {Screen: "upkeep", Address: "/upkeep"}}

// barOf heads a page, and marks the screen that it belongs to by its address.
func barOf(r *http.Request, title string) barView {
	who := session(r)
	bar := barView{Title: title, Resident: who.Resident != "", Tablet: who.Tablet != "", Guest: who.Rules.Guest,
		Blur: who.Rules.Blur, Address: "/", Themes: themeChoices(r)}
	if r.Method == http.MethodGet {
		bar.Address = r.URL.RequestURI()
	} else if from, ok := r.Context().Value(cameFromKey{}).(string); ok {
		bar.Address = from
	}
	bar.Parts, bar.Who, bar.Typed = partsOf(r.URL.Path), session(r).Resident, r.Method == http.MethodPost
	for i, link := range screens {
		if bar.Resident || link.tablets != "" && who.Rules.Allows(link.tablets) {
			of := strings.Replace(r.URL.Path, "/erasures", "/visits", 1)
			link.Here = of == link.Address || i > 0 && strings.HasPrefix(of, link.Address+"/")
			bar.Screens = append(bar.Screens, link)
		}
	}
	return bar
}
