package web

import (
	"net/http"
	"strings"

	"lintel/internal/house"
)

// Browsers and systems say what they are in their User-Agent (RFC 9110, 10.1.5),
// and most say that they are others, too: the first of these that fits is it. What
// they say is all that is known, and anybody can say it.
var (
	browserTokens = []struct{ token, name string }{
		{"Edg", "Edge"}, {"OPR/", "Opera"}, {"SamsungBrowser/", "Samsung"}, {"Vivaldi/", "Vivaldi"},
		{"Firefox/", "Firefox"}, {"FxiOS/", "Firefox"}, {"CriOS/", "Chrome"}, {"Chrome/", "Chrome"}, {"Safari/", "Safari"},
		{"curl/", "curl"},
	}
	systemTokens = []struct{ token, name string }{
		{"Android", "Android"}, {"iPhone", "iPhone"}, {"iPad", "iPad"}, {"CrOS", "ChromeOS"}, {"Windows", "Windows"},
		{"Macintosh", "macOS"}, {"Linux", "Linux"},
	}
)

// browserOf returns the browser that a request comes from, by what it says itself.
func browserOf(r *http.Request) (b house.Browser) {
	says := r.UserAgent()
	for _, t := range browserTokens {
		if b.Name == "" && strings.Contains(says, t.token) {
			b.Name = t.name
		}
	}
	for _, t := range systemTokens {
		if b.System == "" && strings.Contains(says, t.token) {
			b.System = t.name
		}
	}
	return b
}
