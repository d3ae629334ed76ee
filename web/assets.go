package web

import (
	"bytes"
	"embed"
	"fmt"
	"net/http"
	"path"
	"sync"
	"time"

	"github.com/tdewolff/minify/v2"
	"github.com/tdewolff/minify/v2/css"
	"github.com/tdewolff/minify/v2/js"
)

//go:embed assets/*
var assetFiles embed.FS

var assetTypes = map[string]string{
	".css":         "text/css; charset=utf-8",
	".js":          "text/javascript; charset=utf-8",
	".svg":         "image/svg+xml",
	".png":         "image/png",
	".webmanifest": "application/manifest+json",
}

// An asset is a file as browsers get it, and its strong ETag (RFC 9110, section 8.8.3).
type asset struct {
	data []byte
	tag  string
}

// assets are all files by their names, style and script without comments and what
// else is for readers of the source alone. They are made when one is first asked for.
var assets = sync.OnceValues(func() (map[string]asset, error) {
	small := minify.New()
	small.Add("css", &css.Minifier{})
	small.Add("js", &js.Minifier{})
	entries, err := assetFiles.ReadDir("assets")
	if err != nil {
		return nil, fmt.Errorf("reading the assets: %w", err)
	}
	all := make(map[string]asset)
	for _, e := range entries {
		data, err := assetFiles.ReadFile("assets/" + e.Name())
		if kind := path.Ext(e.Name()); err == nil && (kind == ".css" || kind == ".js") {
			data, err = small.Bytes(kind[1:], data)
		}
		if err != nil {
			return nil, fmt.Errorf("making %s ready: %w", e.Name(), err)
		}
		tag, err := revisionOf(data)
		if err != nil {
			return nil, err
		}
		all[e.Name()] = asset{data, `"` + tag + `"`}
	}
	return all, nil
})

// getAsset answers with a file, or with 304 to who has it as it is.
func (s *Server) getAsset(w http.ResponseWriter, r *http.Request) error {
	all, err := assets()
	if err != nil {
		return err
	}
	name := path.Base(r.URL.Path)
	file, there := all[name]
	if !there {
		return errVisitGone
	}
	w.Header().Set("Content-Type", assetTypes[path.Ext(name)])
	w.Header().Set("Cache-Control", "no-cache")
	w.Header().Set("ETag", file.tag)
	http.ServeContent(w, r, name, time.Time{}, bytes.NewReader(file.data))
	return nil
}
