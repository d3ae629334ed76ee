package evidence

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	app "github.com/pquerna/otp/totp"

	"lintel/internal/house"
	"lintel/pipeline/advice/geofence"
	"lintel/pipeline/advice/totp"
	"lintel/store"
	"lintel/store/seal"
)

// A household is an archive with two persons, each with a phone and a token, a
// reader, and a clock that the test sets.
type household struct {
	*store.Archive
	*Inbox
	t             *testing.T
	at            time.Time
	ada, bo       string
	phone, reader house.Source
	key           []byte // the reader's
	counter       int64  // likewise, that it used last
}

func newHouse(t *testing.T) *household {
	t.Helper()
	h := &household{t: t, at: time.Date(2031, 5, 6, 7, 8, 9, 0, time.UTC)}
	now := func() time.Time { return h.at }
	var err error
	if h.Archive, err = store.Open(t.Context(), t.TempDir(), seal.Key{1}, now); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { h.Archive.Close() })
	h.Inbox = NewInbox(h.Archive, now)
	h.ada, h.bo = h.person("Ada Quill"), h.person("Bo Tansy")
	h.phone, h.reader = h.source(house.Phone, h.ada), h.source(house.Reader, "")
	for person, label := range map[string]string{h.ada: "brass", h.bo: "copper"} {
		if _, err := h.AddToken(t.Context(), person, label); err != nil {
			t.Fatal(err)
		}
	}
	rules := house.DefaultAdviceRules()
	rules.Home = &house.Home{Latitude: 10, Longitude: 20, Radius: 100}
	if err := h.SetAdviceRules(t.Context(), rules); err != nil {
		t.Fatal(err)
	}
	return h
}

func (h *household) person(name string) string {
	h.t.Helper()
	p, err := h.AddPerson(h.t.Context(), name)
	if err != nil {
		h.t.Fatal(err)
	}
	return p.ID
}

func (h *household) source(kind house.SourceKind, person string) house.Source {
	h.t.Helper()
	_, token, err := h.AddSource(h.t.Context(), kind, person, "a source")
	if err != nil {
		h.t.Fatal(err)
	}
	s, err := h.SourceOf(h.t.Context(), token)
	if err != nil {
		h.t.Fatal(err)
	}
	return s
}

// factors are those that count now.
func (h *household) factors() []house.Factor {
	h.t.Helper()
	all, err := h.FactorsSince(h.t.Context(), h.at)
	if err != nil {
		h.t.Fatal(err)
	}
	return all
}

func (h *household) misses() (whats []string) {
	h.t.Helper()
	all, err := h.MissesSince(h.t.Context(), h.at.Add(-time.Hour))
	if err != nil {
		h.t.Fatal(err)
	}
	for _, m := range all {
		whats = append(whats, m.What)
	}
	return whats
}

func (h *household) report(latitude float64) string {
	return fmt.Sprintf(`{"lat":%g,"lon":20,"accuracy":10,"time":"%s"}`, latitude, h.at.Format(time.RFC3339))
}

// tell has Ada's phone send something that is taken in, and says whether a factor
// counts from then on.
func (h *household) tell(text string) (counts bool) {
	h.t.Helper()
	r, err := h.Message(h.t.Context(), h.phone, "", []byte(text))
	if err != nil {
		h.t.Fatalf("%s: %v", text, err)
	}
	return r.Counts
}

// crossed is a message of one.
func (h *household) crossed(way string) string {
	return fmt.Sprintf(`{"crossing":%q,"time":%d}`, way, h.at.Unix())
}

// arrives has the phone go away and come home.
func (h *household) arrives() {
	h.t.Helper()
	for range 4 {
		h.tell(h.report(10.02))
		h.at = h.at.Add(4 * time.Minute)
	}
	if !h.tell(h.report(10)) {
		h.t.Fatal("it does not count")
	}
}

func TestArrival(t *testing.T) {
	h := newHouse(t)
	h.arrives()
	f := h.factors()
	if len(f) != 1 || f[0].Kind != house.FactorArrival || f[0].Person != h.ada || f[0].Source != h.phone.ID ||
		!f[0].At.Equal(h.at) || !f[0].Until.Equal(h.at.Add(10*time.Minute)) || f[0].Strength != 0.5 {
		t.Errorf("factors %+v", f)
	}
	id := f[0].ID
	if _, err := h.Message(t.Context(), h.phone, "", []byte(h.report(10))); !errors.Is(err, geofence.ErrOrder) {
		t.Errorf("replayed: %v", err)
	}
	h.at = h.at.Add(time.Minute)
	if h.tell(h.report(10)) {
		t.Error("still at home: it counts once more")
	}
	if f := h.factors(); len(f) != 1 || f[0].ID != id || !f[0].Until.Equal(h.at.Add(10*time.Minute)) {
		t.Errorf("the window was not moved on: %+v", f)
	}
	h.at = h.at.Add(time.Minute)
	h.tell(h.report(10.004)) // 440 m off
	if f := h.factors(); len(f) != 0 {
		t.Errorf("the phone went away again, and this counts: %+v", f)
	}
	h.at = h.at.Add(time.Minute)
	h.tell(h.report(10))
	if f := h.factors(); len(f) != 1 || f[0].ID == id {
		t.Errorf("it came back, and these count: %+v", f)
	}
}

