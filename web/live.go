package web

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net/http"
	"sync"
	"time"

	"github.com/gorilla/websocket"

	"lintel/store"
)

// The live connection's clockwork.
const (
	beatEvery  = 15 * time.Second // how often something is sent, if only a beat
	readWithin = 60 * time.Second // a client that is silent for longer is gone
	sendWithin = 10 * time.Second
	catchUp    = 100 // visits told again to who was away; then only the newest
)

// A message is one live event: a visit that is new or has changed, or a beat.
type message struct {
	Type     string     `json:"type"`            // visit or beat
	Revision int64      `json:"revision"`        // known up to here, once this is taken in
	Visit    *visitJSON `json:"visit,omitempty"` //
	Card     string     `json:"card,omitempty"`  // the visit as Now shows it, in HTML
}

var upgrader = websocket.Upgrader{
	HandshakeTimeout: 10 * time.Second,
	// The default CheckOrigin takes connections of Lintel's own pages only.
	Error: func(w http.ResponseWriter, r *http.Request, status int, reason error) {
		writeProblem(w, r, problem{Status: status, Type: "no-websocket", Title: "The live connection could not begin.", Detail: reason.Error()})
	},
}

// live tells a page what changes. ?since=N names the revision that the page
// knows; what came after is told first, so a page that was away misses nothing.
func (s *Server) live(w http.ResponseWriter, r *http.Request) {
	since, ok := number(r, "since", 0, 1<<62)
	if !ok {
		writeProblem(w, r, problem{Status: http.StatusBadRequest, Type: "bad-query", Title: "since is a revision."})
		return
	}
	finished, ok := s.accept()
	if !ok {
		writeProblem(w, r, problem{Status: http.StatusServiceUnavailable, Type: "stopping", Title: "The server is stopping."})
		return
	}
	defer finished()
	conn, err := upgrader.Upgrade(w, r, nil)
	if err != nil {
		return // Upgrade has answered
	}
	ctx, gone := context.WithCancel(context.WithoutCancel(r.Context()))
	var reader sync.WaitGroup
	reader.Go(func() {
		defer gone()
		readUntilGone(conn)
	})
	err = s.tell(ctx, r, conn, since)
	if err != nil && ctx.Err() == nil {
		s.Log.Warn("a live connection broke", "err", err)
	}
	conn.Close() // ends the reader
	gone()
	reader.Wait()
}

// readUntilGone answers pings and notices when the other side has gone. It
// expects no messages.
func readUntilGone(conn *websocket.Conn) {
	conn.SetReadLimit(1 << 10)
	stillThere := func(string) error { return conn.SetReadDeadline(time.Now().Add(readWithin)) }
	conn.SetPongHandler(stillThere)
	stillThere("")
	for {
		if _, _, err := conn.ReadMessage(); err != nil {
			return
		}
	}
}

// tell sends what changes until the other side is gone, its session has ended
// or the server stops.
func (s *Server) tell(ctx context.Context, r *http.Request, conn *websocket.Conn, known int64) error {
	changed, stop := s.Archive.Watch()
	defer stop()
	beat := time.NewTicker(beatEvery)
	defer beat.Stop()
	known, err := s.startFrom(ctx, known)
	if err != nil {
		return err
	}
	for {
		if known, err = s.tellChanges(ctx, conn, known); err != nil {
			return err
		}
		select {
		case <-changed:
		case <-beat.C:
			// Another process may have changed something, which
			// tellChanges finds; and the session may have ended.
			if _, err := s.sessionOf(r.WithContext(ctx)); errors.Is(err, store.ErrNotFound) {
				return bye(conn, websocket.ClosePolicyViolation, "signed out")
			}
			if err := send(conn, message{Type: "beat", Revision: known}); err != nil {
				return err
			}
			if err := conn.WriteControl(websocket.PingMessage, nil, time.Now().Add(sendWithin)); err != nil {
				return fmt.Errorf("pinging: %w", err)
			}
		case <-s.ended:
			return bye(conn, websocket.CloseGoingAway, "stopping")
		case <-ctx.Done():
			return nil
		}
	}
}

// startFrom moves a revision forward for who was away for so long that telling
// everything would be of no use to a page that shows a few visits.
func (s *Server) startFrom(ctx context.Context, known int64) (int64, error) {
	latest, err := s.Archive.Revision(ctx)
	if err != nil {
		return 0, err
	}
	if known > latest { // of another archive
		known = 0
	}
	return max(known, latest-catchUp), nil
}

// tellChanges sends every visit that changed after the revision, and returns
// the revision known then.
func (s *Server) tellChanges(ctx context.Context, conn *websocket.Conn, known int64) (int64, error) {
	for {
		visits, err := s.Archive.VisitsSince(ctx, known, shownVisits)
		if err != nil || len(visits) == 0 {
			return known, err
		}
		for _, v := range visits {
			var html bytes.Buffer
			if err := pages.ExecuteTemplate(&html, "card", s.cardOf(v)); err != nil {
				return known, fmt.Errorf("drawing a visit: %w", err)
			}
			asJSON := newVisitJSON(v)
			if err := send(conn, message{"visit", v.Revision, &asJSON, html.String()}); err != nil {
				return known, err
			}
			known = v.Revision
		}
	}
}

func send(conn *websocket.Conn, m message) error {
	conn.SetWriteDeadline(time.Now().Add(sendWithin))
	if err := conn.WriteJSON(m); err != nil {
		return fmt.Errorf("sending: %w", err)
	}
	return nil
}

// bye closes the connection with a reason.
func bye(conn *websocket.Conn, code int, reason string) error {
	err := conn.WriteControl(websocket.CloseMessage, websocket.FormatCloseMessage(code, reason), time.Now().Add(sendWithin))
	if err != nil {
		return fmt.Errorf("closing: %w", err)
	}
	return nil
}
