package web

import (
	"bytes"
	"context"
	"encoding/json"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"io"
	"io/fs"
	"log/slog"
	"maps"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/alexedwards/argon2id"

	"lintel/internal/house"
	"lintel/pipeline/advice/advisor"
	"lintel/pipeline/advice/evidence"
	"lintel/pipeline/bell"
	"lintel/pipeline/intake"
	"lintel/pipeline/redact"
	"lintel/store"
	"lintel/store/seal"
)

// A clock stands still until it is moved.
type clock struct{ micros atomic.Int64 }

func (c *clock) now() time.Time          { return time.UnixMicro(c.micros.Load()).UTC() }
func (c *clock) advance(d time.Duration) { c.micros.Add(d.Microseconds()) }

// A household is a server under test over a real archive, with the bell "gate".
type household struct {
	*Server
	t       testing.TB
	dir     string
	archive *store.Archive
	clock   *clock
	bell    string // the secret of gate
	log     *lockedBuffer
	mu      sync.Mutex
	secrets map[string]bool // what may not be in the log
}

type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// plenty is a rate that tests don't meet by chance.
var plenty = intake.Limits{PerMinute: 60, Burst: 1000, Underway: 1000, Bytes: 1 << 40}

// newHouse returns a house; each change alters how its server is made. When
// the test ends, the log is searched for what may not be in it.
func newHouse(t testing.TB, changes ...func(*Config)) *household {
	t.Helper()
	c := new(clock)
	c.micros.Store(time.Date(2031, 5, 4, 18, 30, 0, 0, time.UTC).UnixMicro())
	return newHouseAt(t, c, c.now, changes...)
}

func newHouseAt(t testing.TB, c *clock, now func() time.Time, changes ...func(*Config)) *household {
	t.Helper()
	return newHouseIn(t, t.TempDir(), c, now, changes...)
}

func newHouseIn(t testing.TB, dir string, c *clock, now func() time.Time, changes ...func(*Config)) *household {
	t.Helper()
	h := &household{t: t, dir: dir, clock: c, log: new(lockedBuffer), secrets: make(map[string]bool)}
	h.archive = openArchive(t, h.dir, now)
	var err error
	if h.bell, err = h.archive.AddBell(t.Context(), "gate"); err != nil {
		t.Fatal(err)
	}
	h.secret(h.bell)
	config := Config{
		Archive: h.archive,
		Intake:  intake.New(h.archive, now, plenty),
		Log:     slog.New(slog.NewTextHandler(h.log, &slog.HandlerOptions{Level: slog.LevelDebug, ReplaceAttr: timeless})),
		Now:     now,
		Zone:    time.UTC,
		Mask:    redact.Mask,
		Factors: evidence.NewInbox(h.archive, now),
		Bells: bell.NewWatch(h.archive, slog.New(slog.DiscardHandler), now,
			func() time.Duration { return now().Sub(time.Unix(0, 0)) }),
		Secrets: advisor.New(h.archive, nil, slog.New(slog.DiscardHandler), now, nil),
		FindFaces: func(_ context.Context, picture image.Image) ([]house.Face, error) {
			return []house.Face{faceOn(picture)}, nil
		},
	}
	for _, change := range changes {
		change(&config)
	}
	h.Server = New(config)
	t.Cleanup(func() {
		for secret := range h.secrets {
			if strings.Contains(h.log.String(), secret) {
				t.Errorf("the log holds %q:\n%s", secret, h.log)
			}
		}
	})
	return h
}

// timeless leaves the machine's time out of a log, which may read as a secret does.
func timeless(groups []string, a slog.Attr) slog.Attr {
	if len(groups) == 0 && a.Key == slog.TimeKey {
		return slog.Attr{}
	}
	return a
}

func openArchive(t testing.TB, dir string, now func() time.Time) *store.Archive {
	t.Helper()
	a, err := store.Open(t.Context(), dir, seal.Key{1}, now)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := a.Close(); err != nil {
			t.Error(err)
		}
	})
	return a
}

// within makes a subtest the one that fails.
func (h *household) within(t *testing.T) {
	outer := h.t
	h.t = t
	t.Cleanup(func() { h.t = outer })
}

// secret notes what the log may not hold, and returns it.
func (h *household) secret(s string) string {
	h.mu.Lock()
	defer h.mu.Unlock()
	if s != "" {
		h.secrets[s] = true
	}
	return s
}

// resident adds a resident whose password nobody knows, and returns a
// session's token. It spares tests the time that hashing takes.
func (h *household) resident(name string) (token string) {
	h.t.Helper()
	return h.residentWith(name, "none")
}

// someHash is of the password.
var someHash = sync.OnceValue(func() string {
	hash, err := argon2id.CreateHash(password, costs)
	if err != nil {
		panic(err)
	}
	return hash
})

func (h *household) residentWith(name, hash string) (token string) {
	h.t.Helper()
	r, err := h.archive.AddResident(context.Background(), h.secret(name), hash)
	if err != nil {
		h.t.Fatal(err)
	}
	if token, err = h.archive.SignIn(context.Background(), r, ""); err != nil {
		h.t.Fatal(err)
	}
	return h.secret(token)
}

