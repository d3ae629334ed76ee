package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"errors"
	"flag"
	"fmt"
	"image"
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

// A town is what a generated archive is drawn from: three bells, ten years, a
// household of eight and whoever else comes by.
type town struct {
	*rand.Rand
	bells   []string
	persons []string
	began   time.Time
	ends    time.Time
}

// withStills is how many of the oldest visits, and how many of the newest, have
// their stills; of the others the stills are gone and the findings are left.
const withStills = 10_000

// generate fills an archive with visits over ten years, which end now. It
// writes rows as Keep, Record and Sweep leave them, but many in a transaction.
func generate(tb testing.TB, a *Archive, visits int) {
	tb.Helper()
	ctx := tb.Context()
	t := &town{Rand: rand.New(rand.NewPCG(3, 10)), ends: a.now(), began: a.now().AddDate(-10, 0, 0)}
	for _, bell := range []string{"gate", "garden", "cellar"} {
		if _, err := a.AddBell(ctx, bell); err != nil {
			tb.Fatal(err)
		}
		t.bells = append(t.bells, bell)
	}
	for _, name := range []string{"Tamsin Quill", "Odo Fenwright", "Perpetua Inkwell", "Morgan Vale", "Ilse Harrow",
		"Jory Penn", "Wren Alder", "Basil Thorne"} {
		p, err := a.AddPerson(ctx, name)
		if err != nil {
			tb.Fatal(err)
		}
		t.persons = append(t.persons, p.ID)
	}
	rules := house.DefaultRules()
	rules.Zone = "Europe/Berlin"
	for _, kind := range house.Kinds {
		rules.Keep[kind] = house.Rule{Stills: house.Period{Days: 30}, Findings: house.Period{Days: 3660}}
	}
	if err := a.SetRules(ctx, rules); err != nil {
		tb.Fatal(err)
	}
	if _, err := a.write.ExecContext(ctx, `PRAGMA synchronous = OFF`); err != nil { // no one's data yet
		tb.Fatal(err)
	}
	const atOnce = 20_000
	for first := 0; first < visits; first += atOnce {
		err := a.update(ctx, func(tx *sql.Tx) error {
			w, err := newRowWriter(ctx, a, tx)
			if err != nil {
				return err
			}
			for i := first; i < min(first+atOnce, visits); i++ {
				at := t.began.Add(time.Duration(float64(t.ends.Sub(t.began)) * float64(i) / float64(visits)))
				if err := w.visit(t, i, at, i < withStills || i >= visits-withStills); err != nil {
					return err
				}
			}
			_, err = tx.ExecContext(ctx, `UPDATE counters SET value = ? WHERE name = 'revision'`, min(first+atOnce, visits))
			return err
		})
		if err != nil {
			tb.Fatal(err)
		}
	}
	if _, err := a.write.ExecContext(ctx, `PRAGMA synchronous = FULL`); err != nil {
		tb.Fatal(err)
	}
}

// A rowWriter writes the rows of visits.
type rowWriter struct {
	a                                *Archive
	ctx                              context.Context
	tx                               *sql.Tx
	visits, stills, faces, appearing *sql.Stmt
	jpeg                             []byte
}

func newRowWriter(ctx context.Context, a *Archive, tx *sql.Tx) (*rowWriter, error) {
	w := &rowWriter{a: a, ctx: ctx, tx: tx, jpeg: make([]byte, 40<<10)}
	var errs [4]error
	w.visits, errs[0] = tx.PrepareContext(ctx,
		`INSERT INTO visits (id, bell, ring, received_at, revision, kind, parcel, stage, counted_from, picture, slot)
		VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?4, ?9, ?10)`)
	w.stills, errs[1] = tx.PrepareContext(ctx,
		`INSERT INTO stills (id, visit, frame, slot, sent_mac, sha256, size, width, height, damaged,
			received_at, state, attempts, file) VALUES (?, ?, ?, ?, ?, ?, ?, 1280, 1024, ?, ?, ?, 1, ?)`)
	w.faces, errs[2] = tx.PrepareContext(ctx,
		`INSERT INTO faces (id, still, sealed, slot, person, distance, fpir, band) VALUES (?, ?, ?, ?, ?, ?, ?, ?)`)
	w.appearing, errs[3] = tx.PrepareContext(ctx,
		`INSERT INTO appearances (person, bell, kind, received_at, visit, picture) VALUES (?, ?, ?, ?, ?, ?)
			ON CONFLICT DO NOTHING`)
	return w, errors.Join(errs[:]...)
}

