package main

import (
	"bytes"
	"cmp"
	"context"
	"io/fs"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
)

// A runbook is docs/runbook.md: what it says of each thing, and the commands to run.
type runbook struct {
	headings []string
	says     map[string]string
	blocks   map[string][]string
}

func readRunbook(t *testing.T) runbook {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", "..", "docs", "runbook.md"))
	if err != nil {
		t.Fatal(err)
	}
	r := runbook{says: map[string]string{}, blocks: map[string][]string{}}
	block := regexp.MustCompile("(?ms)^```sh\n(.*?)^```\n")
	for _, section := range strings.Split(string(text), "\n## ")[1:] {
		heading, says, _ := strings.Cut(section, "\n")
		r.headings = append(r.headings, heading)
		for _, b := range block.FindAllStringSubmatch(says, -1) {
			r.blocks[heading] = append(r.blocks[heading], b[1])
		}
		r.says[heading] = block.ReplaceAllString(says, "")
	}
	return r
}

// TestRunbook does what docs/runbook.md says of each thing, in its own words, and sees
// that the house is well after that.
//
// Outside: sh runs the commands, install(1) and age-keygen are Debian's, and the disk that
// is full is the kernel's.
func TestRunbook(t *testing.T) {
	if raceDetector {
		t.Skip("it runs other processes and waits for them; it is run without the race detector")
	}
	if _, err := exec.LookPath("age-keygen"); err != nil {
		t.Skip("SKIPPED: there is no age-keygen here, so the commands of docs/runbook.md were not run")
	}
	book := readRunbook(t)
	ways := map[string]func(*runbookHouse){
		"Another machine":               (*runbookHouse).moves,
		"The master key’s file is gone": (*runbookHouse).losesKey,
		"A lost tablet":                 (*runbookHouse).losesTablet,
		"A lost phone":                  (*runbookHouse).losesPhone,
		"A forgotten password":          (*runbookHouse).forgetsPassword,
		"A full disk":                   (*runbookHouse).fillsDisk,
		"A disk that goes bad":          (*runbookHouse).findsDamage,
		"A dead disk":                   (*runbookHouse).losesDisk,
		"A new camera":                  (*runbookHouse).changesCamera,
	}
	for _, heading := range book.headings {
		way := ways[heading]
		if says := strings.Contains(book.says[heading], "- **Tried:** TestRunbook"); says != (way != nil) ||
			!says && len(book.blocks[heading]) > 0 {
			t.Errorf("%s: the page says that this is tried: %t", heading, says)
		}
		if way == nil {
			continue
		}
		delete(ways, heading)
		t.Run(heading, func(t *testing.T) {
			h := newRunbookHouse(t, book.blocks[heading])
			way(h)
			if len(h.blocks) > 0 {
				t.Errorf("these commands of the page were not run: %q", h.blocks)
			}
		})
	}
	if len(ways) > 0 {
		t.Errorf("the page says nothing of %v", ways)
	}
}

// TestRunbookPage holds each thing to its four lines, what it quotes to the words that
// are shown, and the tests it names to those that there are.
func TestRunbookPage(t *testing.T) {
	words, err := os.ReadFile(filepath.Join("..", "..", "internal", "words", "en.toml"))
	if err != nil {
		t.Fatal(err)
	}
	tests := allTests(t)
	book := readRunbook(t)
	quoted := regexp.MustCompile(`(?s)“(.*?)”`)
	named := regexp.MustCompile(`\bTest[A-Z]\w+`)
	for _, heading := range book.headings {
		says := book.says[heading]
		for _, line := range []string{"- **You see**", "- **Kept:**", "- **Do", "- **Tried:** Test"} {
			if strings.Count(says, line) != 1 {
				t.Errorf("%s: not one line that begins with %q", heading, line)
			}
		}
		for _, q := range quoted.FindAllStringSubmatch(says, -1) {
			if shown := strings.Join(strings.Fields(q[1]), " "); !strings.Contains(string(words), shown) {
				t.Errorf("%s: nothing says “%s”", heading, shown)
			}
		}
		for _, name := range named.FindAllString(says, -1) {
			if !tests[name] {
				t.Errorf("%s: there is no %s", heading, name)
			}
		}
	}
	if len(book.headings) != 10 {
		t.Errorf("the page is about %q", book.headings)
	}
}

