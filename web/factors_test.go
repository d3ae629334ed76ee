package web

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"testing"
	"time"

	app "github.com/pquerna/otp/totp"

	"lintel/internal/house"
	"lintel/pipeline/advice/evidence"
	"lintel/pipeline/advice/totp"
)

// A sender is a house with two persons, a phone of the first, a reader, and a
// token of each.
type sender struct {
	*household
	in                             option
	ada, bo                        string
	phone, reader, phoneID, readID string // tokens and ids
	secret                         totp.Secret
}

func newSender(t *testing.T, changes ...func(*Config)) *sender {
	t.Helper()
	s := &sender{household: newHouse(t, changes...)}
	s.in = s.session(s.resident("Odile"))
	s.ada, s.bo = s.enrolled("Ada Quill").ID, s.enrolled("Bo Tansy").ID
	s.phoneID, s.phone = s.source(house.Phone, s.ada)
	s.readID, s.reader = s.source(house.Reader, "")
	for person, label := range map[string]string{s.ada: "brass-4411", s.bo: "copper-9023"} {
		if _, err := s.archive.AddToken(t.Context(), person, s.household.secret(label)); err != nil {
			t.Fatal(err)
		}
	}
	s.secret = totp.New()
	if err := s.archive.SetOneTimeSecret(t.Context(), s.ada, s.household.secret(s.secret.Text()), 0); err != nil {
		t.Fatal(err)
	}
	rules := house.DefaultAdviceRules()
	rules.Home = &house.Home{Latitude: 10.123456, Longitude: 20.654321, Radius: 100}
	if err := s.archive.SetAdviceRules(t.Context(), rules); err != nil {
		t.Fatal(err)
	}
	for _, position := range []string{"10.12", "20.65", "11.12"} { // where somebody is
		s.household.secret(position)
	}
	return s
}

func (s *sender) source(kind house.SourceKind, person string) (id, token string) {
	s.t.Helper()
	id, token, err := s.archive.AddSource(s.t.Context(), kind, person, s.household.secret("a source of somebody"))
	if err != nil {
		s.t.Fatal(err)
	}
	return id, s.household.secret(token)
}

// tell sends a message as curl does.
func (s *sender) tell(token, query, body string, options ...option) *answer {
	s.t.Helper()
	return s.ask("POST", "/api/v1/factors"+query, strings.NewReader(body),
		append([]option{header("Authorization", "Bearer "+token)}, options...)...)
}

// report is one at so many degrees north of home, made now and then.
func (s *sender) report(north float64, ago time.Duration) string {
	return fmt.Sprintf(`{"lat":%.6f,"lon":20.654321,"accuracy":10,"time":"%s"}`,
		10.123456+north, s.clock.now().Add(-ago).Format(time.RFC3339))
}

func (s *sender) code() string {
	s.t.Helper()
	code, err := app.GenerateCode(s.secret.Text(), s.clock.now())
	if err != nil {
		s.t.Fatal(err)
	}
	return code
}

// counting are the factors that count now.
func (s *sender) counting() []house.Factor {
	s.t.Helper()
	all, err := s.archive.FactorsSince(s.t.Context(), s.clock.now())
	if err != nil {
		s.t.Fatal(err)
	}
	return all
}

func (s *sender) missed() (n int) {
	s.t.Helper()
	all, err := s.archive.MissesSince(s.t.Context(), s.clock.now().Add(-24*time.Hour))
	if err != nil {
		s.t.Fatal(err)
	}
	return len(all)
}

