package intake

import (
	"bufio"
	"bytes"
	"context"
	"database/sql"
	"fmt"
	"image"
	"image/jpeg"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"lintel/store"
	"lintel/store/seal"
)

const (
	killSeed  = 20310504 // of the pictures and of the moments
	kills     = 200
	killBells = 2 // each sends one delivery after the other, both at once
)

// receiverVariable names the folder of a test binary that runs as the
// receiver, and nextVariable what each bell sends first.
const (
	receiverVariable = "LINTEL_TEST_RECEIVER"
	nextVariable     = "LINTEL_TEST_NEXT"
)

func TestMain(m *testing.M) {
	if dir := os.Getenv(receiverVariable); dir != "" {
		fmt.Fprintln(os.Stderr, receiveUntilKilled(dir))
		os.Exit(1)
	}
	os.Exit(m.Run())
}

// receiveUntilKilled is what a server does with the archive, and says on
// standard output what it has kept.
func receiveUntilKilled(dir string) error {
	ctx := context.Background()
	bodies, err := readBodies(dir)
	if err != nil {
		return err
	}
	var next [killBells]int
	if _, err := fmt.Sscan(os.Getenv(nextVariable), &next[0], &next[1]); err != nil {
		return err
	}
	fmt.Println("opening")
	archive, err := store.Open(ctx, filepath.Join(dir, "data"), seal.Key{1}, time.Now)
	if err != nil {
		return err
	}
	if err := archive.Lock(); err != nil {
		return err
	}
	if _, err := archive.Recover(ctx); err != nil {
		return err
	}
	in := New(archive, time.Now, DefaultLimits)
	failed := make(chan error)
	for bell := range killBells {
		go func() {
			for i := next[bell]; ; i++ {
				r, err := in.Receive(ctx, deliveryOf(bell, i, bodies))
				if err != nil {
					failed <- fmt.Errorf("bell %d, delivery %d: %w", bell, i, err)
					return
				}
				fmt.Printf("kept %d %d %s %t\n", bell, i, r.Visit, r.New) // one write
			}
		}()
	}
	return <-failed
}

// deliveryOf returns what a bell sends as its i-th: three frames make a ring.
func deliveryOf(bell, i int, bodies [][]byte) Delivery {
	return Delivery{
		Bell: bellName(bell), Ring: fmt.Sprintf("ring-%d", i/3), Frame: i % 3,
		Body: bodies[bodyOf(bell, i, len(bodies))],
	}
}

func bodyOf(bell, i, bodies int) int { return (5*i + bell) % bodies }

func bellName(bell int) string { return fmt.Sprintf("bell-%d", bell) }

func readBodies(dir string) (bodies [][]byte, err error) {
	files, err := filepath.Glob(filepath.Join(dir, "sent", "*.jpg"))
	if err != nil {
		return nil, err
	}
	for _, file := range files {
		b, err := os.ReadFile(file)
		if err != nil {
			return nil, err
		}
		bodies = append(bodies, b)
	}
	return bodies, nil
}

// writeBodies draws noise, which JPEG hardly compresses: about 20 to 300 kB a
// picture, with few pixels to decode.
func writeBodies(t *testing.T, dir string, rnd *rand.Rand) {
	t.Helper()
	for i := range 16 {
		m := image.NewGray(image.Rect(0, 0, 150+i*i*i/8, 140+i*i*i/8)) // more small ones than large
		for j := range m.Pix {
			m.Pix[j] = uint8(rnd.Uint32())
		}
		var b bytes.Buffer
		if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: 90}); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, fmt.Sprintf("%02d.jpg", i)), b.Bytes(), 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

// A keptStill is what a receiver said that it had kept, once Receive returned.
type keptStill struct {
	bell, i int
	visit   string
	isNew   bool // false if a receiver kept it that was killed before it could say so
}

