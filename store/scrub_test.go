package store

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"testing"
)

// shapes are databases whose pages are of every kind: with and without row
// ids, with indices, overflow pages, free pages, free blocks and fragments.
// Nothing is zeroed in them, so that there are leftovers.
func shapes(t testing.TB) (files []string) {
	rnd := rand.New(rand.NewPCG(4, 5)) // any seed will do
	for _, size := range []int{512, 4096, 65536} {
		for _, longest := range []int{8, 200, 5000} {
			file := filepath.Join(t.TempDir(), "shape.db")
			db, err := sql.Open("sqlite", file)
			if err != nil {
				t.Fatal(err)
			}
			defer db.Close()
			db.SetMaxOpenConns(1)
			run := func(statement string, args ...any) {
				t.Helper()
				if _, err := db.ExecContext(context.Background(), statement, args...); err != nil {
					t.Fatalf("%s: %v", statement, err)
				}
			}
			run(fmt.Sprintf(`PRAGMA page_size = %d`, size))
			run(`PRAGMA secure_delete = OFF`)
			run(`CREATE TABLE byRow (id INTEGER PRIMARY KEY, body BLOB, key TEXT)`)
			run(`CREATE INDEX keys ON byRow (key)`)
			run(`CREATE TABLE byKey (key TEXT, body BLOB, PRIMARY KEY (key)) WITHOUT ROWID`)
			run(`CREATE TABLE empty (x)`)
			run(`BEGIN`)
			body := func() []byte { return bytes.Repeat([]byte{0xaa}, rnd.IntN(longest)) }
			for i := range 250 {
				key := fmt.Sprintf("%x", rnd.Uint64())
				run(`INSERT OR IGNORE INTO byRow VALUES (?, ?, ?)`, rnd.Int64()>>(i%60), body(), key)
				run(`INSERT INTO byKey VALUES (?, ?)`, key, body())
			}
			run(`COMMIT`)
			run(`BEGIN`)
			run(`DELETE FROM byRow WHERE id % 3 = 0`)
			run(`DELETE FROM byKey WHERE key > 'c' OR key < '3'`)
			for range 120 {
				run(`UPDATE byRow SET body = ? WHERE rowid = (SELECT rowid FROM byRow ORDER BY key LIMIT 1 OFFSET ?)`, body(),
					rnd.IntN(100))
			}
			run(`COMMIT`)
			files = append(files, file)
		}
	}
	return files
}

// TestUnused checks which bytes of a page are unused against SQLite itself.
//
// Outside: SQLite's virtual table dbstat (sqlite.org/dbstat.html) counts the
// unused bytes of every page in its own way; and after all that is unused was
// overwritten, integrity_check finds nothing and every row is as it was.
func TestUnused(t *testing.T) {
	kinds := make(map[string]int)
	for _, file := range shapes(t) {
		data, err := os.ReadFile(file)
		must(t, err)
		db, err := sql.Open("sqlite", file)
		must(t, err)
		defer db.Close()
		for _, p := range pagesIn(t, db) {
			kinds[p.kind]++
			p.wipe(t, data[p.offset:][:p.size])
		}
		wiped := filepath.Join(t.TempDir(), "wiped.db")
		must(t, os.WriteFile(wiped, data, 0o600))
		again, err := sql.Open("sqlite", wiped)
		must(t, err)
		defer again.Close()
		if rowsOf(t, again) != rowsOf(t, db) {
			t.Error("rows changed with the unused parts of their pages")
		}
		var verdict string
		if err := again.QueryRowContext(t.Context(), `PRAGMA integrity_check`).Scan(&verdict); err != nil ||
			verdict != "ok" {
			t.Errorf("integrity_check: %q, %v", verdict, err)
		}
	}
	for _, kind := range []string{"leaf", "internal", "overflow"} {
		if kinds[kind] < 20 {
			t.Errorf("%d pages of kind %s, too few to say anything", kinds[kind], kind)
		}
	}
}

// A pageStat is what SQLite says of a page.
type pageStat struct {
	page, unused, offset, size int
	kind                       string
}

