package web

import (
	"bytes"
	"embed"
	"html/template"
	"net/http"
	"path"
)

//go:embed pages/*.html
var pageFiles embed.FS

//go:embed assets/*
var assetFiles embed.FS

var pages = template.Must(template.New("").Funcs(speaking("")).ParseFS(pageFiles, "pages/*.html"))

// sendPage answers with a page. It is rendered whole before anything is
// sent, so that no half page goes out.
func sendPage(w http.ResponseWriter, r *http.Request, status int, name string, data any) error {
	var b bytes.Buffer
	if err := drawPage(&b, languageOf(r), name, data); err != nil {
		return err
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	b.WriteTo(w) // an error is of who hung up
	return nil
}

var assetTypes = map[string]string{
	".css": "text/css; charset=utf-8",
	".js":  "text/javascript; charset=utf-8",
	".svg": "image/svg+xml",
}

func (s *Server) getAsset(w http.ResponseWriter, r *http.Request) error {
	name := path.Base(r.URL.Path)
	data, err := assetFiles.ReadFile("assets/" + name)
	if err != nil {
		return errVisitGone
	}
	w.Header().Set("Content-Type", assetTypes[path.Ext(name)])
	w.Header().Set("Cache-Control", "no-cache")
	w.Write(data)
	return nil
}

// A barView is what heads a page: its title, and the way to the other screens.
type barView struct {
	Title    string
	Screens  []screenLink
	Resident bool // false on a tablet
}

type screenLink struct {
	Name    string
	Address string
	Here    bool
}

// screens are what the bar leads to; those for residents come last.
var screens = []screenLink{{Name: "Now", Address: "/"}, {Name: "Visitor book", Address: "/visits"},
	{Name: "People", Address: "/people"}, {Name: "Check matches", Address: "/checks"},
	{Name: "Rules", Address: "/rules"}, {Name: "Upkeep", Address: "/upkeep"}}

const screensOfTablets = 2

// barOf heads a page of one of the screens, named as in the bar.
func barOf(r *http.Request, screen, title string) barView {
	bar := barView{Title: title, Resident: session(r).Resident != ""}
	for i, link := range screens {
		if bar.Resident || i < screensOfTablets {
			link.Here = link.Name == screen
			bar.Screens = append(bar.Screens, link)
		}
	}
	return bar
}