// receive starts a receiver and reads what it says until it is killed. The
// function kill is called when it begins to open the archive, and after every
// receipt; it has the process killed, now or later.
func receive(t *testing.T, dir string, next [killBells]int, kill func(*os.Process, []keptStill)) (kept []keptStill) {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), receiverVariable+"="+dir, fmt.Sprintf("%s=%d %d", nextVariable, next[0], next[1]))
	var complaint strings.Builder
	cmd.Stderr = &complaint
	stdout, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	// A line comes whole or not at all: pipe(7), PIPE_BUF.
	for lines := bufio.NewScanner(stdout); lines.Scan(); {
		var s keptStill
		n, _ := fmt.Sscanf(lines.Text(), "kept %d %d %s %t", &s.bell, &s.i, &s.visit, &s.isNew)
		switch {
		case n == 4:
			kept = append(kept, s)
		case lines.Text() != "opening":
			t.Errorf("the receiver said %q", lines.Text())
		}
		kill(cmd.Process, kept)
	}
	cmd.Wait()
	if status := cmd.ProcessState.Sys().(syscall.WaitStatus); status.Signal() != syscall.SIGKILL {
		t.Fatalf("the receiver ended by itself: %v\n%s", cmd.ProcessState, complaint.String())
	}
	return kept
}

// TestKill kills a receiver with SIGKILL at 200 random moments, from when it
// opens the archive until it has kept a few stills, and starts it again on the
// same archive. The bells send again what they heard no answer to.
//
// SIGKILL ends the process, not the kernel: what was written but not synced is
// still there afterwards. So this tests the order of the steps, the recovery,
// and that no receipt comes early. It does not test a loss of power; that the
// syncs are there and do something takes a disk that forgets.
func TestKill(t *testing.T) {
	dir := t.TempDir()
	rnd := rand.New(rand.NewPCG(killSeed, 0))
	h := newKilledHousehold(t, dir, rnd)
	span := h.timeSome(t, dir)

	var none, between, repeats int // kills before any receipt, between receipts; receipts that were lost
	var halfWritten, withoutRow int
	for range kills {
		moment := time.Duration(rnd.Int64N(int64(span)))
		kept := receive(t, dir, h.next, func(p *os.Process, kept []keptStill) {
			if len(kept) == 0 {
				time.AfterFunc(moment, func() { p.Kill() })
			}
		})
		h.learn(kept)
		if len(kept) == 0 {
			none++
			span += span / 20
		} else {
			between++
			span -= span / 32
		}
		for _, s := range kept {
			if !s.isNew {
				repeats++
			}
		}
		incoming, orphans := h.check(t)
		if (none+between)%10 == 0 { // it reads the whole database
			h.sound(t)
		}
		halfWritten, withoutRow = halfWritten+min(incoming, 1), withoutRow+min(orphans, 1)
		if t.Failed() {
			return
		}
	}
	h.checkAll(t)
	t.Logf("seed %d, %d kills, the last within %v of opening the archive: %d before any receipt, %d between receipts; "+
		"%d left a file half way in, %d a file without a row, %d a still whose receipt was lost; %d stills acknowledged",
		killSeed, kills, span.Round(time.Millisecond), none, between, halfWritten, withoutRow, repeats, len(h.kept))
	if none == 0 || between < kills/4 || halfWritten == 0 {
		t.Error("the kills missed the moments that matter")
	}
}

// A killedHousehold knows what its bells were promised.
type killedHousehold struct {
	dir   string
	clean [][]byte // what is to be kept of each body
	next  [killBells]int
	kept  []keptStill
	fresh int // of kept, how many were checked already
}

func newKilledHousehold(t *testing.T, dir string, rnd *rand.Rand) *killedHousehold {
	t.Helper()
	if err := os.Mkdir(filepath.Join(dir, "sent"), 0o700); err != nil {
		t.Fatal(err)
	}
	writeBodies(t, filepath.Join(dir, "sent"), rnd)
	bodies, err := readBodies(dir)
	if err != nil {
		t.Fatal(err)
	}
	h := &killedHousehold{dir: filepath.Join(dir, "data")}
	for _, body := range bodies {
		h.clean = append(h.clean, mustClean(t, body).JPEG)
	}
	h.addBells(t)
	return h
}

// timeSome has a receiver show how long a few stills take. Since other work on
// the machine changes that, the span of moments follows: it is a little longer
// after a kill that came before any receipt, a little shorter otherwise.
func (h *killedHousehold) timeSome(t *testing.T, dir string) (span time.Duration) {
	t.Helper()
	var began time.Time
	h.learn(receive(t, dir, h.next, func(p *os.Process, kept []keptStill) {
		if len(kept) == 0 {
			began = time.Now()
		}
		if len(kept) == 6 {
			span = time.Since(began)
			p.Kill()
		}
	}))
	h.check(t)
	return span
}

