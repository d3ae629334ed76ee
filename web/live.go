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

// A message is one live event: a visit that is new or has changed, visits that
// are gone, a beat, that more was missed than is told again, what is wrong, or
// that somebody rang while nothing is kept.
type message struct {
	Type     string     `json:"type"`            // visit, gone, beat, missed, trouble or ring
	Revision int64      `json:"revision"`        // known up to here, once this is taken in
	Visit    *visitJSON `json:"visit,omitempty"` //
	Card     string     `json:"card,omitempty"`  // the visit as Now shows it, in HTML
	Gone     []string   `json:"gone,omitempty"`  // ids of visits
	Text     string     `json:"text,omitempty"`  // of a trouble, which without is over, or of a ring
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
	known, err := s.startFrom(ctx, conn, known)
	if err != nil {
		return err
	}
	// A page takes no trouble for granted when it connects.
	told := ""
	_, _, rings, _ := s.quiet.last()
	for {
		if known, err = s.tellChanges(ctx, r, conn, known); err != nil {
			return err
		}
		text, troubleChanged := s.trouble.get()
		if text != told {
			told = text
			if err := send(conn, message{Type: "trouble", Revision: known, Text: text}); err != nil {
				return err
			}
		}
		bell, at, count, rang := s.quiet.last()
		if count > rings {
			rings = count
			text := fmt.Sprintf("Somebody rang at %s at %s. Nothing is kept at this time.", bell, at.In(s.zone(ctx)).Format("15:04"))
			if err := send(conn, message{Type: "ring", Revision: known, Text: text}); err != nil {
				return err
			}
		}
		select {
		case <-changed:
		case <-troubleChanged:
		case <-rang:
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
// everything would be of no use to a page that shows a few visits, and says so.
func (s *Server) startFrom(ctx context.Context, conn *websocket.Conn, known int64) (int64, error) {
	latest, err := s.Archive.Revision(ctx)
	if err != nil {
		return 0, err
	}
	if known <= latest && known >= latest-catchUp {
		return known, nil
	}
	// Else away for long, or knowing another archive.
	known = max(0, latest-catchUp)
	return known, send(conn, message{Type: "missed", Revision: known})
}

// changes is what a live connection reads of the archive.
type changes interface {
	Revision(ctx context.Context) (int64, error)
	VisitsSince(ctx context.Context, revision int64, limit int) ([]store.Visit, error)
	DeparturesSince(ctx context.Context, revision int64, limit int) ([]store.Departure, error)
}

// nextChanges returns what changed after a revision, and up to which both lists
// are whole. That is no more than what was committed before either was read:
// what comes between the two readings is in the second alone.
func nextChanges(ctx context.Context, a changes, known int64) (visits []store.Visit, gone []store.Departure, horizon int64, err error) {
	if horizon, err = a.Revision(ctx); err != nil || horizon <= known {
		return nil, nil, known, err
	}
	if visits, err = a.VisitsSince(ctx, known, shownVisits); err != nil {
		return nil, nil, known, err
	}
	if gone, err = a.DeparturesSince(ctx, known, catchUp); err != nil {
		return nil, nil, known, err
	}
	// Where one list was cut off, the other waits for its rest.
	if len(visits) == shownVisits {
		horizon = min(horizon, visits[len(visits)-1].Revision)
	}
	if len(gone) == catchUp {
		horizon = min(horizon, gone[len(gone)-1].Revision)
	}
	return visits, gone, horizon, nil
}

// tellChanges sends what changed after the revision, visits that are gone
// before those that changed, since a ring's id may be used again. It returns
// the revision known then.
func (s *Server) tellChanges(ctx context.Context, r *http.Request, conn *websocket.Conn, known int64) (int64, error) {
	for {
		visits, gone, horizon, err := nextChanges(ctx, s.Archive, known)
		if err != nil || horizon <= known {
			return known, err
		}
		if _, err = tellGone(conn, gone, known, horizon); err != nil {
			return known, err
		}
		teller, err := s.tellerFor(ctx, session(r))
		if err != nil {
			return known, err
		}
		if err := s.addAdvice(ctx, &teller, visits...); err != nil {
			return known, err
		}
		if _, err = teller.tellVisits(conn, visits, known, horizon); err != nil {
			return known, err
		}
		known = horizon
	}
}

func tellGone(conn *websocket.Conn, gone []store.Departure, known, horizon int64) (int64, error) {
	m := message{Type: "gone", Revision: known}
	upTo := known
	for _, d := range gone {
		if d.Revision <= horizon {
			m.Gone = append(m.Gone, d.Visit)
			upTo = d.Revision
		}
	}
	if len(m.Gone) == 0 {
		return known, nil
	}
	// What is known does not grow yet: visits that changed before come next.
	return upTo, send(conn, m)
}

func (t teller) tellVisits(conn *websocket.Conn, visits []store.Visit, known, horizon int64) (int64, error) {
	for _, v := range visits {
		if v.Revision > horizon {
			break
		}
		var html bytes.Buffer
		if err := pages.ExecuteTemplate(&html, "card", t.cardOf(v)); err != nil {
			return known, fmt.Errorf("drawing a visit: %w", err)
		}
		asJSON := t.visitJSON(v)
		if err := send(conn, message{Type: "visit", Revision: v.Revision, Visit: &asJSON, Card: html.String()}); err != nil {
			return known, err
		}
		known = max(known, v.Revision)
	}
	return known, nil
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
