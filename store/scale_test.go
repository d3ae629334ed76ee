package store

import (
	"context"
	"database/sql"
	"errors"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/store/seal"
)

var (
	scale        = flag.Int("scale", 10_000, "how many visits the archive of BenchmarkScale has")
	scaleArchive = flag.String("scale-archive", "", "a folder to make BenchmarkScale's archive in, and to keep it "+
		"there, with its key beside in a file of that name and .key")
)

// scaleFixture returns the archive to measure, closed, and its clock. It is made
// where there is none.
func scaleFixture(tb testing.TB) (dir string, c *clock) {
	tb.Helper()
	c = newClock()
	if dir = *scaleArchive; dir == "" {
		dir = filepath.Join(tb.TempDir(), "archive")
	}
	if Exists(dir) {
		return dir, c
	}
	began := time.Now()
	a, err := Open(tb.Context(), dir, testKey, c.Now)
	if err != nil {
		tb.Fatal(err)
	}
	generate(tb, a, *scale)
	_, err = a.write.ExecContext(tb.Context(), `PRAGMA wal_checkpoint(TRUNCATE)`)
	if err := errors.Join(err, a.Close()); err != nil {
		tb.Fatal(err)
	}
	if *scaleArchive != "" {
		if err := seal.WriteKey(dir+".key", testKey); err != nil {
			tb.Fatal(err)
		}
	}
	tb.Logf("made %d visits in %s", *scale, time.Since(began).Round(time.Second))
	return dir, c
}

// BenchmarkScale measures an archive of -scale visits: how long it takes to
// start, to turn to a page of the visitor book by any filter, and to sweep
// 10,000 visits while a bell sends stills. Run it with -benchtime 1x.
func BenchmarkScale(b *testing.B) {
	dir, c := scaleFixture(b)
	ctx := b.Context()
	if info, err := os.Stat(filepath.Join(dir, "archive.db")); err == nil {
		b.Logf("%d visits, a database of %d MB", *scale, info.Size()>>20)
	}
	b.Run("start", func(b *testing.B) {
		for b.Loop() {
			a, err := Open(ctx, dir, testKey, c.Now)
			if err != nil {
				b.Fatal(err)
			}
			if err := a.Lock(); err != nil {
				b.Fatal(err)
			}
			if _, err := a.Recover(ctx); err != nil {
				b.Fatal(err)
			}
			if _, err := a.PendingStills(ctx, 100); err != nil {
				b.Fatal(err)
			}
			a.Close()
		}
	})
	a, err := Open(ctx, dir, testKey, c.Now)
	if err != nil {
		b.Fatal(err)
	}
	defer a.Close()
	persons, err := a.Persons(ctx)
	if err != nil {
		b.Fatal(err)
	}
	b.Run("book", func(b *testing.B) { benchmarkBook(b, a, c, persons) })
	b.Run("days", func(b *testing.B) { benchmarkDays(b, a, c, persons) })
	b.Run("recount", func(b *testing.B) { // as when the household moves to another zone
		for b.Loop() {
			must(b, a.update(ctx, func(tx *sql.Tx) error {
				sealed, err := sealedRules(ctx, tx)
				if err != nil {
					return err
				}
				return a.recountDays(ctx, tx, sealed, a.beginnings(a.zones.of(a, sealed)))
			}))
		}
	})
	b.Run("preview", func(b *testing.B) {
		for b.Loop() {
			if _, err := a.Preview(ctx, house.DefaultRules()); err != nil {
				b.Fatal(err)
			}
		}
	})
	benchmarkVouching(b, a)
	b.Run("sweep", func(b *testing.B) { benchmarkSweep(b, a, c) })
	b.Run("memory", func(b *testing.B) {
		for b.Loop() {
		}
		runtime.GC()
		b.ReportMetric(float64(peakMemory(b)), "peak-MB")
	})
}