// A fast train, an aeroplane and a card that nobody has make no failed attempt:
// nobody is kept out by what happens on a common day.
func TestNobodyIsKeptOut(t *testing.T) {
	h := newHouse(t)
	h.tell(h.report(10))
	for i := range 5 {
		h.at = h.at.Add(time.Second)
		_, err := h.Message(t.Context(), h.phone, "", []byte(h.report(12+float64(i))))
		if !errors.Is(err, geofence.ErrSpeed) {
			t.Errorf("111 km and more in a second: %v", err)
		}
		if _, err := h.Message(t.Context(), h.reader, "", []byte(`{"token":"a card of somebody’s"}`)); !errors.Is(err,
			ErrNoToken) {
			t.Errorf("a card that nobody has: %v", err)
		}
	}
	if got := h.misses(); len(got) != 0 {
		t.Errorf("misses %v", got)
	}
}

// What the phone sends by crossings alone, in a bundle, and late.
func TestWaysToTell(t *testing.T) {
	h := newHouse(t)
	h.tell(h.crossed("left"))
	h.at = h.at.Add(40 * time.Minute)
	if !h.tell(h.crossed("entered")) || h.factors()[0].Strength != house.Ordinary {
		t.Errorf("left and entered: %+v", h.factors())
	}
	h.at = h.at.Add(time.Hour)
	if !h.tell(h.crossed("entered")) || h.factors()[0].Strength != house.Slight {
		t.Errorf("entered alone: %+v", h.factors())
	}

	// A bundle is in any order, repeats some, and has one that is of no use.
	h.at = h.at.Add(time.Hour)
	begin := h.at
	one := func(minutes int, lat, accuracy float64) string {
		return fmt.Sprintf(`{"time":%d,"lat":%g,"lon":"20","accuracy":%g,"battery":0.4}`,
			begin.Add(time.Duration(minutes)*time.Minute).UnixMilli(), lat, accuracy)
	}
	h.at = begin.Add(15 * time.Minute)
	r, err := h.Message(t.Context(), h.phone, "", []byte("["+one(15, 10.02, 5)+","+one(5, 10.01, 5)+","+
		one(10, 10.02, 5000)+","+one(5, 10.01, 5)+"]"))
	if err != nil || r != (Receipt{Kind: house.FactorArrival, Taken: 2, Refused: 2}) {
		t.Errorf("%+v, %v", r, err)
	}
	h.at = begin.Add(31 * time.Minute)
	r, err = h.Message(t.Context(), h.phone, "", []byte("["+one(28, 10, 5)+","+one(31, 10, 5)+"]"))
	if err != nil || r != (Receipt{Kind: house.FactorArrival, Counts: true, Taken: 2}) {
		t.Errorf("%+v, %v", r, err)
	}
	_, err = h.Message(t.Context(), h.phone, "", []byte("["+one(28, 10, 5)+","+one(31, 10, 5)+"]"))
	if !errors.Is(err, geofence.ErrOrder) {
		t.Errorf("all of it again: %v", err)
	}
}

// A reader at home sees the phone on the network: a second sign at once. A tag
// that lies at home all day is none, and tells half.
func TestReaderIsASecondSign(t *testing.T) {
	h := newHouse(t)
	come := func() {
		t.Helper()
		for range 3 {
			h.tell(h.report(10.02))
			h.at = h.at.Add(4 * time.Minute)
		}
		h.tell(h.report(10.01))
		h.at = h.at.Add(time.Minute)
		if h.tell(h.report(10.0005)) { // 56 m from the middle
			t.Error("one sign of a phone that reports each minute counts")
		}
		h.at = h.at.Add(10 * time.Second)
	}
	strengths := func() (all []float64) {
		for _, f := range h.factors() {
			if !f.At.After(h.at) {
				all = append(all, f.Strength)
			}
		}
		return all
	}
	h.keyed()
	see := func() {
		t.Helper()
		if _, err := h.Message(t.Context(), h.reader, "", []byte(h.signed("brass"))); err != nil {
			t.Fatal(err)
		}
	}
	come()
	see()
	if got := strengths(); len(got) != 2 || got[0] != .5 || got[1] != .5 {
		t.Errorf("the token and the arrival are worth %v", got)
	}
	h.at = h.at.Add(time.Hour)
	see()
	h.at = h.at.Add(5 * time.Minute)
	see()
	if got := strengths(); len(got) != 2 || got[1] != .25 {
		t.Errorf("a token that lies there is worth %v", got)
	}
}

