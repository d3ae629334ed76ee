package web

import (
	"bufio"
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/intake"
	"lintel/store"
)

const stillsPattern = "/api/v1/bells/{bell}/stills"

// dial connects to the house over TCP.
func (h *household) dial() *net.TCPConn {
	h.t.Helper()
	server := httptest.NewServer(h)
	h.t.Cleanup(server.Close)
	conn, err := net.Dial("tcp", server.Listener.Addr().String())
	if err != nil {
		h.t.Fatal(err)
	}
	h.t.Cleanup(func() { conn.Close() })
	conn.SetDeadline(time.Now().Add(20 * time.Second)) // if no answer comes at all
	return conn.(*net.TCPConn)
}

// head is a format of the head of a request by gate, with its ring and length.
func (h *household) head() string {
	return "POST /api/v1/bells/gate/stills HTTP/1.1\r\nHost: lintel.example\r\nAuthorization: Bearer " + h.bell +
		"\r\nContent-Type: image/jpeg\r\nLintel-Ring: %s\r\nLintel-Frame: 0\r\nContent-Length: %d\r\n\r\n"
}

func (h *household) read(conn net.Conn) *answer {
	h.t.Helper()
	response, err := http.ReadResponse(bufio.NewReader(conn), nil)
	if err != nil {
		h.t.Fatal(err)
	}
	body, err := io.ReadAll(response.Body)
	if err != nil {
		h.t.Fatal(err)
	}
	return &answer{response, h.t, body}
}

// TestConnectionBreaksOff ends the bell's half of a connection before the
// whole still is there. RFC 9112, 8: a message that ends before its
// Content-Length is incomplete.
func TestConnectionBreaksOff(t *testing.T) {
	h := newHouse(t)
	whole := still(t, 1)
	for _, sent := range []int{0, 1, len(whole) / 2, len(whole) - 1} {
		conn := h.dial()
		fmt.Fprintf(conn, h.head(), "R1", len(whole))
		conn.Write(whole[:sent])
		if err := conn.CloseWrite(); err != nil {
			t.Fatal(err)
		}
		h.read(conn).isProblem(400, "cut-short")
		h.keeps(0)
	}
	// The bell sends it again, and it is whole.
	h.rung("R1", 0, whole)
	h.keeps(1)
}

// A stubborn archive finds nothing until the bell has hung up.
type stubborn struct{ *store.Archive }

func (a stubborn) Find(ctx context.Context, bell, ring string, frame int, sent [32]byte) (house.Still, bool, error) {
	<-ctx.Done()
	return house.Still{}, false, ctx.Err()
}

// TestNoEmptyYes has a bell that closes its own half of the connection after
// its request and still listens. It must not read success where nothing was kept.
func TestNoEmptyYes(t *testing.T) {
	h := newHouse(t, func(c *Config) { c.Intake = intake.New(stubborn{c.Archive}, c.Now, plenty) })
	whole := still(t, 1)
	conn := h.dial()
	fmt.Fprintf(conn, h.head(), "R1", len(whole))
	conn.Write(whole)
	if err := conn.CloseWrite(); err != nil {
		t.Fatal(err)
	}
	h.read(conn).isProblem(500, "internal")
	h.keeps(0)
	if strings.Contains(h.log.String(), "ERROR") {
		t.Errorf("a bell that hung up is no error of the server's:\n%s", h.log)
	}
}

// A full archive has no space.
type full struct{ *store.Archive }

func (full) Keep(context.Context, house.NewStill) (string, bool, error) {
	return "", false, fmt.Errorf("writing a still: %w: write incoming/X: no space left on device", house.ErrNoSpace)
}

func TestNoSpace(t *testing.T) {
	h := newHouse(t, func(c *Config) { c.Intake = intake.New(full{c.Archive}, c.Now, plenty) })
	a := h.ring("R1", 0, still(t, 1))
	a.isProblem(507, "no-space") // RFC 4918, 11.5
	readDocument(t).checkAnswer(t, "POST", stillsPattern, a)
	if strings.Contains(string(a.body), "incoming") {
		t.Errorf("a bell is told of the server's folders: %s", a.body)
	}
	h.keeps(0)
}