func (h *killedHousehold) addBells(t *testing.T) {
	t.Helper()
	archive, err := store.Open(t.Context(), h.dir, seal.Key{1}, time.Now)
	if err != nil {
		t.Fatal(err)
	}
	defer archive.Close()
	for bell := range killBells {
		if _, err := archive.AddBell(t.Context(), bellName(bell)); err != nil {
			t.Fatal(err)
		}
	}
}

// learn takes note of receipts: each bell goes on with what it heard no
// receipt for.
func (h *killedHousehold) learn(kept []keptStill) {
	for _, s := range kept {
		h.next[s.bell] = s.i + 1
	}
	h.kept = append(h.kept, kept...)
}

// check starts again after a kill: every still that was acknowledged since the
// last check must be there, and nothing else but stills with a row. It returns
// how many files the kill left on their way in, and without a row.
func (h *killedHousehold) check(t *testing.T) (incoming, orphans int) {
	t.Helper()
	left := stillFiles(t, h.dir)
	for _, file := range left {
		if strings.HasPrefix(file, "incoming/") {
			incoming++
		}
	}
	archive, err := store.Open(t.Context(), h.dir, seal.Key{1}, time.Now)
	if err != nil {
		t.Fatal(err)
	}
	defer archive.Close()
	if err := archive.Lock(); err != nil {
		t.Fatal(err)
	}
	r, err := archive.Recover(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	h.compare(t, archive, h.kept[h.fresh:])
	h.fresh = len(h.kept)
	if files, rows := stillFiles(t, h.dir), h.rows(t); !slices.Equal(files, rows) {
		t.Errorf("files %q, rows want %q", files, rows)
	}
	return incoming, r.Removed + r.Aside - incoming
}

// sound lets SQLite's own PRAGMA integrity_check and foreign_key_check
// (sqlite.org/pragma.html) say whether the database is whole.
func (h *killedHousehold) sound(t *testing.T) {
	t.Helper()
	db := h.database(t)
	defer db.Close()
	var verdict string
	var broken int
	if err := db.QueryRow(`PRAGMA integrity_check`).Scan(&verdict); err != nil || verdict != "ok" {
		t.Errorf("integrity_check: %q, %v", verdict, err)
	}
	if err := db.QueryRow(`SELECT count(*) FROM pragma_foreign_key_check`).Scan(&broken); err != nil || broken > 0 {
		t.Errorf("foreign_key_check: %d rows, %v", broken, err)
	}
}

func (h *killedHousehold) database(t *testing.T) *sql.DB {
	t.Helper()
	db, err := sql.Open("sqlite", filepath.Join(h.dir, "archive.db"))
	if err != nil {
		t.Fatal(err)
	}
	return db
}

// checkAll compares every still that was ever acknowledged.
func (h *killedHousehold) checkAll(t *testing.T) {
	t.Helper()
	archive, err := store.Open(t.Context(), h.dir, seal.Key{1}, time.Now)
	if err != nil {
		t.Fatal(err)
	}
	defer archive.Close()
	h.compare(t, archive, h.kept)
}

// compare reads stills back; the archive compares each with its hash.
func (h *killedHousehold) compare(t *testing.T, archive *store.Archive, kept []keptStill) {
	t.Helper()
	for _, s := range kept {
		got, err := archive.ReadStill(t.Context(), s.visit, s.i%3)
		if want := h.clean[bodyOf(s.bell, s.i, len(h.clean))]; err != nil || !bytes.Equal(got, want) {
			t.Errorf("acknowledged still %+v: %d bytes, want %d; %v", s, len(got), len(want), err)
		}
	}
}

// rows asks the database itself, past package store, which files there must
// be.
func (h *killedHousehold) rows(t *testing.T) (files []string) {
	t.Helper()
	db := h.database(t)
	defer db.Close()
	ids, err := db.Query(`SELECT id FROM stills ORDER BY id`)
	if err != nil {
		t.Fatal(err)
	}
	defer ids.Close()
	for ids.Next() {
		var id string
		if err := ids.Scan(&id); err != nil {
			t.Fatal(err)
		}
		files = append(files, "stills/"+id[:2]+"/"+id+".still")
	}
	if err := ids.Err(); err != nil {
		t.Fatal(err)
	}
	return files
}
