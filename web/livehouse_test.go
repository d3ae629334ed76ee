package web

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/http"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/gorilla/websocket"

	"lintel/internal/house"
	"lintel/store"
)

// pipes is a listener whose connections are pipes in memory.
type pipes struct {
	conns  chan net.Conn
	closed chan struct{}
	once   sync.Once
}

func (p *pipes) Accept() (net.Conn, error) {
	select {
	case c := <-p.conns:
		return c, nil
	case <-p.closed:
		return nil, net.ErrClosed
	}
}

func (p *pipes) Close() error {
	p.once.Do(func() { close(p.closed) })
	return nil
}

func (p *pipes) Addr() net.Addr { return &net.UnixAddr{Name: "pipe", Net: "pipe"} }

func (p *pipes) dial(context.Context, string, string) (net.Conn, error) {
	client, server := net.Pipe()
	select {
	case p.conns <- server:
		return client, nil
	case <-p.closed:
		return nil, net.ErrClosed
	}
}

// A liveHouse serves over pipes, by the bubble's clock.
type liveHouse struct {
	*household
	pipes *pipes
}

// inBubble runs a test of a house in a bubble.
func inBubble(t *testing.T, test func(*testing.T, *liveHouse)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		h := &liveHouse{newHouseAt(t, nil, time.Now), &pipes{conns: make(chan net.Conn), closed: make(chan struct{})}}
		server := &http.Server{Handler: h}
		served := make(chan error, 1)
		go func() { served <- server.Serve(h.pipes) }()
		defer func() {
			if err := h.Drain(context.Background()); err != nil {
				t.Error(err)
			}
			server.Shutdown(context.Background())
			if err := <-served; !errors.Is(err, http.ErrServerClosed) {
				t.Error(err)
			}
		}()
		test(t, h)
	})
}

// A client is a page's end of a live connection.
type client struct {
	*websocket.Conn
	t *testing.T
}

func (h *liveHouse) connect(t *testing.T, token string, since int64) client {
	t.Helper()
	d := websocket.Dialer{NetDialContext: h.pipes.dial}
	conn, _, err := d.DialContext(t.Context(), fmt.Sprintf("ws://lintel.example/api/v1/live?since=%d", since),
		http.Header{"Cookie": {h.cookieName() + "=" + token}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return client{conn, t}
}

// next reads a message, and checks it against the API's document.
func (c client) next() (m event) {
	c.t.Helper()
	_, data, err := c.ReadMessage()
	if err != nil {
		c.t.Fatal(err)
	}
	readDocument(c.t).checkJSON(c.t, "LiveMessage", data)
	if err := json.Unmarshal(data, &m); err != nil {
		c.t.Fatal(err)
	}
	return m
}

// nextVisit reads a message that has to be of a visit.
func (c client) nextVisit() event {
	c.t.Helper()
	m := c.next()
	if m.Type != "visit" || m.Visit == nil || m.Visit.Revision != m.Revision ||
		!strings.Contains(m.Card, "visit-"+m.Visit.ID) {
		c.t.Fatalf("no visit's message: %+v", m)
	}
	return m
}

// isEnded reads the connection's end, with its code of RFC 6455, 7.4.1.
func (c client) isEnded(code int, reason string) {
	c.t.Helper()
	for range 10 { // messages at most before the end
		_, _, err := c.ReadMessage()
		if err == nil {
			continue
		}
		if ended := new(websocket.CloseError); !errors.As(err, &ended) || ended.Code != code || ended.Text != reason {
			c.t.Errorf("ended with %v, want %d %s", err, code, reason)
		}
		return
	}
	c.t.Errorf("goes on, want an end with %d %s", code, reason)
}

// record keeps findings for a still, as the pipeline does.
func record(t testing.TB, a *store.Archive, visit string, frame int, faces ...house.Face) {
	t.Helper()
	v, err := a.Visit(t.Context(), visit)
	if err != nil {
		t.Fatal(err)
	}
	if err := a.Record(t.Context(), v.Stills[frame].ID, house.Done, faces); err != nil {
		t.Fatal(err)
	}
}
