package web

import (
	"bytes"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"lintel/internal/house"
)

func TestAssets(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	for path, kind := range map[string]string{"/assets/style.css": "text/css; charset=utf-8",
		"/assets/now.js":   "text/javascript; charset=utf-8",
		"/assets/icon.svg": "image/svg+xml", "/assets/icon-192.png": "image/png", "/sw.js": "text/javascript; charset=utf-8",
		"/assets/manifest.webmanifest": "application/manifest+json"} {
		if a := h.get(path, in).is(200); a.Header.Get("Content-Type") != kind || len(a.body) == 0 {
			t.Errorf("%s: %s, %d bytes", path, a.Header.Get("Content-Type"), len(a.body))
		}
	}
	// What changed has another tag; what did not is not sent again (RFC 9110, 13.1.2).
	tags := make(map[string]bool)
	for _, path := range []string{"/assets/style.css", "/assets/now.js", "/assets/icon.svg"} {
		tag := h.get(path, in).is(200).Header.Get("ETag")
		if a := h.get(path, in, header("If-None-Match", tag)).is(304); len(a.body) > 0 || tags[tag] || tag == "" {
			t.Errorf("%s: %d bytes more, tag %s", path, len(a.body), tag)
		}
		h.get(path, in, header("If-None-Match", `"0"`)).is(200)
		tags[tag] = true
	}
	for _, path := range []string{"/assets/", "/assets/none.js", "/assets/%2e%2e%2fserver.go", "/assets/now.html"} {
		h.get(path, in).is(404)
	}
}

// TestMethods has addresses asked for in ways that they are not there for.
func TestMethods(t *testing.T) {
	w, token, _ := newWalk(t)
	for pattern := range doors {
		method, path, ok := strings.Cut(pattern, " ")
		if !ok {
			continue
		}
		for _, other := range []string{"GET", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE"} {
			if _, known := doors[other+" "+path]; known || other == method {
				continue
			}
			if a := w.step(other+" "+path, w.session(token)); a.StatusCode != http.StatusNotFound {
				t.Errorf("%s %s: %d", other, path, a.StatusCode)
			}
		}
	}
}

// TestHeaders looks at what every answer has to say to a browser: OWASP's
// HTTP Headers cheat sheet names these.
func TestHeaders(t *testing.T) {
	w, ofResident, ofTablet := newWalk(t)
	check := func(what string, a *answer) {
		t.Helper()
		policy := make(map[string]string)
		for _, directive := range strings.Split(a.Header.Get("Content-Security-Policy"), ";") {
			name, sources, _ := strings.Cut(strings.TrimSpace(directive), " ")
			policy[name] = sources
		}
		for name, sources := range policy {
			if sources != "'self'" && sources != "'none'" {
				t.Errorf("%s: the policy has %s %s", what, name, sources)
			}
		}
		for _, name := range []string{"default-src", "frame-ancestors", "base-uri"} {
			if policy[name] != "'none'" {
				t.Errorf("%s: the policy has %s %s", what, name, policy[name])
			}
		}
		if policy["form-action"] != "'self'" {
			t.Errorf("%s: forms may go to %s", what, policy["form-action"])
		}
		cache := a.Header.Get("Cache-Control")
		if cache != "no-store" && !(cache == "no-cache" && (strings.Contains(what, "/assets/") || strings.Contains(what, "/sw.js"))) {
			t.Errorf("%s: Cache-Control %q", what, cache)
		}
		if a.Header.Get("X-Content-Type-Options") != "nosniff" || a.Header.Get("Referrer-Policy") != "no-referrer" {
			t.Errorf("%s: %v", what, a.Header)
		}
		if len(a.body) > 0 && a.Header.Get("Content-Type") == "" {
			t.Errorf("%s: no Content-Type", what)
		}
	}
	for _, pattern := range everyDoor() {
		for _, o := range []option{browser, header("Accept", "*/*"), header("Sec-Fetch-Site", "cross-site")} {
			check(pattern, w.step(pattern, o))
			check(pattern+" by a tablet", w.step(pattern, w.session(ofTablet), o))
			check(pattern+" by a resident", w.step(pattern, w.session(ofResident), o))
		}
	}
	check("a path to be cleaned", w.get("/assets/../api//v1/visits"))
	check("another host's path", w.get("//elsewhere.example/"))
}

// TestCrossOrigin has another site's page post what a signed-in browser's
// cookie would allow. Fetch Metadata (W3C) and RFC 6454 say who asks.
func TestCrossOrigin(t *testing.T) {
	foreign := map[string][]option{
		"cross-site":       {header("Sec-Fetch-Site", "cross-site")},
		"same-site":        {header("Sec-Fetch-Site", "same-site")}, // another port or name
		"foreign Origin":   {header("Origin", "https://elsewhere.example")},
		"another port":     {header("Origin", "http://example.com:81")},
		"opaque Origin":    {header("Origin", "null")},
		"both":             {header("Sec-Fetch-Site", "cross-site"), header("Origin", "https://elsewhere.example")},
		"Origin forged ok": {header("Sec-Fetch-Site", "cross-site"), header("Origin", "http://example.com")},
	}
	for name, headers := range foreign {
		t.Run(name, func(t *testing.T) {
			w, token, _ := newWalk(t)
			link := w.setUpLink()
			for _, pattern := range everyDoor() {
				if strings.HasPrefix(pattern, "GET ") || pattern == "/" {
					continue
				}
				options := append(slices.Clone(headers), w.session(token))
				w.step(pattern, options...).isProblem(403, "cross-origin")
				w.step(pattern, append(options, browser)...).is(403)
			}
			a := w.post("/set-up", url.Values{"token": {link}, "name": {"Mallory"}, "password": {"long enough it is"},
				"again": {"long enough it is"}}, headers...)
			a.isProblem(403, "cross-origin")
			w.ring("R2", 0, still(t, 2), headers...).isProblem(403, "cross-origin")

			// None of it had an effect.
			w.get("/", w.session(token)).is(200)
			tablets, err := w.archive.Tablets(t.Context())
			if err != nil || len(tablets) != w.tablets {
				t.Errorf("tablets %v, %v", tablets, err)
			}
			residents, err := w.archive.Residents(t.Context())
			if err != nil || len(residents) != w.dwellers {
				t.Errorf("residents %v, %v", residents, err)
			}
			w.keeps(w.stills)
			if persons, err := w.archive.Persons(t.Context()); err != nil || len(persons) != w.known {
				t.Errorf("%d persons, %v", len(persons), err)
			}
			if !w.tickets.valid(link, forSetUp) {
				t.Error("the link was used")
			}
		})
	}
}