func TestMessages(t *testing.T) {
	h := newHouse(t)
	for _, test := range []struct {
		name   string
		source house.Source
		about  string
		text   string
		err    error
		miss   string
	}{
		{"nothing", h.phone, "", ``, ErrMessage, ""},
		{"no object", h.phone, "", `"code"`, ErrMessage, ""},
		{"empty", h.phone, "", `{}`, ErrMessage, ""},
		{"something else", h.phone, "", `{"name":"Ada"}`, ErrMessage, ""},
		{"two things", h.phone, "", `{"code":"123456","lat":10}`, ErrTwice, ""},
		{"more after it", h.phone, "", `{"code":"123456"} {}`, ErrMessage, ""},
		{"a number", h.phone, "", `{"code":123456}`, ErrCode, ""},
		{"an empty token", h.reader, "", `{"token":""}`, ErrToken, ""},
		{"too long", h.reader, "", `{"token":"` + strings.Repeat("x", LargestMessage) + `"}`, ErrMessage, ""},
		{"latitude 91", h.phone, "", h.report(91), ErrLatitude, ""},
		{"accuracy -5", h.phone, "", strings.Replace(h.report(10), "10,\"t", "-5,\"t", 1), geofence.ErrAccuracy, ""},
		{"accuracy 5 km", h.phone, "", strings.Replace(h.report(10), "10,\"t", "5000,\"t", 1), geofence.ErrAccuracy, ""},
		{"no report", h.phone, "", `{"lat":1}`, ErrLongitude, ""},
		{"a reader that arrives", h.reader, "", h.report(10), ErrNotTheirs, ""},
		{"a phone that sees tokens", h.phone, "", `{"token":"brass"}`, ErrNotTheirs, ""},
		{"a phone about another", h.phone, h.bo, h.report(10), ErrNotTheirs, "person"},
		{"nobody's token", h.reader, "", `{"token":"tin"}`, ErrNoToken, ""},
		{"another's token", h.reader, h.bo, `{"token":"brass"}`, ErrNotTheirs, "token"},
		{"nobody's token, about somebody", h.reader, h.bo, `{"token":"tin"}`, ErrNoToken, ""},
		{"no codes", h.phone, "", `{"code":"123456"}`, house.ErrNotFound, ""},
	} {
		before := len(h.misses())
		r, err := h.Message(t.Context(), test.source, test.about, []byte(test.text))
		if !errors.Is(err, test.err) || r.Counts {
			t.Errorf("%s: %+v, %v; want %v", test.name, r, err, test.err)
		}
		if got := h.misses()[before:]; test.miss == "" && len(got) > 0 || test.miss != "" &&
			(len(got) != 1 || got[0] != test.miss) {
			t.Errorf("%s: counted %v, want %q", test.name, got, test.miss)
		}
	}
	if f := h.factors(); len(f) > 0 {
		t.Fatalf("factors of nothing: %+v", f)
	}
	r, err := h.Message(t.Context(), h.reader, h.bo, []byte(`{"token":"copper"}`))
	if f := h.factors(); err != nil || !r.Counts || len(f) != 1 || f[0].Person != h.bo || f[0].Kind != house.FactorToken {
		t.Errorf("%+v, %v, %+v", r, err, f)
	}
}

