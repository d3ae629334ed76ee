package web

import "net/http"

// An erasureView is what the page of an erasure shows.
type erasureView struct {
	Bar     barView
	Running bool
	Says    string
	Back    string
}

// showErasure tells how far an erasure is, and leads on once it is done.
func (s *Server) showErasure(w http.ResponseWriter, r *http.Request) error {
	x, j, err := s.erasureOf(r)
	if err != nil {
		return err
	}
	text := speak(languageOf(r)).Text
	page := erasureView{Bar: barOf(r, text("erasure-title")), Back: x.back}
	switch {
	case j.State == "done":
		return redirect(w, r, x.done(j.Erased))
	case j.State == "running":
		page.Running, page.Says = true, text("erasure-running", "Done", j.Done, "Count", j.Of)
		w.Header().Set("Refresh", "2") // seconds
	case j.Why == "no-space":
		page.Says = text("erasure-no-space", "Count", j.Done)
	default:
		page.Says = text("erasure-failed", "Count", j.Done)
	}
	return sendPage(w, r, http.StatusOK, "erasure.html", page)
}
