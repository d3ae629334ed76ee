// Package chromium shows pages to tests in a headless Chromium, and asks axe-core (see
// axe/README.md) whether everybody can use them. Only tests import it.
//
//	browser := chromium.New(t, 1280, 800)
//	chromedp.Run(browser, chromedp.Navigate(address))
//	chromium.Audit(t, browser, "the visitor book")
package chromium

import (
	"context"
	"os"
	"os/exec"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

// New starts a browser, as for a person of their own, with a page of that many CSS
// pixels. It ends with the test, which is skipped aloud where there is no Chromium, and
// where it would take too long: the race detector makes a walk through the pages ten
// times as long, so `make test` takes it without.
func New(t testing.TB, width, height int, more ...chromedp.ExecAllocatorOption) context.Context {
	t.Helper()
	if raceDetector || testing.Short() {
		t.Skip("SKIPPED: a browser takes too long with the race detector, and with -short")
	}
	var path string
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if p, err := exec.LookPath(name); err == nil {
			path = p
			break
		}
	}
	if path == "" {
		if os.Getenv("CI") != "" {
			t.Fatal("no chromium")
		}
		t.Skip("SKIPPED: no chromium; `make test` installs it")
	}
	options := append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.WindowSize(width, height),
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true),
		chromedp.UserDataDir(t.TempDir()), chromedp.WSURLReadTimeout(time.Minute),
	)
	options = append(options, more...)
	ctx, cancelAllocator := chromedp.NewExecAllocator(t.Context(), options...)
	ctx, cancel := chromedp.NewContext(ctx)
	t.Cleanup(func() { cancel(); cancelAllocator() })
	// The browser lives as long as the context of the first step. The window
	// has a frame, so its size is not the page's.
	if _, err := chromedp.Run(ctx, chromedp.EmulateViewport(int64(width), int64(height))); err != nil {
		t.Fatal("starting the browser: ", err)
	}
	return ctx
}