// Codes are made here by a call of the library, as an app makes them.
func TestCode(t *testing.T) {
	h := newHouse(t)
	secret := totp.New()
	if err := h.SetOneTimeSecret(t.Context(), h.ada, secret.Text(), 0); err != nil {
		t.Fatal(err)
	}
	code := func() string {
		c, err := app.GenerateCode(secret.Text(), h.at)
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	give := func(code string) error { return h.Code(t.Context(), h.ada, code, "tablet one") }
	if err := give(code()); err != nil {
		t.Fatal(err)
	}
	if f := h.factors(); len(f) != 1 || f[0].Kind != house.FactorCode || f[0].Strength != 1 ||
		f[0].Source != "tablet one" {
		t.Errorf("factors %+v", f)
	}
	if err := give(code()); !errors.Is(err, totp.ErrReused) {
		t.Errorf("the same again: %v", err)
	}
	if err := give("12345"); !errors.Is(err, totp.ErrFormat) {
		t.Errorf("five digits: %v", err)
	}
	wrong := func() string { return fmt.Sprintf("%06d", (atoi(code())+500_000)%1_000_000) }
	for range totp.Misses - 1 {
		if err := give(wrong()); !errors.Is(err, totp.ErrWrong) {
			t.Fatalf("wrong: %v", err)
		}
	}
	if err := give(code()); !errors.Is(err, ErrGuesses) {
		t.Errorf("after too many wrong ones: %v", err)
	}
	if n := len(h.misses()); n != totp.Misses {
		t.Errorf("%d misses", n)
	}
	h.at = h.at.Add(totp.Wait + time.Minute)
	if r, err := h.Message(t.Context(), h.phone, h.ada, []byte(`{"code":"`+code()+`"}`)); err != nil || !r.Counts {
		t.Errorf("after the wait, from the phone: %+v, %v", r, err)
	}
	for i := 0; i < totp.MissesInAll; {
		h.at = h.at.Add(totp.Wait)
		for range min(totp.Misses-1, totp.MissesInAll-i) {
			if err := give(wrong()); !errors.Is(err, totp.ErrWrong) {
				t.Fatalf("wrong one %d: %v", i, err)
			}
			i++
		}
	}
	h.at = h.at.Add(24 * time.Hour)
	if err := give(code()); !errors.Is(err, ErrGuesses) {
		t.Errorf("after %d wrong ones in all: %v", totp.MissesInAll, err)
	}
}

func atoi(s string) (n int) {
	fmt.Sscanf(s, "%d", &n)
	return n
}

func TestAgree(t *testing.T) {
	h := newHouse(t)
	if err := h.Agree(t.Context(), "no visit", h.ada, "one"); !errors.Is(err, house.ErrNotFound) {
		t.Errorf("no visit: %v", err)
	}
	if _, err := h.AddBell(t.Context(), "gate"); err != nil {
		t.Fatal(err)
	}
	visit, _, err := h.Keep(t.Context(), house.NewStill{Bell: "gate", Ring: "r", SentSHA256: sha256.Sum256([]byte("x")),
		JPEG: []byte("x"), Width: 8, Height: 8, ReceivedAt: h.at})
	if err != nil {
		t.Fatal(err)
	}
	if err := h.Agree(t.Context(), visit, h.ada, "one"); err != nil {
		t.Fatal(err)
	}
	if f := h.factors(); len(f) != 1 || f[0].Kind != house.FactorResident || f[0].Visit != visit ||
		f[0].Source != "resident one" {
		t.Errorf("factors %+v", f)
	}
	if err := h.Agree(t.Context(), visit, "nobody", "one"); !errors.Is(err, house.ErrNotFound) {
		t.Errorf("nobody: %v", err)
	}
}

// A failed store is said, and nothing counts.
type failing struct{ Archive }

var errDisk = errors.New("the disk is full")

func (failing) AdviceRules(context.Context) (house.AdviceRules, error) {
	return house.AdviceRules{}, errDisk
}
func (failing) CodeMisses(context.Context, string, time.Time) (int, int, error) { return 0, 0, errDisk }
func (failing) TokenOf(context.Context, string) (string, error)                 { return "", errDisk }

func TestFailures(t *testing.T) {
	h := newHouse(t)
	d := NewInbox(failing{}, func() time.Time { return h.at })
	for source, text := range map[house.Source]string{h.phone: h.report(10), h.reader: `{"token":"brass"}`} {
		if r, err := d.Message(t.Context(), source, "", []byte(text)); !errors.Is(err, errDisk) || r.Counts {
			t.Errorf("%s: %+v, %v", text, r, err)
		}
	}
	if err := d.Code(t.Context(), h.ada, "123456", "x"); !errors.Is(err, errDisk) {
		t.Error(err)
	}
}

// uncounting can't count failed attempts.
type uncounting struct{ Archive }

func (uncounting) AddMiss(context.Context, string, string) error { return errDisk }

// A guess that could not be counted is not answered for.
func TestUncountedMiss(t *testing.T) {
	h := newHouse(t)
	d := NewInbox(uncounting{h.Archive}, func() time.Time { return h.at })
	secret := totp.Secret{1}
	if err := h.SetOneTimeSecret(t.Context(), h.ada, secret.Text(), 0); err != nil {
		t.Fatal(err)
	}
	right, err := app.GenerateCode(secret.Text(), h.at)
	if err != nil {
		t.Fatal(err)
	}
	wrong := fmt.Sprintf("%06d", (atoi(right)+500_000)%1_000_000)
	if err := d.Code(t.Context(), h.ada, wrong, "x"); !errors.Is(err, errDisk) || errors.Is(err, totp.ErrWrong) {
		t.Errorf("a wrong code: %v", err)
	}
	if _, err := d.Message(t.Context(), h.reader, h.bo, []byte(`{"token":"brass"}`)); !errors.Is(err, errDisk) ||
		errors.Is(err, ErrNotTheirs) {
		t.Errorf("a token of another: %v", err)
	}
}
