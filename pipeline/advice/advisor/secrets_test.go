package advisor

import (
	"fmt"
	"net/netip"
	"testing"
	"testing/synctest"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/advice/policy"
)

var bellsOwn = netip.MustParsePrefix("192.0.2.20/32")

func elsewhere(i int) netip.Prefix {
	return netip.PrefixFrom(netip.AddrFrom4([4]byte{198, 51, byte(i >> 8), byte(i)}), 32)
}

// posed has somebody come with a wrong secret from where the bell came from.
func (h *household) posed(bell string) {
	h.advisor.Heard(bell, bellsOwn)
	h.advisor.Refused(bell, bellsOwn)
}

// TestSecretsFromElsewhere has 3 addresses try secrets all the time: what is suggested
// goes on, the attempts are shown, and a resident clears them.
func TestSecretsFromElsewhere(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t)
		defer h.run(h.archive)()
		h.advisor.Heard("gate", bellsOwn)
		since := h.now()
		for i := range 4 {
			if times := h.advisor.Refused("gate", elsewhere(i%3)); times != i+1 || len(h.advisor.Tried()) > 0 {
				t.Errorf("%d wrong ones: %+v", times, h.advisor.Tried())
			}
		}
		time.Sleep(time.Minute)
		for i := range 1000 {
			h.advisor.Refused("gate", elsewhere(i%3))
		}
		visit := h.ring(h.face())
		h.suggested(visit, h.arrive())
		for _, c := range h.advice(visit, h.front).Conditions {
			if c.Code == policy.Healthy && (c.Reasons[0].Code != "bell-tried" || !c.Reasons[0].At.Equal(since)) {
				t.Errorf("it says %+v", c)
			}
		}
		tried := h.advisor.Tried()
		if len(tried) != 1 || tried[0] != (house.Doubt{Kind: house.DoubtSecret, Bell: "gate", At: h.now(), Since: since,
			Times: 1004, Networks: 3}) {
			t.Errorf("shown: %+v", tried)
		}
		h.must(h.advisor.Forgive(t.Context(), "gate"))
		doubts, err := h.archive.Doubts(t.Context())
		if h.must(err); len(h.advisor.Tried()) > 0 || len(doubts) > 0 {
			t.Errorf("after clearing: %+v, %+v", h.advisor.Tried(), doubts)
		}
	})
}

// TestSecretsAreCleared has a resident clear what came from the bell's own address.
func TestSecretsAreCleared(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t)
		defer h.run(h.archive)()
		h.posed("gate")
		factor := h.arrive()
		visit := h.ring(h.face())
		h.withheld(visit, policy.Healthy)
		h.must(h.advisor.Forgive(t.Context(), "gate"))
		synctest.Wait()
		h.suggested(visit, factor)
	})
}

// Somebody tries the secrets they found, from an address of their own, until one is
// right: the ring that comes with it is of that address.
func TestSecretFoundByTrying(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t)
		defer h.run(h.archive)()
		h.advisor.Refused("gate", elsewhere(7))
		time.Sleep(policy.AfterRefusal - time.Second)
		h.advisor.Heard("gate", elsewhere(7))
		h.arrive()
		visit := h.ring(h.face())
		h.withheld(visit, policy.Healthy)
		time.Sleep(time.Second) // and by then the bell was fixed
		h.suggested(visit, h.arrive())
	})
}

// What withholds outlives a start of the server, also where wrong secrets were written
// down, or cleared, a moment before.
func TestSecretsOutliveStart(t *testing.T) {
	for name, comes := range map[string]func(h *household){
		"tried until one is right": func(h *household) {
			for range runOf {
				h.advisor.Refused("gate", elsewhere(7))
			}
			synctest.Wait()
			h.advisor.Heard("gate", elsewhere(7))
		},
		"cleared, and again": func(h *household) {
			h.posed("gate")
			synctest.Wait()
			h.must(h.advisor.Forgive(h.t.Context(), "gate"))
			time.Sleep(doubtKeptEach / 2)
			h.posed("gate")
		},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				h := newHouse(t)
				stop := h.run(h.archive)
				comes(h)
				synctest.Wait()
				stop()
				defer h.run(h.archive)()
				h.arrive()
				h.withheld(h.ring(h.face()), policy.Healthy)
			})
		})
	}
}

// Four wrong secrets in ten minutes, day after day, are no run, and a run is shown for
// an hour after its last.
func TestSecretsInARow(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newSecrets(time.Now)
		for range 200 {
			s.refuse("gate", elsewhere(1))
			time.Sleep(runWithin / (runOf - 1))
		}
		if got := s.shown(); len(got) > 0 {
			t.Errorf("%+v", got)
		}
		s.refuse("gate", elsewhere(1))
		for range runOf - 1 {
			time.Sleep(time.Minute)
			s.refuse("gate", elsewhere(1))
		}
		time.Sleep(seriesEnds - 1)
		if got := s.shown(); len(got) != 1 {
			t.Errorf("within an hour: %+v", got)
		}
		if time.Sleep(time.Nanosecond); len(s.shown()) > 0 {
			t.Errorf("after an hour: %+v", s.shown())
		}
		if times, _ := s.refuse("gate", elsewhere(1)); times != 1 {
			t.Errorf("a new series begins with %d", times)
		}
	})
}

// Addresses without end take no memory without end, and hide none of the bell's own.
func TestSecretsMemory(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newSecrets(time.Now)
		for i := range 10_000 {
			s.refuse("gate", elsewhere(i))
			s.hear("gate", elsewhere(1<<15+i))
		}
		w := s.wrong["gate"]
		if w.from.Len() != mostNetworks || s.heard["gate"].Len() != mostHeard || len(w.lately) != runOf || len(s.wrong) != 1 {
			t.Errorf("%d, %d, %d", w.from.Len(), s.heard["gate"].Len(), len(w.lately))
		}
		if w.Networks != mostNetworks || w.Times != 10_000 {
			t.Errorf("%+v", w.Doubt)
		}
		s.refuse("gate", bellsOwn)
		if !s.hear("gate", bellsOwn) || s.at("gate").Own.IsZero() {
			t.Error(fmt.Sprint("the bell's own is lost: ", s.at("gate")))
		}
	})
}
