package web

import (
	"bytes"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"html"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	app "github.com/pquerna/otp/totp"

	"lintel/internal/house"
	"lintel/pipeline/advice/message"
	"lintel/pipeline/advice/totp"
)

// found returns what a pattern's group matches on a page, as a reader sees it.
func (a *answer) found(pattern string) string {
	a.t.Helper()
	m := regexp.MustCompile(pattern).FindSubmatch(a.body)
	if m == nil {
		a.t.Fatalf("the page lacks %q:\n%s", pattern, a.body)
	}
	return html.UnescapeString(string(m[1]))
}

var tokenShown = `class="code small token">([A-Z2-7]{26})<`

// TestPhones adds a phone on its person's page, and uses what is shown there.
func TestPhones(t *testing.T) {
	s := newSender(t)
	page := s.post("/people/"+s.bo+"/phones", url.Values{"name": {"  The <green> phone "}}, s.in).is(200).
		says("The &lt;green&gt; phone was added").says("can be lent, stolen")
	checkMarkup(t, string(page.body))
	token := s.household.secret(page.found(tokenShown))
	curl := page.found(`<code>(curl [^<]*lat[^<]*)</code>`)
	body := curl[strings.Index(curl, "-d '")+4 : len(curl)-1]
	if !strings.HasPrefix(curl, "curl http://example.com/api/v1/factors -H 'Authorization: Bearer "+token+"'") {
		t.Errorf("the example is %s", curl)
	}
	s.tell(token, "", body).is(http.StatusAccepted) // what is shown is right
	page.says("ends in factors/" + s.bo + ".").says("reached without TLS")
	if again := s.get("/people/"+s.bo, s.in).is(200).
		says("The &lt;green&gt; phone"); bytes.Contains(again.body, []byte(token)) {
		t.Error("the token is shown again")
	}
	if other := s.get("/people/"+s.ada, s.in).is(200); bytes.Contains(other.body, []byte("green")) {
		t.Error("the phone is on another's page")
	}

	remove := page.found(`action="(/people/[A-Z2-7]+/phones/[A-Z2-7]+/remove)"`)
	// Under another's name, or as a reader, it stays.
	s.post(strings.Replace(remove, s.bo, s.ada, 1), nil, s.in).is(http.StatusSeeOther)
	s.post("/upkeep/readers/"+strings.Split(remove, "/")[4]+"/remove", nil, s.in).is(http.StatusSeeOther)
	s.tell(token, "", `{"token":"x"}`).isProblem(403, "not-theirs")
	s.post(remove, nil, s.in).is(http.StatusSeeOther)
	s.tell(token, "", body).isProblem(401, "wrong-token")
	s.post(remove, nil, s.in).is(http.StatusSeeOther) // gone is what was wanted
	s.get("/people/"+s.bo, s.in).is(200)

	for _, bad := range []string{"", "   ", strings.Repeat("x", nameLength+1), "a\nb", "\xff", "a\u202eb"} {
		says := "A name has 1 to 60 characters. Nothing was added."
		if strings.Trim(bad, "ab") == "\n" || strings.Trim(bad, "ab") == "\u202e" {
			says = "Type it anew, without pasting it. Nothing was added."
		}
		s.post("/people/"+s.ada+"/phones", url.Values{"name": {bad}}, s.in).is(http.StatusUnprocessableEntity).says(says)
		s.post("/people/"+s.ada+"/tokens", url.Values{"name": {bad}}, s.in).is(http.StatusUnprocessableEntity).
			says("Nothing was added.")
		s.post("/upkeep/readers", url.Values{"name": {bad}}, s.in).is(http.StatusUnprocessableEntity).
			says("Nothing was added.")
		s.post("/upkeep/receivers", url.Values{"name": {bad}}, s.in).is(http.StatusUnprocessableEntity).
			says("Nothing was added.")
	}
	for _, path := range []string{"/phones", "/phones/X/remove", "/tokens", "/tokens/X/remove", "/codes", "/codes/end"} {
		s.post("/people/NOBODY"+path, url.Values{"name": {"x"}}, s.in).isProblem(404, "not-found")
	}
}