// TestSameFrameAgain is what a bell does that heard no answer.
func TestSameFrameAgain(t *testing.T) {
	h := newHouse(t)
	document := readDocument(t)
	first := h.rung("R1", 0, still(t, 1))
	if !first.New || first.Damaged || first.Ring != "R1" || first.Frame != 0 || first.Visit == "" {
		t.Errorf("receipt %+v", first)
	}
	h.clock.advance(time.Hour)

	var again intake.Receipt
	a := h.ring("R1", 0, still(t, 1)).is(http.StatusOK)
	document.checkAnswer(t, "POST", stillsPattern, a)
	if a.into(&again); again.New || again.Visit != first.Visit {
		t.Errorf("receipt %+v after %+v", again, first)
	}
	h.keeps(1)

	a = h.ring("R1", 0, still(t, 2))
	a.isProblem(409, "other-bytes")
	document.checkAnswer(t, "POST", stillsPattern, a)
	h.keeps(1)
	token := h.resident("Odile")
	if v := h.visit(first.Visit, token); !v.ReceivedAt.Equal(h.clock.now().Add(-time.Hour)) {
		t.Errorf("received at %v", v.ReceivedAt)
	}

	// Another frame of the ring joins the visit, and another ring does not.
	if second := h.rung("R1", 1, still(t, 2)); second.Visit != first.Visit {
		t.Errorf("the second frame has a visit of its own")
	}
	if other := h.rung("R2", 0, still(t, 1)); other.Visit == first.Visit {
		t.Errorf("another ring is in the same visit")
	}
	h.keeps(3)
	if v := h.visit(first.Visit, token); len(v.Stills) != 2 {
		t.Errorf("%d stills", len(v.Stills))
	}
}

// TestDamagedStill has half a picture, which is better than none.
func TestDamagedStill(t *testing.T) {
	h := newHouse(t)
	whole := asJPEG(t, scene(640, 480))
	receipt := h.rung("R1", 0, whole[:len(whole)/2])
	if !receipt.Damaged {
		t.Error("the receipt says nothing of the damage")
	}
	h.keeps(1)
	token := h.resident("Odile")
	v := h.visit(receipt.Visit, token)
	if len(v.Stills) != 1 || !v.Stills[0].Damaged || v.Stills[0].Width != 640 || v.Stills[0].Height != 480 {
		t.Errorf("stills %+v", v.Stills)
	}
	a := h.get("/api/v1/visits/"+receipt.Visit+"/stills/0", h.session(token)).is(http.StatusOK)
	if _, err := jpeg.Decode(bytes.NewReader(a.body)); err != nil {
		t.Errorf("what is kept is no whole JPEG: %v", err)
	}
	h.get("/", h.session(token)).is(http.StatusOK).says("Part of the picture was lost")
}

// exif is an APP1 segment that says that the picture's first row is its right
// side (orientation 6), and where it was taken. It is laid out as TIFF 6.0
// (section 2) and Exif 2.3 (4.6.2, 4.6.6) have it.
func exif() []byte {
	b := binary.BigEndian
	entry := func(tag, kind uint16, count uint32, value []byte) []byte {
		e := b.AppendUint32(b.AppendUint16(b.AppendUint16(nil, tag), kind), count)
		return append(append(e, value...), make([]byte, 4-len(value))...)
	}
	const first, gps, degrees = 8, 8 + 2 + 2*12 + 4, 8 + 2 + 2*12 + 4 + 2 + 2*12 + 4
	tiff := []byte("MM\x00\x2a\x00\x00\x00\x08")
	tiff = b.AppendUint16(tiff, 2)
	tiff = append(tiff, entry(0x0112, 3, 1, []byte{0, 6})...)                 // Orientation
	tiff = append(tiff, entry(0x8825, 4, 1, b.AppendUint32(nil, gps))...)     // GPS IFD
	tiff = append(b.AppendUint32(tiff, 0), 0, 2)                              // no further IFD; the GPS IFD
	tiff = append(tiff, entry(0x0001, 2, 2, []byte("N\x00"))...)              // GPSLatitudeRef
	tiff = append(tiff, entry(0x0002, 5, 3, b.AppendUint32(nil, degrees))...) // GPSLatitude
	tiff = b.AppendUint32(tiff, 0)
	for _, n := range []uint32{52, 1, 31, 1, 77771, 1000} {
		tiff = b.AppendUint32(tiff, n)
	}
	payload := append([]byte("Exif\x00\x00"), tiff...)
	return append(b.AppendUint16([]byte{0xff, 0xe1}, uint16(len(payload)+2)), payload...)
}

