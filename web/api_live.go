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

	"lintel/internal/house"
)

// The live connection's clockwork.
const (
	beatEvery  = 15 * time.Second // how often something is sent, if only a beat
	readWithin = 60 * time.Second // a client that is silent for longer is gone
	sendWithin = 10 * time.Second
	catchUp    = 100 // visits that went, told to who was away; who missed more begins anew
)

// An event is one live event: a visit that is new on Now or has changed, visits
// that are gone, a beat, that visits which Now does not show changed as well,
// that more was missed than is told again, what is wrong, that a trial with
// pictures runs, or that somebody rang while nothing is kept.
type event struct {
	Type     string     `json:"type"`            // visit, gone, beat, others, missed, trouble, trial or ring
	Revision int64      `json:"revision"`        // known up to here, once this is taken in
	Visit    *visitJSON `json:"visit,omitempty"` //
	Card     string     `json:"card,omitempty"`  // the visit as Now shows it, in HTML
	Gone     []string   `json:"gone,omitempty"`  // ids of visits
	Text     string     `json:"text,omitempty"`  // of a trouble or trial, which without is over, or of a ring
}

var upgrader = websocket.Upgrader{
	HandshakeTimeout: 10 * time.Second,
	// The default CheckOrigin takes connections of Lintel's own pages only.
	Error: func(w http.ResponseWriter, r *http.Request, status int, reason error) {
		sendProblem(w, r, problem{Status: status, Type: "no-websocket", // to an address of the API, so never as a page
			Title: "The live connection could not begin.", Detail: reason.Error()})
	},
}

// getLive tells a page what changes. ?since=N names the revision that the page
// knows; what came after is told first, so a page that was away misses nothing.
func (s *Server) getLive(w http.ResponseWriter, r *http.Request) error {
	since, ok := number(r, "since", 0, 1<<62)
	if !ok {
		return queryProblem("since is a revision.")
	}
	finished, ok := s.accept()
	if !ok {
		return problem{Status: http.StatusServiceUnavailable, Type: "stopping", Title: "The server is stopping."}
	}
	defer finished()
	conn, err := upgrader.Upgrade(w, r, nil)
	if err != nil {
		return nil // Upgrade has answered
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
	return nil
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
	screen, err := s.screenOf(ctx, conn, known)
	if err != nil {
		return err
	}
	// A page takes no trouble for granted when it connects.
	told, trial := "", ""
	_, _, rings, _ := s.quiet.last()
	for {
		if err := s.tellChanges(ctx, r, conn, &screen); err != nil {
			return err
		}
		text, troubleChanged := s.trouble.get()
		if text != told {
			told = text
			if err := send(conn, event{Type: "trouble", Revision: screen.known, Text: text}); err != nil {
				return err
			}
		}
		if trial, err = s.tellTrying(ctx, conn, known, trial); err != nil {
			return err
		}
		bell, at, count, rang := s.quiet.last()
		if count > rings {
			rings = count
			text := fmt.Sprintf("Somebody rang at %s at %s. Nothing is kept at this time.", bell,
				at.In(s.zone(ctx)).Format("15:04"))
			if err := send(conn, event{Type: "ring", Revision: screen.known, Text: text}); err != nil {
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
			if _, err := s.sessionOf(r.WithContext(ctx)); errors.Is(err, house.ErrNotFound) {
				return bye(conn, websocket.ClosePolicyViolation, "signed out")
			}
			kind := "beat"
			if screen.others {
				kind, screen.others = "others", false
			}
			if err := send(conn, event{Type: kind, Revision: screen.known}); err != nil {
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

// tellTrying says whether a trial runs, where that is not what was told before,
// and returns what is told then. One that ends by itself is told with the next
// beat.
func (s *Server) tellTrying(ctx context.Context, conn *websocket.Conn, known int64, told string) (string, error) {
	text, err := s.trialWords(ctx)
	if err != nil || text == told {
		return told, err
	}
	return text, send(conn, event{Type: "trial", Revision: known, Text: text})
}

// screenOf begins with what the page at the other end knows. One that knows
// another archive begins anew.
func (s *Server) screenOf(ctx context.Context, conn *websocket.Conn, known int64) (screen, error) {
	latest, err := s.Archive.Revision(ctx)
	if err != nil || known <= latest {
		return screen{known: known}, err
	}
	return screen{}, send(conn, event{Type: "missed"})
}

// tellChanges sends what changed on the screen, visits that are gone before
// those that changed.
func (s *Server) tellChanges(ctx context.Context, r *http.Request, conn *websocket.Conn, c *screen) error {
	known := c.known
	n, err := c.look(ctx, s.Archive)
	if err != nil {
		return err
	}
	if n.missed {
		if err := send(conn, event{Type: "missed", Revision: known}); err != nil {
			return err
		}
	}
	if len(n.gone) > 0 {
		// What is known does not grow yet: visits that changed before come next.
		if err := send(conn, event{Type: "gone", Revision: known, Gone: n.gone}); err != nil {
			return err
		}
	}
	if len(n.visits) == 0 {
		return nil
	}
	presenter, err := s.presenterFor(ctx, session(r))
	if err != nil {
		return err
	}
	if err := s.addAdvice(ctx, &presenter, n.visits...); err != nil {
		return err
	}
	return presenter.tellVisits(conn, n.visits)
}

func (t presenter) tellVisits(conn *websocket.Conn, visits []house.Visit) error {
	for _, v := range visits {
		var html bytes.Buffer
		if err := drawPage(&html, language, "card", t.cardOf(v)); err != nil {
			return fmt.Errorf("drawing a visit: %w", err)
		}
		asJSON := t.visitJSON(v)
		if err := send(conn, event{Type: "visit", Revision: v.Revision, Visit: &asJSON, Card: html.String()}); err != nil {
			return err
		}
	}
	return nil
}

func send(conn *websocket.Conn, m event) error {
	conn.SetWriteDeadline(time.Now().Add(sendWithin))
	if err := conn.WriteJSON(m); err != nil {
		return fmt.Errorf("sending: %w", err)
	}
	return nil
}

// bye closes the connection with a reason.
func bye(conn *websocket.Conn, code int, reason string) error {
	err := conn.WriteControl(websocket.CloseMessage, websocket.FormatCloseMessage(code, reason),
		time.Now().Add(sendWithin))
	if err != nil {
		return fmt.Errorf("closing: %w", err)
	}
	return nil
}
