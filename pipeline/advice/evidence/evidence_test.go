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
	return fmt.Sprintf(`{"arrival":{"latitude_deg":%g,"longitude_deg":20,"accuracy_m":10,"at":"%s"}}`, latitude,
		h.at.Format(time.RFC3339))
}

func TestArrival(t *testing.T) {
	h := newHouse(t)
	tell := func(latitude float64) (bool, error) {
		r, err := h.Message(t.Context(), h.phone, "", []byte(h.report(latitude)))
		return r.Counts, err
	}
	for range 4 { // a kilometre away, then nearer
		if counts, err := tell(10.01); counts || err != nil {
			t.Fatalf("outside: %v, %v", counts, err)
		}
		h.at = h.at.Add(90 * time.Second)
	}
	if counts, err := tell(10); !counts || err != nil {
		t.Fatalf("at home: %v, %v", counts, err)
	}
	f := h.factors()
	if len(f) != 1 || f[0].Kind != house.FactorArrival || f[0].Person != h.ada || f[0].Source != h.phone.ID ||
		!f[0].At.Equal(h.at) ||
		!f[0].Until.Equal(h.at.Add(5*time.Minute)) || f[0].Strength != 0.5 {
		t.Errorf("factors %+v", f)
	}
	if _, err := tell(10); !errors.Is(err, geofence.ErrOrder) {
		t.Errorf("replayed: %v", err)
	}
	h.at = h.at.Add(time.Minute)
	if counts, err := tell(10); counts || err != nil {
		t.Errorf("still at home: %v, %v", counts, err)
	}
	h.at = h.at.Add(time.Second)
	if _, err := tell(11); !errors.Is(err, geofence.ErrSpeed) {
		t.Errorf("111 km in a second: %v", err)
	}
	if got := h.misses(); len(got) != 1 || got[0] != "speed" {
		t.Errorf("misses %v", got)
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
		{"two things", h.phone, "", `{"code":"123456","token":"brass"}`, ErrMessage, ""},
		{"more after it", h.phone, "", `{"code":"123456"} {}`, ErrMessage, ""},
		{"a number", h.phone, "", `{"code":123456}`, ErrMessage, ""},
		{"an empty token", h.reader, "", `{"token":""}`, ErrMessage, ""},
		{"too long", h.reader, "", `{"token":"` + strings.Repeat("x", LargestMessage) + `"}`, ErrMessage, ""},
		{"latitude 91", h.phone, "", h.report(91), geofence.ErrPosition, ""},
		{"accuracy -5", h.phone, "", strings.Replace(h.report(10), "10,\"at", "-5,\"at", 1), geofence.ErrAccuracy, ""},
		{"accuracy 5 km", h.phone, "", strings.Replace(h.report(10), "10,\"at", "5000,\"at", 1), geofence.ErrAccuracy, ""},
		{"no report", h.phone, "", `{"arrival":{"latitude_deg":1}}`, geofence.ErrReport, ""},
		{"a reader that arrives", h.reader, "", h.report(10), ErrNotTheirs, ""},
		{"a phone that sees tokens", h.phone, "", `{"token":"brass"}`, ErrNotTheirs, ""},
		{"a phone about another", h.phone, h.bo, h.report(10), ErrNotTheirs, "person"},
		{"nobody's token", h.reader, "", `{"token":"tin"}`, ErrNoToken, "token"},
		{"another's token", h.reader, h.bo, `{"token":"brass"}`, ErrNotTheirs, "token"},
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
func (failing) HearSource(context.Context, string) error                        { return errDisk }

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
	if _, err := d.Message(t.Context(), h.reader, "", []byte(`{"token":"nobody's"}`)); !errors.Is(err, errDisk) ||
		errors.Is(err, ErrNoToken) {
		t.Errorf("a token of nobody: %v", err)
	}
}

func FuzzMessage(f *testing.F) {
	for _, text := range []string{`{"code":"123456"}`, `{"token":"x"}`, `{"arrival":{"latitude_deg":1}}`,
		`{"code":"1","code":"2"}`, `[`, `{"arrival":null}`} {
		f.Add([]byte(text))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		m, err := parseMessage(text)
		n := 0
		for _, there := range []bool{m.arrival != nil, m.code != "", m.token != ""} {
			if there {
				n++
			}
		}
		if err == nil && n != 1 || err != nil && n != 0 {
			t.Errorf("%q: %d things, %v", text, n, err)
		}
	})
}