// TestFactors has a phone come home, say a code, and a reader see a token.
func TestFactors(t *testing.T) {
	s := newSender(t)
	took := func(a *answer, kind house.FactorKind, counts bool) {
		t.Helper()
		var receipt evidence.Receipt
		a.is(http.StatusAccepted).into(&receipt)
		if receipt != (evidence.Receipt{Kind: kind, Counts: counts}) {
			t.Errorf("receipt %+v, want %s %t", receipt, kind, counts)
		}
	}
	for range 4 {
		took(s.tell(s.phone, "", s.report(.02, 0)), house.FactorArrival, false)
		s.clock.advance(3 * time.Minute)
	}
	took(s.tell(s.phone, "?about="+s.ada, s.report(0, 0)), house.FactorArrival, true)
	took(s.tell(s.phone, "", `{"code":"`+s.code()+`"}`), house.FactorCode, true)
	took(s.tell(s.reader, "", `{"token":"brass-4411"}`), house.FactorToken, true)
	took(s.tell(s.reader, "?about="+s.bo, `{"token":"copper-9023"}`), house.FactorToken, true)
	var got []string
	for _, f := range s.counting() {
		who := "Ada"
		if f.Person == s.bo {
			who = "Bo"
		}
		got = append(got, who+" "+string(f.Kind))
	}
	if len(got) != 4 || s.missed() != 0 {
		t.Errorf("factors %q, %d misses", got, s.missed())
	}
	page := s.get("/people/"+s.ada, s.in).is(200).says("last heard Sunday 4 May, 18:42")
	checkMarkup(t, string(page.body))
	if !strings.Contains(s.log.String(), "source="+s.phoneID) {
		t.Error("the log does not say which source was taken in from")
	}
}

// TestRefusedFactors says how everything that is wrong with a message is
// answered, and what of it counts as a failed attempt. The bounds are those of
// packages geofence and totp.
func TestRefusedFactors(t *testing.T) {
	s := newSender(t)
	reported := func(field, value string) string {
		fields := map[string]string{"lat": "10.123456", "lon": "20.654321", "accuracy": "10",
			"time": `"` + s.clock.now().Format(time.RFC3339) + `"`}
		fields[field] = value
		return fmt.Sprintf(`{"lat":%s,"lon":%s,"accuracy":%s,"time":%s}`, fields["lat"], fields["lon"], fields["accuracy"],
			fields["time"])
	}
	at := func(ahead time.Duration) string { return `"` + s.clock.now().Add(ahead).Format(time.RFC3339) + `"` }
	for _, test := range []struct {
		name, token, query, body string
		status                   int
		kind                     string
		misses                   int
	}{
		{"no token", "", "", `{"code":"123456"}`, 401, "wrong-token", 0},
		{"another's token", s.bell, "", `{"code":"123456"}`, 401, "wrong-token", 0},
		{"its id", s.phoneID, "", `{"code":"123456"}`, 401, "wrong-token", 0},
		{"a wrong token, whatever the body", "X", "?about=x", `{`, 401, "wrong-token", 0},
		{"nothing", s.phone, "", ``, 400, "bad-message", 0},
		{"no JSON", s.phone, "", `I am home`, 400, "bad-message", 0},
		{"a list", s.phone, "", `[]`, 400, "bad-message", 0},
		{"empty", s.phone, "", `{}`, 400, "bad-message", 0},
		{"something else", s.phone, "", `{"face":"x"}`, 400, "bad-message", 0},
		{"two things", s.phone, "", `{"code":"123456","lat":1}`, 400, "bad-message", 0},
		{"a code that is a number", s.phone, "", `{"code":123456}`, 422, "bad-code", 0},
		{"two messages", s.phone, "", `{"code":"123456"}{"code":"123456"}`, 400, "bad-message", 0},
		{"about nobody", s.phone, "?about=Ada", `{"code":"123456"}`, 400, "bad-about", 0},
		{"about an empty", s.phone, "?about=", `{"code":"123456"}`, 400, "bad-about", 0},
		{"large", s.phone, "", `{"code":"` + strings.Repeat("1", evidence.LargestMessage) + `"}`, 413, "too-large", 0},
		{"a report without a field", s.phone, "", `{"lat":1}`, 422, "bad-lon", 0},
		{"a report of a time alone", s.phone, "", `{"time":1}`, 422, "bad-lat", 0},
		{"a latitude in words", s.phone, "", reported("lat", `"north"`), 422, "bad-lat", 0},
		{"a time without a zone", s.phone, "", reported("time", `"2031-05-04T18:30:00"`), 422, "bad-time", 0},
		{"latitude 91", s.phone, "", reported("lat", "91"), 422, "bad-lat", 0},
		{"latitude -90.01", s.phone, "", reported("lat", "-90.01"), 422, "bad-lat", 0},
		{"longitude 181", s.phone, "", reported("lon", "181"), 422, "bad-lon", 0},
		{"a crossing that is none", s.phone, "", `{"crossing":"enter","time":1}`, 422, "bad-crossing", 0},
		{"a form without a time", s.phone, "", `lat=1&lon=2&accuracy=3`, 422, "bad-time", 0},
		{"a list with a wrong one", s.phone, "", `[{"crossing":"left","time":1795604400},{"crossing":"left"}]`, 422,
			"bad-time", 0},
		{"accuracy -5 m", s.phone, "", reported("accuracy", "-5"), 422, "bad-accuracy", 0},
		{"accuracy 0", s.phone, "", reported("accuracy", "0"), 422, "bad-accuracy", 0},
		{"accuracy 5 km", s.phone, "", reported("accuracy", "5000"), 422, "bad-accuracy", 0},
		{"eight days old", s.phone, "", reported("time", at(-8*24*time.Hour)), 422, "too-old", 0},
		{"an hour ahead", s.phone, "", reported("time", at(time.Hour)), 422, "from-the-future", 0},
		{"ten minutes ahead", s.phone, "", reported("time", at(10*time.Minute)), 422, "from-the-future", 0},
		{"a token from a phone", s.phone, "", `{"token":"brass-4411"}`, 403, "not-theirs", 0},
		{"a code from a reader", s.reader, "", `{"code":"123456"}`, 403, "not-theirs", 0},
		{"an arrival from a reader", s.reader, "", reported("time", at(0)), 403, "not-theirs", 0},
		{"a phone about another", s.phone, "?about=" + s.bo, `{"code":"123456"}`, 403, "not-theirs", 1},
		{"a token of another", s.reader, "?about=" + s.ada, `{"token":"copper-9023"}`, 403, "not-theirs", 1},
		{"a token of nobody", s.reader, "", `{"token":"tin-0000"}`, 404, "unknown-token", 0},
		{"five digits", s.phone, "", `{"code":"12345"}`, 422, "bad-code", 0},
		{"a wrong code", s.phone, "", `{"code":"` + s.wrong() + `"}`, 422, "wrong-code", 1},
	} {
		t.Run(test.name, func(t *testing.T) {
			s.within(t)
			s.clock.advance(sentEvery)
			before := s.missed()
			s.tell(test.token, test.query, test.body).isProblem(test.status, test.kind)
			if got := s.missed() - before; got != test.misses {
				t.Errorf("%d failed attempts, want %d", got, test.misses)
			}
		})
	}
	if f := s.counting(); len(f) > 0 {
		t.Errorf("factors of nothing: %+v", f)
	}
	s.clock.advance(sentAtOnce * sentEvery)
	if a := s.tell("X", "", ""); a.Header.Get("WWW-Authenticate") == "" { // RFC 9110, section 11.6.1
		t.Error("a 401 without WWW-Authenticate")
	}
	s.tell(s.phone, "", "", func(r *http.Request) { r.Header.Set("Authorization", "Basic "+s.phone) }).
		isProblem(401, "wrong-token")
	s.tell(s.phone, "", "", func(r *http.Request) { r.Body = io.NopCloser(brokenReader{}) }).isProblem(400, "cut-short")
	s.tell(s.phone, "", "", func(r *http.Request) { r.Body, r.ContentLength = io.NopCloser(unread{t}), 1<<20 }).
		isProblem(413, "too-large")
	s.tell("X", "", "", func(r *http.Request) { r.Body = io.NopCloser(unread{t}) }).isProblem(401, "wrong-token")
}

