package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"lintel/internal/chromium"
	"lintel/internal/supplies"
	"lintel/internal/words"
	"lintel/pipeline/liveness/fasnet"
)

// A stop of the tour is a page that README.md shows.
type stop struct {
	name   string // of the picture
	path   string
	click  string   // selects what to follow or open there, "" for nothing
	until  string   // selects what has to be seen
	open   string   // selects what is unfolded, "" for nothing
	middle string   // selects what comes to the middle, "" for the page as it opens
	says   []string // what has to be read in sight, by its keys in the catalog
	narrow bool     // as wide as a telephone, and otherwise as a tablet on the wall
}

// welcome selects a ring of somebody surely known whom it is suggested to let in.
const welcome = "#visits article:has(.band.strong):has(.suggestion.suggested)"

var stops = []stop{
	{name: "now", path: "/", until: welcome + " .frames img + img"}, // all three stills
	{name: "why", path: "/", click: welcome + " > .why > summary", until: welcome + " .reasons",
		middle: "#visits .reasons li:nth-child(4)", narrow: true},
	{name: "picture", path: "/visits?picture=true", click: "#list .entry:has(.headline.picture)", until: "#still-2 img",
		open: ".still details", middle: "#still-0 figcaption > p", says: []string{"level-picture", "sign-name-network"}},
	{name: "now-phone", path: "/", until: "#visits .band", narrow: true},
	{name: "book", path: "/visits", until: "#list .portrait"},
	{name: "book-phone", path: "/visits", until: "#list .portrait", narrow: true},
	{name: "people", path: "/people", until: ".strip .portrait", says: []string{"strangers-title"}},
	{name: "check", path: "/checks", until: ".sides img", says: []string{"check-in-question"}},
	{name: "rules", path: "/rules/privacy", until: "main img", says: []string{"part-letting-in"}},
	{name: "upkeep", path: "/upkeep", until: "#bells", says: []string{"upkeep-bells", "upkeep-archive"}},
	{name: "bell", path: "/upkeep/bells", until: "#bell-garden .graphs", open: "#bell-garden .numbers:has(.graphs)",
		middle: "#bell-garden .graphs", says: []string{"bell-days"}},
}

// TestTour takes the pictures of README.md in a demo, as somebody sees it who just
// started it, in English and in German. For some somebody has to ring first.
func TestTour(t *testing.T) {
	if *screenshots == "" {
		t.Skip("only with -screenshots, as `make tour` does")
	}
	models := allModels(t)
	for language, locale := range map[string]string{"en": "C.UTF-8", "de": "de_DE.UTF-8"} {
		t.Run(language, func(t *testing.T) {
			browser := chromium.New(t, 1280, 800, chromedp.Flag("accept-lang", language),
				chromedp.Flag("autoplay-policy", "no-user-gesture-required"))
			address := enterDemo(t, browser, models, locale)
			await(t, browser, `html[lang="`+language+`"]`)
			if language == "en" {
				film(t, browser, address)
			}
			for _, s := range stops {
				s.take(t, browser, address, language)
			}
		})
	}
}