// segments lists the marker segments of a JPEG up to its first scan (ITU-T
// T.81, B.1.1).
func segments(t *testing.T, b []byte) (markers []byte) {
	t.Helper()
	if !bytes.HasPrefix(b, []byte{0xff, 0xd8}) {
		t.Fatalf("no JPEG: %x", b[:2])
	}
	for b = b[2:]; len(b) >= 4 && b[0] == 0xff; b = b[2+int(binary.BigEndian.Uint16(b[2:])):] {
		markers = append(markers, b[1])
		if b[1] == 0xda {
			return markers
		}
	}
	t.Fatal("no scan")
	return nil
}

func near(a, b color.Color) bool {
	ar, ag, ab, _ := a.RGBA()
	br, bg, bb, _ := b.RGBA()
	far := func(x, y uint32) bool { return max(x, y)-min(x, y) > 40<<8 }
	return !far(ar, br) && !far(ag, bg) && !far(ab, bb)
}

// TestStillIsUprightAndBare turns a picture the right way up and keeps nothing
// of where it was taken.
func TestStillIsUprightAndBare(t *testing.T) {
	h := newHouse(t)
	plain := asJPEG(t, scene(160, 120))
	body := slices.Concat(plain[:2], exif(), plain[2:])
	receipt := h.rung("R1", 0, body)
	token := h.resident("Odile")
	a := h.get("/api/v1/visits/"+receipt.Visit+"/stills/0", h.session(token)).is(http.StatusOK)
	if got := a.Header.Get("Content-Type"); got != "image/jpeg" {
		t.Errorf("Content-Type %q", got)
	}
	for _, m := range segments(t, a.body) {
		if m == 0xfe || m > 0xe0 && m <= 0xef { // a comment, or application data but JFIF's
			t.Errorf("a segment FF%02X is left", m)
		}
	}
	if latitude := binary.BigEndian.AppendUint32(nil, 77771); bytes.Contains(a.body, latitude) ||
		bytes.Contains(a.body, []byte("Exif")) {
		t.Error("where it was taken is left")
	}
	for _, path := range h.files() {
		if file := readFile(t, path); bytes.Contains(file, a.body[:3]) || len(file) <= len(a.body) {
			t.Errorf("%s is not sealed", path)
		}
	}
	m, err := jpeg.Decode(bytes.NewReader(a.body))
	if err != nil {
		t.Fatal(err)
	}
	// Orientation 6: the first row is the right side, the first column the
	// top. So the left upper corner comes to the right, and the right upper
	// corner to the right below.
	if m.Bounds().Size() != image.Pt(120, 160) {
		t.Fatalf("size %v", m.Bounds().Size())
	}
	if got := m.At(110, 10); !near(got, red) {
		t.Errorf("right upper corner %v, want red", got)
	}
	if got := m.At(110, 150); !near(got, blue) {
		t.Errorf("right lower corner %v, want blue", got)
	}
	if v := h.visit(receipt.Visit, token); v.Stills[0].Width != 120 || v.Stills[0].Height != 160 {
		t.Errorf("said to be %d x %d", v.Stills[0].Width, v.Stills[0].Height)
	}
}