func pagesIn(t *testing.T, db *sql.DB) []pageStat {
	t.Helper()
	rows, err := db.QueryContext(t.Context(), `SELECT pageno, unused, pgoffset, pgsize, pagetype FROM dbstat`)
	all, err := scanAll(rows, err, func(s *pageStat) error {
		return rows.Scan(&s.page, &s.unused, &s.offset, &s.size, &s.kind)
	})
	if err != nil || len(all) < 5 {
		t.Fatalf("%d pages, %v", len(all), err)
	}
	return all
}

// wipe overwrites what is unused of a page, and compares how much that was.
func (s pageStat) wipe(t *testing.T, page []byte) {
	t.Helper()
	spans := unused(page, s.page == 1)
	if s.kind == "overflow" {
		if spans != nil {
			t.Errorf("an overflow page has unused parts %v", spans)
		}
		return
	}
	header := 0
	if s.page == 1 {
		header = 100
	}
	// dbstat counts the headers of free blocks and the fragments too.
	got := int(page[header+7]) + 4*(len(spans)-1)
	for _, u := range spans {
		got += u.until - u.from
		for i := range page[u.from:u.until] {
			page[u.from+i] = 0x55
		}
	}
	if (got-s.unused)%65536 != 0 { // dbstat takes the 0 that stands for 65536 in an empty page for 0
		t.Errorf("page %d, a %s of %d bytes: %d unused, SQLite counts %d", s.page, s.kind, s.size, got, s.unused)
	}
}

// rowsOf returns all that is in a database of shapes.
func rowsOf(t *testing.T, db *sql.DB) (all string) {
	t.Helper()
	err := db.QueryRowContext(t.Context(), `
		SELECT (SELECT group_concat(id || hex(body) || key) FROM (SELECT * FROM byRow ORDER BY id))
			|| (SELECT group_concat(key || hex(body)) FROM (SELECT * FROM byKey ORDER BY key))`).Scan(&all)
	if err != nil || len(all) < 1000 {
		t.Fatalf("%d characters, %v", len(all), err)
	}
	return all
}

// leftovers counts what VerifyErased and Verify count.
func leftovers(t *testing.T, a *Archive) (pages int, log int64) {
	t.Helper()
	v := verification{Archive: a}
	must(t, v.countLeftovers(t.Context()))
	return v.Leftovers, v.Log
}

func setDue(t *testing.T, a *Archive) {
	t.Helper()
	if _, err := a.write.ExecContext(t.Context(), `UPDATE counters SET value = 1 WHERE name = 'scrub_due'`); err != nil {
		t.Fatal(err)
	}
}

// fillPages fills that many pages and more, with rows put in here and there,
// so that SQLite moves others, which leaves copies.
func fillPages(t *testing.T, a *Archive, pages int) {
	t.Helper()
	_, err := a.write.ExecContext(t.Context(), `
		WITH RECURSIVE n (i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < ?)
		INSERT INTO erasures (what, id, at) SELECT 'still', printf('%06d%.500c', i * 7919 % 104729, 'A'), 0
			FROM n`, 7*pages)
	if err != nil {
		t.Fatal(err)
	}
}

// Writers get in between the transactions of Scrub: several commit while it
// works, at least one for every few of its own.
func TestScrubLetsWritersIn(t *testing.T) {
	a, _ := newArchive(t)
	fillPages(t, a, 6*pagesAtOnce)
	setDue(t, a)
	before, _ := leftovers(t, a)
	if before < pagesAtOnce {
		t.Fatalf("%d pages with leftovers, too few", before)
	}
	var commits atomic.Int64
	var writing sync.WaitGroup
	ctx, stop := context.WithCancel(t.Context())
	started := make(chan struct{}, 4)
	for range cap(started) {
		writing.Go(func() {
			for first := true; ctx.Err() == nil; first = false {
				if err := a.Note(context.WithoutCancel(ctx), "looked", "visit X"); err != nil {
					t.Error(err)
					return
				}
				commits.Add(1)
				if first {
					started <- struct{}{}
				}
			}
		})
	}
	for range cap(started) {
		<-started
	}
	seen := commits.Load()
	err := a.wipePages(t.Context())
	during := commits.Load() - seen
	stop()
	writing.Wait()
	if err != nil {
		t.Fatal(err)
	}
	if during < 4 {
		t.Errorf("%d writers got in while 6 batches of pages were wiped", during)
	}
	checkSound(t, a)
	must(t, a.Scrub(t.Context()))
	if after, log := leftovers(t, a); after > 0 || log > 1<<15 { // the last commit says that it is done
		t.Errorf("left %d pages and a log of %d bytes", after, log)
	}
}

