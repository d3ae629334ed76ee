package web

import (
	"bytes"
	"fmt"
	"io/fs"
	"net/http"
	"net/url"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"lintel/internal/house"
)

const password = "eleven green umbrellas"

// account is what somebody types who makes an account.
func account(token, name, password string) url.Values {
	return url.Values{"token": {token}, "name": {name}, "password": {password}, "again": {password}}
}

// settledHouse is one with the resident Odile, who has the password.
func settledHouse(t *testing.T) (h *household, token string) {
	t.Helper()
	h = newHouse(t)
	h.secret(password)
	link, needed, err := h.SetUpToken(t.Context())
	if err != nil || !needed {
		t.Fatalf("no set-up link: %v", err)
	}
	a := h.post("/set-up", account(h.secret(link), h.secret("Odile"), password)).is(http.StatusSeeOther)
	return h, h.secret(a.cookie().Value)
}

// pairingCode makes a pairing code as the resident with that session does.
func (h *household) pairingCode(token string) string {
	h.t.Helper()
	a := h.post("/upkeep/pairing-code", nil, h.session(token)).is(http.StatusOK)
	shown := regexp.MustCompile(`id="pairing-code">([0-9]{4}) ([0-9]{4})<`).FindSubmatch(a.body)
	if shown == nil {
		h.t.Fatalf("no code of eight digits:\n%s", a.body)
	}
	h.secret(fmt.Sprintf("%s %s", shown[1], shown[2]))
	return h.secret(fmt.Sprintf("%s%s", shown[1], shown[2]))
}

func (h *household) invitation(token string, options ...option) (link *url.URL) {
	h.t.Helper()
	a := h.post("/upkeep/invitation", nil, append(options, h.session(token))...).is(http.StatusOK)
	shown := regexp.MustCompile(`id="invitation">([^<]+)<`).FindSubmatch(a.body)
	if shown == nil {
		h.t.Fatalf("no link:\n%s", a.body)
	}
	link, err := url.Parse(string(shown[1]))
	if err != nil {
		h.t.Fatal(err)
	}
	h.secret(link.Query().Get("token"))
	return link
}

func (h *household) residents(want ...string) {
	h.t.Helper()
	residents, err := h.archive.Residents(h.t.Context())
	if err != nil {
		h.t.Fatal(err)
	}
	var got []string
	for _, r := range residents {
		got = append(got, r.Name)
	}
	if fmt.Sprint(got) != fmt.Sprint(want) {
		h.t.Errorf("residents %q, want %q", got, want)
	}
}

func TestSetUp(t *testing.T) {
	h := newHouse(t)
	h.secret(password)
	link, needed, err := h.SetUpToken(t.Context())
	if err != nil || !needed || h.secret(link) == "" {
		t.Fatalf("link %q, needed %t, error %v", link, needed, err)
	}
	another, _, err := h.SetUpToken(t.Context()) // as printed elsewhere
	if err != nil || h.secret(another) == link {
		t.Fatalf("the same link twice: %v", err)
	}
	h.get("/set-up?token=" + link).is(http.StatusOK).says(link)
	h.get("/set-up?token=" + link).is(http.StatusOK) // looking at it does not use it up
	h.get("/join?token="+link, browser).is(http.StatusGone)
	h.post("/join", account(link, "Odile", password)).isProblem(410, "stale-link")
	h.residents()

	a := h.post("/set-up", account(link, "  Odile ", password)).is(http.StatusSeeOther)
	token := h.secret(a.cookie().Value)
	if to := a.Header.Get("Location"); to != "/" {
		t.Errorf("leads to %q", to)
	}
	h.get("/", h.session(token)).is(http.StatusOK)
	h.residents("Odile")

	h.post("/set-up", account(link, "Mallory", password)).isProblem(410, "stale-link")
	h.get("/set-up?token="+link, browser).is(http.StatusGone).says("used, or is too old")
	h.post("/set-up", account(another, "Mallory", password)).isProblem(410, "stale-link")
	h.residents("Odile")
	if _, needed, err := h.SetUpToken(t.Context()); err != nil || needed {
		t.Errorf("a set-up link is needed still: %v", err)
	}
}