func TestPNGBecomesJPEG(t *testing.T) {
	h := newHouse(t)
	var body bytes.Buffer
	if err := png.Encode(&body, scene(96, 80)); err != nil {
		t.Fatal(err)
	}
	receipt := h.rung("R1", 0, body.Bytes(), header("Content-Type", "image/png"))
	a := h.get("/api/v1/visits/"+receipt.Visit+"/stills/0", h.session(h.resident("Odile"))).is(http.StatusOK)
	m, err := jpeg.Decode(bytes.NewReader(a.body))
	if err != nil {
		t.Fatal(err)
	}
	if got := a.Header.Get("Content-Type"); got != "image/jpeg" || m.Bounds().
		Size() != image.Pt(96, 80) || !near(m.At(8, 8), red) {
		t.Errorf("%s, %v, corner %v", got, m.Bounds(), m.At(8, 8))
	}
}

// TestClockSkew has bells whose clocks are wrong.
func TestClockSkew(t *testing.T) {
	tests := []struct {
		ahead time.Duration
		off   bool
		note  string
	}{
		{0, false, ""},
		{29 * time.Second, false, ""},
		{-29 * time.Second, false, ""},
		{30 * time.Second, false, ""},
		{31 * time.Second, true, "The bell’s clock is 31 seconds ahead"},
		{-31 * time.Second, true, "The bell’s clock is 31 seconds behind"},
		{-61 * 365 * 24 * time.Hour, true, "days behind"}, // a clock that begins at 1970
	}
	h := newHouse(t)
	token := h.resident("Odile")
	for i, test := range tests {
		t.Run(test.ahead.String(), func(t *testing.T) {
			h.within(t)
			h.clock.advance(time.Minute)
			taken := h.clock.now().Add(test.ahead)
			elsewhere := taken.In(time.FixedZone("", 5*3600+1800)).Format(time.RFC3339)
			receipt := h.rung(fmt.Sprint("R", i), 0, still(t, 1), header("Lintel-Taken-At", elsewhere))
			v := h.visit(receipt.Visit, token)
			if v.ClockOff != test.off || v.ClockSkew != test.ahead.Seconds() {
				t.Errorf("off %t by %v s", v.ClockOff, v.ClockSkew)
			}
			if !v.ReceivedAt.Equal(h.clock.now()) || !v.Stills[0].ReceivedAt.Equal(h.clock.now()) ||
				!v.Stills[0].TakenAt.Equal(taken) {
				t.Errorf("received at %v, taken at %v", v.Stills[0].ReceivedAt, v.Stills[0].TakenAt)
			}
			page := string(h.get("/", h.session(token)).is(http.StatusOK).body)
			first, _, _ := strings.Cut(page, "</article>")
			if strings.Contains(first, "clock is") != test.off || !strings.Contains(first, test.note) {
				t.Errorf("the page's first card says:\n%s", first)
			}
		})
	}
	t.Run("a bell without a clock", func(t *testing.T) {
		h.within(t)
		receipt := h.rung("R", 0, still(t, 1))
		a := h.get("/api/v1/visits/"+receipt.Visit, h.session(token)).is(http.StatusOK)
		if strings.Contains(string(a.body), "taken_at") || !strings.Contains(string(a.body), `"clock_off":false`) {
			t.Errorf("%s", a.body)
		}
	})
}

// TestOrderIsTheServers has a bell that is an hour ahead ring first, and one
// that is behind ring last.
func TestOrderIsTheServers(t *testing.T) {
	h := newHouse(t)
	var want []string
	for i, ahead := range []time.Duration{time.Hour, 0, -time.Hour} {
		taken := h.clock.now().Add(ahead).Format(time.RFC3339)
		want = append([]string{h.rung(fmt.Sprint("R", i), 0, still(t, 1), header("Lintel-Taken-At", taken)).Visit}, want...)
		h.clock.advance(time.Second)
	}
	var list struct{ Visits []visitJSON }
	h.get("/api/v1/visits", h.session(h.resident("Odile"))).is(http.StatusOK).into(&list)
	var got []string
	for _, v := range list.Visits {
		got = append(got, v.ID)
	}
	if !slices.Equal(got, want) {
		t.Errorf("visits %q, want %q", got, want)
	}
}

