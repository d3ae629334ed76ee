package main

import (
	"context"
	"testing"

	"github.com/chromedp/chromedp"
)

// TestResidentsInBrowser has a resident invite somebody, who joins in a browser of
// their own, forgets the password, sets it anew and is removed. The names are
// invented.
func TestResidentsInBrowser(t *testing.T) {
	h := newHousehold(t)
	h.fillWithDoor()
	h.serve()
	defer h.stop()
	wide, narrow := h.browsers("Ada Quill")
	picture := func(b context.Context, name string) {
		t.Helper()
		do(t, b, chromedp.Poll[bool](`document.readyState === "complete"`)) // with its style
		whole(t, b, name)
	}
	do(t, wide, chromedp.Navigate(h.url+"/upkeep"))
	unfoldTo(t, wide, "#residents")
	picture(wide, "residents-upkeep-1280")
	click(t, wide, `a[href="/upkeep/residents"]`)
	see(t, wide, "main", "Morgan Vale.*The last resident stays.*this browser: Chrome on")
	click(t, wide, `form[action="/upkeep/invitation"] button`)
	see(t, wide, "main", "Give this link.*made by Morgan Vale")
	picture(wide, "residents-1280")
	link := do(t, wide, chromedp.Text(chromedp.CSS("#invitation")))

	guest := newBrowser(t, 400, 800)
	do(t, guest, chromedp.Navigate(link))
	fill(t, guest, "name", "Tamsin Quill", "password", "Tamsin2026!", "again", "Tamsin2026!")
	see(t, guest, "main", "guessed first")
	picture(guest, "residents-weak-400")
	fill(t, guest, "password", "tin kettle on a wet roof", "again", "tin kettle on a wet roof")
	see(t, guest, "#visits", "Ada Quill")

	do(t, guest, chromedp.Navigate(h.lintel("resident", "reset", "Tamsin Quill", "--server", h.url)))
	see(t, guest, "main", "A new password.*For Tamsin Quill")
	picture(guest, "residents-reset-400")
	fill(t, guest, "password", "nine dry wool socks", "again", "nine dry wool socks")
	see(t, guest, "#visits", "Ada Quill")

	do(t, narrow, chromedp.Navigate(h.url+"/upkeep/residents"))
	picture(narrow, "residents-400")
	do(t, wide, chromedp.Navigate(h.url+"/upkeep/residents"))
	click(t, wide, `.rows li:nth-child(2) a.button`)
	see(t, wide, "main", "Tamsin Quill can’t sign in any more.*What stays")
	picture(wide, "residents-remove-1280")
	click(t, wide, `main form button`)
	see(t, wide, "main", "Who lives here.*The last resident stays")
	see(t, guest, "main", "Sign in") // by itself, from Now
	do(t, wide, chromedp.Navigate(h.url+"/upkeep/trail"))
	picture(wide, "residents-trail-1280")
}