// benchmarkVouching measures what each request asks, and the looks at all rows that
// give power, with and without those that there are of every visit.
func benchmarkVouching(b *testing.B, a *Archive) {
	r, err := a.AddResident(b.Context(), fmt.Sprint("Morgan Vale ", time.Now().UnixNano()), "none") // one more each time
	if err != nil {
		b.Fatal(err)
	}
	token, err := a.SignIn(b.Context(), r, "")
	if err != nil {
		b.Fatal(err)
	}
	for name, ask := range map[string]func() error{
		"session":          func() error { return second(a.Session(b.Context(), token)) },
		"newest visits":    func() error { return second(a.LatestVisits(b.Context(), 30)) },
		"strangers":        func() error { return second(a.Strangers(b.Context(), 100)) },
		"suspicions":       func() error { _, _, err := a.Suspicions(b.Context(), false); return err },
		"suspicions large": func() error { _, _, err := a.Suspicions(b.Context(), true); return err },
	} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				if err := ask(); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// benchmarkBook turns to pages of 30 visits: for each filter the first, and as
// many others at places drawn at random.
func benchmarkBook(b *testing.B, a *Archive, c *clock, persons []house.Person) {
	rnd := rand.New(rand.NewPCG(1, 1))
	began := c.Now().AddDate(-10, 0, 0)
	span := c.Now().Sub(began)
	filters := []Filter{{}, {Held: true}}
	for _, bell := range []string{"", "gate"} {
		for _, kind := range append([]house.Kind{""}, house.Kinds...) {
			for _, named := range [][]string{nil, {persons[0].ID}, {"NOBODY"}, {persons[0].ID, persons[1].ID}} {
				f := Filter{Bell: bell, Kind: kind, Persons: named}
				filters = append(filters, f)
				f.Picture = true
				filters = append(filters, f)
				f.From, f.Until = began.Add(span/3), began.Add(span/2)
				filters = append(filters, f)
			}
		}
	}
	var first, later []time.Duration
	for b.Loop() {
		for _, f := range filters {
			for range 10 {
				first = append(first, timeOfPage(b, a, f, Cursor{}))
				at := Cursor{began.Add(time.Duration(rnd.Int64N(int64(span)))).UnixMicro(), "A", rnd.IntN(2) == 0}
				later = append(later, timeOfPage(b, a, f, at))
			}
		}
	}
	b.ReportMetric(ms(quantile(first, 0.5)), "first-p50-ms")
	b.ReportMetric(ms(quantile(first, 0.95)), "first-p95-ms")
	b.ReportMetric(ms(quantile(later, 0.95)), "later-p95-ms")
	b.ReportMetric(ms(max(quantile(first, 1), quantile(later, 1))), "max-ms")
}

// benchmarkDays counts the visits of a year by day, and lists a day's rings, by filters
// of all kinds.
func benchmarkDays(b *testing.B, a *Archive, c *clock, persons []house.Person) {
	rules, err := a.Rules(b.Context())
	must(b, err)
	zone := rules.Location()
	var year, day []time.Duration
	for b.Loop() {
		for back := 1; back < 10; back++ {
			begins := time.Date(c.Now().Year()-back, 1, 1, 0, 0, 0, 0, zone)
			for _, f := range []Filter{{}, {Bell: "gate"}, {Kind: house.Stranger}, {Picture: true},
				{Persons: []string{persons[0].ID}}, {Persons: []string{persons[0].ID}, Picture: true, Bell: "cellar"}} {
				f.From, f.Until = begins, begins.AddDate(1, 0, 0)
				began := time.Now()
				_, err := a.Days(b.Context(), f, zone)
				must(b, err)
				year = append(year, time.Since(began))
				f.From, f.Until = begins.AddDate(0, 3, 7), begins.AddDate(0, 3, 8)
				began = time.Now()
				_, err = a.Rings(b.Context(), f)
				must(b, err)
				day = append(day, time.Since(began))
			}
		}
	}
	b.ReportMetric(ms(quantile(year, 0.5)), "year-p50-ms")
	b.ReportMetric(ms(quantile(year, 0.95)), "year-p95-ms")
	b.ReportMetric(ms(quantile(day, 0.5)), "day-p50-ms")
	b.ReportMetric(ms(quantile(day, 0.95)), "day-p95-ms")
}

func timeOfPage(b *testing.B, a *Archive, f Filter, at Cursor) time.Duration {
	began := time.Now()
	if _, err := a.Book(b.Context(), f, at, 30); err != nil {
		b.Fatal(err)
	}
	return time.Since(began)
}

// benchmarkSweep lets the oldest 10,000 visits go while a bell sends a still
// of 150 KB every 50 ms, and compares what those take with what they take
// before.
func benchmarkSweep(b *testing.B, a *Archive, c *clock) {
	ctx := b.Context()
	rows, err := a.read.QueryContext(ctx, `SELECT received_at FROM visits ORDER BY received_at LIMIT 10000`)
	oldest, err := scanAll(rows, err, func(at *int64) error { return rows.Scan(at) })
	if err != nil {
		b.Fatal(err)
	}
	// Findings are kept for 3660 days; now is when the last of those goes.
	due := time.UnixMicro(oldest[len(oldest)-1]).AddDate(0, 0, 3660).Add(2 * time.Hour)
	c.Set(due)
	rules, err := a.Rules(ctx)
	if err != nil {
		b.Fatal(err)
	}
	for _, kind := range house.Kinds { // stills stay, so that only visits go
		rules.Keep[kind] = house.Rule{Stills: house.Period{Days: 3660}, Findings: house.Period{Days: 3660}}
	}
	if err := a.SetRules(ctx, rules); err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		before := sendStills(b, a, c, "quiet", func() { <-time.After(5 * time.Second) })
		var took time.Duration
		var swept house.Swept
		during := sendStills(b, a, c, "sweeping", func() {
			began := time.Now()
			if swept, err = a.Sweep(ctx, noShrinker); err != nil {
				b.Error(err)
			}
			took = time.Since(began)
		})
		b.ReportMetric(float64(swept.Visits), "visits")
		b.ReportMetric(took.Seconds(), "sweep-s")
		b.ReportMetric(ms(quantile(before, 0.5)), "intake-before-p50-ms")
		b.ReportMetric(ms(quantile(before, 1)), "intake-before-max-ms")
		b.ReportMetric(ms(quantile(during, 0.5)), "intake-during-p50-ms")
		b.ReportMetric(ms(quantile(during, 1)), "intake-during-max-ms")
	}
}

