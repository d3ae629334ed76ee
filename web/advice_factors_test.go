package web

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/advice/evidence"
	"lintel/pipeline/advice/policy"
	"lintel/pipeline/advice/totp"
)

// TestCodeGiven has a visitor's code typed.
func TestCodeGiven(t *testing.T) {
	for _, by := range []string{"resident", "tablet"} {
		t.Run(by, func(t *testing.T) {
			h := newAdviceHouse(t)
			who := map[string]option{"resident": h.resident, "tablet": h.tablet}[by]
			give := func(code string) *answer {
				body, _ := json.Marshal(map[string]string{"person": h.ada, "code": code})
				return h.ask("POST", "/api/v1/visits/"+h.visit+"/code", strings.NewReader(string(body)), who)
			}
			h.get("/visits/"+h.visit, who).says("One-time code of Ada Quill").says("Nothing is suggested at the front door").
				says("A suggestion is no proof of who stands there")
			give("12345").isProblem(422, "bad-code")
			right := h.code()
			wrong := string(right[:5]) + string('0'+(right[5]-'0'+5)%10)
			give(wrong).isProblem(422, "wrong-code")
			if misses, err := h.archive.MissesSince(t.Context(), h.clock.now().Add(-time.Hour)); err != nil ||
				len(misses) != 1 {
				t.Errorf("a wrong code counts once, not %v, %v", misses, err)
			}
			var v visitJSON
			give(right[:3] + " " + right[3:]).is(200).into(&v) // as apps show it
			if v.ID != h.visit {
				t.Errorf("answered with %+v", v)
			}
			give(right).isProblem(422, "used-code")
			if given := h.factors(); !slices.Equal(given, []string{"code of Ada by a " + by}) {
				t.Errorf("given: %q", given)
			}
			for range totp.Misses {
				give(wrong)
			}
			h.clock.advance(30 * time.Second)
			give(h.code()).isProblem(429, "too-many-codes")
		})
	}
}

// TestCodeOnPage is the same without scripts.
func TestCodeOnPage(t *testing.T) {
	h := newAdviceHouse(t)
	fields := url.Values{"person": {h.ada}, "code": {"000"}}
	h.post("/visits/"+h.visit+"/code", fields, h.tablet, browser).is(422).says("A code has 6 digits.").
		says("One-time code of Ada Quill")
	fields.Set("code", h.code())
	h.post("/visits/"+h.visit+"/code", fields, h.tablet, browser).is(303)
	h.post("/visits/"+h.visit+"/agree", url.Values{"person": {h.ada}}, h.resident, browser).is(303)
	if given := h.factors(); !slices.Equal(given, []string{"code of Ada by a tablet",
		"resident of Ada by a resident"}) &&
		!slices.Equal(given, []string{"resident of Ada by a resident", "code of Ada by a tablet"}) {
		t.Errorf("given: %q", given)
	}
}

// TestAgree has a resident look, and a guest at the tablet try.
func TestAgree(t *testing.T) {
	h := newAdviceHouse(t)
	address := "/api/v1/visits/" + h.visit + "/agree"
	word := fmt.Sprintf(`{"person":%q}`, h.ada)
	h.get("/", h.resident).says("I looked: it is Ada Quill")
	h.get("/", h.tablet).says("One-time code of Ada Quill").says("I looked") // which takes a resident's PIN
	h.allow(house.TabletRules{May: house.MayLook})
	if page := string(h.get("/", h.tablet).body); strings.Contains(page, "I looked") {
		t.Error("a tablet that may look may agree")
	}
	h.allow(house.TabletRules{May: house.MayAnswer})
	h.ask("POST", address, strings.NewReader(word), h.tablet).isProblem(403, "residents-only")
	h.post("/visits/"+h.visit+"/agree", url.Values{"person": {h.ada}}, h.tablet, browser).is(403)
	if given := h.factors(); len(given) > 0 {
		t.Fatalf("a tablet gave %q", given)
	}
	h.ask("POST", address, strings.NewReader(word), h.resident).is(200)
	if given := h.factors(); !slices.Equal(given, []string{"resident of Ada by a resident"}) {
		t.Errorf("given: %q", given)
	}
}

