package web

import (
	"flag"
	"fmt"
	"path"
	"regexp"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"lintel/pipeline/advice/evidence"
	"lintel/pipeline/intake"
	"lintel/store"
	"lintel/store/seal"
)

var scaleArchive = flag.String("scale-archive", "", "the folder of an archive that BenchmarkScale of package "+
	"store made with the same flag, for BenchmarkPages")

// BenchmarkPages asks for each main page, and the visitor book in all ways: what a server
// takes for each, from the request to the last byte, and the bytes of the page and of its
// sheets and scripts. It says them as rows of the table in MEASUREMENTS.md.
func BenchmarkPages(b *testing.B) {
	h, newest := newGrown(b)
	in := h.session(h.resident(fmt.Sprint("Odile ", time.Now().UnixNano())))
	for _, page := range h.grownPages(newest) {
		b.Run(page.name, func(b *testing.B) {
			var took []time.Duration
			var body []byte
			body = h.get(page.address, in).is(200).body // the first makes what is kept for all
			cpu := cpuTime(b)
			for b.Loop() {
				began := time.Now()
				body = h.get(page.address, in).is(200).body
				took = append(took, time.Since(began))
			}
			slices.Sort(took)
			at := func(q float64) float64 { return float64(took[int(q*float64(len(took)-1))].Microseconds()) / 1000 }
			each := float64((cpuTime(b) - cpu).Microseconds()) / 1000 / float64(len(took))
			b.ReportMetric(each, "cpu-ms")
			b.ReportMetric(at(0.5), "p50-ms")
			b.ReportMetric(at(0.95), "p95-ms")
			b.ReportMetric(float64(len(body)), "bytes")
			b.Logf("| %s | %.1f kB | %.1f kB | %.1f | %.1f | %.1f |", page.name, float64(len(body))/1000,
				float64(h.besides(body, in))/1000, each, at(0.5), at(0.95))
		})
	}
}

// newGrown is a house whose archive is that of -scale-archive, at the time of its newest
// visit.
func newGrown(b *testing.B) (h *household, newest time.Time) {
	b.Helper()
	if *scaleArchive == "" {
		b.Skip("SKIPPED: no -scale-archive")
	}
	key, err := seal.ReadKey(*scaleArchive + ".key")
	if err != nil {
		b.Fatal(err)
	}
	c := new(clock)
	c.micros.Store(time.Now().UnixMicro())
	big, err := store.Open(b.Context(), *scaleArchive, key, c.now)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { big.Close() })
	if newest, err = big.Newest(b.Context()); err != nil {
		b.Fatal(err)
	}
	c.micros.Store(newest.UnixMicro())
	h = newHouseIn(b, b.TempDir(), c, c.now, func(config *Config) {
		config.Archive, config.Intake, config.Factors = big, intake.New(big, c.now, plenty), evidence.NewInbox(big, c.now)
	})
	h.archive = big
	return h, newest
}

// A grownPage is a page that is measured.
type grownPage struct{ name, address string }

func (h *household) grownPages(newest time.Time) []grownPage {
	h.t.Helper()
	persons, err := h.archive.Persons(h.t.Context())
	if err != nil {
		h.t.Fatal(err)
	}
	visits, err := h.archive.LatestVisits(h.t.Context(), 1)
	if err != nil {
		h.t.Fatal(err)
	}
	day, year := newest.AddDate(0, -4, -3).Format(time.DateOnly), newest.AddDate(-1, 0, 0).Format("2006")
	person, name := persons[0].ID, strings.ToLower(persons[1].Name[:3])
	return []grownPage{
		{"Now", "/"},
		{"Book", "/visits"},
		{"Book, of a person", "/visits?person=" + person},
		{"Book, by a name", "/visits?name=" + name},
		{"Book, of a bell", "/visits?bell=gate"},
		{"Book, of a kind", "/visits?kind=stranger"},
		{"Book, with a sign of a picture", "/visits?picture=true"},
		{"Book, held", "/visits?held=true"},
		{"Book, a period", "/visits?from=" + newest.AddDate(-3, 0, 0).Format(time.DateOnly) + "&until=" + day},
		{"Book, all of these", "/visits?person=" + person + "&bell=gate&kind=person&picture=true"},
		{"Book, a day", "/visits?day=" + day},
		{"Book, a year", "/visits?year=" + year},
		{"Book, a person's year", "/visits?year=" + year + "&person=" + person},
		{"A visit", "/visits/" + visits[0].ID},
		{"People", "/people"},
		{"A person", "/people/" + person},
		{"Check matches", "/checks"},
		{"Rules: keeping", "/rules/keeping"},
		{"Rules: privacy", "/rules/privacy"},
		{"Rules: letting in", "/rules/advice"},
		{"Rules: house", "/rules/house"},
		{"Upkeep", "/upkeep"},
		{"Start", "/start"},
	}
}

var (
	assetOf  = regexp.MustCompile(`(?:<link rel="stylesheet" href|<script[^>]* src)="(/assets/[^"]+)"`)
	moduleOf = regexp.MustCompile(`(?m)^import .*"\./([^"]+)";`)
)

// besides is how many bytes the sheets and scripts of a page have, with what these import.
func (h *household) besides(page []byte, in option) (bytes int) {
	h.t.Helper()
	var all []string
	for _, m := range assetOf.FindAllSubmatch(page, -1) {
		all = append(all, string(m[1]))
	}
	if len(all) == 0 {
		h.t.Error("the page has no sheet")
	}
	for i := 0; i < len(all); i++ {
		body := h.get(all[i], in).is(200).body
		bytes += len(body)
		for _, m := range moduleOf.FindAllSubmatch(body, -1) {
			if module := path.Join("/assets", string(m[1])); !slices.Contains(all, module) {
				all = append(all, module)
			}
		}
	}
	return bytes
}

// cpuTime is what the process has taken of the processors, which other work beside it
// changes little.
func cpuTime(b *testing.B) time.Duration {
	var used syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &used); err != nil {
		b.Fatal(err)
	}
	return time.Duration(used.Utime.Nano() + used.Stime.Nano())
}