// Whatever breaks off a Scrub leaves it due, and what is deleted while it works
// makes it due again.
func TestScrubStaysDue(t *testing.T) {
	a, _ := newArchive(t)
	due := func(want bool) {
		t.Helper()
		if got, err := a.scrubDue(t.Context()); err != nil || got != want {
			t.Errorf("due %v, want %v; %v", got, want, err)
		}
	}
	due(false)
	setDue(t, a)
	canceled, cancel := context.WithCancel(t.Context())
	cancel()
	if err := a.Scrub(canceled); err == nil {
		t.Error("scrubbed without time for it")
	}
	due(true)

	// A reader of an old state keeps the log from being emptied.
	tx, err := a.read.BeginTx(t.Context(), &sql.TxOptions{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	var n int
	must(t, tx.QueryRowContext(t.Context(), `SELECT count(*) FROM visits`).Scan(&n))
	ctx, stop := context.WithCancel(t.Context())
	scrubbed := make(chan error)
	go func() { scrubbed <- a.Scrub(ctx) }()
	for working := false; !working; { // until it is being scrubbed
		if err := a.read.QueryRowContext(t.Context(), `SELECT value > 1 FROM counters
			WHERE name = 'scrub_due'`).Scan(&working); err != nil {
			t.Fatal(err)
		}
	}
	due(true)
	setDue(t, a) // something is deleted
	tx.Rollback()
	if err := <-scrubbed; err != nil {
		t.Error(err)
	}
	stop()
	due(true)
	must(t, a.Scrub(t.Context()))
	due(false)
}

// Free pages hold nothing, and are found if they do.
func TestFreePagesAreEmpty(t *testing.T) {
	a, _ := newArchive(t)
	fillPages(t, a, 300)
	if _, err := a.write.ExecContext(t.Context(), `DELETE FROM erasures`); err != nil {
		t.Fatal(err)
	}
	var free int
	if err := a.read.QueryRowContext(t.Context(), `PRAGMA freelist_count`).Scan(&free); err != nil || free < 100 {
		t.Fatalf("%d free pages, %v", free, err)
	}
	v := verification{Archive: a}
	if dirty, err := v.freeLeftovers(t.Context()); err != nil || dirty != 0 {
		t.Errorf("%d free pages hold something, %v", dirty, err)
	}
	// The list of free pages begins at byte 32 of the file, the pages it names
	// at byte 8 of each page of the list (sqlite.org/fileformat2.html, 1.5).
	page := func(number uint32) (data []byte) {
		t.Helper()
		if err := a.read.QueryRowContext(t.Context(), `SELECT data FROM sqlite_dbpage WHERE pgno = ?`,
			number).Scan(&data); err != nil {
			t.Fatal(err)
		}
		return data
	}
	leaf := binary.BigEndian.Uint32(page(binary.BigEndian.Uint32(page(1)[32:]))[8:])
	for _, test := range []struct {
		last byte
		want int
	}{{1, 1}, {0, 0}} {
		data := make([]byte, len(page(1)))
		data[len(data)-1] = test.last
		if _, err := a.write.ExecContext(t.Context(), `UPDATE sqlite_dbpage SET data = ? WHERE pgno = ?`, data,
			leaf); err != nil {
			t.Fatal(err)
		}
		if dirty, err := v.freeLeftovers(t.Context()); err != nil || dirty != test.want {
			t.Errorf("%d free pages hold something, want %d; %v", dirty, test.want, err)
		}
	}
}
