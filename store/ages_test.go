package store

import (
	"database/sql"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"testing"
	"time"

	"lintel/internal/house"
)

// TestCountsAsAnew lives a random life, in which visits come, are held, swept and erased
// and the clock and the zone change, and compares what is counted as they do with
// counting what there is.
func TestCountsAsAnew(t *testing.T) {
	for seed := range uint64(3) {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			rnd := rand.New(rand.NewPCG(seed, 32))
			a, c := newArchive(t)
			ctx := t.Context()
			p, err := a.AddPerson(ctx, "Tamsin Quill")
			must(t, err)
			must(t, a.SetRules(ctx, someRules(rnd)))
			for i := range 120 {
				does := aStep(t, a, c, rnd, i, p.ID)
				compareCounts(t, a, c, rnd)
				if t.Failed() {
					t.Fatalf("after step %d: %s", i, does)
				}
			}
			usage, err := a.Usage(ctx)
			if err != nil || usage.Visits < 10 || usage.Stills < 5 {
				t.Errorf("%+v, %v: too little is left to tell", usage, err)
			}
		})
	}
}

func someRules(rnd *rand.Rand) house.Rules {
	rules := house.DefaultRules()
	rules.Zone = []string{"Europe/Berlin", "Pacific/Kiritimati", "Pacific/Pago_Pago", "UTC"}[rnd.IntN(4)]
	for _, kind := range house.Kinds {
		stills := 1 + rnd.IntN(20)
		rules.Keep[kind] = house.Rule{Stills: house.Period{Days: stills}, Findings: house.Period{Days: stills + rnd.IntN(60)}}
	}
	return rules
}

// aStep does something to an archive.
func aStep(t *testing.T, a *Archive, c *clock, rnd *rand.Rand, i int, person string) (does string) {
	t.Helper()
	ctx := t.Context()
	all, err := a.LatestVisits(ctx, 1000)
	must(t, err)
	switch n := rnd.IntN(100); {
	case n < 55 || len(all) == 0:
		does = "rings"
		ringSomehow(t, a, c, rnd, fmt.Sprint("r", i), []string{"gate"}, []string{person, person})
		c.Advance(time.Duration(rnd.IntN(30)) * time.Hour)
	case n < 62:
		does = "brings an old still in"
		old := stillOf(fmt.Sprint("old", i), 0)
		old.ReceivedAt, old.Imported = c.Now().AddDate(0, 0, -rnd.IntN(30)), true
		_, _, err = a.Keep(ctx, old)
	case n < 68:
		does = "erases"
		err = a.EraseVisit(ctx, all[rnd.IntN(len(all))].ID)
	case n < 72:
		does = "erases a period"
		_, err = a.ErasePeriod(ctx, c.Now().AddDate(0, 0, -3), c.Now().AddDate(0, 0, -2))
	case n < 78:
		does = "holds"
		err = a.PlaceHold(ctx, all[rnd.IntN(len(all))].ID, "A claim", c.Now().AddDate(0, 0, 1+rnd.IntN(20)))
	case n < 84:
		does = "says that a parcel came"
		err = a.SetParcel(ctx, all[rnd.IntN(len(all))].ID, rnd.IntN(2) == 0)
	case n < 88:
		does = "changes the rules"
		err = a.SetRules(ctx, someRules(rnd))
	case n < 91:
		does = "sets the clock back"
		c.Advance(-time.Duration(rnd.IntN(80)) * time.Hour)
	default:
		does = "sweeps"
		c.Advance(time.Duration(rnd.IntN(10*24)) * time.Hour)
		_, err = a.Sweep(ctx, noShrinker)
		if waits := (house.WaitingSweep{}); errors.As(err, &waits) {
			err = nil
		}
	}
	if err != nil && !errors.Is(err, house.ErrNotFound) && !errors.Is(err, house.ErrHeld) {
		t.Fatalf("%s: %v", does, err)
	}
	return does
}

// compareCounts compares with counting each visit and still.
func compareCounts(t *testing.T, a *Archive, c *clock, rnd *rand.Rand) {
	t.Helper()
	ctx := t.Context()
	var wrong int
	must(t, a.read.QueryRowContext(ctx, `WITH due AS (`+aged+`), there AS (SELECT * FROM ages),
		held AS (`+stillsHeld+`), kept AS (SELECT name, value FROM counters WHERE name IN ('stills', 'still_bytes'))
		SELECT (SELECT count(*) FROM (SELECT * FROM (`+namedOn+`) EXCEPT SELECT person, visits FROM named))
			+ (SELECT count(*) FROM (SELECT person, visits FROM named EXCEPT SELECT * FROM (`+namedOn+`)))
			+ (SELECT count(*) FROM (SELECT * FROM due EXCEPT SELECT * FROM there))
			+ (SELECT count(*) FROM (SELECT * FROM there EXCEPT SELECT * FROM due))
			+ (SELECT count(*) FROM (SELECT * FROM held EXCEPT SELECT * FROM kept))`).Scan(&wrong))
	if wrong > 0 {
		t.Errorf("%d counts are wrong", wrong)
	}
	rules := someRules(rnd)
	got, err := a.Preview(ctx, rules)
	must(t, err)
	if want := previewOneByOne(t, a, rules); !maps.Equal(got, want) {
		t.Errorf("preview %+v, one by one %+v", got, want)
	}
	for range 5 {
		from := c.Now().Add(-time.Duration(rnd.IntN(60*24)) * time.Hour)
		until := from.Add(time.Duration(rnd.IntN(50*24*60)+1) * time.Minute)
		would, err := a.WouldErasePeriod(ctx, from, until)
		must(t, err)
		var visits int
		must(t, a.read.QueryRowContext(ctx, `SELECT count(*) FROM visits WHERE received_at >= ? AND received_at < ?`,
			micros(from), micros(until)).Scan(&visits))
		if would.Visits+would.Held != visits {
			t.Errorf("%s to %s: %+v, of %d visits", from, until, would, visits)
		}
	}
}

// previewOneByOne is what rules would do, each visit asked for.
func previewOneByOne(t *testing.T, a *Archive, rules house.Rules) map[house.Kind]house.Swept {
	t.Helper()
	p := make(map[house.Kind]house.Swept)
	taken := make(map[string]bool)
	must(t, a.update(t.Context(), func(tx *sql.Tx) error {
		for _, s := range stepsOf(rules) {
			ids, _, err := a.due(t.Context(), tx, s, start, 100_000)
			if err != nil {
				return err
			}
			kind := p[s.kind]
			for _, id := range ids {
				if taken[id] {
					continue
				}
				taken[id] = true
				switch s.to {
				case gone:
					kind.Visits++
				case house.OnlyFindings:
					kind.Findings++
				case house.Smaller:
					kind.Smaller++
				}
			}
			p[s.kind] = kind
		}
		return nil
	}))
	return p
}