// wrong is a code that is not good, now or soon.
func (s *sender) wrong() string {
	n, _ := strconv.Atoi(s.code())
	return fmt.Sprintf("%06d", (n+500_000)%1_000_000)
}

type brokenReader struct{}

func (brokenReader) Read([]byte) (int, error) { return 0, io.ErrUnexpectedEOF }

// unread is a body that nobody may read.
type unread struct{ t *testing.T }

func (u unread) Read([]byte) (int, error) {
	u.t.Error("the body was read before the token, or the length, was looked at")
	return 0, io.EOF
}

// TestFactorsAgain sends what was good once again.
func TestFactorsAgain(t *testing.T) {
	s := newSender(t)
	body := s.report(.01, 0)
	s.tell(s.phone, "", body).is(http.StatusAccepted)
	s.tell(s.phone, "", body).isProblem(409, "out-of-order")
	s.tell(s.phone, "", s.report(.01, time.Minute)).isProblem(409, "out-of-order")
	s.clock.advance(time.Second)
	s.tell(s.phone, "", s.report(1, 0)).isProblem(422, "too-fast") // 110 km in a second
	if s.missed() != 0 {
		t.Errorf("%d failed attempts, want none: fast trains are no crime", s.missed())
	}
	code := `{"code":"` + s.code() + `"}`
	s.tell(s.phone, "", code).is(http.StatusAccepted)
	s.tell(s.phone, "", code).isProblem(409, "used-code")

	// Four more wrong ones, and none is looked at for a while. The first was
	// the one used again.
	for range totp.Misses - 1 {
		s.tell(s.phone, "", `{"code":"`+s.wrong()+`"}`).isProblem(422, "wrong-code")
	}
	s.clock.advance(totp.Period)
	a := s.tell(s.phone, "", `{"code":"`+s.code()+`"}`)
	a.isProblem(429, "too-many-codes")
	if got := a.Header.Get("Retry-After"); got != "900" {
		t.Errorf("Retry-After %q, want the 15 minutes of the wait", got)
	}
	s.clock.advance(totp.Wait)
	s.tell(s.phone, "", `{"code":"`+s.code()+`"}`).is(http.StatusAccepted)

	// Bo has no codes and no phone.
	_, bos := s.source(house.Phone, s.bo)
	s.tell(bos, "", `{"code":"123456"}`).isProblem(404, "no-codes")
}