// TestSameOrigin posts as Lintel's own pages do, and as a bell does.
func TestSameOrigin(t *testing.T) {
	for name, headers := range map[string][]option{
		"same-origin":     {header("Sec-Fetch-Site", "same-origin"), header("Origin", "http://example.com")},
		"no site":         {header("Sec-Fetch-Site", "none")}, // typed by hand
		"Origin only":     {header("Origin", "http://example.com")},
		"no such headers": nil,
	} {
		t.Run(name, func(t *testing.T) {
			w, token, _ := newWalk(t)
			w.step("POST /upkeep/pairing-code", append(headers, w.session(token))...).is(200)
			w.step("POST /upkeep/tablets/{tablet}/unpair", append(headers, w.session(token))...).is(http.StatusSeeOther)
			if tablets, err := w.archive.Tablets(t.Context()); err != nil || len(tablets) != w.tablets-1 {
				t.Errorf("tablets %v, %v", tablets, err)
			}
		})
	}
	// A bell is no browser and sends neither header.
	newHouse(t).rung("R1", 0, still(t, 1))
}

// TestWebSocketOrigin opens a live connection from Lintel's own page and from
// others'. RFC 6455, 10.2: a server checks Origin.
func TestWebSocketOrigin(t *testing.T) {
	h := newHouse(t)
	token := h.resident("Odile")
	server := httptest.NewServer(h)
	defer server.Close()
	address := "ws" + strings.TrimPrefix(server.URL, "http") + "/api/v1/live"
	dial := func(token, origin string) (*websocket.Conn, *http.Response, error) {
		headers := http.Header{}
		if token != "" {
			headers.Set("Cookie", h.cookieName()+"="+token)
		}
		if origin != "" {
			headers.Set("Origin", origin)
		}
		return websocket.DefaultDialer.Dial(address, headers)
	}
	tests := []struct {
		name, token, origin string
		status              int
	}{
		{"own page", token, server.URL, 101},
		{"a program", token, "", 101},
		{"foreign page", token, "https://elsewhere.example", 403},
		{"opaque", token, "null", 403},
		{"another port", token, "http://127.0.0.1:1", 403},
		{"signed out", "", server.URL, 401},
		{"signed out, foreign page", "", "https://elsewhere.example", 401},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			conn, response, err := dial(test.token, test.origin)
			if conn != nil {
				defer conn.Close()
			}
			if response == nil {
				t.Fatal(err)
			}
			if response.StatusCode != test.status {
				t.Errorf("status %d, want %d", response.StatusCode, test.status)
			}
			if test.status != 101 {
				var body bytes.Buffer
				body.ReadFrom(response.Body)
				readDocument(t).checkAnswer(t, "GET", "/api/v1/live", &answer{response, t, body.Bytes()})
			}
		})
	}
	if err := h.Drain(t.Context()); err != nil { // waits for the connections' ends
		t.Error(err)
	}
}

// TestCookie reads the cookie as it goes over the wire. RFC 6265bis, 4.1.2 and
// 4.1.3.2: __Host- wants Secure, Path=/ and no Domain.
func TestCookie(t *testing.T) {
	for _, tls := range []bool{false, true} {
		h := newHouse(t, func(c *Config) { c.TLS = tls })
		resident := h.resident("Odile")
		fields := url.Values{"name": {"Hall"}, "code": {h.pairingCode(resident)}}
		a := h.post("/pair", fields).is(http.StatusSeeOther)
		raw := a.Header.Get("Set-Cookie")
		c := a.cookie()
		h.secret(c.Value)
		if !c.HttpOnly || c.SameSite != http.SameSiteStrictMode || c.Path != "/" || c.Domain != "" || c.Secure != tls {
			t.Errorf("TLS %t: %s", tls, raw)
		}
		if got := strings.HasPrefix(raw, "__Host-"); got != tls {
			t.Errorf("TLS %t: %s", tls, raw)
		}
		if len(c.Value) < 22 { // OWASP, Session Management: 64 bits at least; this is 110
			t.Errorf("a token of %d characters", len(c.Value))
		}
		if lasts := time.Duration(c.MaxAge) * time.Second; lasts != house.TabletSession {
			t.Errorf("lasts %v", lasts)
		}
		h.get("/", h.session(c.Value)).is(200)

		// With TLS, a cookie without the prefix may have been planted.
		if tls {
			h.get("/", header("Cookie", "lintel_session="+c.Value)).is(401)
		}

		// Signing out takes the cookie back.
		a = h.post("/sign-out", nil, h.session(resident)).is(http.StatusSeeOther)
		if gone := a.cookie(); gone.Name != h.cookieName() || gone.MaxAge >= 0 || gone.Value != "" || gone.Secure != tls {
			t.Errorf("signing out sets %s", a.Header.Get("Set-Cookie"))
		}
	}
}