// allTests are the names of the module's tests.
func allTests(t *testing.T) map[string]bool {
	t.Helper()
	all, begins := map[string]bool{}, regexp.MustCompile(`(?m)^func (Test\w+)\(`)
	err := filepath.WalkDir(filepath.Join("..", ".."), func(path string, d fs.DirEntry, err error) error {
		if err != nil || !strings.HasSuffix(path, "_test.go") {
			return err
		}
		text, err := os.ReadFile(path)
		for _, name := range begins.FindAllSubmatch(text, -1) {
			all[string(name[1])] = true
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return all
}

// A runbookHouse is a household on a machine of its own: a home folder, in which the
// archive and its key lie where the page says, and what is mounted there.
type runbookHouse struct {
	*bellHouse
	blocks     []string // of the page that are still to be run
	home, mnt  string   // its home folder, and what the page calls /mnt
	recipient  string   // of backups, whose identity is on the stick
	tablet, in *http.Client
}

// newRunbookHouse has a stick with the identity of its backups, and nothing else yet.
func newRunbookHouse(t *testing.T, blocks []string) *runbookHouse {
	t.Helper()
	h := &runbookHouse{blocks: blocks, mnt: t.TempDir()}
	h.machine(t)
	stick := filepath.Join(h.mnt, "stick")
	if err := os.Mkdir(stick, 0o700); err != nil {
		t.Fatal(err)
	}
	key := exec.Command("age-keygen", "-o", filepath.Join(stick, "key.txt"))
	said, err := key.CombinedOutput()
	_, h.recipient, _ = strings.Cut(strings.TrimSpace(string(said)), "Public key: ")
	if err != nil || h.recipient == "" {
		t.Fatalf("%v: %s", err, said)
	}
	return h
}

// machine is another one, where nothing is yet.
func (h *runbookHouse) machine(t *testing.T) {
	t.Helper()
	h.bellHouse = &bellHouse{household: newHousehold(t)}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	h.mqtt, h.home = l.Addr().String(), t.TempDir()
	l.Close()
	h.data, h.key = filepath.Join(h.home, "data"), filepath.Join(h.home, ".config", "lintel", "master.key")
}

// begins with a bell, a resident and a tablet of the hall, and one ring.
func (h *runbookHouse) begins() {
	h.t.Helper()
	h.secret = h.lintel("bell", "add", "front")
	h.opens()
	h.in = h.entersBy(h.link, url.Values{"name": {"Morgan Vale"}}, "a very quiet lantern")
	var code struct{ Code string }
	h.asks(h.in, "POST", "/api/v1/tablets/pairing-code", nil, &code)
	h.tablet = h.client()
	resp, err := h.tablet.PostForm(h.url+"/pair", url.Values{"name": {"Hall"}, "code": {code.Code}})
	if err != nil {
		h.t.Fatal(err)
	}
	resp.Body.Close()
	h.sees(h.tablet, "/", "/")
	h.rings("R1", "201 ")
}

// rings by HTTP, as the bell that has the house's secret.
func (h *runbookHouse) rings(ring, want string) {
	h.t.Helper()
	if got := h.sends(ring, "0", aVisitor().JPEG(85), ""); got != want {
		h.t.Errorf("ring %s was answered %s, want %s", ring, got, want)
	}
}

// does runs the next block of the page, with what is this house's in it.
func (h *runbookHouse) does(input string, yours ...string) (out string) {
	h.t.Helper()
	if len(h.blocks) == 0 {
		h.t.Fatal("the page has no more commands")
	}
	block := h.blocks[0]
	h.blocks = h.blocks[1:]
	bin := h.t.TempDir()
	script := "#!/bin/sh\n" + mainly + `=$(printf '%s\n' "$@") exec ` + os.Args[0] + " -test.run='^TestMainProcess$'\n"
	if err := os.WriteFile(filepath.Join(bin, "lintel"), []byte(script), 0o700); err != nil {
		h.t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(h.t.Context(), 2*time.Minute)
	defer cancel()
	c := exec.CommandContext(ctx, "sh", "-eu", "-c",
		strings.NewReplacer(append(yours, "/mnt/", h.mnt+"/", "age1…", h.recipient)...).Replace(block))
	c.Dir, c.Stdin = h.home, strings.NewReader(input)
	for _, v := range os.Environ() {
		if !strings.HasPrefix(v, "LINTEL_") && !strings.HasPrefix(v, "CREDENTIALS_") {
			c.Env = append(c.Env, v)
		}
	}
	c.Env = append(c.Env, "HOME="+h.home, "XDG_CONFIG_HOME=", "PATH="+bin+":"+os.Getenv("PATH"))
	var said bytes.Buffer
	c.Stderr = &said
	text, err := c.Output()
	if err != nil {
		h.t.Fatalf("%s\n%v: %s%s", block, err, text, &said)
	}
	return string(text) + said.String()
}

// client is a browser.
func (h *runbookHouse) client() *http.Client {
	h.t.Helper()
	jar, err := cookiejar.New(nil)
	if err != nil {
		h.t.Fatal(err)
	}
	return &http.Client{Jar: jar, Timeout: time.Minute}
}

// entersBy opens a link that is good once, with a password.
func (h *runbookHouse) entersBy(link string, form url.Values, password string) *http.Client {
	h.t.Helper()
	at, token, _ := strings.Cut(link, "?token=")
	form.Set("token", token)
	form.Set("password", password)
	form.Set("again", password)
	browser := h.client()
	resp, err := browser.PostForm(h.url+at[strings.LastIndex(at, "/"):], form)
	if err != nil {
		h.t.Fatal(err)
	}
	resp.Body.Close()
	h.sees(browser, "/", "/")
	return browser
}

// signsIn returns a browser of the resident's, and what it was answered.
func (h *runbookHouse) signsIn(password string) (browser *http.Client, status int) {
	h.t.Helper()
	browser = h.client()
	return browser, h.asks(browser, "POST", "/api/v1/session",
		map[string]string{"name": "Morgan Vale", "password": password}, nil)
}

// sees opens a page, is led where it has to be, and reads texts there.
func (h *runbookHouse) sees(browser *http.Client, path, led string, texts ...string) {
	h.t.Helper()
	req, err := http.NewRequestWithContext(h.t.Context(), "GET", h.url+path, nil)
	if err != nil {
		h.t.Fatal(err)
	}
	req.Header.Set("Accept", "text/html")
	resp, err := browser.Do(req)
	if err != nil {
		h.t.Fatal(err)
	}
	defer resp.Body.Close()
	var page bytes.Buffer
	if _, err := page.ReadFrom(resp.Body); err != nil {
		h.t.Fatal(err)
	}
	if resp.Request.URL.Path != led {
		h.t.Errorf("%s led to %s, want %s", path, resp.Request.URL, led)
	}
	for _, text := range texts {
		not := strings.HasPrefix(text, "not ")
		if strings.Contains(page.String(), strings.TrimPrefix(text, "not ")) == not {
			h.t.Errorf("%s, want %q:\n%s", path, text, cmp.Or(page.String(), resp.Status))
		}
	}
}

// well has the archive verified, by the household's own key.
func (h *runbookHouse) well() {
	h.t.Helper()
	if said := h.lintel("verify"); !strings.Contains(said, "The archive is sound.") {
		h.t.Errorf("said %s", said)
	}
}

// visits are those that are kept, newest first.
func (h *runbookHouse) visits() (all []house.Visit) {
	h.t.Helper()
	a := openedAt(h.t, h.data, h.key)
	defer a.Close()
	all, err := a.LatestVisits(h.t.Context(), 10)
	if err != nil {
		h.t.Fatal(err)
	}
	return all
}