// TestTourInReadme has README.md show each picture of the tour, and nothing else there,
// in words too for who does not see it (WCAG 2.2, 1.1.1).
func TestTourInReadme(t *testing.T) {
	folder := filepath.Join("..", "..")
	readme, err := os.ReadFile(filepath.Join(folder, "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	shown := make(map[string]string)
	for _, m := range regexp.MustCompile(`!\[(.*?)\]\((.*?)\)`).FindAllSubmatch(readme, -1) {
		if len(m[1]) < 10 {
			t.Errorf("%s is told as %q", m[2], m[1])
		}
		shown[string(m[2])] = string(m[1])
	}
	want := []string{"docs/tour/ring.webp"}
	for _, s := range stops {
		want = append(want, "docs/tour/"+s.name+"-en.webp", "docs/tour/"+s.name+"-de.webp")
	}
	for _, picture := range want {
		file, err := os.Stat(filepath.Join(folder, picture))
		if shown[picture] == "" || err != nil || file.Size() > 3<<19 {
			t.Errorf("%s is told as %q, and is not there or has over 1.5 MB: %v", picture, shown[picture], err)
		}
	}
	if len(shown) != len(want) {
		t.Errorf("README.md shows %d pictures, and the tour has %d", len(shown), len(want))
	}
}

// allModels is a folder with the model files and the networks, which may be apart
// (LINTEL_NETS): nobody known is suggested where no network looks for pictures.
func allModels(t *testing.T) string {
	t.Helper()
	folder := t.TempDir()
	for _, from := range []string{supplies.NeedModels(t), os.Getenv("LINTEL_NETS")} {
		files, err := filepath.Glob(filepath.Join(from, "*"))
		if err != nil {
			t.Fatal(err)
		}
		for _, file := range files {
			if err := os.Symlink(file, filepath.Join(folder, filepath.Base(file))); err != nil && !errors.Is(err, fs.ErrExist) {
				t.Fatal(err)
			}
		}
	}
	if _, err := fasnet.Load(folder); err != nil {
		t.Fatal("the tour shows who is suggested, which takes the networks (models/README.md): ", err)
	}
	return folder
}

// enterDemo starts a demo, by the clock of a place where it is afternoon, and goes
// there by the link that it prints. It ends with the test.
func enterDemo(t *testing.T, browser context.Context, models, locale string) (address string) {
	t.Helper()
	demo := exec.Command(filepath.Join("..", "..", "build", "lintel"), "demo", "--listen", "127.0.0.1:0")
	demo.Env = append(os.Environ(), "LINTEL_MODELS="+models, "LC_ALL="+locale, "TZ="+zoneAt(time.Now(), 14))
	demo.Stderr = t.Output()
	out, err := demo.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := demo.Start(); err != nil {
		t.Fatal("starting what `make build` builds: ", err)
	}
	t.Cleanup(func() {
		demo.Process.Signal(syscall.SIGTERM)
		demo.Wait()
	})
	lines := bufio.NewScanner(out)
	for lines.Scan() {
		fmt.Fprintln(t.Output(), lines.Text())
		if link := strings.TrimSpace(lines.Text()); strings.HasPrefix(link, "http") {
			do(t, browser, chromedp.Navigate(link))
			return do(t, browser, chromedp.Evaluate[string]("location.origin"))
		}
	}
	t.Fatal("the demo ended before it printed a link: ", lines.Err())
	return ""
}

// zoneAt is a time zone in which it is some hour of the day now. POSIX counts them
// westwards: Etc/GMT+5 is five hours behind.
func zoneAt(now time.Time, hour int) string {
	ahead := hour - now.UTC().Hour()
	if ahead > 14 {
		ahead -= 24
	}
	return fmt.Sprintf("Etc/GMT%+d", -ahead)
}

// images are those of a page that are seen. Where a part of the page is drawn anew, they
// are others.
const images = `[...document.images].filter((i) => i.checkVisibility())`

// take goes to a stop and takes its picture, again where somebody else rang meanwhile,
// or the page was just drawn anew.
func (s stop) take(t *testing.T, browser context.Context, address, language string) {
	t.Helper()
	look := chromedp.EmulateViewport(1280, 800)
	if s.narrow {
		look = chromedp.EmulateViewport(400, 800, chromedp.EmulateScale(1.5))
	}
	do(t, browser, look)
	var text string
	var picture []byte
	for there := false; !there; {
		do(t, browser, chromedp.Navigate(address+s.path))
		if s.click != "" {
			await(t, browser, s.click)
			click(t, browser, s.click)
		}
		if s.open != "" {
			await(t, browser, s.open)
			do(t, browser, chromedp.Evaluate[any](fmt.Sprintf(
				`document.querySelectorAll(%q).forEach((fold) => { fold.open = true; })`, s.open)))
		}
		await(t, browser, s.until)
		if s.middle != "" {
			do(t, browser, chromedp.Evaluate[any](fmt.Sprintf(
				`document.querySelector(%q)?.scrollIntoView({block: "center"})`, s.middle)))
		}
		drawn(t, browser)
		text = do(t, browser, chromedp.Evaluate[string](inSight))
		do(t, browser, chromedp.Evaluate[any](`shown = `+images))
		picture = capture(t, browser, page.CaptureScreenshotFormatWebp)
		there = do(t, browser, chromedp.Evaluate[bool](fmt.Sprintf(`!!document.querySelector(%q) &&
			shown.length === %s.length && shown.every((i) => i.isConnected && i.complete)`, s.until, images)))
	}
	for _, key := range s.says {
		if says := words.For(language).Text(key); !strings.Contains(text, says) {
			t.Errorf("%s does not show what README.md says: no %q in %q", s.name, says, text)
		}
	}
	if err := os.WriteFile(filepath.Join(*screenshots, s.name+"-"+language+".webp"), picture, 0o644); err != nil {
		t.Fatal(err)
	}
}

// inSight is what can be read on a page as it stands.
const inSight = `(() => {
	const texts = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT), range = document.createRange();
	let text = "";
	while (texts.nextNode()) {
		range.selectNode(texts.currentNode);
		const box = range.getBoundingClientRect();
		if (box.width && box.bottom > 0 && box.top < innerHeight && texts.currentNode.parentElement.checkVisibility())
			text += texts.currentNode.data + " ";
	}
	return text.replaceAll(/\s+/g, " ");
})()`

// await waits until a page shows something, which may take until somebody rings.
func await(t *testing.T, browser context.Context, selector string) {
	t.Helper()
	limited, cancel := context.WithTimeout(browser, 10*time.Minute)
	defer cancel()
	if _, err := chromedp.Run(limited, chromedp.WaitVisible(chromedp.CSS(selector))); err != nil {
		t.Fatalf("waiting for %s: %v\n%s", selector, err, body(browser))
	}
}

// drawn waits until a page is all there, with pictures that come late.
func drawn(t *testing.T, browser context.Context) {
	t.Helper()
	do(t, browser, chromedp.Poll[bool](`!document.querySelector("[aria-busy=true]") &&
		`+images+`.map((i) => { i.loading = "eager"; return i; }).every((i) => i.complete && i.naturalWidth > 0)`))
}

// capture takes a picture of what a browser shows.
func capture(t *testing.T, browser context.Context, format page.CaptureScreenshotFormat) []byte {
	t.Helper()
	return do(t, browser, func(ctx context.Context, target *chromedp.Target) ([]byte, error) {
		quality := int64(80)
		got, err := cdp.Call(ctx, target, page.CaptureScreenshot,
			page.CaptureScreenshotParams{Format: format, Quality: &quality})
		if err != nil {
			return nil, err
		}
		return got.Data, nil
	})
}

// A shot is what a browser showed from some moment on.
type shot struct {
	png  []byte
	from time.Time
}

// film takes a moving picture of somebody coming home, as fast as it really goes: from
// two seconds before the ring to five after it is suggested to let them in.
func film(t *testing.T, browser context.Context, address string) {
	t.Helper()
	do(t, browser, chromedp.EmulateViewport(1280, 800, chromedp.EmulateScale(.75)))
	do(t, browser, chromedp.Navigate(address))
	await(t, browser, "#visits article:not(:has(.suggestion.suggested))")
	var shots []shot
	var ring string
	var rang, welcomed time.Time
	for welcomed.IsZero() || time.Since(welcomed) < 5*time.Second {
		now := do(t, browser, chromedp.Evaluate[[2]string](fmt.Sprintf(`[document.querySelector("#visits article")?.id ?? "",
			document.querySelector(%q) ? "welcome" : ""]`, welcome)))
		s := shot{capture(t, browser, page.CaptureScreenshotFormatPng), time.Now()}
		if now[0] != ring && welcomed.IsZero() {
			ring, rang = now[0], s.from
		}
		if now[1] != "" && welcomed.IsZero() {
			welcomed = s.from
		}
		if len(shots) == 0 || !bytes.Equal(s.png, shots[len(shots)-1].png) {
			shots = append(shots, s)
		}
		begin := rang.Add(-2 * time.Second)
		for len(shots) > 1 && !shots[1].from.After(begin) {
			shots = shots[1:]
		}
		if shots[0].from.Before(begin) {
			shots[0].from = begin
		}
	}
	animate(t, shots, time.Now())
}

// animate writes what was shown until an end as one moving picture, over and over.
func animate(t *testing.T, shots []shot, end time.Time) {
	t.Helper()
	folder := t.TempDir()
	args := []string{"-loop", "0", "-o", filepath.Join(*screenshots, "ring.webp")}
	for i, s := range shots {
		name := filepath.Join(folder, fmt.Sprintf("%03d.png", i))
		if err := os.WriteFile(name, s.png, 0o600); err != nil {
			t.Fatal(err)
		}
		until := end
		if i+1 < len(shots) {
			until = shots[i+1].from
		}
		lasts := max(1, until.Sub(s.from).Milliseconds()) // img2webp takes no less
		args = append(args, "-lossy", "-q", "75", "-d", fmt.Sprint(lasts), name)
	}
	if out, err := exec.CommandContext(t.Context(), "img2webp", args...).CombinedOutput(); err != nil {
		t.Fatalf("img2webp, of Debian's package webp: %v\n%s", err, out)
	}
}
