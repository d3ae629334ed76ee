package web

import (
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
)

// TestMadeUpWayHome is whoever has a phone's token and nothing else, and makes up
// a way home by what the phone's clock is said to have shown. Before, that took 35
// seconds: three reports dated three minutes apart, and one from home. Now it
// takes the ten minutes that the shortest way takes that counts.
func TestMadeUpWayHome(t *testing.T) {
	for name, lies := range map[string]func(at func(ago time.Duration, rest string) string) []string{
		"dated minutes apart": func(at func(time.Duration, string) string) []string {
			return []string{at(110*time.Second, place(.02)), at(80*time.Second, place(.02)),
				at(50*time.Second, place(.02)), at(0, place(0))}
		},
		"a list of an hour": func(at func(time.Duration, string) string) []string {
			var all []string
			for m := 60; m > 0; m-- {
				all = append(all, at(time.Duration(m)*time.Minute, place(.0005*float64(m))))
			}
			return []string{"[" + strings.Join(append(all, at(0, place(0))), ",") + "]", at(-time.Second, place(0))}
		},
		"left an hour ago, it says": func(at func(time.Duration, string) string) []string {
			return []string{at(time.Hour, `"crossing":"left"`), at(0, `"crossing":"entered"`)}
		},
		"left and entered in one": func(at func(time.Duration, string) string) []string {
			return []string{"[" + at(time.Hour, `"crossing":"left"`) + "," + at(30*time.Minute, place(.02)) + "," +
				at(20*time.Minute, place(.02)) + "," + at(0, `"crossing":"entered",`+place(0)) + "]"}
		},
		"the clock is ahead": func(at func(time.Duration, string) string) []string {
			return []string{at(10*time.Minute, place(.02)), at(5*time.Minute, place(.02)), at(-2*time.Minute, place(0))}
		},
	} {
		t.Run(name, func(t *testing.T) {
			s := newSender(t)
			s.within(t)
			at := func(ago time.Duration, rest string) string {
				return fmt.Sprintf(`{%s,"time":%d}`, rest, s.clock.now().Add(-ago).UnixMilli())
			}
			s.tell(s.phone, "", at(2*time.Hour, place(0))) // the last that its owner's phone said
			begin := s.clock.now()
			for s.clock.now().Sub(begin) < 9*time.Minute {
				for _, text := range lies(at) {
					s.tell(s.phone, "", text)
					s.clock.advance(9 * time.Second)
				}
				for _, f := range s.counting() {
					if !f.Weak() {
						t.Fatalf("after %v this counts: %+v", s.clock.now().Sub(begin), f)
					}
				}
			}
		})
	}

	// What remains: as long as the real thing, and it is one.
	s := newSender(t)
	post := func(rest string) (counts bool) {
		t.Helper()
		a := s.tell(s.phone, "", fmt.Sprintf(`{%s,"time":%d}`, rest, s.clock.now().Unix())).is(http.StatusAccepted)
		var receipt struct {
			Kind   house.FactorKind
			Counts bool
		}
		if err := json.Unmarshal(a.body, &receipt); err != nil || receipt.Kind != house.FactorArrival {
			t.Errorf("%s, %v", a.body, err)
		}
		return receipt.Counts
	}
	post(`"crossing":"left"`)
	s.clock.advance(10 * time.Minute)
	if !post(`"crossing":"entered"`) {
		t.Error("what the threats say remains does not; say so there")
	}
}

// place is one so many degrees north of home.
func place(north float64) string {
	return fmt.Sprintf(`"lat":%.6f,"lon":20.654321,"accuracy":10`, 10.123456+north)
}

// TestArrivalAfterSilence is whoever has the token of a phone that was silent for more
// than two days, switched off in a drawer perhaps: with nothing of the owner's to be
// measured against, the first arrival is weak, however well it was made up.
func TestArrivalAfterSilence(t *testing.T) {
	s := newSender(t)
	post := func(rest string) {
		t.Helper()
		s.tell(s.phone, "", fmt.Sprintf(`{%s,"time":%d}`, rest, s.clock.now().Unix())).is(http.StatusAccepted)
	}
	post(place(0))
	s.clock.advance(49 * time.Hour)
	for m := 40; m > 0; m -= 2 {
		post(place(.0005 * float64(m)))
		s.clock.advance(2 * time.Minute)
	}
	post(`"crossing":"entered",` + place(0))
	s.clock.advance(2 * time.Minute)
	if all := s.counting(); len(all) == 0 {
		t.Error("no arrival: the way home is none")
	} else if f := all[len(all)-1]; !f.Weak() {
		t.Errorf("after 49 hours this counts: %+v", f)
	}
}