// TestRate lets each bell send so often and no more.
func TestRate(t *testing.T) {
	h := newHouse(t, func(c *Config) {
		c.Intake = intake.New(c.Archive, c.Now, intake.Limits{PerMinute: 20, Burst: 2, Underway: 2, Bytes: intake.MaxBytes})
	})
	yard, err := h.archive.AddBell(t.Context(), "yard")
	if err != nil {
		t.Fatal(err)
	}
	h.secret(yard)
	// Wrong secrets don't count against the bell: else anybody could silence it.
	for range 10 {
		h.ring("R1", 0, still(t, 1), header("Authorization", "Bearer guess")).is(http.StatusUnauthorized)
	}
	h.rung("R1", 0, still(t, 1))
	h.rung("R1", 1, still(t, 1))
	a := h.ring("R1", 2, still(t, 1))
	a.isProblem(429, "too-often")
	readDocument(t).checkAnswer(t, "POST", stillsPattern, a)
	if got := a.Header.Get("Retry-After"); got != "3" { // delay-seconds, RFC 9110, 10.2.3
		t.Errorf("Retry-After %q, want 3", got)
	}
	h.keeps(2)
	a = h.ask("POST", "/api/v1/bells/yard/stills", bytes.NewReader(still(t, 1)),
		append(h.asBell("R1", 0), header("Authorization", "Bearer "+yard))...)
	a.is(http.StatusCreated) // the other bell is free to
	h.clock.advance(2 * time.Second)
	h.ring("R1", 2, still(t, 1)).is(http.StatusTooManyRequests)
	h.clock.advance(time.Second) // what Retry-After promised
	h.rung("R1", 2, still(t, 1))
}

// A slow body says when it begins to be read, and then waits.
type slowBody struct {
	io.Reader
	begun, goOn chan struct{}
	once        bool
}

func (s *slowBody) Read(p []byte) (int, error) {
	if !s.once {
		s.once = true
		close(s.begun)
		<-s.goOn
	}
	return s.Reader.Read(p)
}

// TestDrain stops a server while a bell is sending: that still is kept, and
// those that come later are refused.
func TestDrain(t *testing.T) {
	h := newHouse(t)
	body := &slowBody{Reader: bytes.NewReader(still(t, 1)), begun: make(chan struct{}), goOn: make(chan struct{})}
	slow := make(chan *answer, 1)
	go func() {
		slow <- h.ask("POST", "/api/v1/bells/gate/stills", body, h.asBell("R1", 0)...)
	}()
	<-body.begun

	hasty, cancel := context.WithCancel(t.Context())
	cancel()
	if err := h.Drain(hasty); err == nil {
		t.Error("Drain reports all finished while a still is on its way in")
	}
	document := readDocument(t)
	a := h.ring("R2", 0, still(t, 2))
	a.isProblem(503, "stopping")
	document.checkAnswer(t, "POST", stillsPattern, a)
	if a.Header.Get("Retry-After") == "" {
		t.Error("no Retry-After")
	}
	token := h.resident("Odile")
	a = h.get("/api/v1/live", h.session(token))
	a.isProblem(503, "stopping")
	document.checkAnswer(t, "GET", "/api/v1/live", a)
	h.get("/", h.session(token)).is(http.StatusOK) // looking goes on to the end

	close(body.goOn)
	(<-slow).is(http.StatusCreated)
	h.keeps(1)
	if err := h.Drain(t.Context()); err != nil {
		t.Error(err)
	}
}

// Pictures that cameras and phones send besides are refused in words that help, by
// what they are and by what they are called.
func TestOtherPictures(t *testing.T) {
	h := newHouse(t)
	document := readDocument(t)
	for kind, body := range map[string]string{
		"image/jpeg": "\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic", "image/heic": "x",
		"image/png": "RIFF\x10\x00\x00\x00WEBPVP8L", "image/webp": "x", "image/avif": "x"} {
		a := h.ring("R1", 0, []byte(body), header("Content-Type", kind))
		a.isProblem(http.StatusUnsupportedMediaType, "wrong-type")
		if !strings.Contains(string(a.body), "convert the picture to JPEG first") {
			t.Errorf("%s: what to do is not said: %s", kind, a.body)
		}
		document.checkAnswer(t, "POST", stillsPattern, a)
	}
	h.keeps(0)
}
