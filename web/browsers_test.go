package web

import (
	"net/http"
	"strings"
	"testing"

	"lintel/internal/house"
)

// TestBrowserOf reads what browsers say of themselves. The lines are as those
// browsers send them, from memory, after the forms in MDN's page on User-Agent.
func TestBrowserOf(t *testing.T) {
	const gecko, webkit = "Mozilla/5.0 (", ") AppleWebKit/537.36 (KHTML, like Gecko) "
	for says, want := range map[string]house.Browser{
		gecko + "X11; Linux x86_64; rv:131.0) Gecko/20100101 Firefox/131.0": {Name: "Firefox", System: "Linux"},
		gecko + "Windows NT 10.0; Win64; x64" + webkit + "Chrome/130.0.0.0 Safari/537.36": {Name: "Chrome",
			System: "Windows"},
		gecko + "Windows NT 10.0; Win64; x64" + webkit + "Chrome/130.0.0.0 Safari/537.36 Edg/130.0.0.0": {Name: "Edge",
			System: "Windows"},
		gecko + "Linux; Android 10; K" + webkit + "Chrome/130.0.0.0 Mobile Safari/537.36": {Name: "Chrome",
			System: "Android"},
		gecko + "iPhone; CPU iPhone OS 17_7 like Mac OS X" + webkit + "Version/17.4 Mobile/15E148 Safari/604.1": {
			Name: "Safari", System: "iPhone"},
		gecko + "Macintosh; Intel Mac OS X 10_15_7" + webkit + "Version/17.4 Safari/605.1.15": {Name: "Safari",
			System: "macOS"},
		"curl/8.10.1":                    {Name: "curl"},
		"":                               {},
		strings.Repeat("<script>", 1000): {},
	} {
		r := &http.Request{Header: http.Header{"User-Agent": {says}}}
		if got := browserOf(r); got != want {
			t.Errorf("%.80s: %+v, want %+v", says, got, want)
		}
	}
}