// TestFactorFromTheOtherSide has phones report from right opposite home, where
// every way leads home: far away, and then too fast.
func TestFactorFromTheOtherSide(t *testing.T) {
	s := newSender(t)
	opposite := fmt.Sprintf(`{"lat":-10.123456,"lon":-159.345679,"accuracy":10,"time":"%s"}`,
		s.clock.now().Format(time.RFC3339))
	var receipt evidence.Receipt
	s.tell(s.phone, "", opposite).is(http.StatusAccepted).into(&receipt)
	if receipt.Counts {
		t.Error("somebody came home at the other side of the Earth")
	}
	s.clock.advance(time.Minute)
	s.tell(s.phone, "", s.report(0, 0)).isProblem(422, "too-fast")
}

// TestFactorsTooOften bounds each source by itself.
func TestFactorsTooOften(t *testing.T) {
	s := newSender(t)
	for range sentAtOnce {
		s.tell(s.phone, "", `{}`).isProblem(400, "bad-message")
	}
	a := s.tell(s.phone, "", `{"code":"`+s.code()+`"}`)
	a.isProblem(429, "too-often")
	if got := a.Header.Get("Retry-After"); got != "2" {
		t.Errorf("Retry-After %q, want 2", got)
	}
	s.tell(s.reader, "", `{"token":"brass-4411"}`).is(http.StatusAccepted)
	// Wrong tokens keep nobody out, however many.
	for range 3 * sentAtOnce {
		s.tell("X", "", `{}`).isProblem(401, "wrong-token")
	}
	s.clock.advance(sentEvery)
	s.tell(s.phone, "", `{"code":"`+s.code()+`"}`).is(http.StatusAccepted)
}

// TestFactorsWithoutHome has no place to arrive at.
func TestFactorsWithoutHome(t *testing.T) {
	s := newSender(t)
	if err := s.archive.SetAdviceRules(t.Context(), house.DefaultAdviceRules()); err != nil {
		t.Fatal(err)
	}
	s.tell(s.phone, "", s.report(0, 0)).isProblem(409, "no-home")
}

// A failing inbox has a failure of the store.
type failing struct {
	Inbox
	err error
}

func (f failing) Message(context.Context, house.Source, string, []byte) (evidence.Receipt, error) {
	return evidence.Receipt{}, f.err
}

// TestFactorsFail has the store fail, and then the server stop.
func TestFactorsFail(t *testing.T) {
	s := newSender(t)
	for name, test := range map[string]struct {
		err    error
		status int
		kind   string
	}{
		"the disk is full": {fmt.Errorf("keeping: %w", house.ErrNoSpace), 507, "no-space"},
		"anything":         {errors.New("the disk gives no answer"), 500, "internal"},
		"removed":          {fmt.Errorf("source: %w", house.ErrNotFound), 404, "not-found"},
	} {
		t.Run(name, func(t *testing.T) {
			s.within(t)
			s.Factors = failing{err: test.err}
			s.tell(s.phone, "", `{"code":"123456"}`).isProblem(test.status, test.kind)
		})
	}
	if err := s.Drain(t.Context()); err != nil {
		t.Fatal(err)
	}
	s.tell(s.phone, "", `{"code":"123456"}`).isProblem(503, "stopping")
}