// sendStills keeps a still every 50 ms while f runs, and returns what each took.
func sendStills(b *testing.B, a *Archive, c *clock, name string, f func()) (took []time.Duration) {
	done := make(chan struct{})
	var sending sync.WaitGroup
	sending.Go(func() {
		next := time.NewTicker(50 * time.Millisecond)
		defer next.Stop()
		for i := 0; ; i++ {
			select {
			case <-done:
				return
			case <-next.C:
			}
			n := stillOf(fmt.Sprintf("%s-%d", name, i), 0)
			n.JPEG, n.ReceivedAt = make([]byte, 150<<10), c.Now()
			began := time.Now()
			if _, _, err := a.Keep(context.Background(), n); err != nil {
				b.Error(err)
			}
			took = append(took, time.Since(began))
		}
	})
	f()
	close(done)
	sending.Wait()
	return took
}

func quantile(all []time.Duration, q float64) time.Duration {
	if len(all) == 0 {
		return 0
	}
	sorted := slices.Sorted(slices.Values(all))
	return sorted[int(q*float64(len(sorted)-1))]
}

func ms(d time.Duration) float64 { return float64(d.Microseconds()) / 1000 }

// peakMemory is the most memory that the process has had, by Linux, in MB; it
// counts what making the archive took, unless it was there.
func peakMemory(b *testing.B) int {
	status, err := os.ReadFile("/proc/self/status")
	if err != nil {
		b.Skip("SKIPPED: no /proc")
	}
	var kb int
	if _, after, ok := strings.Cut(string(status), "VmHWM:"); ok {
		fmt.Sscan(after, &kb)
	}
	return kb >> 10
}
