package web

import (
	"fmt"
	"net/http"
)

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
	view := erasureView{Bar: barOf(r, "Visitor book", "Erasing"), Back: x.back}
	switch j.State {
	case "done":
		return redirect(w, r, x.done(j.Erased))
	case "running":
		view.Running = true
		view.Says = fmt.Sprintf("%d of %s done.", j.Done, counted(j.Of, "visit"))
		w.Header().Set("Refresh", "2") // seconds
	default:
		view.Says = fmt.Sprintf("It came to a halt after %s. What is gone stays gone. Begin it again; the server’s log says "+
			"more.", counted(j.Done, "visit"))
		if j.Why == "no-space" {
			view.Says = fmt.Sprintf("The disk is full or can’t be written, so it came to a halt after %s. What is gone stays "+
				"gone. Make room, and begin it again.", counted(j.Done, "visit"))
		}
	}
	return sendPage(w, r, http.StatusOK, "erasure.html", view)
}