// tablet pairs a tablet for the resident of that name.
func (h *household) tablet(name, by string) (token string) {
	h.t.Helper()
	r, err := h.archive.Resident(context.Background(), by)
	if err != nil {
		h.t.Fatal(err)
	}
	if token, err = h.archive.PairTablet(context.Background(), h.secret(name), r.ID); err != nil {
		h.t.Fatal(err)
	}
	return h.secret(token)
}

// An option alters a request before it is made.
type option func(*http.Request)

func header(name, value string) option {
	return func(r *http.Request) { r.Header.Set(name, value) }
}

func without(name string) option {
	return func(r *http.Request) { r.Header.Del(name) }
}

func from(address string) option {
	return func(r *http.Request) { r.RemoteAddr = address + ":40000" }
}

// browser makes the request one that goes to a page.
func browser(r *http.Request) {
	r.Header.Set("Accept", "text/html,application/xhtml+xml,*/*;q=0.8")
}

func (h *household) session(token string) option {
	return func(r *http.Request) {
		if token != "" {
			r.AddCookie(&http.Cookie{Name: h.cookieName(), Value: token})
		}
	}
}

// An answer is a response with its body read.
type answer struct {
	*http.Response
	t    testing.TB
	body []byte
}

// ask makes a request of the handler, with no network between.
func (h *household) ask(method, target string, body io.Reader, options ...option) *answer {
	h.t.Helper()
	r := httptest.NewRequestWithContext(h.t.Context(), method, target, body)
	for _, o := range options {
		o(r)
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return &answer{w.Result(), h.t, w.Body.Bytes()}
}

func (h *household) get(target string, options ...option) *answer {
	h.t.Helper()
	return h.ask("GET", target, nil, options...)
}

// post sends a form.
func (h *household) post(target string, fields url.Values, options ...option) *answer {
	h.t.Helper()
	options = append([]option{header("Content-Type", "application/x-www-form-urlencoded")}, options...)
	return h.ask("POST", target, strings.NewReader(fields.Encode()), options...)
}

var revisionIn = regexp.MustCompile(`name="revision" value="([^"]*)"`)

// fill sends a form that stands on the page of its address, with the revision that
// the page has.
func (h *household) fill(target string, fields url.Values, options ...option) *answer {
	h.t.Helper()
	page := h.get(h.pageAbove(target), options...)
	if m := revisionIn.FindSubmatch(page.body); m != nil {
		fields = maps.Clone(fields)
		fields.Set("revision", string(m[1]))
	}
	return h.post(target, fields, options...)
}

// ring sends a still as gate does.
func (h *household) ring(ring string, frame int, body []byte, options ...option) *answer {
	h.t.Helper()
	return h.ask("POST", "/api/v1/bells/gate/stills", bytes.NewReader(body), append(h.asBell(ring, frame), options...)...)
}

func (h *household) asBell(ring string, frame int) []option {
	return []option{
		header("Authorization", "Bearer "+h.bell), header("Content-Type", "image/jpeg"),
		header("Lintel-Ring", ring), header("Lintel-Frame", strconv.Itoa(frame)),
	}
}

// rung sends a still that has to be kept as new, and returns its receipt.
func (h *household) rung(ring string, frame int, body []byte, options ...option) (receipt intake.Receipt) {
	h.t.Helper()
	h.ring(ring, frame, body, options...).is(http.StatusCreated).into(&receipt)
	return receipt
}

func (a *answer) is(status int) *answer {
	a.t.Helper()
	if a.StatusCode != status {
		a.t.Fatalf("status %d, want %d; the answer was:\n%s", a.StatusCode, status, a.body)
	}
	return a
}

func (a *answer) into(v any) {
	a.t.Helper()
	if got := a.Header.Get("Content-Type"); got != "application/json" {
		a.t.Fatalf("Content-Type %q:\n%s", got, a.body)
	}
	if err := json.Unmarshal(a.body, v); err != nil {
		a.t.Fatalf("%v in %s", err, a.body)
	}
}

// isProblem checks that the answer is a problem of that kind, with the media
// type and the members of RFC 9457, sections 3 and 3.1.
func (a *answer) isProblem(status int, kind string) {
	a.t.Helper()
	a.is(status)
	if got := a.Header.Get("Content-Type"); got != "application/problem+json" {
		a.t.Errorf("Content-Type %q", got)
	}
	var p map[string]any
	if err := json.Unmarshal(a.body, &p); err != nil {
		a.t.Fatalf("%v in %s", err, a.body)
	}
	reference, _ := p["type"].(string)
	if _, err := url.Parse(reference); err != nil || reference != "/problems/"+kind {
		a.t.Errorf("type %v, want /problems/%s", p["type"], kind)
	}
	if title, _ := p["title"].(string); title == "" || strings.Contains(title, "\n") {
		a.t.Errorf("title %q", p["title"])
	}
	if p["status"] != float64(status) { // "the same HTTP status code"
		a.t.Errorf("status member %v, want %d", p["status"], status)
	}
	if detail, has := p["detail"]; has {
		if _, ok := detail.(string); !ok {
			a.t.Errorf("detail %v", detail)
		}
	}
}

// says checks that a page holds the text.
func (a *answer) says(text string) *answer {
	a.t.Helper()
	if !strings.HasPrefix(a.Header.Get("Content-Type"), "text/html") || !strings.Contains(string(a.body), text) {
		a.t.Errorf("the page lacks %q:\n%s", text, a.body)
	}
	return a
}

// problem returns the kind of the problem that was answered, or "".
func (a *answer) problem() string {
	var p problem
	if json.Unmarshal(a.body, &p) != nil {
		return ""
	}
	kind, _ := strings.CutPrefix(p.Type, problemBase)
	return kind
}

// cookie returns the session's cookie that the answer sets, or fails.
func (a *answer) cookie() *http.Cookie {
	a.t.Helper()
	for _, c := range a.Cookies() {
		if strings.HasSuffix(c.Name, "lintel_session") {
			return c
		}
	}
	a.t.Fatalf("no session in %v", a.Cookies())
	return nil
}

// files lists the stills' files, whole or on their way in.
func (h *household) files() (paths []string) {
	h.t.Helper()
	for _, folder := range []string{"stills", "incoming"} {
		err := filepath.WalkDir(filepath.Join(h.dir, folder), func(path string, d fs.DirEntry, err error) error {
			if err == nil && !d.IsDir() {
				paths = append(paths, path)
			}
			return err
		})
		if err != nil {
			h.t.Fatal(err)
		}
	}
	return paths
}

// keeps checks that the archive has that many stills, by its rows and by its
// files, and that nothing is on its way in.
func (h *household) keeps(stills int) {
	h.t.Helper()
	visits, err := h.archive.LatestVisits(context.Background(), 1000)
	if err != nil {
		h.t.Fatal(err)
	}
	rows := 0
	for _, v := range visits {
		rows += len(v.Stills)
	}
	if files := h.files(); rows != stills || len(files) != stills {
		h.t.Errorf("%d stills by their rows, %d files, want %d: %q", rows, len(files), stills, files)
	}
	incoming, err := os.ReadDir(filepath.Join(h.dir, "incoming"))
	if err != nil || len(incoming) > 0 {
		h.t.Errorf("incoming holds %v (%v)", incoming, err)
	}
}

// visit asks the API for a visit.
func (h *household) visit(id, token string) (v visitJSON) {
	h.t.Helper()
	h.get("/api/v1/visits/"+id, h.session(token)).is(http.StatusOK).into(&v)
	return v
}

var (
	red  = color.RGBA{200, 30, 40, 255}
	blue = color.RGBA{40, 50, 200, 255}
	grey = color.RGBA{150, 150, 150, 255}
)

// scene draws a grey picture with a fence across, a red square in its upper
// left corner and a blue one in its upper right.
func scene(width, height int) *image.RGBA {
	m := image.NewRGBA(image.Rect(0, 0, width, height))
	draw.Draw(m, m.Rect, image.NewUniform(grey), image.Point{}, draw.Src)
	for x := 0; x < width; x += 24 {
		draw.Draw(m, image.Rect(x, 0, x+4, height), image.Black, image.Point{}, draw.Src)
	}
	side := min(width, height) / 4
	draw.Draw(m, image.Rect(0, 0, side, side), image.NewUniform(red), image.Point{}, draw.Src)
	draw.Draw(m, image.Rect(width-side, 0, width, side), image.NewUniform(blue), image.Point{}, draw.Src)
	return m
}

// portrait is a picture of patches as bright as a face, sharp enough to enrol.
func portrait() *image.Gray {
	r := rand.New(rand.NewPCG(1, 2))
	m := image.NewGray(image.Rect(0, 0, 400, 400))
	for y := 0; y < 400; y += 8 {
		for x := 0; x < 400; x += 8 {
			draw.Draw(m, image.Rect(x, y, x+8, y+8), image.NewUniform(color.Gray{uint8(90 + r.IntN(80))}), image.Point{},
				draw.Src)
		}
	}
	return m
}

// faceOn is a face in the middle of a picture, half as wide.
func faceOn(picture image.Image) house.Face {
	b := picture.Bounds()
	at := func(x, y float64) house.Point {
		return house.Point{X: x * float64(b.Dx()), Y: y * float64(b.Dy())}
	}
	return house.Face{Box: image.Rect(b.Dx()/4, b.Dy()/4, 3*b.Dx()/4, 3*b.Dy()/4), Descriptor: descriptorAt(7, 0),
		Landmarks: []house.Point{at(.65, .42), at(.56, .42), at(.35, .42), at(.44, .42), at(.5, .55)}}
}

func asJPEG(t testing.TB, m image.Image) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: 85}); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// still is a whole JPEG; the number makes its bytes differ from others'.
func still(t testing.TB, number uint8) []byte {
	t.Helper()
	m := scene(160, 120)
	draw.Draw(m, image.Rect(64, 64, 96, 96), image.NewUniform(color.Gray{number}), image.Point{}, draw.Src)
	return asJPEG(t, m)
}

func readFile(t testing.TB, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}
