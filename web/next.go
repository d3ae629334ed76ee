package web

import (
	"net/http"
	"net/url"
	"path"
	"strings"
)

// signInFor is where a browser signs in that asked for something without a session,
// and goes on from: to the page that it asked for, or, where it sent a form, to the
// page which that stood on, with word that nothing was saved.
func (s *Server) signInFor(r *http.Request) string {
	query := url.Values{}
	if r.Method == http.MethodGet {
		query.Set("next", r.URL.RequestURI())
	} else {
		query.Set("next", s.pageAbove(r.URL.Path))
		query.Set("unsaved", "")
	}
	if next := query.Get("next"); next == "/" || s.nextPage(next) != next {
		query.Del("next")
	}
	if len(query) == 0 {
		return "/sign-in"
	}
	return "/sign-in?" + query.Encode()
}

// nextPage is the address to go on to after signing in: what was asked for, where
// that is one of this server's own pages, and else Now. So no link can lead through
// signing in to another site (CWE-601).
func (s *Server) nextPage(next string) string {
	to, err := url.ParseRequestURI(next)
	if err != nil || to.Scheme != "" || to.Host != "" || to.User != nil || strings.ContainsAny(next, "\\\r\n\t") ||
		path.Clean(to.Path) != to.Path || !s.isPage(to.Path) {
		return "/"
	}
	return to.RequestURI()
}

// isPage reports whether there is a page at an address, inside, to look at.
func (s *Server) isPage(address string) bool {
	if strings.HasPrefix(address, "//") || strings.HasPrefix(address, "/api/") || strings.HasPrefix(address, "/assets/") {
		return false
	}
	_, pattern := s.paths.Handler(&http.Request{Method: http.MethodGet, URL: &url.URL{Path: address}})
	return strings.HasPrefix(pattern, "GET ")
}

// pageAbove is the page at an address, or the nearest above it.
func (s *Server) pageAbove(address string) string {
	for ; address != "/"; address = path.Dir(address) {
		if s.isPage(address) {
			return address
		}
	}
	return "/"
}
