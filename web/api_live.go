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
	"lintel/internal/words"
	"lintel/web/view"
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
// pictures runs, what is wrong with bells, or that somebody rang while nothing is
// kept.
type event struct {
	Type     string     `json:"type"`             // visit, gone, beat, others, missed, trouble, trial, unwell or ring
	Revision int64      `json:"revision"`         // known up to here, once this is taken in
	Visit    *visitJSON `json:"visit,omitempty"`  //
	Card     string     `json:"card,omitempty"`   // the visit as Now shows the latest, in HTML
	Caller   string     `json:"caller,omitempty"` // the visit in the row of those before
	Gone     []string   `json:"gone,omitempty"`   // ids of visits
	Text     string     `json:"text,omitempty"`   // of a trouble, trial or unwell, which without is over, or of a ring
	wallClock
}

var upgrader = websocket.Upgrader{
	HandshakeTimeout: 10 * time.Second,
	// The default CheckOrigin takes connections of Lintel's own pages only.
	Error: func(w http.ResponseWriter, r *http.Request, status int, reason error) {
		sendProblem(w, r, problem{Status: status, Type: "no-websocket", // to an address of the API, so never as a page
			Title: "problem-no-websocket", Why: reason})
	},
}

// getLive tells a page what changes. ?since=N names the revision that the page
// knows; what came after is told first, so a page that was away misses nothing.
func (s *Server) getLive(w http.ResponseWriter, r *http.Request) error {
	since, ok := number(r, "since", 0, 1<<62)
	if !ok {
		return queryProblem("problem-query-since")
	}
	finished, ok := s.accept()
	if !ok {
		return errStopping
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
	err = s.tell(ctx, line{conn, func() error { return s.stillThere(r.WithContext(ctx)) },
		func() wallClock { return s.wallClock(ctx) }}, r, since)
	if errors.Is(err, errNotSignedIn) || errors.Is(err, errOtherRules) {
		err = bye(conn, websocket.ClosePolicyViolation, "signed-out")
	}
	if err != nil && ctx.Err() == nil {
		s.Log.Warn("a live connection broke", "err", err)
	}
	conn.Close() // ends the reader
	gone()
	reader.Wait()
	return nil
}

// errOtherRules says that a tablet shows something else from now on, so that its page
// begins anew.
var errOtherRules = errors.New("the tablet's rules changed")

// A line is a live connection, of whoever is still there: the error is
// errNotSignedIn once they were signed out, unpaired or ended.
type line struct {
	*websocket.Conn
	still func() error
	clock func() wallClock
}

// send tells whoever is still there. That is asked after what is told was read
// from the archive: so nobody hears of what came after they were signed out.
func (l line) send(m event) error {
	if err := l.still(); err != nil {
		return err
	}
	m.wallClock = l.clock()
	l.SetWriteDeadline(time.Now().Add(sendWithin))
	if err := l.WriteJSON(m); err != nil {
		return fmt.Errorf("sending: %w", err)
	}
	return nil
}

// sendNews sends what a banner says, where that is not what was told before, and
// returns what is told then.
func (l line) sendNews(banner string, known int64, told, text string) (string, error) {
	if text == told {
		return told, nil
	}
	return text, l.send(event{Type: banner, Revision: known, Text: text})
}

// stillThere reports whether the session by which a live connection began goes on:
// the error is errNotSignedIn if not. A resident who was signed out at a tablet
// hears no more, though the tablet may ask anew. To hear is to use a session, but
// for a resident's at a tablet, which is to end when they walk away from it.
func (s *Server) stillThere(r *http.Request) error {
	found, err := s.sessionOf(r)
	if err == nil && (found.ID != session(r).ID || found.Program != session(r).Program) {
		err = house.ErrNotFound
	}
	if err != nil {
		return absent(err, errNotSignedIn)
	}
	if found.Rules != session(r).Rules {
		return errOtherRules
	}
	if found.At == "" {
		s.use(r, found)
	}
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
func (s *Server) tell(ctx context.Context, conn line, r *http.Request, known int64) error {
	changed, stop := s.Archive.Watch()
	defer stop()
	beat := time.NewTicker(beatEvery)
	defer beat.Stop()
	screen, err := s.screenOf(ctx, conn, known)
	if err != nil {
		return err
	}
	// A page takes no trouble for granted when it connects.
	told, trial, unwell := "", "", ""
	_, _, rings, _ := s.quiet.last()
	for {
		if err := conn.still(); err != nil { // though there be nothing to tell
			return err
		}
		if err := s.tellChanges(ctx, r, conn, &screen); err != nil {
			return err
		}
		if err := s.tellOver(ctx, session(r), conn, &screen); err != nil {
			return err
		}
		t := s.presenterNow(ctx)
		var troubleChanged <-chan struct{}
		told, troubleChanged, err = s.tellTrouble(ctx, session(r), conn, t.Words, screen.known, told)
		if err != nil {
			return err
		}
		if trial, err = s.tellTrying(ctx, conn, t.Words, screen.known, trial); err != nil {
			return err
		}
		if unwell, err = s.tellUnwell(ctx, conn, t, screen.known, unwell); err != nil {
			return err
		}
		bell, at, count, rang := s.quiet.last()
		if count > rings {
			rings = count
			text := t.Words.Text("now-rang-unkept", "Bell", t.Words.Bell(bell), "Clock", t.Words.Clock(at))
			if err := conn.send(event{Type: "ring", Revision: screen.known, Text: text}); err != nil {
				return err
			}
		}
		select {
		case <-changed:
		case <-troubleChanged:
		case <-rang:
		case <-beat.C:
			// Another process may have changed something, which
			// tellChanges finds.
			if err := screen.beat(conn); err != nil {
				return err
			}
		case <-s.ended:
			return bye(conn.Conn, websocket.CloseGoingAway, "stopping")
		case <-ctx.Done():
			return nil
		}
	}
}

// beat tells that the connection is alive, and whether others changed.
func (c *screen) beat(conn line) error {
	kind := "beat"
	if c.others {
		kind, c.others = "others", false
	}
	if err := conn.send(event{Type: kind, Revision: c.known}); err != nil {
		return err
	}
	if err := conn.WriteControl(websocket.PingMessage, nil, time.Now().Add(sendWithin)); err != nil {
		return fmt.Errorf("pinging: %w", err)
	}
	return nil
}

// tellTrouble says what is wrong, where that is not what was told before, and
// returns what is told then, and a channel that is closed when that changes.
func (s *Server) tellTrouble(ctx context.Context, who house.Session, conn line, w words.Words, known int64,
	told string) (string, <-chan struct{}, error) {
	if err := s.watchArchive(ctx); err != nil {
		return told, nil, err
	}
	text, changed, err := s.troubleWords(ctx, who, w)
	if err != nil {
		return told, nil, err
	}
	told, err = conn.sendNews("trouble", known, told, text)
	return told, changed, err
}

// tellTrying says whether a trial runs, where that is not what was told before,
// and returns what is told then. One that ends by itself is told with the next
// beat.
func (s *Server) tellTrying(ctx context.Context, conn line, w words.Words, known int64,
	told string) (string, error) {
	text, err := s.trialWords(ctx, w)
	if err != nil {
		return told, err
	}
	return conn.sendNews("trial", known, told, text)
}

// tellUnwell says what is wrong with bells, where that is not what was told before,
// and returns what is told then.
func (s *Server) tellUnwell(ctx context.Context, conn line, t view.Presenter, known int64,
	told string) (string, error) {
	text, err := s.bellNotices(ctx, t)
	if err != nil {
		return told, err
	}
	return conn.sendNews("unwell", known, told, text)
}

// screenOf begins with what the page at the other end knows. One that knows
// another archive begins anew.
func (s *Server) screenOf(ctx context.Context, conn line, known int64) (screen, error) {
	latest, err := s.Archive.Revision(ctx)
	if err != nil || known <= latest {
		return screen{known: known}, err
	}
	return screen{}, conn.send(event{Type: "missed"})
}

// tellChanges sends what changed on the screen, visits that are gone before
// those that changed.
func (s *Server) tellChanges(ctx context.Context, r *http.Request, conn line, c *screen) error {
	known := c.known
	n, err := c.look(ctx, s.Archive)
	if err != nil {
		return err
	}
	if n.missed {
		if err := conn.send(event{Type: "missed", Revision: known}); err != nil {
			return err
		}
	}
	if len(n.gone) > 0 {
		// What is known does not grow yet: visits that changed before come next.
		if err := conn.send(event{Type: "gone", Revision: known, Gone: n.gone}); err != nil {
			return err
		}
	}
	if len(n.visits) == 0 {
		return nil
	}
	if n.visits = shownTo(session(r), s.Now(), n.visits); len(n.visits) == 0 {
		return nil
	}
	presenter, err := s.presenterFor(ctx, session(r))
	if err != nil {
		return err
	}
	if err := s.addAdvice(ctx, &presenter, n.visits...); err != nil {
		return err
	}
	if err := s.addMessages(ctx, &presenter, n.visits...); err != nil {
		return err
	}
	return tellVisits(presenter, conn, languageOf(r), n.visits)
}

func tellVisits(t view.Presenter, conn line, lang string, visits []house.Visit) error {
	for _, v := range visits {
		var card, caller bytes.Buffer
		if err := errors.Join(drawPage(&card, lang, "card", t.Ring(v)),
			drawPage(&caller, lang, "caller", t.Caller(v))); err != nil {
			return fmt.Errorf("drawing a visit: %w", err)
		}
		asJSON := newVisitJSON(t, v)
		if err := conn.send(event{Type: "visit", Revision: v.Revision, Visit: &asJSON, Card: card.String(),
			Caller: caller.String()}); err != nil {
			return err
		}
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