// A phone where no home is known says so on its person's page.
func TestPhoneWithoutHome(t *testing.T) {
	s := newSender(t)
	const says = "Lintel does not know where home is"
	if page := s.get("/people/"+s.ada, s.in).is(200); bytes.Contains(page.body, []byte(says)) {
		t.Error("home is known")
	}
	if err := s.archive.SetAdviceRules(t.Context(), house.DefaultAdviceRules()); err != nil {
		t.Fatal(err)
	}
	s.get("/people/"+s.ada, s.in).is(200).says(says)
	if page := s.get("/people/"+s.bo, s.in).is(200); bytes.Contains(page.body, []byte(says)) {
		t.Error("somebody without a phone is told")
	}
}

func TestTokens(t *testing.T) {
	s := newSender(t)
	s.post("/people/"+s.ada+"/tokens", url.Values{"name": {"zinc & tin"}}, s.in).is(http.StatusSeeOther)
	page := s.get("/people/"+s.ada, s.in).is(200).says("zinc &amp; tin").says("can be lent, found or copied")
	checkMarkup(t, string(page.body))
	s.tell(s.reader, "?about="+s.ada, `{"token":"zinc & tin"}`).is(http.StatusAccepted)
	s.post("/people/"+s.bo+"/tokens", url.Values{"name": {"zinc & tin"}}, s.in).is(http.StatusConflict).
		says("Somebody has this fob already")

	remove := page.found(`>zinc &amp; tin</span> <form method="post" action="([^"]+)"`)
	s.post(strings.Replace(remove, s.ada, s.bo, 1), nil, s.in).is(http.StatusSeeOther)
	s.tell(s.reader, "", `{"token":"zinc & tin"}`).is(http.StatusAccepted)
	s.post(remove, nil, s.in).is(http.StatusSeeOther)
	s.tell(s.reader, "", `{"token":"zinc & tin"}`).isProblem(404, "unknown-token")
	s.post(remove, nil, s.in).is(http.StatusSeeOther)
}

// TestCodes gives out one-time codes, which package totp makes as an app does,
// replaces them and ends them.
func TestCodes(t *testing.T) {
	s := newSender(t)
	_, phone := s.source(house.Phone, s.bo)
	given := func() (page *answer, secret totp.Secret) {
		t.Helper()
		page = s.post("/people/"+s.bo+"/codes", nil, s.in).is(200).says("told to a friend works for the friend")
		checkMarkup(t, string(page.body))
		secret, err := totp.Parse(page.found(`<p class="code small">([A-Z2-7 ]+)</p>`))
		if err != nil {
			t.Fatal(err)
		}
		s.household.secret(secret.Text())
		return page, secret
	}
	says := func(secret totp.Secret) *answer {
		t.Helper()
		code, err := app.GenerateCode(secret.Text(), s.clock.now())
		if err != nil {
			t.Fatal(err)
		}
		return s.tell(phone, "", `{"code":"`+code+`"}`)
	}
	s.get("/people/"+s.bo, s.in).is(200).says("Bo Tansy has none.").says("Give out codes")
	page, first := given()
	if path := page.found(`<svg class="qr"[^>]*><path d="([^"]+)"`); len(path) < 1000 {
		t.Errorf("the QR code is drawn by %s", path)
	}
	says(first).is(http.StatusAccepted)
	if again := s.get("/people/"+s.bo, s.in).is(200).says("Bo Tansy has them."); bytes.Contains(again.body,
		[]byte(`class="qr"`)) || bytes.Contains(again.body, []byte(inGroups(first.Text()))) {
		t.Error("the secret is shown again")
	}

	_, second := given()
	s.clock.advance(totp.Period)
	says(first).isProblem(422, "wrong-code")
	says(second).is(http.StatusAccepted)
	s.post("/people/"+s.bo+"/codes/end", nil, s.in).is(http.StatusSeeOther)
	says(second).isProblem(404, "no-codes")
	s.post("/people/"+s.bo+"/codes/end", nil, s.in).is(http.StatusSeeOther)
	s.get("/people/"+s.bo, s.in).is(200).says("Bo Tansy has none.")
}