// TestErasedPersonTellsNothing erases a person through the web, and their
// phone, their token and their codes with them.
func TestErasedPersonTellsNothing(t *testing.T) {
	s := newSender(t)
	s.tell(s.phone, "", s.report(0, 0)).is(http.StatusAccepted)
	s.tell(s.reader, "", `{"token":"brass-4411"}`).is(http.StatusAccepted)
	s.over(s.post("/people/"+s.ada+"/erase", url.Values{"visits": {"false"}}, s.in), s.in)
	s.tell(s.phone, "", `{"code":"`+s.code()+`"}`).isProblem(401, "wrong-token")
	s.tell(s.reader, "", `{"token":"brass-4411"}`).isProblem(404, "unknown-token")
	if f := s.counting(); len(f) > 0 {
		t.Errorf("factors of somebody erased: %+v", f)
	}
	sources, err := s.archive.Sources(t.Context())
	if err != nil || len(sources) != 1 || sources[0].ID != s.readID {
		t.Errorf("sources %+v, %v, want the reader", sources, err)
	}
	if with, err := s.archive.OneTimePersons(t.Context()); err != nil || len(with) > 0 {
		t.Errorf("one-time codes of %v, %v", with, err)
	}
	s.tell(s.reader, "", `{"token":"copper-9023"}`).is(http.StatusAccepted)
}

// checkFactors checks the endpoint of sources against the document.
func (h *household) checkFactors(check func(method, pattern, query string, status int, options ...option)) {
	h.t.Helper()
	const factors = "/api/v1/factors"
	person := h.enrolled("Tilda Moss").ID
	_, phone, err := h.archive.AddSource(h.t.Context(), house.Phone, person, "a phone")
	if err != nil {
		h.t.Fatal(err)
	}
	_, reader, err := h.archive.AddSource(h.t.Context(), house.Reader, "", "a reader")
	if err != nil {
		h.t.Fatal(err)
	}
	if _, err := h.archive.AddToken(h.t.Context(), person, "pewter"); err != nil {
		h.t.Fatal(err)
	}
	asPhone, asReader := header("Authorization", "Bearer "+phone), header("Authorization", "Bearer "+reader)
	check("POST", factors, "", 202, asReader, sends(`{"token":"pewter"}`))
	check("POST", factors, "?about="+person, 202, asReader, sends(`{"token":"pewter"}`))
	check("POST", factors, "?about=x", 400, asReader, sends(`{"token":"pewter"}`))
	check("POST", factors, "", 400, asPhone, sends(`{}`))
	check("POST", factors, "", 401, sends(`{}`))
	check("POST", factors, "", 403, asPhone, sends(`{"token":"pewter"}`))
	check("POST", factors, "", 404, asPhone, sends(`{"code":"123456"}`))
	check("POST", factors, "", 404, asReader, sends(`{"token":"lead"}`))
	check("POST", factors, "", 413, asReader, sends(strings.Repeat(" ", evidence.LargestMessage+1)))
	rules, err := h.archive.AdviceRules(h.t.Context())
	if err != nil {
		h.t.Fatal(err)
	}
	rules.Home = &house.Home{Latitude: 1, Longitude: 2, Radius: 50}
	if err := h.archive.SetAdviceRules(h.t.Context(), rules); err != nil {
		h.t.Fatal(err)
	}
	report := fmt.Sprintf(`{"lat":1,"lon":2,"accuracy":3,"time":"%s"}`, h.clock.now().Format(time.RFC3339))
	check("POST", factors, "", 202, asPhone, sends(report))
	check("POST", factors, "", 409, asPhone, sends(report))
	check("POST", factors, "", 422, asPhone, sends(strings.Replace(report, `lat":1,`, `lat":91,`, 1)))
	for range sentAtOnce {
		h.ask("POST", factors, strings.NewReader("{}"), asPhone)
	}
	check("POST", factors, "", 429, asPhone, sends(`{}`))
}