func (w *rowWriter) visit(t *town, i int, at time.Time, stills bool) error {
	a, ring := w.a, fmt.Sprintf("ring-%d", i)
	bellName := t.bells[min(t.IntN(6), 2)] // the cellar's rings most
	bell, id := a.bellID(bellName), a.visitID(bellName, ring)
	kind, state, damaged := house.Stranger, house.Done, false
	var faces []house.Face
	switch n := t.IntN(100); {
	case n < 45:
		kind = house.Known
		faces = append(faces, t.face(t.persons[t.IntN(len(t.persons))]))
		if t.IntN(5) == 0 {
			faces = append(faces, t.face(""))
		}
	case n < 80:
		faces = append(faces, t.face(""))
	case n < 86:
		kind = house.Parcel
		faces = append(faces, t.face(""))
	case n < 98:
		kind = house.NoFace
	default:
		kind, state, damaged = house.Damaged, house.Failed, true
	}
	picture := len(faces) > 0 && t.IntN(30) == 0
	if picture {
		faces[0].Liveness = &house.Liveness{Level: house.Doubtful, Probability: 0.6, Frames: 1}
	}
	stage := house.OnlyFindings
	if stills {
		stage = house.Whole
	}
	sealed, slot, err := a.sealRing(w.ctx, w.tx, ring, id)
	if err != nil {
		return err
	}
	if _, err := w.visits.ExecContext(w.ctx, id, bell, sealed, micros(at), i+1, kind, kind == house.Parcel, stage, picture,
		slot); err != nil {
		return err
	}
	for frame := range 1 + t.IntN(2) {
		if err := w.still(t, id, frame, at, stills, state, damaged, faces); err != nil {
			return err
		}
	}
	for _, f := range faces {
		if f.Match == nil {
			continue
		}
		if _, err := w.appearing.ExecContext(w.ctx, f.Match.Person, bell, kind, micros(at), id,
			picture); err != nil {
			return err
		}
	}
	return nil
}

func (w *rowWriter) still(t *town, visit string, frame int, at time.Time, present bool, state house.StillState,
	damaged bool, faces []house.Face) error {
	a, id := w.a, newID()
	var slot sql.NullInt64
	var size int
	var hash [32]byte
	var file sql.NullString
	if present {
		key := seal.NewKey()
		sealed, err := key.Seal(w.jpeg, stillPlace(visit, frame)...)
		if err != nil {
			return err
		}
		if slot.Int64, err = a.putKey(w.ctx, w.tx, key); err != nil {
			return err
		}
		slot.Valid = true
		size, hash, file = len(sealed), sha256.Sum256(sealed), sql.NullString{String: id, Valid: true}
		if err := os.MkdirAll(filepath.Dir(a.stillPath(id)), 0o700); err != nil {
			return err
		}
		if err := os.WriteFile(a.stillPath(id), sealed, 0o600); err != nil {
			return err
		}
	}
	if _, err := w.stills.ExecContext(w.ctx, id, visit, frame, slot, a.seals.Index(id), hash[:], size, damaged, micros(at),
		state, file); err != nil {
		return err
	}
	for _, f := range faces {
		if !present {
			f.Descriptor, f.Landmarks = house.Descriptor{}, nil
		}
		faceID := newID()
		raw, err := encodeFace(f)
		if err != nil {
			return err
		}
		sealed, faceSlot, err := a.sealKeyed(w.ctx, w.tx, raw, facePlace(faceID)...)
		if err != nil {
			return err
		}
		var person, band sql.NullString
		var distance, fpir sql.NullFloat64
		if m := f.Match; m != nil {
			person, band = sql.NullString{String: m.Person, Valid: true}, sql.NullString{String: m.Band, Valid: true}
			distance, fpir = sql.NullFloat64{Float64: m.Distance, Valid: true}, sql.NullFloat64{Float64: m.FPIR, Valid: true}
		}
		if _, err := w.faces.ExecContext(w.ctx, faceID, id, sealed, faceSlot, person, distance, fpir, band); err != nil {
			return err
		}
	}
	return nil
}

func (t *town) face(person string) house.Face {
	x, y := t.IntN(1000), t.IntN(700)
	f := house.Face{Box: image.Rect(x, y, x+140, y+140),
		Landmarks: []house.Point{{X: 10, Y: 20}, {X: 30, Y: 20}, {X: 70, Y: 20}, {X: 90, Y: 20}, {X: 50, Y: 60}}}
	for i := range f.Descriptor {
		f.Descriptor[i] = t.Float32() - 0.5
	}
	if person != "" {
		f.Match = &house.Match{Person: person, Distance: 0.2 + t.Float64()/4, FPIR: 1e-4, Band: "strong"}
	}
	return f
}

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