func TestAppName(t *testing.T) {
	for name, want := range map[string]string{
		"Ada Quill":                   "Ada Quill",
		"Ada: Quill":                  "Ada  Quill",
		strings.Repeat("a", 101):      strings.Repeat("a", 100),
		"a" + strings.Repeat("ü", 80): "a" + strings.Repeat("ü", 49), // 99 bytes: the next would end at 101
	} {
		if got := appName(name); got != want {
			t.Errorf("%q is called %q, want %q", name, got, want)
		}
	}
}

// TestReaders adds a reader on Upkeep, and uses what is shown there.
func TestReaders(t *testing.T) {
	s := newSender(t)
	page := s.post("/upkeep/readers", url.Values{"name": {"The mat"}}, s.in).is(200).says("The mat was added")
	checkMarkup(t, string(page.body))
	token := s.household.secret(page.found(tokenShown))
	if curl := page.found(`<code>(curl [^<]*)</code>`); !strings.HasSuffix(curl, `-d '{"token": "LABEL"}'`) {
		t.Errorf("the example is %s", curl)
	}
	key := s.household.secret(page.found(`class="code small token">([0-9a-f]{64})<`))
	reader, err := s.archive.SourceOf(t.Context(), token)
	if err != nil {
		t.Fatal(err)
	}
	s.tell(token, "", `{"token": "brass-4411"}`).is(http.StatusAccepted)
	s.get("/upkeep/sources", s.in).is(200).says("It has a key and does not sign, so what it tells counts half.")
	signed := signedByReader(t, key, reader.ID, "brass-4411", 1)
	s.tell(token, "", signed).is(http.StatusAccepted)
	s.tell(token, "", signed).isProblem(409, "replayed")
	s.tell(token, "", signedByReader(t, strings.Repeat("00", 32), reader.ID, "brass-4411", 2)).isProblem(403, "forged")
	s.tell(token, "", `{"token": "brass-4411"}`).isProblem(403, "unsigned")
	s.get("/upkeep/sources", s.in).is(200).says("It signs what it tells, last Sunday 4 May, 18:30.").
		says("Refused Sunday 4 May, 18:30: this reader signs what it tells, and this is not signed.")
	keyed := s.post("/upkeep/readers/"+reader.ID+"/key", nil, s.in).is(200).says("The mat has a new key.")
	checkMarkup(t, string(keyed.body))
	next := s.household.secret(keyed.found(`class="code small token">([0-9a-f]{64})<`))
	s.tell(token, "", signedByReader(t, next, reader.ID, "brass-4411", 1)).is(http.StatusAccepted)
	s.post("/upkeep/readers/"+s.phoneID+"/key", nil, s.in).is(404)
	again := s.get("/upkeep/sources", s.in).is(200).says("The mat").says("last heard Sunday 4 May, 18:30")
	if bytes.Contains(again.body, []byte(token)) || bytes.Contains(again.body, []byte(next)) {
		t.Error("the token or the key is shown again")
	}
	if phones := strings.Contains(string(again.body), s.phoneID); phones {
		t.Error("a phone is among the readers")
	}
	for _, source := range []string{s.phoneID, "NOSUCHSOURCE"} { // a phone is removed on its person's page
		s.post("/upkeep/readers/"+source+"/remove", nil, s.in).is(http.StatusSeeOther)
	}
	s.tell(s.phone, "", `{"token":"x"}`).isProblem(403, "not-theirs")
	s.post(again.found(`action="(/upkeep/readers/`+reader.ID+`/remove)"`), nil, s.in).
		is(http.StatusSeeOther)
	s.tell(token, "", `{"token": "brass-4411"}`).isProblem(401, "wrong-token")
}