// TestFactorsRefused has factors given that can't count.
func TestFactorsRefused(t *testing.T) {
	h := newAdviceHouse(t)
	ben := h.enrolled("Ben Orrin").ID
	stranger := h.knownRings("R2")
	give := func(how, visit, person string) *answer {
		body := map[string]string{"person": person}
		if how == "code" {
			body["code"] = h.code()
		}
		text, _ := json.Marshal(body)
		return h.ask("POST", "/api/v1/visits/"+visit+"/"+how, strings.NewReader(string(text)), h.resident)
	}
	for _, how := range []string{"agree", "code"} {
		give(how, "NOSUCHVISIT", h.ada).isProblem(404, "not-found")
		give(how, h.visit, ben).isProblem(422, "not-seen")
		give(how, h.visit, "").isProblem(422, "not-seen")
		give(how, stranger, h.ada).isProblem(422, "not-seen")
		h.ask("POST", "/api/v1/visits/"+h.visit+"/"+how, strings.NewReader(`{"person":1}`), h.resident).
			isProblem(400, "bad-body")
	}
	both := h.knownRings("R3", h.ada, ben)
	give("code", both, ben).isProblem(422, "no-codes")
	h.clock.advance(policy.MaxAge)
	for _, how := range []string{"agree", "code"} {
		give(how, h.visit, h.ada).isProblem(409, "too-late")
	}
	if page := string(h.get("/visits/"+h.visit, h.resident).
		says("Nothing is suggested").body); strings.Contains(page, "One-time code") {
		t.Error("a code is asked for that can't count any more")
	}
	if given := h.factors(); len(given) > 0 {
		t.Errorf("given: %q", given)
	}
}

// TestHangingUp has somebody guess codes and hang up before the answer: each
// guess counts all the same.
func TestHangingUp(t *testing.T) {
	h := newAdviceHouse(t)
	inbox := &hangingInbox{Inbox: h.Factors}
	h.Factors = inbox
	body := fmt.Sprintf(`{"person":%q,"code":"123456"}`, h.ada)
	h.ask("POST", "/api/v1/visits/"+h.visit+"/code", strings.NewReader(body), h.tablet, func(r *http.Request) {
		ctx, cancel := context.WithCancel(r.Context())
		inbox.hangUp = cancel
		*r = *r.WithContext(ctx)
	})
	if misses, err := h.archive.MissesSince(t.Context(), h.clock.now().Add(-time.Hour)); err != nil || len(misses) != 1 {
		t.Errorf("counted: %v, %v", misses, err)
	}
}

// A hangingInbox's visitors hang up as soon as they gave a code.
type hangingInbox struct {
	Inbox
	hangUp func()
}

func (d *hangingInbox) Code(ctx context.Context, person, code, source string) error {
	d.hangUp()
	return d.Inbox.Code(ctx, person, code, source)
}

// TestUncounted has a wrong code that could not be counted: nobody is told that
// it was wrong, or they would have a guess for nothing.
func TestUncounted(t *testing.T) {
	broken := errors.New("the disk broke")
	for _, err := range []error{fmt.Errorf("%v, and: %w", totp.ErrWrong, broken), broken} {
		if p, ok := problemOf(err); ok {
			t.Errorf("%v is answered with %+v", err, p)
		}
	}
	if _, ok := problemOf(fmt.Errorf("using a one-time code: %w", totp.ErrWrong)); !ok {
		t.Error("a wrong code that was counted has no words")
	}
	if _, ok := problemOf(fmt.Errorf("%w within 15 minutes", evidence.ErrGuesses)); !ok {
		t.Error("too many guesses have no words")
	}
}

// refusing is an inbox that takes no code.
type refusing struct {
	Inbox
	err error
}

func (d refusing) Code(context.Context, string, string, string) error { return d.err }