func TestSetUpLinkGrowsOld(t *testing.T) {
	h := newHouse(t)
	link, _, err := h.SetUpToken(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	h.clock.advance(setUpLasts - time.Second)
	h.get("/set-up?token=" + link).is(http.StatusOK)
	h.clock.advance(time.Second)
	h.get("/set-up?token="+link, browser).is(http.StatusGone)
	h.post("/set-up", account(link, "Odile", password)).isProblem(410, "stale-link")
	h.residents()
}

// TestSetUpTwiceAtOnce has two browsers open the same link and send their
// forms at the same time.
func TestSetUpTwiceAtOnce(t *testing.T) {
	h := newHouse(t)
	link, _, err := h.SetUpToken(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	var statuses [2]int
	var both sync.WaitGroup
	for i := range statuses {
		both.Go(func() {
			statuses[i] = h.post("/set-up", account(link, fmt.Sprint("Odile", i), password)).StatusCode
		})
	}
	both.Wait()
	if statuses[0]+statuses[1] != http.StatusSeeOther+http.StatusGone {
		t.Errorf("statuses %v, want one %d and one %d", statuses, http.StatusSeeOther, http.StatusGone)
	}
	residents, err := h.archive.Residents(t.Context())
	if err != nil || len(residents) != 1 {
		t.Errorf("%d residents (%v)", len(residents), err)
	}
}

// TestComplaints has accounts that can't be made. NIST SP 800-63B, 3.1.1.2:
// at least 8 characters (Lintel wants 10), 64 and more have to be taken, and
// no rules about kinds of characters.
func TestComplaints(t *testing.T) {
	h := newHouse(t)
	link := h.setUpLink()
	tests := []struct {
		what                  string
		name, password, again string
		says                  string
	}{
		{"no name", "", password, password, "A name has 1 to 60 characters."},
		{"spaces only", "  \t ", password, password, "A name has 1 to 60 characters."},
		{"a name of 61", strings.Repeat("ó", 61), password, password, "A name has 1 to 60 characters."},
		{"no password", "Odile", "", "", "at least 10 characters"},
		{"9 characters", "Odile", "umbrellas", "umbrellas", "at least 10 characters"},
		{"9 characters of 2 bytes", "Odile", strings.Repeat("ó", 9), strings.Repeat("ó", 9), "at least 10 characters"},
		{"257 bytes", "Odile", strings.Repeat("u", 257), strings.Repeat("u", 257), "at most 256 bytes"},
		{"not the same", "Odile", password, password + "s", "not the same"},
		{"not typed again", "Odile", password, "", "not the same"},
	}
	for _, test := range tests {
		t.Run(test.what, func(t *testing.T) {
			h.within(t)
			fields := url.Values{"token": {link}, "name": {test.name}, "password": {test.password}, "again": {test.again}}
			a := h.post("/set-up", fields).is(http.StatusUnprocessableEntity).says(test.says)
			if test.password != "" && bytes.Contains(a.body, []byte(test.password)) {
				t.Error("the page shows the password")
			}
			if len(a.Cookies()) > 0 {
				t.Error("a cookie is set")
			}
		})
	}
	h.residents()
	for _, fine := range []string{"ten chars!", strings.Repeat("umbrella stand ", 17), "grün über Öl, naß"} {
		if got := complaint("Odile", fine, fine); got != nil {
			t.Errorf("%q: %v", fine, got)
		}
	}
	if !h.tickets.valid(link, forSetUp) {
		t.Error("the link is lost over a bad password")
	}
}

func TestFormTooLarge(t *testing.T) {
	h := newHouse(t)
	h.post("/sign-in", url.Values{"name": {strings.Repeat("x", maxForm)}}).isProblem(400, "bad-form")
	h.post("/pair", url.Values{"name": {strings.Repeat("x", maxForm)}}).isProblem(400, "bad-form")
	h.post("/set-up", url.Values{"name": {strings.Repeat("x", maxForm)}}).isProblem(400, "bad-form")
}

func TestSignIn(t *testing.T) {
	h, first := settledHouse(t)
	tries := 0
	signIn := func(name, password string, options ...option) *answer {
		t.Helper()
		tries++
		options = append(options, from(fmt.Sprint("192.0.2.", tries))) // so that attempts are not too many
		return h.post("/sign-in", url.Values{"name": {name}, "password": {password}}, options...)
	}
	wrong := signIn("Odile", "twelve green umbrellas").is(http.StatusUnauthorized).says("don’t go together")
	unknown := signIn("Nobody", password).is(http.StatusUnauthorized)
	same := func(a *answer) string {
		return strings.NewReplacer("Odile", "NAME", "Nobody", "NAME").Replace(string(a.body))
	}
	if same(wrong) != same(unknown) {
		t.Errorf("a wrong name is told from a wrong password:\n%s\n%s", wrong.body, unknown.body)
	}
	for _, tries := range [][2]string{{"Odile", ""}, {"", password}, {"", ""}, {"Odile", strings.ToUpper(password)},
		{"Odile", password + " "}, {"Odile", password[:len(password)-1]}, {"Odile", strings.Repeat("x", 1000)}} {
		if a := signIn(tries[0], tries[1]).is(http.StatusUnauthorized); len(a.Cookies()) > 0 {
			t.Errorf("%q: a cookie is set", tries)
		}
	}

	a := signIn(" odile ", password).is(http.StatusSeeOther)
	second := h.secret(a.cookie().Value)
	if second == first {
		t.Error("two sessions have one token")
	}
	h.get("/", h.session(first)).is(http.StatusOK)
	h.get("/", h.session(second)).is(http.StatusOK)

	// Signing in again ends the session that the browser had: a token that
	// somebody planted is of no use.
	third := h.secret(signIn("Odile", password, h.session(second)).is(http.StatusSeeOther).cookie().Value)
	h.get("/", h.session(second)).isProblem(401, "not-signed-in")

	h.post("/sign-out", nil, h.session(third)).is(http.StatusSeeOther)
	h.get("/", h.session(third)).isProblem(401, "not-signed-in")
	h.get("/api/v1/visits", h.session(third)).isProblem(401, "not-signed-in")
	h.get("/", h.session(first)).is(http.StatusOK) // only that one

	h.clock.advance(house.ResidentSession)
	h.get("/", h.session(first)).isProblem(401, "not-signed-in")
}

// TestPasswordIsKeptAsAHash looks at what is on the disk.
func TestPasswordIsKeptAsAHash(t *testing.T) {
	h, token := settledHouse(t)
	code := h.pairingCode(token)
	joining := h.invitation(token).Query().Get("token")
	r, err := h.archive.Resident(t.Context(), "Odile")
	if err != nil {
		t.Fatal(err)
	}
	// The PHC string format (P-H-C/phc-string-format): version, costs, salt
	// and hash, the last two in base64 without padding.
	parts := regexp.MustCompile(`^\$argon2id\$v=19\$m=([0-9]+),t=([0-9]+),p=([0-9]+)\$` +
		`([A-Za-z0-9+/]+)\$([A-Za-z0-9+/]+)$`).FindStringSubmatch(r.PasswordHash)
	if parts == nil {
		t.Fatalf("the hash is %q", r.PasswordHash)
	}
	// RFC 9106, section 4, second recommended option: t=3, p=4, m=2^16 (64
	// MiB), a salt of 128 bits, a tag of 256. OWASP's Password Storage cheat
	// sheet asks for less: m=19 MiB with t=2, p=1.
	for i, least := range []int{64 << 10, 3, 4} {
		if n, err := strconv.Atoi(parts[i+1]); err != nil || n < least {
			t.Errorf("cost %s is less than %d", parts[i+1], least)
		}
	}
	if salt, tag := len(parts[4])*6/8, len(parts[5])*6/8; salt < 16 || tag < 32 {
		t.Errorf("%d bytes of salt, %d of hash", salt, tag)
	}

	found := false
	err = filepath.WalkDir(h.dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b := readFile(t, path)
		found = found || bytes.Contains(b, []byte(r.PasswordHash))
		for what, secret := range map[string]string{"the password": password, "a session's token": token,
			"the bell's secret": h.bell,
			"a pairing code":    code, "an invitation": joining} {
			if bytes.Contains(b, []byte(secret)) {
				t.Errorf("%s holds %s", d.Name(), what)
			}
		}
		return nil
	})
	if err != nil || !found {
		t.Errorf("the hash itself was not found, so the search is worth nothing (%v)", err)
	}

	// The same password has another hash the next time, by its salt.
	again, err := h.hashPassword(t.Context(), password)
	if err != nil || again == r.PasswordHash {
		t.Errorf("the same hash twice (%v)", err)
	}
	if right, err := h.checkPassword(t.Context(), password, again); err != nil || !right {
		t.Errorf("the password does not fit its hash (%v)", err)
	}
}

// TestLogSaysEnough has the log tell what happened without telling who: what
// it may not hold, every test searches for.
func TestLogSaysEnough(t *testing.T) {
	h, token := settledHouse(t)
	h.post("/sign-in", url.Values{"name": {h.secret("Mallory")}, "password": {h.secret("a wrong password")}},
		from("192.0.2.7")).is(401)
	h.post("/pair", url.Values{"name": {h.secret("Cellar")}, "code": {h.secret("00112233")}}, from("192.0.2.7")).is(401)
	h.post("/pair", url.Values{"name": {h.secret("Hall")}, "code": {h.pairingCode(token)}}).is(303)
	h.furnish()
	h.ring("R1", 0, still(t, 1), header("Authorization", "Bearer "+h.secret("NOT-THE-SECRET"))).is(401)
	h.get("/", h.session(token)).is(200)
	log := h.log.String()
	for _, want := range []string{
		`msg="a resident was added"`, `msg="somebody could not sign in" from=192.0.2.7`,
		`msg="a tablet could not be paired" from=192.0.2.7`,
		`msg="a tablet was paired"`, `msg="kept a still" bell=gate`, "damaged=true", "clock_differs=true",
		`msg="refused a bell" bell=gate why=wrong-secret`,
	} {
		if !strings.Contains(log, want) {
			t.Errorf("the log lacks %s", want)
		}
	}
}