// signedByReader is a message of a reader, signed with its key in hexadecimal as
// docs/sources.md says.
//
// Outside: HMAC-SHA-256 of Go's standard library (RFC 2104).
func signedByReader(t *testing.T, key, reader, label string, counter int) string {
	t.Helper()
	raw, err := hex.DecodeString(key)
	if err != nil {
		t.Fatal(err)
	}
	mac := hmac.New(sha256.New, raw)
	fmt.Fprintf(mac, "lintel-reader-1\n%s\n%s\ncounter %d\n", reader, label, counter)
	return fmt.Sprintf(`{"token":%q,"counter":%d,"mac":"%x"}`, label, counter, mac.Sum(nil))
}

// TestReceivers adds a receiver on Upkeep. What is shown is what messages to it
// are signed with, and what it may listen by.
func TestReceivers(t *testing.T) {
	s := newSender(t)
	s.get("/upkeep/sources", s.in).is(200).says("There is no door yet")
	door := s.door("The <garden> gate")
	s.post("/upkeep/receivers", url.Values{"name": {"The box"}, "door": {"NOSUCHDOOR"}}, s.in).
		is(http.StatusUnprocessableEntity).says("Choose the door")
	page := s.post("/upkeep/receivers", url.Values{"name": {"The box"}, "door": {door}}, s.in).is(200).
		says("The box was added at The &lt;garden&gt; gate").says("Lintel never moves a lock").
		says("free at all times, without power").says("fire codes").says("licensed locksmith").
		says("docs/receiver/receiver.py")
	checkMarkup(t, string(page.body))
	receivers, err := s.archive.Receivers(t.Context())
	if err != nil || len(receivers) != 1 {
		t.Fatalf("%v, %v", receivers, err)
	}
	r := receivers[0]
	key, token := page.found(`(lintel-receiver-key-1 [A-Za-z0-9+/=&#;]+)<`),
		page.found(`class="code small token">([A-Z2-7]{26})<`)
	if key != message.Key(r.Key).Text() {
		t.Errorf("the key shown is another: %v", err)
	}
	s.household.secret(key)
	if ok, err := s.archive.CheckReceiver(t.Context(), r.ID, s.household.secret(token)); !ok || err != nil {
		t.Errorf("the token shown is another: %v", err)
	}
	page.says("<dd class=\"code small\">" + r.ID + "</dd>").says("<dd class=\"code small\">" + door + "</dd>")
	again := s.get("/upkeep/sources", s.in).is(200).says("The box")
	if bytes.Contains(again.body, []byte(token)) || bytes.Contains(again.body, []byte("lintel-receiver-key")) {
		t.Error("the key or the token is shown again")
	}
	remove := again.found(`action="(/upkeep/receivers/[A-Z2-7]{26}/remove)"`)
	s.post(remove, nil, s.in).is(http.StatusSeeOther)
	s.post(remove, nil, s.in).is(http.StatusSeeOther)
	if ok, err := s.archive.CheckReceiver(t.Context(), r.ID, token); ok || err != nil {
		t.Errorf("the token is still good: %v", err)
	}
}

// TestPhoneWeek has a phone's day shown on its person's page.
func TestPhoneWeek(t *testing.T) {
	s := newSender(t)
	if page := s.get("/people/"+s.ada, s.in).is(200); bytes.Contains(page.body, []byte("phone-week")) {
		t.Error("a week of a phone that told nothing")
	}
	for range 3 {
		s.tell(s.phone, "", s.report(.02, 0)).is(http.StatusAccepted)
		s.clock.advance(4 * time.Minute)
	}
	s.tell(s.phone, "", s.report(0, 0)).is(http.StatusAccepted)
	s.tell(s.phone, "", s.report(0, 0)).isProblem(409, "out-of-order")
	page := s.get("/people/"+s.ada, s.in).is(200).
		says("inside 1, outside 3, undecided 0, refused 1").says("about every 4 minutes").
		says("Arrivals this week, with a circle of 100 m round home: 1.").says("about half of all times").
		says(`<i class="refused" title="18:42 refused. This report is not later`)
	checkMarkup(t, string(page.body))
}
